"""How fast the bench settles: one time constant for all its runs.

After a step in power the rise tends to its settled value as a slow exponential,
once the fast parts (die, spreader) have followed. The slow time constant
belongs to the bench, not to the run: it is estimated from all runs together,
because a time constant fitted to one run trades off against its settled rise.

At power P the time constant is ``tau (P / P_max) ** (n - 1)``, with n = 0.8
for natural convection (the film coefficient grows as the fourth root of the
temperature difference) and n = 1 for forced air.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
import numpy.typing as npt

if TYPE_CHECKING:
    from collections.abc import Sequence

Array = npt.NDArray[np.float64]

CONVECTION_EXPONENT = {"passive": -0.2, "forced": 0.0}
# The slow approach is fitted from this fraction of its time constant on, when the
# fast parts (die, spreader) have followed. Earlier is less noise in the time
# constant, later less of the fast parts; with fans they take a larger share.
SLOW_FROM = {"passive": 0.2, "forced": 0.3}
# Beyond this relative standard uncertainty no time constant is claimed.
LARGEST_RELATIVE_U = 0.25
# Fits that begin later have to agree where they can be made: on a soak too short to
# show the slow approach the time constant grows with the beginning of the fit.
LATER_STARTS = (0.6, 0.9)
LARGEST_GROWTH = 0.2
GROWTH_RATIO = 2.0
# One or two runs alone cannot tell a fast bench from the beginning of a slow one.
SHOWN_BY_SOAK, SHOWN_BY_ONE_SOAK, FEW_RUNS = 1.4, 4.0, 3
COARSE_GRID = 25
FINE_GRID = 9
OUTLYING = 4.0
# A naturally convecting sink follows C d(theta)/dt = P - k theta ** 1.25, so that its
# deviation v from the settled state, as a fraction of it, obeys to second order
# dv/dt = -(v / tau) (1 - v (1.25 - 1) / 2): far from settled it is slower.
CURVATURE = {"passive": 0.125, "forced": 0.0}
# Share of the settled rise that is the sink's, not the interface's (common practice, no source).
SINK_SHARE = 0.8


@dataclass(frozen=True, slots=True)
class Approach:
    """Block means of one run on its way to the settled rise.

    Attributes
    ----------
    time_s : ndarray, shape (b,)
        Seconds since the soak began.
    rise_K : ndarray, shape (b,)
        Rise over the room, K; no NaN.
    scale : float
        Time constant of this run over that of the bench, ``(P / P_max) ** (n - 1)``.
    curvature : float
        See :func:`straighten`; 0 for a linear heat sink.
    """

    time_s: Array
    rise_K: Array
    scale: float
    curvature: float = 0.0

    @property
    def end_s(self) -> float:
        """Last block, s."""
        return float(self.time_s[-1])


@dataclass(frozen=True, slots=True, kw_only=True)
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
    left_out : tuple of int
        Runs, by position, whose own time constant disagrees; they are not in it.
    """

    time_constant_s: float
    u_time_constant_s: float
    fit_from_s: float
    left_out: tuple[int, ...]


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
    time_s, rise_K : ndarray, shape (n,)
        Times and rises, K, all within the slow approach.
    time_constant_s : float
        Small-signal time constant at the settled state, s.
    end_s : float
        Reference instant, s.
    curvature : float
        0.125 for natural convection, 0 for a linear sink.

    Returns
    -------
    ndarray, shape (n,)
        Rises that follow a plain exponential.
    """
    if curvature == 0.0:
        return rise_K
    straight = rise_K
    shape = decay(time_s, time_constant_s, end_s=end_s)
    for _ in range(2):
        level, left, _ = fit_exponential(time_s, straight, time_constant_s, end_s=end_s)
        sink = SINK_SHARE * level
        if sink <= 0:
            return rise_K
        part = np.clip(-left * shape / sink, -1.0, 1.0)
        straight = rise_K - sink * curvature * part**2
    return straight


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
    shape = decay(time_s, time_constant_s, end_s=end_s)
    s_mean, y_mean = shape.mean(), y.mean()
    s, r = shape - s_mean, y - y_mean
    ss = float(s @ s)
    left = float(s @ r) / ss if ss > 1e-300 else 0.0
    residual = r - left * s
    return float(y_mean - left * s_mean), left, float(residual @ residual)


def estimate_time_constant(
    runs: Sequence[Approach], *, slow_from: float, guess_s: float | None = None
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
        Where the slow approach begins, in time constants; see :data:`SLOW_FROM`.
    guess_s : float, optional
        A value known to be near, s.

    Returns
    -------
    BenchTimeConstant or None
        None where the data do not determine one: relative standard uncertainty above 0.25, or
        a value that grows when the fit begins later, as on a soak too short to show the slow approach.
    """
    found = _estimate(runs, slow_from=slow_from, guess_s=guess_s)
    if found is None:
        return None
    longest = max(run.end_s / run.scale for run in runs)
    needed = SHOWN_BY_SOAK if len(runs) >= FEW_RUNS else SHOWN_BY_ONE_SOAK
    if longest < needed * found.time_constant_s:
        return None
    for start in LATER_STARTS:
        later = _estimate(runs, slow_from=start, guess_s=found.time_constant_s)
        if later is None:
            continue
        u_growth = np.hypot(found.u_time_constant_s, later.u_time_constant_s)
        growth = later.time_constant_s - found.time_constant_s
        if growth > max(LARGEST_GROWTH * found.time_constant_s, GROWTH_RATIO * u_growth):
            return None
    return found


