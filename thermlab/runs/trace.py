"""Cut the readings of one run out of a log and put the room beside them.

A :class:`Trace` is what the reduction sees: readings of the soak alone, seconds
since the soak began, the room on the same clock and its history before. It
answers "which rows belong to this run, and when did its soak begin"; it
estimates nothing.
"""

from dataclasses import dataclass, field, replace
from typing import Any

import numpy as np

from thermlab.campaign.runsheet import RunLine
from thermlab.logs.log import ClockJump, Log, RoomLog
from thermlab.logs.times import DAY_S
from thermlab.runs.records import Array, Booleans, Integers
from thermlab.stats.variances import robust_sd

# Readings are averaged into blocks no longer than this (statistics of the
# settled rise need about a hundred blocks a soak; 10 s on a 40 min soak).
BLOCK_S = 10.0
BLOCKS_PER_SOAK = 120.0
# A level of power is another level when it is this far from the run's own.
OTHER_LEVEL = 0.05
SHORTEST_LEAD_IN_S = 60.0
# Above that, or for longer than that part of the rest of the soak, it is a power step of its own.
LARGEST_OVERSHOOT = 1.25
LONGEST_OVERSHOOT = 1.0 / 3.0
HISTORY_S = 4 * 3600.0
# Readings that are kept from before and after the moment when the load came on, s.
ONSET_S = (-300.0, 960.0)
# A log that ends before a run's declared end by less than this, as a share of the soak and s, or by a few readings,
# is whole (common practice, no source).
UNFINISHED, UNFINISHED_S, FEW_READINGS = 0.05, 60.0, 3.0
# What a dead probe reads: nothing, in degC or degF; and how far its neighbours must be (common practice, no source).
ZEROS_C = (0.0, (0.0 - 32.0) * 5.0 / 9.0)
FAR_FROM_ZERO_K = 10.0
# The room: its own file, a constant in degC, or None where the log holds it.
Room = RoomLog | float | None


@dataclass(frozen=True, slots=True)
class Dead:
    """A column of temperature that reads exactly zero where nothing about it is near: its probe failed for a while.

    Attributes
    ----------
    column : str
        Sensor, or ``"The room"``.
    began_s, lasted_s : float
        Seconds since the soak began, of the first such reading; time for which it read so, s.
    """

    column: str
    began_s: float
    lasted_s: float


@dataclass(frozen=True, slots=True)
class Blocks:
    """Block means of a trace.

    Attributes
    ----------
    length_s : float
        Length of a block, s.
    time_s : ndarray, shape (b,)
        Mean time of the readings of each block.
    temperature_C : ndarray, shape (b, n_sensors)
        Means of the known readings, NaN where a block has none.
    power_W, ambient_C : ndarray, shape (b,)
        Means.
    """

    length_s: float
    time_s: Array
    temperature_C: Array
    power_W: Array
    ambient_C: Array


