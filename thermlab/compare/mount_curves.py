"""The rise curve of every mount, and how much the choice of the curve matters."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from thermlab.compare.mounts import MountTable, fit_shared_curve
from thermlab.stats.curves import EXPONENT, RiseCurve, curve_design, fit_curve, predict_inverse
from thermlab.stats.least_squares import Floats, LinearFit, NotEstimableError, fit_linear

if TYPE_CHECKING:
    from collections.abc import Sequence

    from numpy.typing import NDArray

    from thermlab.compare.scatter import Interval

OTHER_EXPONENTS = (0.75, 0.85)
"""Exponents of the sink between which a passive sink is expected; they move the answer by what is stated as spread."""

_STEPS_FOR_OWN_CURVE = 3
_SEARCH_FACTOR = 3.0


@dataclass(frozen=True, slots=True, kw_only=True)
class MountCurve:
    """The curve of one mount with what its own runs leave open.

    Attributes
    ----------
    curve : RiseCurve
        Fitted curve.
    fit : LinearFit or None
        Its least-squares fit; None where the bend is shared by all mounts.
    covariance : ndarray, shape (2, 2)
        Covariance of its b and a for a run noise of 1.
    run_noise_K : float or None
        Scatter of single runs about the curves of all mounts, K; None without degrees of freedom.
    """

    curve: RiseCurve
    fit: LinearFit | None
    covariance: Floats
    run_noise_K: float | None

    def power_variance_W2(self, power_W: float) -> float:
        """Variance of a power solved from the curve that comes from the scatter of single runs, W2."""
        if self.run_noise_K is None:
            return 0.0
        row = _basis(power_W)
        variance = self.run_noise_K**2 * float(row @ self.covariance @ row)
        return variance / self.curve.slope_K_per_W(power_W) ** 2

    def interval_W(self, rise_K: float, confidence_level: float) -> Interval | None:
        """Return all powers whose confidence band of this mount's own fit holds a rise, W; None where unbounded."""
        power = self.curve.power_W(rise_K)
        if self.fit is None or power is None:
            return None
        found = predict_inverse(
            self.fit,
            _basis,
            rise_K,
            (power / _SEARCH_FACTOR, power * _SEARCH_FACTOR),
            confidence_level=confidence_level,
        )
        return None if found is None else found.interval


def curves_of_mounts(table: MountTable) -> tuple[list[MountCurve | None], str]:
    """Fit the rise curve of every mount.

    Parameters
    ----------
    table : MountTable
        Mounts and steps.

    Returns
    -------
    (curves, model) : tuple of list of MountCurve or None, and str
        One entry per mount, None where nothing fixes a curve; and the model in words. Where any mount has fewer than
        three steps, the coefficient of the bend is shared by all mounts.
    """
    n_mounts = len(table.names)
    words = f"b P + a P^{EXPONENT:g}"
    if n_mounts == 0:
        return [], f"{words} per mount"
    if int(table.present.sum(axis=1).min()) >= _STEPS_FOR_OWN_CURVE:
        fits = [_own_fit(table, i) for i in range(n_mounts)]
        dof = sum(fit.dof for fit in fits)
        noise = float(np.sqrt(sum(float(fit.residuals @ fit.residuals) for fit in fits) / dof)) if dof else None
        curves: list[MountCurve | None] = [
            MountCurve(
                curve=_rise_curve(table, i, *fits[i].coefficients),
                fit=fits[i],
                covariance=fits[i].unscaled_covariance,
                run_noise_K=noise,
            )
            for i in range(n_mounts)
        ]
        return curves, f"{words} per mount"
    shared = fit_shared_curve(table)
    if shared is None:
        return [None] * n_mounts, f"{words}: too few power steps"
    pairs = [np.array([i, n_mounts]) for i in range(n_mounts)]
    curves = [
        MountCurve(
            curve=_rise_curve(table, i, *shared.coefficients[pair]),
            fit=None,
            covariance=shared.unscaled_covariance[np.ix_(pair, pair)],
            run_noise_K=shared.residual_sd,
        )
        for i, pair in enumerate(pairs)
    ]
    return curves, f"{words}, b per mount, a shared by all mounts because some have fewer than three steps"


