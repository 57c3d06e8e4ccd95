"""How fast the bench settles: one time constant for all its runs.

After a step in power the rise tends to its settled value as a slow exponential,
once the fast parts (die, spreader) have followed. The slow time constant
belongs to the bench, not to the run: it is estimated from all runs together,
because a time constant fitted to one run trades off against its settled rise.

At power P the time constant is ``tau (P / P_max) ** (n - 1)``, with n = 0.8
for natural convection (the film coefficient grows as the fourth root of the
temperature difference) and n = 1 for forced air.

The approach is bent a little where the sink convects naturally. What works on it takes one run or, with one more
dimension in front, several runs whose block means stand at the same instants: what depends on the instants alone is
then computed once for all of them.
"""

from collections.abc import Sequence
from dataclasses import dataclass, replace
from itertools import combinations
from typing import Any, NamedTuple, Self

import numpy as np

from thermlab.runs.records import Array, Integers
from thermlab.stats.variances import robust_sd


class Cooling(NamedTuple):
    """What is known of benches that are cooled one way.

    Attributes
    ----------
    exponent : float
        Of the time constant in power, n - 1.
    single_step_slope : float
        Local slope over mean resistance, d ln(rise) / d ln(P), where one step alone leaves the curve unknown: a sixth
        of the rise in the interface, the rest in a naturally convecting sink (common practice, no source).
    slow_from : float
        The slow approach is fitted from this fraction of its time constant on, when the fast parts (die, spreader)
        have followed. Earlier is less noise in the time constant, later less of the fast parts; with fans they take a
        larger share.
    least_s : float
        Least time constant of a heat sink, s: 8 to 15 min where it convects naturally, 1 to 3 min with fans (common
        practice, no source). Die and spreader are faster and show first.
    curvature : float
        A naturally convecting sink follows C d(theta)/dt = P - k theta ** 1.25, so that its deviation v from the
        settled state, as a fraction of it, obeys to second order dv/dt = -(v / tau) (1 - v (1.25 - 1) / 2): far from
        settled it is slower.
    level_window : float
        The level comes from the last two time constants of a naturally convecting bench: shorter is noise, longer
        brings back the error of the shape. With forced air the shape is exact and all of the slow approach serves.
    early_at, early_reach : float
        Middle of the readings of the early rise in time constants, and how far they reach to either side as a share of
        that. With fans die and base take as long as the sink, so that it is read later; of a difference in the air a
        fifth is then in it.
    """

    exponent: float
    single_step_slope: float
    slow_from: float
    least_s: float
    curvature: float
    level_window: float
    early_at: float
    early_reach: float


COOLINGS = {
    # exponent, single_step_slope, slow_from, least_s, curvature, level_window, early_at, early_reach
    "passive": Cooling(-0.2, 0.85, 0.2, 480.0, 0.125, 2.0, 0.4, 0.75),
    "forced": Cooling(0.0, 1.0, 0.3, 60.0, 0.0, 6.0, 0.8, 0.5),
}
# Beyond this relative standard uncertainty no time constant is claimed.
LARGEST_RELATIVE_U = 0.25
# Fits that begin later have to agree where they can be made: on a soak too short to
# show the slow approach the time constant grows with the beginning of the fit.
LATER_STARTS = (0.6, 0.9)
LARGEST_GROWTH = 0.2
GROWTH_RATIO = 4.0
# One or two runs alone cannot tell a fast bench from the beginning of a slow one.
SHOWN_BY_SOAK, SHOWN_BY_ONE_SOAK, FEW_RUNS = 1.4, 4.0, 3
FAST_PARTS = 0.25
COARSE_GRID = 25
FINE_GRID = 9
OUTLYING = 4.0
# Treatments that differ in speed by more than this are different heat sinks.
OWN_SPEED, OWN_SPEED_RATIO = 0.15, 3.0
# Share of the settled rise that is the sink's, not the interface's (common practice, no source).
SINK_SHARE = 0.8


