"""What may be tried on a report without touching the campaign, checked before anything runs.

A notebook runner writes parameter values into generated code safely, but not
parameter names. So names are compared with the fields of
:class:`ReportParameters` before any notebook is opened, and the notebook
checks what it was given once more, so that a run by hand gets the same words.
"""

import re
from collections.abc import Mapping
from typing import Any, Literal

from pydantic import Field

from thermlab.campaign.settings import CampaignSettings, ConfidenceLevel, LimitC, Limits, MarginK, PowerW, RoomC
from thermlab.campaign.yaml_files import read_asked
from thermlab.logs.settings import Model

_NUMBER = re.compile(r"[+-]?([0-9]{1,40}\.?[0-9]{0,40}|\.[0-9]{1,40})([eE][+-]?[0-9]{1,3})?\Z")


_WORDS = {"anonymous", "sheet"}


class ReportParameters(Model):
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

    room_C: RoomC | None = Field(default=None, description="the customer's room, degC")
    temperature_C: LimitC | None = Field(default=None, description="temperature limit of the device, degC")
    margin_K: MarginK | None = Field(default=None, description="the smallest difference that matters, K")
    reference_power_W: PowerW | None = Field(default=None, description="power of the primary estimand, W")
    confidence_level: ConfidenceLevel | None = Field(default=None, description="a fraction, such as 0.95")
    anonymous: bool = Field(default=False, strict=False, description="true or false")
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
    return read_asked(ReportParameters, {name: _spelled(value) for name, value in given.items()})


def as_overrides(parameters: ReportParameters) -> dict[str, Any]:
    """Return what was given, without what was left as written in the campaign."""
    given = parameters.model_dump(mode="json", exclude=_WORDS)
    return {name: value for name, value in given.items() if value is not None}


def _spelled(value: object) -> object:
    """Return what a text of a command line means: nothing, a number as people write one, or the text itself."""
    if not isinstance(value, str):
        return value
    text = value.strip()
    if text in ("None", "null", ""):
        return None
    return float(text) if _NUMBER.match(text) else text  # Python itself takes 1_0 and other digits than ours, too


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
        Where a name or value is not allowed, the limit is not above the room, or only one of the two is known.
    """
    given = as_overrides(check_parameters(wanted))
    overrides: dict[str, tuple[Any, Any]] = {}
    decision, limits = settings.decision, settings.limits
    for name in (*DECISION, *LIMITS):
        written = getattr(decision if name in DECISION else limits, name, None)  # no limits: nothing is written
        if name in given and given[name] != written:
            overrides[name] = (written, given[name])
    if any(name in overrides for name in LIMITS):
        together = {} if limits is None else limits.model_dump()
        together |= {name: given[name] for name in LIMITS if name in given}
        limits = read_asked(Limits, together)
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
