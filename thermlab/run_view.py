"""What a check on one run may look at, and how it raises a flag."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from thermlab.runs import Flag, Severity

if TYPE_CHECKING:
    from thermlab.reduction import Estimate
    from thermlab.thresholds import CheckThresholds
    from thermlab.traces import Blocks, Trace


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
    usual_noise_K : float
        Median noise of the readings over the runs of the bench, K.
    declared_readout_K : float
        Resolution declared in ``uncertainty``.
    room_is_constant : bool
        Whether the room was read once and not logged.
    """

    trace: Trace
    blocks: Blocks
    estimate: Estimate
    thresholds: CheckThresholds
    fit_from_s: float
    soak_wanted_s: float | None
    power_ratio: float
    usual_noise_K: float
    declared_readout_K: float
    room_is_constant: bool


def raise_flag(name: str, severity: Severity, reason: str, **evidence: float | None) -> Flag:
    numbers = {key: float(value) for key, value in evidence.items() if value is not None and np.isfinite(value)}
    return Flag(flag=name, severity=severity, reason=reason, evidence=numbers)
