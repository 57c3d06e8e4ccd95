"""How long to soak: what a shorter soak costs once the time constant of the bench is known, against waiting.

The settled rise is extrapolated with one time constant for the bench. A shorter soak buys mounts; it costs a noisier
settled rise, and it leaves more to extrapolate: an error of x % in the time constant leaves about 2.4 x % of what was
still missing in the rise, and so in the throttle power. In a difference it cancels as long as all soaks are equal.
Below 1.6 time constants, or with more than 2 K left, the run checks call it doubtful.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from functools import partial
from typing import TYPE_CHECKING

import numpy as np

from thermlab.base.errors import InputError, Problem
from thermlab.planning.steps import BenchHours, SplitProblem, half_width

if TYPE_CHECKING:
    from collections.abc import Sequence

    from numpy.typing import NDArray

SHORTEST_TRUSTED_SOAK = 1.6
RECOMMENDED_SOAK = 2.0
SOAKS = (1.3, 1.6, 2.0, 2.5, 3.0, 4.0, 5.0)
SETTLED_LEFT_K = 0.5
MOST_LEFT_K = 2.0
TIME_CONSTANT_ERROR = 0.05
ERROR_SHARE = 2.4
"""Of what was left, for each share by which the time constant is wrong: least squares over 1.6 time constants."""
READING_SD_K = 0.3
READING_CORRELATION_S = 20.0
READOUT_STEP_K = 1.0
READOUT_CORRELATION_S = 7.5
"""How long the error of rounding stays alike in such readings: found by simulation, as are the values it gives."""
BLOCK_S = 10.0


@dataclass(frozen=True, slots=True, kw_only=True)
class SoakChoice:
    """What a soak of some length gives for the same hours.

    Attributes
    ----------
    soak_min : float
        Soak of a step, min.
    soak_time_constants : float
        The same in time constants of the bench.
    n_mounts : int
        Mounts of each treatment that fit into the hours.
    difference_half_width_K : float or None
        Expected half-width of the interval of a difference, K.
    left_K : float
        The most that any step still lacks at the end of its soak, K; it is extrapolated.
    rise_error_K : float
        What an error of 5 % in the time constant leaves of it in the rise, K. It cancels in a difference.
    throttle_error_W : float or None
        The same in the throttle power, W.
    note : str
        ``too short to trust``, ``settles by itself`` or empty.
    """

    soak_min: float
    soak_time_constants: float
    n_mounts: int
    difference_half_width_K: float | None
    left_K: float
    rise_error_K: float
    throttle_error_W: float | None
    note: str


def left_after_soak_K(
    problem: SplitProblem, steps_W: Sequence[float], soak_min: float, time_constant_min: float
) -> tuple[float, ...]:
    """Return what each step still lacks at the end of its soak, K, for a first-order sink.

    Steps ascend; the first is pre-soaked, so it has soaked twice as long from cold.

    Parameters
    ----------
    problem : SplitProblem
        Bench and curve.
    steps_W : sequence of float
        Steps of a mount, W.
    soak_min, time_constant_min : float
        Soak of a step and time constant of the bench at the highest power, min.
    """
    decay = math.exp(-soak_min / time_constant_min)
    left: list[float] = []
    reached_K = 0.0
    for place, step in enumerate(sorted(steps_W)):
        settled_K = problem.curve.rise_K(step)
        left.append((settled_K - reached_K) * (decay**2 if place == 0 else decay))
        reached_K = settled_K - left[-1]
    return tuple(left)


def settled_rise_sd_K(soak_min: float, time_constant_min: float) -> float | None:
    """Return the SD of a settled rise that is extrapolated with a known time constant, K.

    Least squares of level and remaining exponential over the last 1.6 time constants, for readings with an SD of 0.3 K,
    a correlation time of 20 s and a readout of 1 K. None where the soak leaves no window.

    Parameters
    ----------
    soak_min, time_constant_min : float
        Soak and time constant, min.
    """
    window_s = 60.0 * min(1.6 * time_constant_min, soak_min - 0.3 * time_constant_min)
    n_blocks = int(window_s // BLOCK_S)
    if n_blocks < 5:
        return None
    before_end_min = (np.arange(n_blocks)[::-1] + 0.5) * BLOCK_S / 60.0
    design = np.column_stack([np.ones(n_blocks), np.exp(before_end_min / time_constant_min)])
    lags_s = BLOCK_S * np.abs(np.subtract.outer(np.arange(n_blocks), np.arange(n_blocks)))
    covariance = READING_SD_K**2 * _block_correlation(lags_s, READING_CORRELATION_S)
    covariance += READOUT_STEP_K**2 / 12 * _block_correlation(lags_s, READOUT_CORRELATION_S)
    weights = np.linalg.pinv(design)[0]
    return float(math.sqrt(weights @ covariance @ weights))


def _block_correlation(lags_s: NDArray[np.float64], correlation_s: float) -> NDArray[np.float64]:
    # Covariance of means over blocks of an exponentially correlated signal, by integrating over both blocks.
    ratio = BLOCK_S / correlation_s
    same = 2.0 / ratio**2 * (ratio - 1.0 + math.exp(-ratio))
    apart = (2.0 * math.cosh(ratio) - 2.0) / ratio**2 * np.exp(-lags_s / correlation_s)
    return np.where(lags_s == 0, same, apart)


def compare_soaks(
    problem: SplitProblem, hours: float, times: BenchHours, *, steps_W: Sequence[float], time_constant_min: float
) -> tuple[SoakChoice, ...]:
    """Return what soaks of several lengths give for the same hours and the same steps.

    Parameters
    ----------
    problem : SplitProblem
        Bench, scatter and question.
    hours : float
        Bench hours to spend, h.
    times : BenchHours
        What a mount costs; its soak is replaced.
    steps_W : sequence of float
        Steps of a mount, W.
    time_constant_min : float
        Time constant of the bench at the highest power, min.

    Returns
    -------
    tuple of SoakChoice
        From short to long; the last ends when no more than 0.5 K is missing.

    Raises
    ------
    InputError
        A time constant that is not above 0.
    """
    if not (math.isfinite(time_constant_min) and time_constant_min > 0):
        raise InputError([Problem("plan: time constant", f"{time_constant_min} min", "a time above 0 min")])
    soaks = [round_up_min(factor * time_constant_min) for factor in SOAKS]
    soaks.append(recommended_soak_min(problem, steps_W, time_constant_min))
    choose = partial(_soak, problem, hours, times, tuple(steps_W))
    return tuple(choose(time_constant_min=time_constant_min, soak_min=soak) for soak in sorted(set(soaks)))


def recommended_soak_min(problem: SplitProblem, steps_W: Sequence[float], time_constant_min: float) -> float:
    """Return the soak the kit recommends, min.

    Two time constants, because below them the noise of the settled rise grows fast; longer where a step between two
    powers is so large that more than 2 K would be left to extrapolate, which the run checks call doubtful.

    Parameters
    ----------
    problem : SplitProblem
        Bench and curve.
    steps_W : sequence of float
        Steps of a mount, W.
    time_constant_min : float
        Time constant of the bench at the highest power, min.
    """
    soak = RECOMMENDED_SOAK * time_constant_min
    while max(left_after_soak_K(problem, steps_W, round_up_min(soak), time_constant_min)) > MOST_LEFT_K:
        soak += 0.1 * time_constant_min
    return round_up_min(soak)


def round_up_min(minutes: float) -> float:
    """Round a soak up to what a person sets on a clock: whole minutes, from 15 min on steps of 5 min."""
    step = 5.0 if minutes > 15 else 1.0
    return max(1.0, step * math.ceil(minutes / step - 1e-9))


def _soak(
    problem: SplitProblem,
    hours: float,
    times: BenchHours,
    steps_W: tuple[float, ...],
    *,
    time_constant_min: float,
    soak_min: float,
) -> SoakChoice:
    with_soak = BenchHours(soak_min=soak_min, change_over_min=times.change_over_min, remount_min=times.remount_min)
    n_mounts = with_soak.mounts_within(hours, n_steps=len(steps_W), n_treatments=problem.n_treatments)
    noise, at_best = (settled_rise_sd_K(minutes, time_constant_min) for minutes in (soak_min, 10 * time_constant_min))
    width = None
    if noise is not None and at_best is not None:
        sd = math.hypot(problem.mount_sd_K, problem.run_noise_K * noise / at_best)
        width = half_width(sd, n_mounts, problem.n_treatments, level=problem.confidence_level)
    left = max(left_after_soak_K(problem, steps_W, soak_min, time_constant_min))
    error = ERROR_SHARE * TIME_CONSTANT_ERROR * left
    power = problem.throttle_power_W()
    soaked = soak_min / time_constant_min
    note = "too short to trust" if soaked < SHORTEST_TRUSTED_SOAK or left > MOST_LEFT_K else ""
    return SoakChoice(
        soak_min=soak_min,
        soak_time_constants=soaked,
        n_mounts=n_mounts,
        difference_half_width_K=width,
        left_K=left,
        rise_error_K=error,
        throttle_error_W=None if power is None else error / problem.curve.slope_K_per_W(power),
        note="settles by itself" if left <= SETTLED_LEFT_K and not note else note,
    )
