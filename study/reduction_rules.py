"""Two rules of the reduction on their own: which runs count as settled, and the room as the sink feels it."""

from __future__ import annotations

import numpy as np
from scipy.signal import lfilter

from thermlab.campaign.settings import CheckThresholds
from thermlab.runs.settled_rise import lag_room, still_left
from thermlab.runs.trace import Trace

TIME_CONSTANT_S = 720.0
BLOCK_S = 10.0
LEFT_K = (0.0, 0.1, 0.2, 0.3, 0.5, 1.0)
READOUTS_K = (1.0, 0.1)


def settled_shares(n: int, seed: np.random.SeedSequence) -> dict[str, float]:
    """Return the share of n runs that pass as settled, by what is truly left at the end and by readout.

    Readings once a second with noise of 0.3 K correlated over 20 s; time constant 12 min, window 15 min.
    """
    rng = np.random.default_rng(seed)
    window_s = CheckThresholds().steady_window_min * 60.0
    return {
        f"{left_K} {readout_K}": settled_share(n, rng, left_K=left_K, readout_K=readout_K, window_s=window_s)
        for readout_K in READOUTS_K
        for left_K in LEFT_K
    }


def settled_share(n: int, rng: np.random.Generator, *, left_K: float, readout_K: float, window_s: float) -> float:
    """Return the share of n runs that pass as settled with `left_K` truly left at the end."""
    largest_K = CheckThresholds().settled_left_K
    time_s = np.arange(0.0, 1350.0)
    end_s = time_s[-1]
    keep = np.exp(-1.0 / 20.0)
    blocks = time_s.reshape(-1, int(BLOCK_S)).mean(axis=1)
    approach = -left_K * np.exp(-(time_s - end_s) / TIME_CONSTANT_S)
    passed = 0
    for _ in range(n):
        drive = rng.normal(0.0, 0.3 * np.sqrt(1 - keep**2), time_s.size)
        noise = lfilter([1.0], [1.0, -keep], drive, zi=[keep * rng.normal(0.0, 0.3)])[0]
        # A level at a random place between two steps of the readout.
        read = np.round((approach + noise + rng.uniform(50.0, 51.0)) / readout_K) * readout_K
        means = read.reshape(-1, int(BLOCK_S)).mean(axis=1)
        found, bound = still_left(blocks, means, TIME_CONSTANT_S, window_s)
        passed += abs(found) + bound <= largest_K
    return passed / n


def room_errors_K() -> dict[str, float]:
    """Return the largest error of the lagged room over the last 15 min of a soak, K, by room and time constant used.

    The truth is the exact first-order response of a sink with a time constant of 12 min; the room is known from two
    time constants before the soak, which lasts 2.5 time constants. The kit takes 0.75, 1 or 1.25 of the true constant.
    """
    soak_s, step_s = 2.5 * TIME_CONSTANT_S, 1.0
    all_s = np.arange(-20.0 * TIME_CONSTANT_S, soak_s, step_s)
    rooms = {
        "drift of 1 K/h": 22.0 + all_s / 3600.0,
        "cycle of ±0.5 K, 35 min": 22.0 + 0.5 * np.sin(2 * np.pi * all_s / 2100.0),
        "jump of 1 K at mid-soak": 22.0 + (all_s > 0.5 * soak_s),
    }
    out = {}
    for name, room_C in rooms.items():
        keep = np.exp(-step_s / TIME_CONSTANT_S)
        felt = lfilter([1.0 - keep], [1.0, -keep], room_C - room_C[0])[:] + room_C[0]
        known, soaking = (all_s >= -2.0 * TIME_CONSTANT_S) & (all_s < 0), all_s >= 0
        late = soaking & (all_s >= soak_s - 900.0)
        trace = _trace(all_s[soaking], room_C[soaking], all_s[known], room_C[known])
        for factor in (0.75, 1.0, 1.25):
            lagged = lag_room(trace, all_s[late], factor * TIME_CONSTANT_S, shortest_step_s=12.0)
            out[f"{name}, {factor:g}"] = float(np.abs(lagged - felt[late]).max())
        plain = float(np.abs(room_C[late] - felt[late]).max())
        out[f"{name}, not lagged"] = plain
    return out


def _trace(time_s: np.ndarray, room_C: np.ndarray, history_s: np.ndarray, history_C: np.ndarray) -> Trace:
    return Trace(
        run="r",
        treatment="t",
        mount="m",
        set_power_W=100.0,
        began_s=0.0,
        clock="elapsed",
        time_s=time_s,
        temperature_C=room_C[:, None],
        sensors=("core",),
        power_W=np.full(time_s.size, 100.0),
        ambient_C=room_C,
        clock_MHz=None,
        history_time_s=history_s,
        history_C=history_C,
        interval_s=1.0,
        jumps=(),
        room_covered=1.0,
    )
