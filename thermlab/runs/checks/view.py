"""What a check on one run may look at, and how it raises a flag."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from thermlab.runs.records import Flag, Severity

if TYPE_CHECKING:
    from thermlab.campaign.settings import CheckThresholds
    from thermlab.runs.settled_rise import Estimate
    from thermlab.runs.trace import Blocks, Trace

LEAST_DITHER = 0.05
LARGEST_VARIANCE = 2.0


@dataclass(frozen=True, slots=True, kw_only=True)
class Shape:
    """How a run departs from its approach.

    Attributes
    ----------
    bend_K : float
        Shift of the rise, from one instant on, that fits best, as seen at the end of the soak, K.
    bend_at_min : float
        That instant, minutes since the soak began.
    seen_K : float
        How far, peak to peak, it takes the rise from the plain approach, K.
    leverage : float
        Sum of squares of its shape: its variance is that of one value over this.
    departure_K : float
        Largest smoothed departure from the plain approach, K.
    variance_K2 : float
        Variance of a block mean about the approach with the shift, inflated for correlation.
    """

    bend_K: float
    bend_at_min: float
    seen_K: float
    leverage: float
    departure_K: float
    variance_K2: float


@dataclass(frozen=True, slots=True, kw_only=True)
class Departure:
    """A shape, and what is usual on this bench.

    Attributes
    ----------
    shape : Shape
        Of the run.
    usual_variance_K2, usual_departure_K : float
        Medians over the runs of those two numbers of their shapes.
    """

    shape: Shape
    usual_variance_K2: float
    usual_departure_K: float

    @property
    def u_bend_K(self) -> float:
        """Standard uncertainty of the shift, K."""
        # A disturbance of another shape adds to the run's own variance and must not hide itself.
        most = LARGEST_VARIANCE * self.usual_variance_K2
        variance = min(max(self.usual_variance_K2, self.shape.variance_K2), most)
        return float(np.sqrt(variance / max(self.shape.leverage, 1e-9)))


@dataclass(frozen=True, slots=True, kw_only=True)
class UsualStill:
    """For how long readings usually stand still in a run of this bench, s; infinite where that is not known."""

    sensor_s: float
    all_sensors_s: float
    room_s: float


@dataclass(frozen=True, slots=True, kw_only=True)
class RunView:
    """Everything a check may look at.

    Attributes
    ----------
    trace, blocks, estimate : Trace, Blocks, Estimate
        Readings, their block means and what was made of them.
    thresholds : CheckThresholds
        Limits in use.
    fit_from_s : float
        Where the slow approach begins in this run, s.
    soak_wanted_s : float or None
        Declared soak, else the median of the runs, s.
    power_ratio : float
        Median over the runs of logged over set power.
    departures : tuple of Departure
        How the run departs from its approach: its sensor, and the mean of all where there are several.
    usual_noise_K, usual_readout_K : float
        Medians over the runs of the noise at the end and of the step of the readings, K.
    late_noise_K : float
        Noise of the readings at the end of the soak, K; NaN where not known.
    usual_still : UsualStill
        For how long readings usually stand still in a run.
    declared_readout_K : float
        Resolution declared in ``uncertainty``.
    room_is_constant : bool
        Whether the room was read once and not logged.
    room_has_own_file : bool
        Whether it was logged to a file of its own, on a clock of its own.
    """

    trace: Trace
    blocks: Blocks
    estimate: Estimate
    thresholds: CheckThresholds
    fit_from_s: float
    soak_wanted_s: float | None
    power_ratio: float
    departures: tuple[Departure, ...]
    usual_noise_K: float
    usual_readout_K: float
    late_noise_K: float
    usual_still: UsualStill
    declared_readout_K: float
    room_is_constant: bool
    room_has_own_file: bool


def raise_flag(name: str, severity: Severity, reason: str, **evidence: float | None) -> Flag:
    """Make a flag; numbers that cannot be had are left out of its evidence.

    Parameters
    ----------
    name : str
        One of :data:`thermlab.runs.records.FLAG_NAMES`.
    severity : {"note", "doubtful", "unusable"}
        How grave.
    reason : str
        One sentence or two for a person.
    **evidence : float or None
        The numbers behind it; each key ends in its unit.

    Returns
    -------
    Flag
    """
    numbers = {key: float(value) for key, value in evidence.items() if value is not None and np.isfinite(value)}
    return Flag(flag=name, severity=severity, reason=reason, evidence=numbers)


def rounding_bias_K(step_K: float, noise_K: float) -> float:
    """Tell how far the mean of rounded readings can be off.

    Parameters
    ----------
    step_K, noise_K : float
        Step of the readout and standard deviation of the noise before rounding, K.

    Returns
    -------
    float
        ``exp(-2 pi^2 s^2) / pi`` steps with a noise of s steps (first term of the series of Widrow & Kollar, from
        memory), half a step where there is next to none, K.
    """
    if step_K <= 0:
        return 0.0
    noise = noise_K / step_K
    return step_K * (0.5 if noise < LEAST_DITHER else float(np.exp(-2.0 * (np.pi * noise) ** 2)) / np.pi)
