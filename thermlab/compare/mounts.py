"""From runs to one number per mount, and what the scatter of these numbers says of differences.

The mount is the experimental unit: its runs at several powers, and repeats of
one step, describe the same mount and are never replicates. Every comparison
works on one summary per mount, and the spread of these summaries within a
treatment is what a difference is judged by.

The rise at the reference power is what treatments are compared by. Where every
mount has the reference step, its mean rise there is taken as it is and no model
enters. Where one lacks it, all mounts go through the same fit, so that a missing
or excluded run does not silently change what is compared.

Differences are judged alike whatever the summary is: the rise at the reference
power, a series resistance, a throttle power. The variance is pooled over
treatments (with a prior from earlier campaigns where one is declared), or each
treatment's own (Welch). Sources as in :mod:`thermlab.stats.variances` and
:mod:`thermlab.stats.dunnett`.
"""

import math
from collections import defaultdict
from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from thermlab.compare.records import FARTHEST_EXTRAPOLATION, Interval, MountSummary, Variance
from thermlab.runs.records import ReducedRun
from thermlab.stats.curves import curve_design, fit_curve
from thermlab.stats.dunnett import dunnett_critical, holm_p_values, step_down_p_values, t_point, t_tail
from thermlab.stats.least_squares import Floats, LinearFit, NotEstimableError, fit_linear
from thermlab.stats.variances import Prior, welch_error

Counts = NDArray[np.intp]

SAME_POWER_DECIMALS = 6
"""Powers that agree to this many decimals of a watt are one step."""


@dataclass(frozen=True, slots=True, kw_only=True)
class MountTable:
    """Mean rise of every mount at every power step, repeats averaged.

    Attributes
    ----------
    treatments : tuple of str
        All treatments asked for, in that order; some may have no mounts.
    names : tuple of str
        Mount names, length N; a mount is identified by treatment and name.
    group : ndarray of int, shape (N,)
        Index of each mount's treatment.
    order : ndarray, shape (N,)
        Place of the mount in the order of their first runs, from 0.
    ordered : bool
        Whether the runs say in which order they were made.
    steps_W : ndarray, shape (k,)
        Power steps, ascending, W.
    rise_K : ndarray, shape (N, k)
        Mean settled rise, K; NaN where the mount has no used run.
    repeats : ndarray of int, shape (N, k)
        Number of used runs behind each mean.
    """

    treatments: tuple[str, ...]
    names: tuple[str, ...]
    group: Counts
    order: Floats
    ordered: bool
    steps_W: Floats
    rise_K: Floats
    repeats: Counts

    @property
    def present(self) -> NDArray[np.bool_]:
        """Which cells have a used run, shape (N, k)."""
        return self.repeats > 0

    @property
    def common(self) -> NDArray[np.bool_]:
        """Which steps every used mount has, shape (k,)."""
        if not self.names:
            return np.zeros(self.steps_W.size, dtype=np.bool_)
        return np.asarray(self.present.all(axis=0), dtype=np.bool_)

    @property
    def labels(self) -> list[str]:
        """Treatment and name of each mount, length N."""
        return [f"{self.treatments[int(group)]} {name}" for group, name in zip(self.group, self.names, strict=True)]

    def counts(self) -> Counts:
        """Return the number of used mounts of each treatment, shape (n_treatments,)."""
        return np.bincount(self.group, minlength=len(self.treatments))

    def groups(self, baseline: str, *, variance: Variance, prior: Prior | None, alpha: float) -> "Groups":
        """Return how its mounts are to be judged, their order left aside."""
        groups = Groups(treatments=self.treatments, baseline=baseline, group=self.group, variance=variance, alpha=alpha)
        return groups if prior is None else replace(groups, prior_dof=prior.used_dof)


