"""What a throttle power warns of, in sentences a builder can act on."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from thermlab.base.numbers import format_interval, round_to_uncertainty

if TYPE_CHECKING:
    from collections.abc import Sequence

    from thermlab.compare.scatter import Scatter
    from thermlab.compare.throttle_records import TreatmentThrottle
    from thermlab.runs.records import ReducedRun

# Simulated for a rise of 65 K with 35 % of the heat shed by radiation, convection properties held constant:
# the rise at fixed power falls by 0.12 K per K of warmer room (0.07 with 20 %, 0.17 with 50 %).
_ROOM_EFFECT_K_PER_K = 0.12
_ROOM_EFFECT_AT_RISE_K = 65.0
_ABSOLUTE_ZERO_C = -273.15


def caution_items(items: Sequence[TreatmentThrottle]) -> list[str]:
    """Say why a treatment has no throttle power."""
    cautions = [f"No throttle power for {item.treatment}: {item.reason}." for item in items if item.reason]
    if items[0].reason and any(not item.reason for item in items[1:]):
        cautions.append(f"No difference of throttle powers: {items[0].treatment}, the baseline, has none.")
    return cautions


def caution_intervals(items: Sequence[TreatmentThrottle], scatter: Scatter) -> list[str]:
    """Say why a throttle power has no interval."""
    without = [item.treatment for item in items if item.throttle_power_W is not None and item.interval_W is None]
    apart = [
        item.treatment
        for item in items
        if item.difference_W is not None and item.difference_interval_W is None and item.treatment not in without
    ]
    why = (
        "the mounts agree to the last digit"
        if scatter.no_scatter
        else "one mount cannot show how far the next would differ"
    )
    cautions = []
    if without:
        cautions.append(f"No interval for the throttle power of {', '.join(without)}: {why}.")
    if apart:
        # Under Welch a treatment of one mount takes the interval from its difference alone.
        cautions.append(
            f"No interval for the difference of throttle powers of {', '.join(apart)}: the mounts of one of the two "
            "cannot show their scatter."
        )
    return cautions


def caution_observed(items: Sequence[TreatmentThrottle]) -> list[str]:
    """Say where runs that shed power disagree with the prediction."""
    cautions = []
    for item in items:
        seen, band = item.directly_observed_W, item.future_mount_interval_W
        if seen is not None and band is not None and not band[0] <= seen <= band[1]:
            half = 0.5 * (band[1] - band[0])
            cautions.append(
                f"Runs of {item.treatment} that shed power at the limit point to {round_to_uncertainty(seen, half)} W, "
                f"outside the {format_interval(*band, 'W')} predicted for one mount: believe the observation and look "
                "for the reason."
            )
        if item.observed and seen is None:
            cautions.append(
                f"Runs of {item.treatment} shed power at the limit, but the power they held cannot be moved to the "
                "customer's room and limit: no curve rises there, or it would lie more than 20 % outside the ladder."
            )
    return cautions


def caution_room(
    runs: Sequence[ReducedRun], items: Sequence[TreatmentThrottle], room_C: float, limit: float, cooling: str
) -> list[str]:
    """Say what testing in another room than the customer's does, scaled to this bench."""
    rooms = [run.ambient_C for run in runs if run.used and run.ambient_C is not None]
    slopes = [item.slope_K_per_W for item in items if item.slope_K_per_W is not None]
    if not rooms or not slopes:
        return []
    tested = float(np.mean(rooms))
    warmer = room_C - tested
    if abs(warmer) < 1.0:
        return []
    slope = float(np.mean(slopes))
    where = f"The bench stood in {tested:.1f} degC on average, the customer's room is {room_C:g} degC"
    if cooling == "forced":
        watts = abs(limit * warmer / (tested - _ABSOLUTE_ZERO_C)) / slope
        side = "high (not safe)" if warmer > 0.0 else "low (safe)"
        effect = "Fans at constant speed move less mass of warm, thin air"
        return [f"{where}. {effect}: the throttle powers are read up to about {watts:.2g} W too {side}."]
    per_kelvin = _ROOM_EFFECT_K_PER_K * limit / _ROOM_EFFECT_AT_RISE_K
    watts = abs(per_kelvin * warmer) / slope
    side = "low (safe)" if warmer > 0.0 else "high (not safe)"
    effect = (
        f"A passive sink that sheds about a third of its heat by radiation rises about {per_kelvin:.2g} K less per K "
        "of warmer room (0.6 to 1.4 times that for a fifth to a half)"
    )
    return [f"{where}. {effect}: the throttle powers are read about {watts:.2g} W too {side}."]
