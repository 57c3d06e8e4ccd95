"""Scatter between mounts, and differences between treatments judged by it.

Works on one summary per mount, whatever the summary is: the rise at the
reference power, a series resistance, a throttle power. The variance is pooled
over treatments (with a prior from earlier campaigns where one is declared), or
each treatment's own (Welch).

Sources as in :mod:`thermlab.stats.variances` and :mod:`thermlab.stats.dunnett`.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import TYPE_CHECKING, Literal

import numpy as np

from thermlab.stats.dunnett import dunnett_critical, holm_p_values, step_down_p_values, t_point, t_tail
from thermlab.stats.variances import welch_error

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from thermlab.stats.least_squares import Floats

Variance = Literal["pooled", "welch"]
Interval = tuple[float, float]

_NO_SCATTER = 1e-9
"""A spread below this fraction of the values themselves is rounding of the arithmetic, not scatter."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Groups:
    """Which mount belongs to which treatment, and how differences are to be judged.

    Attributes
    ----------
    treatments : tuple of str
        All treatments, some perhaps without mounts.
    baseline : str
        The treatment the others are compared with.
    group : ndarray of int, shape (N,)
        Index of each mount's treatment.
    order : ndarray or None, shape (N,)
        Place of each mount in the order made, where a linear drift with the
        order is to be taken out; None otherwise.
    variance : {"pooled", "welch"}
        How the variance of a difference is estimated.
    prior_dof : float
        Degrees of freedom of the prior variance (already halved), 0 without.
    alpha : float
        One minus the confidence level.
    """

    treatments: tuple[str, ...]
    baseline: str
    group: NDArray[np.intp]
    order: Floats | None = None
    variance: Variance = "pooled"
    prior_dof: float = 0.0
    alpha: float = 0.05

    @property
    def candidates(self) -> tuple[str, ...]:
        """All treatments but the baseline, in order."""
        return tuple(name for name in self.treatments if name != self.baseline)


@dataclass(frozen=True, slots=True, kw_only=True)
class Difference:
    """One candidate against the baseline, for one summary.

    Attributes
    ----------
    treatment : str
        The candidate.
    n_mounts : int
        Its used mounts.
    mean, difference : float or None
        Mean of its mounts; the same less the baseline's. None without mounts.
    standard_error, dof : float or None
        Of the difference; None where no scatter can be had.
    t_critical, simultaneous_critical, equivalence_critical : float or None
        Points for the two-sided interval of this difference alone, of all
        differences at once, and of two one-sided tests.
    p_value : float or None
        Two-sided, adjusted for the number of candidates.
    """

    treatment: str
    n_mounts: int
    mean: float | None
    difference: float | None
    standard_error: float | None = None
    dof: float | None = None
    t_critical: float | None = None
    simultaneous_critical: float | None = None
    equivalence_critical: float | None = None
    p_value: float | None = None

    @property
    def interval(self) -> Interval | None:
        """Two-sided interval of this difference alone."""
        return self._around(self.t_critical)

    @property
    def simultaneous_interval(self) -> Interval | None:
        """Two-sided interval that holds together with those of the other candidates."""
        return self._around(self.simultaneous_critical)

    @property
    def equivalence_interval(self) -> Interval | None:
        """Interval of two one-sided tests."""
        return self._around(self.equivalence_critical)

    def _around(self, critical: float | None) -> Interval | None:
        if self.difference is None or self.standard_error is None or critical is None:
            return None
        half = critical * self.standard_error
        return self.difference - half, self.difference + half


@dataclass(frozen=True, slots=True, kw_only=True)
class Scatter:
    """What the mounts' summaries say: means, scatter and differences.

    Attributes
    ----------
    mean : dict of str to float
        Mean of each treatment with mounts (at the mean order where an order
        covariate is used).
    sd_by_treatment : dict of str to float or None
        Standard deviation between mounts of each treatment, None below two mounts.
    own_sd : float or None
        Pooled standard deviation of this campaign alone.
    own_dof : float
        Its degrees of freedom, N - T (less 1 with the order covariate), 0 where none.
    sd : float or None
        The standard deviation used: with a prior, own and prior pooled.
    dof : float
        Its degrees of freedom.
    no_scatter : bool
        The mounts agree to the last digit, so that the readout hides the scatter.
    drift_per_mount : float or None
        Fitted change per place in the order, with the order covariate.
    mean_variance_factor : dict of str to float
        Variance of each treatment's mean over that of one mount: 1/m, more with the order covariate.
    differences : tuple of Difference
        Every candidate, in order.
    """

    mean: dict[str, float]
    sd_by_treatment: dict[str, float | None]
    own_sd: float | None
    own_dof: float
    sd: float | None
    dof: float
    no_scatter: bool
    drift_per_mount: float | None
    mean_variance_factor: dict[str, float]
    differences: tuple[Difference, ...]