def mean_curve(curves: Sequence[RiseCurve]) -> RiseCurve | None:
    """Return the mean of several curves, over the ladders of all; None without any."""
    if not curves:
        return None
    return RiseCurve(
        b_K_per_W=sum(curve.b_K_per_W for curve in curves) / len(curves),
        a=sum(curve.a for curve in curves) / len(curves),
        lowest_W=min(curve.lowest_W for curve in curves),
        highest_W=max(curve.highest_W for curve in curves),
    )


def move_along(curve: RiseCurve, power_W: float, rise_K: float, other_rise_K: float) -> float | None:
    """Move an observed power along a curve to another rise.

    Parameters
    ----------
    curve : RiseCurve
        Curve whose shape is followed; the observation need not lie on it.
    power_W, rise_K : float
        What was observed, W and K.
    other_rise_K : float
        Rise wanted, K.

    Returns
    -------
    float or None
        Power at that rise, W; None where the shifted curve never gets there.
    """
    if not other_rise_K > 0.0:
        return None
    off_the_curve = rise_K - curve.rise_K(power_W)
    return curve.power_W(other_rise_K - off_the_curve)


def model_spread_W(
    table: MountTable, mounts: Sequence[int] | NDArray[np.intp], rise_K: float, power_W: float
) -> float | None:
    """Half-spread of the power at which the mean curve reaches a rise, over curve models.

    Parameters
    ----------
    table : MountTable
        Mounts and steps.
    mounts : sequence of int
        Rows of the table that are averaged.
    rise_K : float
        Rise to be reached, K.
    power_W : float
        Where the curve of the kit reaches it, W.

    Returns
    -------
    float or None
        Over exponents 0.75, 0.8 and 0.85 and a quadratic with intercept (three steps or more), W; None where no other
        model can be fitted.
    """
    rows, columns = np.nonzero(table.present[np.asarray(mounts)])
    powers = table.steps_W[columns]
    rises = table.rise_K[np.asarray(mounts)][rows, columns]
    found = [_power(powers, rises, exponent, rise_K) for exponent in (EXPONENT, *OTHER_EXPONENTS)]
    found.append(_quadratic_power(powers, rises, rise_K, power_W))
    known = [value for value in found if value is not None]
    return (max(known) - min(known)) / 2.0 if len(known) > 1 else None


def _power(powers: Floats, rises: Floats, exponent: float, rise_K: float) -> float | None:
    try:
        return fit_curve(powers, rises, exponent=exponent).power_W(rise_K)
    except NotEstimableError:
        return None


def _quadratic_power(powers: Floats, rises: Floats, rise_K: float, near_W: float) -> float | None:
    """Where a quadratic reaches a rise on its rising branch, W; None where it never does."""
    try:
        c0, c1, c2 = fit_linear(np.column_stack([np.ones_like(powers), powers, powers**2]), rises).coefficients
    except NotEstimableError:
        return None
    rising = [
        float(root.real)
        for root in np.roots([c2, c1, c0 - rise_K])
        if abs(root.imag) < 1e-9 * abs(root.real) and root.real > 0.0 and c1 + 2.0 * c2 * root.real > 0.0
    ]
    return min(rising, key=lambda root: abs(root - near_W)) if rising else None


def _own_fit(table: MountTable, row: int) -> LinearFit:
    has = table.present[row]
    return fit_linear(curve_design(table.steps_W[has]), table.rise_K[row, has])


def _rise_curve(table: MountTable, row: int, b: float, a: float) -> RiseCurve:
    steps = table.steps_W[table.present[row]]
    return RiseCurve(b_K_per_W=float(b), a=float(a), lowest_W=float(steps.min()), highest_W=float(steps.max()))


def _basis(power_W: float) -> Floats:
    return np.array([power_W, power_W**EXPONENT])
