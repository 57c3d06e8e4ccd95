"""What goes wrong on a bench, planted at a known time into a simulated ladder."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Literal

import numpy as np

from thermlab.simulate.network import Floats

DisturbanceKind = Literal[
    "airflow", "interface", "power", "background load", "unlogged power", "room",
    "stuck", "core contact", "gap", "clock jump", "plume", "probe",
]  # fmt: skip


@dataclass(frozen=True, slots=True, kw_only=True)
class Disturbance:
    """One planted disturbance of one run.

    Attributes
    ----------
    kind : str
        ``airflow``: factor `size` on the sink's convection. ``interface``: `size` K/W more at the interface, growing
        linearly over the time given. ``power``: factor `size` on the true power, which the log sees. ``background
        load``: `size` W more, which the log sees; ``unlogged power``: which it does not. ``room``: `size` K on the
        room itself; ``probe``: on its probe alone. ``plume``: the probe reads the share `size` of the sink's rise more.
        ``stuck``: the core (or all) holds its value. ``core contact``: `size` K/W more on one core. ``gap``: rows
        missing. ``clock jump``: the log's clock is `size` s ahead from then on, whatever `end_min`.
    start_min, end_min : float
        Time since the run's soak began, min; infinity: to the end of the ladder.
    size : float
        See `kind`.
    core : int or None
        Which core; None: all.
    """

    kind: DisturbanceKind
    start_min: float = 0.0
    end_min: float = float("inf")
    size: float = 0.0
    core: int | None = None

    def rows(self, time_s: Floats, soak_start_s: float) -> np.ndarray[tuple[int], np.dtype[np.bool_]]:
        """Return which rows it touches, (n,)."""
        since_min = (time_s - soak_start_s) / 60.0
        touched: np.ndarray[tuple[int], np.dtype[np.bool_]]
        touched = (since_min >= self.start_min) & (since_min < self.end_min)
        return touched


@dataclass(slots=True)
class Drive:
    """What drives the network, all (n_times, n_mounts); made writable for the mounts that are disturbed."""

    demand_W: Floats
    room_C: Floats
    airflow: Floats
    interface_K_per_W: Floats
    unlogged_W: Floats


@dataclass(slots=True)
class Readings:
    """The logged rows of one mount while they are disturbed; the sink is not logged but warms a probe in its plume."""

    time_s: Floats
    temperature_C: Floats
    power_W: Floats
    probe_C: Floats
    sink_rise_K: Floats


def disturb_drive(
    planted: Mapping[tuple[int, int], Sequence[Disturbance]], starts_s: Floats, time_s: Floats, drive: Drive
) -> Drive:
    """Put into the drive what changes the physics; keys are (mount, step)."""
    shape = drive.demand_W.shape
    drive = Drive(
        drive.demand_W.copy(),
        drive.room_C.copy(),
        np.broadcast_to(drive.airflow, shape).copy(),
        np.broadcast_to(drive.interface_K_per_W, shape).copy(),
        np.zeros(shape),
    )
    for (mount, step), disturbances in planted.items():
        for found in disturbances:
            rows = found.rows(time_s, starts_s[step])
            if found.kind == "airflow":
                drive.airflow[rows, mount] *= found.size
            elif found.kind == "interface":
                drive.interface_K_per_W[rows, mount] += found.size * np.linspace(0.0, 1.0, int(rows.sum()))
            elif found.kind == "power":
                drive.demand_W[rows, mount] *= found.size
            elif found.kind in {"background load", "unlogged power"}:
                drive.demand_W[rows, mount] += found.size
                drive.unlogged_W[rows, mount] += found.size * (found.kind == "unlogged power")
            elif found.kind == "room":
                drive.room_C[rows, mount] += found.size
    return drive


def disturb_readings(
    planted: Mapping[int, Sequence[Disturbance]], starts_s: Floats, readings: Readings
) -> tuple[Readings, np.ndarray[tuple[int], np.dtype[np.bool_]]]:
    """Put into one mount's readings what only the log sees; return them and which rows are left, (n,)."""
    time_s = readings.time_s
    kept = np.ones(time_s.size, dtype=np.bool_)
    shown = Readings(
        time_s.copy(), readings.temperature_C.copy(), readings.power_W, readings.probe_C.copy(), readings.sink_rise_K
    )
    for step, disturbances in planted.items():
        for found in disturbances:
            rows = found.rows(time_s, starts_s[step])
            cores = slice(None) if found.core is None else slice(found.core, found.core + 1)
            if not rows.any():
                continue
            if found.kind == "stuck":
                shown.temperature_C[rows, cores] = shown.temperature_C[int(rows.argmax()), cores]
            elif found.kind == "core contact":
                shown.temperature_C[rows, cores] += found.size * readings.power_W[rows, None]
            elif found.kind == "gap":
                kept &= ~rows
            elif found.kind == "clock jump":
                shown.time_s[int(rows.argmax()) :] += found.size
            elif found.kind == "plume":
                shown.probe_C[rows] += found.size * readings.sink_rise_K[rows]
            elif found.kind == "probe":
                shown.probe_C[rows] += found.size
    return shown, kept
