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

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace
from functools import lru_cache
from itertools import combinations
from typing import Any, Literal

import numpy as np
from numpy.typing import NDArray

from thermlab.base.errors import InputError, Problem
from thermlab.campaign.settings import CheckThresholds
from thermlab.planning.records import BenchHours, MountScatter, PlanRequest, Split
from thermlab.stats.curves import RiseCurve, curve_design
from thermlab.stats.dunnett import dunnett_critical
from thermlab.stats.power import equivalence_power, t_test_power

MOST_EXTRAPOLATION = 0.20
DEFAULT_SOAK_MIN = 40.0
ALIKE = 1.05
"""Splits of as many mounts whose half-widths agree within this factor are of the same worth: the shorter one wins."""
CHECKS = CheckThresholds.model_validate({})
RECOMMENDED_SOAK = 2.0
SOAKS = (1.3, CHECKS.trusted_soak_time_constants, RECOMMENDED_SOAK, 2.5, 3.0, 4.0, 5.0)
TIME_CONSTANT_ERROR = 0.05
ERROR_SHARE = 2.4
"""Of what was left, for each share by which the time constant is wrong: least squares over 1.6 time constants."""
READING_SD_K = 0.3
READING_CORRELATION_S = 20.0
READOUT_STEP_K = 1.0
READOUT_CORRELATION_S = 7.5
"""How long the error of rounding stays alike in such readings: found by simulation, as are the values it gives."""
BLOCK_S = 10.0


