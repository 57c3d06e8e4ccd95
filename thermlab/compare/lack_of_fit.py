"""Whether the rise curve describes the steps, or they bend where no curve bends.

The mean rise of all mounts at each step is fitted by ``b P + a P**0.8``; what is
left is judged by the scatter of single runs about common steps and mount
slopes. A fan that changes its speed between two steps shows as a jump of the
resistance between them.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from scipy.special import fdtrc

from thermlab.compare.mounts import MountTable, fit_common_steps
from thermlab.stats.curves import curve_design
from thermlab.stats.dunnett import t_tail
from thermlab.stats.least_squares import NotEstimableError, fit_linear

_KINK_LEVEL = 0.01
_KINK_SHARE_OF_RISE = 0.01
_SPECK_K = 1e-6


@dataclass(frozen=True, slots=True, kw_only=True)
class Kink:
    """A jump of the resistance between two neighbouring steps.

    Attributes
    ----------
    below_W, above_W : float
        The steps it lies between, W.
    jump_K_per_W : float
        Change of rise over power above it, K/W; negative: cooled better.
    standard_error_K_per_W : float
        Standard error of the jump, from the scatter of single runs, K/W.
    p_value : float
        Two-sided, adjusted for the number of places looked at.
    """

    below_W: float
    above_W: float
    jump_K_per_W: float
    standard_error_K_per_W: float
    p_value: float


@dataclass(frozen=True, slots=True, kw_only=True)
class LackOfFit:
    """F test of the rise curve on the step means.

    Attributes
    ----------
    F : float
        Mean square of the step means about the curve over that of single runs.
    dof1, dof2 : int
        Degrees of freedom of the two.
    p_value : float
        Chance of a larger F when the curve is right.
    largest_K : float
        Largest distance of a step mean from the curve, K: it, not F, says whether the misfit matters.
    kink : Kink or None
        The clearest jump between two steps, where one is shown.
    """

    F: float
    dof1: int
    dof2: int
    p_value: float
    largest_K: float
    kink: Kink | None


def assess_curve(table: MountTable) -> LackOfFit | None:
    """Judge the rise curve by the scatter of single runs.

    Parameters
    ----------
    table : MountTable
        Mounts and steps; only steps that every mount has are used.

    Returns
    -------
    LackOfFit or None
        None below two mounts or three common steps, or where single runs do not scatter at all.
    """
    common = table.common
    n_mounts = len(table.names)
    if n_mounts < 2 or int(common.sum()) < 3:
        return None
    steps = table.steps_W[common]
    complete = MountTable(
        treatments=table.treatments,
        names=table.names,
        group=table.group,
        order=table.order,
        ordered=table.ordered,
        steps_W=steps,
        rise_K=table.rise_K[:, common],
        repeats=np.ones((n_mounts, steps.size), dtype=np.intp),
    )
    fit = fit_common_steps(complete)
    if fit.run_noise_K is None or fit.run_noise_K <= _SPECK_K:
        return None
    design = curve_design(steps)
    curve = fit_linear(design, fit.step_rise_K)
    noise = fit.run_noise_K**2 / n_mounts
    ratio = float(curve.residuals @ curve.residuals) / curve.dof / noise
    p_value = float(fdtrc(curve.dof, fit.dof, ratio))
    kink = _find_kink(steps, fit.step_rise_K, noise, fit.dof) if p_value < 0.05 else None
    largest = float(np.abs(curve.residuals).max())
    return LackOfFit(F=ratio, dof1=curve.dof, dof2=fit.dof, p_value=p_value, largest_K=largest, kink=kink)


def _find_kink(steps: np.ndarray, rise: np.ndarray, noise: float, dof: int) -> Kink | None:
    """Try a jump of the resistance between every two neighbours and keep the one that explains most."""
    best: tuple[float, int, float, float] | None = None
    for place in range(1, steps.size):
        above = np.where(np.arange(steps.size) >= place, steps, 0.0)
        try:
            fit = fit_linear(np.column_stack([curve_design(steps), above]), rise)
        except NotEstimableError:
            continue
        jump = float(fit.coefficients[2])
        error = math.sqrt(noise * float(fit.unscaled_covariance[2, 2]))
        if best is None or abs(jump / error) > abs(best[0]):
            best = (jump / error, place, jump, error)
    if best is None:
        return None
    t, place, jump, error = best
    p_value = min(1.0, (steps.size - 1) * t_tail(t, dof))
    # A curve bent by radiation is not quite a power law either; a fan that changes speed is a larger matter.
    large = abs(jump) * steps[place] > _KINK_SHARE_OF_RISE * abs(rise[place])
    if p_value >= _KINK_LEVEL or not large:
        return None
    return Kink(
        below_W=float(steps[place - 1]),
        above_W=float(steps[place]),
        jump_K_per_W=jump,
        standard_error_K_per_W=error,
        p_value=p_value,
    )
