"""Intervals that stay honest when the bench is looked at after every mount.

An ordinary 95 % interval is honest once. Looked at after every mount, and stopped when it first pleases, it misses
the truth far more often. Here the error allowed for the whole campaign is spent look by look: the critical value of
look k is set so that, over all campaigns in which nothing differs, the share that has crossed by look k is what may
have been spent by then. The running intersection of these intervals is the answer at any look.

The critical values come from simulated Student campaigns, not from the normal approximation: with three or four mounts
the approximation spends too much. Simulation takes any order of mounts, unequal counts, several candidates against one
baseline and a prior mount SD in the same few lines. The seed is fixed: the same order gives the same intervals.

Whether treatments scatter alike has to be judged from the same few mounts, and a test that seldom sees a difference
lets the pooled intervals claim too much. So they count alone only where Cochran's C lies below its 40 % point; else,
and before there are three mounts of each, the wider of the pooled and of Welch's interval counts.

References
----------
Lan and DeMets 1983, Biometrika 70, 659-663: error spending. Kim and DeMets 1987, Biometrika 74, 149-154: the power
family alpha t^rho. Jennison and Turnbull 1989, J. R. Statist. Soc. B 51, 305-361: repeated confidence intervals.
Welch 1947, Biometrika 34, 28-35: each treatment's own variance.
"Exact critical values for group sequential designs with small sample sizes", J. Biopharm. Statist. 30 (2020) 752-764,
doi 10.1080/10543406.2020.1730878: why Student and not normal. (The first three from memory.)
"""

import copy
import math
from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass, replace
from functools import cache, lru_cache, partial
from typing import Literal

import numpy as np
from numpy.typing import NDArray
from scipy.special import ndtr, ndtri, stdtr, stdtrit

from thermlab.stats.least_squares import Floats
from thermlab.stats.variances import cochran_critical

Variance = Literal["pooled", "welch"]
Known = tuple[float, Floats | float]
ALIKE_POINT = 0.4
SPENDING_EXPONENT = 2.0
# With two looks the first may spend less, so that nearly all of the chance of one look is left for the last.
HALFWAY_EXPONENT = 3.0
N_PATHS = 200_000
# Each path of Welch's method has its own degrees of freedom at every look, which takes ten times as long.
WELCH_PATHS = 50_000
SEED = 20_240_229
FEWEST_DOF = 1
FEWEST_TO_POOL = 3


