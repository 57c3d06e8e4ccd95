"""Several candidates against one baseline: Dunnett's distribution.

``c`` is the two-sided point that holds every candidate-minus-baseline interval
at once. The correlation between two such differences is a product of two
loadings, so the probability is an integral over one common normal variable and
one over the standard deviation. Any mount counts and any degrees of freedom
work, whole or not, and the answer is the same on every call.

Dunnett's distribution and the power of every t test are means of a smooth
function of ``s / sigma``, where ``nu s**2 / sigma**2`` is chi-square with ``nu``
degrees of freedom. Written in ``ln(s / sigma)`` the integrand is analytic and
dies away at both ends, so that the plain trapezoidal rule converges
exponentially and one set of nodes serves many calls; an adaptive rule inside
another would take a thousand times as long.

Sources: trapezoidal rule: Trefethen & Weideman 2014, SIAM Review 56:385 (from
memory); Dunnett 1955, J. Am. Stat. Assoc. 50:1096; Dunnett 1964, Biometrics
20:482 (two-sided tables); step-down form: Dunnett & Tamhane 1991, Stat. Med.
10:939 (from memory).
"""

import math
from collections import Counter
from collections.abc import Sequence
from functools import lru_cache
from itertools import accumulate

import numpy as np
from scipy.special import gammainccinv, gammaincinv, gammaln, ndtr, ndtri, stdtr, stdtrit

from thermlab.stats.least_squares import Floats, crossing

_Z_LIMIT = 8.6
_Z_STEP = 0.2
_TAIL = 1e-15
_WIDEST_STEP = 0.1
_FEWEST_NODES = 97


def t_point(probability: float, dof: float) -> float:
    """Quantile of Student's t, also for an infinite number of degrees of freedom.

    Parameters
    ----------
    probability : float
        Between 0 and 1.
    dof : float
        Degrees of freedom, > 0; need not be whole.

    Returns
    -------
    float
    """
    return float(ndtri(probability)) if math.isinf(dof) else float(stdtrit(dof, probability))


def t_tail(t: float, dof: float) -> float:
    """Two-sided tail probability of Student's t.

    Parameters
    ----------
    t : float
        Value of the statistic; its sign does not matter.
    dof : float
        Degrees of freedom, > 0.

    Returns
    -------
    float
    """
    return 2.0 * (float(ndtr(-abs(t))) if math.isinf(dof) else float(stdtr(dof, -abs(t))))


def log_chi_density(x: Floats, dof: float) -> Floats:
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
    density: Floats = np.exp(constant + dof * x - half * np.exp(2.0 * x))
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
def chi_rule(dof: float, *, steepness: float = 0.0) -> tuple[Floats, Floats]:
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


def dunnett_probability(c: float, counts: Sequence[int], baseline_count: int, dof: float) -> float:
    """Probability that no candidate's |t| exceeds ``c`` when nothing differs.

    Parameters
    ----------
    c : float
        Two-sided point, >= 0.
    counts : sequence of int
        Mounts of each candidate.
    baseline_count : int
        Mounts of the baseline.
    dof : float
        Degrees of freedom of the common standard deviation, > 0.

    Returns
    -------
    float

    Raises
    ------
    ValueError
        Without candidates, with a count below 1 or ``dof`` not above 0.
    """
    _require_counts(counts, baseline_count)
    if c <= 0.0:
        return 0.0
    if len(counts) == 1:
        return 1.0 - t_tail(c, dof)
    groups = Counter(counts)
    loadings = {count: math.sqrt(count / (count + baseline_count)) for count in groups}
    # The steepest candidate sets the step: trapezoids need a few nodes across its rise.
    steepest = max(loading / math.sqrt(1.0 - loading * loading) for loading in loadings.values())
    step = _Z_STEP * min(1.0, 4.0 / steepest)
    # The integrand is even in z: half the nodes, the middle one counted half.
    z = np.arange(0.0, _Z_LIMIT, step)
    z_weights = np.exp(-0.5 * z * z)
    z_weights[0] *= 0.5
    z_weights /= z_weights.sum()
    s, s_weights = chi_rule(dof)
    limit = c * s[:, None]
    inside = np.ones((s.size, z.size))
    for count, times in groups.items():
        loading = loadings[count]
        rest = math.sqrt(1.0 - loading * loading)
        inside *= (ndtr((limit + loading * z) / rest) - ndtr((loading * z - limit) / rest)) ** times
    return min(1.0, float(s_weights @ (inside @ z_weights)))


