"""Bench logs with known truth: ladders of load runs, one mount or a whole campaign of fresh mounts in random blocks.

The physics is in :mod:`thermlab.simulate.network`; room, sensors and planted faults are in
:mod:`thermlab.simulate.readings`; here they become ladders of runs, with what is true of them.
:mod:`thermlab.simulate.logs` writes the result as a campaign folder in many log dialects.
"""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta
from typing import Any

import numpy as np
from numpy.typing import ArrayLike

from thermlab.simulate import network as physics
from thermlab.simulate.network import Floats, SimulatedBench
from thermlab.simulate.readings import Disturbance, SimulatedRoom, SimulatedSensors, quantise

IDLE_W = 8.0
"""Power before the first step and between the others."""


@dataclass(frozen=True, slots=True, kw_only=True)
class SimulatedTreatment:
    """A treatment's interface resistance: its mean, and how much the mounts scatter (normal), K/W."""

    name: str
    resistance_K_per_W: float
    mount_sd_K_per_W: float = 0.005

    def mounts(self, n: int, rng: np.random.Generator) -> Floats:
        """Draw the resistance of `n` fresh mounts, K/W, (n,)."""
        return np.maximum(self.resistance_K_per_W + rng.normal(0.0, self.mount_sd_K_per_W, n), 1e-4)


@dataclass(frozen=True, slots=True)
class RunTruth:
    """What is true of a run, whatever the sensors show.

    Attributes
    ----------
    settled_rise_K : float
        Settled rise at the set power in the room's mean, hottest sensor, as if there were no limit, K.
    left_K : float
        What a settled device would rise at the power then flowing, less the rise of the hottest sensor over the room's
        mean of the last quarter hour, at the end of the soak, K: positive is still warming. What a moving room and a
        disturbance did is in it.
    shed : bool
        Whether power was shed at any time of the soak.
    """

    settled_rise_K: float
    left_K: float
    shed: bool


@dataclass(frozen=True, kw_only=True)
class _LoggedRows:
    """Rows as logged: (n,) or (n, n_cores); seconds count from the begin of the ladder's log, on the log's clock."""

    time_s: Floats
    temperature_C: Floats
    power_W: Floats
    ambient_C: Floats
    clock_MHz: Floats


@dataclass(frozen=True, kw_only=True)
class SimulatedRun(_LoggedRows):
    """One load run: its power step, its rows from the step to the end of the soak, and its truth."""

    set_power_W: float
    truth: RunTruth


@dataclass(frozen=True, kw_only=True)
class SimulatedLadder(_LoggedRows):
    """All rows of one mount, lead-in included but those that a gap removed, and its runs.

    Attributes
    ----------
    resistance_K_per_W : float
        True interface resistance of the mount.
    probe_time_s, probe_C : ndarray, (n_all,)
        The room probe without gaps and jumps of the log, for a file of its own.
    starts_s : tuple of float
        Start of each soak, s on the true clock.
    log_starts_s, log_ends_s : tuple of float
        First and last row of each soak on the log's clock, s.
    runs : tuple of SimulatedRun
    """

    resistance_K_per_W: float
    probe_time_s: Floats
    probe_C: Floats
    starts_s: tuple[float, ...]
    log_starts_s: tuple[float, ...]
    log_ends_s: tuple[float, ...]
    runs: tuple[SimulatedRun, ...]


@dataclass(frozen=True, slots=True)
class _Timing:
    """Row numbers at the integration step: the pre-soak, and start and end of each soak."""

    step_s: float
    presoak: int
    starts: np.ndarray[tuple[int], np.dtype[np.int64]]
    ends: np.ndarray[tuple[int], np.dtype[np.int64]]

    def demand(self, steps_W: Floats) -> Floats:
        """Return the power asked for, W, (n_times, n_mounts)."""
        demand_W = np.full((int(self.ends[-1]), steps_W.shape[0]), IDLE_W)
        demand_W[self.presoak : self.starts[0]] = steps_W[:, 0]
        for start, end, power in zip(self.starts, self.ends, steps_W.T, strict=True):
            demand_W[start:end] = power
        return demand_W

    def overshoot(self, demand_W: Floats, sensors: SimulatedSensors) -> None:
        """Raise the power for a while where a step begins, in place."""
        for row in sorted({self.presoak, *self.starts.tolist()} - {0}):
            if not np.array_equal(demand_W[row], demand_W[row - 1]):
                until = row + round(sensors.overshoot_s / self.step_s)
                demand_W[row:until] *= 1.0 + 0.01 * sensors.overshoot_percent


