"""Several values of one thing: what they say on the whole, and whether it stays what it was.

On the whole (random effects), for one treatment on several benches or from
several lots: the estimates are taken to scatter about a common mean with a
standard deviation tau beyond their own uncertainty. Tau squared is DerSimonian
and Laird's moment estimate, the interval is Hartung and Knapp's, which keeps its
level with few estimates; it is never made narrower than without their factor.

Whether it stays (a chart of individual values), for the resistance of the
baseline, mount by mount: the scatter is taken from the differences of
neighbours, so that a slow change does not widen its own limits. What leaves the
limits is a change of the bench, not of a candidate.

Sources: DerSimonian & Laird 1986, Controlled Clinical Trials 7:177; Hartung &
Knapp 2001, Statistics in Medicine 20:1771; the lower bound of 1 on their factor:
Roever, Knapp & Friede 2015, BMC Medical Research Methodology 15:99; prediction
interval: Higgins, Thompson & Spiegelhalter 2009, JRSS A 172:137 (all from
memory). Checked in the tests against published numbers for the data of
Kacker 2004, Metrologia 41:132. Charts: NIST/SEMATECH e-Handbook of Statistical
Methods, 6.3.2.2 (individuals and moving range charts); the rule of eight in a
row on one side is in 6.3.2 (that section from memory).
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from itertools import groupby, pairwise
from typing import TYPE_CHECKING

import numpy as np
from scipy.special import chdtrc, stdtrit

if TYPE_CHECKING:
    from collections.abc import Sequence

Interval = tuple[float, float]

# NIST/SEMATECH 6.3.2.2, moving ranges of two values: mean range over sigma, and upper limit over mean range.
D2 = 1.128
D4 = 3.267
RUN_LENGTH = 8
FEW = 20


@dataclass(frozen=True, slots=True, kw_only=True)
class RandomEffects:
    """A mean over estimates that may truly differ.

    Attributes
    ----------
    n : int
        Number of estimates.
    mean : float
        Weighted mean, in the unit of the estimates.
    u_mean : float
        Its standard uncertainty, with the factor of Hartung and Knapp.
    interval : tuple of float
        Confidence interval of the mean, n - 1 degrees of freedom.
    prediction_interval : tuple of float or None
        Where the true value of a further one is expected; None with fewer than three.
    tau : float
        Standard deviation between true values, beyond the uncertainty of the estimates.
    q, q_p_value : float
        Cochran's Q, and its p value for tau = 0.
    i2 : float
        Fraction of the scatter that is between true values.
    confidence_level : float
        Of both intervals.
    """

    n: int
    mean: float
    u_mean: float
    interval: Interval
    prediction_interval: Interval | None
    tau: float
    q: float
    q_p_value: float
    i2: float
    confidence_level: float


def combine(values: Sequence[float], u: Sequence[float], *, confidence_level: float = 0.95) -> RandomEffects | None:
    """Combine estimates that may truly differ.

    Parameters
    ----------
    values : sequence of float
        The estimates.
    u : sequence of float
        Their standard uncertainties, > 0, same unit.
    confidence_level : float
        Between 0 and 1.

    Returns
    -------
    RandomEffects or None
        None with fewer than two estimates.

    Raises
    ------
    ValueError
        The lengths differ, or an uncertainty is not above 0.

    Notes
    -----
    With w = 1/u^2: Q = sum w (y - mean)^2; tau^2 = max(0, (Q - n + 1) / (sum w - sum w^2 / sum w));
    with w* = 1/(u^2 + tau^2): mean = sum w* y / sum w*, and the square of its uncertainty is
    max(1, sum w* (y - mean)^2 / (n - 1)) / sum w*.
    """
    if len(values) != len(u) or any(not (math.isfinite(one) and one > 0.0) for one in u):
        raise ValueError(
            f"found {len(values)} values with uncertainties {list(u)}; allowed: one above 0 for each value"
        )
    from statsmodels.stats.meta_analysis import combine_effects  # noqa: PLC0415 - half a second

    n = len(values)
    if n < 2:
        return None
    # The library subtracts two sums of squares for Q: about their own mean the values lose no digits. Where the
    # scatter is below what the uncertainties explain, its tau squared is negative and its random effects are void.
    middle = math.fsum(values) / n
    with np.errstate(all="ignore"):
        found = combine_effects(np.asarray(values) - middle, np.asarray(u) ** 2, method_re="dl")
    between = found.tau2 > 0.0
    tau = math.sqrt(found.tau2) if between else 0.0
    mean = middle + float(found.mean_effect_re if between else found.mean_effect_fe)
    factor = float(found.scale_hksj_re if between else found.scale_hksj_fe)
    # The library's factor may be below 1 where a few estimates agree by chance.
    u_mean = math.sqrt(max(1.0, factor)) * float(found.sd_eff_w_re if between else found.sd_eff_w_fe)
    half = float(stdtrit(n - 1, 0.5 + confidence_level / 2.0)) * u_mean
    prediction = None
    if n >= 3:
        wide = float(stdtrit(n - 2, 0.5 + confidence_level / 2.0)) * math.hypot(tau, u_mean)
        prediction = (mean - wide, mean + wide)
    return RandomEffects(
        n=n,
        mean=mean,
        u_mean=u_mean,
        interval=(mean - half, mean + half),
        prediction_interval=prediction,
        tau=tau,
        q=float(found.q),
        q_p_value=float(chdtrc(n - 1, found.q)),
        i2=max(0.0, float(found.i2)),
        confidence_level=confidence_level,
    )


@dataclass(frozen=True, slots=True, kw_only=True)
class IndividualsChart:
    """Centre, limits and signals of an individuals chart.

    Attributes
    ----------
    values : tuple of float
        In the order made.
    centre : float
        Mean of the values.
    moving_range : float
        Mean absolute difference of neighbours.
    lower, upper : float
        Centre minus and plus 3 ``moving_range`` / 1.128.
    moving_range_upper : float
        3.267 ``moving_range``.
    outside : tuple of int
        Places, from 0, of values beyond the limits.
    runs : tuple of (int, int)
        First and last place of each stretch of eight or more values on one side of the centre.
    cautions : tuple of str
        What limits the chart.
    """

    values: tuple[float, ...]
    centre: float
    moving_range: float
    lower: float
    upper: float
    moving_range_upper: float
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
    few = (
        f"The limits rest on {len(values)} values and are themselves uncertain; about {FEW} are wanted "
        "(common practice, no source)."
    )
    return IndividualsChart(
        values=tuple(values),
        centre=centre,
        moving_range=moving_range,
        lower=centre - half,
        upper=centre + half,
        moving_range_upper=D4 * moving_range,
        outside=tuple(place for place, value in enumerate(values) if abs(value - centre) > half),
        runs=tuple(_one_sided(values, centre)),
        cautions=(few,) if len(values) < FEW else (),
    )


def _one_sided(values: Sequence[float], centre: float) -> list[tuple[int, int]]:
    sides = [(value > centre) - (value < centre) for value in values]
    stretches = [list(places) for _, places in groupby(range(len(sides)), key=lambda place: sides[place])]
    return [(own[0], own[-1]) for own in stretches if len(own) >= RUN_LENGTH and sides[own[0]] != 0]