@dataclass(frozen=True, slots=True, kw_only=True)
class Trace:
    """Readings of one run, cut to its soak.

    Attributes
    ----------
    run, treatment, mount : str
        Identity as in the run sheet.
    set_power_W : float
        Power step, W.
    began_s : float
        When the soak began on the log's own clock, s.
    clock : str
        Kind of that clock: ``calendar``, ``time of day`` or ``elapsed``.
    time_s : ndarray, shape (n,)
        Seconds since the soak began, non-decreasing.
    temperature_C : ndarray, shape (n, n_sensors)
        Sensor temperatures, NaN where missing.
    sensors : tuple of str
        Their names.
    power_W, ambient_C : ndarray, shape (n,)
        Logged power and room temperature at the same instants.
    clock_MHz : ndarray, shape (n,), or None
        Clock of the device where it was logged.
    history_time_s, history_C : ndarray, shape (h,)
        The room up to the beginning of the soak, negative seconds.
    interval_s : float
        Median time between readings, s.
    jumps : tuple of ClockJump
        Places inside the soak where the clock was set back; their rows are those of the trace.
    room_covered : float
        Fraction of the soak for which the room is known, 0 to 1.
    history_device_C, history_power_W : ndarray, shape (h,)
        Mean of the sensors and logged power at the times of the history, NaN where the log does not reach; empty
        where they were not kept.
    onset_s : float
        When the load came on, before a pre-soak if there was one, seconds since the soak began; NaN where the log does
        not hold that moment.
    onset_time_s, onset_power_W : ndarray, shape (k,)
        Readings around that moment: seconds since the soak began, and logged power.
    onset_C : ndarray, shape (k, n_sensors)
        Sensor temperatures at these times.
    dead : tuple of Dead
        Readings of zero that were taken as missing.
    missing_end_s : float
        How long before the declared end the log ends, s; 0 where it does not, within a few readings.
    room_by_hand : bool
        Whether the room was read off a thermometer, so that it stands still.
    logged_room_C : float
        Mean over the soak of the logged room that the run's own reading went before; NaN where there is none.
    blocks : Blocks
        Block means of the readings.
    """

    run: str
    treatment: str
    mount: str
    set_power_W: float
    began_s: float
    clock: str
    time_s: Array
    temperature_C: Array
    sensors: tuple[str, ...]
    power_W: Array
    ambient_C: Array
    clock_MHz: Array | None
    history_time_s: Array
    history_C: Array
    interval_s: float
    jumps: tuple[ClockJump, ...]
    room_covered: float
    history_device_C: Array = field(default_factory=lambda: np.empty(0))
    history_power_W: Array = field(default_factory=lambda: np.empty(0))
    onset_s: float = float("nan")
    onset_time_s: Array = field(default_factory=lambda: np.empty(0))
    onset_power_W: Array = field(default_factory=lambda: np.empty(0))
    onset_C: Array = field(default_factory=lambda: np.empty((0, 0)))
    dead: tuple[Dead, ...] = ()
    missing_end_s: float = 0.0
    room_by_hand: bool = False
    logged_room_C: float = float("nan")
    blocks: Blocks = field(init=False, repr=False, compare=False)

    def __post_init__(self) -> None:
        """Average the readings into blocks."""
        object.__setattr__(self, "blocks", block_means(self))

    @property
    def finished(self) -> bool:
        """Whether the log reaches the declared end of the run."""
        return self.missing_end_s <= 0.0

    @property
    def soak_s(self) -> float:
        """Length of the soak, s: first to last reading plus one interval."""
        return float(self.time_s[-1] - self.time_s[0] + self.interval_s)

    @property
    def hottest_C(self) -> Array:
        """Hottest sensor at each instant, shape (n,), degC."""
        known = np.where(np.isnan(self.temperature_C), -np.inf, self.temperature_C).max(axis=1)
        return np.where(np.isinf(known), np.nan, known)


def block_means(trace: Trace) -> Blocks:
    """Average a trace into blocks of about 10 s, shorter on a short soak.

    Parameters
    ----------
    trace : Trace
        Readings of one run.

    Returns
    -------
    Blocks
        Means over the blocks that hold readings.
    """
    length = max(trace.interval_s, min(BLOCK_S, trace.soak_s / BLOCKS_PER_SOAK))
    index = ((trace.time_s - trace.time_s[0]) / length + 1e-6).astype(np.intp)
    starts = np.concatenate([[0], np.flatnonzero(index[1:] > index[:-1]) + 1])
    count = np.diff(starts, append=index.size).astype(np.float64)
    power_W, ambient_C = (_filled(_means(values, starts)) for values in (trace.power_W, trace.ambient_C))
    time_s = np.add.reduceat(trace.time_s, starts) / count
    return Blocks(length, time_s, _means(trace.temperature_C, starts), power_W, ambient_C)


def _means(values: Array, starts: Integers) -> Array:
    """Means over the blocks that begin at these rows, NaN where a block has no reading."""
    known = ~np.isnan(values)
    count = np.add.reduceat(known.astype(np.float64), starts, axis=0)
    total = np.add.reduceat(np.where(known, values, 0.0), starts, axis=0)
    return np.where(count > 0, total / np.maximum(count, 1.0), np.nan)


