"""From the readings of one run to its settled rise.

The rise is the temperature of the sensor less the room as the heat sink feels
it: the logged room passed through a first-order lag of the bench's time
constant. The settled rise is the level of an exponential approach with the
bench's time constant, fitted over the end of the soak; what was still missing
at the end is kept beside it as a quality number. Where the bench has no time
constant only a steady run has a settled rise: its mean. Whether a run has settled
is told from the slope over its end.
"""

from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Any, NamedTuple

import numpy as np
from scipy.special import stdtrit

from thermlab.campaign.settings import BenchSettings
from thermlab.runs.records import Array, Booleans, HeldPower, SensorRise
from thermlab.runs.time_constant import COOLINGS, BenchTimeConstant, Centred, decay, fit_exponential, straighten
from thermlab.runs.trace import Trace, known_mean
from thermlab.stats.variances import autocorrelation

HELD_TIME_CONSTANTS = 0.4
# A window of 15 min is long enough once it has settled.
SETTLED_TIME_CONSTANTS = 3.0
LONGEST_LEVEL_S = 900.0
SETTLED_WINDOW_TIME_CONSTANTS = 1.25
SETTLED_CONFIDENCE = 0.95
SETTLED_BLOCKS = 20
# The early rise: latest reading, least step in power and largest difference in the power before as shares of the set
# power, and in how far the device moved before, K and as a share of the early rise (common practice, no source).
LATEST_EARLY_S, LEAST_STEP, SAME_START, MOST_MOVING_K, MOST_MOVING = 540.0, 0.2, 0.05, 1.0, 0.12


def lag_room(trace: Trace, at_s: Array, time_constant_s: float | None, *, shortest_step_s: float) -> Array:
    """Pass the room through the first-order lag of the heat sink.

    Parameters
    ----------
    trace : Trace
        Holds the room during the soak and its history.
    at_s : ndarray, shape (b,)
        Times wanted, seconds since the soak began.
    time_constant_s : float or None
        Lag, s, > 0; None takes a quarter of the soak.
    shortest_step_s : float
        Least step of the filter, s; it is a sixtieth of the lag where that is more.

    Returns
    -------
    ndarray, shape (b,)
        Room temperature as the sink feels it, degC. Before the first known
        reading the room is taken as that reading (mean of its first minute).
    """
    lag_s = trace.soak_s / 4.0 if time_constant_s is None else time_constant_s
    step_s = max(shortest_step_s, lag_s / 60.0)
    t = np.concatenate([trace.history_time_s, trace.time_s])
    room = np.concatenate([trace.history_C, trace.ambient_C])
    have = ~np.isnan(room)
    t, room = t[have], room[have]
    if t.size == 0:
        return np.full(at_s.size, np.nan)
    begin = max(float(t[0]), -6.0 * lag_s)
    grid = np.arange(begin, float(trace.time_s[-1]) + 2 * step_s, step_s)
    if grid.size < 2:
        return np.full(at_s.size, float(room.mean()))
    # Mean of the readings of each step where the probe is read faster than that.
    smooth = _grid_means(t, room, grid, step_s)
    start = float(smooth[: max(1, int(60.0 / step_s))].mean())
    keep = np.exp(-step_s / lag_s)
    reach = min(grid.size, int(np.ceil(8.0 * lag_s / step_s)) + 1)
    kernel = (1 - keep) * keep ** np.arange(reach)
    lagged = start + np.convolve(smooth - start, kernel)[: grid.size]
    return np.interp(at_s, grid + 0.5 * step_s, lagged)


def _grid_means(t: Array, values: Array, grid: Array, step_s: float) -> Array:
    # The soak often begins exactly between two steps: the last bit of the time constant must not decide on its place.
    where = np.clip(((t - grid[0]) / step_s + 1e-6).astype(np.intp), -1, grid.size)
    inside = (where >= 0) & (where < grid.size)
    total = np.bincount(where[inside], values[inside], minlength=grid.size)
    count = np.bincount(where[inside], minlength=grid.size)
    have = count > 0
    if have.sum() < 2:
        return np.interp(grid, t, values)
    means = total[have] / count[have]
    return np.interp(np.arange(grid.size), np.flatnonzero(have), means)


