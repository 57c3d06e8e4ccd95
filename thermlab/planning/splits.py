"""What bench hours buy: ladder mounts, mounts at the reference step, power steps, soak and pre-soak in one search.

The mount is what varies. A power step more on the same mount repeats the mount, it does not replicate it: it adds to
the curve that the throttle power needs and almost nothing to the difference. So few mounts of each treatment run the
steps of the curve; the others run the reference step alone and borrow the shape of the curve:

    hours = treatments x (mounts x one step + ladder mounts x (steps - 1) x (soak + change-over)),
    one step = re-mounting + pre-soak + soak + change-over.

The settled rise is extrapolated with one time constant for the bench. A shorter soak buys mounts; it costs a noisier
settled rise, and it leaves more to extrapolate: an error of x % in the time constant leaves about 2.4 x % of what was
still missing in the rise, and so in the throttle power. In a difference it cancels as long as all soaks are equal: one
soak and one pre-soak serve the whole campaign. Below 1.6 time constants, or with more than 2 K left, the run checks
call a run doubtful.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from functools import lru_cache, partial
from itertools import combinations
from typing import TYPE_CHECKING, Literal

import numpy as np

from thermlab.base.errors import InputError, Problem
from thermlab.stats.curves import RiseCurve, curve_design
from thermlab.stats.dunnett import dunnett_critical
from thermlab.stats.power import equivalence_mounts_needed, equivalence_power, mounts_needed, smallest, t_test_power
from thermlab.stats.sequential import chance_over_looks, look_rule

if TYPE_CHECKING:
    from collections.abc import Sequence

    from numpy.typing import NDArray

MOST_EXTRAPOLATION = 0.20
MOST_STEPS = 12
DEFAULT_SOAK_MIN = 40.0
ALIKE = 1.05
"""Splits of as many mounts whose half-widths agree within this factor are of the same worth: the shorter one wins."""


@dataclass(frozen=True, slots=True, kw_only=True)
class BenchHours:
    """What one mount costs in time.

    Attributes
    ----------
    soak_min, pre_soak_min : float
        Soak of one power step, and time at the first step's power before its soak begins, min.
    change_over_min : float
        From one step to the next, min.
    remount_min : float
        Cooling, taking apart, cleaning and mounting anew, min.
    """

    soak_min: float = DEFAULT_SOAK_MIN
    pre_soak_min: float = DEFAULT_SOAK_MIN
    change_over_min: float = 5.0
    remount_min: float = 45.0

    def mount_h(self, n_steps: int) -> float:
        """Return the hours of one mount with its pre-soak."""
        return (self.remount_min + self.pre_soak_min + n_steps * (self.soak_min + self.change_over_min)) / 60.0


@dataclass(frozen=True, slots=True, kw_only=True)
class Split:
    """What one way of spending the hours gives.

    Attributes
    ----------
    n_mounts, n_ladder : int
        Mounts of each treatment, and how many of them run every step; the others run the reference step.
    steps_W : tuple of float
        The steps of a ladder mount, the reference among them, W.
    times : BenchHours
        Soak and pre-soak, min.
    hours : float
        Bench hours it takes, h.
    left_K : float
        The most that any run still lacks at the end of its soak, K; 0 while the time constant is unknown.
    difference_half_width_K : float or None
        Expected half-width of the interval of a difference, K; None with one mount a treatment and no prior.
    power_at_margin : float or None
        Chance to show a difference as large as the margin, at one look.
    equivalence_power : float or None
        Chance to show equivalence where nothing differs, at one look.
    throttle_half_width_W : float or None
        Expected half-width of the interval of a treatment's throttle power, W.
    throttle_difference_half_width_W : float or None
        The same for a difference of two throttle powers, W.
    note : str
        Why a value is missing; empty where none is.
    """

    n_mounts: int
    n_ladder: int
    steps_W: tuple[float, ...]
    times: BenchHours
    hours: float
    left_K: float
    difference_half_width_K: float | None
    power_at_margin: float | None
    equivalence_power: float | None
    throttle_half_width_W: float | None
    throttle_difference_half_width_W: float | None
    note: str

    @property
    def n_steps(self) -> int:
        """Power steps of a ladder mount."""
        return len(self.steps_W)


def half_width(
    sd: float,
    n_mounts: int,
    n_treatments: int,
    *,
    level: float,
    of: Literal["difference", "mean"] = "difference",
    shared_sd: float = 0.0,
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
    shared_sd : float
        SD of an error that all mounts share, K or W; it cancels in a difference.
    """
    dof = n_treatments * (n_mounts - 1)
    if n_mounts < 1 or dof <= 0:
        return None
    n_candidates = max(1, n_treatments - 1) if of == "difference" else 1
    critical = dunnett_critical(1 - level, [1] * n_candidates, 1, dof)
    return critical * math.hypot(sd * math.sqrt((2 if of == "difference" else 1) / n_mounts), shared_sd)


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
        SD of one settled rise on one mount after two time constants or more, K.
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
    time_constant_min : float or None
        Time constant of the bench at the highest power, min.
    soak_min : float or None
        Soak that is asked for, min; None: any from two time constants on, or 40 min while those are unknown.
    change_over_min, remount_min : float
        As of :class:`BenchHours`.
    whole_ladders : bool
        Every mount runs every step, as an estimand over all steps needs.
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
    time_constant_min: float | None = None
    soak_min: float | None = None
    change_over_min: float = 5.0
    remount_min: float = 45.0
    whole_ladders: bool = False

    def throttle_power_W(self) -> float | None:
        """Return the expected throttle power, W; None where it is not asked for or known to be out of reach.

        On an assumed curve nothing is out of reach: the nearest power that the steps serve stands in for it.
        """
        power = None if self.limit_rise_K is None else self.curve.power_W(self.limit_rise_K)
        low, high = min(self.ladder_W) / (1 + MOST_EXTRAPOLATION), max(self.ladder_W) * (1 + MOST_EXTRAPOLATION)
        if self.limit_rise_K is not None and not self.curve_known:
            return min(max(power or high, low), high)
        return power if power is not None and low <= power <= high else None

    def soaks_min(self) -> tuple[float, ...]:
        """Return the soaks to choose from, min."""
        if self.soak_min is not None:
            return (self.soak_min,)
        if self.time_constant_min is None:
            return (DEFAULT_SOAK_MIN,)
        return tuple(sorted({round_up_min(of * self.time_constant_min) for of in SOAKS if of >= RECOMMENDED_SOAK}))

    def times(self, soak_min: float, steps_W: Sequence[float]) -> BenchHours:
        """Return what a mount costs, with the shortest pre-soak that leaves no more than 2 K at its first step.

        Without a time constant it is as long as the soak. Mounts at the reference step alone begin with that step.
        """
        pre_soak = soak_min
        if self.time_constant_min is not None:
            firsts = (self.curve.rise_K(step) for step in (min(steps_W), self.reference_power_W))
            needed = self.time_constant_min * math.log(max(*firsts, MOST_LEFT_K) / MOST_LEFT_K)
            pre_soak = round_up_min(needed - soak_min) if needed > soak_min else 0.0
        return BenchHours(
            soak_min=soak_min,
            pre_soak_min=pre_soak,
            change_over_min=self.change_over_min,
            remount_min=self.remount_min,
        )

    def left_K(self, steps_W: Sequence[float], soak_min: float) -> float:
        """Return the most that any run still lacks at the end of its soak, K; 0 without a time constant."""
        tau = self.time_constant_min
        if tau is None:
            return 0.0
        pre_soak_min = self.times(soak_min, steps_W).pre_soak_min
        ladders = (steps_W, (self.reference_power_W,))
        return max(max(left_after_soak_K(self, steps, soak_min, tau, pre_soak_min)) for steps in ladders)

    def choose_steps(self, n_steps: int, soak_min: float) -> tuple[float, ...]:
        """Choose power steps, ascending, W: the reference, and the others where they carry the curve best.

        Among those after whose soak no more than 2 K is left, as far as there are such.
        """
        others = [step for step in sorted(self.ladder_W) if step != self.reference_power_W]
        choices = [tuple(sorted((*chosen, self.reference_power_W))) for chosen in combinations(others, n_steps - 1)]
        aim = self.throttle_power_W() if self.curve_known else None
        even = np.linspace(min(self.ladder_W), max(self.ladder_W), n_steps)

        def loss(steps: tuple[float, ...]) -> tuple[float, float]:
            too_much = max(0.0, self.left_K(steps, soak_min) - MOST_LEFT_K)
            if aim is not None:
                return too_much, noise_factor(steps, aim) or math.inf
            return too_much, float(np.sum((np.asarray(steps) - even) ** 2))

        return min(choices, key=loss)

    def one_rise_noise_K(self, soak_min: float) -> float:
        """Return the SD of one settled rise on one mount, K: more than the run noise where the soak is short."""
        if self.time_constant_min is None:
            return self.run_noise_K
        found, best = (settled_rise_sd_K(of, self.time_constant_min) for of in (soak_min, 10 * self.time_constant_min))
        return math.inf if found is None or best is None else self.run_noise_K * found / best

    def throttle_sds_W(self, steps_W: Sequence[float], n_ladder: int | None = None) -> tuple[float, float] | None:
        """Return SDs of a throttle power, W: of one mount, and of the error that all mounts share.

        Parameters
        ----------
        steps_W : sequence of float
            Steps of a ladder mount, W.
        n_ladder : int or None
            Ladder mounts of each treatment; the others borrow the bend of the curve. None: every mount has its own.

        Returns
        -------
        tuple of float or None
            None where no throttle power can be had.
        """
        power, steps = self.throttle_power_W(), np.asarray(steps_W, dtype=np.float64)
        if power is None or steps.size < 2:
            return None
        at, slope = power / self.reference_power_W, self.curve.slope_K_per_W(power)
        factor = noise_factor(steps_W, power)
        if n_ladder is None and factor is not None:
            return math.hypot(self.mount_sd_K * at, factor * self.run_noise_K) / slope, 0.0
        _, bend = curve_design(steps).T
        bent = bend - steps * (steps @ bend) / (steps @ steps)
        here, reference = curve_design(np.array([power, self.reference_power_W]))[:, 1]
        shared = abs(here - at * reference) / math.sqrt(self.n_treatments * (n_ladder or 1) * float(bent @ bent))
        return math.hypot(self.mount_sd_K, self.run_noise_K) * at / slope, shared * self.run_noise_K / slope

    def split(self, steps_W: tuple[float, ...], n_mounts: int, n_ladder: int, soak_min: float) -> Split:
        """Return what one split gives."""
        times = self.times(soak_min, steps_W)
        n_steps, alpha, treatments = len(steps_W), 1 - self.confidence_level, self.n_treatments
        noisy = replace(self, run_noise_K=self.one_rise_noise_K(soak_min))
        sd = math.hypot(self.mount_sd_K, noisy.run_noise_K)
        shows = equals = None
        if n_mounts > 1 and math.isfinite(sd):
            shows = t_test_power(
                self.margin_K,
                sd,
                n_mounts,
                alpha=alpha,
                n_treatments=treatments,
                n_candidates=max(1, treatments - 1),
            )
            equals = equivalence_power(self.margin_K, sd, n_mounts, alpha=alpha, n_treatments=treatments)
        width = half_width(sd, n_mounts, treatments, level=self.confidence_level)
        throttle, difference = noisy.throttle_half_widths_W(
            steps_W, n_mounts, None if n_ladder == n_mounts else n_ladder
        )
        return Split(
            n_mounts=n_mounts,
            n_ladder=n_ladder,
            steps_W=steps_W,
            times=times,
            hours=treatments * self._hours(times, n_steps, n_mounts, n_ladder),
            left_K=self.left_K(steps_W, soak_min),
            difference_half_width_K=width if math.isfinite(sd) else None,
            power_at_margin=shows,
            equivalence_power=equals,
            throttle_half_width_W=throttle,
            throttle_difference_half_width_W=difference,
            note=_why_missing(self, n_steps, n_mounts),
        )

    @staticmethod
    def _hours(times: BenchHours, n_steps: int, n_mounts: int, n_ladder: int) -> float:
        return n_ladder * times.mount_h(n_steps) + (n_mounts - n_ladder) * times.mount_h(1)

    def throttle_half_widths_W(
        self, steps_W: Sequence[float], n_mounts: int, n_ladder: int | None
    ) -> tuple[float | None, float | None]:
        """Return half-widths of a treatment's throttle power and of a difference of two, W."""
        sds = self.throttle_sds_W(steps_W, n_ladder)
        if sds is None or not math.isfinite(sds[0]):
            return None, None
        of, level = (sds[0], n_mounts, self.n_treatments), self.confidence_level
        return half_width(*of, level=level, of="mean", shared_sd=sds[1]), half_width(*of, level=level)

    def best(
        self, n_steps: int, *, hours: float | None = None, n_mounts: int | None = None, whole: bool = False
    ) -> Split | None:
        """Return the best split with a number of steps, over ladder mounts, soak and pre-soak.

        Parameters
        ----------
        n_steps : int
            Steps of a ladder mount.
        hours : float or None
            Bench hours to spend, h.
        n_mounts : int or None
            Mounts of each treatment, in place of hours.
        whole : bool
            Whether every mount runs every step.

        Returns
        -------
        Split or None
            Of those with the smallest product of half-widths, the shortest; None where the hours buy no mount.
        """
        found: list[Split] = []
        for soak_min in self.soaks_min():
            steps = self.choose_steps(n_steps, soak_min)
            times = self.times(soak_min, steps)
            each_h = math.inf if hours is None else hours / self.n_treatments + 1e-9
            for ladders in (None,) if whole or self.whole_ladders or n_steps == 1 else (1, 2, 3, None):
                more_h = 0.0 if ladders is None else ladders * (times.mount_h(n_steps) - times.mount_h(1))
                one_h = times.mount_h(n_steps if ladders is None else 1)
                number = n_mounts or int((each_h - more_h) // one_h)
                if number >= max(ladders or 1, 1):
                    found.append(self.split(steps, number, ladders or number, soak_min))
        trusted = [split for split in found if split.left_K <= MOST_LEFT_K] or found
        if not trusted:
            return None
        worth = min((_worth(split) for split in trusted), key=lambda pair: (pair[1], pair[0]))
        alike = [s for s in trusted if -s.n_mounts == worth[0] and _worth(s)[1] <= ALIKE * worth[1]]
        return min(alike, key=lambda split: split.hours)


def _worth(split: Split) -> tuple[int, float]:
    """Return mounts (negative) and the product of half-widths; without an interval, more mounts are worth more."""
    width = split.difference_half_width_K
    product_of_both = math.inf if width is None else width * (split.throttle_half_width_W or 1.0)
    return -split.n_mounts, product_of_both


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


def compare_splits(
    problem: SplitProblem, *, hours: float | None = None, n_mounts: int | None = None
) -> tuple[Split, ...]:
    """Return the best split with every number of steps, from one step to the whole ladder.

    Parameters
    ----------
    problem : SplitProblem
        Bench, scatter and question.
    hours : float or None
        Bench hours to spend, h.
    n_mounts : int or None
        Mounts of each treatment, in place of hours.

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
    one = (problem.reference_power_W,)
    least = problem.n_treatments * min(problem.times(soak, one).mount_h(1) for soak in problem.soaks_min())
    if n_mounts is None and not (hours is not None and hours + 1e-9 >= least):
        allowed = f"at least {least:.2f} h: one mount of each treatment at one step"
        problems.append(Problem("plan: hours", f"{hours:g} h", allowed))
    if problems:
        raise InputError(problems)
    found = (problem.best(n, hours=hours, n_mounts=n_mounts) for n in range(1, len(problem.ladder_W) + 1))
    return tuple(split for split in found if split is not None)


def _why_missing(problem: SplitProblem, n_steps: int, n_mounts: int) -> str:
    if n_mounts == 1:
        return "one mount of each treatment: material and mounting cannot be told apart, there is no interval"
    if problem.limit_rise_K is None:
        return ""
    if problem.throttle_power_W() is None:
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
    enclosed = problem.curve_known and min(problem.ladder_W) <= power <= max(problem.ladder_W)
    return min(2 if enclosed else 3, len(problem.ladder_W))


def recommend_split(
    problem: SplitProblem, splits: Sequence[Split], *, n_mounts: int | None = None
) -> tuple[Split, str]:
    """Recommend one split and say why.

    The narrowest difference wins; where the throttle power is asked for, the smallest product of the two half-widths
    among the splits that carry the curve. Of those of the same worth the shortest.

    Parameters
    ----------
    problem : SplitProblem
        Bench, scatter and question.
    splits : sequence of Split
        As :func:`compare_splits` gives them.
    n_mounts : int or None
        As given there.
    """
    usable = [split for split in splits if split.difference_half_width_K is not None]
    if not usable:
        best = max(splits, key=lambda split: (split.n_mounts, -split.n_steps))
        if n_mounts is not None:
            best = next((split for split in splits if split.n_steps >= fewest_steps(problem)), best)
        why = "One mount of each treatment shows no difference whatever the steps."
        return best, f"{why} Plan more hours, or bring a mount SD from earlier campaigns."
    fewest = fewest_steps(problem)
    with_curve = [split for split in usable if split.throttle_half_width_W is not None]
    with_check = [split for split in with_curve if split.n_steps >= fewest]
    among = with_check or with_curve or usable
    if fewest == 1:
        among = [split for split in usable if split.n_steps == 1]
        why = "No throttle power is asked for, so no more steps than the difference needs"
        if problem.limit_rise_K is not None:
            why = "The throttle power lies out of reach of the steps, so no more of them than the difference needs"
    elif with_check:
        bend = "they enclose it" if fewest == 2 else "two would not show that it bends otherwise"
        why = f"The throttle power needs the curve, so at least {fewest} steps ({bend}), but not on every mount"
    elif with_curve:
        why = "The hours buy the curve with two steps only, which would not show that it bends otherwise"
    else:
        why = "The hours do not buy the curve on two mounts of each treatment, so the throttle power is given up"
    most = max(among, key=lambda split: (split.n_mounts, -_worth(split)[1]))
    alike = [s for s in among if s.n_mounts == most.n_mounts and _worth(s)[1] <= ALIKE * _worth(most)[1]]
    best = min(alike, key=lambda split: split.hours)
    why += "; every other hour goes into mounts, because the mount is what varies: "
    return best, why + _against_whole_ladders(problem, best, n_mounts)


def _against_whole_ladders(problem: SplitProblem, best: Split, n_mounts: int | None) -> str:
    text = f"{best.n_mounts} mounts of each treatment"
    if best.n_ladder < best.n_mounts:
        text += f", {best.n_ladder} of them with {best.n_steps} steps and the others at {problem.reference_power_W:g} W"
    n_steps = best.n_steps if best.n_steps > 1 else len(problem.ladder_W)
    on_each = f"{n_steps} steps on every mount"
    whole = problem.best(n_steps, hours=None if n_mounts else best.hours, n_mounts=n_mounts, whole=True)
    if best.n_ladder == best.n_mounts and best.n_steps == n_steps:
        return text + "."
    if n_mounts is not None and whole is not None:
        return f"{text}: {best.hours:.1f} h instead of {whole.hours:.1f} h with {on_each}."
    text += f" instead of {0 if whole is None else whole.n_mounts} with {on_each}."
    if whole is None or whole.difference_half_width_K is None:
        return text + " Those would give no interval at all."
    widths = f"{best.difference_half_width_K:.2f} K instead of {whole.difference_half_width_K:.2f} K"
    return f"{text} The half-width of a difference is {widths}."


Goal = Literal["difference", "equivalence"]
Estimand = Literal["reference", "through origin"]
Looks = Literal["end", "every mount"]
POWERS = (0.80, 0.90)
SMALL_DIFFERENCE = 0.3
"""True difference, as a share of the margin, that the second question of equivalence allows for."""
LOOK_PATHS = 20_000
MANY_LOOKS = 100


@dataclass(frozen=True, slots=True, kw_only=True)
class MountNumber:
    """Mounts that one question needs at one look, when all are made.

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
        The same for the throttle power of a treatment and for a difference of two, W; one ladder mount of each.
    """

    question: str
    goal: Goal
    true_difference_K: float
    power: float
    n_mounts: int | None
    difference_half_width_K: float | None
    throttle_half_width_W: float | None
    throttle_difference_half_width_W: float | None


@dataclass(frozen=True, slots=True, kw_only=True)
class Looking:
    """What looking after every mount, and stopping at the verdict, takes and gives.

    Attributes
    ----------
    n_mounts : int
        Mounts of each treatment to plan.
    chance : float
        Chance that the question has its answer by the last of them.
    mean_mounts : float
        Mounts of all treatments made on average until it has.
    """

    n_mounts: int
    chance: float
    mean_mounts: float


def look_after_every_mount(problem: SplitProblem, n_mounts: int, *, sd_K: float, goal: Goal) -> Looking:
    """Return the chance of an answer where the campaign is looked at after every mount, by simulation.

    Parameters
    ----------
    problem : SplitProblem
        Treatments, margin and level.
    n_mounts : int
        Mounts of each treatment.
    sd_K : float
        SD of the value of one mount, K.
    goal : {"difference", "equivalence"}
        Show a difference of the margin, or equivalence where nothing differs.
    """
    order = tuple(range(problem.n_treatments)) * n_mounts
    rule = look_rule(
        order,
        n_treatments=problem.n_treatments,
        margin_K=problem.margin_K,
        alpha=1 - problem.confidence_level,
        n_paths=LOOK_PATHS if len(order) <= MANY_LOOKS else LOOK_PATHS // 4,
    )
    true_K = problem.margin_K if goal == "difference" else 0.0
    chance, mean_mounts = chance_over_looks(rule, true_K, sd_K, equivalence=goal == "equivalence", n_paths=LOOK_PATHS)
    return Looking(n_mounts=n_mounts, chance=chance, mean_mounts=mean_mounts)


def mounts_for_looking(
    problem: SplitProblem, fewest: int, most: int, *, power: float, sd_K: float, goal: Goal
) -> Looking | None:
    """Return how many mounts keep a chance where one looks after every mount; None beyond the most.

    Parameters
    ----------
    problem, sd_K, goal
        As for :func:`look_after_every_mount`.
    fewest, most : int
        Mounts of each treatment that one look needs, and where to give up.
    power : float
        Chance of the answer.
    """
    look = lru_cache(maxsize=None)(partial(look_after_every_mount, problem, sd_K=sd_K, goal=goal))
    number = smallest(lambda n_mounts: look(n_mounts).chance >= power, fewest, most)
    return None if number is None else look(number)


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
            throttle = difference = None
            if number is not None:
                throttle, difference = problem.throttle_half_widths_W(steps_W, number, 1)
            rows.append(
                MountNumber(
                    question=question,
                    goal=goal,
                    true_difference_K=true_K,
                    power=power,
                    n_mounts=number,
                    difference_half_width_K=None
                    if number is None
                    else half_width(sd, number, treatments, level=problem.confidence_level),
                    throttle_half_width_W=throttle,
                    throttle_difference_half_width_W=difference,
                )
            )
    return tuple(rows)


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
    """What the best split with a soak of some length gives for the same hours.

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
    problem: SplitProblem,
    steps_W: Sequence[float],
    soak_min: float,
    time_constant_min: float,
    pre_soak_min: float | None = None,
) -> tuple[float, ...]:
    """Return what each step still lacks at the end of its soak, K, for a first-order sink.

    Steps ascend; the first is pre-soaked from cold.

    Parameters
    ----------
    problem : SplitProblem
        Bench and curve.
    steps_W : sequence of float
        Steps of a mount, W.
    soak_min, time_constant_min : float
        Soak of a step and time constant of the bench at the highest power, min.
    pre_soak_min : float or None
        Time at the first step's power before its soak, min; None: as long as the soak.
    """
    first = math.exp(-(soak_min if pre_soak_min is None else pre_soak_min) / time_constant_min)
    decay = math.exp(-soak_min / time_constant_min)
    left: list[float] = []
    reached_K = 0.0
    for place, step in enumerate(sorted(steps_W)):
        settled_K = problem.curve.rise_K(step)
        left.append((settled_K - reached_K) * decay * (first if place == 0 else 1.0))
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


