"""Traces straight from the simulator, without a log file in between."""

from __future__ import annotations

from typing import TYPE_CHECKING

from thermlab.runs.trace import Trace

if TYPE_CHECKING:
    from thermlab.simulate.ladders import SimulatedLadder


def trace_of(ladder: SimulatedLadder, step: int, *, mount: str = "1", treatment: str = "grease-a") -> Trace:
    """Return one run of a simulated ladder, with the room's history before it."""
    run = ladder.runs[step]
    start = ladder.log_starts_s[step]
    before = ladder.time_s < start
    interval = float(run.time_s[1] - run.time_s[0])
    return Trace(
        run=f"{treatment}-{mount}-{step}",
        treatment=treatment,
        mount=mount,
        set_power_W=run.set_power_W,
        began_s=start,
        clock="elapsed",
        time_s=run.time_s - run.time_s[0],
        temperature_C=run.temperature_C,
        sensors=tuple(f"core {i}" for i in range(run.temperature_C.shape[1])),
        power_W=run.power_W,
        ambient_C=run.ambient_C,
        clock_MHz=None,
        history_time_s=ladder.time_s[before] - start,
        history_C=ladder.ambient_C[before],
        interval_s=interval,
        jumps=(),
        room_covered=1.0,
    )
