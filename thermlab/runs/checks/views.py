"""What each run's checks may look at: the run itself, and what is usual on its bench."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from thermlab.runs.checks.readings import late_noise
from thermlab.runs.checks.recording import usual_still
from thermlab.runs.checks.shape import describe_departures
from thermlab.runs.checks.view import RunView

if TYPE_CHECKING:
    from collections.abc import Sequence

    from thermlab.campaign.settings import CheckThresholds
    from thermlab.runs.settled_rise import Estimate
    from thermlab.runs.trace import Blocks, Trace


def view_runs(
    traces: Sequence[Trace],
    blocks: Sequence[Blocks],
    estimates: Sequence[Estimate],
    *,
    thresholds: CheckThresholds,
    slow_from: float,
    soak_declared_s: float | None,
    declared_readout_K: float,
    room_is_constant: bool,
    room_has_own_file: bool = False,
) -> list[RunView]:
    """Prepare the checks of all runs of a bench.

    Parameters
    ----------
    traces, blocks, estimates : sequence
        The runs, their block means and what was made of them.
    thresholds : CheckThresholds
        Limits in use.
    slow_from : float
        Where the slow approach begins, in time constants.
    soak_declared_s : float or None
        As in the campaign, s; None takes the median of the runs, where there are three.
    declared_readout_K : float
        Resolution of the readout as declared, K.
    room_is_constant, room_has_own_file : bool
        Whether the room was read once and not logged; whether it was logged to a file of its own.

    Returns
    -------
    list of RunView
    """
    wanted = soak_declared_s
    if wanted is None and len(traces) > 2:
        wanted = float(np.median([trace.soak_s for trace in traces]))
    ratios = [e.power_W / t.set_power_W for t, e in zip(traces, estimates, strict=True) if not e.shed]
    ratios = [ratio for ratio in ratios if np.isfinite(ratio) and 0.85 < ratio < 1.15]
    departures = describe_departures(estimates, blocks, [trace.set_power_W for trace in traces], slow_from=slow_from)
    noises = [late_noise(trace, e.sensor) for trace, e in zip(traces, estimates, strict=True)]
    known_noises = [noise for noise in noises if np.isfinite(noise)]
    readouts = [e.readout_K for e in estimates if e.readout_K > 0]
    still = usual_still(traces)
    return [
        RunView(
            trace=trace,
            blocks=block,
            estimate=estimate,
            thresholds=thresholds,
            fit_from_s=slow_from * (estimate.time_constant_s or 0.0),
            soak_wanted_s=wanted,
            power_ratio=float(np.median(ratios)) if len(ratios) > 2 else 1.0,
            departures=departed,
            usual_noise_K=float(np.median(known_noises)) if known_noises else 0.0,
            usual_readout_K=float(np.median(readouts)) if readouts else declared_readout_K,
            late_noise_K=noise,
            usual_still=still,
            declared_readout_K=declared_readout_K,
            room_is_constant=room_is_constant,
            room_has_own_file=room_has_own_file,
        )
        for trace, block, estimate, departed, noise in zip(traces, blocks, estimates, departures, noises, strict=True)
    ]
