"""The rise of every mount at the reference power: what treatments are compared by.

Where every mount has the reference step, its mean rise there is taken as it is
and no model enters. Where one lacks it, all mounts go through the same fit, so
that a missing or excluded run does not silently change what is compared.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from thermlab.compare.mounts import SAME_POWER_DECIMALS, MountTable, fit_common_steps, fit_shared_curve
from thermlab.stats.curves import curve_design, fit_curve
from thermlab.stats.least_squares import Floats, NotEstimableError

_FAR_BEYOND_LADDER = 0.20


@dataclass(frozen=True, slots=True, kw_only=True)
class MountSummary:
    """One mount as the comparison sees it.

    Attributes
    ----------
    treatment, mount : str
        Identity.
    order : int
        Place in the order of the mounts' first runs, from 0.
    n_runs : int
        Used runs.
    steps_W : tuple of float
        Power steps with a used run, W.
    rise_K : float or None
        The mount's rise at the reference power, K.
    """

    treatment: str
    mount: str
    order: int
    n_runs: int
    steps_W: tuple[float, ...]
    rise_K: float | None


@dataclass(frozen=True, slots=True, kw_only=True)
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
    rise_K: Floats | None
    noise_factor: float
    method: str
    cautions: tuple[str, ...]


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
        Where a mount lacks the reference step, all mounts use the common-step
        fit (or, without shared steps, slopes about one shared curve).
    """
    if not table.names:
        return ReferenceRise(
            power_W=reference_power_W, rise_K=None, noise_factor=1.0, method="no used mounts", cautions=()
        )
    steps, common = table.steps_W, table.common
    if reference_power_W is None:
        power = float(steps[common].max()) if common.any() else float(steps.max())
    else:
        power = float(reference_power_W)
    at = np.flatnonzero(np.abs(steps - power) <= 10.0**-SAME_POWER_DECIMALS)
    if at.size and common[at[0]]:
        return ReferenceRise(
            power_W=power,
            rise_K=table.rise_K[:, at[0]].copy(),
            noise_factor=float((1.0 / table.repeats[:, at[0]]).mean()),
            method=f"mean rise of each mount at the reference step of {power:g} W",
            cautions=(),
        )
    cautions = []
    lacking = "no mount has a step there" if not at.size else _who_lacks(table, int(at[0]))
    beyond = power / float(steps.max()) - 1.0
    below = 1.0 - power / float(steps.min())
    if max(beyond, below) > 1e-9:
        far = " That is far outside the ladder." if max(beyond, below) > _FAR_BEYOND_LADDER else ""
        side = f"{beyond:.0%} above the highest" if beyond > 0 else f"{below:.0%} below the lowest"
        cautions.append(
            f"The reference power of {power:g} W lies {side} used step: the rise there is extrapolated.{far}"
        )
    noise_factor = float((power**2 / (table.repeats * steps**2).sum(axis=1)).mean())
    try:
        fit = fit_common_steps(table)
        base = float(fit.step_rise_K[at[0]]) if at.size else fit_curve(steps, fit.step_rise_K).rise_K(power)
        values = base + fit.slope_K_per_W * power
        method = (
            f"common-step fit (step effects and one slope per mount) evaluated at {power:g} W for all mounts: {lacking}"
        )
    except NotEstimableError:
        shared = _slopes_about_shared_curve(table, power)
        if shared is None:
            cautions.append(
                f"No rise at {power:g} W can be had for every mount: {lacking}, and the steps used do not fix a curve."
            )
            return ReferenceRise(
                power_W=power,
                rise_K=None,
                noise_factor=noise_factor,
                method=f"no rise at {power:g} W: {lacking}",
                cautions=tuple(cautions),
            )
        values = shared
        method = f"slopes about one rise curve shared by all mounts, evaluated at {power:g} W: {lacking}"
        cautions.append(
            f"Some mounts share no power step with the others ({lacking}): "
            "the comparison rests on the shape of the curve."
        )
    few = [f"{table.treatments[g]} {name}" for g, name, n in _mounts_with_counts(table) if n < 2]
    if few:
        cautions.append(
            f"Only one power step is used of {', '.join(few)}: its rise at {power:g} W rests on that one step."
        )
    return ReferenceRise(
        power_W=power, rise_K=values, noise_factor=noise_factor, method=method, cautions=tuple(cautions)
    )


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


def _slopes_about_shared_curve(table: MountTable, power: float) -> Floats | None:
    shared = fit_shared_curve(table)
    if shared is None:
        return None
    basis = curve_design(np.array([power]))[0]
    values: Floats = shared.coefficients[:-1] * basis[0] + shared.coefficients[-1] * basis[1]
    return values


def _who_lacks(table: MountTable, column: int) -> str:
    lacking = [
        f"{table.treatments[int(table.group[i])]} {name}"
        for i, name in enumerate(table.names)
        if not table.present[i, column]
    ]
    return f"{', '.join(lacking)} without a used run at that step"


def _mounts_with_counts(table: MountTable) -> list[tuple[int, str, int]]:
    filled = table.present.sum(axis=1)
    return [(int(table.group[i]), name, int(filled[i])) for i, name in enumerate(table.names)]
