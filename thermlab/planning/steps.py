"""What a number of bench hours buys: few power steps and many mounts, or a long ladder and few mounts.

The mount is what varies. A power step more on the same mount repeats the mount, it does not replicate it: it adds to
the curve that the throttle power needs and almost nothing to the difference. Every mount costs its mounting, one
pre-soak and its steps:

    hours = mounts x (re-mounting + pre-soak + steps x (soak + change-over)).
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from itertools import combinations
from typing import TYPE_CHECKING, Literal

import numpy as np

from thermlab.base.errors import InputError, Problem
from thermlab.stats.curves import RiseCurve, curve_design
from thermlab.stats.dunnett import dunnett_critical
from thermlab.stats.power import equivalence_power, t_test_power

if TYPE_CHECKING:
    from collections.abc import Callable, Sequence

MOST_EXTRAPOLATION = 0.20
MOST_STEPS = 12


@dataclass(frozen=True, slots=True, kw_only=True)
class BenchHours:
    """What one mount costs in time.

    Attributes
    ----------
    soak_min : float
        Soak of one power step, min; the pre-soak is as long.
    change_over_min : float
        From one step to the next, min.
    remount_min : float
        Cooling, taking apart, cleaning and mounting anew, min.
    """

    soak_min: float = 40.0
    change_over_min: float = 5.0
    remount_min: float = 45.0

    def mount_h(self, n_steps: int) -> float:
        """Return the hours of one mount with its pre-soak."""
        return (self.remount_min + self.soak_min + n_steps * (self.soak_min + self.change_over_min)) / 60.0

    def mounts_within(self, hours: float, *, n_steps: int, n_treatments: int) -> int:
        """Return how many mounts of every treatment fit into the hours."""
        return int((hours + 1e-9) // (n_treatments * self.mount_h(n_steps)))


@dataclass(frozen=True, slots=True, kw_only=True)
class Split:
    """What one way of spending the hours gives.

    Attributes
    ----------
    n_steps, n_mounts : int
        Power steps of a mount, mounts of each treatment.
    steps_W : tuple of float
        The steps that serve best, the reference among them, W.
    soak_min : float
        Soak of a step, min.
    hours : float
        Bench hours it takes, h.
    difference_half_width_K : float or None
        Expected half-width of the interval of a difference, K; None with one mount a treatment and no prior.
    power_at_margin : float or None
        Chance to show a difference as large as the margin.
    equivalence_power : float or None
        Chance to show equivalence where nothing differs.
    throttle_half_width_W : float or None
        Expected half-width of the interval of a treatment's throttle power, W.
    throttle_difference_half_width_W : float or None
        The same for a difference of two throttle powers, W.
    note : str
        Why a value is missing; empty where none is.
    """

    n_steps: int
    n_mounts: int
    steps_W: tuple[float, ...]
    soak_min: float
    hours: float
    difference_half_width_K: float | None
    power_at_margin: float | None
    equivalence_power: float | None
    throttle_half_width_W: float | None
    throttle_difference_half_width_W: float | None
    note: str


def noise_factor(steps_W: Sequence[float], power_W: float) -> float | None:
    """Return the SD of the fitted rise at a power in units of the run noise.

    None where the steps do not carry the two-parameter curve.

    Parameters
    ----------
    steps_W : sequence of float
        Power steps of one mount, W.
    power_W : float
        Power at which the two-parameter curve is read, W.
    """
    if len(set(steps_W)) < 2:
        return None
    design = curve_design(np.asarray(steps_W, dtype=np.float64))
    at = curve_design(np.array([power_W]))[0]
    return float(math.sqrt(at @ np.linalg.inv(design.T @ design) @ at))


def best_steps(
    ladder_W: Sequence[float], n_steps: int, *, reference_power_W: float, throttle_power_W: float | None
) -> tuple[float, ...]:
    """Choose power steps from a ladder: the reference, and the others where they carry the curve best.

    Parameters
    ----------
    ladder_W : sequence of float
        Steps the bench can run, W; the reference is one of them.
    n_steps : int
        How many to choose.
    reference_power_W : float
        Step of the primary comparison, W.
    throttle_power_W : float or None
        Expected throttle power, W; without it the steps are spread evenly.

    Returns
    -------
    tuple of float
        Ascending, W.
    """
    others = sorted(step for step in ladder_W if step != reference_power_W)
    choices = [tuple(sorted((*chosen, reference_power_W))) for chosen in combinations(others, n_steps - 1)]
    if n_steps == 1:
        return (reference_power_W,)

    def loss(steps: tuple[float, ...]) -> float:
        if throttle_power_W is not None:
            return noise_factor(steps, throttle_power_W) or math.inf
        even = np.linspace(min(ladder_W), max(ladder_W), n_steps)
        return float(np.sum((np.asarray(steps) - even) ** 2))

    return min(choices, key=loss)


def half_width(
    sd: float, n_mounts: int, n_treatments: int, *, level: float, of: Literal["difference", "mean"] = "difference"
) -> float | None:
    """Return the half-width of an interval where the mounts scatter as planned; None without degrees of freedom.

    Parameters
    ----------
    sd : float
        SD of one mount's value, K or W.
    n_mounts, n_treatments : int
        Mounts of each treatment; treatments that share the SD.
    level : float
        Confidence level as a fraction; for differences over all candidates at once (Dunnett's point).
    of : {"difference", "mean"}
        Candidate minus baseline, or one treatment alone.
    """
    dof = n_treatments * (n_mounts - 1)
    if n_mounts < 1 or dof <= 0:
        return None
    n_candidates = max(1, n_treatments - 1) if of == "difference" else 1
    critical = dunnett_critical(1 - level, [1] * n_candidates, 1, dof)
    return critical * sd * math.sqrt((2 if of == "difference" else 1) / n_mounts)


@dataclass(frozen=True, slots=True, kw_only=True)
class SplitProblem:
    """Everything that decides what a split gives.

    Attributes
    ----------
    ladder_W : tuple of float
        Steps the bench can run, W.
    reference_power_W : float
        Step of the primary comparison, W.
    mount_sd_K : float
        SD between mounts at the reference step without run noise, as planned with, K.
    run_noise_K : float
        SD of one settled rise on one mount, K.
    margin_K : float
        Margin, K.
    n_treatments : int
        Treatments, the baseline included.
    confidence_level : float
        As a fraction.
    curve : RiseCurve
        Rise against power of the bench.
    limit_rise_K : float or None
        Rise at which the device throttles; None where the throttle power is not asked for.
    curve_known : bool
        Whether the curve comes from this bench; otherwise the steps are spread, so that they show it.
    """

    ladder_W: tuple[float, ...]
    reference_power_W: float
    mount_sd_K: float
    run_noise_K: float
    margin_K: float
    n_treatments: int
    confidence_level: float
    curve: RiseCurve
    limit_rise_K: float | None
    curve_known: bool = True

    def choose_steps(self, n_steps: int) -> tuple[float, ...]:
        """Choose power steps from the ladder, ascending, W."""
        aim = self.throttle_power_W() if self.curve_known else None
        return best_steps(self.ladder_W, n_steps, reference_power_W=self.reference_power_W, throttle_power_W=aim)

    def throttle_power_W(self) -> float | None:
        """Return the expected throttle power, W; None where it is not asked for or out of reach of the ladder."""
        power = None if self.limit_rise_K is None else self.curve.power_W(self.limit_rise_K)
        if power is None:
            return None
        low, high = min(self.ladder_W), max(self.ladder_W)
        within = low / (1 + MOST_EXTRAPOLATION) <= power <= high * (1 + MOST_EXTRAPOLATION)
        return power if within else None

    def throttle_sd_W(self, steps_W: Sequence[float]) -> float | None:
        """Return the SD of one mount's throttle power, W."""
        power = self.throttle_power_W()
        factor = None if power is None else noise_factor(steps_W, power)
        if power is None or factor is None:
            return None
        mount = self.mount_sd_K * power / self.reference_power_W
        return math.hypot(mount, factor * self.run_noise_K) / self.curve.slope_K_per_W(power)


def compare_splits(
    problem: SplitProblem, hours: float, times_for: Callable[[tuple[float, ...]], BenchHours]
) -> tuple[Split, ...]:
    """Return what every number of steps gives for the same hours, from one step to the whole ladder.

    Parameters
    ----------
    problem : SplitProblem
        Bench, scatter and question.
    hours : float
        Bench hours to spend, h.
    times_for : callable
        What a mount costs, from its steps: large steps may need a longer soak.

    Raises
    ------
    InputError
        More than 12 steps, a reference that is no step, or hours that do not buy one mount of each treatment.
    """
    problems = []
    if not 1 <= len(problem.ladder_W) <= MOST_STEPS:
        problems.append(Problem("plan: power steps", f"{len(problem.ladder_W)} steps", f"1 to {MOST_STEPS}"))
    if problem.reference_power_W not in problem.ladder_W:
        problems.append(Problem("plan: reference power", f"{problem.reference_power_W:g} W", "one of the power steps"))
    least = problem.n_treatments * times_for((problem.reference_power_W,)).mount_h(1)
    if not hours + 1e-9 >= least:
        allowed = f"at least {least:.2f} h: one mount of each treatment at one step"
        problems.append(Problem("plan: hours", f"{hours:g} h", allowed))
    if problems:
        raise InputError(problems)
    splits = (_split(problem, n_steps, hours, times_for) for n_steps in range(1, len(problem.ladder_W) + 1))
    return tuple(split for split in splits if split is not None)


def _split(
    problem: SplitProblem, n_steps: int, hours: float, times_for: Callable[[tuple[float, ...]], BenchHours]
) -> Split | None:
    steps = problem.choose_steps(n_steps)
    times = times_for(steps)
    n_mounts = times.mounts_within(hours, n_steps=n_steps, n_treatments=problem.n_treatments)
    if n_mounts < 1:
        return None
    throttle_power = problem.throttle_power_W()
    sd = math.hypot(problem.mount_sd_K, problem.run_noise_K)
    alpha, treatments = 1 - problem.confidence_level, problem.n_treatments
    throttle_sd = problem.throttle_sd_W(steps)

    def width(of: float | None, what: Literal["difference", "mean"]) -> float | None:
        return None if of is None else half_width(of, n_mounts, treatments, level=1 - alpha, of=what)

    shows = equals = None
    if n_mounts > 1:
        candidates = max(1, treatments - 1)
        shows = t_test_power(
            problem.margin_K, sd, n_mounts, alpha=alpha, n_treatments=treatments, n_candidates=candidates
        )
        equals = equivalence_power(problem.margin_K, sd, n_mounts, alpha=alpha, n_treatments=treatments)
    return Split(
        n_steps=n_steps,
        n_mounts=n_mounts,
        steps_W=steps,
        soak_min=times.soak_min,
        hours=n_mounts * treatments * times.mount_h(n_steps),
        difference_half_width_K=width(sd, "difference"),
        power_at_margin=shows,
        equivalence_power=equals,
        throttle_half_width_W=width(throttle_sd, "mean"),
        throttle_difference_half_width_W=width(throttle_sd, "difference"),
        note=_why_missing(problem, n_steps, n_mounts, throttle_power),
    )


def _why_missing(problem: SplitProblem, n_steps: int, n_mounts: int, throttle_power_W: float | None) -> str:
    if n_mounts == 1:
        return "one mount of each treatment: material and mounting cannot be told apart, there is no interval"
    if problem.limit_rise_K is None:
        return ""
    if throttle_power_W is None:
        return "the throttle power lies more than 20 % outside the power steps"
    return "one step does not show the curve: no throttle power" if n_steps == 1 else ""
