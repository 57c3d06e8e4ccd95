"""The approach to a settled rise: a slow exponential, bent a little where the sink convects naturally.

Everything takes one run or, with one more dimension in front, several runs
whose block means stand at the same instants: what depends on the instants
alone is then computed once for all of them.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
import numpy.typing as npt

Array = npt.NDArray[np.float64]

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
    centred = Centred.of(shape)
    below = np.zeros(rise_K.shape[:-1], dtype=np.bool_)
    for _ in range(2):
        level, left, _ = centred.fit(straight)
        sink = SINK_SHARE * level
        below |= sink <= 0
        sink = np.where(below, 1.0, sink)
        part = np.clip((-left / sink)[..., None] * shape, -1.0, 1.0)
        straight = rise_K - (sink * curvature)[..., None] * part**2
    return np.where(below[..., None], rise_K, straight)


@dataclass(frozen=True, slots=True)
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

    mean: float
    values: Array
    square_sum: float

    @classmethod
    def of(cls, shape: Array) -> Centred:
        """Centre an exponential."""
        mean = float(np.add.reduce(shape) / shape.size)
        values = shape - mean
        return cls(mean, values, float(values @ values))

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
    level, left, residual = Centred.of(decay(time_s, time_constant_s, end_s=end_s)).fit(y)
    return float(level), float(left), float(residual @ residual)