def judge_mounts(values: Floats, groups: Groups, *, scale: float, prior_variance: float | None = None) -> Scatter:
    """Compare treatments on one summary per mount.

    Parameters
    ----------
    values : ndarray, shape (N,)
        One summary per mount, any unit.
    groups : Groups
        Treatments and method.
    scale : float
        Size of the quantity itself in the same unit, against which a vanishing scatter is recognised.
    prior_variance : float, optional
        Prior variance of one such summary, run noise included; used with ``groups.prior_dof``.

    Returns
    -------
    Scatter
    """
    n_groups = len(groups.treatments)
    group = groups.group
    counts = np.bincount(group, minlength=n_groups)
    some = np.maximum(counts, 1)
    means: Floats = np.bincount(group, weights=values, minlength=n_groups) / some
    left = values - means[group]
    squares = np.bincount(group, weights=left * left, minlength=n_groups).astype(np.float64)
    own_dof = float(values.size - np.count_nonzero(counts))
    residual = float(squares.sum())
    drift, spread, shift = _order_effect(groups, left, own_dof, counts)
    if drift is not None:
        residual = max(0.0, residual - drift * drift * spread)
        own_dof -= 1.0
        means = means - drift * shift
    own_variance = residual / own_dof if own_dof > 0.0 else None
    nu0 = groups.prior_dof if prior_variance is not None else 0.0
    dof = own_dof + nu0
    variance = None
    if dof > 0.0:
        variance = (own_dof * (own_variance or 0.0) + nu0 * (prior_variance or 0.0)) / dof
    tiny = (_NO_SCATTER * scale) ** 2
    sds = np.sqrt(squares / np.maximum(counts - 1, 1))
    by_treatment = {
        name: float(sds[i]) if counts[i] > 1 else None for i, name in enumerate(groups.treatments) if counts[i] > 0
    }
    differences = _differences(groups, counts, means, squares, variance, dof, tiny, drift, spread, shift)
    return Scatter(
        mean={name: float(means[i]) for i, name in enumerate(groups.treatments) if counts[i] > 0},
        sd_by_treatment=by_treatment,
        own_sd=None if own_variance is None else math.sqrt(own_variance),
        own_dof=own_dof,
        sd=None if variance is None else math.sqrt(variance),
        dof=dof,
        no_scatter=own_variance is not None and own_variance <= tiny,
        drift_per_mount=drift,
        mean_variance_factor={
            name: float(1.0 / counts[i] + (shift[i] ** 2 / spread if drift is not None else 0.0))
            for i, name in enumerate(groups.treatments)
            if counts[i] > 0
        },
        differences=differences,
    )


def _order_effect(
    groups: Groups, left: Floats, own_dof: float, counts: NDArray[np.intp]
) -> tuple[float | None, float, Floats]:
    """Slope on the order within treatments, its sum of squares, and each treatment's mean place about the middle."""
    nothing = np.zeros(len(groups.treatments))
    if groups.order is None or own_dof <= 0.0:
        return None, 0.0, nothing
    mean_order = np.bincount(groups.group, weights=groups.order, minlength=counts.size) / np.maximum(counts, 1)
    within = groups.order - mean_order[groups.group]
    spread = float(within @ within)
    if spread <= 0.0:
        return None, 0.0, nothing
    return float(within @ left) / spread, spread, mean_order - float(groups.order.mean())


def _differences(
    groups: Groups,
    counts: NDArray[np.intp],
    means: Floats,
    squares: Floats,
    variance: float | None,
    dof: float,
    tiny: float,
    drift: float | None,
    spread: float,
    shift: Floats,
) -> tuple[Difference, ...]:
    index = {name: i for i, name in enumerate(groups.treatments)}
    base = index[groups.baseline]
    with_mounts = [name for name in groups.candidates if counts[index[name]] > 0 and counts[base] > 0]
    found: dict[str, tuple[float, float]] = {}
    for name in with_mounts:
        i = index[name]
        if groups.variance == "welch":
            pair = (squares[i] + squares[base]) / max(counts[i] + counts[base] - 2, 1)
            error = welch_error(float(squares[i]), int(counts[i]), float(squares[base]), int(counts[base]))
            if error is not None and pair > tiny:
                found[name] = error
        elif variance is not None and variance > tiny:
            extra = (shift[i] - shift[base]) ** 2 / spread if drift is not None else 0.0
            found[name] = (math.sqrt(variance * (1.0 / counts[i] + 1.0 / counts[base] + extra)), dof)
    t_values = {name: float(means[index[name]] - means[base]) / found[name][0] for name in found}
    p_values = _p_values(groups, t_values, found, [int(counts[index[n]]) for n in found], int(counts[base]))
    result = []
    for name in groups.candidates:
        i = index[name]
        if counts[i] == 0:
            result.append(Difference(treatment=name, n_mounts=0, mean=None, difference=None))
            continue
        mean = float(means[i])
        difference = mean - float(means[base]) if counts[base] > 0 else None
        if name not in found:
            result.append(Difference(treatment=name, n_mounts=int(counts[i]), mean=mean, difference=difference))
            continue
        se, own = found[name]
        if groups.variance == "welch":
            simultaneous = t_point(1.0 - groups.alpha / (2.0 * len(with_mounts)), own)
        else:
            simultaneous = dunnett_critical(
                groups.alpha, [int(counts[index[n]]) for n in with_mounts], int(counts[base]), own
            )
        result.append(
            Difference(
                treatment=name,
                n_mounts=int(counts[i]),
                mean=mean,
                difference=difference,
                standard_error=se,
                dof=own,
                t_critical=t_point(1.0 - groups.alpha / 2.0, own),
                simultaneous_critical=simultaneous,
                equivalence_critical=t_point(1.0 - groups.alpha, own),
                p_value=p_values[name],
            )
        )
    return tuple(result)


def _p_values(
    groups: Groups,
    t_values: dict[str, float],
    found: dict[str, tuple[float, float]],
    counts: list[int],
    baseline_count: int,
) -> dict[str, float]:
    if not t_values:
        return {}
    names = list(t_values)
    if groups.variance == "welch":
        return dict(zip(names, holm_p_values([t_tail(t_values[n], found[n][1]) for n in names]), strict=True))
    dof = found[names[0]][1]
    return dict(zip(names, step_down_p_values([t_values[n] for n in names], counts, baseline_count, dof), strict=True))