def compare_soaks(problem: SplitProblem, hours: float, *, n_steps: int) -> tuple[SoakChoice, ...]:
    """Return what soaks of several lengths give for the same hours and as many steps.

    Parameters
    ----------
    problem : SplitProblem
        Bench, scatter and question; without a time constant nothing can be said.
    hours : float
        Bench hours to spend, h.
    n_steps : int
        Steps of a ladder mount.

    Returns
    -------
    tuple of SoakChoice
        From short to long, as far as the hours buy a mount.
    """
    tau, power = problem.time_constant_min, problem.throttle_power_W()
    if tau is None:
        return ()
    soaks = {round_up_min(factor * tau) for factor in SOAKS} | ({problem.soak_min} if problem.soak_min else set())
    found = []
    for soak_min in sorted(soaks):
        split = replace(problem, soak_min=soak_min).best(n_steps, hours=hours)
        if split is None:
            continue
        error = ERROR_SHARE * TIME_CONSTANT_ERROR * split.left_K
        doubtful = soak_min < SHORTEST_TRUSTED_SOAK * tau or split.left_K > MOST_LEFT_K
        settled = "settles by itself" if split.left_K <= SETTLED_LEFT_K else ""
        found.append(
            SoakChoice(
                soak_min=soak_min,
                soak_time_constants=soak_min / tau,
                n_mounts=split.n_mounts,
                difference_half_width_K=split.difference_half_width_K,
                left_K=split.left_K,
                rise_error_K=error,
                throttle_error_W=None if power is None else error / problem.curve.slope_K_per_W(power),
                note="too short to trust" if doubtful else settled,
            )
        )
    return tuple(found)


def round_up_min(minutes: float) -> float:
    """Round a soak up to what a person sets on a clock: whole minutes, from 15 min on steps of 5 min."""
    step = 5.0 if minutes > 15 else 1.0
    return max(1.0, step * math.ceil(minutes / step - 1e-9))
