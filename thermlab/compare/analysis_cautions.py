"""What a reader has to know before any number, the gravest first."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING, Any

from thermlab.campaign.parameters import DECISION

if TYPE_CHECKING:
    from thermlab.campaign.folder import Campaign
    from thermlab.compare.records import Comparison
    from thermlab.compare.throttle_records import ThrottlePower
    from thermlab.runs.records import ReducedRun
    from thermlab.runs.settled_runs import SettledRuns

# Rooms in which a workshop has its bench, degC (common practice, no source).
LIKELY_ROOM_C = (0.0, 45.0)
# Two standard uncertainties of a difference, about 95 %, and half of what is worth acting on.
REPEATS_DIFFER, REPEATS_DIFFER_K = 2.0, 0.5

_WORDS = {
    "margin_K": "margin (K)",
    "reference_power_W": "reference power (W)",
    "confidence_level": "confidence level",
    "room_C": "room (degC)",
    "temperature_C": "temperature limit (degC)",
}


def campaign_cautions(
    campaign: Campaign,
    settled: SettledRuns,
    comparison: Comparison | None,
    throttle: ThrottlePower | None,
    overrides: dict[str, tuple[Any, Any]],
    notes: tuple[str, ...],
) -> tuple[str, ...]:
    """Collect every caution of a campaign.

    Parameters
    ----------
    campaign : Campaign
        Settings and run sheet.
    settled : SettledRuns
        Its reduced runs.
    comparison : Comparison or None
        None without any usable run.
    throttle : ThrottlePower or None
        None where it was not asked for.
    overrides : dict
        What differs from the campaign as written.
    notes : tuple of str
        What the log reader passed over.

    Returns
    -------
    tuple of str
        Without repetition.
    """
    found = [
        *_overridden(overrides, DECISION, "was changed after the data were seen"),
        *_overridden(overrides, ("room_C", "temperature_C"), "is not the one written in the campaign"),
        *_one_treatment(campaign),
        *([] if comparison is not None else ["No run can be used: there is no result to give."]),
        *(comparison.cautions if comparison is not None else ()),
        *campaign.cautions,
        *_throttle(campaign, throttle),
        *_bench(settled),
        *_room(campaign, settled),
        *_repeats(settled),
        *_left_out(settled),
        *notes,
    ]
    return tuple(dict.fromkeys(found))


def _overridden(overrides: dict[str, tuple[Any, Any]], names: tuple[str, ...], what: str) -> list[str]:
    def shown(value: Any) -> str:
        return "not set" if value is None else f"{value:g}"

    return [
        f"The {_WORDS[name]} {what}: {shown(overrides[name][0])} as written, {shown(overrides[name][1])} used here."
        for name in names
        if name in overrides
    ]


def _one_treatment(campaign: Campaign) -> list[str]:
    if len(campaign.settings.treatments) > 1:
        return []
    return ["There is one treatment only, so there is nothing to compare it with."]


def _throttle(campaign: Campaign, throttle: ThrottlePower | None) -> list[str]:
    if campaign.settings.limits is None:
        return ["No temperature limit and customer's room are given, so no throttle power can be predicted."]
    return [] if throttle is None else list(throttle.cautions)


def _bench(settled: SettledRuns) -> list[str]:
    """No time constant, or one of its own for each treatment."""
    factors, constant = settled.bench.factors, settled.bench.time_constant
    if factors and constant is not None:
        listed = ", ".join(
            f"{name} {factor * constant.time_constant_s / 60.0:.1f} min" for name, factor in factors.items()
        )
        return [
            (
                f"The treatments settle at different speeds ({listed}), as different heat sinks do: each was reduced "
                "with its own time constant, so an equal soak leaves different amounts to come."
            )
        ]
    if settled.bench.time_constant is not None or not settled.runs:
        return []
    return [
        (
            "The runs do not determine the time constant of the bench; only runs that are steady at their end have a "
            "settled rise, and it is their mean."
        )
    ]


def _room(campaign: Campaign, settled: SettledRuns) -> list[str]:
    constant = campaign.settings.ambient_constant
    if constant is None:
        odd = [run for run in settled.runs if run.ambient_C is not None]
        odd = [run for run in odd if not LIKELY_ROOM_C[0] < (run.ambient_C or 0.0) <= LIKELY_ROOM_C[1]]
        if not odd:
            return []
        return [
            (
                f"The room of {len(odd)} runs was read as {odd[0].ambient_C:.0f} degC or the like ({odd[0].run}): "
                "are the unit and the column of the room right?"
            )
        ]
    return [
        (
            f"The room was not logged: {constant.value_C:g} degC was read off a thermometer, with a standard "
            f"uncertainty of {constant.u_K:g} K. A room that moved is in the rises."
        )
    ]


def _repeats(settled: SettledRuns) -> list[str]:
    """Repeats of a step on one mount that differ by more than their own scatter allows."""
    groups: dict[tuple[str, str, float], list[ReducedRun]] = {}
    for run in settled.runs:
        if run.used and run.rise_K is not None and run.u_rise_a_K:
            groups.setdefault((run.treatment, run.mount, run.set_power_W), []).append(run)
    found = []
    for (treatment, mount, power), repeats in groups.items():
        if len(repeats) < 2:
            continue
        low = min(repeats, key=lambda run: run.rise_K or 0.0)
        high = max(repeats, key=lambda run: run.rise_K or 0.0)
        spread = (high.rise_K or 0.0) - (low.rise_K or 0.0)
        u = math.hypot(low.u_rise_a_K or 0.0, high.u_rise_a_K or 0.0)
        if spread > REPEATS_DIFFER * u and spread > REPEATS_DIFFER_K:
            found.append(
                f"The repeats {low.run} and {high.run} of {treatment} mount {mount} at {power:g} W differ by "
                f"{spread:.1f} K, {spread / u:.1f} times what their own scatter explains: something changed between "
                "them that was not logged (air, room, contact)."
            )
    return found


def _left_out(settled: SettledRuns) -> list[str]:
    gone = [run for run in settled.runs if not run.used and not run.held]
    held = [run for run in settled.runs if not run.used and run.held]
    found = []
    if gone:
        listed = "; ".join(f"{run.run} ({run.reason})" for run in gone[:12])
        more = f" and {len(gone) - 12} more" if len(gone) > 12 else ""
        found.append(f"Left out of the answer: {listed}{more}.")
    if held:
        listed = ", ".join(run.run for run in held[:12])
        found.append(
            f"Shed power at the limit and so not in the fits at set power, but an observation of the throttle power: "
            f"{listed}."
        )
    return found