def level_window(soak_s: float, time_constant_s: float | None, *, cooling: str, slow_from_s: float = 0.0) -> float:
    """Tell where the window of the settled rise begins, seconds since the soak began.

    Parameters
    ----------
    soak_s : float
        Length of the soak, s.
    time_constant_s : float or None
        Of this run; None takes the last half of the soak, at most 15 min.
    cooling : {"passive", "forced"}
        Decides how far back the shape can be relied on.
    slow_from_s : float
        Where the slow approach begins, s.

    Returns
    -------
    float
    """
    if time_constant_s is None:
        return soak_s - min(LONGEST_LEVEL_S, 0.5 * soak_s)
    back = soak_s - COOLINGS[cooling].level_window * time_constant_s
    settled = max(SETTLED_TIME_CONSTANTS * time_constant_s, soak_s - LONGEST_LEVEL_S)
    return min(max(slow_from_s, min(back, settled)), 0.8 * soak_s)


class Rise(NamedTuple):
    """Rise of what stands for the device over the room as the sink feels it: block means where both are known."""

    window_s: tuple[float, float]
    sensor: str
    time_s: Array
    rise_K: Array
    ambient_C: Array


def measure_rise(trace: Trace, tau_s: float | None, settings: BenchSettings, *, slow_from_s: float = 0.0) -> Rise:
    """Take the room, late by the time constant, from the sensor that counts in the window of the settled rise."""
    from_s = level_window(trace.soak_s, tau_s, cooling=settings.cooling, slow_from_s=slow_from_s)
    blocks = trace.blocks
    sensor, temperature = choose_sensor(trace, measurand=settings.measurand, from_s=from_s)
    room = lag_room(trace, blocks.time_s, tau_s, shortest_step_s=blocks.length_s)
    good = ~np.isnan(temperature) & ~np.isnan(room)
    return Rise((from_s, trace.soak_s), sensor, blocks.time_s[good], (temperature - room)[good], room[good])


def choose_sensor(trace: Trace, *, measurand: str, from_s: float) -> tuple[str, Array]:
    """Choose what stands for the device's temperature in a run.

    Parameters
    ----------
    trace : Trace
        The run.
    measurand : {"hottest", "mean"}
        The sensor with the highest mean from ``from_s`` on, or the mean of all sensors.
    from_s : float
        Beginning of the fit window, s.

    Returns
    -------
    name : str
        Sensor, or ``"mean of n"``.
    temperature_C : ndarray, shape (b,)
        Its block means, NaN where missing.
    """
    blocks, late = trace.blocks, trace.blocks.time_s >= from_s
    known = ~np.isnan(blocks.temperature_C[late])
    share = known.mean(axis=0) if known.size else np.zeros(len(trace.sensors))
    usable = np.flatnonzero(share > 0.5)
    if usable.size == 0:
        usable = np.flatnonzero(share == share.max())
    columns = blocks.temperature_C[:, usable]
    if measurand == "mean":
        return f"mean of {usable.size}", columns.mean(axis=1)
    best = int(np.argmax(known_mean(columns[late], axis=0)))
    return trace.sensors[int(usable[best])], columns[:, best]


@dataclass(frozen=True, slots=True, kw_only=True)
class Estimate:
    """What one run says on its own, at its logged power.

    Attributes
    ----------
    trace : Trace
        The run.
    sensor : str
        Sensor used, or ``"mean of n"``.
    time_s, rise_K, ambient_C : ndarray, shape (b,)
        Block means: time since the soak began, rise over the lagged room, lagged room.
    fitted_K : ndarray, shape (b,), or None
        The fitted approach at ``time_s``, None where there is none.
    level_K : float or None
        Settled rise at the logged power, K; None where it cannot be had.
    left_K : float or None
        Settled rise minus rise at the end, K.
    u_a_K, u_left_K : float or None
        Type A standard uncertainties of the level and of what was left, K.
    window_s : tuple of float
        Where the level was fitted, s.
    constant : BenchTimeConstant or None
        Time constant of this run.
    still_left_K, bound_K : float or None
        Remaining rise from the slope at the end, and its one-sided 95 % allowance.
    settled : bool or None
        ``|still_left_K| + bound_K`` at most the threshold; None where not known.
    noise_K : float
        Standard deviation of single readings about the fit, K.
    readout_K : float
        Smallest step between readings found in the log, K.
    power_W, ambient_mean_C : float
        Means over the level window.
    held : HeldPower or None
        The end of a run that gave up power at its limit.
    """

    trace: Trace
    sensor: str
    time_s: Array
    rise_K: Array
    ambient_C: Array
    window_s: tuple[float, float]
    constant: BenchTimeConstant | None
    noise_K: float
    readout_K: float
    power_W: float
    ambient_mean_C: float
    held: HeldPower | None
    fitted_K: Array | None = None
    level_K: float | None = None
    left_K: float | None = None
    u_a_K: float | None = None
    u_left_K: float | None = None
    still_left_K: float | None = None
    bound_K: float | None = None
    settled: bool | None = None

    @property
    def time_constant_s(self) -> float | None:
        """Time constant of this run, s."""
        return None if self.constant is None else self.constant.time_constant_s

    @property
    def shed(self) -> bool:
        """Whether the run gave up power at its limit."""
        return self.held is not None