def tabulate_mounts(runs: Sequence[ReducedRun], treatments: Sequence[str]) -> MountTable:
    """Average repeats and arrange the used runs by mount and power step.

    Parameters
    ----------
    runs : sequence of ReducedRun
        All runs; unused ones count only for the order of the mounts.
    treatments : sequence of str
        Treatments to keep, in the order wanted.

    Returns
    -------
    MountTable
    """
    place = {name: index for index, name in enumerate(treatments)}
    first: dict[tuple[int, str], int] = {}
    cells: dict[tuple[tuple[int, str], float], list[float]] = defaultdict(list)
    for run in runs:
        if run.treatment not in place:
            continue
        key = (place[run.treatment], run.mount)
        first[key] = min(first.get(key, run.order), run.order)
        if run.used and run.rise_K is not None:
            cells[key, round(run.set_power_W, SAME_POWER_DECIMALS)].append(run.rise_K)
    ranks = {key: rank for rank, key in enumerate(sorted(first, key=lambda k: (first[k], k)))}
    keys = sorted({key for key, _ in cells}, key=lambda k: (k[0], ranks[k]))
    ladder = sorted({step for _, step in cells})
    rise = np.full((len(keys), len(ladder)), np.nan)
    repeats = np.zeros(rise.shape, dtype=np.intp)
    for (key, step), values in cells.items():
        cell = keys.index(key), ladder.index(step)
        rise[cell] = sum(sorted(values)) / len(values)
        repeats[cell] = len(values)
    return MountTable(
        treatments=tuple(treatments),
        names=tuple(name for _, name in keys),
        group=np.array([group for group, _ in keys], dtype=np.intp),
        order=np.array([ranks[key] for key in keys], dtype=np.float64),
        ordered=len(set(first.values())) == len(first) and len(first) > 1,
        steps_W=np.array(ladder, dtype=np.float64),
        rise_K=rise,
        repeats=repeats,
    )


@dataclass(frozen=True, slots=True, kw_only=True)
class CommonStepFit:
    """Fit ``y_ijk = s_k + b_ij P_k``: step effects common to all mounts, one slope per mount.

    Attributes
    ----------
    step_rise_K : ndarray, shape (k,)
        Step effects s_k (the rise of the average mount), K.
    slope_K_per_W : ndarray, shape (N,)
        Mount slopes b_ij, adding up to zero, K/W.
    run_noise_K : float or None
        Standard deviation of one run about the fit, K; None without degrees of freedom.
    dof : int
        Degrees of freedom of the run noise, (N - 1)(k - 1) for complete ladders.
    """

    step_rise_K: Floats
    slope_K_per_W: Floats
    run_noise_K: float | None
    dof: int


def fit_common_steps(table: MountTable) -> CommonStepFit:
    """Fit common step effects and one slope per mount.

    Parameters
    ----------
    table : MountTable
        Mounts and steps; cells may be missing.

    Returns
    -------
    CommonStepFit

    Raises
    ------
    NotEstimableError
        When some mounts share no step, directly or through others, with the rest.

    Notes
    -----
    Ordinary least squares with the mount slopes constrained to add up to zero.
    """
    present, steps = table.present, table.steps_W
    n_mounts, n_steps = present.shape
    if n_mounts == 0:
        raise NotEstimableError("no used mounts")
    rows, columns = np.nonzero(present)
    design = np.zeros((rows.size, n_steps + n_mounts - 1))
    line = np.arange(rows.size)
    design[line, columns] = 1.0
    free = rows < n_mounts - 1
    design[line[free], n_steps + rows[free]] = steps[columns[free]]
    # The last slope is minus the sum of the others.
    design[~free, n_steps:] = -steps[columns[~free], None]
    fit = fit_linear(design, table.rise_K[present])
    slope = fit.coefficients[n_steps:]
    weighted = float((table.repeats[present] * fit.residuals**2).sum())
    return CommonStepFit(
        step_rise_K=fit.coefficients[:n_steps],
        slope_K_per_W=np.append(slope, -slope.sum()),
        run_noise_K=math.sqrt(weighted / fit.dof) if fit.dof > 0 else None,
        dof=fit.dof,
    )