@dataclass(frozen=True, slots=True)
class Approach:
    """Block means of one run on its way to the settled rise.

    Attributes
    ----------
    time_s : ndarray, shape (b,)
        Seconds since the soak began.
    rise_K : ndarray, shape (b,) or (m, b)
        Rise over the room, K, of one run or of m runs that are alike; no NaN.
    scale : float
        Time constant of this run over that of the bench, ``(P / P_max) ** (n - 1)``.
    curvature : float
        See :func:`straighten`; 0 for a linear heat sink.
    """

    time_s: Array
    rise_K: Array
    scale: float
    curvature: float = 0.0


def decay(time_s: Array, time_constant_s: float, *, end_s: float) -> Array:
    """Exponential of unit size at ``end_s``; its exponent is capped where it cannot matter.

    Parameters
    ----------
    time_s : ndarray, shape (n,)
        Times, s.
    time_constant_s, end_s : float
        Time constant and the instant at which the value is 1, s.

    Returns
    -------
    ndarray, shape (n,)
    """
    value: Array = np.exp(np.minimum(-(time_s - end_s) / time_constant_s, 60.0))
    return value


def straighten(time_s: Array, rise_K: Array, time_constant_s: float, *, end_s: float, curvature: float) -> Array:
    """Take the second-order departure from an exponential out of an approach.

    With w the exponential part as a fraction of the sink's settled rise, the
    sink lags the exponential by ``curvature * w ** 2`` of that rise.

    Parameters
    ----------
    time_s : ndarray, shape (n,)
        Times, all within the slow approach, s.
    rise_K : ndarray, shape (n,) or (m, n)
        Rises of one run or of m runs, K.
    time_constant_s : float
        Small-signal time constant at the settled state, s.
    end_s : float
        Reference instant, s.
    curvature : float
        0.125 for natural convection, 0 for a linear sink.

    Returns
    -------
    ndarray, shape of ``rise_K``
        Rises that follow a plain exponential.
    """
    if curvature == 0.0:
        return rise_K
    straight = rise_K
    shape = decay(time_s, time_constant_s, end_s=end_s)
    centred = Centred(shape)
    below = np.zeros(rise_K.shape[:-1], dtype=np.bool_)
    for _ in range(2):
        level, left, _ = centred.fit(straight)
        sink = SINK_SHARE * level
        below |= sink <= 0
        sink = np.where(below, 1.0, sink)
        part = np.clip((-left / sink)[..., None] * shape, -1.0, 1.0)
        straight = rise_K - (sink * curvature)[..., None] * part**2
    return np.where(below[..., None], rise_K, straight)


class Centred:
    """An exponential less its mean, ready to be fitted to many runs.

    Attributes
    ----------
    mean : float
        Its mean.
    values : ndarray, shape (n,)
        The exponential less its mean.
    square_sum : float
        Their sum of squares.
    """

    def __init__(self, shape: Array) -> None:
        self.mean = float(np.add.reduce(shape) / shape.size)
        self.values = shape - self.mean
        self.square_sum = float(self.values @ self.values)

    def fit(self, y: Array) -> tuple[Any, Any, Array]:
        """Return level, coefficient and residuals; of y with shape (..., n) each has one entry a run."""
        y_mean = np.add.reduce(y, axis=-1) / y.shape[-1]
        r = y - y_mean[..., None]
        left = (r @ self.values) / self.square_sum if self.square_sum > 1e-300 else np.zeros_like(y_mean)
        return y_mean - left * self.mean, left, r - left[..., None] * self.values


def fit_exponential(time_s: Array, y: Array, time_constant_s: float, *, end_s: float) -> tuple[float, float, float]:
    """Fit ``level + left exp(-(t - end) / tau)`` with the time constant given.

    Linear least squares in two coefficients.

    Parameters
    ----------
    time_s, y : ndarray, shape (n,)
        Times and values.
    time_constant_s : float
        Time constant, s, > 0.
    end_s : float
        Time to which the coefficient of the exponential refers, s.

    Returns
    -------
    level, left, residual_sum : float
        Value it tends to; deviation from it at ``end_s``; sum of squared residuals.
    """
    level, left, residual = Centred(decay(time_s, time_constant_s, end_s=end_s)).fit(y)
    return float(level), float(left), float(residual @ residual)


