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
from typing import Any

import numpy as np
from numpy.typing import NDArray

from thermlab.base.errors import InputError, Problem
from thermlab.campaign.settings import CheckThresholds
from thermlab.compare.records import FARTHEST_EXTRAPOLATION
from thermlab.planning.records import BenchHours, MountScatter, PlanRequest, Split
from thermlab.stats.curves import RiseCurve, curve_design
from thermlab.stats.dunnett import dunnett_critical
from thermlab.stats.power import equivalence_power, t_test_power

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
ASSUMED_CURVE = RiseCurve(b_K_per_W=0.15, a=45.0 / 120.0**0.8, lowest_W=40.0, highest_W=120.0)
"""The curve assumed while the bench is unknown: 18 K interface and 45 K sink at 120 W."""


def half_width(
    sd: float, n_mounts: int, n_treatments: int, *, level: float, alone: bool = False, shared_sd: float = 0.0
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
    alone : bool
        Of one treatment alone, in place of a difference between candidate and baseline.
    shared_sd : float
        SD of an error that all mounts share, K or W; it cancels in a difference.
    """
    dof = n_treatments * (n_mounts - 1)
    if dof <= 0:
        return None
    critical = dunnett_critical(1 - level, [1] if alone else [1] * (n_treatments - 1), 1, dof)
    return critical * math.hypot(sd * math.sqrt((1 if alone else 2) / n_mounts), shared_sd)


@dataclass(frozen=True, slots=True)
class _Bench:
    """What a ladder, a soak and a curve decide among themselves; it is kept, since question and hours move without it.

    Attributes
    ----------
    curve : RiseCurve
        Rise against power.
    time_constant_min : float or None
        At the highest power, min.
    steps_W : tuple of float
        Power steps the bench can run, W.
    reference_W : float
        One of them, which every mount runs, W.
    """

    curve: RiseCurve
    time_constant_min: float | None
    steps_W: tuple[float, ...]
    reference_W: float


@dataclass(frozen=True, slots=True, kw_only=True)
class SplitProblem:
    """What is asked for, what is known of the bench and what may be spent: all that decides what a split gives.

    Attributes
    ----------
    request : PlanRequest
        What is asked for.
    scatter : MountScatter
        How much mounts scatter, with curve and time constant of the bench where its source has them.
    hours : float
        Bench hours to spend, h.
    n_mounts : int or None
        Mounts of each treatment, in place of hours.
    """

    request: PlanRequest
    scatter: MountScatter
    hours: float = math.inf
    n_mounts: int | None = None

    @property
    def n_treatments(self) -> int:
        """Treatments, the baseline included."""
        return len(self.request.treatments)

    @property
    def curve(self) -> RiseCurve:
        """Rise against power of the bench, assumed where it is unknown."""
        return self.scatter.curve or ASSUMED_CURVE

    @property
    def time_constant_min(self) -> float | None:
        """Time constant of the bench at the highest power, min."""
        return self.request.time_constant_min or self.scatter.time_constant_min

    @property
    def _bench(self) -> _Bench:
        return _Bench(self.curve, self.time_constant_min, self.request.steps_W, self.request.reference_W)

    def throttle_power_W(self) -> float | None:
        """Return the expected throttle power, W; None where it is not asked for or known to be out of reach.

        On an assumed curve nothing is out of reach: the nearest power that the steps serve stands in for it.
        """
        if not self.request.throttle:
            return None
        power, steps = _power_at_W(self.curve, self.request.temperature_C - self.request.room_C), self.request.steps_W
        low, high = steps[0] / (1 + FARTHEST_EXTRAPOLATION), steps[-1] * (1 + FARTHEST_EXTRAPOLATION)
        if self.scatter.curve is None:
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
        """Return what a mount costs."""
        return BenchHours(
            soak_min=soak_min,
            pre_soak_min=_pre_soak_min(self._bench, min(steps_W), soak_min),
            change_over_min=self.request.change_over_min,
            remount_min=self.request.remount_min,
        )

    def left_K(self, steps_W: tuple[float, ...], soak_min: float) -> float:
        """Return the most that any run still lacks at the end of its soak, K; 0 without a time constant."""
        return _left_K(self._bench, steps_W, soak_min)

    def choose_steps(self, n_steps: int, soak_min: float) -> tuple[float, ...]:
        """Choose power steps, ascending, W: the reference, and the others where they carry the curve best.

        Among those after whose soak no more than 2 K is left, as far as there are such.
        """
        aim_W = None if self.scatter.curve is None else self.throttle_power_W()
        return _best_steps(self._bench, aim_W, n_steps, soak_min)

    def one_rise_noise_K(self, soak_min: float) -> float:
        """Return the SD of one settled rise on one mount, K: more than the run noise where the soak is short."""
        noise_K = self.scatter.run_noise_K
        if self.time_constant_min is None:
            return noise_K
        found, best = (settled_rise_sd_K(of, self.time_constant_min) for of in (soak_min, 10 * self.time_constant_min))
        return math.inf if found is None or best is None else noise_K * found / best

    def throttle_sds_W(self, steps_W: tuple[float, ...], n_ladder: int | None = None) -> tuple[float, float] | None:
        """Return SDs of a throttle power, W: of one mount, and of the error that all mounts share.

        Parameters
        ----------
        steps_W : tuple of float
            Steps of a ladder mount, W.
        n_ladder : int or None
            Ladder mounts of each treatment; the others borrow the bend of the curve. None: every mount has its own.

        Returns
        -------
        tuple of float or None
            None where no throttle power can be had.
        """
        power, reference_W = self.throttle_power_W(), self.request.reference_W
        if power is None or len(steps_W) < 2:
            return None
        sd_K, noise_K = self.scatter.planned_sd_K, self.scatter.run_noise_K
        at, slope = power / reference_W, self.curve.slope_K_per_W(power)
        if n_ladder is None:
            return math.hypot(sd_K * at, noise_factor(steps_W, power) * noise_K) / slope, 0.0
        shared = _borrowed_bend(steps_W, power, reference_W) / math.sqrt(self.n_treatments * n_ladder)
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
            shows = t_test_power(margin_K, sd, n_mounts, n_candidates=treatments - 1, **given)
            equals = equivalence_power(margin_K, sd, n_mounts, **given)
            width = half_width(sd, n_mounts, treatments, level=1 - alpha)
        ladders = None if n_ladder == n_mounts else n_ladder
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
            throttle_half_width_W=noisy.throttle_half_width_W(steps_W, n_mounts, ladders),
            soak_note=_soak_note(soak_min, tau, left_K),
        )

    def throttle_half_width_W(self, steps_W: tuple[float, ...], n_mounts: int, n_ladder: int | None) -> float | None:
        """Return the half-width of a treatment's throttle power, W."""
        sds, level = self.throttle_sds_W(steps_W, n_ladder), self.request.confidence_level
        if sds is None or not math.isfinite(sds[0]):
            return None
        return half_width(sds[0], n_mounts, self.n_treatments, level=level, alone=True, shared_sd=sds[1])

    def best(self, n_steps: int, *, whole: bool = False, soaks_min: Sequence[float] = ()) -> Split | None:
        """Return the best split with a number of steps, over ladder mounts, soak and pre-soak.

        Parameters
        ----------
        n_steps : int
            Steps of a ladder mount.
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
            one_h, ladder_h = map(self.times(soak_min, steps).mount_h, (1, n_steps))
            for ladders in (None,) if whole else (1, 2, 3, None):
                number = self.n_mounts
                if number is None:
                    each_h = self.hours / self.n_treatments + 1e-9 - (ladders or 0) * (ladder_h - one_h)
                    number = int(each_h // (one_h if ladders else ladder_h))
                if number >= (ladders or 1):
                    found.append(self.split(steps, number, ladders or number, soak_min))
        trusted = [split for split in found if split.left_K <= CHECKS.trusted_left_K] or found
        return _shortest_like(min(trusted, key=lambda s: (_width(s), -s.n_mounts)), trusted) if trusted else None


def _width(split: Split) -> float:
    """Return the product of half-widths; infinite without an interval."""
    width = split.difference_half_width_K
    return math.inf if width is None else width * (split.throttle_half_width_W or 1.0)


def _shortest_like(best: Split, among: Sequence[Split]) -> Split:
    """Return the shortest split of as many mounts and of the same worth."""
    alike = [s for s in among if s.n_mounts == best.n_mounts and _width(s) <= ALIKE * _width(best)]
    return min(alike, key=lambda split: split.hours)


_power_at_W = lru_cache(maxsize=256)(RiseCurve.power_W)


@lru_cache(maxsize=4096)
def _pre_soak_min(bench: _Bench, first_W: float, soak_min: float) -> float:
    """Return the shortest pre-soak that leaves no more than 2 K at a first step; without a time constant a soak's.

    Mounts at the reference step alone begin with that step.
    """
    if bench.time_constant_min is None:
        return soak_min
    settled_K, most_K = max(map(bench.curve.rise_K, (first_W, bench.reference_W))), CHECKS.trusted_left_K
    needed = bench.time_constant_min * math.log(max(settled_K, most_K) / most_K)
    return round_up_min(needed - soak_min) if needed > soak_min else 0.0


@lru_cache(maxsize=4096)
def _left_K(bench: _Bench, steps_W: tuple[float, ...], soak_min: float) -> float:
    tau = bench.time_constant_min
    if tau is None:
        return 0.0
    pre_soak_min, ladders = _pre_soak_min(bench, min(steps_W), soak_min), (steps_W, (bench.reference_W,))
    return max(max(left_after_soak_K(bench.curve, steps, soak_min, tau, pre_soak_min)) for steps in ladders)


@lru_cache(maxsize=1024)
def _best_steps(bench: _Bench, aim_W: float | None, n_steps: int, soak_min: float) -> tuple[float, ...]:
    others = [step for step in bench.steps_W if step != bench.reference_W]
    even = np.linspace(bench.steps_W[0], bench.steps_W[-1], n_steps)

    def loss(steps: tuple[float, ...]) -> tuple[float, float]:
        too_much_K = max(0.0, _left_K(bench, steps, soak_min) - CHECKS.trusted_left_K)
        if aim_W is None:
            return too_much_K, float(np.sum((np.asarray(steps) - even) ** 2))
        return too_much_K, noise_factor(steps, aim_W) if n_steps > 1 else 0.0

    chosen = (tuple(sorted((*some, bench.reference_W))) for some in combinations(others, n_steps - 1))
    return min(chosen, key=loss)


@lru_cache(maxsize=4096)
def noise_factor(steps_W: tuple[float, ...], power_W: float) -> float:
    """Return the SD of the fitted rise at a power in units of the run noise.

    Parameters
    ----------
    steps_W : tuple of float
        Two or more power steps of one mount, W.
    power_W : float
        Power at which the two-parameter curve is read, W.
    """
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


def compare_splits(problem: SplitProblem) -> tuple[Split, ...]:
    """Return the best split with every number of steps, from one step to the whole ladder.

    Raises
    ------
    InputError
        Hours that do not buy one mount of each treatment.
    """
    one = (problem.request.reference_W,)
    least = problem.n_treatments * min(problem.times(soak, one).mount_h(1) for soak in problem.soaks_min())
    if problem.n_mounts is None and not problem.hours + 1e-9 >= least:
        allowed = f"at least {least:.2f} h: one mount of each treatment at one step"
        raise InputError([Problem("plan: hours", f"{problem.hours:g} h", allowed)])
    found = map(problem.best, range(1, len(problem.request.steps_W) + 1))
    return tuple(split for split in found if split is not None)


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
    power, steps = problem.throttle_power_W(), problem.request.steps_W
    if power is None:
        return 1
    enclosed = problem.scatter.curve is not None and steps[0] <= power <= steps[-1]
    return min(2 if enclosed else 3, len(steps))


def recommend_split(problem: SplitProblem) -> tuple[Split, str]:
    """Recommend one split and say why.

    The narrowest difference wins; where the throttle power is asked for, the smallest product of the two half-widths
    among the splits that carry the curve. Of those of the same worth the shortest.
    """
    splits, fewest = compare_splits(problem), fewest_steps(problem)
    usable = [split for split in splits if split.difference_half_width_K is not None]
    if not usable:
        enough = 1 if problem.n_mounts is None else fewest
        best = max(splits, key=lambda split: (split.n_mounts, split.n_steps >= enough, -split.n_steps))
        why = "One mount of each treatment shows no difference whatever the steps."
        return best, f"{why} Plan more hours, or bring a mount SD from earlier campaigns."
    with_curve = [split for split in usable if split.throttle_half_width_W is not None]
    with_check = [split for split in with_curve if split.n_steps >= fewest]
    among = with_check or with_curve or usable
    if fewest == 1:
        among = [split for split in usable if split.n_steps == 1]
        why = "No throttle power is asked for, so no more steps than the difference needs"
        if problem.request.throttle:
            why = "The throttle power lies out of reach of the steps, so no more of them than the difference needs"
    elif with_check:
        bend = "they enclose it" if fewest == 2 else "two would not show that it bends otherwise"
        why = f"The throttle power needs the curve, so at least {fewest} steps ({bend}), but not on every mount"
    elif with_curve:
        why = "The hours buy the curve with two steps only, which would not show that it bends otherwise"
    else:
        why = "The hours do not buy the curve on two mounts of each treatment, so the throttle power is given up"
    best = _shortest_like(max(among, key=lambda split: (split.n_mounts, -_width(split))), among)
    why += "; every other hour goes into mounts, because the mount is what varies: "
    return best, why + _against_whole_ladders(problem, best)


def _against_whole_ladders(problem: SplitProblem, best: Split) -> str:
    text = f"{best.n_mounts} mounts of each treatment"
    if best.n_ladder < best.n_mounts:
        reference_W = problem.request.reference_W
        text += f", {best.n_ladder} of them with {best.n_steps} steps and the others at {reference_W:g} W"
    n_steps = best.n_steps if best.n_steps > 1 else len(problem.request.steps_W)
    if best.n_ladder == best.n_mounts and best.n_steps == n_steps:
        return text + "."
    on_each, whole = f"{n_steps} steps on every mount", replace(problem, hours=best.hours).best(n_steps, whole=True)
    if problem.n_mounts is not None and whole is not None:
        return f"{text}: {best.hours:.1f} h instead of {whole.hours:.1f} h with {on_each}."
    return f"{text} instead of {0 if whole is None else whole.n_mounts} with {on_each}."


def left_after_soak_K(
    curve: RiseCurve, steps_W: Sequence[float], soak_min: float, time_constant_min: float, pre_soak_min: float
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
    pre_soak_min : float
        Time at the first step's power before its soak, min.
    """
    left: list[float] = []
    reached_K, begun_min = 0.0, pre_soak_min
    for step in sorted(steps_W):
        settled_K = curve.rise_K(step)
        left.append((settled_K - reached_K) * math.exp(-(begun_min + soak_min) / time_constant_min))
        reached_K, begun_min = settled_K - left[-1], 0.0
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


def compare_soaks(problem: SplitProblem, *, n_steps: int) -> tuple[Split, ...]:
    """Return the best split with as many steps and soaks of several lengths, as far as the hours buy them.

    None while the time constant of the bench is unknown.
    """
    tau, asked = problem.time_constant_min, problem.request.soak_min
    if tau is None:
        return ()
    soaks = {round_up_min(factor * tau) for factor in SOAKS} | ({asked} if asked else set())
    found = (problem.best(n_steps, soaks_min=(soak_min,)) for soak_min in sorted(soaks))
    return tuple(split for split in found if split is not None)


def round_up_min(minutes: float) -> float:
    """Round a soak up to what a person sets on a clock: whole minutes, from 15 min on steps of 5 min."""
    step = 5.0 if minutes > 15 else 1.0
    return max(1.0, step * math.ceil(minutes / step - 1e-9))