class MountTally:
    """Running means and sums of squares of many campaigns at once (Welford's update).

    Parameters
    ----------
    n_paths : int
        Number of campaigns.
    n_treatments : int
        Treatments, the baseline first.
    variance : {"pooled", "welch"}
        One variance for all treatments, or each treatment's own (which takes no prior).
    prior : tuple of (float, float or ndarray of shape (n_paths,))
        Degrees of freedom of the prior mount SD as used, 0 without, and its square, K2.
    """

    def __init__(self, n_paths: int, n_treatments: int, variance: Variance = "pooled", prior: Known = (0, 0)) -> None:
        self.variance, self.prior_dof = variance, prior[0]
        self.counts = [0] * n_treatments
        self.means = np.zeros((n_treatments, n_paths))
        self.sum_squares = np.zeros(n_paths) + prior[0] * np.asarray(prior[1], dtype=np.float64)
        self.own_squares = np.zeros((n_treatments, n_paths))

    def add(self, treatment: int, values: Floats) -> None:
        """Add one mount of one treatment to every campaign."""
        self.counts[treatment] += 1
        step = values - self.means[treatment]
        self.means[treatment] += step / self.counts[treatment]
        squares = step * (values - self.means[treatment])
        self.sum_squares += squares
        self.own_squares[treatment] += squares

    @property
    def dof(self) -> float:
        """Degrees of freedom of the pooled mount SD."""
        return sum(self.counts) - sum(count > 0 for count in self.counts) + self.prior_dof

    def by_welch(self, where: NDArray[np.bool_ | np.intp]) -> "MountTally":
        """Return some of the campaigns, to be judged by each treatment's own variance."""
        other = copy.copy(self)
        other.variance, other.means, other.own_squares = "welch", self.means[:, where], self.own_squares[:, where]
        other.sum_squares = self.sum_squares[where]
        return other

    def scatters_apart(self) -> NDArray[np.bool_]:
        """Say of each campaign whether its treatments may scatter differently, shape (n_paths,)."""
        fewest = min(self.counts)
        if fewest < FEWEST_TO_POOL:
            return np.ones(self.sum_squares.shape, dtype=np.bool_)
        variances = self.own_squares / (np.array(self.counts)[:, None] - 1.0)
        total = np.maximum(variances.sum(axis=0), np.finfo(float).tiny)
        critical = cochran_critical(len(self.counts), fewest, ALIKE_POINT)
        apart: NDArray[np.bool_] = variances.max(axis=0) / total > critical
        return apart

    def ready(self, candidate: int) -> bool:
        """Say whether a candidate has a difference with a standard error."""
        fewest = min(self.counts[0], self.counts[candidate])
        return fewest > 1 if self.variance == "welch" else fewest > 0 and self.dof >= FEWEST_DOF

    def difference_and_error(self, candidate: int) -> tuple[Floats, Floats]:
        """Return candidate minus baseline and its standard error, each of shape (n_paths,), K."""
        if self.variance == "welch":
            error = np.sqrt(sum(self._mean_variances(candidate)))
        else:
            error = np.sqrt(self.sum_squares / self.dof * (1.0 / self.counts[candidate] + 1.0 / self.counts[0]))
        return self.means[candidate] - self.means[0], error

    def on_one_scale(self, candidate: int, ratio: Floats) -> Floats:
        """Return t values as they compare between campaigns: with Welch, normal deviates of the same probability."""
        if self.variance == "pooled":
            return ratio
        return np.asarray(-np.sign(ratio) * ndtri(stdtr(self._welch_dof(candidate), -np.abs(ratio))))

    def critical_t(self, candidate: int, value: float) -> Floats | float:
        """Return the critical t of each campaign from a critical value on the common scale."""
        return value if self.variance == "pooled" else -stdtrit(self._welch_dof(candidate), ndtr(-value))

    def _mean_variances(self, candidate: int) -> tuple[Floats, Floats]:
        first, second = (self.own_squares[i] / ((self.counts[i] - 1) * self.counts[i]) for i in (0, candidate))
        return first, second

    def _welch_dof(self, candidate: int) -> Floats:
        first, second = self._mean_variances(candidate)
        spread = first**2 / (self.counts[0] - 1) + second**2 / (self.counts[candidate] - 1)
        return np.asarray((first + second) ** 2 / np.maximum(spread, np.finfo(float).tiny))


@cache  # the same function for the same numbers, so that critical values are known again by it
def power_spending(alpha: float, exponent: float = SPENDING_EXPONENT) -> Callable[[float], float]:
    """Return the share of the error that may be spent by a fraction of the planned mounts.

    References
    ----------
    Kim and DeMets 1987, Biometrika 74, 149-154 (from memory): alpha t^rho.
    """
    return lambda fraction: alpha * min(1.0, max(0.0, fraction)) ** exponent


@cache
def _halfway_spending(alpha: float, middle: float) -> Callable[[float], float]:
    """Return the share of the error that may be spent with two looks, at `middle` and at the end."""
    return lambda done: alpha if done >= 1.0 else alpha * middle**HALFWAY_EXPONENT if done >= middle else 0.0