def run_noise(table: MountTable, runs: Sequence[ReducedRun]) -> float | None:
    """Return the scatter of single runs about steps and mounts, K.

    With too few steps to see it, what each run says of itself; None without either.
    """
    own = [run.u_rise_a_K for run in runs if run.used and run.u_rise_a_K is not None]
    try:
        found = fit_common_steps(table).run_noise_K
    except NotEstimableError:
        found = None
    return math.sqrt(sum(u * u for u in own) / len(own)) if found is None and own else found


def fit_shared_curve(table: MountTable) -> LinearFit | None:
    """Fit ``y = b_ij P + a P**q`` with one ``a`` for all mounts.

    Parameters
    ----------
    table : MountTable
        Mounts and steps.

    Returns
    -------
    LinearFit or None
        Coefficients b of the mounts, K/W, then a; None where no mount has two steps, so that nothing fixes ``a``.
    """
    rows, columns = np.nonzero(table.present)
    both = curve_design(table.steps_W[columns])
    design = np.zeros((rows.size, len(table.names) + 1))
    design[np.arange(rows.size), rows] = both[:, 0]
    design[:, -1] = both[:, 1]
    try:
        return fit_linear(design, table.rise_K[table.present])
    except NotEstimableError:
        return None


@dataclass(frozen=True, slots=True)
class ReferenceRise:
    """One rise per mount at the reference power.

    Attributes
    ----------
    power_W : float or None
        Reference power, W; None without used mounts.
    rise_K : ndarray or None, shape (N,)
        Rise of each mount at that power, K; None where it cannot be had.
    noise_factor : float
        Variance of run noise in one such number over that of one run.
    method : str
        How the numbers were made, for the report.
    cautions : tuple of str
        What a reader has to know.
    """

    power_W: float | None
    method: str
    rise_K: Floats | None = None
    noise_factor: float = 1.0
    cautions: tuple[str, ...] = ()


def reference_rise(table: MountTable, reference_power_W: float | None = None) -> ReferenceRise:
    """Reduce every mount to its rise at the reference power.

    Parameters
    ----------
    table : MountTable
        Mounts and steps.
    reference_power_W : float, optional
        Declared reference, W; it never moves. Default: the highest step that
        every used mount has, or the highest of all where none is common.

    Returns
    -------
    ReferenceRise
        Where a mount lacks the reference step, all mounts use the common-step fit.
    """
    if not table.names:
        return ReferenceRise(reference_power_W, "no used mounts")
    steps, common = table.steps_W, table.common
    power = float(reference_power_W or (steps[common] if common.any() else steps).max())
    cautions, highest = [], float(steps.max())
    if reference_power_W is None and power < highest:
        instead = f"rises are compared at {power:g} W, the highest step that all of them have."
        cautions.append(f"Not every mount has a used run at the highest step of {highest:g} W: {instead}")
    at = np.flatnonzero(np.abs(steps - power) <= 10.0**-SAME_POWER_DECIMALS)
    if at.size and common[at[0]]:
        method, noise = f"mean rise of each mount at the reference step of {power:g} W", 1.0 / table.repeats[:, at[0]]
        return ReferenceRise(power, method, table.rise_K[:, at[0]].copy(), float(noise.mean()), tuple(cautions))
    lacking = "no mount has a step there"
    if at.size:
        without = [name for name, has in zip(table.labels, table.present[:, at[0]], strict=True) if not has]
        lacking = f"{', '.join(without)} without a used run at that step"
    beyond, below = power / highest - 1.0, 1.0 - power / float(steps.min())
    if max(beyond, below) > 1e-9:
        far = " That is far outside the ladder." if max(beyond, below) > FARTHEST_EXTRAPOLATION else ""
        side = f"{beyond:.0%} above the highest" if beyond > 0 else f"{below:.0%} below the lowest"
        lies = f"The reference power of {power:g} W lies {side} used step"
        cautions.append(f"{lies}: the rise there is extrapolated.{far}")
    try:
        fit = fit_common_steps(table)
        base = float(fit.step_rise_K[at[0]]) if at.size else fit_curve(steps, fit.step_rise_K).rise_K(power)
    except NotEstimableError:
        no_curve = f"{lacking}, and the steps used do not tie the mounts together there"
        cautions.append(f"No rise at {power:g} W can be had for every mount: {no_curve}.")
        return ReferenceRise(power, f"no rise at {power:g} W: {lacking}", cautions=tuple(cautions))
    few = [label for label, n in zip(table.labels, table.present.sum(axis=1), strict=True) if n < 2]
    if few:
        one = f"Only one power step is used of {', '.join(few)}"
        cautions.append(f"{one}: its rise at {power:g} W rests on that one step.")
    how = f"common-step fit (step effects and one slope per mount) evaluated at {power:g} W for all mounts: {lacking}"
    noise_factor = float((power**2 / (table.repeats * steps**2).sum(axis=1)).mean())
    return ReferenceRise(power, how, base + fit.slope_K_per_W * power, noise_factor, tuple(cautions))


