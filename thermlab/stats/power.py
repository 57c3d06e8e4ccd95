"""How many mounts a comparison needs, and what it can then show.

Power is found by integrating over the sampling distribution of the standard
deviation, never from the noncentral t function itself, which loses its digits
far from zero. All functions count mounts per treatment, equal in all
treatments: runs at several power steps of one mount are one mount.
"""

import math
from collections.abc import Callable
from functools import lru_cache
from typing import TypedDict, Unpack

import numpy as np
from scipy.special import gammaincinv, ndtr

from thermlab.stats.dunnett import chi_rule, dunnett_critical, log_chi_density, log_chi_range, t_point


class _Design(TypedDict, total=False):
    """What a test of mounts takes beside difference, scatter and counts, as :func:`t_test_power` explains it."""

    alpha: float
    n_treatments: int
    n_candidates: int
    prior_dof: float


# Mounts of each treatment beyond which no plan goes.
MOST = 10_000
ALPHA = 0.05
_TOST_NODES, _TOST_WEIGHTS = np.polynomial.legendre.leggauss(160)


def noncentral_t_power(noncentrality: float, critical_value: float, dof: float) -> float:
    """Probability that a t statistic passes its critical value on either side.

    Parameters
    ----------
    noncentrality : float
        True difference over its true standard error.
    critical_value : float
        Point that |t| has to pass.
    dof : float
        Degrees of freedom, > 0; need not be whole.

    Returns
    -------
    float
        Between 0 and 1, never NaN.

    Raises
    ------
    ValueError
        When ``dof`` is not greater than 0.
    """
    # In classes of ten, so that a planner's many calls share their nodes.
    s, weights = chi_rule(float(dof), steepness=10.0 * math.ceil(abs(noncentrality) / 10.0))
    passed = ndtr(noncentrality - critical_value * s) + ndtr(-noncentrality - critical_value * s)
    return min(1.0, max(0.0, float(weights @ passed)))


@lru_cache(maxsize=4096)
def t_test_power(difference_K: float, sd_K: float, n_mounts: float, **design: Unpack[_Design]) -> float:
    """Power to show a true difference of one candidate from the baseline.

    Parameters
    ----------
    difference_K : float
        True difference, K.
    sd_K : float
        True standard deviation between mounts, run noise included, K.
    n_mounts : float
        Mounts of each treatment.
    alpha : float, optional
        One minus the (simultaneous) confidence level; 0.05.
    n_treatments : int, optional
        Treatments that share the standard deviation; 2.
    n_candidates : int, optional
        Candidates compared with the baseline; more than one takes Dunnett's point; 1.
    prior_dof : float, optional
        Degrees of freedom a prior adds (already halved); 0.

    Returns
    -------
    float
        Probability that the two-sided interval excludes zero.

    Raises
    ------
    ValueError
        When ``sd_K`` is not above 0 or no degrees of freedom are left.
    """
    _require_sd(sd_K)
    dof = _dof(n_mounts, design)
    # With equal counts only their ratio enters, so any whole number does for the counts.
    critical = dunnett_critical(design.get("alpha", ALPHA), [1] * design.get("n_candidates", 1), 1, dof)
    return noncentral_t_power(abs(difference_K) / (sd_K * math.sqrt(2.0 / n_mounts)), critical, dof)


def _dof(n_mounts: float, design: _Design) -> float:
    return design.get("n_treatments", 2) * (n_mounts - 1.0) + design.get("prior_dof", 0.0)


def mounts_needed(difference_K: float, sd_K: float, *, power: float = 0.80, **design: Unpack[_Design]) -> int | None:
    """Smallest number of mounts of each treatment that shows a difference.

    Parameters
    ----------
    difference_K : float
        Difference to be shown, K; not 0.
    sd_K : float
        Standard deviation between mounts, run noise included, K.
    power : float
        Wanted probability of showing it.
    **design
        ``alpha``, ``n_treatments``, ``n_candidates`` and ``prior_dof``, as for :func:`t_test_power`.

    Returns
    -------
    int or None
        None where more than 10 000 would be needed.

    Raises
    ------
    ValueError
        When ``sd_K`` is not above 0.
    """
    return smallest(lambda n: t_test_power(difference_K, sd_K, n, **design) >= power, _fewest(design), MOST)


def _fewest(design: _Design) -> int:
    """One mount of each is enough where a prior says how mounts scatter."""
    return 1 if design.get("prior_dof", 0.0) > 0.0 else 2


