"""Follow the thermal network of the simulated bench in time, many mounts at once, with the device's limit."""

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike

from thermlab.simulate.network import Floats, SimulatedBench, sink_loss, sink_rise


@dataclass(frozen=True, slots=True)
class NetworkTrace:
    """Temperatures and powers without noise; every array is (n_times, n_mounts), value i at time i * step."""

    device_C: Floats
    sink_C: Floats
    power_W: Floats


def integrate(
    bench: SimulatedBench,
    *,
    resistance_K_per_W: ArrayLike,
    demand_W: Floats,
    room_C: Floats,
    airflow: ArrayLike = 1.0,
    step_s: float = 1.0,
) -> NetworkTrace:
    """Follow the network from the settled state of its first row, all mounts at once.

    Parameters
    ----------
    resistance_K_per_W : array_like, (n_mounts,) or (n_times, n_mounts)
        Interface resistance, K/W.
    demand_W, room_C : ndarray, (n_times, n_mounts)
        Power asked for, held over each step, and room temperature.
    airflow : array_like, broadcast to (n_times, n_mounts)
        Factor on the convection.
    step_s : float
        Time between rows, s.

    Returns
    -------
    NetworkTrace

    Notes
    -----
    The fast nodes are advanced by the exact exponential for a neighbour held at its extrapolated mid-step value, and
    hand on exactly the heat they did not keep, so that energy is conserved whatever the step; the sink by the midpoint
    rule. Second order in the step, stable for any fast node.
    """
    n, m = demand_W.shape
    lumped = not bench.base_capacity_J_per_K
    first = bench.series_resistance_K_per_W + (bench.base_resistance_K_per_W if lumped else 0.0)
    r = first + np.asarray(resistance_K_per_W, dtype=np.float64)
    keep = np.broadcast_to(np.exp(-step_s / (r * bench.device_capacity_J_per_K)), (n, m))
    r = np.broadcast_to(r, (n, m))
    air = np.broadcast_to(np.asarray(airflow, dtype=np.float64), (n, m))
    base_keep = 0.0 if lumped else np.exp(-step_s / (bench.base_resistance_K_per_W * bench.base_capacity_J_per_K))
    hot_offset, hot_local = _hottest_core(bench, float(demand_W.max()))
    limit = _limit_trace(bench, n, step_s)

    device, sink, power = np.empty((n, m)), np.empty((n, m)), demand_W.copy()
    sink[0] = room_C[0] + sink_rise(bench, demand_W[0], room_C[0], airflow=air[0])
    base = sink[0] + (0.0 if lumped else bench.base_resistance_K_per_W) * demand_W[0]
    device[0] = base + r[0] * demand_W[0]
    base_change, sink_change = np.zeros(m), np.zeros(m)
    room_mid = room_C.copy()
    room_mid[:-1] = 0.5 * (room_C[:-1] + room_C[1:])
    for i in range(n - 1):
        sink_mid = sink[i] + 0.5 * sink_change
        next_to = sink_mid if lumped else base + 0.5 * base_change
        if limit is not None:
            gain = r[i] * (1.0 - keep[i]) + hot_local
            allowed = (limit[i] - hot_offset - next_to - (device[i] - next_to) * keep[i]) / gain
            power[i] = np.minimum(np.maximum(allowed, 0.2 * demand_W[i]), demand_W[i])  # it never sheds all
        target = next_to + r[i] * power[i]
        device[i + 1] = target + (device[i] - target) * keep[i]
        flow = power[i] - bench.device_capacity_J_per_K * (device[i + 1] - device[i]) / step_s
        if not lumped:
            target = sink_mid + bench.base_resistance_K_per_W * flow
            base_change = (target - base) * (1.0 - base_keep)
            base = base + base_change
            flow = flow - bench.base_capacity_J_per_K * base_change / step_s
        loss = sink_loss(bench, sink_mid - room_mid[i], room_mid[i], air[i])
        sink_change = step_s * (flow - loss) / bench.sink_capacity_J_per_K
        sink[i + 1] = sink[i] + sink_change
    power[-1] = np.minimum(power[-1], power[-2]) if n > 1 and limit is not None else power[-1]
    return NetworkTrace(device, sink, power)


def _hottest_core(bench: SimulatedBench, power_W: float) -> tuple[float, float]:
    """Return offset and local resistance of the core that is hottest at the highest power."""
    readings = np.asarray(bench.core_offsets_K) + np.asarray(bench.core_local_K_per_W) * power_W
    core = int(readings.argmax())
    return bench.core_offsets_K[core], bench.core_local_K_per_W[core]


def _limit_trace(bench: SimulatedBench, n: int, step_s: float) -> Floats | None:
    """Return the temperature held at each step when the device is at its limit, (n_times,), or None."""
    if bench.limit_C is None:
        return None
    swing = 0.5 - 0.5 * np.cos(2.0 * np.pi * np.arange(n) * step_s / bench.hunting_period_s)
    limit: Floats = bench.limit_C - bench.hunting_K * swing
    return limit