def estimate_run(trace: Trace, constant: BenchTimeConstant | None, settings: BenchSettings) -> Estimate:
    """Reduce one run at its logged power.

    Parameters
    ----------
    trace : Trace
        The run.
    constant : BenchTimeConstant or None
        Time constant at this run's power; None where the bench has none.
    settings : BenchSettings
        Cooling, which is the shape of the approach, measurand, limit and thresholds.

    Returns
    -------
    Estimate
    """
    tau = None if constant is None else constant.time_constant_s
    slow_from_s = 0.0 if constant is None else constant.fit_from_s
    found = measure_rise(trace, tau, settings, slow_from_s=slow_from_s)
    from_s = found.window_s[0]
    late, in_window = found.time_s >= from_s, trace.time_s >= from_s
    noise, settled = float("nan"), {}
    if late.sum() >= 5:
        noise = float(np.nan_to_num(reading_noise(trace, found.sensor, from_s=from_s)))
        settled = _steady(found, late, settings) if constant is None else _approached(found, late, constant, settings)
    return Estimate(
        trace=trace,
        **found._asdict(),
        **settled,
        constant=constant,
        noise_K=noise,
        readout_K=readout_step(_column(trace.sensors, trace.temperature_C, found.sensor)),
        power_W=float(known_mean(trace.power_W[in_window], axis=0)),
        ambient_mean_C=float(known_mean(found.ambient_C[late], axis=0)),
        held=_held(trace, tau, settings),
    )


def _column(sensors: Sequence[str], temperature_C: Array, sensor: str) -> Array:
    if sensor in sensors and temperature_C.size:
        return temperature_C[:, sensors.index(sensor)]
    column: Array = temperature_C.mean(axis=1)
    return column


def early_rises(
    estimates: Sequence[Estimate], time_constant_s: float | None, settings: BenchSettings
) -> tuple[float, list[dict[str, Any]]]:
    """Read the early rises of the runs of a bench, all of them as long after their load came on.

    Later the air comes in, earlier the interface has not wholly followed. Where there is no time constant it is a
    quarter of the usual soak; never more than half of it.

    Returns
    -------
    at_s : float
        How long after the load they are read, s.
    fields : list of dict
        What is said of each run, by the names of :class:`thermlab.runs.records.ReducedRun`.
    """
    traces = [estimate.trace for estimate in estimates]
    usual = float(np.median([trace.soak_s for trace in traces])) if traces else 0.0
    at_s = min(LATEST_EARLY_S, 0.25 * usual)
    if time_constant_s is not None:
        at_s = min(LATEST_EARLY_S, 0.5 * usual, COOLINGS[settings.cooling].early_at * time_constant_s)
    found = _matched(traces, [_early_rise(estimate, at_s, settings) for estimate in estimates])
    return at_s, [own.fields() for own in found]


@dataclass(frozen=True, slots=True, kw_only=True)
class _EarlyRise:
    """What a run rises by a fixed time after its load comes on: die, interface and base of the sink, not yet the air.

    Attributes
    ----------
    rise_K, u_K : float or None
        Rise over the reading before, per watt of the power step times the set power, and its standard uncertainty, K.
    from_W : float
        Power before, W.
    moving_K : float
        How far the device was moving before, over that time, K.
    note : str
        Why there is none.
    """

    rise_K: float | None = None
    u_K: float | None = None
    from_W: float = np.nan
    moving_K: float = np.nan
    note: str = ""

    def fields(self) -> dict[str, Any]:
        """Return what is said of it, by the names of a reduced run."""
        from_W = None if np.isnan(self.from_W) else self.from_W
        rise_K = {"early_rise_K": self.rise_K, "u_early_rise_K": self.u_K}
        return {**rise_K, "early_note": self.note, "early_from_W": from_W}


