"""What a simulation returns: treatments, ladders and runs, and what is true of them whatever the sensors show."""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from thermlab.simulate.network import (
    Floats,
    SimulatedBench,
    core_excess,
    settled_rise,
    throttle_power,
    time_constant_s,
)


@dataclass(frozen=True, slots=True, kw_only=True)
class SimulatedTreatment:
    """A treatment's interface resistance: its mean, and how much the mounts scatter (normal), K/W."""

    name: str
    resistance_K_per_W: float
    mount_sd_K_per_W: float = 0.005

    def mounts(self, n: int, rng: np.random.Generator) -> Floats:
        """Draw the resistance of `n` fresh mounts, K/W, (n,)."""
        return np.maximum(self.resistance_K_per_W + rng.normal(0.0, self.mount_sd_K_per_W, n), 1e-4)


@dataclass(frozen=True, slots=True, kw_only=True)
class RunTruth:
    """What is true of a run, whatever the sensors show.

    Attributes
    ----------
    settled_rise_K, settled_mean_rise_K : float
        Settled rise at the set power in the room's mean, hottest sensor and mean of all, as if there were no limit, K.
    left_K : float
        What a settled device would rise at the power then flowing, less the rise of the hottest sensor over the room's
        mean of the last quarter hour, at the end of the soak, K: positive is still warming. What a moving room and a
        disturbance did is in it.
    time_constant_s : float
        Slow small-signal time constant at the set power, s.
    throttle_power_W : float or None
        Power at which the mount settles at the bench's limit in the room's mean; None without a limit.
    shed : bool
        Whether power was shed at any time of the soak.
    """

    settled_rise_K: float
    settled_mean_rise_K: float
    left_K: float
    time_constant_s: float
    throttle_power_W: float | None
    shed: bool


@dataclass(frozen=True, slots=True, kw_only=True)
class SimulatedRun:
    """One load run: its rows, from the step in power to the end of the soak, and its truth.

    Attributes
    ----------
    set_power_W : float
        Power step.
    time_s : ndarray, (n,)
        Seconds since the ladder's log began, on the log's clock.
    temperature_C : ndarray, (n, n_cores)
    power_W, ambient_C, clock_MHz : ndarray, (n,)
        As logged.
    truth : RunTruth
    """

    set_power_W: float
    time_s: Floats
    temperature_C: Floats
    power_W: Floats
    ambient_C: Floats
    clock_MHz: Floats
    truth: RunTruth


@dataclass(frozen=True, slots=True, kw_only=True)
class SimulatedLadder:
    """All rows of one mount, lead-in included, and its runs.

    Attributes
    ----------
    resistance_K_per_W : float
        True interface resistance of the mount.
    time_s, temperature_C, power_W, ambient_C, clock_MHz : ndarray
        Logged rows; (n,) or (n, n_cores). Rows that a gap removed are missing.
    probe_time_s, probe_C : ndarray, (n_all,)
        The room probe without gaps and jumps of the log, for a file of its own.
    true_time_s, true_room_C, true_power_W : ndarray, (n_all,)
        What nobody logs.
    starts_s, ends_s : tuple of float
        Start and end of each soak, s on the true clock.
    log_starts_s, log_ends_s : tuple of float
        First and last row of each soak on the log's clock, s.
    runs : tuple of SimulatedRun
    """

    resistance_K_per_W: float
    time_s: Floats
    temperature_C: Floats
    power_W: Floats
    ambient_C: Floats
    clock_MHz: Floats
    probe_time_s: Floats
    probe_C: Floats
    true_time_s: Floats
    true_room_C: Floats
    true_power_W: Floats
    starts_s: tuple[float, ...]
    ends_s: tuple[float, ...]
    log_starts_s: tuple[float, ...]
    log_ends_s: tuple[float, ...]
    runs: tuple[SimulatedRun, ...]


def run_truths(
    bench: SimulatedBench, resistance: Floats, steps_W: Floats, soaks: Sequence[slice], device_C: Floats,
    power_W: Floats, room_C: Floats, shed: np.ndarray[tuple[int, int], np.dtype[np.bool_]], reference_C: float,
    interval_s: float,
) -> list[list[RunTruth]]:  # fmt: skip
    """Work out what is true of every run, by mount and step, from the rows without noise."""
    quarter_hour, minute = (max(1, round(seconds / interval_s)) for seconds in (900.0, 60.0))
    path = np.broadcast_to(resistance[:, None], steps_W.shape)
    rise_K = settled_rise(bench, path, steps_W, room_C=reference_C)
    mean_rise_K = settled_rise(bench, path, steps_W, room_C=reference_C, measurand="mean")
    room_end_C = np.stack([room_C[soak][-quarter_hour:].mean(axis=0) for soak in soaks], axis=1)
    flowing_W = np.stack([power_W[soak][-minute:].mean(axis=0) for soak in soaks], axis=1)
    end_C = np.stack([device_C[soak][-1] for soak in soaks], axis=1)
    left_K = settled_rise(bench, path, flowing_W, room_C=room_end_C) - (
        end_C + core_excess(bench, flowing_W) - room_end_C
    )
    limits_W: list[float] | list[None] = [None] * resistance.size
    if bench.limit_C is not None:
        found = throttle_power(bench, resistance, room_C=reference_C, temperature_C=bench.limit_C)
        limits_W = [float(power) for power in found]
    return [
        [
            RunTruth(
                settled_rise_K=float(rise_K[j, k]), settled_mean_rise_K=float(mean_rise_K[j, k]),
                left_K=float(left_K[j, k]), shed=bool(shed[soak, j].any()), throttle_power_W=limits_W[j],
                time_constant_s=time_constant_s(bench, float(resistance[j]), float(steps_W[j, k]), reference_C),
            )
            for k, soak in enumerate(soaks)
        ]
        for j in range(resistance.size)
    ]  # fmt: skip
