"""Try another room, limit, margin, reference or level without touching the campaign."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from thermlab.base.errors import InputError, Problem
from thermlab.campaign.settings import Limits

if TYPE_CHECKING:
    from thermlab.campaign.settings import CampaignSettings

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
        Where the limit is not above the room, or only one of the two is known.
    """
    given = {name: value for name, value in wanted.items() if value is not None}
    overrides: dict[str, tuple[Any, Any]] = {}
    decision = settings.decision
    for name in DECISION:
        if name in given and given[name] != getattr(decision, name):
            overrides[name] = (getattr(decision, name), given[name])
    limits = settings.limits
    for name in LIMITS:
        written = None if limits is None else getattr(limits, name)
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