def _early_rise(estimate: Estimate, at_s: float, settings: BenchSettings) -> _EarlyRise:
    trace = estimate.trace
    if np.isnan(trace.onset_s):
        return _EarlyRise(note="the log has no rows before the load")
    room = lag_room(trace, trace.onset_time_s, estimate.time_constant_s, shortest_step_s=trace.interval_s)
    column = _column(trace.sensors, trace.onset_C, estimate.sensor) - np.nan_to_num(room)
    known = ~np.isnan(column) & ~np.isnan(trace.onset_power_W)
    t, y, power = trace.onset_time_s[known] - trace.onset_s, column[known], trace.onset_power_W[known]
    reach = COOLINGS[settings.cooling].early_reach * at_s
    # A logger that writes means over its interval shows the load a row late.
    before, after = (t < -1.5 * trace.interval_s) & (t >= -at_s), np.abs(t - at_s) <= reach
    if before.sum() < 3:
        return _EarlyRise(note="the log has no rows before the load")
    if after.sum() < 3 or t[-1] < at_s + reach - 2.0 * trace.interval_s:
        return _EarlyRise(note=f"too few readings {at_s / 60.0:.1f} min after the load came on")
    from_W = float(power[before].mean())
    step = float(power[(t > 0) & (t <= at_s + reach)].mean()) - from_W
    if abs(step) < LEAST_STEP * trace.set_power_W:
        return _EarlyRise(from_W=from_W, note="the power changed too little when the load came on")
    start, moving, u_start = _line(t[before], y[before], float(t[before].mean()))
    then, rate, u_then = _line(t[after], y[after], at_s)
    # When between two rows the load came on is not known.
    parts = (u_start, u_then, rate * trace.interval_s / np.sqrt(12.0))
    rise = (then - start) / step * trace.set_power_W
    u_power = rise * settings.uncertainty.power_u_percent / 100.0
    u = float(np.hypot(np.sqrt(sum(part**2 for part in parts)) / abs(step) * trace.set_power_W, u_power))
    return _EarlyRise(rise_K=rise, u_K=u, from_W=from_W, moving_K=moving * at_s)


def _straight(t: Array, y: Array) -> tuple[float, Array, float]:
    """Slope of a straight line, what it leaves, and the sum of squares of its times about their mean."""
    centred = t - t.mean()
    spread = max(float(centred @ centred), 1e-9)
    slope = float(centred @ y) / spread
    return slope, y - y.mean() - slope * centred, spread


def _line(t: Array, y: Array, at_s: float) -> tuple[float, float, float]:
    """Value there and slope of a straight line, and the uncertainty of its mean; rounding counts as scatter."""
    slope, residual, _ = _straight(t, y)
    r1 = autocorrelation(residual, most=0.9)
    steps = np.diff(np.unique(np.round(y, 4)))
    coarse = float(steps.min()) / np.sqrt(12.0) if steps.size else 0.0
    spread = max(float(residual @ residual) / max(1.0, t.size - 2.0), coarse**2) * (1 + r1) / (1 - r1)
    return float(y.mean() + slope * (at_s - t.mean())), slope, float(np.sqrt(spread / t.size))


def _matched(traces: Sequence[Trace], found: Sequence[_EarlyRise]) -> list[_EarlyRise]:
    """Keep the early rises that another mount's can be compared with: same step, from the same power, as much at rest.

    Their ``from_W`` is made alike, so that it says which runs belong together.
    """
    matched, known = list(found), [(t, own) for t, own in zip(traces, found, strict=True) if own.rise_K is not None]
    for i, (trace, mine) in enumerate(zip(traces, found, strict=True)):
        if mine.rise_K is None:
            continue
        power_W = trace.set_power_W
        alike = [(t, own) for t, own in known if t.set_power_W == power_W]
        same = [(t, own) for t, own in alike if abs(own.from_W - mine.from_W) <= SAME_START * power_W]
        from_W, usual_K = np.median([(own.from_W, own.moving_K) for _, own in same], axis=0).tolist()
        others = {(t.treatment, t.mount) for t, _ in same} - {(trace.treatment, trace.mount)}
        raw_K = mine.rise_K * abs(power_W - mine.from_W) / power_W
        if others and abs(mine.moving_K - usual_K) <= max(MOST_MOVING_K, MOST_MOVING * raw_K):
            matched[i] = replace(mine, from_W=from_W)
        else:
            matched[i] = replace(mine, rise_K=None, u_K=None, note="no other mount began this step from the same state")
    return matched