@dataclass(frozen=True, slots=True)
class _TrueRows:
    """True values at the logged rows, (n,) or (n, n_mounts), and the rows of each soak."""

    time_s: Floats
    room_C: Floats
    demand_W: Floats
    power_W: Floats
    device_C: Floats
    sink_C: Floats
    soaks: tuple[slice, ...]
    interval_s: float

    def late(self, values: Floats, seconds: float) -> Floats:
        """Return the mean over the end of each soak, (n_mounts, n_steps)."""
        n_rows = max(1, round(seconds / self.interval_s))
        return np.stack([values[soak][-n_rows:].mean(axis=0) for soak in self.soaks], axis=1)


def simulate_ladders(
    bench: SimulatedBench,
    resistances_K_per_W: ArrayLike,
    steps_W: ArrayLike,
    *,
    rng: np.random.Generator,
    soak_min: float | Sequence[float] = 40.0,
    presoak_min: float | None = None,
    lead_min: float = 10.0,
    between_min: float = 0.0,
    interval_s: float = 1.0,
    step_s: float | None = None,
    room: SimulatedRoom | None = None,
    sensors: SimulatedSensors | None = None,
    disturbances: Mapping[tuple[int, int], Sequence[Disturbance]] | None = None,
) -> list[SimulatedLadder]:
    """Simulate the ladders of many mounts at once.

    Parameters
    ----------
    bench : SimulatedBench
    resistances_K_per_W : array_like, (n_mounts,)
        True interface resistance of each mount, K/W.
    steps_W : array_like, (n_steps,) or (n_mounts, n_steps)
        Set power in the order in which the steps are run, W.
    rng : numpy.random.Generator
        Everything random comes from here, in a fixed order.
    soak_min : float or sequence of float, (n_steps,)
        Soak of each step, min.
    presoak_min : float or None
        Time at the first step's power before the first soak begins; None: as long as the first soak; 0: cold.
    lead_min, between_min : float
        Idle time before, from the settled state at the idle power, and before every later step; 0: each step follows
        at once on the one before.
    interval_s, step_s : float
        Interval between rows, and the integration step (default: the interval, at most 1 s).
    room, sensors : SimulatedRoom, SimulatedSensors
        Defaults: a steady room; a readout of 1 K with 0.3 K of noise.
    disturbances : mapping from (index of the mount, index of the step)
        What goes wrong, and when.

    Returns
    -------
    list of SimulatedLadder
        One for each mount.
    """
    room, sensors = room or SimulatedRoom(), sensors or SimulatedSensors()
    resistance = np.asarray(resistances_K_per_W, dtype=np.float64)
    steps = np.broadcast_to(np.asarray(steps_W, dtype=np.float64), (resistance.size, np.shape(steps_W)[-1]))
    soaks_min = np.broadcast_to(np.asarray(soak_min, dtype=np.float64), steps.shape[1:])
    step_s = min(interval_s, 1.0) if step_s is None else step_s
    timing = _lay_out(soaks_min, presoak_min, lead_min, between_min, step_s)
    starts_s = timing.starts.astype(np.float64) * step_s
    planted = [(*key, each) for key, found in (disturbances or {}).items() for each in found]

    deviation = 1.0 + 0.01 * sensors.power_deviation_percent * rng.normal(0.0, 1.0, steps.shape)
    demand_W = timing.demand(steps * deviation)
    timing.overshoot(demand_W, sensors)
    time_s: Floats = np.arange(len(demand_W), dtype=np.float64) * step_s
    drive = {
        "demand_W": demand_W,
        "room_C": room.trace(time_s, resistance.size, rng),
        "resistance_K_per_W": np.tile(resistance, (time_s.size, 1)),
        "airflow": physics.fan_factor(bench, timing.demand(steps)),
        "unlogged_W": np.zeros(demand_W.shape),
    }
    for mount, step, found in planted:
        found.change_drive(drive, found.rows(time_s, starts_s[step]), mount)
    unlogged_W = drive.pop("unlogged_W")
    network = physics.integrate(bench, **drive, step_s=step_s)

    rows = slice(None, None, max(1, round(interval_s / step_s)))
    first, last = (np.searchsorted(time_s[rows], at - 1e-9).tolist() for at in (starts_s, timing.ends * step_s))
    true = _TrueRows(
        time_s[rows], drive["room_C"][rows], demand_W[rows], network.power_W[rows], network.device_C[rows],
        network.sink_C[rows], tuple(map(slice, first, last)), interval_s,
    )  # fmt: skip
    cores_C = sensors.cores(bench, true.device_C, true.power_W, interval_s, rng)
    logged_W = sensors.power(true.power_W - unlogged_W[rows], rng)
    probe_C, clock_MHz = room.probe(true.room_C, interval_s, rng), sensors.clock(true.power_W, true.demand_W)
    truths = _run_truths(bench, resistance, steps, true, room.mean_C)
    ladders = []
    for j in range(resistance.size):
        logged: dict[str, Floats] = {
            "time_s": true.time_s.copy(), "temperature_C": cores_C[:, j], "power_W": logged_W[:, j],
            "ambient_C": probe_C[:, j], "clock_MHz": clock_MHz[:, j],
        }  # fmt: skip
        kept = np.ones(true.time_s.size, dtype=np.bool_)
        for _, step, found in (each for each in planted if each[0] == j):
            rows_of_it = found.rows(true.time_s, starts_s[step])
            kept &= found.change_log(logged, rows_of_it, true.sink_C[:, j] - true.room_C[:, j])
        logged["temperature_C"] = quantise(logged["temperature_C"], sensors.resolution_K)
        logged["ambient_C"] = quantise(logged["ambient_C"], room.probe_resolution_K)
        runs = []
        for power, soak, truth in zip(steps[j].tolist(), true.soaks, truths[j], strict=True):
            read = {name: values[soak][kept[soak]] for name, values in logged.items()}
            runs.append(SimulatedRun(set_power_W=power, truth=truth, **read))
        ladders.append(
            SimulatedLadder(
                **{name: values[kept] for name, values in logged.items()},
                resistance_K_per_W=float(resistance[j]), probe_time_s=true.time_s, probe_C=logged["ambient_C"],
                starts_s=tuple(starts_s.tolist()), runs=tuple(runs),
                log_starts_s=tuple(float(logged["time_s"][soak.start]) for soak in true.soaks),
                log_ends_s=tuple(float(logged["time_s"][soak.stop - 1]) for soak in true.soaks),
            )
        )  # fmt: skip
    return ladders