def summarise_mounts(table: MountTable, reference: ReferenceRise) -> tuple[MountSummary, ...]:
    """Describe every used mount.

    Parameters
    ----------
    table : MountTable
        Mounts and steps.
    reference : ReferenceRise
        Their rises at the reference power.

    Returns
    -------
    tuple of MountSummary
        By treatment, then in the order made.
    """
    return tuple(
        MountSummary(
            treatment=table.treatments[int(table.group[i])],
            mount=name,
            order=int(table.order[i]),
            n_runs=int(table.repeats[i].sum()),
            steps_W=tuple(float(p) for p in table.steps_W[table.present[i]]),
            rise_K=None if reference.rise_K is None else float(reference.rise_K[i]),
        )
        for i, name in enumerate(table.names)
    )


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
    group: Counts
    order: Floats | None = None
    variance: Variance = "pooled"
    prior_dof: float = 0.0
    alpha: float = 0.05


@dataclass(frozen=True, slots=True)
class Difference:
    """One candidate against the baseline, for one summary.

    Attributes
    ----------
    treatment : str
        The candidate.
    mean, difference : float or None
        Mean of its mounts; the same less the baseline's. None without mounts.
    standard_error, dof : float or None
        Of the difference; None where no scatter can be had.
    critical : float or None
        Point of the interval that holds together with those of the other candidates.
    interval, simultaneous_interval, equivalence_interval : tuple of float or None
        Two-sided of this difference alone, of all differences at once, and of two one-sided tests.
    p_value : float or None
        Two-sided, adjusted for the number of candidates.
    """

    treatment: str
    mean: float | None
    difference: float | None
    standard_error: float | None = None
    dof: float | None = None
    critical: float | None = None
    interval: Interval | None = None
    simultaneous_interval: Interval | None = None
    equivalence_interval: Interval | None = None
    p_value: float | None = None


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

    @property
    def known_sd(self) -> float | None:
        """The standard deviation used, None where the readout hides it and no prior tells of it."""
        return None if not self.sd or (self.no_scatter and not self.dof > self.own_dof) else self.sd


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
    group, n_groups = groups.group, len(groups.treatments)
    counts = np.bincount(group, minlength=n_groups)
    some = np.maximum(counts, 1)
    means: Floats = np.bincount(group, weights=values, minlength=n_groups) / some
    left = values - means[group]
    squares = np.bincount(group, weights=left * left, minlength=n_groups).astype(np.float64)
    own_dof = float(values.size - np.count_nonzero(counts))
    residual = float(squares.sum())
    drift, spread, shift = _order_effect(groups, left, own_dof, some)
    if drift is not None:
        residual = max(0.0, residual - drift * drift * spread)
        own_dof -= 1.0
        means = means - drift * shift
    own_variance = residual / own_dof if own_dof > 0.0 else None
    nu0 = groups.prior_dof if prior_variance is not None else 0.0
    dof = own_dof + nu0
    variance = (own_dof * (own_variance or 0.0) + nu0 * (prior_variance or 0.0)) / dof if dof > 0.0 else None
    tiny = (_NO_SCATTER * scale) ** 2
    sds = np.sqrt(squares / np.maximum(counts - 1, 1))
    have = [(i, name) for i, name in enumerate(groups.treatments) if counts[i] > 0]
    errors = _welch_errors(groups, counts, squares, tiny) if groups.variance == "welch" else {}
    if variance is not None and variance > tiny and groups.variance == "pooled":
        base = groups.treatments.index(groups.baseline)
        parts = 1.0 / some + 1.0 / some[base] + (shift - shift[base]) ** 2 / spread
        filled = np.flatnonzero(counts * counts[base] * (np.arange(n_groups) != base))
        errors = {int(i): (math.sqrt(variance * float(parts[i])), dof) for i in filled}
    return Scatter(
        mean={name: float(means[i]) for i, name in have},
        sd_by_treatment={name: float(sds[i]) if counts[i] > 1 else None for i, name in have},
        own_sd=None if own_variance is None else math.sqrt(own_variance),
        own_dof=own_dof,
        sd=None if variance is None else math.sqrt(variance),
        dof=dof,
        no_scatter=own_variance is not None and own_variance <= tiny,
        drift_per_mount=drift,
        mean_variance_factor={name: float(1.0 / counts[i] + shift[i] ** 2 / spread) for i, name in have},
        differences=_differences(groups, counts, means, errors),
    )