@lru_cache(maxsize=256)
def critical_values(
    order: tuple[int, ...],
    *,
    spend: Callable[[float], float],
    prior_dof: float = 0.0,
    one_sided: int | None = None,
    variance: Variance = "pooled",
    n_paths: int = N_PATHS,
) -> tuple[float | None, ...]:
    """Return the critical value of each look, one look after each mount of ``order``.

    Parameters
    ----------
    order : tuple of int
        Treatment of each mount of the whole campaign in the order made; 0 is the baseline.
    spend : callable
        Error that may have been spent by a fraction of the mounts.
    prior_dof : float
        Degrees of freedom of a prior mount SD as used; 0 without.
    one_sided : int or None
        None: largest absolute t over all candidates (intervals that hold for all of them at once).
        A candidate's number: its t in one direction alone (a claim of equivalence).
    variance : {"pooled", "welch"}
        As of :class:`MountTally`; with Welch the values are normal deviates of the same probability as the t.
    n_paths : int
        Simulated campaigns.

    Returns
    -------
    tuple of float or None
        Of the length of ``order``; None where there is no degree of freedom or too little to spend.
    """
    rng, n_treatments = np.random.default_rng(SEED), max(order) + 1
    prior: Floats | float = rng.chisquare(prior_dof, n_paths) / prior_dof if prior_dof else 0.0
    tally = MountTally(n_paths, n_treatments, variance, (prior_dof, prior))
    alive = np.ones(n_paths, dtype=bool)
    found: list[float | None] = []
    for look, treatment in enumerate(order, start=1):
        tally.add(treatment, rng.standard_normal(n_paths))
        candidates = [i for i in range(1, n_treatments) if tally.ready(i) and one_sided in (None, i)]
        may_cross = math.floor(spend(look / len(order)) * n_paths) - int(n_paths - alive.sum())
        if not candidates or may_cross < 1:
            found.append(None)
            continue
        among = np.flatnonzero(alive)
        if may_cross < among.size:
            among, statistic = _largest(tally, candidates, among, may_cross, signed=one_sided is not None)
            # Half way between the last path that may cross and the first that may not.
            value = float(np.partition(statistic, (-may_cross - 1, -may_cross))[-may_cross - 1 :][:2].mean())
            alive[among[statistic > value]] = False
        else:
            value, alive[:] = 0.0, False
        found.append(value)
    return tuple(found)


def _largest(
    tally: MountTally, candidates: Sequence[int], among: NDArray[np.intp], count: int, *, signed: bool
) -> tuple[NDArray[np.intp], Floats]:
    """Return which campaigns may have one of the ``count + 1`` largest statistics of those asked, and theirs.

    With Welch a statistic lies between what the fewest and the most degrees of freedom would make of its t, and only
    what may be among the largest is worked out.
    """
    ratios = [np.divide(*tally.difference_and_error(candidate))[among] for candidate in candidates]
    ratios = ratios if signed else [np.abs(ratio) for ratio in ratios]
    largest: Floats = np.maximum.reduce(ratios)
    if tally.variance == "pooled":
        return among, largest
    counts = [(tally.counts[0], tally.counts[candidate]) for candidate in candidates]
    border = np.partition(largest, -count - 1)[-count - 1]
    if border > 0:
        fewest, most = min(map(min, counts)) - 1, max(map(sum, counts)) - 2
        may = largest >= -stdtrit(most, stdtr(fewest, -border)) * (1 - 1e-9)
        among, ratios = among[may], [ratio[may] for ratio in ratios]
    own = tally.by_welch(among)
    pairs = zip(candidates, ratios, strict=True)
    return among, np.maximum.reduce([own.on_one_scale(candidate, ratio) for candidate, ratio in pairs])


@dataclass(frozen=True, slots=True, kw_only=True)
class LookRule:
    """Critical values of every look of one campaign, made once and used for the data and for what may follow.

    Attributes
    ----------
    order : tuple of int
        Treatment of each mount, made and still planned; 0 is the baseline.
    two_sided : tuple of float or None
        For the simultaneous intervals, per look.
    one_sided : tuple of tuple
        Per candidate (first entry: candidate 1), for the claim of equivalence, per look.
    margin_K : float
        Margin of the decision, K.
    variance : {"pooled", "welch"}
        What the values are for.
    apart : LookRule or None
        Of Welch's method, for campaigns whose treatments may scatter differently; None where nobody asks.
    """

    order: tuple[int, ...]
    two_sided: tuple[float | None, ...]
    one_sided: tuple[tuple[float | None, ...], ...]
    margin_K: float
    variance: Variance = "pooled"
    apart: "LookRule | None" = None