def _filled(means: Array) -> Array:
    """Bridge blocks without a reading, where there are others."""
    have = ~np.isnan(means)
    if have.all() or not have.any():
        return means
    at = np.arange(means.size)
    return np.interp(at, at[have], means[have])


def cut_trace(
    line: RunLine, log: Log, *, start_s: float | None, end_s: float | None, room: Room, limit_C: float | None
) -> Trace | None:
    """Cut one run out of its log.

    Parameters
    ----------
    line : RunLine
        The run's line of the run sheet.
    log : Log
        The log it names.
    start_s, end_s : float or None
        Its cut on the log's own clock, s; None for the end of the file on that side.
    room : RoomLog, float or None
        The room's own file, a constant in degC, or None where the log holds the room.
    limit_C : float or None
        Temperature limit of the device, degC; keeps power shed at the limit
        from being taken for another power step.

    Returns
    -------
    Trace or None
        None where the cut holds fewer than two readings.
    """
    first, last = _rows(line, log, start_s, end_s)
    if last - first < 2:
        return None
    log, zeros = _without_zeros(log, first, last)
    soak = slice(first + _soak_begins(line, log, first, last, whole=start_s is None, limit_C=limit_C), last)
    if soak.stop - soak.start < 2:
        return None
    began = float(log.time_s[soak.start])
    time_s = log.time_s[soak] - began
    columns = dict(zip((*log.sensors, "The room"), zeros[soak.start - last :].T, strict=True))
    dead = tuple(
        Dead(name, float(time_s[rows.argmax()]), float(np.gradient(time_s)[rows].sum()))
        for name, rows in columns.items()
        if rows.any()
    )
    history_time_s, history_C, ambient_C, covered = _room(log, room, soak, began)
    steps = np.diff(time_s)
    positive = steps[steps > 0]
    if positive.size == 0:
        return None
    device, power = device_before(log, soak.start, history_time_s, own_room=room is not None)
    interval_s = float(np.median(steps)) or float(np.median(positive))
    return Trace(
        **{name: getattr(line, name) for name in ("run", "treatment", "mount", "set_power_W")},
        **_onset(log, soak, began),
        began_s=float(log.raw_time_s[soak.start]),
        clock=log.clock,
        time_s=time_s,
        temperature_C=log.temperature_C[soak],
        sensors=log.sensors,
        power_W=log.power_W[soak],
        ambient_C=ambient_C,
        clock_MHz=None if log.clock_MHz is None else log.clock_MHz[soak],
        history_time_s=history_time_s,
        history_C=history_C,
        interval_s=interval_s,
        jumps=tuple(replace(j, row=j.row - soak.start) for j in log.jumps if soak.start < j.row < soak.stop),
        room_covered=covered,
        history_device_C=device,
        history_power_W=power,
        room_by_hand=isinstance(room, float),
        dead=dead,
        missing_end_s=_missing_end(log, last, end_s, interval_s, float(time_s[-1])),
    )


def _missing_end(log: Log, last: int, end_s: float | None, interval_s: float, soak_s: float) -> float:
    """How long before the declared end the log itself ends, s; 0 within a few readings or a share of the soak."""
    if end_s is None or last < log.raw_time_s.size:
        return 0.0
    missing = end_s - float(log.raw_time_s[-1])
    if log.clock == "time of day":
        missing = (missing + 0.5 * DAY_S) % DAY_S - 0.5 * DAY_S
    allowed = max(FEW_READINGS * interval_s, min(UNFINISHED_S, UNFINISHED * (soak_s + missing)))
    return missing if missing > allowed else 0.0


def _onset(log: Log, soak: slice, began: float) -> dict[str, Any]:
    """What a trace holds of the moment when the load came on; nothing where the log does not hold it."""
    on = _load_came_on(log, soak)
    if on is None:
        return {"onset_C": log.temperature_C[:0]}
    around = slice(*np.searchsorted(log.time_s, log.time_s[on] + np.array(ONSET_S)))
    time_s, power_W, device_C = log.time_s[around] - began, log.power_W[around], log.temperature_C[around]
    onset_s = float(log.time_s[on]) - began
    return {"onset_s": onset_s, "onset_time_s": time_s, "onset_power_W": power_W, "onset_C": device_C}


