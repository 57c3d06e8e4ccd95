"""The physics of the simulated bench: a chain of heat capacities, its exact steady states, and the network in time.

Device -> interface -> (base) -> sink -> room. The interface resistance is what a treatment and a mount set; the sink
gives its heat to the room by convection, whose conductance may grow with the rise (natural convection, h ~ dT^0.25,
a textbook relation), and by radiation. Nothing here is random: noise and rounding are added in
:mod:`thermlab.simulate.readings`. :func:`integrate` follows many mounts at once, with the device's limit.
"""

from dataclasses import dataclass, replace
from typing import Any

import numpy as np
from numpy.typing import ArrayLike, NDArray

Floats = NDArray[np.float64]

STEFAN_BOLTZMANN_W_PER_M2_K4 = 5.670374419e-8  # CODATA 2018, exact by the SI; written from memory
KELVIN_AT_0_C = 273.15


@dataclass(frozen=True, slots=True, kw_only=True)
class SimulatedBench:
    """A bench: device, heat path, sink and what its sensors add.

    Attributes
    ----------
    device_capacity_J_per_K : float
        Heat capacity of die and package, J/K; with the interface resistance it sets the fast time constant.
    series_resistance_K_per_W : float
        Resistance inside the device, before the interface, K/W.
    base_capacity_J_per_K, base_resistance_K_per_W : float
        A third node between interface and sink (base plate, heat pipes) and its resistance to the sink; a capacity of
        0 leaves the node out and keeps the resistance.
    sink_capacity_J_per_K : float
        Heat capacity of the sink, J/K.
    convection_W : float
        Heat given off by convection at a sink rise of 1 K, W.
    convection_exponent : float
        0.25 for natural convection, 0 for air moved by fans at constant speed.
    radiating_area_m2 : float
        Emissivity times area, m2.
    fan_curve : tuple of (float, float)
        Pairs (set power in W, factor on the convection); empty: the same at every power.
    limit_C : float or None
        Temperature at which the device sheds power to hold it, degC.
    core_offsets_K, core_local_K_per_W : tuple of float
        What each sensor reads above the device node: constant, and in proportion to the power.
    """

    device_capacity_J_per_K: float = 150.0
    series_resistance_K_per_W: float = 0.05
    base_capacity_J_per_K: float = 0.0
    base_resistance_K_per_W: float = 0.0
    sink_capacity_J_per_K: float
    convection_W: float
    convection_exponent: float = 0.25
    radiating_area_m2: float = 0.0
    fan_curve: tuple[tuple[float, float], ...] = ()
    limit_C: float | None = None
    core_offsets_K: tuple[float, ...] = (0.0, 0.2, -0.3, 0.1)
    core_local_K_per_W: tuple[float, ...] = (0.0, 0.012, 0.020, 0.006)


def passive_bench(
    *,
    sink_rise_K: float = 38.0,
    at_power_W: float = 120.0,
    time_constant_min: float = 12.0,
    radiative_share: float = 0.0,
    convection_exponent: float = 0.25,
    room_C: float = 22.0,
    **others: Any,
) -> SimulatedBench:
    """Make a heavy sink without fans: 38 K at 120 W by default, that is 0.32 K/W of sink plus the interface.

    Parameters
    ----------
    sink_rise_K : float
        Settled rise of the sink over the room, K, at `at_power_W` in a room at `room_C`.
    time_constant_min : float
        Small-signal time constant of sink, base and device together at that power, min.
    radiative_share : float
        Share of the heat that leaves as radiation there; 0 makes the sink's rise exactly proportional to P^0.8.
    convection_exponent : float
        As of :class:`SimulatedBench`.
    **others
        Any other field of :class:`SimulatedBench`.

    Returns
    -------
    SimulatedBench
    """
    sink_K, room_K = KELVIN_AT_0_C + room_C + sink_rise_K, KELVIN_AT_0_C + room_C
    bench = SimulatedBench(
        sink_capacity_J_per_K=1.0,
        convection_W=(1.0 - radiative_share) * at_power_W / sink_rise_K ** (1.0 + convection_exponent),
        convection_exponent=convection_exponent,
        radiating_area_m2=radiative_share * at_power_W / (STEFAN_BOLTZMANN_W_PER_M2_K4 * (sink_K**4 - room_K**4)),
        **others,
    )
    slope_W_per_K = float(_loss_slope(bench, np.array(sink_rise_K), np.array(room_C)))
    others_J_per_K = bench.device_capacity_J_per_K + bench.base_capacity_J_per_K
    return replace(bench, sink_capacity_J_per_K=time_constant_min * 60.0 * slope_W_per_K - others_J_per_K)