def _estimate(runs: Sequence[Approach], *, slow_from: float, guess_s: float | None) -> BenchTimeConstant | None:
    members = [i for i, run in enumerate(runs) if run.time_s.size >= 12]
    tau = guess_s if guess_s is not None else _first_guess([runs[i] for i in members])
    if tau is None:
        return None
    width = np.log(5.0) if guess_s is None else np.log(1.4)
    left_out: tuple[int, ...] = ()
    profiles: list[_Profile] = []
    for _ in range(8):
        kept = [i for i in members if i not in left_out]
        profiles = [p for p in (_profile(runs[i], i, tau, slow_from) for i in kept) if p is not None]
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
    own, curvature = _own_optima(profiles, tau)
    u_tau = tau * _sandwich(own, curvature)
    if not u_tau < LARGEST_RELATIVE_U * tau:
        return None
    return BenchTimeConstant(
        time_constant_s=tau,
        u_time_constant_s=u_tau,
        fit_from_s=slow_from * tau,
        left_out=left_out,
    )


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


@dataclass(frozen=True, slots=True)
class _Profile:
    """One run within its fit window, on the bench's time scale, with the weight of its values."""

    index: int
    time_s: Array
    centred_K: Array
    independent: float


def _profile(run: Approach, index: int, tau: float, slow_from: float) -> _Profile | None:
    own = tau * run.scale
    inside = run.time_s >= slow_from * own
    if inside.sum() < 8:
        return None
    t, y = run.time_s[inside], run.rise_K[inside]
    y = straighten(t, y, own, end_s=float(t[-1]), curvature=run.curvature)
    level, left, total = fit_exponential(t, y, own, end_s=float(t[-1]))
    residual = y - level - left * decay(t, own, end_s=float(t[-1]))
    # Neighbouring blocks are alike: an AR(1) series of correlation r holds
    # n (1 - r) / (1 + r) independent values.
    r1 = float(residual[1:] @ residual[:-1]) / total if total > 0 else 0.0
    r1 = min(max(r1, 0.3), 0.9)
    return _Profile(index, t / run.scale, y - y.mean(), t.size * (1 - r1) / (1 + r1))


def _costs(profile: _Profile, taus: Array) -> Array:
    """Negative profile log-likelihood of one run, shape (n_taus,): level, step and noise eliminated."""
    t, y = profile.time_s, profile.centred_K
    shape = np.exp(np.minimum(-(t[None, :] - t[-1]) / taus[:, None], 60.0))
    shape -= shape.mean(axis=1, keepdims=True)
    spread = np.maximum(np.einsum("gt,gt->g", shape, shape), 1e-300)
    residual = y @ y - (shape @ y) ** 2 / spread
    cost: Array = 0.5 * profile.independent * np.log(np.maximum(residual, 1e-9 * t.size))
    return cost


def _minimise(profiles: Sequence[_Profile], guess: float, width: float) -> tuple[float, bool]:
    """Minimise the summed cost over log tau around a guess; tell whether it lies inside the range."""
    centre, inside = np.log(guess), True
    coarse = COARSE_GRID if width > 1.0 else FINE_GRID
    for points, reach in ((coarse, width), (FINE_GRID, 4.0 * width / coarse)):
        grid = np.linspace(centre - reach, centre + reach, points)
        total = sum((_costs(p, np.exp(grid)) for p in profiles), np.zeros(points))
        best = int(np.argmin(total))
        if best in (0, points - 1):
            inside = inside and reach != width
            centre = grid[best]
            continue
        below, here, above = total[best - 1 : best + 2]
        bend = below - 2 * here + above
        centre = grid[best] + (0.5 * (below - above) / bend * (grid[1] - grid[0]) if bend > 0 else 0.0)
    return float(np.exp(centre)), inside


def _own_optima(profiles: Sequence[_Profile], tau: float) -> tuple[Array, Array]:
    """Each run's own optimum of log tau relative to the common one, and the curvature of its cost."""
    steps = np.linspace(-0.8, 0.8, 17)
    h = float(steps[1] - steps[0])
    own, curvature = [], []
    for profile in profiles:
        cost = _costs(profile, tau * np.exp(steps))
        best = min(max(int(np.argmin(cost)), 1), steps.size - 2)
        bend = float(cost[best - 1] - 2 * cost[best] + cost[best + 1])
        shift = 0.5 * float(cost[best - 1] - cost[best + 1]) / bend if bend > 0 else 0.0
        own.append(float(steps[best]) + float(np.clip(shift, -1.0, 1.0)) * h)
        # The cost at the common value, not the bend at the own optimum, says how much the run knows.
        curvature.append(max(bend, 0.0) / h**2)
    return np.array(own), np.array(curvature)


def _disagreeing(profiles: Sequence[_Profile], tau: float) -> tuple[int, ...]:
    """Runs whose own time constant is far from the common one in the scatter of the others."""
    own, curvature = _own_optima(profiles, tau)
    deviation = np.abs(own) * np.sqrt(curvature)
    scale = max(1.4826 * float(np.median(deviation)), 1.0)
    found = tuple(
        p.index for p, d, o in zip(profiles, deviation, own, strict=True) if d > OUTLYING * scale and abs(o) > 0.1
    )
    return found if len(found) <= len(profiles) // 3 else ()


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