def _load_came_on(log: Log, soak: slice) -> int | None:
    """Row where the power came from another level to that of the soak."""
    first = int(np.searchsorted(log.time_s, log.time_s[soak.start] - HISTORY_S))
    power, here = log.power_W[first : soak.stop], soak.start - first
    own = float(np.nanmedian(power[here:])) if not np.isnan(power[here:]).all() else float("nan")
    off = np.abs(power[:here] - own) > max(OTHER_LEVEL * own, 4.0 * robust_sd(power[here:]))
    lasting = np.flatnonzero(off[2:] & off[1:-1] & off[:-2]) + 2
    if not lasting.size:
        return None
    last = int(lasting[-1])
    before = float(np.nanmedian(power[max(0, last - 19) : last + 1]))
    nearer = np.flatnonzero(np.abs(power[last + 1 :] - own) < np.abs(power[last + 1 :] - before))
    return first + last + 1 + int(nearer[0]) if nearer.size else None


def _without_zeros(log: Log, first: int, last: int) -> tuple[Log, Booleans]:
    """Take readings of a dead probe as missing, in the rows before `last` from four hours before `first` on.

    Returns the log and where such readings are in those rows: a column for each sensor, the last for the room.
    """
    rows = slice(int(np.searchsorted(log.time_s, log.time_s[first] - HISTORY_S)), last)
    room = np.full(log.time_s.size, np.nan) if log.ambient_C is None else log.ambient_C
    columns = np.column_stack([log.temperature_C[rows], room[rows]])
    zeros = np.zeros(columns.shape, dtype=np.bool_)
    for i in range(columns.shape[1]):
        zeros[:, i] = zero_rows(columns[:, i], columns if i < len(log.sensors) else columns[:0])
    if not zeros.any():
        return log, zeros
    temperature, room = log.temperature_C.copy(), room.copy()
    temperature[rows][zeros[:, :-1]] = np.nan
    room[rows][zeros[:, -1]] = np.nan
    return replace(log, temperature_C=temperature, ambient_C=None if log.ambient_C is None else room), zeros


def zero_rows(column: Array, others: Array) -> Booleans:
    """Find readings of exactly zero whose neighbours are far from it.

    Parameters
    ----------
    column : ndarray, shape (n,)
        Temperatures, degC.
    others : ndarray
        Other temperatures, which tell where the column has no other readings, degC.

    Returns
    -------
    ndarray of bool, shape (n,)
    """
    found = np.zeros(column.size, dtype=np.bool_)
    for code_C in ZEROS_C:
        away = np.abs(column - code_C)
        hits = away < 1e-6
        if not hits.any():
            continue
        known = np.flatnonzero(~hits & ~np.isnan(column))
        if known.size:
            behind = np.searchsorted(known, np.flatnonzero(hits))
            sides = known[np.maximum(behind - 1, 0)], known[np.minimum(behind, known.size - 1)]
            found[hits] |= np.minimum(*(away[at] for at in sides)) > FAR_FROM_ZERO_K
        else:
            elsewhere = np.abs(others - code_C)
            elsewhere = elsewhere[elsewhere > 1e-6]
            found |= hits & bool(elsewhere.size and elsewhere.min() > FAR_FROM_ZERO_K)
    return found