def sensor_rises(estimate: Estimate, rise_K: float | None) -> tuple[SensorRise, ...]:
    """Put every sensor of a run beside the one that stands for it, by their means over the fit window."""
    trace = estimate.trace
    late = trace.time_s >= estimate.window_s[0]
    own = _column(trace.sensors, trace.temperature_C, estimate.sensor)
    apart = known_mean((trace.temperature_C - own[:, None])[late], axis=0)
    return tuple(
        SensorRise(name=name, rise_K=None if rise_K is None or np.isnan(d) else float(rise_K + d))
        for name, d in zip(trace.sensors, apart, strict=True)
    )


def reading_noise(trace: Trace, sensor: str, *, from_s: float) -> float:
    """Measure the noise of single readings over the end of the soak.

    Parameters
    ----------
    trace : Trace
        The run.
    sensor : str
        One of its sensors, or anything else for the mean of all.
    from_s : float
        Where the end begins, seconds since the soak began.

    Returns
    -------
    float
        Standard deviation about a straight line, K; NaN with fewer than five readings.
    """
    y = _column(trace.sensors, trace.temperature_C, sensor)
    known = (trace.time_s >= from_s) & ~np.isnan(y)
    t, y = trace.time_s[known], y[known]
    if y.size < 5 or np.ptp(t) <= 0:
        return float("nan")
    return float(np.std(_straight(t, y)[1]))


def readout_step(column: Array) -> float:
    """Return the smallest step between the readings of a column, K; 0 where they are all one."""
    values = np.unique(np.round(column[~np.isnan(column)], 4))
    return float(np.diff(values).min()) if values.size > 1 else 0.0


def end_reading(trace: Trace) -> dict[str, Any]:
    """Return the hottest sensor's mean over the last minute (common practice, no source), and less the room.

    By the names of :class:`thermlab.runs.records.ReducedRun`; nothing where no sensor has a reading.
    """
    minute = min(60.0, trace.soak_s / 5.0)
    last = trace.time_s > trace.time_s[-1] - minute
    readings = trace.temperature_C[last]
    if np.isnan(readings).all():
        return {}
    hottest = float(np.nanmax(known_mean(readings, axis=0)))
    room = float(known_mean(trace.ambient_C[last], axis=0))
    return {"end_reading_C": hottest, "end_rise_K": None if np.isnan(room) else hottest - room}


def _held(trace: Trace, tau: float | None, settings: BenchSettings) -> HeldPower | None:
    """Mean power, rise and room over the end of a run that gave up power at its limit."""
    limit_C, thresholds = settings.limit_C, settings.checks
    if limit_C is None:
        return None
    reach = HELD_TIME_CONSTANTS * tau if tau is not None else trace.soak_s / 8.0
    reach = min(max(reach, 30.0, 5 * trace.interval_s), trace.soak_s / 2.0)
    end = trace.time_s > trace.time_s[-1] - reach
    power = float(known_mean(trace.power_W[end], axis=0))
    if not power < (1 - thresholds.shed_power_percent / 100.0) * trace.set_power_W:
        return None
    hot, room = float(known_mean(trace.hottest_C[end], axis=0)), float(known_mean(trace.ambient_C[end], axis=0))
    if np.isnan([hot, room]).any() or hot < limit_C - thresholds.shed_limit_K:
        return None
    felt = float(known_mean(lag_room(trace, trace.time_s[end], tau, shortest_step_s=trace.interval_s), axis=0))
    return HeldPower(trace.run, trace.treatment, trace.mount, power, hot - felt, felt)


def _slope(t: Array, y: Array) -> tuple[float, float]:
    """Slope over 20 block means, and its one-sided allowance, inflated for their lag-one correlation."""
    n = min(SETTLED_BLOCKS, t.size)
    size = t.size // n + (np.arange(n) < t.size % n)
    x, v = (np.add.reduceat(values, np.cumsum(size) - size) / size for values in (t, y))
    slope, residual, spread = _straight(x, v)
    dof = max(1.0, n - 2.0)
    r1 = autocorrelation(residual, most=0.9)
    u_slope = np.sqrt(float(residual @ residual) / dof / spread * (1 + r1) / (1 - r1))
    return slope, float(stdtrit(dof, SETTLED_CONFIDENCE) * u_slope)


