"""Several values of one thing: what they say on the whole, and whether it stays what it was.

Whether several lots differ (random effects): the estimates are taken to scatter about a
common mean with a standard deviation beyond their own uncertainty, of which DerSimonian
and Laird's is the moment estimate.

A few campaigns on one bench (:func:`combine_campaigns`) are another matter: their
uncertainties rest on one pooled mount SD with its degrees of freedom, and how much
they truly differ is told by a weak prior as much as by two or three values.

Whether it stays (a chart of individual values), for the resistance of the
baseline, mount by mount: the scatter is taken from the differences of
neighbours, so that a slow change does not widen its own limits. What leaves the
limits is a change of the bench, not of a candidate.

Sources: DerSimonian & Laird 1986, Controlled Clinical Trials 7:177 (from
memory). Checked in the tests against published numbers for the data of
Kacker 2004, Metrologia 41:132. Charts: NIST/SEMATECH e-Handbook of Statistical
Methods, 6.3.2.2 (individuals and moving range charts); the rule of eight in a
row on one side is in 6.3.2 (that section from memory).
"""

import math
from collections.abc import Sequence
from dataclasses import dataclass
from itertools import groupby, pairwise
from statistics import fmean, stdev

import numpy as np
from scipy.special import chdtrc, chdtri, fdtrc, ndtr, stdtrit

from thermlab.stats.least_squares import Floats, crossing

Interval = tuple[float, float]

# NIST/SEMATECH 6.3.2.2, moving ranges of two values: mean range over sigma.
D2 = 1.128
RUN_LENGTH = 8
# What the grid over the pooled variance leaves out at either end.
_TAIL = 1e-6
FEW = 20


def spread_between(values: Sequence[float], u: Sequence[float]) -> tuple[float, float]:
    """Tell how much estimates truly differ.

    Parameters
    ----------
    values : sequence of float
        The estimates; at least two.
    u : sequence of float
        Their standard uncertainties, > 0, same unit.

    Returns
    -------
    sd, p_value : float
        Standard deviation between true values, beyond the uncertainty of the estimates, and the p value of Cochran's Q
        for none.

    Notes
    -----
    With w = 1/u^2: Q = sum w (y - mean)^2; sd^2 = max(0, (Q - n + 1) / (sum w - sum w^2 / sum w)).
    """
    from statsmodels.stats.meta_analysis import combine_effects  # noqa: PLC0415 - half a second

    # The library subtracts two sums of squares for Q: about their own mean the values lose no digits. Where the
    # scatter is below what the uncertainties explain, its square is negative and the rest it works out is void.
    n, middle = len(values), math.fsum(values) / len(values)
    with np.errstate(all="ignore"):
        found = combine_effects(np.asarray(values) - middle, np.asarray(u) ** 2, method_re="dl")
    return math.sqrt(max(0.0, found.tau2)), float(chdtrc(n - 1, found.q))


@dataclass(frozen=True, slots=True)
class Combined:
    """What several campaigns say together.

    Attributes
    ----------
    mean : float
        In the unit of the values.
    interval : tuple of float
        Confidence interval of the mean.
    prediction_interval : tuple of float or None
        Where the true value of a further one is expected; None with fewer than three.
    spread : float or None
        Standard deviation between true values, mean over what values and prior leave open; None where it is not told
        apart from the scatter of mounts.
    p_value : float or None
        How often values scatter by as much as these where prior and pooled mount SD are right.
    confidence_level : float
        Of both intervals.
    """

    mean: float
    interval: Interval
    confidence_level: float
    prediction_interval: Interval | None = None
    spread: float | None = None
    p_value: float | None = None