@dataclass(frozen=True, slots=True)
class BenchTimeConstant:
    """Time constant of the bench.

    Attributes
    ----------
    time_constant_s : float
        At the highest power step, s.
    u_time_constant_s : float
        Standard uncertainty (Type A), s.
    fit_from_s : float
        Where the fits begin, seconds since the soak began, at the highest step.
    """

    time_constant_s: float
    u_time_constant_s: float
    fit_from_s: float

    def times(self, factor: float) -> Self:
        """Return that of runs which are slower by a factor, as at a lower power."""
        slower = ("time_constant_s", "u_time_constant_s", "fit_from_s")
        return replace(self, **{name: getattr(self, name) * factor for name in slower})


def estimate_time_constant(
    runs: Sequence[Approach], *, slow_from: float, guess_s: float | None = None, least_s: float = 0.0
) -> BenchTimeConstant | None:
    """Estimate the bench's time constant from all its runs, robustly.

    The settled rise and what is left of the step are eliminated run by run
    (variable projection, Golub & Pereyra 1973), each run has its own noise, so
    that a disturbed run weighs little, and runs whose own optimum is far from
    the common one, in the scatter of the others, are left out of a second fit.

    Parameters
    ----------
    runs : sequence of Approach
        All runs whose power was held, one entry a run.
    slow_from : float
        Where the slow approach begins, in time constants; see :class:`Cooling`.
    guess_s : float, optional
        A value known to be near, s.
    least_s : float
        Least time constant that a heat sink has: a faster one is believed on a soak as long as that one needs, and one
        of less than a quarter of it is that of die and spreader.

    Returns
    -------
    BenchTimeConstant or None
        None where the data do not determine one: relative standard uncertainty above 0.25, or
        a value that grows when the fit begins later, as on a soak too short to show the slow approach.
    """
    found = fit_time_constant(runs, slow_from=slow_from, guess_s=guess_s)
    if found is None:
        return None
    longest = float(max(run.time_s[-1] / run.scale for run in runs))
    needed = SHOWN_BY_SOAK if len(runs) >= FEW_RUNS else SHOWN_BY_ONE_SOAK
    if found.time_constant_s < FAST_PARTS * least_s or longest < needed * max(found.time_constant_s, least_s):
        return None
    for start in LATER_STARTS:
        later = fit_time_constant(runs, slow_from=start, guess_s=found.time_constant_s)
        if later is None:
            continue
        u_growth = np.hypot(found.u_time_constant_s, later.u_time_constant_s)
        growth = later.time_constant_s - found.time_constant_s
        if growth > max(LARGEST_GROWTH * found.time_constant_s, GROWTH_RATIO * u_growth):
            return None
    return found


def speed_factors(
    runs: Sequence[Approach], groups: Sequence[str], common: BenchTimeConstant, *, slow_from: float
) -> dict[str, float]:
    """Tell whether groups of runs settle at speeds of their own, as different heat sinks do.

    Parameters
    ----------
    runs : sequence of Approach
        As for :func:`estimate_time_constant`.
    groups : sequence of str
        Group of each run, such as its treatment.
    common : BenchTimeConstant
        What all runs together say.
    slow_from : float
        Where the slow approach begins, in time constants.

    Returns
    -------
    dict of str to float
        Time constant of each group over the common one; empty where no two differ by more than 15 % and three
        standard uncertainties, or a group does not determine its own.
    """
    members: dict[str, list[Approach]] = {}
    for run, group in zip(runs, groups, strict=True):
        members.setdefault(group, []).append(run)
    if len(members) < 2 or min(map(len, members.values())) <= FEW_RUNS:
        return {}
    own = {}
    for name, mine in members.items():
        found = fit_time_constant(mine, slow_from=slow_from, guess_s=common.time_constant_s)
        if found is None:
            return {}
        own[name] = found
    for one, other in combinations(own.values(), 2):
        apart = abs(np.log(one.time_constant_s / other.time_constant_s))
        u_apart = np.hypot(one.u_time_constant_s / one.time_constant_s, other.u_time_constant_s / other.time_constant_s)
        if apart > max(OWN_SPEED, OWN_SPEED_RATIO * u_apart):
            return {name: found.time_constant_s / common.time_constant_s for name, found in own.items()}
    return {}