def tost_power(difference: float, margin: float, standard_error: float, dof: float, *, alpha: float = ALPHA) -> float:
    """Power of two one-sided t tests for equivalence.

    Parameters
    ----------
    difference : float
        True difference.
    margin : float
        Equivalence margin, > 0: the limits lie so far to either side of zero.
    standard_error : float
        True standard error of the difference, > 0.
    dof : float
        Degrees of freedom, > 0.
    alpha : float
        Level of each one-sided test.

    Returns
    -------
    float
        Probability that both tests reject.

    Raises
    ------
    ValueError
        When ``standard_error`` is not above 0, ``dof`` not above 0 or the margin not above 0.
    """
    _require_sd(standard_error)
    if not dof > 0.0 or not margin > 0.0:
        raise ValueError(f"found dof {dof} and margin {margin}; allowed: both above 0")
    t = t_point(1.0 - alpha, dof)
    # Beyond this s the two rejection regions no longer overlap: the integrand has a corner there.
    largest = margin / (t * standard_error)
    low, high = log_chi_range(dof)
    high = min(high, math.log(largest))
    if high <= low:
        return 0.0
    x = low + 0.5 * (high - low) * (_TOST_NODES + 1.0)
    room = t * standard_error * np.exp(x)
    chance = ndtr((margin - room - difference) / standard_error) - ndtr((room - margin - difference) / standard_error)
    total = float((_TOST_WEIGHTS * log_chi_density(x, dof)) @ chance) * 0.5 * (high - low)
    return min(1.0, max(0.0, total))


@lru_cache(maxsize=4096)
def equivalence_power(
    margin_K: float, sd_K: float, n_mounts: int, *, difference_K: float = 0.0, **design: Unpack[_Design]
) -> float:
    """Power to show that a candidate and the baseline differ by less than a margin.

    Parameters
    ----------
    margin_K : float
        Equivalence margin, K.
    sd_K : float
        True standard deviation between mounts, K.
    n_mounts : int
        Mounts of each treatment.
    difference_K : float
        True difference, K.
    **design
        ``alpha`` (level of each one-sided test), ``n_treatments`` and ``prior_dof``, as for :func:`t_test_power`.

    Returns
    -------
    float

    Raises
    ------
    ValueError
        When ``sd_K`` is not above 0 or no degrees of freedom are left.
    """
    error_K, alpha = sd_K * math.sqrt(2.0 / n_mounts), design.get("alpha", ALPHA)
    return tost_power(difference_K, margin_K, error_K, _dof(n_mounts, design), alpha=alpha)


def equivalence_mounts_needed(
    margin_K: float, sd_K: float, *, difference_K: float = 0.0, power: float = 0.80, **design: Unpack[_Design]
) -> int | None:
    """Smallest number of mounts of each treatment that shows equivalence.

    Parameters
    ----------
    margin_K, sd_K, difference_K
        As for :func:`equivalence_power`.
    power : float
        Wanted probability of showing it.
    **design
        ``alpha``, ``n_treatments`` and ``prior_dof``, as for :func:`equivalence_power`.

    Returns
    -------
    int or None
        None where more than 10 000 would be needed, as when the true difference is at the margin.
    """

    def reached(n: int) -> bool:
        return equivalence_power(margin_K, sd_K, n, difference_K=difference_K, **design) >= power

    return smallest(reached, _fewest(design), MOST)


def sd_upper_limit(sd: float, dof: float, confidence: float = 0.80) -> float:
    """One-sided upper confidence limit of a standard deviation.

    Parameters
    ----------
    sd : float
        Estimate.
    dof : float
        Its degrees of freedom, > 0.
    confidence : float
        Confidence that the true value lies below the limit.

    Returns
    -------
    float
        ``sd * sqrt(dof / chi2_{1 - confidence, dof})``.

    Raises
    ------
    ValueError
        When ``dof`` is not greater than 0.
    """
    if not dof > 0.0:
        raise ValueError(f"degrees of freedom: found {dof}; allowed: greater than 0")
    chi2 = 2.0 * float(gammaincinv(dof / 2.0, 1.0 - confidence))
    return sd * math.sqrt(dof / chi2)


def smallest(reached: Callable[[int], bool], fewest: int, most: int) -> int | None:
    """Find the first n for which ``reached`` holds, given that it holds from there on.

    Parameters
    ----------
    reached : callable
        Of n.
    fewest, most : int
        First n that is tried, and where to give up.

    Returns
    -------
    int or None
        None where it does not hold at ``most``.
    """
    low, high = fewest - 1, fewest
    while not reached(high):
        if high >= most:
            return None
        low, high = high, min(2 * high - fewest + 1, most)  # first the next ones: the answer is often near
    while high - low > 1:
        middle = (low + high) // 2
        low, high = (low, middle) if reached(middle) else (middle, high)
    return high


def _require_sd(sd: float) -> None:
    if not sd > 0.0:
        raise ValueError(f"standard deviation: found {sd}; allowed: greater than 0")
