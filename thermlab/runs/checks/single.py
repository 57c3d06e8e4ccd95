"""Checks on one run: what its trace says about itself.

Every check is a small function of a :class:`RunView` that returns the flag it
raises, or None. The thresholds are in :mod:`thermlab.campaign.settings`; what the runs say about each other is in
:mod:`thermlab.runs.checks.between`.
"""

from datetime import UTC, datetime

import numpy as np

from thermlab.runs.checks.view import Departure, RunView, Still, rounding_bias_K
from thermlab.runs.records import Booleans, Flag, Flags, Severity, raise_flag, side
from thermlab.runs.settled_rise import readout_step
from thermlab.runs.trace import Trace, known_mean, stretches
from thermlab.stats.variances import robust_sd

SMOOTH_S = 120.0


def check_run(view: RunView) -> Flags:
    """Run every single-run check.

    Parameters
    ----------
    view : RunView
        The run.

    Returns
    -------
    tuple of Flag
        In the order of the checks.
    """
    # A run that gave up power has no settled state at its set power: nothing is asked of its way there.
    checks = (shed_power, *(() if view.estimate.shed else WAY_TO_SETTLED), *CONDITIONS)
    found = (check(view) for check in checks)
    return tuple(flag for flag in found if flag is not None)


def _gravest(*, unusable: bool = False, doubtful: bool = False, note: bool = False) -> Severity | None:
    """Return the gravest severity that holds."""
    return "unusable" if unusable else "doubtful" if doubtful else "note" if note else None


def shed_power(view: RunView) -> Flag | None:
    """Held power below set while the device is at its limit."""
    held, blocks, set_power_W = view.estimate.held, view.trace.blocks, view.trace.set_power_W
    if held is None:
        return None
    below = 100.0 * (1 - held.held_power_W / set_power_W)
    fell = stretches(blocks.power_W < (1 - view.settings.checks.shed_power_percent / 100.0) * set_power_W)
    at = f" at {view.when(float(blocks.time_s[fell[-1][0]]))}" if fell else ""
    reason = (
        f"The device reached its limit{at} and held {held.held_power_W:.1f} W, {below:.1f} % below the set power; "
        "its rise is not at the set power, but the held power is an observation of the throttle power."
    )
    numbers = {"held_power_W": held.held_power_W, "below_set_percent": below, "held_rise_K": held.held_rise_K}
    return raise_flag("shed power at limit", "unusable", reason, **numbers, ambient_C=held.ambient_C)


def not_settled(view: RunView) -> Flag | None:
    """What was left of the approach at the end of the soak."""
    e, limits = view.estimate, view.settings.checks
    if e.settled:
        return None
    soak_min, slope = view.trace.soak_s / 60.0, {"still_left_K": e.still_left_K, "bound_K": e.bound_K}
    if e.level_K is None or e.left_K is None:
        few = "The end of the soak holds too few readings beside a known room"
        lacks = few if e.time_constant_s is not None else "The run has no steady part and the bench no time constant"
        reason = f"{lacks}, so a settled rise cannot be had."
        return raise_flag("not settled", "unusable", reason, soak_min=soak_min, **slope)
    if e.time_constant_s is None or abs(e.left_K) <= max(limits.least_left_K, e.u_left_K or 0.0):
        return None
    soaked = view.trace.soak_s / e.time_constant_s
    trusted = soaked >= limits.trusted_soak_time_constants and abs(e.left_K) <= limits.trusted_left_K
    by_slope = e.left_K if e.still_left_K is None else e.still_left_K
    agrees = abs(by_slope - e.left_K) <= max(limits.settled_left_K, 2.0 * (e.bound_K or 0.0))
    if trusted and agrees and view.soaked_as_planned:
        return None
    reason = f"{e.left_K:+.1f} K was still to come after {soak_min:.1f} min, {soaked:.1f} time constants"
    if not agrees:
        reason += f" (its slope at the end points to {by_slope:+.1f} K)"
    reason += "; the settled rise includes it."
    if not trusted:
        least = f"{limits.trusted_soak_time_constants:g} time constants"
        reason += f" An extrapolation is trusted from {least} on and up to {limits.trusted_left_K:g} K."
    left = {"left_K": e.left_K, "u_left_K": e.u_left_K, **slope}
    return raise_flag("not settled", "note" if trusted else "doubtful", reason, **left, soak_time_constants=soaked)