def _order_effect(groups: Groups, left: Floats, own_dof: float, some: Counts) -> tuple[float | None, float, Floats]:
    """Slope on the order within treatments, its sum of squares, and each treatment's mean place about the middle.

    Where no drift is taken out, the sum of squares is infinite: no mean gets less certain by it.
    """
    nothing = None, math.inf, np.zeros(some.size)
    if groups.order is None or own_dof <= 0.0:
        return nothing
    mean_order = np.bincount(groups.group, weights=groups.order, minlength=some.size) / some
    within = groups.order - mean_order[groups.group]
    spread = float(within @ within)
    if spread <= 0.0:
        return nothing
    return float(within @ left) / spread, spread, mean_order - float(groups.order.mean())


_Errors = dict[int, tuple[float, float]]
"""Standard error of the difference of each treatment to the baseline, and its degrees of freedom, where they are."""


def _welch_errors(groups: Groups, counts: Counts, squares: Floats, tiny: float) -> _Errors:
    base, found = groups.treatments.index(groups.baseline), {}
    for i in range(counts.size):
        known = welch_error(float(squares[i]), int(counts[i]), float(squares[base]), int(counts[base]))
        if i != base and known is not None and (squares[i] + squares[base]) / (counts[i] + counts[base] - 2) > tiny:
            found[i] = known
    return found


def _differences(groups: Groups, counts: Counts, means: Floats, errors: _Errors) -> tuple[Difference, ...]:
    base, welch, alpha = groups.treatments.index(groups.baseline), groups.variance == "welch", groups.alpha
    n_base, apart = int(counts[base]), (means - means[base]).tolist()
    candidates = [i for i in range(counts.size) if i != base]
    among = [int(counts[i]) for i in candidates if counts[i] > 0 and n_base > 0]
    t_values, dofs = [apart[i] / error for i, (error, _) in errors.items()], [dof for _, dof in errors.values()]
    if welch:
        p_values = holm_p_values([t_tail(t, dof) for t, dof in zip(t_values, dofs, strict=True)])
    else:
        p_values = step_down_p_values(t_values, among, n_base, dofs[0]) if errors else ()
    p_value = dict(zip(errors, p_values, strict=True))
    result = []
    for i in candidates:
        name, mean = groups.treatments[i], float(means[i]) if counts[i] > 0 else None
        if i not in errors:
            result.append(Difference(name, mean, apart[i] if min(counts[i], n_base) > 0 else None))
            continue
        error, dof = errors[i]
        bonferroni = t_point(1.0 - alpha / (2.0 * len(among)), dof)
        critical = bonferroni if welch else dunnett_critical(alpha, among, n_base, dof)
        points = t_point(1.0 - alpha / 2.0, dof), critical, t_point(1.0 - alpha, dof)
        alone, together, one_sided = ((apart[i] - c * error, apart[i] + c * error) for c in points)
        result.append(Difference(name, mean, apart[i], error, dof, critical, alone, together, one_sided, p_value[i]))
    return tuple(result)