def _steady(found: Rise, late: Booleans, settings: BenchSettings) -> dict[str, Any]:
    """Settle a run without a time constant: its mean over the window, if its change there is within the limit."""
    t, y = found.time_s[late], found.rise_K[late]
    change, bound = (part * float(t[-1] - t[0]) for part in _slope(t, y))
    said = {"still_left_K": change, "bound_K": bound, "settled": abs(change) + bound <= settings.checks.settled_left_K}
    if not said["settled"]:
        return said
    means, level = np.array([part.mean() for part in np.array_split(y, 5)]), float(y.mean())
    fit = {"level_K": level, "left_K": 0.0, "fitted_K": np.full(found.time_s.size, level)}
    return said | fit | {"u_a_K": float(means.std(ddof=1) / np.sqrt(5.0))}


def still_left(time_s: Array, rise: Array, tau: float, longest_s: float) -> tuple[float, float]:
    """Remaining rise from the slope over the last window, with its one-sided 95 % allowance."""
    window = min(longest_s, SETTLED_WINDOW_TIME_CONSTANTS * tau, float(time_s[-1] - time_s[0]))
    inside = time_s >= time_s[-1] - window
    slope, allowance = _slope(time_s[inside], rise[inside])
    carry = tau * float(np.exp(-window / (2.0 * tau)))
    return carry * slope, carry * allowance


def _approached(found: Rise, late: Booleans, constant: BenchTimeConstant, settings: BenchSettings) -> dict[str, Any]:
    """Settle a run by its approach: level and what is left of it, what they scatter by, and what its slope leaves.

    The Type A of both is scatter about the fit, inflated for correlation, and that of the time constant.
    """
    checks, tau, end = settings.checks, constant.time_constant_s, found.window_s[1]
    remaining, bound = still_left(found.time_s, found.rise_K, tau, checks.steady_window_min * 60.0)
    t, curvature = found.time_s[late], COOLINGS[settings.cooling].curvature
    y = straighten(t, found.rise_K[late], tau, end_s=end, curvature=curvature)
    shape = Centred(decay(t, tau, end_s=end))
    level, left, residual = shape.fit(y)
    squares = float(residual @ residual)
    r1 = float(residual[1:] @ residual[:-1]) / squares if squares > 0 else 0.0
    variance = _long_run_variance(squares, r1, t.size)
    spread = shape.square_sum if shape.square_sum > 0 else np.inf
    moved_level, moved_left, _ = fit_exponential(t, y, 1.02 * tau, end_s=end)
    per_tau = np.array([moved_level - level, moved_left - left]) / (0.02 * tau)
    of_fit = variance * np.array([1.0 / t.size + shape.mean**2 / spread, 1.0 / spread])
    u_level, u_left = np.sqrt(of_fit + (per_tau * constant.u_time_constant_s) ** 2).tolist()
    return {
        "fitted_K": level + left * decay(found.time_s, tau, end_s=end),
        "level_K": float(level),
        "left_K": -float(left),
        "u_a_K": u_level,
        "u_left_K": u_left,
        "still_left_K": remaining,
        "bound_K": bound,
        "settled": abs(remaining) + bound <= checks.settled_left_K,
    }


def time_constant_leverage(window_time_constants: float) -> float:
    """Tell how far a wrong time constant moves a level, as a multiple of what was left times its relative error.

    Parameters
    ----------
    window_time_constants : float
        Length of the fit window in time constants, above 0.

    Returns
    -------
    float
        To first order; 2.4 for a window of 1.6 time constants, 3.0 for 2.
    """
    t = np.linspace(-window_time_constants, 0.0, 201)
    design = np.column_stack([np.ones_like(t), np.exp(-t)])
    return float(np.linalg.lstsq(design, t * np.exp(-t), rcond=None)[0][0])


def _long_run_variance(residual_sum: float, r1: float, n: int) -> float:
    """Variance that independent values would need for a mean as uncertain, from the residuals of a two-parameter fit.

    A fit takes part of the correlation with it: the lag-one correlation of residuals about a level and a slope is low
    by (2 + 4 r)/n (Marriott and Pope 1954, Biometrika 41, 390, for a trend; from memory), and so is the sum of squares,
    by as many values as each parameter is worth.
    """
    correlation = min(max((n * r1 + 2.0) / max(1.0, n - 4.0), 0.0), 0.95)
    inflation = (1.0 + correlation) / (1.0 - correlation)
    return residual_sum / max(1.0, n / 3.0, n - 2.0 * inflation) * inflation