def power_off_set(view: RunView) -> Flag | None:
    """Logged power against set power, and its course within the soak."""
    e, limits, trace = view.estimate, view.settings.checks, view.trace
    if not np.isfinite(e.power_W):
        return raise_flag("power off set", "unusable", "No power was logged in the fit window.", missing_percent=100.0)
    off = 100.0 * (e.power_W / trace.set_power_W - 1)
    own = 100.0 * (e.power_W / trace.set_power_W / view.usual.power_ratio - 1)
    # Common to all runs it is the meter or the setting; the correction to set power takes it out.
    course = _power_course(view)
    severity = _gravest(
        unusable=abs(off) > limits.power_off_unusable_percent,
        doubtful=abs(own) > limits.power_off_doubtful_percent or abs(course) > limits.power_drift_percent,
        note=abs(off) > limits.power_off_note_percent,
    )
    if severity is None:
        return None
    text = f"Logged power was {abs(off):.1f} % {side(off)} the set power, {e.power_W:.1f} W"
    if abs(own - off) > 0.5:
        text += f" ({abs(own):.1f} % {side(own)} what the other runs had)"
    if abs(course) > limits.power_drift_percent:
        text += f", and {'rose' if course > 0 else 'fell'} by {abs(course):.1f} % within the soak"
    moved = view.per_watt_K() * (trace.set_power_W - e.power_W)
    text += f". Bringing the rise to the set power moves it by about {moved:+.1f} K." if moved else "."
    numbers = {"off_percent": off, "against_others_percent": own, "course_percent": course, "effect_K": moved or None}
    return raise_flag("power off set", severity, text, **numbers)


def _power_course(view: RunView) -> float:
    """Change of power from the first quarter of the soak to its end, percent of set; without the first blocks."""
    t, p = view.trace.blocks.time_s, view.trace.blocks.power_W
    settle = min(120.0, 0.1 * view.trace.soak_s)
    early = (t > settle) & (t < 0.35 * view.trace.soak_s)
    late = t > 0.75 * view.trace.soak_s
    if early.sum() < 3 or late.sum() < 3:
        return 0.0
    change = float(np.median(p[late]) - np.median(p[early]))
    # A load that comes and goes by the second has a median that wanders; 1.25 is that of a normal sample's median.
    u = 1.25 * float(np.hypot(*(robust_sd(p[part]) / np.sqrt(part.sum()) for part in (early, late))))
    if abs(change) <= view.settings.checks.power_drift_ratio * u:
        return 0.0
    return 100.0 * change / view.trace.set_power_W


def load_step(view: RunView) -> Flag | None:
    """A lasting step or an interruption of the power within the soak."""
    e, limits, trace, blocks = view.estimate, view.settings.checks, view.trace, view.trace.blocks
    t, p = blocks.time_s, blocks.power_W
    inside = t > min(60.0, 0.2 * trace.soak_s)
    if inside.sum() < 6:
        return None
    usual = float(np.median(p[inside]))
    noise = robust_sd(p[inside])
    off = np.abs(p - usual) > max(limits.load_step_percent / 100.0 * usual, 6.0 * noise)
    lo, hi = max(stretches(off & inside), key=lambda span: span[1] - span[0], default=(0, 0))
    if hi == lo or (hi - lo) * blocks.length_s < limits.load_step_min * 60.0 - 1e-6:
        return None
    size = float(np.median(p[lo:hi]) - usual)
    began, lasted = float(t[lo]) / 60.0, (hi - lo) * blocks.length_s / 60.0
    after = trace.soak_s - float(t[hi - 1])
    tau_min = (e.time_constant_s or trace.soak_s / 4.0) / 60.0
    left = view.per_watt_K() * size * float(-np.expm1(-lasted / tau_min) * np.exp(-after / 60.0 / tau_min))
    grave = after < 1.6 * (e.time_constant_s or np.inf) and abs(size) * lasted > 0.02 * usual * trace.soak_s / 60.0
    reason = (
        f"Power was {abs(size):.1f} W {side(size)} the rest of the soak for {lasted:.1f} min from "
        f"{view.when(60.0 * began)} on; at the end the rise was still about {left:+.1f} K off for it."
    )
    numbers = {"step_W": size, "began_min": began, "lasted_min": lasted, "effect_K": left}
    return raise_flag("load step", "unusable" if grave else "doubtful", reason, **numbers)


