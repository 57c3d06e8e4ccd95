"""What a number of bench hours buys: mounts, power steps and soak, and which way of spending them to recommend.

The mount is what varies. A power step more on the same mount repeats the mount, it does not replicate it: it adds to
the curve that the throttle power needs and almost nothing to the difference. Every mount costs its mounting, one
pre-soak and its steps:

    hours = mounts x (re-mounting + pre-soak + steps x (soak + change-over)).

The settled rise is extrapolated with one time constant for the bench. A shorter soak buys mounts; it costs a noisier
settled rise, and it leaves more to extrapolate: an error of x % in the time constant leaves about 2.4 x % of what was
still missing in the rise, and so in the throttle power. In a difference it cancels as long as all soaks are equal.
Below 1.6 time constants, or with more than 2 K left, the run checks call it doubtful.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from functools import partial
from itertools import combinations
from typing import TYPE_CHECKING, Literal

import numpy as np

from thermlab.base.errors import InputError, Problem
from thermlab.stats.curves import RiseCurve, curve_design
from thermlab.stats.dunnett import dunnett_critical
from thermlab.stats.power import equivalence_mounts_needed, equivalence_power, mounts_needed, t_test_power

if TYPE_CHECKING:
    from collections.abc import Callable, Sequence

    from numpy.typing import NDArray

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


def fewest_steps(problem: SplitProblem) -> int:
    """Return the fewest steps that answer what is asked.

    One for a difference. The throttle power needs the curve: two steps where the curve of the bench is known and they
    enclose the throttle power, otherwise three, since with two nothing would show that it bends otherwise.
    """
    power = problem.throttle_power_W()
    if power is None:
        return 1
    return 2 if problem.curve_known and min(problem.ladder_W) <= power <= max(problem.ladder_W) else 3


def recommend_split(problem: SplitProblem, splits: Sequence[Split]) -> tuple[Split, str]:
    """Recommend one split and say why.

    The narrowest difference wins; where the throttle power is asked for, the smallest product of the two half-widths
    among the splits that carry the curve.
    """
    usable = [split for split in splits if split.difference_half_width_K is not None]
    if not usable:
        best = max(splits, key=lambda split: (split.n_mounts, -split.n_steps))
        why = "The hours buy one mount of each treatment, which shows no difference whatever the steps."
        return best, f"{why} Plan more hours, or bring a mount SD from earlier campaigns."
    fewest = fewest_steps(problem)
    with_curve = [split for split in usable if split.throttle_half_width_W is not None]
    with_check = [split for split in with_curve if split.n_steps >= fewest]
    if fewest == 1:
        best = min(usable, key=_width_of_difference)
        why = "No throttle power is asked for, so no more steps than the difference needs"
        if problem.limit_rise_K is not None:
            why = "The throttle power lies out of reach of the steps, so no more of them than the difference needs"
    elif with_check:
        best = min(with_check, key=_product)
        bend = "they enclose it" if fewest == 2 else "two would not show that it bends otherwise"
        why = f"The throttle power needs the curve, so at least {fewest} steps ({bend})"
    elif with_curve:
        best = min(with_curve, key=_product)
        why = "The hours buy the curve with two steps only, which would not show that it bends otherwise"
    else:
        best = min(usable, key=_width_of_difference)
        why = "The hours do not buy the curve on two mounts of each treatment, so the throttle power is given up"
    why += "; every other hour goes into mounts, because the mount is what varies: "
    return best, why + _against_the_ladder(best, max(splits, key=lambda split: split.n_steps))


def _against_the_ladder(best: Split, ladder: Split) -> str:
    text = f"{best.n_mounts} mounts of each treatment"
    if ladder.n_steps <= best.n_steps:
        return text + "."
    text += f" instead of {ladder.n_mounts} with {ladder.n_steps} steps."
    if ladder.difference_half_width_K is None:
        return text + " That ladder gives no interval at all."
    widths = f"{best.difference_half_width_K:.2f} K instead of {ladder.difference_half_width_K:.2f} K"
    return f"{text} The half-width of a difference is {widths}."


def _width_of_difference(split: Split) -> float:
    return math.inf if split.difference_half_width_K is None else split.difference_half_width_K


def _product(split: Split) -> float:
    return _width_of_difference(split) * (split.throttle_half_width_W or math.inf)


Goal = Literal["difference", "equivalence"]
Estimand = Literal["reference", "through origin"]
POWERS = (0.80, 0.90)
SMALL_DIFFERENCE = 0.3
"""True difference, as a share of the margin, that the second question of equivalence allows for."""


@dataclass(frozen=True, slots=True, kw_only=True)
class MountNumber:
    """Mounts that one question needs.

    Attributes
    ----------
    question : str
        In words.
    goal : {"difference", "equivalence"}
        Which kind it is.
    true_difference_K : float
        What is assumed to be true, K.
    power : float
        Chance of the answer.
    n_mounts : int or None
        Mounts of each treatment; None above 10 000.
    difference_half_width_K : float or None
        Half-width of the interval of a difference with so many mounts, at the planned mount SD, K.
    throttle_half_width_W, throttle_difference_half_width_W : float or None
        The same for the throttle power of a treatment and for a difference of two, W.
    """

    question: str
    goal: Goal
    true_difference_K: float
    power: float
    n_mounts: int | None
    difference_half_width_K: float | None
    throttle_half_width_W: float | None
    throttle_difference_half_width_W: float | None


def one_mount_sd_K(mount_sd_K: float, run_noise_K: float, *, steps_W: Sequence[float], estimand: Estimand) -> float:
    """Return the SD of the value of one mount, K at the reference (the highest) step.

    Parameters
    ----------
    mount_sd_K, run_noise_K : float
        SD between mounts without run noise, and of one settled rise on one mount, K.
    steps_W : sequence of float
        Steps of a mount, W; only the estimand through the origin uses them all.
    estimand : {"reference", "through origin"}
        Rise at the reference step (the default of the kit), or thermal resistance times the reference power.
    """
    share = 1.0 if estimand == "reference" else max(steps_W) ** 2 / sum(step * step for step in steps_W)
    return math.hypot(mount_sd_K, math.sqrt(share) * run_noise_K)


def mount_numbers(
    problem: SplitProblem,
    *,
    steps_W: Sequence[float],
    estimand: Estimand = "reference",
    powers: Sequence[float] = POWERS,
) -> tuple[MountNumber, ...]:
    """Return the mounts that each question needs.

    Parameters
    ----------
    problem : SplitProblem
        Bench, scatter and margin; several candidates take Dunnett's point.
    steps_W : sequence of float
        Steps of a mount, W.
    estimand : {"reference", "through origin"}
        What is compared.
    powers : sequence of float
        Chances asked for.
    """
    margin, treatments = problem.margin_K, problem.n_treatments
    alpha = 1 - problem.confidence_level
    sd = one_mount_sd_K(problem.mount_sd_K, problem.run_noise_K, steps_W=steps_W, estimand=estimand)
    throttle_sd = problem.throttle_sd_W(steps_W)
    rows = []
    small = SMALL_DIFFERENCE * margin
    questions: tuple[tuple[str, Goal, float], ...] = (
        (f"show a difference of {margin:g} K", "difference", margin),
        (f"show equivalence within {margin:g} K where nothing differs", "equivalence", 0.0),
        (f"show equivalence within {margin:g} K where {small:.2g} K differ", "equivalence", small),
    )
    for question, goal, true_K in questions:
        for power in powers:
            if goal == "difference":
                number = mounts_needed(
                    true_K,
                    sd,
                    power=power,
                    alpha=alpha,
                    n_treatments=treatments,
                    n_candidates=max(1, treatments - 1),
                )
            else:
                number = equivalence_mounts_needed(
                    margin, sd, difference_K=true_K, power=power, alpha=alpha, n_treatments=treatments
                )
            rows.append(
                MountNumber(
                    question=question,
                    goal=goal,
                    true_difference_K=true_K,
                    power=power,
                    n_mounts=number,
                    difference_half_width_K=_width(problem, sd, number, "difference"),
                    throttle_half_width_W=_width(problem, throttle_sd, number, "mean"),
                    throttle_difference_half_width_W=_width(problem, throttle_sd, number, "difference"),
                )
            )
    return tuple(rows)


def _width(
    problem: SplitProblem, sd: float | None, number: int | None, of: Literal["difference", "mean"]
) -> float | None:
    if sd is None or number is None:
        return None
    return half_width(sd, number, problem.n_treatments, level=problem.confidence_level, of=of)


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
    n_mounts = replace(times, soak_min=soak_min).mounts_within(
        hours, n_steps=len(steps_W), n_treatments=problem.n_treatments
    )
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
