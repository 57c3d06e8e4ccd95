"""All runs of a bench together: time constant, settled rises, set power.

One run cannot tell its own time constant from its settled rise, so the runs of
a campaign are reduced together: the room's lag and the time constant are found
in turn until they agree, then every run gets its settled rise, and what its
logged power was off the set power is corrected with the slope of the bench's
rise curve.
"""

from __future__ import annotations

from dataclasses import dataclass, field, replace
from typing import TYPE_CHECKING

import numpy as np

from thermlab.runs.room_lag import lag_room
from thermlab.runs.settled_rise import Estimate, choose_sensor, estimate_run
from thermlab.runs.settling import level_window
from thermlab.runs.time_constant import (
    CONVECTION_EXPONENT,
    CURVATURE,
    SLOW_FROM,
    Approach,
    BenchTimeConstant,
    estimate_time_constant,
    time_constant_factors,
)
from thermlab.runs.trace import Blocks, Trace, block_means
from thermlab.stats.curves import RiseCurve, fit_curve

if TYPE_CHECKING:
    from collections.abc import Collection, Sequence

    from thermlab.campaign.settings import CheckThresholds

LAG_ROUNDS = 3
# A lag off by this fraction changes a rise by less than 0.01 K at 1 K/h.
LAG_AGREES = 0.02
# Local slope over mean resistance, d ln(rise) / d ln(P), where one step alone
# leaves the curve unknown: a sixth of the rise in the interface, the rest in a
# naturally convecting sink (common practice, no source).
SINGLE_STEP_SLOPE = {"passive": 0.85, "forced": 1.0}


@dataclass(frozen=True, slots=True, kw_only=True)
class BenchReduction:
    """Every run of a bench, reduced at its logged power.

    Attributes
    ----------
    time_constant : BenchTimeConstant or None
        None where the runs do not determine one.
    highest_power_W : float
        Power step the time constant refers to, W.
    blocks : tuple of Blocks
        Block means, one entry a trace.
    estimates : tuple of Estimate
        One entry a trace.
    factors : dict of str to float
        Time constant of each treatment over that of the bench, where treatments differ in it; else empty.
    """

    time_constant: BenchTimeConstant | None
    highest_power_W: float
    blocks: tuple[Blocks, ...]
    estimates: tuple[Estimate, ...]
    factors: dict[str, float] = field(default_factory=dict)


def reduce_bench(
    traces: Sequence[Trace],
    *,
    cooling: str,
    measurand: str,
    limit_C: float | None,
    thresholds: CheckThresholds,
    leave_out: Collection[int] = (),
    blocks: Sequence[Blocks] | None = None,
    near: BenchTimeConstant | None = None,
) -> BenchReduction:
    """Reduce all runs of a bench.

    Parameters
    ----------
    traces : sequence of Trace
        All runs of the campaign that have readings.
    cooling : {"passive", "forced"}
        Sets how the time constant depends on power.
    measurand : {"hottest", "mean"}
        What stands for the device's temperature.
    limit_C : float or None
        Temperature at which the device throttles, degC.
    thresholds : CheckThresholds
        Limits of the settled rule and of shed power.
    leave_out : collection of int
        Positions of runs that must not enter the time constant.
    blocks : sequence of Blocks, optional
        Block means of the traces where they are known already.
    near : BenchTimeConstant, optional
        A time constant to start from.

    Returns
    -------
    BenchReduction
    """
    if blocks is None:
        blocks = [block_means(trace) for trace in traces]
    highest = max((trace.set_power_W for trace in traces), default=1.0)
    scales = [(trace.set_power_W / highest) ** CONVECTION_EXPONENT[cooling] for trace in traces]
    shed = [_sheds(trace, limit_C, thresholds) for trace in traces]
    held = [i for i in range(len(traces)) if not shed[i] and i not in leave_out]
    constant = near
    for _ in range(LAG_ROUNDS):
        approaches, members = [], []
        for i in held:
            found = _approach(traces[i], blocks[i], constant, scale=scales[i], cooling=cooling, measurand=measurand)
            if found.time_s.size:  # nothing where neither the room nor its history is known, or the sensor never
                approaches.append(found)
                members.append(i)
        before = constant
        constant = estimate_time_constant(
            approaches,
            slow_from=SLOW_FROM[cooling],
            guess_s=None if before is None else before.time_constant_s,
        )
        if constant is None:
            break
        if before is not None and abs(constant.time_constant_s / before.time_constant_s - 1) < LAG_AGREES:
            break
    if constant is not None:
        constant = replace(constant, left_out=tuple(members[i] for i in constant.left_out))
    factors: dict[str, float] = {}
    if constant is not None:
        groups = [traces[i].treatment for i in members]
        if len(set(groups)) > 1:
            factors = time_constant_factors(approaches, groups, constant, slow_from=SLOW_FROM[cooling])
        scales = [scale * factors.get(trace.treatment, 1.0) for trace, scale in zip(traces, scales, strict=True)]
    estimates = tuple(
        estimate_run(
            trace,
            block,
            time_constant_s=None if constant is None else constant.time_constant_s * scale,
            u_time_constant_s=0.0 if constant is None else constant.u_time_constant_s * scale,
            slow_from_s=0.0 if constant is None else constant.fit_from_s * scale,
            cooling=cooling,
            measurand=measurand,
            limit_C=limit_C,
            thresholds=thresholds,
        )
        for trace, block, scale in zip(traces, blocks, scales, strict=True)
    )
    return BenchReduction(
        time_constant=constant, highest_power_W=highest, blocks=tuple(blocks), estimates=estimates, factors=factors
    )


