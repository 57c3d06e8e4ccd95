"""Integration over the sampling distribution of a standard deviation.

Power of a t test, Dunnett's distribution and the power of an equivalence test
are all an integral of a smooth function of ``s / sigma``, where ``nu s**2 /
sigma**2`` is chi-square with ``nu`` degrees of freedom. Written in ``ln(s /
sigma)`` the integrand is analytic and dies away at both ends, so that the plain
trapezoidal rule converges exponentially (Trefethen & Weideman 2014, SIAM Review
56:385, from memory) and gives the same digits on every machine and every call.
"""

from __future__ import annotations

import math
from functools import lru_cache
from typing import TYPE_CHECKING

import numpy as np
from scipy.special import gammainccinv, gammaincinv, gammaln

if TYPE_CHECKING:
    from numpy.typing import NDArray

_TAIL = 1e-15
_WIDEST_STEP = 0.1
_FEWEST_NODES = 97


def log_chi_density(x: NDArray[np.float64], dof: float) -> NDArray[np.float64]:
    """Density of ``x = ln(s / sigma)`` with ``dof`` degrees of freedom.

    Parameters
    ----------
    x : ndarray, shape (n,)
        Logarithm of the ratio of the estimated to the true standard deviation.
    dof : float
        Degrees of freedom, > 0; need not be whole.

    Returns
    -------
    ndarray, shape (n,)
    """
    half = dof / 2.0
    constant = math.log(2.0) + half * math.log(half) - float(gammaln(half))
    density: NDArray[np.float64] = np.exp(constant + dof * x - half * np.exp(2.0 * x))
    return density


def log_chi_range(dof: float) -> tuple[float, float]:
    """Return the range of ``ln(s / sigma)`` outside which nothing is left.

    Parameters
    ----------
    dof : float
        Degrees of freedom, > 0.

    Returns
    -------
    (low, high) : tuple of float
    """
    half = dof / 2.0
    low = float(gammaincinv(half, _TAIL)) / half
    high = float(gammainccinv(half, _TAIL)) / half
    # Below exp(-80) no integrand of this kit differs from its value at zero.
    return max(0.5 * math.log(low) if low > 0.0 else -80.0, -80.0), 0.5 * math.log(high)


@lru_cache(maxsize=512)
def chi_rule(dof: float, *, steepness: float = 0.0) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Nodes and weights for the mean of a smooth function of ``s / sigma``.

    Parameters
    ----------
    dof : float
        Degrees of freedom, > 0; ``math.inf`` for a known standard deviation.
    steepness : float
        How many standard normal widths the function crosses while s doubles or halves, about: the noncentrality.

    Returns
    -------
    nodes, weights : ndarray, shape (n,)
        Read-only. ``weights @ f(nodes)`` is the mean of ``f(s / sigma)``.

    Raises
    ------
    ValueError
        When ``dof`` is not greater than 0.
    """
    if not dof > 0.0:
        raise ValueError(f"degrees of freedom: found {dof}; allowed: greater than 0")
    if math.isinf(dof) or dof > 1e9:
        nodes, weights = np.ones(1), np.ones(1)
    else:
        low, high = log_chi_range(dof)
        # A normal integral of width w in ln(s) is exact to 1e-10 with steps of 0.9 w.
        widest = min(_WIDEST_STEP, 0.8 / (2.0 + abs(steepness)))
        count = max(_FEWEST_NODES, math.ceil((high - low) / widest))
        x = np.linspace(low, high, count)
        nodes = np.exp(x)
        weights = log_chi_density(x, dof) * (x[1] - x[0])
        # The constant of the density loses digits when dof is large; the mass is known to be 1.
        if dof > 4.0:
            weights = weights / weights.sum()
    nodes.flags.writeable = weights.flags.writeable = False
    return nodes, weights
