"""What room and sensors do to the true values before anybody sees them, and what goes wrong at a known time."""

from dataclasses import dataclass
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from thermlab.simulate.network import Floats, SimulatedBench

Mask = NDArray[np.bool_]


@dataclass(frozen=True, slots=True, kw_only=True)
class SimulatedRoom:
    """The room of a ladder: mean, drift, a heating cycle, a random walk, and the probe that reads it.

    Attributes
    ----------
    mean_C, mount_sd_K : float
        Mean over all mounts, degC, and the standard deviation from mount to mount (days differ), K.
    drift_K_per_h, sine_K, sine_period_min, walk_K_per_sqrt_h : float
        Linear drift about the ladder's middle; amplitude and period of a cycle with random phase; random walk.
    probe_lag_s, probe_noise_K, probe_resolution_K : float
        Lag of the probe, white noise, and resolution of its readout (0: none).
    """

    mean_C: float = 22.0
    mount_sd_K: float = 0.0
    drift_K_per_h: float = 0.0
    sine_K: float = 0.0
    sine_period_min: float = 35.0
    walk_K_per_sqrt_h: float = 0.0
    probe_lag_s: float = 30.0
    probe_noise_K: float = 0.03
    probe_resolution_K: float = 0.1

    def trace(self, time_s: Floats, n_mounts: int, rng: np.random.Generator) -> Floats:
        """Return the true room, degC, (n_times, n_mounts)."""
        days_K = rng.normal(0.0, self.mount_sd_K, n_mounts)
        phases = rng.uniform(0.0, 2.0 * np.pi, n_mounts)
        common = self.mean_C + self.drift_K_per_h * (time_s - time_s.mean()) / 3600.0
        room: Floats = common[:, None] + days_K
        if self.sine_K:
            room = room + self.sine_K * np.sin(2.0 * np.pi * time_s[:, None] / (60.0 * self.sine_period_min) + phases)
        if self.walk_K_per_sqrt_h:
            step_sd_K = self.walk_K_per_sqrt_h * np.sqrt((time_s[1] - time_s[0]) / 3600.0)
            walk = np.cumsum(rng.normal(0.0, step_sd_K, room.shape), axis=0)
            room = room + walk - walk.mean(axis=0)
        return room

    def probe(self, room_C: Floats, interval_s: float, rng: np.random.Generator) -> Floats:
        """Return what the probe feels, degC, (n_times, n_mounts), before it is rounded."""
        felt, keep = room_C.copy(), float(np.exp(-interval_s / self.probe_lag_s))
        felt[1:] *= 1.0 - keep
        _carry_over(felt, keep)
        return felt + rng.normal(0.0, self.probe_noise_K, felt.shape)


@dataclass(frozen=True, slots=True, kw_only=True)
class SimulatedSensors:
    """What the readout adds to temperature and power.

    Attributes
    ----------
    noise_K, noise_time_s : float
        Standard deviation and correlation time of the AR(1) noise of each core.
    resolution_K : float
        Resolution of the readout; 0 for none.
    power_noise_W, power_resolution_W : float
        Noise of the power reading, and its resolution (0: none).
    power_deviation_percent : float
        Standard deviation, over runs, of the true power about the set power.
    overshoot_percent, overshoot_s : float
        Extra true power at the start of each step, and for how long.
    clock_MHz : float
        Clock at full power; it falls with the cube root of the power that is left.
    """

    noise_K: float = 0.3
    noise_time_s: float = 20.0
    resolution_K: float = 1.0
    power_noise_W: float = 0.3
    power_resolution_W: float = 0.01
    power_deviation_percent: float = 0.0
    overshoot_percent: float = 0.0
    overshoot_s: float = 28.0
    clock_MHz: float = 4200.0

    def cores(
        self, bench: SimulatedBench, device_C: Floats, power_W: Floats, interval_s: float, rng: np.random.Generator
    ) -> Floats:
        """Return what the cores feel, degC, (n_times, n_mounts, n_cores), noise included, before rounding."""
        offsets, local = np.asarray(bench.core_offsets_K), np.asarray(bench.core_local_K_per_W)
        keep = float(np.exp(-interval_s / self.noise_time_s))
        noise = rng.normal(0.0, self.noise_K, (*device_C.shape, offsets.size))
        noise[1:] *= np.sqrt(1.0 - keep * keep)
        _carry_over(noise, keep)
        felt: Floats = device_C[..., None] + offsets + local * power_W[..., None] + noise
        return felt

    def power(self, power_W: Floats, rng: np.random.Generator) -> Floats:
        """Return the power as logged, W."""
        return quantise(power_W + rng.normal(0.0, self.power_noise_W, power_W.shape), self.power_resolution_W)

    def clock(self, power_W: Floats, demand_W: Floats) -> Floats:
        """Return the clock as logged, MHz, in steps of 25."""
        return quantise(self.clock_MHz * np.cbrt(np.clip(power_W / demand_W, 0.0, 1.0)), 25.0)


def _carry_over(values: Floats, keep: float) -> None:
    """Add to each row the share of the row before that is kept."""
    for i in range(1, len(values)):
        values[i] += keep * values[i - 1]


def quantise(value: Floats, resolution: float) -> Floats:
    """Round to the resolution of a readout (0: not at all), half up."""
    return np.floor(value / resolution + 0.5) * resolution if resolution else value


DisturbanceKind = Literal[
    "airflow", "interface", "power", "background load", "unlogged power", "room",
    "stuck", "core contact", "gap", "clock jump", "plume", "probe",
]  # fmt: skip


_FACTORS = {"airflow": "airflow", "power": "demand_W"}
_ADDED = {
    "background load": ("demand_W",), "unlogged power": ("demand_W", "unlogged_W"), "room": ("room_C",),
}  # fmt: skip


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

    def rows(self, time_s: Floats, soak_start_s: float) -> Mask:
        """Return which rows it touches, (n,)."""
        since_min = (time_s - soak_start_s) / 60.0
        return (since_min >= self.start_min) & (since_min < self.end_min)

    def change_drive(self, drive: dict[str, Floats], rows: Mask, mount: int) -> None:
        """Change what drives the network of a mount, by the names of :func:`integrate`, in place."""
        if self.kind in _FACTORS:
            drive[_FACTORS[self.kind]][rows, mount] *= self.size
        for name in _ADDED.get(self.kind, ()):
            drive[name][rows, mount] += self.size
        if self.kind == "interface":
            drive["resistance_K_per_W"][rows, mount] += self.size * np.linspace(0.0, 1.0, int(rows.sum()))

    def change_log(self, logged: dict[str, Floats], rows: Mask, sink_rise_K: Floats) -> Mask:
        """Change what the log of a mount alone sees, in place; return which rows are left, (n,)."""
        if not rows.any():
            return ~rows
        first, cores = int(rows.argmax()), slice(self.core, None if self.core is None else self.core + 1)
        if self.kind == "stuck":
            logged["temperature_C"][rows, cores] = logged["temperature_C"][first, cores]
        elif self.kind == "core contact":
            logged["temperature_C"][rows, cores] += self.size * logged["power_W"][rows, None]
        elif self.kind == "clock jump":
            logged["time_s"][first:] += self.size
        elif self.kind in {"plume", "probe"}:  # the sink is not logged but warms a probe in its plume
            logged["ambient_C"][rows] += self.size * (sink_rise_K[rows] if self.kind == "plume" else 1.0)
        return ~rows if self.kind == "gap" else np.ones_like(rows)
