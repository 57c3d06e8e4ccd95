"""What a throttle power is made of: plain records."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

from thermlab.base.showing import Shown

if TYPE_CHECKING:
    from thermlab.compare.scatter import Interval
    from thermlab.runs.records import HeldPower

FARTHEST_EXTRAPOLATION = 0.20
"""Beyond this fraction outside the steps used nothing is given, neither a throttle power nor a difference."""


@dataclass(frozen=True, slots=True, kw_only=True)
class MountThrottle:
    """Throttle power of one mount.

    Attributes
    ----------
    mount : str
        Its name within the treatment.
    throttle_power_W : float or None
        Where its own curve reaches the limit, W; None for a flat or falling curve.
    fit_interval_W : tuple of float or None
        What its own fit leaves open (the confidence band inverted), W; the scatter between mounts is not in it.
    """

    mount: str
    throttle_power_W: float | None
    fit_interval_W: Interval | None


@dataclass(frozen=True, slots=True, kw_only=True)
class TreatmentThrottle:
    """Throttle power of one treatment.

    Attributes
    ----------
    treatment : str
        Treatment.
    n_mounts : int
        Mounts with a curve.
    throttle_power_W : float or None
        Mean over its mounts, W.
    interval_W, future_mount_interval_W : tuple of float or None
        Interval of the mean of all mounts one could make, and where a single future mount is expected, W.
    difference_W : float or None
        Less the baseline's, W; positive: carries more power.
    difference_interval_W, simultaneous_difference_interval_W : tuple of float or None
        Of this difference alone, and together with the other candidates, W.
    extrapolation : float or None
        Throttle power over its highest used step, less 1.
    observed : tuple of HeldPower
        Runs that shed power at the limit.
    directly_observed_W : float or None
        Their held power moved along the fitted curve to the customer's room and limit, mean over runs, W.
    slope_K_per_W : float or None
        Slope of the mean curve at the throttle power, K/W.
    model_spread_W : float or None
        Half-spread over curve models, W.
    reason : str
        Why there is no throttle power; empty where there is one.
    mounts : tuple of MountThrottle
        Every mount.
    """

    treatment: str
    n_mounts: int
    throttle_power_W: float | None = None
    interval_W: Interval | None = None
    future_mount_interval_W: Interval | None = None
    difference_W: float | None = None
    difference_interval_W: Interval | None = None
    simultaneous_difference_interval_W: Interval | None = None
    extrapolation: float | None = None
    observed: tuple[HeldPower, ...] = ()
    directly_observed_W: float | None = None
    slope_K_per_W: float | None = None
    model_spread_W: float | None = None
    reason: str = ""
    mounts: tuple[MountThrottle, ...] = ()


@dataclass(frozen=True, slots=True, kw_only=True)
class ThrottlePower(Shown):
    """Throttle power of every treatment, baseline first.

    Attributes
    ----------
    room_C, temperature_limit_C : float
        The customer's room and the limit of the device, degC.
    model : str
        Curve used, in words.
    model_spread_W : float or None
        Largest half-spread over curve models (exponents 0.75 and 0.85, quadratic) among the treatments, W.
    mount_sd_W, mount_sd_dof : float or None
        Scatter of throttle powers between mounts, W, and its degrees of freedom (pooled).
    treatments : tuple of TreatmentThrottle
        Baseline first, then candidates in order.
    cautions : tuple of str
        What a reader has to know.
    """

    room_C: float
    temperature_limit_C: float
    model: str
    model_spread_W: float | None
    mount_sd_W: float | None
    mount_sd_dof: float | None
    treatments: tuple[TreatmentThrottle, ...]
    cautions: tuple[str, ...]
