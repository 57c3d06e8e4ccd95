"""What may be tried on a report without touching the campaign, checked before anything runs.

A notebook runner writes parameter values into generated code safely, but not
parameter names. So names are compared with the fields of
:class:`ReportParameters` before any notebook is opened, and the notebook
checks what it was given once more, so that a run by hand gets the same words.
"""

import difflib
import re
from collections.abc import Mapping, Sequence
from typing import Any, Literal

from pydantic import BaseModel, ConfigDict, Field, ValidationError

from thermlab.base.errors import InputError, Problem, shown
from thermlab.campaign.settings import CampaignSettings, ConfidenceLevel, LimitC, Limits, MarginK, PowerW, RoomC

_NUMBER = re.compile(r"[+-]?([0-9]{1,40}\.?[0-9]{0,40}|\.[0-9]{1,40})([eE][+-]?[0-9]{1,3})?\Z")


_WORDS = {"anonymous", "sheet"}


class ReportParameters(BaseModel):
    """Parameters of the comparison template besides the campaign; None means "as written in the campaign".

    Attributes
    ----------
    room_C : float or None
        The customer's room, degC.
    temperature_C : float or None
        Temperature limit of the device, degC.
    margin_K : float or None
        Smallest difference that matters, K.
    reference_power_W : float or None
        Power of the primary estimand, W.
    confidence_level : float or None
        As a fraction.
    anonymous : bool
        Leave out notes, photos, paths and file names.
    sheet : {"customer"} or None
        A sheet that is written beside the report.
    """

    model_config = ConfigDict(extra="forbid", frozen=True, allow_inf_nan=False)

    room_C: RoomC | None = Field(default=None, description="a temperature in degC from -100 to 200")
    temperature_C: LimitC | None = Field(default=None, description="a temperature in degC from -100 to 400")
    margin_K: MarginK | None = Field(default=None, description="a difference in K above 0 and at most 1000")
    reference_power_W: PowerW | None = Field(default=None, description="a power in W above 0 and at most 100000")
    confidence_level: ConfidenceLevel | None = Field(default=None, description="a fraction above 0.5, such as 0.95")
    anonymous: bool = Field(default=False, description="true or false")
    sheet: Literal["customer"] | None = Field(default=None, description="customer")


def check_parameters(given: Mapping[str, object]) -> ReportParameters:
    """Check parameters by name, type and range.

    Parameters
    ----------
    given : mapping
        Names and values; numbers may be given as text, as on a command line.

    Returns
    -------
    ReportParameters
        Only JSON-native values.

    Raises
    ------
    InputError
        Every name that is unknown and every value that is not allowed.
    """
    names = tuple(ReportParameters.model_fields)
    problems = [_unknown(name, names) for name in given if name not in names]
    known = {name: _spelled(value) for name, value in given.items() if name in ReportParameters.model_fields}
    # True is a number to Python, but "margin_K: true" is a slip.
    slips = [name for name, value in known.items() if name not in _WORDS and not _plain(value)]
    problems += [_not_allowed(name, known[name]) for name in slips]
    checked = None
    try:
        checked = ReportParameters.model_validate(known)
    except ValidationError as error:
        wrong = dict.fromkeys(str(entry["loc"][0]) for entry in error.errors())
        problems += [_not_allowed(name, known[name]) for name in wrong if name not in slips]
    if problems or checked is None:
        raise InputError(problems)
    return checked


def as_overrides(parameters: ReportParameters) -> dict[str, Any]:
    """Return what was given, without what was left as written in the campaign."""
    given = parameters.model_dump(mode="json", exclude=_WORDS)
    return {name: value for name, value in given.items() if value is not None}


def _spelled(value: object) -> object:
    text = value.strip() if isinstance(value, str) else None
    return None if text in ("None", "null", "") else (text if text is not None else value)


def _plain(value: object) -> bool:
    """Tell whether a value is a number as people write one: Python itself also takes 1_0 and other digits than ours."""
    if isinstance(value, str):
        return _NUMBER.match(value) is not None
    return value is None or (isinstance(value, (int, float)) and not isinstance(value, bool))


def _unknown(name: str, known: Sequence[str]) -> Problem:
    near = difflib.get_close_matches(name, known, n=1)
    hint = f"; did you mean {near[0]}?" if near else ""
    return Problem(f"parameter {shown(name)}", "an unknown name", ", ".join(known) + hint)


def _not_allowed(name: str, value: object) -> Problem:
    allowed = ReportParameters.model_fields[name].description or ""
    return Problem(f"parameter {name}", shown(repr(value), quoted=False), allowed)


DECISION = ("margin_K", "reference_power_W", "confidence_level")
LIMITS = ("room_C", "temperature_C")


def apply_overrides(
    settings: CampaignSettings, **wanted: float | None
) -> tuple[CampaignSettings, dict[str, tuple[Any, Any]]]:
    """Return settings with what is wanted in place of what is written.

    Parameters
    ----------
    settings : CampaignSettings
        As written in the campaign.
    **wanted : float or None
        ``room_C``, ``temperature_C``, ``margin_K``, ``reference_power_W``, ``confidence_level``; None leaves it.

    Returns
    -------
    settings : CampaignSettings
        To be used.
    overrides : dict of str to (written, used)
        Only what differs.

    Raises
    ------
    InputError
        Where a name is unknown, the limit is not above the room, or only one of the two is known.
    """
    unknown = [_unknown(name, (*DECISION, *LIMITS)) for name in wanted if name not in (*DECISION, *LIMITS)]
    if unknown:
        raise InputError(unknown)
    given = {name: value for name, value in wanted.items() if value is not None}
    overrides: dict[str, tuple[Any, Any]] = {}
    decision, limits = settings.decision, settings.limits
    for name in (*DECISION, *LIMITS):
        written = getattr(decision if name in DECISION else limits, name, None)  # no limits: nothing is written
        if name in given and given[name] != written:
            overrides[name] = (written, given[name])
    if any(name in overrides for name in LIMITS):
        limits = _limits(limits, given)
    changed = {name: pair[1] for name, pair in overrides.items() if name in DECISION}
    return settings.model_copy(update={"decision": decision.model_copy(update=changed), "limits": limits}), overrides


def as_made(used: CampaignSettings, written: CampaignSettings) -> CampaignSettings:
    """Return settings for the reduction of the runs: the device knew only the limit it had on the bench.

    Parameters
    ----------
    used, written : CampaignSettings
        With and without what is tried.

    Returns
    -------
    CampaignSettings
        What is used, but with the limit as written, where there is one: another limit that is tried does not change
        which runs shed power.
    """
    return used if written.limits is None else used.model_copy(update={"limits": written.limits})


def _limits(written: Limits | None, given: dict[str, float]) -> Limits:
    room = given.get("room_C", None if written is None else written.room_C)
    limit = given.get("temperature_C", None if written is None else written.temperature_C)
    if room is None or limit is None:
        missing = "room_C" if room is None else "temperature_C"
        raise InputError([Problem(f"parameter {missing}", "no value", "both room_C and temperature_C")])
    if not limit > room:
        found = f"a limit of {limit:g} degC in a room of {room:g} degC"
        raise InputError([Problem("parameter temperature_C", found, "a limit above the room")])
    return Limits(temperature_C=limit, room_C=room)