def look_rule(
    order: tuple[int, ...],
    *,
    margin_K: float,
    alpha: float = 0.05,
    prior_dof: float = 0.0,
    variance: Variance | Literal["auto"] = "pooled",
    halfway: bool = False,
    only: Literal["difference", "equivalence"] | None = None,
    n_paths: int | None = None,
) -> LookRule:
    """Set the critical values for a planned order of mounts.

    Parameters
    ----------
    order : tuple of int
        Treatment of each planned mount in order; 0 is the baseline.
    margin_K : float
        Margin, K.
    alpha : float
        Error over all looks and candidates for the intervals, and over all looks per claim of equivalence.
    prior_dof : float
        Degrees of freedom of the prior mount SD as used.
    variance : {"pooled", "welch", "auto"}
        One variance for all treatments, each treatment's own, or by the scatter of each campaign.
    halfway : bool
        Two looks alone, when half of the blocks are made and at the end, in place of one after every mount.
    only : {"difference", "equivalence"} or None
        Only what :func:`chance_over_looks` asks of candidate 1; None: all intervals and claims.
    n_paths : int or None
        Simulated campaigns; None: 200 000, or 50 000 with Welch.

    Returns
    -------
    LookRule
        Critical values.
    """
    if variance == "auto":
        make = partial(look_rule, order, margin_K=margin_K, alpha=alpha, halfway=halfway, only=only, n_paths=n_paths)
        pooled = make(prior_dof=prior_dof)
        # Welch's method takes no prior, and the prior says how all treatments scatter.
        return pooled if prior_dof else replace(pooled, apart=make(variance="welch"))
    n_treatments, n_paths = max(order) + 1, n_paths or (WELCH_PATHS if variance == "welch" else N_PATHS)
    middle = n_treatments * math.ceil(len(order) / n_treatments / 2) / len(order)
    spend = _halfway_spending(alpha, middle) if halfway else power_spending(alpha)
    values = partial(critical_values, order, spend=spend, prior_dof=prior_dof, variance=variance, n_paths=n_paths)
    # No margin is in the critical values: it may move freely.
    claims = () if only == "difference" else range(1, 2 if only else n_treatments)
    both = () if only == "equivalence" else values()
    each = tuple(values(one_sided=one) for one in claims)
    return LookRule(order=order, two_sided=both, one_sided=each, margin_K=margin_K, variance=variance)


class RunningDecision:
    """Running intersection of the intervals of many campaigns, candidate by candidate."""

    def __init__(self, rule: LookRule, n_paths: int, n_treatments: int) -> None:
        self.rule = rule
        self.low = np.full((n_treatments, n_paths), -np.inf)
        self.high = np.full((n_treatments, n_paths), np.inf)
        self.equivalent = np.zeros((n_treatments, n_paths), dtype=bool)

    def look(self, tally: MountTally, look: int) -> None:
        """Take in the state after mount ``look`` (from 0)."""
        if self.rule.apart is not None:
            apart = tally.scatters_apart()
            doubtful = tally.by_welch(apart)
        for candidate in range(1, len(tally.counts)):
            if not tally.ready(candidate):
                continue
            difference = tally.means[candidate] - tally.means[0]
            halves = _half_widths(self.rule, tally, candidate, look)
            if self.rule.apart is not None:
                own = _half_widths(self.rule.apart, doubtful, candidate, look)
                halves[:, apart] = np.maximum(halves[:, apart], own)
            self.low[candidate] = np.maximum(self.low[candidate], difference - halves[0])
            self.high[candidate] = np.minimum(self.high[candidate], difference + halves[0])
            self.equivalent[candidate] |= np.abs(difference) + halves[1] < self.rule.margin_K

    def decided(self) -> NDArray[np.bool_]:
        """Say where a verdict other than ``undecided`` stands; shape (n_treatments, n_paths), row 0 all true."""
        decided: NDArray[np.bool_] = (self.high < 0) | (self.low > 0) | self.equivalent
        decided[0] = True
        return decided