def fit_time_constant(runs: Sequence[Approach], *, slow_from: float, guess_s: float | None) -> BenchTimeConstant | None:
    """Fit one time constant as :func:`estimate_time_constant` does, without asking for soaks that show it well."""
    members = [i for i, run in enumerate(runs) if run.time_s.size >= 12]
    tau = guess_s if guess_s is not None else _first_guess([runs[i] for i in members])
    if tau is None:
        return None
    width = np.log(5.0) if guess_s is None else np.log(1.4)
    left_out: tuple[int, ...] = ()
    alike = _alike(runs, members)
    profiles: list[_Profiles] = []
    for _ in range(8):
        profiles = [p for p in (_profile(index, group, tau, slow_from) for index, group in alike) if p is not None]
        if not profiles:
            return None
        before = tau
        tau, inside = _minimise(profiles, tau, width)
        if not inside and tau > 4.0 * max(p.time_s[-1] for p in profiles):
            return None
        width = np.log(1.4) if inside else np.log(5.0)
        if not inside or abs(tau / before - 1) > 0.01:
            continue
        if left_out or len(members) < 4:
            break
        left_out = _disagreeing(profiles, tau)
        if not left_out:
            break
        alike = _alike(runs, [i for i in members if i not in left_out])
    own, curvature = _own_optima(profiles, tau)
    u_tau = tau * _sandwich(own, curvature)
    if not u_tau < LARGEST_RELATIVE_U * tau:
        return None
    return BenchTimeConstant(tau, u_tau, slow_from * tau)