def _rows(line: RunLine, log: Log, start_s: float | None, end_s: float | None) -> tuple[int, int]:
    """First row of a cut, and the first behind it.

    Where the clock was set back the same time is written twice: the cut lies between two jumps or goes on across one.
    Where several places fit the run's times, that with most rows at the run's power, less those at another, is taken.
    """
    raw = log.raw_time_s
    last, near = len(log.jumps), 2.0 * float(np.median(np.abs(np.diff(raw)))) if log.jumps else 0.0
    if log.clock == "time of day":
        # Times of day beyond the first midnight carry whole days in the log.
        earliest = float(raw.min()) - near
        start_s = None if start_s is None else start_s + DAY_S * max(0.0, np.ceil((earliest - start_s) / DAY_S))
        end_s = None if end_s is None else end_s + DAY_S * max(0.0, np.ceil(((start_s or earliest) - end_s) / DAY_S))
    edges = [0, *(jump.row for jump in log.jumps), raw.size]

    def can_hold(i: int, at_s: float | None) -> bool:
        begun = at_s is None or i == 0 or raw[edges[i]] - near <= at_s
        return begun and (at_s is None or i == last or at_s <= raw[edges[i + 1] - 1] + near)

    def row(i: int, at_s: float) -> int:
        return int(edges[i] + (raw[edges[i] : edges[i + 1]] < at_s).sum())

    found = [(0, 0, 0, 0)]
    for i in (i for i in range(last + 1) if can_hold(i, start_s)):
        first = 0 if start_s is None else row(i, start_s - 1e-6)
        for j in (j for j in range(i, last + 1) if can_hold(j, end_s)):
            behind = raw.size if end_s is None else row(j, end_s + 1e-6)
            own = np.abs(log.power_W[first:behind] / line.set_power_W - 1) <= OTHER_LEVEL
            if own.size >= 2:
                found.append((int(own.sum()) - int((~own).sum()), i - j, first, behind))
    return max(found[1:] or found)[2:]