def look_back(
    rule: LookRule, mounts: Iterable[tuple[int, float]], *, prior_dof: float = 0.0, prior_sd_K: float = 0.0
) -> tuple[MountTally, RunningDecision]:
    """Return the state of one campaign, and what the looks after each of its mounts have shown.

    Parameters
    ----------
    rule : LookRule
        Order and critical values.
    mounts : iterable of (int, float)
        Treatment and rise of each mount so far, in the order of the rule, K.
    prior_dof, prior_sd_K : float
        Degrees of freedom of the prior mount SD as used, 0 without, and the SD, K.
    """
    n_treatments = max(rule.order) + 1
    tally = MountTally(1, n_treatments, rule.variance, (prior_dof, prior_sd_K**2))
    decision = RunningDecision(rule, 1, n_treatments)
    for look, (treatment, rise_K) in enumerate(mounts):
        tally.add(treatment, np.array([rise_K]))
        decision.look(tally, look)
    return tally, decision


def _half_widths(rule: LookRule, tally: MountTally, candidate: int, look: int) -> Floats:
    """Return half the interval and half that of the claim of equivalence, infinite where there is none, K."""
    halves = np.full((2, tally.sum_squares.size), np.inf)
    if tally.ready(candidate):
        _, error = tally.difference_and_error(candidate)
        for half, value in zip(halves, (rule.two_sided[look], rule.one_sided[candidate - 1][look]), strict=True):
            if value is not None:
                half[:] = tally.critical_t(candidate, value) * error
    return halves


@lru_cache(maxsize=512)
def chance_over_looks(
    rule: LookRule, difference_K: float, sd_K: float, *, equivalence: bool = False, n_paths: int = 20_000
) -> tuple[float, float]:
    """Simulate campaigns that are looked at after every mount and stopped when candidate 1 has its answer.

    Parameters
    ----------
    rule : LookRule
        Order and critical values.
    difference_K : float
        True difference of candidate 1 from all others, K.
    sd_K : float
        SD of the value of one mount, K.
    equivalence : bool
        Whether the answer is equivalence, not a difference.
    n_paths : int
        Simulated campaigns.

    Returns
    -------
    (chance, mounts) : tuple of float
        Share of the campaigns with the answer, and the mean number of mounts made, all where there is none.
    """
    rng = np.random.default_rng(SEED + 1)
    tally = MountTally(n_paths, max(rule.order) + 1, rule.variance)
    shown, spared = np.zeros(n_paths, dtype=bool), 0
    for look, treatment in enumerate(rule.order):
        spared += int(shown.sum())
        tally.add(treatment, difference_K * (treatment == 1) + sd_K * rng.standard_normal(n_paths))
        shows = np.flatnonzero(_shows(rule, tally, look, equivalence=equivalence) & ~shown)
        if rule.apart is not None and shows.size:
            apart = tally.scatters_apart()[shows]
            own = _shows(rule.apart, tally.by_welch(shows), look, equivalence=equivalence)
            shows = shows[~apart | own]
        shown[shows] = True
    return float(shown.mean()), (len(rule.order) * n_paths - spared) / n_paths


def _shows(rule: LookRule, tally: MountTally, look: int, *, equivalence: bool) -> NDArray[np.bool_]:
    """Say of each campaign whether one look shows a difference of candidate 1 from the baseline, or equivalence."""
    value = (rule.one_sided[0] if equivalence else rule.two_sided)[look]
    if value is None or not tally.ready(1):
        return np.zeros(tally.sum_squares.shape, dtype=np.bool_)
    difference, error = tally.difference_and_error(1)
    distance, half = np.abs(difference), tally.critical_t(1, value) * error
    return np.asarray(distance + half < rule.margin_K if equivalence else distance > half)