def dunnett_critical(alpha: float, counts: Sequence[int], baseline_count: int, dof: float) -> float:
    """Two-sided point ``c(p, dof, mount counts)`` for simultaneous intervals.

    Parameters
    ----------
    alpha : float
        One minus the simultaneous confidence level.
    counts : sequence of int
        Mounts of each candidate; its length is the number of candidates.
    baseline_count : int
        Mounts of the baseline.
    dof : float
        Degrees of freedom of the common standard deviation, > 0.

    Returns
    -------
    float
        With one candidate Student's t.

    Raises
    ------
    ValueError
        Without candidates, with a count below 1, ``dof`` not above 0 or ``alpha`` not between 0 and 1.
    """
    _require_counts(counts, baseline_count)
    if not 0.0 < alpha < 1.0:
        raise ValueError(f"alpha: found {alpha}; allowed: between 0 and 1")
    if not dof > 0.0:
        raise ValueError(f"degrees of freedom: found {dof}; allowed: greater than 0")
    return _critical(float(alpha), tuple(sorted(counts)), int(baseline_count), float(dof))


@lru_cache(maxsize=4096)
def _critical(alpha: float, counts: tuple[int, ...], baseline_count: int, dof: float) -> float:
    one, wanted = t_point(1.0 - alpha / 2.0, dof), 1.0 - alpha
    if len(counts) == 1:
        return one
    # Unadjusted and Bonferroni points enclose the answer for any correlation of this form.
    most = t_point(1.0 - alpha / (2.0 * len(counts)), dof)
    return crossing(lambda c: dunnett_probability(c, counts, baseline_count, dof) - wanted, 0.999 * one, 1.001 * most)


def step_down_p_values(t: Sequence[float], counts: Sequence[int], baseline_count: int, dof: float) -> tuple[float, ...]:
    """Step-down Dunnett p values, in the order given.

    The largest |t| is judged against all candidates, the next against those
    left, and so on; a p value is never below that of a larger |t|.

    Parameters
    ----------
    t : sequence of float
        Difference over its standard error, one per candidate.
    counts : sequence of int
        Mounts of each candidate, same length.
    baseline_count : int
        Mounts of the baseline.
    dof : float
        Degrees of freedom of the common standard deviation, > 0.

    Returns
    -------
    tuple of float

    Raises
    ------
    ValueError
        Without candidates, with a count below 1 or ``dof`` not above 0.
    """
    _require_counts(counts, baseline_count)
    order = sorted(range(len(t)), key=lambda i: -abs(t[i]))
    each = [t_tail(t[order[-1]], dof)]
    for place in range(len(order) - 2, -1, -1):
        left = [counts[i] for i in order[place:]]
        each.append(1.0 - dunnett_probability(abs(t[order[place]]), left, baseline_count, dof))
    return _never_falling(order, each[::-1])


def holm_p_values(p_values: Sequence[float]) -> tuple[float, ...]:
    """Holm's step-down adjustment, in the order given.

    Parameters
    ----------
    p_values : sequence of float
        Unadjusted p values.

    Returns
    -------
    tuple of float

    Notes
    -----
    Holm 1979, Scand. J. Stat. 6:65.
    """
    order = sorted(range(len(p_values)), key=lambda i: p_values[i])
    return _never_falling(order, [(len(order) - place) * p_values[i] for place, i in enumerate(order)])


def _never_falling(order: Sequence[int], p_values: Sequence[float]) -> tuple[float, ...]:
    """Put p values given from the clearest claim on back in place, none below one before it."""
    placed = dict(zip(order, accumulate(p_values, max), strict=True))
    return tuple(min(1.0, max(0.0, placed[i])) for i in range(len(order)))


def _require_counts(counts: Sequence[int], baseline_count: int) -> None:
    if not counts or min(*counts, baseline_count) < 1:
        raise ValueError(f"mount counts: found {list(counts)} against {baseline_count}; allowed: 1 or more of each")
