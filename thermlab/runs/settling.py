"""Settled or not, and how well a level is known: the arithmetic on one approach."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt
from scipy.special import stdtrit

from thermlab.runs.time_constant import decay, fit_exponential

Array = npt.NDArray[np.float64]

# The level comes from the last two time constants of a naturally convecting
# bench: shorter is noise, longer brings back the error of the shape. With forced
# air the shape is exact and all of the slow approach serves. Either way a
# window of 15 min is long enough once it has settled.
LEVEL_TIME_CONSTANTS = {"passive": 2.0, "forced": 6.0}
SETTLED_TIME_CONSTANTS = 3.0
LONGEST_LEVEL_S = 900.0
SETTLED_WINDOW_TIME_CONSTANTS = 1.25
SETTLED_CONFIDENCE = 0.95
SETTLED_BLOCKS = 20


def level_window(soak_s: float, time_constant_s: float | None, *, cooling: str, slow_from_s: float = 0.0) -> float:
    """Tell where the window of the settled rise begins, seconds since the soak began.

    Parameters
    ----------
    soak_s : float
        Length of the soak, s.
    time_constant_s : float or None
        Of this run; None takes the last half of the soak, at most 15 min.
    cooling : {"passive", "forced"}
        Decides how far back the shape can be relied on.
    slow_from_s : float
        Where the slow approach begins, s.

    Returns
    -------
    float
    """
    if time_constant_s is None:
        return soak_s - min(LONGEST_LEVEL_S, 0.5 * soak_s)
    back = soak_s - LEVEL_TIME_CONSTANTS[cooling] * time_constant_s
    settled = max(SETTLED_TIME_CONSTANTS * time_constant_s, soak_s - LONGEST_LEVEL_S)
    return min(max(slow_from_s, min(back, settled)), 0.8 * soak_s)


def still_left(time_s: Array, rise: Array, tau: float, longest_s: float) -> tuple[float, float]:
    """Remaining rise from the slope over the last window, with its one-sided 95 % allowance."""
    window = min(longest_s, SETTLED_WINDOW_TIME_CONSTANTS * tau, float(time_s[-1] - time_s[0]))
    inside = time_s >= time_s[-1] - window
    slope, u_slope, dof = _slope(time_s[inside], rise[inside])
    carry = tau * float(np.exp(-window / (2.0 * tau)))
    return carry * slope, float(stdtrit(dof, SETTLED_CONFIDENCE)) * carry * u_slope


def _slope(t: Array, y: Array) -> tuple[float, float, float]:
    """Slope over 20 block means, its standard error inflated for their lag-one correlation."""
    n = min(SETTLED_BLOCKS, t.size)
    groups = np.array_split(np.arange(t.size), n)
    x = np.array([t[g].mean() for g in groups])
    v = np.array([y[g].mean() for g in groups])
    dx = x - x.mean()
    slope = float(dx @ v / (dx @ dx))
    residual = v - v.mean() - slope * dx
    dof = max(1.0, n - 2.0)
    total = float(residual @ residual)
    r1 = float(residual[1:] @ residual[:-1]) / total if total > 0 else 0.0
    r1 = min(max(r1, 0.0), 0.9)
    return slope, float(np.sqrt(total / dof / (dx @ dx) * (1 + r1) / (1 - r1))), dof


def steady_mean(t: Array, y: Array, limit_K: float) -> tuple[float | None, float | None, float, float, bool]:
    """Mean of a run without a time constant, if its change over the window is within the limit."""
    slope, u_slope, dof = _slope(t, y)
    span = float(t[-1] - t[0])
    change, bound = slope * span, float(stdtrit(dof, SETTLED_CONFIDENCE)) * u_slope * span
    if abs(change) + bound > limit_K:
        return None, None, change, bound, False
    means = np.array([part.mean() for part in np.array_split(y, 5)])
    return float(y.mean()), float(means.std(ddof=1) / np.sqrt(5.0)), change, bound, True


def level_uncertainty(t: Array, y: Array, tau: float, u_tau: float, end: float) -> float:
    """Type A: scatter about the fit, inflated for its correlation, with that of the time constant."""
    shape = decay(t, tau, end_s=end)
    level, left, residual_sum = fit_exponential(t, y, tau, end_s=end)
    residual = y - level - left * shape
    r1 = float(residual[1:] @ residual[:-1]) / residual_sum if residual_sum > 0 else 0.0
    variance = _long_run_variance(residual_sum, r1, t.size)
    centred = shape - shape.mean()
    spread = float(centred @ centred)
    of_level = variance * (1.0 / t.size + (float(shape.mean()) ** 2 / spread if spread > 0 else 0.0))
    moved = fit_exponential(t, y, 1.02 * tau, end_s=end)[0]
    per_tau = (moved - level) / (0.02 * tau)
    return float(np.sqrt(of_level + (per_tau * u_tau) ** 2))


def time_constant_leverage(window_time_constants: float) -> float:
    """Tell how far a wrong time constant moves a level, as a multiple of what was left times its relative error.

    Parameters
    ----------
    window_time_constants : float
        Length of the fit window in time constants, above 0.

    Returns
    -------
    float
        To first order; 2.4 for a window of 1.6 time constants, 3.0 for 2.
    """
    t = np.linspace(-window_time_constants, 0.0, 201)
    design = np.column_stack([np.ones_like(t), np.exp(-t)])
    return float(np.linalg.lstsq(design, t * np.exp(-t), rcond=None)[0][0])


def _long_run_variance(residual_sum: float, r1: float, n: int) -> float:
    """Variance that independent values would need for a mean as uncertain, from the residuals of a two-parameter fit.

    A fit takes part of the correlation with it: the lag-one correlation of residuals about a level and a slope is low
    by (2 + 4 r)/n (Marriott and Pope 1954, Biometrika 41, 390, for a trend; from memory), and so is the sum of squares,
    by as many values as each parameter is worth.
    """
    correlation = min(max((n * r1 + 2.0) / max(1.0, n - 4.0), 0.0), 0.95)
    inflation = (1.0 + correlation) / (1.0 - correlation)
    return residual_sum / max(1.0, n / 3.0, n - 2.0 * inflation) * inflation