@lru_cache(maxsize=1)
def assumed_curve() -> RiseCurve:
    """Return the curve assumed while the bench is unknown: 18 K interface and 45 K sink at 120 W."""
    return RiseCurve(b_K_per_W=0.15, a=45.0 / 120.0**0.8, lowest_W=40.0, highest_W=120.0)


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
    """What is asked for and what is known of the bench: all that decides what a split gives.

    Attributes
    ----------
    request : PlanRequest
        What is asked for.
    scatter : MountScatter
        How much mounts scatter, with curve and time constant of the bench where its source has them.
    """

    request: PlanRequest
    scatter: MountScatter

    @property
    def n_treatments(self) -> int:
        """Treatments, the baseline included."""
        return len(self.request.treatments)

    @property
    def curve(self) -> RiseCurve:
        """Rise against power of the bench, assumed where it is unknown."""
        return self.scatter.curve or assumed_curve()

    @property
    def time_constant_min(self) -> float | None:
        """Time constant of the bench at the highest power, min."""
        return self.request.time_constant_min or self.scatter.time_constant_min

    @property
    def limit_rise_K(self) -> float | None:
        """Rise at which the device throttles; None where the throttle power is not asked for."""
        return self.request.limit_C - self.request.customers_room_C if self.request.throttle else None

    def throttle_power_W(self) -> float | None:
        """Return the expected throttle power, W; None where it is not asked for or known to be out of reach.

        On an assumed curve nothing is out of reach: the nearest power that the steps serve stands in for it.
        """
        power = None if self.limit_rise_K is None else _power_at_W(self.curve, self.limit_rise_K)
        ladder = self.request.ladder_W
        low, high = ladder[0] / (1 + MOST_EXTRAPOLATION), ladder[-1] * (1 + MOST_EXTRAPOLATION)
        if self.limit_rise_K is not None and self.scatter.curve is None:
            return min(max(power or high, low), high)
        return power if power is not None and low <= power <= high else None

    def soaks_min(self) -> tuple[float, ...]:
        """Return the soaks to choose from, min."""
        if self.request.soak_min is not None:
            return (self.request.soak_min,)
        if self.time_constant_min is None:
            return (DEFAULT_SOAK_MIN,)
        return tuple(sorted({round_up_min(of * self.time_constant_min) for of in SOAKS if of >= RECOMMENDED_SOAK}))

    def times(self, soak_min: float, steps_W: Sequence[float]) -> BenchHours:
        """Return what a mount costs, with the shortest pre-soak that leaves no more than 2 K at its first step.

        Without a time constant it is as long as the soak. Mounts at the reference step alone begin with that step.
        """
        pre_soak, tau = soak_min, self.time_constant_min
        if tau is not None:
            pre_soak = _pre_soak_min(self.curve, tau, min(steps_W), self.request.reference_W, soak_min)
        return BenchHours(
            soak_min=soak_min,
            pre_soak_min=pre_soak,
            change_over_min=self.request.change_over_min,
            remount_min=self.request.remount_min,
        )

    def left_K(self, steps_W: Sequence[float], soak_min: float) -> float:
        """Return the most that any run still lacks at the end of its soak, K; 0 without a time constant."""
        tau = self.time_constant_min
        return 0.0 if tau is None else _left_K(self.curve, tau, tuple(steps_W), self.request.reference_W, soak_min)

    def choose_steps(self, n_steps: int, soak_min: float) -> tuple[float, ...]:
        """Choose power steps, ascending, W: the reference, and the others where they carry the curve best.

        Among those after whose soak no more than 2 K is left, as far as there are such.
        """
        aim = None if self.scatter.curve is None else self.throttle_power_W()
        ladder, reference_W, tau = self.request.ladder_W, self.request.reference_W, self.time_constant_min
        return _best_steps(self.curve, tau, ladder, reference_W, aim, n_steps, soak_min)

    def one_rise_noise_K(self, soak_min: float) -> float:
        """Return the SD of one settled rise on one mount, K: more than the run noise where the soak is short."""
        noise_K = self.scatter.run_noise_K
        if self.time_constant_min is None:
            return noise_K
        found, best = (settled_rise_sd_K(of, self.time_constant_min) for of in (soak_min, 10 * self.time_constant_min))
        return math.inf if found is None or best is None else noise_K * found / best

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
        power = self.throttle_power_W()
        if power is None or len(steps_W) < 2:
            return None
        reference_W, sd_K, noise_K = self.request.reference_W, self.scatter.planned_sd_K, self.scatter.run_noise_K
        at, slope = power / reference_W, self.curve.slope_K_per_W(power)
        factor = noise_factor(tuple(steps_W), power)
        if n_ladder is None and factor is not None:
            return math.hypot(sd_K * at, factor * noise_K) / slope, 0.0
        shared = _borrowed_bend(tuple(steps_W), power, reference_W) / math.sqrt(self.n_treatments * (n_ladder or 1))
        return math.hypot(sd_K, noise_K) * at / slope, shared * noise_K / slope

    def split(self, steps_W: tuple[float, ...], n_mounts: int, n_ladder: int, soak_min: float) -> Split:
        """Return what one split gives."""
        times, tau, treatments = self.times(soak_min, steps_W), self.time_constant_min, self.n_treatments
        margin_K, alpha = self.request.margin_K, 1 - self.request.confidence_level
        noisy = replace(self, scatter=replace(self.scatter, run_noise_K=self.one_rise_noise_K(soak_min)))
        sd = math.hypot(self.scatter.planned_sd_K, noisy.scatter.run_noise_K)
        width = shows = equals = None
        if n_mounts > 1 and math.isfinite(sd):
            given: dict[str, Any] = {"alpha": alpha, "n_treatments": treatments}
            shows = t_test_power(margin_K, sd, n_mounts, n_candidates=max(1, treatments - 1), **given)
            equals = equivalence_power(margin_K, sd, n_mounts, **given)
            width = half_width(sd, n_mounts, treatments, level=1 - alpha)
        ladders = None if n_ladder == n_mounts else n_ladder
        throttle, difference = noisy.throttle_half_widths_W(steps_W, n_mounts, ladders)
        left_K, power = self.left_K(steps_W, soak_min), self.throttle_power_W()
        error_K = ERROR_SHARE * TIME_CONSTANT_ERROR * left_K
        return Split(
            n_mounts=n_mounts,
            n_ladder=n_ladder,
            steps_W=steps_W,
            times=times,
            soak_time_constants=None if tau is None else soak_min / tau,
            hours=treatments * (n_ladder * times.mount_h(len(steps_W)) + (n_mounts - n_ladder) * times.mount_h(1)),
            left_K=left_K,
            rise_error_K=error_K,
            throttle_error_W=None if power is None else error_K / self.curve.slope_K_per_W(power),
            difference_half_width_K=width,
            power_at_margin=shows,
            equivalence_power=equals,
            throttle_half_width_W=throttle,
            throttle_difference_half_width_W=difference,
            note=_why_missing(self, len(steps_W), n_mounts),
            soak_note=_soak_note(soak_min, tau, left_K),
        )

    def throttle_half_widths_W(
        self, steps_W: Sequence[float], n_mounts: int, n_ladder: int | None
    ) -> tuple[float | None, float | None]:
        """Return half-widths of a treatment's throttle power and of a difference of two, W."""
        sds = self.throttle_sds_W(steps_W, n_ladder)
        if sds is None or not math.isfinite(sds[0]):
            return None, None
        of, level = (sds[0], n_mounts, self.n_treatments), self.request.confidence_level
        return half_width(*of, level=level, of="mean", shared_sd=sds[1]), half_width(*of, level=level)

    def best(
        self,
        n_steps: int,
        *,
        hours: float | None = None,
        n_mounts: int | None = None,
        whole: bool = False,
        soaks_min: Sequence[float] = (),
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
            Whether every mount runs every step, as it does where the estimand needs all of them.
        soaks_min : sequence of float
            Soaks to choose from in place of the recommended ones, min.

        Returns
        -------
        Split or None
            Of those with the smallest product of half-widths, the shortest; None where the hours buy no mount.
        """
        found: list[Split] = []
        whole = whole or self.request.estimand == "through origin" or n_steps == 1
        for soak_min in soaks_min or self.soaks_min():
            steps = self.choose_steps(n_steps, soak_min)
            times = self.times(soak_min, steps)
            each_h = math.inf if hours is None else hours / self.n_treatments + 1e-9
            for ladders in (None,) if whole else (1, 2, 3, None):
                more_h = 0.0 if ladders is None else ladders * (times.mount_h(n_steps) - times.mount_h(1))
                one_h = times.mount_h(n_steps if ladders is None else 1)
                number = n_mounts or int((each_h - more_h) // one_h)
                if number >= max(ladders or 1, 1):
                    found.append(self.split(steps, number, ladders or number, soak_min))
        trusted = [split for split in found if split.left_K <= CHECKS.trusted_left_K] or found
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


# What the steps, the soak and the curve decide among themselves is kept: margin, scatter and hours move without it.


@lru_cache(maxsize=256)
def _power_at_W(curve: RiseCurve, rise_K: float) -> float | None:
    return curve.power_W(rise_K)


@lru_cache(maxsize=4096)
def _pre_soak_min(curve: RiseCurve, tau_min: float, first_W: float, reference_W: float, soak_min: float) -> float:
    left_K = CHECKS.trusted_left_K
    needed = tau_min * math.log(max(curve.rise_K(first_W), curve.rise_K(reference_W), left_K) / left_K)
    return round_up_min(needed - soak_min) if needed > soak_min else 0.0


@lru_cache(maxsize=4096)
def _left_K(curve: RiseCurve, tau_min: float, steps_W: Sequence[float], reference_W: float, soak_min: float) -> float:
    pre_soak_min = _pre_soak_min(curve, tau_min, min(steps_W), reference_W, soak_min)
    ladders = (steps_W, (reference_W,))
    return max(max(left_after_soak_K(curve, steps, soak_min, tau_min, pre_soak_min)) for steps in ladders)


@lru_cache(maxsize=1024)
def _best_steps(
    curve: RiseCurve,
    tau_min: float | None,
    ladder_W: tuple[float, ...],
    reference_W: float,
    aim_W: float | None,
    n_steps: int,
    soak_min: float,
) -> tuple[float, ...]:
    others = [step for step in ladder_W if step != reference_W]
    even = np.linspace(ladder_W[0], ladder_W[-1], n_steps)

    def loss(steps: tuple[float, ...]) -> tuple[float, float]:
        left_K = 0.0 if tau_min is None else _left_K(curve, tau_min, steps, reference_W, soak_min)
        too_much = max(0.0, left_K - CHECKS.trusted_left_K)
        if aim_W is not None:
            return too_much, noise_factor(steps, aim_W) or math.inf
        return too_much, float(np.sum((np.asarray(steps) - even) ** 2))

    return min((tuple(sorted((*chosen, reference_W))) for chosen in combinations(others, n_steps - 1)), key=loss)


@lru_cache(maxsize=4096)
def noise_factor(steps_W: tuple[float, ...], power_W: float) -> float | None:
    """Return the SD of the fitted rise at a power in units of the run noise.

    None where the steps do not carry the two-parameter curve.

    Parameters
    ----------
    steps_W : tuple of float
        Power steps of one mount, W.
    power_W : float
        Power at which the two-parameter curve is read, W.
    """
    if len(set(steps_W)) < 2:
        return None
    design = curve_design(np.asarray(steps_W, dtype=np.float64))
    at = curve_design(np.array([power_W]))[0]
    return float(math.sqrt(at @ np.linalg.inv(design.T @ design) @ at))


@lru_cache(maxsize=4096)
def _borrowed_bend(steps_W: tuple[float, ...], power_W: float, reference_W: float) -> float:
    """Return the SD, in units of the run noise, of what one ladder mount's bend brings in at a power."""
    steps, bend = curve_design(np.asarray(steps_W, dtype=np.float64)).T
    bent = bend - steps * (steps @ bend) / (steps @ steps)
    here, reference = curve_design(np.array([power_W, reference_W]))[:, 1]
    return float(abs(here - power_W / reference_W * reference) / math.sqrt(bent @ bent))


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
        Hours that do not buy one mount of each treatment.
    """
    request = problem.request
    one = (request.reference_W,)
    least = problem.n_treatments * min(problem.times(soak, one).mount_h(1) for soak in problem.soaks_min())
    if n_mounts is None and not (hours is not None and hours + 1e-9 >= least):
        allowed = f"at least {least:.2f} h: one mount of each treatment at one step"
        raise InputError([Problem("plan: hours", f"{hours:g} h", allowed)])
    found = (problem.best(n, hours=hours, n_mounts=n_mounts) for n in range(1, len(request.ladder_W) + 1))
    return tuple(split for split in found if split is not None)


def _why_missing(problem: SplitProblem, n_steps: int, n_mounts: int) -> str:
    if n_mounts == 1:
        return "one mount of each treatment: material and mounting cannot be told apart, there is no interval"
    if problem.limit_rise_K is None:
        return ""
    if problem.throttle_power_W() is None:
        return "the throttle power lies more than 20 % outside the power steps"
    return "one step does not show the curve: no throttle power" if n_steps == 1 else ""


def _soak_note(soak_min: float, time_constant_min: float | None, left_K: float) -> str:
    if time_constant_min is None:
        return ""
    if soak_min < CHECKS.trusted_soak_time_constants * time_constant_min or left_K > CHECKS.trusted_left_K:
        return "too short to trust"
    return "settles by itself" if left_K <= CHECKS.settled_left_K else ""


def fewest_steps(problem: SplitProblem) -> int:
    """Return the fewest steps that answer what is asked.

    One for a difference. The throttle power needs the curve: two steps where the curve of the bench is known and they
    enclose the throttle power, otherwise three, since with two nothing would show that it bends otherwise.
    """
    power = problem.throttle_power_W()
    if power is None:
        return 1
    ladder = problem.request.ladder_W
    enclosed = problem.scatter.curve is not None and ladder[0] <= power <= ladder[-1]
    return min(2 if enclosed else 3, len(ladder))


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
    fewest = fewest_steps(problem)
    if not usable:
        best = max(splits, key=lambda split: (split.n_mounts, -split.n_steps))
        if n_mounts is not None:
            best = next((split for split in splits if split.n_steps >= fewest), best)
        why = "One mount of each treatment shows no difference whatever the steps."
        return best, f"{why} Plan more hours, or bring a mount SD from earlier campaigns."
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
        reference_W = problem.request.reference_W
        text += f", {best.n_ladder} of them with {best.n_steps} steps and the others at {reference_W:g} W"
    n_steps = best.n_steps if best.n_steps > 1 else len(problem.request.ladder_W)
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


def left_after_soak_K(
    curve: RiseCurve,
    steps_W: Sequence[float],
    soak_min: float,
    time_constant_min: float,
    pre_soak_min: float | None = None,
) -> tuple[float, ...]:
    """Return what each step still lacks at the end of its soak, K, for a first-order sink.

    Steps ascend; the first is pre-soaked from cold.

    Parameters
    ----------
    curve : RiseCurve
        Rise against power of the bench.
    steps_W : sequence of float
        Steps of a mount, W.
    soak_min, time_constant_min : float
        Soak of a step and time constant of the bench at the highest power, min.
    pre_soak_min : float or None
        Time at the first step's power before its soak, min; None: as long as the soak.
    """
    decay = math.exp(-soak_min / time_constant_min)
    pre_soaked = decay * math.exp(-(soak_min if pre_soak_min is None else pre_soak_min) / time_constant_min)
    left: list[float] = []
    reached_K = 0.0
    for step in sorted(steps_W):
        settled_K = curve.rise_K(step)
        left.append((settled_K - reached_K) * (decay if left else pre_soaked))
        reached_K = settled_K - left[-1]
    return tuple(left)


@lru_cache(maxsize=256)
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


def compare_soaks(problem: SplitProblem, hours: float, *, n_steps: int) -> tuple[Split, ...]:
    """Return the best split of the same hours and as many steps with soaks of several lengths, as far as they fit.

    None while the time constant of the bench is unknown.
    """
    tau, asked = problem.time_constant_min, problem.request.soak_min
    if tau is None:
        return ()
    soaks = {round_up_min(factor * tau) for factor in SOAKS} | ({asked} if asked else set())
    found = (problem.best(n_steps, hours=hours, soaks_min=(soak_min,)) for soak_min in sorted(soaks))
    return tuple(split for split in found if split is not None)


def round_up_min(minutes: float) -> float:
    """Round a soak up to what a person sets on a clock: whole minutes, from 15 min on steps of 5 min."""
    step = 5.0 if minutes > 15 else 1.0
    return max(1.0, step * math.ceil(minutes / step - 1e-9))
