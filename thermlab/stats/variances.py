"""Variances of mounts: a prior from earlier campaigns, unequal scatter, drift with the order.

Sources: Cochran 1941, Ann. Eugenics 11:47; Welch 1947, Biometrika 34:28;
Satterthwaite 1946, Biometrics 2:110.
"""

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.special import fdtri

from thermlab.stats.least_squares import Floats


@dataclass(frozen=True, slots=True, kw_only=True)
class Prior:
    """Mount SD known from earlier campaigns on the same bench.

    Attributes
    ----------
    mount_sd_K_per_W : float
        Pooled mount SD without run noise, > 0, K/W.
    dof : float
        Full pooled degrees of freedom, > 0; halved once on use, because mount
        SDs differ between campaigns.
    source : str
        Where it comes from.
    """

    mount_sd_K_per_W: float
    dof: float
    source: str = ""

    @property
    def used_dof(self) -> float:
        """Degrees of freedom it counts for: half the pooled ones."""
        return self.dof / 2.0


def robust_sd(values: Floats, *, about: Floats | float | None = None) -> float:
    """Standard deviation of a normal sample of this median absolute deviation; NaN is passed over.

    Parameters
    ----------
    values : ndarray
        Values.
    about : ndarray or float, optional
        Where deviations are taken from; None is the median of the values.

    Returns
    -------
    float
    """
    # numpy's own median for NaN is many times slower.
    median = np.nanmedian if np.isnan(values).any() else np.median
    centre = median(values) if about is None else about
    return 1.4826 * float(median(np.abs(values - centre)))


def autocorrelation(residual: Floats, *, most: float) -> float:
    """Correlation of neighbouring residuals of a fit, from 0 to `most`; 0 where there are none."""
    squares = float(residual @ residual)
    return min(max(float(residual[1:] @ residual[:-1]) / squares, 0.0), most) if squares > 0 else 0.0


def order_can_be_fitted(group: NDArray[np.intp], order: Floats) -> bool:
    """Whether a linear drift with the order can be told from the treatments and leaves scatter to judge by."""
    counts = np.bincount(group)
    mean = np.bincount(group, weights=order) / np.maximum(counts, 1)
    spread = float(((order - mean[group]) ** 2).sum())
    return spread > 0.0 and int(group.size - np.count_nonzero(counts)) > 1


def cochran(sds: list[float], n_mounts: int, alpha: float = 0.05) -> tuple[float | None, float]:
    """Cochran's C for the largest of several variances, and its critical value.

    Parameters
    ----------
    sds : list of float
        Standard deviations of at least two treatments with equal counts.
    n_mounts : int
        Mounts of each treatment, at least 2.
    alpha : float
        Level of the test.

    Returns
    -------
    (c, critical) : tuple
        ``c`` is None where all variances are zero.
    """
    total = sum(sd * sd for sd in sds)
    c = max(sd * sd for sd in sds) / total if total > 0.0 else None
    return c, cochran_critical(len(sds), n_mounts, alpha)


def cochran_critical(n_treatments: int, n_mounts: int, alpha: float = 0.05) -> float:
    """Critical value of Cochran's C.

    Parameters
    ----------
    n_treatments : int
        Treatments, at least 2.
    n_mounts : int
        Mounts of each, at least 2.
    alpha : float
        Level of the test.

    Returns
    -------
    float
        ``1 / (1 + (T - 1) / F)`` with F the ``1 - alpha / T`` point of F(m - 1, (m - 1)(T - 1)).
    """
    f = float(fdtri(n_mounts - 1, (n_mounts - 1) * (n_treatments - 1), 1.0 - alpha / n_treatments))
    return 1.0 / (1.0 + (n_treatments - 1) / f)


def welch_error(squares_a: float, count_a: int, squares_b: float, count_b: int) -> tuple[float, float] | None:
    """Return the standard error of a difference of two means with unequal variances, and its degrees of freedom.

    Parameters
    ----------
    squares_a, squares_b : float
        Sums of squares about the means.
    count_a, count_b : int
        Numbers of mounts.

    Returns
    -------
    (standard_error, dof) : tuple of float or None
        None below two mounts of either or without any scatter.
    """
    if min(count_a, count_b) < 2:
        return None
    a = squares_a / (count_a - 1) / count_a
    b = squares_b / (count_b - 1) / count_b
    if not a + b > 0.0:
        return None
    dof = (a + b) ** 2 / (a * a / (count_a - 1) + b * b / (count_b - 1))
    return math.sqrt(a + b), dof
