"""From runs to one number per mount.

The mount is the experimental unit: its runs at several powers, and repeats of
one step, describe the same mount and are never replicates. Every comparison
works on one summary per mount, and the spread of these summaries within a
treatment is what a difference is judged by.
"""

from __future__ import annotations

from collections import defaultdict
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from thermlab.stats.curves import curve_design
from thermlab.stats.least_squares import Floats, LinearFit, NotEstimableError, fit_linear

if TYPE_CHECKING:
    from collections.abc import Sequence

    from thermlab.runs.records import ReducedRun

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

    def counts(self) -> Counts:
        """Return the number of used mounts of each treatment, shape (n_treatments,)."""
        return np.bincount(self.group, minlength=len(self.treatments))


def usable(runs: Sequence[ReducedRun]) -> list[ReducedRun]:
    """Return the runs that enter the fits at set power."""
    return [run for run in runs if run.used and run.rise_K is not None]


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
    cells: dict[tuple[int, str], dict[float, list[float]]] = defaultdict(lambda: defaultdict(list))
    steps: set[float] = set()
    for run in runs:
        if run.treatment not in place:
            continue
        key = (place[run.treatment], run.mount)
        first[key] = min(first.get(key, run.order), run.order)
        if run.used and run.rise_K is not None:
            step = round(run.set_power_W, SAME_POWER_DECIMALS)
            cells[key][step].append(run.rise_K)
            steps.add(step)
    ranks = {key: rank for rank, key in enumerate(sorted(first, key=lambda k: (first[k], k)))}
    keys = sorted(cells, key=lambda k: (k[0], ranks[k]))
    ladder = sorted(steps)
    rise = np.full((len(keys), len(ladder)), np.nan)
    repeats = np.zeros((len(keys), len(ladder)), dtype=np.intp)
    for row, key in enumerate(keys):
        for column, step in enumerate(ladder):
            values = cells[key].get(step)
            if values:
                rise[row, column] = sum(sorted(values)) / len(values)
                repeats[row, column] = len(values)
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
    if present.all():
        step_rise = table.rise_K.mean(axis=0)
        left = table.rise_K - step_rise
        slope = left @ steps / float(steps @ steps)
        left = left - slope[:, None] * steps
        dof = (n_mounts - 1) * (n_steps - 1)
        weighted = float((table.repeats * left * left).sum())
    else:
        rows, columns = np.nonzero(present)
        design = np.zeros((rows.size, n_steps + n_mounts - 1))
        line = np.arange(rows.size)
        design[line, columns] = 1.0
        free = rows < n_mounts - 1
        design[line[free], n_steps + rows[free]] = steps[columns[free]]
        # The last slope is minus the sum of the others.
        design[~free, n_steps:] = -steps[columns[~free], None]
        fit = fit_linear(design, table.rise_K[present])
        step_rise = fit.coefficients[:n_steps]
        slope = np.append(fit.coefficients[n_steps:], -fit.coefficients[n_steps:].sum())
        dof = fit.dof
        weighted = float((table.repeats[present] * fit.residuals**2).sum())
    return CommonStepFit(
        step_rise_K=step_rise,
        slope_K_per_W=slope,
        run_noise_K=float(np.sqrt(weighted / dof)) if dof > 0 else None,
        dof=dof,
    )


def fit_shared_curve(table: MountTable, exponent: float | None = None) -> LinearFit | None:
    """Fit ``y = b_ij P + a P**q`` with one ``a`` for all mounts.

    Parameters
    ----------
    table : MountTable
        Mounts and steps.
    exponent : float, optional
        Exponent q, default that of the rise curve.

    Returns
    -------
    LinearFit or None
        Coefficients b of the mounts, K/W, then a; None where no mount has two steps, so that nothing fixes ``a``.
    """
    rows, columns = np.nonzero(table.present)
    both = curve_design(table.steps_W[columns]) if exponent is None else curve_design(table.steps_W[columns], exponent)
    design = np.zeros((rows.size, len(table.names) + 1))
    design[np.arange(rows.size), rows] = both[:, 0]
    design[:, -1] = both[:, 1]
    try:
        return fit_linear(design, table.rise_K[table.present])
    except NotEstimableError:
        return None
