"""The curve of rise against power, and the power at which it reaches a rise.

``rise = b P + a P**q`` has no intercept: without power there is no rise. The
first term is what conducts (interface, spreader, forced air), the second what
a passive sink does, whose film coefficient grows as the quarter power of its
own temperature difference (laminar natural convection, heat-transfer texts), so
that q = 0.8. Forced air is contained with a = 0.
"""

import math
from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike

from thermlab.stats.dunnett import t_point
from thermlab.stats.least_squares import Floats, LinearFit, crossing, fit_linear

Interval = tuple[float, float]

EXPONENT = 0.8
_MOST_STEPS = 8
_NO_SCATTER = 1e-11


@dataclass(frozen=True, slots=True, kw_only=True)
class RiseCurve:
    """A fitted rise curve ``b P + a P**exponent``.

    Attributes
    ----------
    b_K_per_W : float
        Coefficient of the power itself, K/W.
    a : float
        Coefficient of the power term, K/W**exponent.
    exponent : float
        Exponent of the second term.
    lowest_W, highest_W : float
        Range of powers the curve was fitted on, W.
    """

    b_K_per_W: float
    a: float
    exponent: float = EXPONENT
    lowest_W: float
    highest_W: float

    def rise_K(self, power_W: float) -> float:
        """Return the rise at a power, K."""
        return float(self.b_K_per_W * power_W + self.a * power_W**self.exponent)

    def slope_K_per_W(self, power_W: float) -> float:
        """Return the slope of the curve at a power > 0, K/W."""
        return float(self.b_K_per_W + self.a * self.exponent * power_W ** (self.exponent - 1.0))

    def power_W(self, rise_K: float) -> float | None:
        """Return the power at which the curve reaches a rise, W.

        Parameters
        ----------
        rise_K : float
            Rise to be reached, K.

        Returns
        -------
        float or None
            None where the curve is flat or falling at the end of its ladder or
            at the answer, or never gets there: such a curve has no answer.
        """
        if not rise_K > 0.0 or self.slope_K_per_W(self.highest_W) <= 0.0:
            return None
        near, rising = self.highest_W, self.rise_K(self.highest_W) < rise_K
        for _ in range(_MOST_STEPS):
            # Step outwards from the top of the ladder, so that the branch that was measured is the one solved.
            far = min(2.0 * near, self._summit_W()) if rising else 0.5 * near
            if (self.rise_K(far) >= rise_K) if rising else (self.rise_K(far) <= rise_K):
                root = crossing(lambda p: self.rise_K(p) - rise_K, min(near, far), max(near, far))
                return root if self.slope_K_per_W(root) > 0.0 else None
            near = far
        return None

    def _summit_W(self) -> float:
        """Power at which the curve stops rising, infinite where it never does."""
        if self.b_K_per_W < 0.0 < self.a:
            return float((self.a * self.exponent / -self.b_K_per_W) ** (1.0 / (1.0 - self.exponent)))
        return math.inf


def curve_design(powers_W: Floats, exponent: float = EXPONENT) -> Floats:
    """Design matrix of the rise curve.

    Parameters
    ----------
    powers_W : ndarray, shape (n,)
        Powers, W.
    exponent : float
        Exponent of the second term.

    Returns
    -------
    ndarray, shape (n, 2)
        Columns ``P`` and ``P**exponent``.
    """
    return np.column_stack([powers_W, powers_W**exponent])


def fit_curve(powers_W: ArrayLike, rises_K: ArrayLike, *, exponent: float = EXPONENT) -> RiseCurve:
    """Fit ``rise = b P + a P**exponent`` by least squares.

    Parameters
    ----------
    powers_W, rises_K : array_like, shape (n,)
        At least two distinct powers, W, and the rises there, K.
    exponent : float
        Exponent of the second term.

    Returns
    -------
    RiseCurve

    Raises
    ------
    NotEstimableError
        With fewer than two distinct powers.
    """
    powers = np.asarray(powers_W, dtype=np.float64)
    fit = fit_linear(curve_design(powers, exponent), np.asarray(rises_K, dtype=np.float64))
    b, a = (float(c) for c in fit.coefficients)
    return RiseCurve(b_K_per_W=b, a=a, exponent=exponent, lowest_W=float(powers.min()), highest_W=float(powers.max()))


def predict_inverse(
    fit: LinearFit, basis: Callable[[float], Floats], value: float, search: Interval, *, confidence_level: float = 0.95
) -> Interval | None:
    """Return the abscissae at which a fitted curve may reach a value that is given without error, as a limit is.

    Parameters
    ----------
    fit : LinearFit
        The fit to be inverted.
    basis : callable
        Abscissa -> row of the design matrix, shape (p,).
    value : float
        Value that the curve reaches.
    search : tuple of float
        Range of abscissae within which the curve crosses the value once.
    confidence_level : float
        Level of the interval.

    Returns
    -------
    tuple of float or None
        All abscissae whose confidence band holds the value (Fieller's interval for a straight line); None where it is
        unbounded or leaves the search range, without residual degrees of freedom or scatter, and where the curve does
        not cross the value within ``search``.

    Notes
    -----
    Fieller 1954, J. R. Stat. Soc. B 16:175; Graybill & Iyer 1994, Regression
    Analysis, ch. 6 (regulation and calibration).
    """
    low, high = search
    sd = fit.residual_sd

    def excess(x: float) -> float:
        return float(basis(x) @ fit.coefficients) - value

    ends = excess(low), excess(high)
    if sd is None or ends[0] * ends[1] > 0.0 or not sd > _NO_SCATTER * max(abs(value), *map(abs, ends)):
        return None
    t = t_point(0.5 + confidence_level / 2.0, fit.dof)

    def outside(x: float) -> float:
        row = basis(x)
        return abs(excess(x)) - t * sd * math.sqrt(float(row @ fit.unscaled_covariance @ row))

    if outside(low) <= 0.0 or outside(high) <= 0.0:
        return None
    estimate = crossing(excess, low, high)
    return crossing(outside, low, estimate), crossing(outside, estimate, high)