def _sheds(trace: Trace, limit_C: float | None, thresholds: CheckThresholds) -> bool:
    """Whether the device was at its limit with power below set for any twentieth of the soak."""
    if limit_C is None:
        return False
    below = trace.power_W < (1 - thresholds.shed_power_percent / 100.0) * trace.set_power_W
    if not below.mean() > 0.05:
        return False
    at_limit = trace.hottest_C >= limit_C - thresholds.shed_limit_K
    return bool((below & at_limit).mean() > 0.05)


def _approach(
    trace: Trace, blocks: Blocks, constant: BenchTimeConstant | None, *, scale: float, cooling: str, measurand: str
) -> Approach:
    tau = None if constant is None else constant.time_constant_s * scale
    _, temperature = choose_sensor(
        trace, blocks, measurand=measurand, from_s=level_window(trace.soak_s, tau, cooling=cooling)
    )
    lag = trace.soak_s / 4.0 if tau is None else tau
    room = lag_room(trace, blocks.time_s, time_constant_s=lag, step_s=max(blocks.length_s, lag / 60.0))
    good = ~np.isnan(temperature) & ~np.isnan(room)
    return Approach(
        time_s=blocks.time_s[good], rise_K=(temperature - room)[good], scale=scale, curvature=CURVATURE[cooling]
    )


def bench_curve(powers_W: Sequence[float], rises_K: Sequence[float], *, cooling: str) -> RiseCurve | None:
    """Fit the rise curve of the whole bench, used for small corrections in power.

    Parameters
    ----------
    powers_W, rises_K : sequence of float
        Logged power and settled rise of the runs that may be used.
    cooling : {"passive", "forced"}
        Decides the slope where there is a single power step.

    Returns
    -------
    RiseCurve or None
        None without any run.
    """
    if not powers_W:
        return None
    powers, rises = np.asarray(powers_W, dtype=np.float64), np.asarray(rises_K, dtype=np.float64)
    if np.ptp(powers) > 0.1 * powers.max():
        for _ in range(2):
            curve = fit_curve(powers, rises)
            residual = rises - np.array([curve.rise_K(p) for p in powers])
            scale = 1.4826 * float(np.median(np.abs(residual)))
            keep = np.abs(residual) <= max(4.0 * scale, 0.5)
            if keep.all() or np.ptp(powers[keep]) <= 0.1 * powers.max():
                break
            powers, rises = powers[keep], rises[keep]
        return curve
    power, rise = float(powers.mean()), float(np.median(rises))
    slope = SINGLE_STEP_SLOPE[cooling] * rise / power
    # b P + a P^0.8 with the given value and slope at one power.
    b = (slope - 0.8 * rise / power) / 0.2
    return RiseCurve(b_K_per_W=b, a=(rise - b * power) / power**0.8, lowest_W=power, highest_W=power)
