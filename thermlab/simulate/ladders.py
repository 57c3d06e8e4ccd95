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
from thermlab.simulate.readings import Disturbance, Drive, Readings, SimulatedRoom, SimulatedSensors, quantise


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
    true_room_C : ndarray, (n_all,)
        What nobody logs.
    starts_s, ends_s : tuple of float
        Start and end of each soak, s on the true clock.
    log_starts_s, log_ends_s : tuple of float
        First and last row of each soak on the log's clock, s.
    runs : tuple of SimulatedRun
    """

    resistance_K_per_W: float
    probe_time_s: Floats
    probe_C: Floats
    true_room_C: Floats
    starts_s: tuple[float, ...]
    ends_s: tuple[float, ...]
    log_starts_s: tuple[float, ...]
    log_ends_s: tuple[float, ...]
    runs: tuple[SimulatedRun, ...]


@dataclass(frozen=True, slots=True)
class _Timing:
    """Row numbers at the integration step: the pre-soak, and start and end of each soak."""

    presoak: int
    starts: np.ndarray[tuple[int], np.dtype[np.int64]]
    ends: np.ndarray[tuple[int], np.dtype[np.int64]]

    def starts_s(self, step_s: float) -> Floats:
        """Return when each soak starts, s."""
        return self.starts.astype(np.float64) * step_s

    def demand(self, steps_W: Floats, idle_W: float, overshoot_percent: float, overshoot_rows: int) -> Floats:
        """Return the power asked for, W, (n_times, n_mounts)."""
        demand = np.full((int(self.ends[-1]), steps_W.shape[0]), idle_W)
        demand[self.presoak : self.starts[0]] = steps_W[:, 0]
        for start, end, power in zip(self.starts, self.ends, steps_W.T, strict=True):
            demand[start:end] = power
        raised = 1.0 + 0.01 * overshoot_percent
        for row in sorted({self.presoak, *self.starts.tolist()}):
            if row and not np.array_equal(demand[row], demand[row - 1]):
                demand[row : row + overshoot_rows] *= raised
        return demand


def simulate_ladder(
    bench: SimulatedBench,
    resistance_K_per_W: float,
    steps_W: Sequence[float],
    *,
    disturbances: Mapping[int, Sequence[Disturbance]] | None = None,
    **settings: Any,
) -> SimulatedLadder:
    """Simulate one mount; `disturbances` by index of the step, the rest as in :func:`simulate_ladders`."""
    keyed = {(0, step): tuple(found) for step, found in (disturbances or {}).items()}
    return simulate_ladders(bench, [resistance_K_per_W], steps_W, disturbances=keyed, **settings)[0]


def simulate_ladders(
    bench: SimulatedBench,
    resistances_K_per_W: ArrayLike,
    steps_W: ArrayLike,
    *,
    rng: np.random.Generator,
    soak_min: float | Sequence[float] = 40.0,
    presoak_min: float | None = None,
    lead_min: float = 10.0,
    idle_W: float = 8.0,
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
    lead_min, idle_W : float
        Idle time before, from the settled state at the idle power.
    between_min : float
        Idle time before every later step; 0: each step follows at once on the one before.
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
    step_s = min(interval_s, 1.0) if step_s is None else step_s
    soaks = np.broadcast_to(np.asarray(soak_min, dtype=np.float64), (steps.shape[1],))
    timing = _lay_out(soaks, float(soaks[0]) if presoak_min is None else presoak_min, lead_min, between_min, step_s)
    planted = {key: tuple(found) for key, found in (disturbances or {}).items() if found}

    drive = _drive(bench, timing, resistance, steps, idle_W, step_s, room, sensors, planted, rng)
    network = physics.integrate(
        bench, resistance_K_per_W=drive.interface_K_per_W, demand_W=drive.demand_W, room_C=drive.room_C,
        airflow=drive.airflow, step_s=step_s,
    )  # fmt: skip
    rows = slice(None, None, max(1, round(interval_s / step_s)))
    power_W, room_C, demand_W = network.power_W[rows], drive.room_C[rows], drive.demand_W[rows]
    time_s: Floats = np.arange(len(drive.demand_W), dtype=np.float64)[rows] * step_s
    cores_C = sensors.cores(bench, network.device_C[rows], power_W, interval_s, rng)
    unlogged_W = np.broadcast_to(drive.unlogged_W, drive.demand_W.shape)[rows]
    logged_W, probe_C = sensors.power(power_W - unlogged_W, rng), room.probe(room_C, interval_s, rng)
    clock_MHz = sensors.clock(power_W, demand_W)
    starts_s, ends_s = timing.starts_s(step_s), timing.ends * step_s
    device_C, shed = network.device_C[rows], power_W < 0.999 * demand_W
    first, last = (np.searchsorted(time_s, times - 1e-9).tolist() for times in (starts_s, ends_s))
    soaks_of_rows = [slice(*span) for span in zip(first, last, strict=True)]
    truths = _run_truths(
        bench, resistance, steps, soaks_of_rows, device_C, power_W, room_C, shed, room.mean_C, interval_s
    )
    ladders = []
    for j in range(resistance.size):
        mine = {step: found for (mount, step), found in planted.items() if mount == j}
        sink_rise_K = network.sink_C[rows][:, j] - room_C[:, j]
        readings = Readings(time_s, cores_C[:, j], logged_W[:, j], probe_C[:, j], sink_rise_K)
        shown, kept = readings.disturbed(mine, starts_s)
        temperature_C = quantise(shown.temperature_C, sensors.resolution_K, sensors.rounding)
        ambient_C = quantise(shown.probe_C, room.probe_resolution_K)
        logged: dict[str, Floats] = {
            "time_s": shown.time_s, "temperature_C": temperature_C, "power_W": logged_W[:, j],
            "ambient_C": ambient_C, "clock_MHz": clock_MHz[:, j],
        }  # fmt: skip
        runs = []
        for power, soak, truth in zip(steps[j].tolist(), soaks_of_rows, truths[j], strict=True):
            read = {name: values[soak][kept[soak]] for name, values in logged.items()}
            runs.append(SimulatedRun(set_power_W=power, truth=truth, **read))
        ladders.append(
            SimulatedLadder(
                **{name: values[kept] for name, values in logged.items()},
                resistance_K_per_W=float(resistance[j]), probe_time_s=time_s, probe_C=ambient_C,
                true_room_C=room_C[:, j],
                starts_s=tuple(starts_s.tolist()), ends_s=tuple(ends_s.tolist()),
                log_starts_s=tuple(float(shown.time_s[soak.start]) for soak in soaks_of_rows),
                log_ends_s=tuple(float(shown.time_s[soak.stop - 1]) for soak in soaks_of_rows), runs=tuple(runs),
            )
        )  # fmt: skip
    return ladders


def _lay_out(soaks_min: Floats, presoak_min: float, lead_min: float, between_min: float, step_s: float) -> _Timing:
    """Turn minutes into row numbers at the integration step."""
    lead, presoak, between = (round(60.0 * value / step_s) for value in (lead_min, presoak_min, between_min))
    lengths = np.round(60.0 * soaks_min / step_s).astype(np.int64)
    ends = lead + presoak + np.cumsum(lengths) + between * np.arange(lengths.size)
    return _Timing(lead, ends - lengths, ends)


def _drive(
    bench: SimulatedBench, timing: _Timing, resistance: Floats, steps_W: Floats, idle_W: float, step_s: float,
    room: SimulatedRoom, sensors: SimulatedSensors, planted: Mapping[tuple[int, int], Sequence[Disturbance]],
    rng: np.random.Generator,
) -> Drive:  # fmt: skip
    """Put together what drives the network."""
    deviation = 1.0 + 0.01 * sensors.power_deviation_percent * rng.normal(0.0, 1.0, steps_W.shape)
    overshoot_rows = round(sensors.overshoot_s / step_s)
    demand = timing.demand(steps_W * deviation, idle_W, sensors.overshoot_percent, overshoot_rows)
    airflow = np.ones((1, 1))
    if bench.fan_curve:
        airflow = physics.fan_factor(bench, timing.demand(steps_W, idle_W, 0.0, 0))
    time_s: Floats = np.arange(len(demand), dtype=np.float64) * step_s
    room_C = room.trace(time_s, resistance.size, rng)
    drive = Drive(demand, room_C, airflow, resistance[None, :], np.zeros((1, 1)))
    return drive.disturbed(planted, timing.starts_s(step_s), time_s) if planted else drive


def _run_truths(
    bench: SimulatedBench, resistance: Floats, steps_W: Floats, soaks: Sequence[slice], device_C: Floats,
    power_W: Floats, room_C: Floats, shed: np.ndarray[tuple[int, int], np.dtype[np.bool_]], reference_C: float,
    interval_s: float,
) -> list[list[RunTruth]]:  # fmt: skip
    """Work out what is true of every run, by mount and step, from the rows without noise."""
    quarter_hour, minute = (max(1, round(seconds / interval_s)) for seconds in (900.0, 60.0))
    path = np.broadcast_to(resistance[:, None], steps_W.shape)
    rise_K = physics.settled_rise(bench, path, steps_W, room_C=reference_C)
    mean_rise_K = physics.settled_rise(bench, path, steps_W, room_C=reference_C, measurand="mean")
    room_end_C = np.stack([room_C[soak][-quarter_hour:].mean(axis=0) for soak in soaks], axis=1)
    flowing_W = np.stack([power_W[soak][-minute:].mean(axis=0) for soak in soaks], axis=1)
    end_C = np.stack([device_C[soak][-1] for soak in soaks], axis=1)
    end_rise_K = end_C + physics.core_excess(bench, flowing_W) - room_end_C
    left_K = physics.settled_rise(bench, path, flowing_W, room_C=room_end_C) - end_rise_K
    limits_W: list[float] | list[None] = [None] * resistance.size
    if bench.limit_C is not None:
        found = physics.throttle_power(bench, resistance, room_C=reference_C, temperature_C=bench.limit_C)
        limits_W = [float(power) for power in found]
    return [
        [
            RunTruth(
                settled_rise_K=float(rise_K[j, k]), settled_mean_rise_K=float(mean_rise_K[j, k]),
                left_K=float(left_K[j, k]), shed=bool(shed[soak, j].any()), throttle_power_W=limits_W[j],
                time_constant_s=physics.time_constant_s(bench, float(resistance[j]), float(steps_W[j, k]), reference_C),
            )
            for k, soak in enumerate(soaks)
        ]
        for j in range(resistance.size)
    ]  # fmt: skip


@dataclass(frozen=True, slots=True, kw_only=True)
class SimulatedMount:
    """One fresh mount of a treatment and the ladder run on it; `mount` counts from 1 within the treatment."""

    treatment: str
    mount: int
    start: datetime
    ladder: SimulatedLadder


@dataclass(frozen=True, slots=True, kw_only=True)
class CampaignTruth:
    """The answers that a perfect bench with endless mounts would give.

    Attributes
    ----------
    steps_W : tuple of float
    rise_K : dict of str to ndarray, (n_steps,)
        Settled rise of the hottest sensor for the mean mount of each treatment, by step, in the room's mean.
    difference_K : dict of str to ndarray, (n_steps,)
        Each candidate minus the baseline (the first treatment).
    throttle_power_W : dict of str to float
        Power at which the mean mount settles at `limit_C` in a room at `limit_room_C`; empty without a limit.
    limit_C, limit_room_C : float or None
        As asked for.
    """

    steps_W: tuple[float, ...]
    rise_K: dict[str, Floats]
    difference_K: dict[str, Floats]
    throttle_power_W: dict[str, float]
    limit_C: float | None
    limit_room_C: float


@dataclass(frozen=True, slots=True, kw_only=True)
class SimulatedCampaign:
    """Mounts in the order in which they were made, with the bench, the treatments and the truth."""

    bench: SimulatedBench
    treatments: tuple[SimulatedTreatment, ...]
    steps_W: tuple[float, ...]
    soak_min: float
    room: SimulatedRoom
    mounts: tuple[SimulatedMount, ...]
    truth: CampaignTruth


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
    hours_between: float = 24.0,
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
        When the first log begins, and how far apart the mounts are (`hours_between`).
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
        SimulatedMount(treatment=name, mount=mount, start=start + timedelta(hours=i * hours_between), ladder=ladders[i])
        for i, (name, mount) in enumerate(order)
    )
    return SimulatedCampaign(
        bench=bench, treatments=tuple(treatments), steps_W=tuple(steps_W), soak_min=soak_min, room=room, mounts=mounts,
        truth=_campaign_truth(bench, treatments, steps_W, room.mean_C, limit_room_C),
    )  # fmt: skip


def _campaign_truth(
    bench: SimulatedBench,
    treatments: Sequence[SimulatedTreatment],
    steps_W: Sequence[float],
    room_C: float,
    limit_room_C: float,
) -> CampaignTruth:
    """Work out the true answers for the mean mount of each treatment."""
    steps = np.asarray(steps_W, dtype=np.float64)
    rise_K = {t.name: physics.settled_rise(bench, t.resistance_K_per_W, steps, room_C=room_C) for t in treatments}
    baseline = treatments[0].name
    limits = {}
    if bench.limit_C is not None:
        at = {"room_C": limit_room_C, "temperature_C": bench.limit_C}
        limits = {t.name: float(physics.throttle_power(bench, t.resistance_K_per_W, **at)) for t in treatments}
    return CampaignTruth(
        steps_W=tuple(steps_W), rise_K=rise_K,
        difference_K={t.name: rise_K[t.name] - rise_K[baseline] for t in treatments[1:]},
        throttle_power_W=limits, limit_C=bench.limit_C, limit_room_C=limit_room_C,
    )  # fmt: skip
