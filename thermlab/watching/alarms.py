"""What is wrong with a run now: told from its last minutes, where the checks of finished runs need a soak."""

from collections.abc import Iterator
from dataclasses import replace

import numpy as np

from thermlab.campaign.settings import BenchSettings
from thermlab.runs.records import Array, Booleans, Flag, Severity, raise_flag
from thermlab.runs.settled_rise import Estimate
from thermlab.runs.settled_runs import BenchReduction, check_runs, estimate_under_way
from thermlab.runs.time_constant import decay
from thermlab.runs.trace import Trace, known_mean

RECENT_S = 120.0
# Checks of finished runs that mean nothing before the end.
OF_THE_END = frozenset({"not settled", "drift at constant power", "soak length", "coarse readout"})
DEAD_S = 20.0
# Common practice, no source: a rise off its course, and a room that warms with the device.
OFF_COURSE_K, OFF_COURSE_RATIO = 0.8, 4.5
# Two minutes ahead a course is that much surer than where it ends, and a mean of five blocks, whose noise is
# correlated, that much surer than one.
AHEAD_SHARE, MEAN_SHARE = 0.3, 0.75
ROOM_FOLLOWS_K, ROOM_FOLLOWS_SHARE, FOLLOWS_CORRELATION = 0.3, 0.02, 0.6
STUCK_S, STUCK_RATIO, STUCK_STEPS, COARSE_STEP_K = 60.0, 2.0, 1.5, 0.25


def find_alarms(estimate: Estimate, settings: BenchSettings, known: BenchReduction | None) -> tuple[Flag, ...]:
    """Tell what is wrong with a run under way.

    Parameters
    ----------
    estimate : Estimate
        What the run so far says.
    settings : BenchSettings
        Limit and thresholds.
    known : BenchReduction or None
        The finished runs.

    Returns
    -------
    tuple of Flag
        One of a kind, the gravest first.
    """
    trace, constant = estimate.trace, estimate.constant
    found = [*_sensors(trace, settings), *_power(trace, settings), *_room(trace, settings)]
    found += [*_limit(estimate, settings), *_off_course(estimate, settings, known)]
    if constant is not None and trace.soak_s >= constant.time_constant_s:
        own = BenchReduction(settings, constant, trace.set_power_W, (estimate,))
        found += [flag for flag in check_runs(own)[0] if flag.flag not in OF_THE_END]
    found.sort(key=lambda flag: ("unusable", "doubtful", "note").index(flag.severity))
    return tuple({flag.flag: flag for flag in reversed(found)}.values())[::-1]


def _recent(trace: Trace, seconds: float) -> Booleans:
    return np.asarray(trace.time_s > trace.time_s[-1] - seconds)


def _mean(values: Array) -> float:
    return float(known_mean(values, axis=0))


def _sensors(trace: Trace, settings: BenchSettings) -> Iterator[Flag]:
    room = trace.ambient_C[-1]
    for i, (name, column) in enumerate(zip(trace.sensors, trace.temperature_C.T, strict=True)):
        end = column[_recent(trace, max(DEAD_S, 3.5 * trace.interval_s))]
        if end.size >= 3 and (np.isnan(end).all() or (end < room - 5.0).all()):
            yield raise_flag("sensor stuck", "unusable", f"{name} gives no reading that could be true any more.")
            continue
        known = ~np.isnan(column)
        values, times = column[known], trace.time_s[known]
        changes = np.flatnonzero(np.diff(values)) + 1
        if changes.size < 2:
            continue
        since_s = float(times[changes[-1]])
        still_s, usual_s = float(times[-1]) - since_s, float(np.diff(times[changes]).max())
        course = known_mean(np.delete(trace.temperature_C, i, axis=1), axis=1)
        moved = abs(_mean(course[-5:]) - _mean(course[trace.time_s >= since_s][:5]))
        step = float(np.abs(np.diff(values)[changes - 1]).min())
        # A coarse readout stands still by itself near the settled state: it needs as long as the checks ask for.
        fine = step < COARSE_STEP_K
        least_s = STUCK_S if fine else 60.0 * settings.checks.stuck_min
        ratio = STUCK_RATIO if fine else settings.checks.stuck_ratio
        unusual = still_s > ratio * usual_s and still_s >= least_s
        if unusual or (still_s >= STUCK_S and moved > max(STUCK_STEPS * step, 0.5)):
            said = f"{name} has stood at {values[-1]:.1f} degC for {still_s / 60.0:.1f} min."
            severe = still_s >= 60.0 * settings.checks.stuck_min
            yield raise_flag("sensor stuck", "unusable" if severe else "doubtful", said, still_s=still_s)


def _power(trace: Trace, settings: BenchSettings) -> Iterator[Flag]:
    checks = settings.checks
    if trace.soak_s < 60.0:
        return
    power = _mean(trace.power_W[_recent(trace, 30.0)])
    off = 100.0 * (power / trace.set_power_W - 1.0)
    if not abs(off) > checks.power_off_note_percent:
        return
    severity: Severity = "doubtful" if abs(off) > checks.power_off_doubtful_percent else "note"
    severity = "unusable" if abs(off) > checks.power_off_unusable_percent else severity
    said = f"{power:.1f} W now, {off:+.1f} % off the set {trace.set_power_W:g} W."
    yield raise_flag("power off set", severity, said)