def _lay_out(
    soaks_min: Floats, presoak_min: float | None, lead_min: float, between_min: float, step_s: float
) -> _Timing:
    """Turn minutes into row numbers at the integration step."""
    before_min = float(soaks_min[0]) if presoak_min is None else presoak_min
    lead, presoak, between = (round(60.0 * value / step_s) for value in (lead_min, before_min, between_min))
    lengths = np.round(60.0 * soaks_min / step_s).astype(np.int64)
    ends = lead + presoak + np.cumsum(lengths) + between * np.arange(lengths.size)
    return _Timing(step_s, lead, ends - lengths, ends)


def _run_truths(
    bench: SimulatedBench, resistance: Floats, steps_W: Floats, true: _TrueRows, reference_C: float
) -> list[list[RunTruth]]:
    """Work out what is true of every run, by mount and step, from the rows without noise."""
    path = resistance[:, None]
    rise_K = physics.settled_rise(bench, path, steps_W, room_C=reference_C)
    flowing_W, room_end_C = true.late(true.power_W, 60.0), true.late(true.room_C, 900.0)
    end_rise_K = true.late(true.device_C, 0.0) + physics.core_excess(bench, flowing_W) - room_end_C
    left_K = physics.settled_rise(bench, path, flowing_W, room_C=room_end_C) - end_rise_K
    shed = np.stack([(true.power_W < 0.999 * true.demand_W)[soak].any(axis=0) for soak in true.soaks], axis=1)
    mounts = zip(rise_K.tolist(), left_K.tolist(), shed.tolist(), strict=True)
    return [[RunTruth(*run) for run in zip(*mount, strict=True)] for mount in mounts]


