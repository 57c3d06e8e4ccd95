"""What several estimates of one thing say on the whole, where they may truly differ.

Use it for one treatment on several benches or from several lots. The estimates
are taken to scatter about a common mean with a standard deviation tau beyond
their own uncertainty. Tau squared is DerSimonian and Laird's moment estimate,
the interval is Hartung and Knapp's, which keeps its level with few estimates;
it is never made narrower than without their factor.

Sources: DerSimonian & Laird 1986, Controlled Clinical Trials 7:177; Hartung &
Knapp 2001, Statistics in Medicine 20:1771; the lower bound of 1 on their factor:
Roever, Knapp & Friede 2015, BMC Medical Research Methodology 15:99; prediction
interval: Higgins, Thompson & Spiegelhalter 2009, JRSS A 172:137 (all from
memory). Checked in the tests against published numbers for the data of
Kacker 2004, Metrologia 41:132.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import TYPE_CHECKING

from scipy.special import chdtrc, stdtrit

if TYPE_CHECKING:
    from collections.abc import Sequence

Interval = tuple[float, float]


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
    n = len(values)
    if n < 2:
        return None
    weights = [1.0 / one**2 for one in u]
    total = math.fsum(weights)
    fixed = _mean(values, weights)
    q = math.fsum(w * (y - fixed) ** 2 for w, y in zip(weights, values, strict=True))
    spread = total - math.fsum(w * w for w in weights) / total
    tau2 = max(0.0, (q - (n - 1)) / spread)
    weights = [1.0 / (one**2 + tau2) for one in u]
    total = math.fsum(weights)
    mean = _mean(values, weights)
    factor = math.fsum(w * (y - mean) ** 2 for w, y in zip(weights, values, strict=True)) / (n - 1)
    u_mean = math.sqrt(max(1.0, factor) / total)
    half = float(stdtrit(n - 1, 0.5 + confidence_level / 2.0)) * u_mean
    prediction = None
    if n >= 3:
        wide = float(stdtrit(n - 2, 0.5 + confidence_level / 2.0)) * math.hypot(math.sqrt(tau2), u_mean)
        prediction = (mean - wide, mean + wide)
    return RandomEffects(
        n=n,
        mean=mean,
        u_mean=u_mean,
        interval=(mean - half, mean + half),
        prediction_interval=prediction,
        tau=math.sqrt(tau2),
        q=q,
        q_p_value=float(chdtrc(n - 1, q)),
        i2=max(0.0, 1.0 - (n - 1) / q) if q > 0.0 else 0.0,
        confidence_level=confidence_level,
    )


def _mean(values: Sequence[float], weights: Sequence[float]) -> float:
    return math.fsum(w * y for w, y in zip(weights, values, strict=True)) / math.fsum(weights)