def combine_campaigns(
    values: Sequence[float], u: Sequence[float], *, dof: float, scale: float, confidence_level: float = 0.95
) -> Combined:
    """Combine what campaigns with one pooled mount SD found, which may truly differ by a little.

    Parameters
    ----------
    values : sequence of float
        The estimates; at least two.
    u : sequence of float
        Their standard uncertainties, all in proportion to the pooled mount SD.
    dof : float
        Degrees of freedom of the pooled mount SD.
    scale : float
        Of the half-normal prior of the standard deviation between the true values, same unit.
    confidence_level : float
        Between 0 and 1.

    Notes
    -----
    y_i is normal about the mean with variance f u_i^2 + tau^2; dof / f has a chi-squared distribution with `dof`, tau a
    half-normal one, the mean a flat one. The mean is integrated in closed form, f and tau over a grid. With tau = 0 and
    equal u this is the t interval with dof + n - 1 degrees of freedom.
    """
    y = np.asarray(values)
    chi2 = np.geomspace(chdtri(dof, 1.0 - _TAIL), chdtri(dof, _TAIL), 81)[:, None]
    # Where values lie far apart for their u and the prior, the posterior has its top near sqrt(scale * range / 2).
    tau = np.linspace(0.0, 5.0 * scale + 2.0 * math.sqrt(scale * np.ptp(y)), 101)
    weight = 1.0 / ((dof / chi2)[..., None] * np.square(u) + np.square(tau)[:, None])
    precision = weight.sum(axis=-1)
    mean = (weight @ y) / precision
    misfit = (weight * np.square(y - mean[..., None])).sum(axis=-1)
    log = 0.5 * (np.log(weight).sum(axis=-1) - np.log(precision) - misfit - np.square(tau / scale))
    log += 0.5 * (dof * np.log(chi2) - chi2)
    share = np.exp(log - log.max())
    share[:, 0] *= 0.5  # the ends of the trapezoidal rule; the others have no weight
    share /= share.sum()

    def interval(sd: Floats) -> Interval:
        low, high = float((mean - 50.0 * sd).min()), float((mean + 50.0 * sd).max())

        def end(at: float) -> float:
            return crossing(lambda x: float((share * ndtr((x - mean) / sd)).sum()) - at, low, high)

        return end(0.5 - confidence_level / 2.0), end(0.5 + confidence_level / 2.0)

    sd = 1.0 / np.sqrt(precision)
    expected = 1.0 / (np.square(u) + scale**2)
    scatter = float(expected @ np.square(y - expected @ y / expected.sum()))
    return Combined(
        mean=float((share * mean).sum()),
        interval=interval(sd),
        prediction_interval=interval(np.hypot(sd, tau)) if y.size > 2 else None,
        spread=float((share * tau).sum()),
        p_value=float(fdtrc(y.size - 1, dof, scatter / (y.size - 1))),
        confidence_level=confidence_level,
    )


def mean_of_campaigns(values: Sequence[float], *, confidence_level: float = 0.95) -> Combined:
    """Combine campaigns of equal weight by their own scatter, with a t interval: nothing else says how sure each is.

    Parameters
    ----------
    values : sequence of float
        At least two.
    confidence_level : float
        Between 0 and 1.
    """
    n = len(values)
    mean, sd, t = fmean(values), stdev(values), float(stdtrit(n - 1, 0.5 + confidence_level / 2.0))
    half, ahead = t * sd / math.sqrt(n), t * sd * math.sqrt(1.0 + 1.0 / n)
    further = (mean - ahead, mean + ahead) if n > 2 else None
    return Combined(mean, (mean - half, mean + half), confidence_level, prediction_interval=further)


@dataclass(frozen=True, slots=True, kw_only=True)
class IndividualsChart:
    """Centre, limits and signals of an individuals chart.

    Attributes
    ----------
    values : tuple of float
        In the order made.
    centre : float
        Mean of the values.
    lower, upper : float
        Centre minus and plus 3 / 1.128 of the mean absolute difference of neighbours.
    outside : tuple of int
        Places, from 0, of values beyond the limits.
    runs : tuple of (int, int)
        First and last place of each stretch of eight or more values on one side of the centre.
    cautions : tuple of str
        What limits the chart.
    """

    values: tuple[float, ...]
    centre: float
    lower: float
    upper: float
    outside: tuple[int, ...]
    runs: tuple[tuple[int, int], ...]
    cautions: tuple[str, ...]

    @property
    def steady(self) -> bool:
        """Whether nothing signals a change."""
        return not self.outside and not self.runs


def individuals_chart(values: Sequence[float]) -> IndividualsChart | None:
    """Chart individual values.

    Parameters
    ----------
    values : sequence of float
        Finite, in the order made.

    Returns
    -------
    IndividualsChart or None
        None where fewer than three values, or no scatter at all, leave nothing to chart.

    Examples
    --------
    The ten values of NIST/SEMATECH 6.3.2.2:

    >>> chart = individuals_chart([49.6, 47.6, 49.9, 51.3, 47.8, 51.2, 52.6, 52.4, 53.6, 52.1])
    >>> round(chart.centre, 2), round(chart.lower, 4), round(chart.upper, 4)
    (50.81, 45.8159, 55.8041)
    """
    if len(values) < 3:
        return None
    centre = math.fsum(values) / len(values)
    moving_range = math.fsum(abs(b - a) for a, b in pairwise(values)) / (len(values) - 1)
    if not moving_range > 0.0:
        return None
    half = 3.0 * moving_range / D2
    few = f"The limits rest on {len(values)} values and are themselves uncertain; "
    few += f"about {FEW} are wanted (common practice, no source)."
    return IndividualsChart(
        values=tuple(values),
        centre=centre,
        lower=centre - half,
        upper=centre + half,
        outside=tuple(place for place, value in enumerate(values) if abs(value - centre) > half),
        runs=tuple(_one_sided(values, centre)),
        cautions=(few,) if len(values) < FEW else (),
    )


def _one_sided(values: Sequence[float], centre: float) -> list[tuple[int, int]]:
    sides = [(value > centre) - (value < centre) for value in values]
    stretches = [list(places) for _, places in groupby(range(len(sides)), key=lambda place: sides[place])]
    return [(own[0], own[-1]) for own in stretches if len(own) >= RUN_LENGTH and sides[own[0]] != 0]