def forced_bench(**others: Any) -> SimulatedBench:
    """Make a sink with fans: linear, 26 K at 120 W, settled in minutes. Arguments as in :func:`passive_bench`."""
    return passive_bench(**{"sink_rise_K": 26.0, "time_constant_min": 2.0, "convection_exponent": 0.0, **others})


def sink_loss(bench: SimulatedBench, rise_K: Floats, room_C: Floats, airflow: Floats | float = 1.0) -> Floats:
    """Return the heat the sink gives to the room, W, at a rise over the room (K, any shape)."""
    magnitude, exponent = np.abs(rise_K), bench.convection_exponent
    # Two roots are several times faster than a power.
    conductance = np.sqrt(np.sqrt(magnitude)) if exponent == 0.25 else magnitude**exponent
    loss: Floats = bench.convection_W * airflow * conductance * rise_K
    if bench.radiating_area_m2:
        room_K = room_C + KELVIN_AT_0_C
        sink_K = room_K + rise_K
        # Ts^4 - Ta^4 factored: no loss of digits at small rises.
        quartic = rise_K * (sink_K + room_K) * (sink_K * sink_K + room_K * room_K)
        loss = loss + bench.radiating_area_m2 * STEFAN_BOLTZMANN_W_PER_M2_K4 * quartic
    return loss


def _loss_slope(bench: SimulatedBench, rise_K: Floats, room_C: Floats, airflow: Floats | float = 1.0) -> Floats:
    """Return d(loss)/d(rise), W/K."""
    convection = bench.convection_W * airflow * (1.0 + bench.convection_exponent)
    radiation = 4.0 * bench.radiating_area_m2 * STEFAN_BOLTZMANN_W_PER_M2_K4 * (rise_K + room_C + KELVIN_AT_0_C) ** 3
    slope: Floats = convection * np.abs(rise_K) ** bench.convection_exponent + radiation
    return slope


def fan_factor(bench: SimulatedBench, set_power_W: ArrayLike) -> Floats:
    """Return the factor on the convection that the fan curve gives at each set power; 1 without a curve."""
    power = np.asarray(set_power_W, dtype=np.float64)
    if not bench.fan_curve:
        return np.ones_like(power)
    at, factor = zip(*bench.fan_curve, strict=True)
    factors: Floats = np.interp(power, at, factor)
    return factors


def core_excess(bench: SimulatedBench, power_W: Floats, measurand: str = "hottest") -> Floats:
    """Return what the reported sensor reads above the device node, K: the hottest sensor, or the mean of all."""
    cores = np.asarray(bench.core_offsets_K) + np.asarray(bench.core_local_K_per_W) * np.asarray(power_W)[..., None]
    excess: Floats = cores.max(axis=-1) if measurand == "hottest" else cores.mean(axis=-1)
    return excess


def sink_rise(
    bench: SimulatedBench, power_W: ArrayLike, room_C: ArrayLike = 22.0, *, airflow: ArrayLike | None = None
) -> Floats:
    """Return the settled rise of the sink over the room, K; `airflow` defaults to what the fan curve gives.

    Newton's method from the rise that convection alone would need: the loss is convex, so it falls to the root
    without overshooting, in five steps or so.
    """
    power, room = np.broadcast_arrays(np.asarray(power_W, dtype=np.float64), np.asarray(room_C, dtype=np.float64))
    air = fan_factor(bench, power) if airflow is None else np.asarray(airflow, dtype=np.float64)
    rise_K: Floats = (power / (bench.convection_W * air)) ** (1.0 / (1.0 + bench.convection_exponent))
    for _ in range(8):
        slope_W_per_K = np.maximum(_loss_slope(bench, rise_K, room, air), 1e-12)  # 0 where no power flows
        rise_K = rise_K - (sink_loss(bench, rise_K, room, air) - power) / slope_W_per_K
    return rise_K


