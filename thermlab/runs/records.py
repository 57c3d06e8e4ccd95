"""One load run after reduction: what every later step of thermlab works on.

A :class:`ReducedRun` is made once from a log and never changed. Comparison,
throttle power and report read its fields; none of them looks at a log again.
"""

from collections.abc import Iterable
from dataclasses import dataclass
from typing import Literal

import numpy as np
import numpy.typing as npt

Severity = Literal["note", "doubtful", "unusable"]

Array = npt.NDArray[np.float64]
Booleans = npt.NDArray[np.bool_]
Integers = npt.NDArray[np.intp]

FLAG_NAMES = (
    "not settled",
    "drift at constant power",
    "load step",
    "power off set",
    "shed power at limit",
    "ambient unsteady",
    "ambient follows power",
    "sensor stuck",
    "gap",
    "clock jump",
    "soak length",
    "core spread",
    "off the ladder",
    "mount off its treatment",
    "labels may be swapped",
    "coarse readout",
    "copied readings",
    "at the ceiling",
    "soaks overlap",
    "no log",
)


@dataclass(frozen=True, slots=True, kw_only=True)
class Flag:
    """What a check found on a run.

    Attributes
    ----------
    flag : str
        One of :data:`FLAG_NAMES`.
    severity : {"note", "doubtful", "unusable"}
        Notes do not count, doubtful runs are used and shown, unusable ones are
        left out and shown.
    reason : str
        One sentence for a person.
    evidence : dict of str to float
        The numbers behind it; each key ends in its unit.
    """

    flag: str
    severity: Severity
    reason: str
    evidence: dict[str, float]


Flags = tuple[Flag, ...]

# What marks a run as of the lower grade.
NO_LOG = Flag(flag="no log", severity="note", reason="A reading without a log.", evidence={})


@dataclass(frozen=True, slots=True)
class HeldPower:
    """What a run that shed power at its limit says about the throttle power.

    Attributes
    ----------
    run, treatment, mount : str
        Which run it was.
    held_power_W : float
        Mean power over the end of the soak, W.
    held_rise_K : float
        Rise of the device over the room in the same window, K.
    ambient_C : float
        Room temperature the sink felt, degC.
    """

    run: str
    treatment: str
    mount: str
    held_power_W: float
    held_rise_K: float
    ambient_C: float


@dataclass(frozen=True, slots=True, kw_only=True)
class SensorRise:
    """What one sensor of a run reads over the room.

    Attributes
    ----------
    name : str
        As in the log.
    rise_K : float or None
        Settled rise at this sensor: the run's, and the mean distance of the two over the fit window, K.
    """

    name: str
    rise_K: float | None


@dataclass(frozen=True, slots=True, kw_only=True)
class ReducedRun:
    """One load run reduced to the numbers the comparison needs.

    Attributes
    ----------
    run, treatment, mount : str
        Identity; a mount is identified by (treatment, mount).
    set_power_W : float
        The power step, W.
    power_W : float or None
        Mean logged power over the fit window, W.
    ambient_C : float or None
        Mean room temperature over the fit window, degC.
    rise_K : float or None
        Settled rise at the set power, K, or of a reading without a log the reading less the room; None where it cannot
        be had.
    u_rise_K : float or None
        Combined standard uncertainty (Type A and B, k = 1), K.
    u_rise_a_K : float or None
        Its Type A part alone, K.
    drift_left_K : float or None
        Settled rise minus rise at the end of the soak, K; positive: still warming.
    end_reading_C : float or None
        Customary reading: the largest one-minute mean of the hottest sensor at the end of the soak, degC.
    end_rise_K : float or None
        The same less the room over that minute, K.
    sensor : str or None
        The sensor the rise is taken from, or ``"mean of n"``.
    soak_min : float or None
        Time under load, min.
    settled : bool or None
        Whether what was left at the end is shown to be at most 0.5 K.
    flags : tuple of Flag
        Everything the checks found.
    used : bool
        Whether the run enters the fits at set power.
    reason : str
        Why it is not used; empty where it is.
    held : HeldPower or None
        Observation of the throttle power where the run shed power.
    order : int
        Place in the order in which the runs were made, from 0.
    start, end : str or None
        First and last reading of the soak, ISO 8601: local, or with its offset where the log writes one (UTC where the
        run sheet gives no start); without a date where the log has none; None with elapsed time.
    sensors : tuple of SensorRise
        Every sensor of the log.
    early_rise_K, u_early_rise_K : float or None
        Rise a fixed time after the load came on over the reading before, per watt of the power step times the set
        power, and its standard uncertainty (k = 1), K: die, interface and base of the sink, not yet the air.
    early_note : str
        Why there is no early rise.
    early_from_W : float or None
        Power before the load came on, alike for all runs whose early rises can be compared, W.
    lot, condition, note : str
        As in the run sheet.
    window_min : tuple of float or None
        Fit window of the level, minutes since the soak began.
    """

    run: str
    treatment: str
    mount: str
    set_power_W: float
    power_W: float | None = None
    ambient_C: float | None = None
    rise_K: float | None = None
    u_rise_K: float | None = None
    u_rise_a_K: float | None = None
    drift_left_K: float | None = None
    end_reading_C: float | None = None
    end_rise_K: float | None = None
    sensor: str | None = None
    soak_min: float | None = None
    settled: bool | None = None
    flags: Flags = ()
    used: bool = True
    reason: str = ""
    held: HeldPower | None = None
    order: int = 0
    start: str | None = None
    end: str | None = None
    sensors: tuple[SensorRise, ...] = ()
    early_rise_K: float | None = None
    u_early_rise_K: float | None = None
    early_note: str = ""
    early_from_W: float | None = None
    lot: str = ""
    condition: str = ""
    note: str = ""
    window_min: tuple[float, float] | None = None

    @property
    def by_hand(self) -> bool:
        """Whether it is a reading without a log: of the lower grade, for nothing shows that it had settled."""
        return any(flag.flag == NO_LOG.flag for flag in self.flags)

    @property
    def settled_rise_K(self) -> float | None:
        """Settled rise at the set power, K; None of a reading without a log too."""
        return None if self.by_hand else self.rise_K

    def worst(self) -> Severity | None:
        """Return the worst severity among the flags, None without flags."""
        found = {flag.severity for flag in self.flags}
        return next((s for s in ("unusable", "doubtful", "note") if s in found), None)


def side(difference: float) -> str:
    """Say on which side a difference is: above or below."""
    return "above" if difference > 0 else "below"


SETTLED_RISE = "settled rise"


def rise_name(runs: Iterable[ReducedRun]) -> str:
    """Return what the rises of runs are: settled ones, or rises alone where none that is used has a log."""
    given = list(runs)
    counted = [run for run in given if run.used] or given
    return "rise" if counted and all(run.by_hand for run in counted) else SETTLED_RISE


# Why a run is not used whose settled rise would be an extrapolation nobody trusts; its early rise still counts.
TOO_SHORT = "soak too short for a settled rise"


def raise_flag(name: str, severity: Severity, reason: str, **evidence: float | None) -> Flag:
    """Make a flag; numbers that cannot be had are left out of its evidence.

    Parameters
    ----------
    name : str
        One of :data:`FLAG_NAMES`.
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
