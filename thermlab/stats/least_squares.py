"""Linear least squares, once, for every straight line and curve of the kit.

Columns are scaled to unit length before a QR factorisation, and the solution is
refined once with the residuals, so that badly scaled powers keep their digits.
"""

import math
from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]


class NotEstimableError(ValueError):
    """The data cannot tell the coefficients apart."""


@dataclass(frozen=True, slots=True)
class LinearFit:
    """Coefficients of a linear model with what is needed to judge them.

    Attributes
    ----------
    coefficients : ndarray, shape (p,)
        Least-squares estimates.
    unscaled_covariance : ndarray, shape (p, p)
        Their covariance for a residual standard deviation of 1.
    residuals : ndarray, shape (n,)
        Data minus fit.
    dof : int
        Residual degrees of freedom, n - p.
    """

    coefficients: Floats
    unscaled_covariance: Floats
    residuals: Floats
    dof: int

    @property
    def residual_sd(self) -> float | None:
        """Residual standard deviation, None without degrees of freedom."""
        return math.sqrt(float(self.residuals @ self.residuals) / self.dof) if self.dof > 0 else None

    @property
    def standard_errors(self) -> Floats | None:
        """Standard errors of the coefficients, shape (p,), None without degrees of freedom."""
        sd = self.residual_sd
        return None if sd is None else sd * np.sqrt(np.diag(self.unscaled_covariance))


def fit_linear(design: Floats, response: Floats) -> LinearFit:
    """Fit a linear model by ordinary least squares.

    Parameters
    ----------
    design : ndarray, shape (n, p)
        One column per coefficient.
    response : ndarray, shape (n,)
        Data.

    Returns
    -------
    LinearFit

    Raises
    ------
    NotEstimableError
        When there are fewer rows than columns or the columns depend on each other.
    """
    rows, columns = design.shape
    if rows < columns:
        raise NotEstimableError(f"{rows} values for {columns} coefficients")
    scale = np.sqrt((design * design).sum(axis=0))
    if not np.all(scale > 0.0):
        raise NotEstimableError("a column of the design is zero")
    scaled = design / scale
    q, r = np.linalg.qr(scaled)
    if np.abs(np.diag(r)).min() < 1e-11:
        raise NotEstimableError("columns of the design depend on each other")
    inverse = np.linalg.inv(r)
    solution = inverse @ (q.T @ response)
    solution += inverse @ (q.T @ (response - scaled @ solution))
    inverse /= scale[:, None]
    coefficients = solution / scale
    return LinearFit(coefficients, inverse @ inverse.T, response - design @ coefficients, rows - columns)


_MOST_HALVINGS = 100


def crossing(function: Callable[[float], float], low: float, high: float, *, tolerance: float = 1e-13) -> float:
    """Return where a function changes its sign.

    Importing ``scipy.optimize`` for this would cost a report 0.2 s of its 3.5 s (measured); the test holds it to that.

    Parameters
    ----------
    function : callable
        Continuous, with different signs at the ends.
    low, high : float
        Ends of the search.
    tolerance : float
        Of the answer, relative where it is above 1.

    Returns
    -------
    float

    Raises
    ------
    ValueError
        Both ends have the same sign.

    Notes
    -----
    Ridders 1979, IEEE Trans. Circuits Syst. 26:979 (from memory): the bracket at least halves with every step.
    """
    at_low, at_high = function(low), function(high)
    if at_low == 0.0 or at_high == 0.0:
        return low if at_low == 0.0 else high
    if at_low * at_high > 0.0:
        raise ValueError(f"no change of sign between {low} and {high}")
    found = high
    for _ in range(_MOST_HALVINGS):
        middle = 0.5 * (low + high)
        at_middle = function(middle)
        bend = math.sqrt(at_middle * at_middle - at_low * at_high)
        if bend == 0.0:
            return middle
        x = middle + (middle - low) * math.copysign(1.0, at_low - at_high) * at_middle / bend
        before, found, at_x = found, x, function(x)
        if at_x == 0.0 or abs(x - before) <= tolerance * max(1.0, abs(x)):
            break
        if at_middle * at_x < 0.0:
            low, at_low, high, at_high = middle, at_middle, x, at_x
        elif at_low * at_x < 0.0:
            high, at_high = x, at_x
        else:
            low, at_low = x, at_x
    return found