@dataclass(frozen=True, slots=True, kw_only=True)
class SimulatedMount:
    """One fresh mount of a treatment and the ladder run on it; `mount` counts from 1 within the treatment."""

    treatment: str
    mount: int
    start: datetime
    ladder: SimulatedLadder


@dataclass(frozen=True, slots=True, kw_only=True)
class SimulatedCampaign:
    """Mounts in the order in which they were made, with the bench and the treatments, the baseline first."""

    bench: SimulatedBench
    treatments: tuple[SimulatedTreatment, ...]
    steps_W: tuple[float, ...]
    soak_min: float
    room: SimulatedRoom
    limit_room_C: float
    mounts: tuple[SimulatedMount, ...]

    @property
    def difference_K(self) -> dict[str, Floats]:
        """True settled rise of each candidate less the baseline's, mean mounts in the room's mean, K, (n_steps,)."""
        first, *others = self.treatments
        baseline_K = self._settled_rise_K(first)
        return {t.name: self._settled_rise_K(t) - baseline_K for t in others}

    def _settled_rise_K(self, treatment: SimulatedTreatment) -> Floats:
        return physics.settled_rise(self.bench, treatment.resistance_K_per_W, self.steps_W, room_C=self.room.mean_C)

    @property
    def throttle_power_W(self) -> dict[str, float]:
        """True power at which the mean mount settles at the limit in the customer's room, W; 5000 without a limit."""
        at = {"room_C": self.limit_room_C, "temperature_C": self.bench.limit_C or np.inf}
        return {t.name: float(physics.throttle_power(self.bench, t.resistance_K_per_W, **at)) for t in self.treatments}


def simulate_campaign(
    bench: SimulatedBench,
    treatments: Sequence[SimulatedTreatment],
    *,
    steps_W: Sequence[float],
    rng: np.random.Generator,
    n_mounts: int | Sequence[int] = 3,
    soak_min: float = 40.0,
    room: SimulatedRoom | None = None,
    start: datetime = datetime(2026, 3, 2, 8, 30),  # noqa: DTZ001  logs have no zone
    limit_room_C: float = 35.0,
    disturbances: Mapping[tuple[str, int, int], Sequence[Disturbance]] | None = None,
    **settings: Any,
) -> SimulatedCampaign:
    """Simulate a campaign in blocks: one mount of each treatment in random order, then the next block.

    Parameters
    ----------
    bench : SimulatedBench
    treatments : sequence of SimulatedTreatment
        The first is the baseline.
    steps_W : sequence of float
        Power steps in the order they are run, W.
    rng : numpy.random.Generator
    n_mounts : int or sequence of int
        Mounts of each treatment.
    soak_min : float
        Soak of every run, min.
    room : SimulatedRoom or None
    start : datetime
        When the first log begins; the others follow day by day.
    limit_room_C : float
        Room for the true throttle power; the limit is the bench's.
    disturbances : mapping from (treatment, mount from 1, index of the step)
    **settings
        Further arguments of :func:`simulate_ladders`.

    Returns
    -------
    SimulatedCampaign
    """
    room = room or SimulatedRoom()
    counts = [n_mounts] * len(treatments) if isinstance(n_mounts, int) else list(n_mounts)
    resistances = {t.name: t.mounts(count, rng) for t, count in zip(treatments, counts, strict=True)}
    order: list[tuple[str, int]] = []
    for block in range(max(counts)):
        present = [t.name for t, count in zip(treatments, counts, strict=True) if block < count]
        order += [(present[i], block + 1) for i in rng.permutation(len(present))]
    places = {mount: place for place, mount in enumerate(order)}
    planted = {(places[name, mount], step): found for (name, mount, step), found in (disturbances or {}).items()}
    ladders = simulate_ladders(
        bench, [resistances[name][mount - 1] for name, mount in order], list(steps_W),
        rng=rng, soak_min=soak_min, room=room, disturbances=planted, **settings,
    )  # fmt: skip
    mounts = tuple(
        SimulatedMount(treatment=name, mount=mount, start=start + timedelta(days=day), ladder=ladder)
        for day, ((name, mount), ladder) in enumerate(zip(order, ladders, strict=True))
    )
    return SimulatedCampaign(
        bench=bench, treatments=tuple(treatments), steps_W=tuple(steps_W), soak_min=soak_min, room=room,
        limit_room_C=limit_room_C, mounts=mounts,
    )  # fmt: skip