def _soak_begins(line: RunLine, log: Log, first: int, last: int, *, whole: bool, limit_C: float | None) -> int:
    """Rows of the cut that come before its last step in power."""
    time_s = log.time_s[first:last] - log.time_s[first]
    power = log.power_W[first:last]
    known = ~np.isnan(power)
    if known.sum() < 4 or time_s[-1] <= 0:
        return 0
    power = np.interp(time_s, time_s[known], power[known])
    length = max(time_s[-1] / 400.0, 2.0, float(np.median(np.diff(time_s))))
    index = (time_s / length).astype(np.intp)
    starts = np.flatnonzero(np.r_[True, np.diff(index) > 0])
    level = np.add.reduceat(power, starts) / np.diff(np.r_[starts, index.size])
    own = np.abs(level / line.set_power_W - 1) <= OTHER_LEVEL
    target = line.set_power_W if own.mean() >= 0.1 else float(np.median(level[-max(1, level.size // 3) :]))
    other = np.abs(level - target) > OTHER_LEVEL * target
    begins = 0
    loaded_from = 0
    for lo, hi in stretches(other):
        if hi >= level.size:
            break
        # After minutes at the run's own level this is an interruption, not a lead-in.
        loaded_s = time_s[starts[lo]] - time_s[starts[loaded_from]]
        loaded_from = hi
        if lo > 0 and loaded_s > max(SHORTEST_LEAD_IN_S, 0.05 * time_s[-1]):
            break
        rows = slice(int(starts[lo]), int(starts[hi]))
        lasted = time_s[starts[hi]] - time_s[starts[lo]]
        leading = lo == 0
        if lasted < SHORTEST_LEAD_IN_S and not (leading and whole):
            continue
        if not whole and (not leading or lasted > 0.2 * time_s[-1]):
            continue
        if not leading and limit_C is not None:
            hot = np.nanmax(np.r_[-np.inf, log.temperature_C[first + rows.start : first + rows.stop].ravel()])
            if hot > limit_C - 5.0:
                continue
        begins = _step_row(power, rows, target, time_s)
    return begins


def _step_row(power: Array, rows: slice, target: float, time_s: Array) -> int:
    """First row of the new level: an overshoot after the step belongs to it."""
    segment = power[rows.start : rows.stop + 3]
    low = np.flatnonzero(segment < (1 - OTHER_LEVEL) * target)
    if low.size >= 3 and low[-1] + 1 < rows.stop - rows.start:
        # Above its level since a step from below, and not for long: an overshoot, not another power step.
        over = rows.start + int(low[-1]) + 1
        lasted, rest = time_s[rows.stop - 1] - time_s[over], time_s[-1] - time_s[rows.stop - 1]
        if lasted <= LONGEST_OVERSHOOT * rest and np.median(power[over : rows.stop]) <= LARGEST_OVERSHOOT * target:
            return int(over)
    before = float(np.median(segment[: max(1, segment.size // 2)]))
    if abs(before - target) < OTHER_LEVEL * target:
        return int(rows.stop)
    still_before = np.flatnonzero(np.abs(segment - before) < np.abs(segment - target))
    return int(rows.start + still_before[-1] + 1) if still_before.size else int(rows.start)


def _room(log: Log, room: Room, soak: slice, began: float) -> tuple[Array, Array, Array, float]:
    """Room before the soak, its times and values, that of the soak, and the share of the soak for which it is known."""
    time_s = log.time_s[soak] - began
    if isinstance(room, float):
        return np.empty(0), np.empty(0), np.full(time_s.size, room), 1.0
    if room is None:
        room_t = log.time_s - began
        room_C = np.full(room_t.size, np.nan) if log.ambient_C is None else log.ambient_C
    else:
        # A room file keeps its own time, so it is matched with the log's clock as read.
        room_t, room_C = room.time_s - float(log.raw_time_s[soak.start]), room.ambient_C
        if room.clock == "time of day" and room_t.size:
            room_t = room_t - DAY_S * np.round((np.median(room_t) - np.median(time_s)) / DAY_S)
    have = ~np.isnan(room_C)
    room_t, room_C = room_t[have], room_C[have]
    if room_t.size == 0:
        return np.empty(0), np.empty(0), np.full(time_s.size, np.nan), 0.0
    reach = 2.0 * float(np.median(np.diff(room_t))) if room_t.size > 1 else 60.0
    inside = (time_s >= room_t[0] - reach) & (time_s <= room_t[-1] + reach)
    nearest = np.searchsorted(room_t, time_s).clip(1, max(1, room_t.size - 1))
    hole = room_t[nearest.clip(max=room_t.size - 1)] - room_t[nearest - 1] > max(10 * reach, 900.0)
    inside &= ~(hole & (time_s > room_t[0]) & (time_s < room_t[-1]))
    ambient = np.interp(time_s, room_t, room_C)
    past = (room_t < 0) & (room_t > -HISTORY_S)
    return room_t[past], room_C[past], np.where(inside, ambient, np.nan), float(inside.mean())


def device_before(log: Log, start: int, history_s: Array, *, own_room: bool) -> tuple[Array, Array]:
    """Look up the device at the times of the room's history.

    Parameters
    ----------
    log : Log
        The log of the run.
    start : int
        Row where its soak begins.
    history_s : ndarray, shape (h,)
        Times, negative seconds before the soak.
    own_room : bool
        Whether they come from the room's own file, which is matched with the log's clock as read.

    Returns
    -------
    device_C, power_W : ndarray, shape (h,)
        Mean of the sensors and logged power, NaN where the log does not reach; empty without a history or
        where the clock was set back.
    """
    first = int(np.searchsorted(log.time_s, log.time_s[start] - HISTORY_S))
    before = (log.raw_time_s if own_room else log.time_s)[first : start + 1]
    before = before[:-1] - before[-1]
    if history_s.size == 0 or before.size < 2 or (np.diff(before) < 0).any():
        return np.empty(0), np.empty(0)
    inside = (history_s >= before[0]) & (history_s <= before[-1])
    sensors = known_mean(log.temperature_C[first:start], axis=1)
    device: Array = np.where(inside, np.interp(history_s, before, sensors), np.nan)
    power: Array = np.where(inside, np.interp(history_s, before, log.power_W[first:start]), np.nan)
    return device, power


def stretches(holds: Booleans) -> list[tuple[int, int]]:
    """Return where something holds without a break: first place, and first place behind."""
    edges = np.flatnonzero(np.diff(np.r_[0, holds.astype(np.int8), 0])).tolist()
    return list(zip(edges[::2], edges[1::2], strict=True))


def known_mean(values: Array, axis: int) -> Array:
    """Return the means along an axis of what is known, NaN where nothing is."""
    known = ~np.isnan(values)
    count = known.sum(axis=axis)
    total = np.where(known, values, 0.0).sum(axis=axis)
    mean: Array = np.where(count > 0, total / np.maximum(count, 1), np.nan)
    return mean