def path_resistance(bench: SimulatedBench, resistance_K_per_W: ArrayLike) -> Floats:
    """Return the resistance from device node to sink, K/W."""
    fixed = bench.series_resistance_K_per_W + bench.base_resistance_K_per_W
    return fixed + np.asarray(resistance_K_per_W, dtype=np.float64)


def settled_rise(
    bench: SimulatedBench,
    resistance_K_per_W: ArrayLike,
    power_W: ArrayLike,
    *,
    room_C: ArrayLike = 22.0,
    measurand: str = "hottest",
) -> Floats:
    """Return the true settled rise of the device over the room, K, if no limit were there.

    Parameters
    ----------
    resistance_K_per_W, power_W, room_C : array_like, broadcast together
        Interface resistance, power and room temperature.
    measurand : {"hottest", "mean"}
        The hottest sensor, or the mean of all; sensor offsets are included, as no reduction could remove them.

    Returns
    -------
    ndarray
        K.
    """
    power = np.asarray(power_W, dtype=np.float64)
    path = path_resistance(bench, resistance_K_per_W) * power
    return sink_rise(bench, power, room_C) + path + core_excess(bench, power, measurand)


def throttle_power(
    bench: SimulatedBench, resistance_K_per_W: ArrayLike, *, room_C: float, temperature_C: float
) -> Floats:
    """Return the power, W, at which the hottest sensor settles at `temperature_C` in a room at `room_C`."""
    resistance = np.asarray(resistance_K_per_W, dtype=np.float64)
    bottom, top = np.zeros(resistance.shape), np.full(resistance.shape, 5000.0)
    for _ in range(45):
        middle = 0.5 * (bottom + top)
        below = settled_rise(bench, resistance, middle, room_C=room_C) < temperature_C - room_C
        bottom, top = np.where(below, middle, bottom), np.where(below, top, middle)
    found: Floats = 0.5 * (bottom + top)
    return found


def time_constant_s(bench: SimulatedBench, resistance_K_per_W: float, power_W: float, room_C: float = 22.0) -> float:
    """Return the slow small-signal time constant at a settled power, s: the smallest eigenvalue of the network."""
    slope = _loss_slope(bench, sink_rise(bench, power_W, room_C), np.array(room_C), fan_factor(bench, power_W))
    resistances = [bench.series_resistance_K_per_W + resistance_K_per_W, bench.base_resistance_K_per_W]
    capacities = [bench.device_capacity_J_per_K, bench.base_capacity_J_per_K, bench.sink_capacity_J_per_K]
    if not bench.base_capacity_J_per_K:
        resistances, capacities = [sum(resistances)], capacities[::2]
    conductance = np.zeros((len(capacities), len(capacities)))
    for i, resistance in enumerate(resistances):
        conductance[i : i + 2, i : i + 2] += np.array([[1.0, -1.0], [-1.0, 1.0]]) / resistance
    conductance[-1, -1] += float(slope)
    rates = np.linalg.eigvals(conductance / np.array(capacities)[:, None])
    return float(1.0 / rates.real.min())


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
    offsets, local = np.asarray(bench.core_offsets_K), np.asarray(bench.core_local_K_per_W)
    hottest = int((offsets + local * demand_W.max()).argmax())  # at the highest power

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
        if bench.limit_C is not None:
            gain = r[i] * (1.0 - keep[i]) + local[hottest]
            allowed = (bench.limit_C - offsets[hottest] - next_to - (device[i] - next_to) * keep[i]) / gain
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
    if n > 1 and bench.limit_C is not None:
        power[-1] = np.minimum(power[-1], power[-2])
    return NetworkTrace(device, sink, power)