def _room(trace: Trace, settings: BenchSettings) -> Iterator[Flag]:
    """Tell a room that jumps from one that warms with the device from the moment it is loaded."""
    known = ~np.isnan(trace.ambient_C)
    if known.sum() < 4:
        return
    now = _mean(trace.ambient_C[_recent(trace, 20.0)])
    before = (trace.time_s < trace.time_s[-1] - RECENT_S) & (trace.time_s > trace.time_s[-1] - RECENT_S - 60.0)
    first = _mean(trace.history_C[-10:]) if trace.history_C.size else _mean(trace.ambient_C[:5])
    warmed, heated = now - first, float(trace.hottest_C[-1] - trace.hottest_C[0])
    allowed = max(ROOM_FOLLOWS_K, settings.checks.ambient_rate_K_per_h * trace.soak_s / 3600.0)
    if warmed > max(allowed, ROOM_FOLLOWS_SHARE * heated) and heated > 2.0:
        course = np.corrcoef(trace.ambient_C[known], np.nan_to_num(trace.hottest_C[known]))[0, 1]
        if course > FOLLOWS_CORRELATION:
            said = f"The room has warmed by {warmed:.1f} K with the device under load: is its probe in warm air?"
            yield raise_flag("ambient follows power", "doubtful", said, warmed_K=warmed)
            return
    moved = now - _mean(trace.ambient_C[before]) if before.any() else 0.0
    if abs(moved) > settings.checks.ambient_jump_K:
        why = "a door, a heater, or its probe in the sink's warm air?"
        said = f"The room moved by {moved:+.1f} K in two minutes: {why}"
        yield raise_flag("ambient unsteady", "doubtful", said, moved_K=moved)


def _limit(estimate: Estimate, settings: BenchSettings) -> Iterator[Flag]:
    trace, limit, tau_s = estimate.trace, settings.limit_C, estimate.time_constant_s
    if limit is None:
        return
    hot = _mean(trace.hottest_C[_recent(trace, 10.0 + trace.interval_s)])
    if hot >= limit - settings.checks.shed_limit_K:
        yield raise_flag("shed power at limit", "doubtful", f"{hot:.1f} degC: at the limit of {limit:g} degC now.")
        return
    if tau_s is None or estimate.level_K is None or not estimate.left_K:
        return
    room = _mean(trace.ambient_C[_recent(trace, 60.0)])
    over = estimate.level_K + room - limit
    if over > 0 and estimate.left_K > over:
        minute = (trace.soak_s + tau_s * np.log(estimate.left_K / over)) / 60.0
        heading_C = estimate.level_K + room
        said = f"Heading for {heading_C:.1f} degC: the limit of {limit:g} degC at about minute {minute:.0f}."
        yield raise_flag("shed power at limit", "note", said, minute_min=float(minute))


def _off_course(estimate: Estimate, settings: BenchSettings, known: BenchReduction | None) -> Iterator[Flag]:
    """Compare the end with where the run was heading before: the fit sees no reading it is compared with."""
    trace, tau_s = estimate.trace, estimate.time_constant_s
    if tau_s is None:
        return
    recent_s = min(RECENT_S, 0.25 * tau_s)
    until = int(np.searchsorted(trace.time_s, trace.time_s[-1] - recent_s))
    if trace.time_s[-1] - recent_s < 0.6 * tau_s or until < 30:
        return
    power = trace.power_W[until:]
    if abs(_mean(power) / _mean(trace.power_W[max(0, until // 2) : until]) - 1.0) > 0.02:
        return  # the power moved: that is told as such
    readings = {name: getattr(trace, name)[:until] for name in ("time_s", "temperature_C", "power_W", "ambient_C")}
    earlier = replace(trace, **readings, clock_MHz=None, jumps=())
    before = estimate_under_way(earlier, settings, known)
    level, left, u_a, fitted = before.level_K, before.left_K, before.u_a_K, before.fitted_K
    speed_s = before.time_constant_s
    if speed_s is None or level is None or left is None or u_a is None or fitted is None:
        return
    late = _recent(trace, 0.4 * recent_s)
    own = [before.sensor] if before.sensor in trace.sensors else trace.sensors
    read = known_mean(trace.temperature_C[:, [trace.sensors.index(name) for name in own]], axis=1)
    seen = _mean(read[late]) - float(before.ambient_C[-1])
    course = level - left * _mean(decay(trace.time_s[late], speed_s, end_s=earlier.soak_s))
    scatter = (before.rise_K - fitted)[before.time_s >= before.window_s[0]].std()
    u = float(np.hypot(AHEAD_SHARE * u_a, MEAN_SHARE * scatter))
    off = seen - course
    if abs(off) > max(OFF_COURSE_K, OFF_COURSE_RATIO * u):
        said = f"The rise left its course by {off:+.1f} K within {recent_s / 60.0:.1f} min at steady power: a draught?"
        yield raise_flag("drift at constant power", "doubtful", said, off_K=off)