def ambient_unsteady(view: RunView) -> Flag | None:
    """A room that drifts or jumps within the soak."""
    if view.trace.room_by_hand:
        return None
    limits, blocks = view.settings.checks, view.trace.blocks
    t, room = blocks.time_s, blocks.ambient_C
    if np.isnan(room).any() or room.size < 10:
        return None
    smooth_n, reach = (max(1, int(seconds / blocks.length_s)) for seconds in (60.0, 120.0))
    smooth = np.convolve(room, np.ones(smooth_n) / smooth_n, mode="valid")
    spread, steps = float(np.ptp(smooth)), smooth[reach:] - smooth[:-reach]
    jump = float(np.abs(steps).max(initial=0.0))
    hours = (t - t.mean()) / 3600.0
    rate = float(hours @ room / (hours @ hours))
    far_K = abs(rate) * (t[-1] - t[0]) / 3600.0
    drifted = abs(rate) > limits.ambient_rate_K_per_h and far_K > limits.ambient_range_note_K
    severity = _gravest(
        doubtful=spread > limits.ambient_range_K or jump > limits.ambient_jump_K or drifted,
        note=spread > limits.ambient_range_note_K,
    )
    if severity is None:
        return None
    if jump > limits.ambient_jump_K:
        steepest = int(np.argmax(np.abs(steps)))
        size, when = float(steps[steepest]), f"at {view.when(float(t[steepest + (smooth_n + reach) // 2]))}"
    else:
        ends = sorted((int(np.argmin(smooth)), int(np.argmax(smooth))))
        first, last = (view.when(float(t[min(i + smooth_n // 2, t.size - 1)])) for i in ends)
        size, when = float(smooth[ends[1]] - smooth[ends[0]]), f"from {first} to {last}"
    late = t >= view.estimate.window_s[0]
    lag = float(room[late].mean()) - view.estimate.ambient_mean_C if late.any() else float("nan")
    told = f" That it follows late is worth {lag:+.1f} K in the rise." if np.isfinite(lag) else ""
    reason = (
        f"The room {'rose' if size > 0 else 'fell'} by {abs(size):.1f} K {when}; what the heat sink feels of it "
        f"follows late and is corrected for.{told}"
    )
    numbers = {"range_K": spread, "jump_K": jump, "rate_K_per_h": rate, "effect_K": lag}
    return raise_flag("ambient unsteady", severity, reason, **numbers)


def coarse_readout(view: RunView) -> Flag | None:
    """So little noise against the readout step that a mean of readings is biased."""
    e, limits = view.estimate, view.settings.checks
    if e.readout_K < limits.coarse_readout_K or not np.isfinite(view.late_noise_K):
        return None
    # A coarse readout hides its own noise, most in the middle of a step: that of the other runs is the better guess.
    noise = (min if view.coarser else max)(view.late_noise_K, view.usual.noise_K)
    if noise >= limits.coarse_noise_ratio * e.readout_K:
        return None
    bias = rounding_bias_K(e.readout_K, noise)
    others = f" The other runs were read in steps of {view.usual.readout_K:g} K." if view.coarser else ""
    reason = (
        f"Readings come in steps of {e.readout_K:g} K with a noise of only {noise:.2f} K: their mean can be off by "
        f"up to {bias:.1f} K. A finer readout is the remedy.{others}"
    )
    numbers = {"readout_K": e.readout_K, "noise_K": noise, "bias_K": bias, "usual_readout_K": view.usual.readout_K}
    severity: Severity = "doubtful" if view.coarser and bias > limits.coarse_bias_K else "note"
    return raise_flag("coarse readout", severity, reason, **numbers)


def drift_at_constant_power(view: RunView) -> Flag | None:
    """A rise that leaves its approach although power holds: air flow, fan, contact, room."""
    limits = view.settings.checks
    found: list[tuple[float, Departure, float, bool]] = []
    for k, departure in enumerate(view.departures):
        u_bend = departure.u_bend_K
        alone = k + 1 < len(view.departures)
        ratio = max(limits.drift_one_sensor_ratio, limits.drift_ratio) if alone else limits.drift_ratio
        bent = abs(departure.bend_K) > ratio * u_bend
        away = departure.departure_K > limits.drift_departure_ratio * max(departure.usual_departure_K, 0.02)
        sizes = [size for size, counts in ((departure.seen_K, bent), (departure.departure_K, away)) if counts]
        size = max(sizes, default=0.0)
        # Few runs do not tell what rounding looks like on this bench.
        rounded = rounding_bias_K(view.estimate.readout_K, view.usual.noise_K) if departure.of_few else 0.0
        if size > limits.drift_K + rounded:
            # The settled rise may be off by the shift itself, where that is known at all well.
            shift = abs(departure.bend_K) if bent and u_bend < 0.25 * abs(departure.bend_K) else size
            found.append((size, departure, max(size, min(shift, 3.0 * size)), bent))
    if not found:
        return None
    size, departure, may_be_off, bent = max(found, key=lambda one: one[0])
    severity: Severity = "unusable" if may_be_off > limits.drift_unusable_K else "doubtful"
    gone = "The rise leaves its approach to the settled state"
    if bent:
        began = view.when(60.0 * departure.bend_at_min)
        gone = f"From about {began} on the rise goes {side(departure.bend_K)} its approach to the settled state,"
    holds = load_step(view) is None and abs(_power_course(view)) <= limits.power_drift_percent
    why = "although the power holds: something besides the power changed (air, fan, contact)"
    reason = (
        f"{gone} by {size:.1f} K{f' {why}' if holds else '; the power changed too, so look at that first'}. "
        f"The settled rise may be off by {may_be_off:.1f} K."
    )
    numbers = {"departure_K": departure.departure_K, "shift_K": departure.bend_K, "u_shift_K": departure.u_bend_K}
    numbers |= {"effect_K": may_be_off, "shift_at_min": departure.bend_at_min, "seen_K": departure.seen_K}
    return raise_flag("drift at constant power", severity, reason, **numbers)


def gap(view: RunView) -> Flag | None:
    """Holes in the readings, in time, in a sensor or in the room."""
    trace, e, limits = view.trace, view.estimate, view.settings.checks
    longest, at_s = _longest_hole(trace)
    # Of all sensors that with the most missing: were it the hottest, another would stand for it unnoticed.
    absent = np.isnan(trace.temperature_C)
    worst = int(np.argmax(absent.mean(axis=0)))
    missing, sensor = 100.0 * float(absent[:, worst].mean()), trace.sensors[worst]
    own = absent[:, [trace.sensors.index(e.sensor)]] if e.sensor in trace.sensors else absent
    window = own[trace.time_s >= e.window_s[0]]
    window_missing = 100.0 * float(window.mean()) if window.size else 100.0
    uncovered = 100.0 * (1 - trace.room_covered)
    # Many short holes count together; a step of two intervals is jitter.
    steps = np.diff(trace.time_s)
    lost = 100.0 * float((steps[steps > 2.5 * trace.interval_s] - trace.interval_s).sum()) / trace.soak_s
    grave = longest > max(limits.gap_s, 3 * trace.interval_s)
    severity = _gravest(
        unusable=uncovered >= 50.0 or window_missing > limits.missing_unusable_percent,
        doubtful=grave or max(missing, window_missing, uncovered, lost) > limits.missing_percent,
        note=longest > max(limits.gap_note_s, 3 * trace.interval_s),
    )
    if severity is None:
        return None
    if uncovered > limits.missing_percent:
        reason = f"The room is not known for {uncovered:.0f} % of the soak."
        if view.settings.ambient_log is not None and np.isnan(trace.ambient_C[[0, -1]]).any():
            reason += " Its file does not cover the run: is ambient_log.clock_offset_s right?"
    elif max(missing, window_missing) > limits.missing_percent:
        without = trace.time_s[absent[:, worst]]
        reason = f"{missing:.0f} % of the readings of {sensor} are missing, between {view.when(float(without[0]))} and "
        reason += f"{view.when(float(without[-1]))}{_taken_from(view)}."
        if any(one.column == sensor for one in trace.dead):
            reason += " Readings of exactly zero, as of a dead probe, count as missing."
    elif lost > limits.missing_percent and not grave:
        reason = f"Readings came at irregular times: {lost:.0f} % of the soak lies in holes of up to {longest:.0f} s."
    else:
        where = "that is within the readings that the settled rise is fitted to."
        if at_s + longest <= e.window_s[0]:
            where = "the settled rise is fitted to later readings."
        reason = f"No readings for {longest:.0f} s from {view.when(at_s)} on; {where}"
        if change := _clock_change(trace, at_s, longest):
            reason += f" Its clock may have gone forward{change}."
    numbers = {"longest_s": longest, "at_min": at_s / 60.0, "lost_percent": lost, "missing_percent": missing}
    numbers |= {"missing_in_window_percent": window_missing, "room_unknown_percent": uncovered}
    return raise_flag("gap", severity, reason, **numbers)


def _longest_hole(trace: Trace) -> tuple[float, float]:
    """Longest time without a reading beyond the usual interval, s, and when it began, seconds since the soak began."""
    steps = np.diff(trace.time_s)
    return float(steps.max()) - trace.interval_s, float(trace.time_s[int(steps.argmax())])


def clock_jump(view: RunView) -> Flag | None:
    """The clock was set while the run was on."""
    trace, forward = view.trace, forward_jump(view.trace, view.usual.soak_s)
    if trace.jumps:
        worst = max(trace.jumps, key=lambda jump: abs(jump.seconds))
        at_s, size_s, where = float(trace.time_s[worst.row - 1]), worst.seconds, f", line {worst.line}"
        so = ". The readings are taken as evenly spaced there; unless some are missing the rise is as it was."
    elif forward is not None:
        at_s, size_s, where = _longest_hole(trace)[1], forward, ""
        so = ", although no readings are missing from the declared soak: the approach is fitted as if the bench had "
        so += "gone on for that time."
    else:
        return None
    went = f"{'was set back' if size_s < 0 else 'went forward'} by {abs(size_s):.0f} s at {view.when(at_s)}{where}"
    reason = f"The log's clock {went}{_clock_change(trace, at_s, size_s)}{so}"
    line = worst.line if trace.jumps else None
    return raise_flag("clock jump", "doubtful", reason, jump_s=size_s, line=line, at_min=at_s / 60.0)


def _clock_change(trace: Trace, at_s: float, jump_s: float) -> str:
    """Say so where a jump is the hour of summer time, in the small hours of a Sunday that can be its."""
    moment = datetime.fromtimestamp(trace.began_s + at_s, UTC)
    sunday = moment.weekday() == 6 and moment.month in {3, 4, 9, 10, 11} and moment.hour < 4
    if trace.clock != "calendar" or not sunday or abs(abs(jump_s) - 3600.0) > max(90.0, 2.0 * trace.interval_s):
        return ""
    what = "ends" if jump_s < 0 else "begins"
    return f", as clocks are when summer time {what}, and the night was that of a Sunday ({moment:%Y-%m-%d})"


def forward_jump(trace: Trace, soak_wanted_s: float | None) -> float | None:
    """Size of a hole that is the clock's, not the log's: without it the soak is as long as it should be.

    Parameters
    ----------
    trace : Trace
        The run.
    soak_wanted_s : float or None
        Declared or usual soak, s.

    Returns
    -------
    float or None
        Seconds by which the clock went forward.
    """
    if soak_wanted_s is None:
        return None
    longest, _ = _longest_hole(trace)
    # A true hole in a run of the right length leaves too few readings.
    enough = abs(trace.soak_s - longest - soak_wanted_s) < min(0.3 * longest, 0.05 * soak_wanted_s + 30.0)
    return longest if longest >= max(60.0, 0.02 * soak_wanted_s) and enough else None


def soak_length(view: RunView) -> Flag | None:
    """Time under load against what was declared, or against the other runs."""
    limits, trace, wanted_s = view.settings.checks, view.trace, view.usual.soak_s
    if wanted_s is None:
        return None
    off = trace.soak_s - (forward_jump(trace, wanted_s) or 0.0) - wanted_s
    if abs(off) <= max(limits.soak_tolerance_s, 2 * trace.interval_s):
        return None
    far = abs(100.0 * off / wanted_s) > limits.soak_tolerance_percent
    whose = "of the others" if view.settings.soak is None else "declared"
    than = f"{'longer' if off > 0 else 'shorter'} than the {wanted_s / 60.0:.0f} min {whose}"
    reason = f"The soak was {abs(off) / 60.0:.1f} min {than}."
    numbers = {"soak_min": trace.soak_s / 60.0, "off_min": off / 60.0}
    return raise_flag("soak length", "doubtful" if far else "note", reason, **numbers)


def sensor_stuck(view: RunView) -> Flag | None:
    """Find a sensor, all of them or the room probe standing still, or a probe that read zero."""
    return _one_stuck(view) or _read_zero(view) or _all_stuck(view) or _room_stuck(view)


def _one_stuck(view: RunView) -> Flag | None:
    """A sensor that stands still while the others move, or far longer than is usual on this bench."""
    trace, limits, usual = view.trace, view.settings.checks, view.usual
    step, noise = max(view.estimate.readout_K, usual.readout_K), usual.noise_K
    if view.estimate.sensor not in trace.sensors:
        # A mean of several moves in smaller steps than each of them, and scatters less.
        step = max(step, float(np.median([readout_step(column) for column in trace.temperature_C.T])))
        noise *= np.sqrt(len(trace.sensors))
    # Without noise to dither them, rounded means are off by up to half a step: here the own and the others'.
    rounded = 2.0 * rounding_bias_K(step, noise)
    found: list[tuple[Still, str, float, float]] = []
    for i, (name, still) in enumerate(zip(trace.sensors, view.stills[:-2], strict=True)):
        value = float(trace.temperature_C[still.begin, i])
        if still.lasted_s < min(60.0 * limits.stuck_min, 0.25 * trace.soak_s) or np.isnan(value):
            continue
        away, moved = _where_others_put_it(trace, i, still)
        # A run read in coarser steps than the others stands still for longer by right.
        unusual = still.lasted_s > limits.stuck_ratio * usual.sensor_still_s and not view.coarser
        if away > 0.5 * step + rounded + limits.stuck_K or moved > step + rounded + limits.stuck_K or unusual:
            found.append((still, name, max(away, moved), value))
    if not found:
        return None
    still, name, away, value = max(found, key=lambda one: one[0].lasted_s)
    lasted, began = still.lasted_s, float(trace.time_s[still.begin])
    used = name == view.estimate.sensor or len(trace.sensors) == 1 or view.estimate.sensor not in trace.sensors
    why = f"by the others it should have been up to {away:.1f} K elsewhere" if away > 0 else "no other run has such"
    so = ", and so may the rise that is taken from it." if used else ". The rise is taken from another sensor."
    reason = f"{name} stood at {value:g} degC for {lasted / 60.0:.1f} min from {view.when(began)} on; {why}{so}"
    numbers = {"still_min": lasted / 60.0, "began_min": began / 60.0, "away_K": away}
    numbers["usual_still_min"] = usual.sensor_still_s / 60.0
    return raise_flag("sensor stuck", "unusable" if used else "doubtful", reason, **numbers)


def _read_zero(view: RunView) -> Flag | None:
    """Readings of exactly zero far from all about them: the trace has them as missing."""
    trace = view.trace
    if not trace.dead:
        return None
    worst = max(trace.dead, key=lambda one: one.lasted_s)
    share = 100.0 * worst.lasted_s / trace.soak_s
    span = "throughout" if share > 99.0 else f"for {worst.lasted_s / 60.0:.1f} min, first at {view.when(worst.began_s)}"
    more = f" So did {', '.join(one.column for one in trace.dead if one is not worst)}." if len(trace.dead) > 1 else ""
    reason = (
        f"{worst.column} read exactly zero {span}: that is a probe or a link that failed and no temperature, and those "
        f"readings are taken as missing{_taken_from(view)}.{more}"
    )
    severity: Severity = "doubtful" if share > view.settings.checks.missing_percent else "note"
    numbers = {"still_min": worst.lasted_s / 60.0, "began_min": worst.began_s / 60.0}
    return raise_flag("sensor stuck", severity, reason, **numbers)


def _taken_from(view: RunView) -> str:
    return f"; the rise is taken from {view.estimate.sensor}" if view.estimate.level_K is not None else ""


def _all_stuck(view: RunView) -> Flag | None:
    trace, limits, still, usual_s = view.trace, view.settings.checks, view.stills[-2], view.usual.all_still_s
    long = max(limits.stuck_ratio * usual_s, 0.25 * trace.soak_s, 60.0 * limits.stuck_min)
    if len(trace.sensors) == 1 or still.lasted_s <= long or view.coarser:
        return None
    so = "Nobody knows what the rise did meanwhile."
    return _stood(view, still, usual_s, "unusable", "All sensors stood still", "they seldom do", so)


def _room_stuck(view: RunView) -> Flag | None:
    trace, limits, still, usual_s = view.trace, view.settings.checks, view.stills[-1], view.usual.room_still_s
    long = max(limits.stuck_ratio * usual_s, 60.0 * limits.stuck_min, 0.4 * trace.soak_s)
    if trace.room_by_hand or np.isnan(trace.ambient_C).any() or still.lasted_s <= long:
        return None
    what, so = f"The room stood at {float(trace.ambient_C[still.begin]):g} degC", "By as much as the room moved "
    return _stood(view, still, usual_s, "doubtful", what, "it seldom stands", f"{so}meanwhile the rise is off.")


def _stood(view: RunView, still: Still, usual_s: float, severity: Severity, what: str, seldom: str, so: str) -> Flag:
    still_min, usual_min, when = still.lasted_s / 60.0, usual_s / 60.0, view.when(float(view.trace.time_s[still.begin]))
    others = f"in the other runs {seldom} for more than {usual_min:.1f} min"
    reason = f"{what} for {still_min:.1f} min from {when} on; {others}. {so}"
    return raise_flag("sensor stuck", severity, reason, still_min=still_min, usual_still_min=usual_min)


def _where_others_put_it(trace: Trace, sensor: int, still: Still) -> tuple[float, float]:
    """How far the others put a still sensor from where it stands, and how far they moved meanwhile, K."""
    begin, end, _ = still
    mean = known_mean(np.delete(trace.temperature_C, sensor, axis=1), axis=1)
    have: Booleans = ~np.isnan(mean)
    inside = mean[begin : end + 1][have[begin : end + 1]]
    if inside.size < 5:
        return 0.0, 0.0
    wide = min(max(1, int(SMOOTH_S / trace.interval_s)), inside.size)
    smooth = np.convolve(inside, np.ones(wide) / wide, mode="valid")
    own = trace.temperature_C[:, sensor]
    outside = have & ~np.isnan(own)
    outside[begin : end + 1] = False
    if outside.sum() * trace.interval_s < SMOOTH_S:
        return 0.0, float(np.ptp(smooth))
    offset = float(np.mean(own[outside] - mean[outside]))
    return float(np.abs(smooth + offset - own[begin]).max()), float(np.ptp(smooth))


WAY_TO_SETTLED = (not_settled, power_off_set, load_step, drift_at_constant_power)
CONDITIONS = (ambient_unsteady, sensor_stuck, gap, clock_jump, soak_length, coarse_readout)