def _first_guess(runs: Sequence[Approach]) -> float | None:
    """Median over the runs with a clear change of the time to 63 % of it."""
    times = []
    for run in runs:
        tail = max(3, run.time_s.size // 10)
        first, last = float(run.rise_K[:2].mean()), float(np.median(run.rise_K[-tail:]))
        noise = float(np.std(np.diff(run.rise_K)) / np.sqrt(2.0)) + 1e-9
        change = last - first
        if abs(change) < 6.0 * noise:
            continue
        reached = np.flatnonzero((run.rise_K - first) / change >= 0.632)
        at = float(run.time_s[reached[0]]) if reached.size else float(run.time_s[-1])
        times.append(max(at, 3.0 * float(np.diff(run.time_s).mean())) / run.scale)
    return float(np.median(times)) if times else None


def _alike(runs: Sequence[Approach], members: Sequence[int]) -> list[tuple[Integers, Approach]]:
    """Put runs together that share their exponentials, which are then computed once for all of them."""
    groups: dict[tuple[float, float, bytes], list[int]] = {}
    for i in members:
        run = runs[i]
        groups.setdefault((run.scale, run.curvature, run.time_s.tobytes()), []).append(i)
    rises = ((group, np.stack([runs[i].rise_K for i in group])) for group in groups.values())
    return [(np.array(group), replace(runs[group[0]], rise_K=rise_K)) for group, rise_K in rises]


@dataclass(frozen=True, slots=True)
class _Profiles:
    """Runs that are alike within their fit window, on the bench's time scale, with the weight of their values."""

    index: Integers
    time_s: Array
    centred_K: Array
    independent: Array


def _profile(index: Integers, group: Approach, tau: float, slow_from: float) -> _Profiles | None:
    own = tau * group.scale
    inside = group.time_s >= slow_from * own
    if inside.sum() < 8:
        return None
    t, y = group.time_s[inside], group.rise_K[:, inside]
    y = straighten(t, y, own, end_s=float(t[-1]), curvature=group.curvature)
    _, _, residual = Centred(decay(t, own, end_s=float(t[-1]))).fit(y)
    # Neighbouring blocks are alike: an AR(1) series of correlation r holds
    # n (1 - r) / (1 + r) independent values.
    total = np.einsum("mt,mt->m", residual, residual)
    product = np.einsum("mt,mt->m", residual[:, 1:], residual[:, :-1])
    r1 = np.clip(np.where(total > 0, product / np.where(total > 0, total, 1.0), 0.0), 0.3, 0.9)
    return _Profiles(index, t / group.scale, y - y.mean(axis=1, keepdims=True), t.size * (1 - r1) / (1 + r1))


def _costs(profiles: _Profiles, taus: Array) -> Array:
    """Negative profile log-likelihoods, shape (n_runs, n_taus): level, step and noise eliminated."""
    t, y = profiles.time_s, profiles.centred_K
    shape = np.exp(np.minimum(-(t[None, :] - t[-1]) / taus[:, None], 60.0))
    shape -= shape.mean(axis=1, keepdims=True)
    spread = np.maximum(np.einsum("gt,gt->g", shape, shape), 1e-300)
    residual = np.einsum("mt,mt->m", y, y)[:, None] - (y @ shape.T) ** 2 / spread
    cost: Array = 0.5 * profiles.independent[:, None] * np.log(np.maximum(residual, 1e-9 * t.size))
    return cost


def _lowest(below: Any, here: Any, above: Any) -> tuple[Any, Any]:
    """Where a parabola through three neighbours is lowest, in steps from the middle one, and its bend."""
    bend = below - 2 * here + above
    return np.where(bend > 0, 0.5 * (below - above) / np.where(bend > 0, bend, 1.0), 0.0), bend


def _minimise(profiles: Sequence[_Profiles], guess: float, width: float) -> tuple[float, bool]:
    """Minimise the summed cost over log tau around a guess; tell whether it lies inside the range."""
    centre, inside = np.log(guess), True
    coarse = COARSE_GRID if width > 1.0 else FINE_GRID
    for points, reach in ((coarse, width), (FINE_GRID, 4.0 * width / coarse)):
        grid = np.linspace(centre - reach, centre + reach, points)
        total = sum((_costs(p, np.exp(grid)).sum(axis=0) for p in profiles), np.zeros(points))
        best = int(np.argmin(total))
        if best in (0, points - 1):
            inside = inside and reach != width
            centre = grid[best]
            continue
        shift, _ = _lowest(*total[best - 1 : best + 2])
        centre = grid[best] + shift * (grid[1] - grid[0])
    return float(np.exp(centre)), inside


def _own_optima(profiles: Sequence[_Profiles], tau: float) -> tuple[Array, Array]:
    """Each run's own optimum of log tau relative to the common one, and the curvature of its cost."""
    steps = np.linspace(-0.8, 0.8, 17)
    h = float(steps[1] - steps[0])
    cost = np.concatenate([_costs(p, tau * np.exp(steps)) for p in profiles])
    best = np.clip(np.argmin(cost, axis=1), 1, steps.size - 2)
    row = np.arange(best.size)
    shift, bend = _lowest(cost[row, best - 1], cost[row, best], cost[row, best + 1])
    own = steps[best] + np.clip(shift, -1.0, 1.0) * h
    # The cost at the common value, not the bend at the own optimum, says how much the run knows.
    return own, np.maximum(bend, 0.0) / h**2


def _disagreeing(profiles: Sequence[_Profiles], tau: float) -> tuple[int, ...]:
    """Runs whose own time constant is far from the common one in the scatter of the others."""
    own, curvature = _own_optima(profiles, tau)
    deviation = np.abs(own) * np.sqrt(curvature)
    scale = max(robust_sd(deviation, about=0.0), 1.0)
    index = np.concatenate([p.index for p in profiles])
    found = index[(deviation > OUTLYING * scale) & (np.abs(own) > 0.1)]
    return tuple(sorted(found.tolist())) if found.size <= index.size // 3 else ()


def _sandwich(own: Array, curvature: Array) -> float:
    """Standard uncertainty of log tau: the larger of what the runs' scatter and their noise say."""
    information = float(curvature.sum())
    if information <= 0:
        return float("inf")
    from_noise = 1.0 / np.sqrt(information)
    if own.size < 3:
        return float(from_noise)
    score = curvature * np.clip(own - np.average(own, weights=curvature), -0.8, 0.8)
    from_scatter = np.sqrt(float(score @ score) * own.size / (own.size - 1)) / information
    return float(max(from_noise, from_scatter))
