"""Logs of sensors and of the room, read exactly as declared: the right numbers or an error with its line.

Nothing is dropped in silence: a header again, a row of units, summary lines at the
very end and a last line cut short are noted; any other line that is no row of
readings is a problem with its line.
"""

import functools
from collections import defaultdict
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np

from thermlab.base.errors import InputError, Problem, shown
from thermlab.logs.cells import BATCH, STANDARD, UNIT_OF, Cells, clock_seconds, plain_numbers, read_cell
from thermlab.logs.settings import ROOM_C, AmbientLogSettings, Clock, LogSettings
from thermlab.logs.text import SEPARATOR, Header, LogText, Role, find_header, numbered, read_text, without_quotes
from thermlab.logs.times import DAY_S, UNIT_S, example

HowWritten = LogSettings | AmbientLogSettings
MAX_PER_COLUMN = 3
MAX_LOOKED_AT = 5000
MAX_FOOTER = 20
MAX_SHOWN = 10
MAX_ODD = 2000
MAX_ELAPSED_S = 1e10
MAX_JUMPS = 20
MAX_SPAN_S = 3650 * DAY_S

_RANGES = {"degC": (-100.0, 400.0), "W": (-1e3, 1e5), "MHz": (-np.inf, np.inf)}


class NoRowsYetError(InputError):
    """A log whose header is there and whose rows are not."""


@dataclass(frozen=True, slots=True)
class ClockJump:
    """A place where the clock was set back.

    Attributes
    ----------
    row : int
        First row after the jump, from 0.
    line : int
        Its line in the file.
    seconds : float
        By how much the clock was moved, beyond the usual step; negative.
    """

    row: int
    line: int
    seconds: float


@dataclass(slots=True)
class _LogRows:
    """A log cut into cells, with what is needed to judge its lines."""

    log: LogText
    header: Header
    cells: Cells
    how: HowWritten
    roles: Sequence[Role]
    delimiter: str
    terminated: bool

    def line(self, row: int) -> int:
        """Return the line of the file a row stands on."""
        return self.header.line + 1 + row

    def problem(self, row: int, position: int, found: str, allowed: str) -> Problem:
        """Return a problem of a cell."""
        return self.log.problem(self.line(row), self.header.names[position], found, allowed)

    @property
    def declared(self) -> list[tuple[Role, int]]:
        """Every declared column but those of the time: its role and position."""
        return [(role, position) for role in self.roles for position in self.header.columns[role.key]]

    @property
    def time_key(self) -> str:
        """Role key of the time columns."""
        return f"{self.log.key}.time"

    def time_text(self, row: int) -> str:
        """Return the time of a row as written, its columns joined by one space."""
        return " ".join(self.cells.text(row, position) for position in self.header.columns[self.time_key]).strip()


_Times = tuple[Any, Any, tuple[ClockJump, ...]]


def _read_table(
    path: Path, how: HowWritten, roles: Sequence[Role], *, name: str, key: str, raw: bytes | None = None
) -> tuple[_LogRows, _Times, dict[str, Any]]:
    """Read the declared columns of a delimited log, exactly as `key` of ``campaign.yaml`` declares them.

    Returns its lines, its times as from :func:`close_jumps`, and by role key its columns, (n, n_columns), in degC, W
    or MHz, NaN where missing.
    """
    log = read_text(path, how.encoding, name=name, key=key, raw=raw)
    time_role = Role(f"{key}.time", how.time.columns, "", single=True)
    header = find_header(log, [time_role, *roles], how.delimiter)
    region = log.data[header.end :]
    if not region.strip():
        raise NoRowsYetError(log.refuse(header.line, "", "no rows below the header", "at least two rows").problems)
    delimiter = how.delimiter
    if b'"' in region:
        region = b"\n" + without_quotes(log, region[1:], delimiter, header.line + 1)
        delimiter = SEPARATOR
    terminated = region.endswith(b"\n")
    if not terminated:
        region += b"\n"
    log.data = b""  # a long log is not held twice
    _refuse_flood(log, region, delimiter, header)
    lines = _LogRows(log, header, Cells.cut(region, delimiter), how, roles, delimiter, terminated)
    rows, seconds = _rows_of_readings(lines)
    values = _values(lines, rows)
    return lines, close_jumps(log, seconds, rows + header.line + 1, how.time.clock), values


def _refuse_flood(log: LogText, region: bytes, delimiter: str, header: Header) -> None:
    """Refuse a file with far more cells than its lines can have, before any memory is spent on them."""
    mark, most = delimiter.encode(), 2 * len(header.names) + 100
    data = np.frombuffer(region, dtype=np.uint8)
    # bytes.count is slow where there is much to count
    if np.count_nonzero(data == mark[0]) <= most * (np.count_nonzero(data == 10) - 1):
        return
    for line, text in enumerate(region[1:].split(b"\n"), header.line + 1):
        if text.count(mark) > most:
            allowed = f"{header.n_named} cells, as in the header of line {header.line}"
            raise log.refuse(line, "", f"{text.count(mark) + 1} cells", allowed)


def _values(lines: _LogRows, rows: Any) -> dict[str, Any]:
    """Return the numbers of every role in standard units; raise with every column's first problems."""
    columns = lines.declared
    read = np.empty((len(rows), len(columns)))
    problems: list[Problem] = []
    step = max(1, BATCH // len(columns))
    counts = [0] * len(columns)
    for begin in range(0, len(rows), step):
        part = rows[begin : begin + step]
        start, end = (side.ravel() for side in lines.cells.columns(part, [position for _, position in columns]))
        numbers, odd = plain_numbers(lines.cells.data, start, end, lines.how.decimal)
        odd |= _numeric_tokens(lines, numbers)
        if odd.any():
            problems += _odd_cells(lines, part, (start, end, numbers, odd), counts)
        read[begin : begin + step] = numbers.reshape(len(part), len(columns))
    if not problems:
        for column, (role, _) in enumerate(columns):
            unit, added, times, over = STANDARD[role.unit]
            if unit != role.unit:
                read[:, column] = (read[:, column] + added) * times / over
        # The extremes of all columns at once; fmin and fmax pass over what is missing.
        lowest, highest = np.fmin.reduce(read, axis=0), np.fmax.reduce(read, axis=0)
        for column, (role, position) in enumerate(columns):
            low, high, _ = _range(role)
            if lowest[column] < low or highest[column] > high:
                problems.append(_out_of_range(lines, rows, read[:, column], role, position))
    if problems:
        raise InputError(problems)
    begins = np.cumsum([len(lines.header.columns[role.key]) for role in lines.roles])[:-1]
    parts = zip(lines.roles, np.split(read, begins, axis=1), strict=True)
    return {role.key: np.ascontiguousarray(part) for role, part in parts}


def _numeric_tokens(lines: _LogRows, numbers: Any) -> Any:
    """Tell which plain numbers may be tokens for missing values, such as -9999."""
    tokens = (read_cell(token, lines.how.decimal, (), "") for token in lines.how.missing)
    return np.isin(numbers, [token for token in tokens if not isinstance(token, str)])


def _odd_cells(lines: _LogRows, part: Any, found: Any, counts: list[int]) -> list[Problem]:
    """Read the cells that are no plain numbers one by one, into `numbers`."""
    start, end, numbers, odd = found
    columns, data, how = lines.declared, lines.cells.data, lines.how
    problems: list[Problem] = []
    read = functools.cache(read_cell)  # readings repeat
    for place in np.flatnonzero(odd).tolist():
        row, column = divmod(place, len(columns))
        role, position = columns[column]
        cell = bytes(data[start[place] : end[place]]).decode("utf-8")
        value = read(cell, how.decimal, how.missing, role.unit)
        if not isinstance(value, str):
            numbers[place] = value
            continue
        counts[column] += 1
        if counts[column] > MAX_LOOKED_AT:
            break
        if counts[column] <= MAX_PER_COLUMN:
            allowed = f"{value}; a text for a missing value belongs into {lines.log.key}.missing"
            problems.append(lines.problem(int(part[row]), position, shown(cell), allowed))
    return problems


def _range(role: Role) -> tuple[float, float, str]:
    unit = STANDARD[role.unit][0]
    return (*(ROOM_C if role.is_room else _RANGES[unit]), unit)


def _out_of_range(lines: _LogRows, rows: Any, values: Any, role: Role, position: int) -> Problem:
    low, high, unit = _range(role)
    outside = np.flatnonzero((values < low) | (values > high))
    row, n_more = int(rows[outside[0]]), len(outside) - 1
    found = shown(lines.cells.text(row, position)) + (f" and {n_more} more" if n_more else "")
    found += f"{', as room temperature' if role.is_room else ''}, declared in {role.unit}"
    allowed = f"{low:g} to {high:g} {unit}; is the unit right? A code for a missing value belongs into "
    return lines.problem(row, position, found, f"{allowed}{lines.log.key}.missing")


def _rows_of_readings(table: _LogRows) -> tuple[Any, Any]:
    """Sort the lines below the header.

    Returns
    -------
    rows : numpy.ndarray
        (n,) indices of the lines that hold readings.
    seconds : numpy.ndarray
        (n,) their times as written, s.

    Raises
    ------
    InputError
        With the first lines that are neither readings nor anything that may be passed over.
    """
    cells = table.cells
    blank = _is_blank(cells)
    regular = _is_regular(table) & ~blank
    seconds = np.full(len(blank), np.nan)
    candidates = np.flatnonzero(regular)
    for begin in range(0, len(candidates), BATCH):
        part = candidates[begin : begin + BATCH]
        seconds[part] = _seconds(table, part)
    good = np.isfinite(seconds)
    odd = np.flatnonzero(~good & ~blank)
    if len(odd):
        _judge(table, odd, regular, good)
    rows = np.flatnonzero(good)
    if not table.terminated and len(rows) > 1 and rows[-1] == len(blank) - 1 and _cut_short(table, rows):
        table.log.notes.append(f"last line {table.line(int(rows[-1]))} is cut short, dropped")
        rows = rows[:-1]
    if len(rows) < 2:
        count = "no rows" if len(rows) == 0 else "one row"
        found = f"{count} of readings below the header"
        raise NoRowsYetError(table.log.refuse(table.header.line, "", found, "at least two rows").problems)
    return rows, seconds[rows]


def _is_blank(cells: Cells) -> Any:
    starts, ends = cells.lines()
    filled, edge = ends > starts, cells.data[starts]
    for row in np.flatnonzero(filled & ((edge == 32) | (edge == 9))).tolist():
        filled[row] = bool(cells.line(row).strip())
    return ~filled


def _is_regular(table: _LogRows) -> Any:
    """Tell which lines have as many cells as the header; empty cells beyond it do not count."""
    cells, n_names = table.cells, len(table.header.names)
    width = np.diff(cells.first)
    regular = (width >= table.header.n_named) & (width <= n_names)
    over = np.flatnonzero(width > n_names)
    begin, end = cells.edges[cells.first[over] + n_names], cells.edges[cells.first[over + 1]]
    # Most often one delimiter at the end of every line: nothing behind it.
    regular[over] = begin + 1 == end
    for row, start, stop in zip(over.tolist(), begin.tolist(), end.tolist(), strict=True):
        if not regular[row]:
            rest = bytes(cells.data[start:stop])
            regular[row] = not rest.strip(bytes([rest[0]]) + b" \t")
    return regular


def _seconds(table: _LogRows, rows: Any) -> Any:
    """Return the times of rows, NaN where they cannot be read."""
    cells, how, time = table.cells, table.how, table.how.time
    starts, ends = cells.columns(rows, list(table.header.columns[table.time_key]))
    if time.format is None:
        start, end = starts[:, 0], ends[:, 0]
        seconds, odd = plain_numbers(cells.data, start, end, how.decimal)
        for row in np.flatnonzero(odd).tolist():
            text = bytes(cells.data[start[row] : end[row]]).decode("utf-8")
            value = read_cell(text, how.decimal, how.missing, time.unit or "")
            if not isinstance(value, str):
                seconds[row] = value
        seconds = seconds * UNIT_S[time.unit or "s"]
        seconds[np.abs(seconds) > MAX_ELAPSED_S] = np.nan
        return seconds
    return clock_seconds(cells.data, starts, ends, time.format)


def _judge(table: _LogRows, odd: Any, regular: Any, good: Any) -> None:
    """Note what each line is that holds no readings; raise where it is nothing that may be passed over."""
    if len(odd) > MAX_ODD:
        raise _first_of([_problem(table, row, bool(regular[row])) for row in odd[:MAX_SHOWN].tolist()], table, len(odd))
    last_good = int(np.flatnonzero(good)[-1]) if good.any() else len(good)
    lines: dict[str, list[int]] = defaultdict(list)
    for row in odd.tolist():
        kind = _kind_of_line(table, row, lines, is_regular=bool(regular[row]), below=row > last_good)
        lines[kind].append(row)
    problems = [problem for row in lines["units"] for problem in _wrong_units(table, row)]
    problems += [_problem(table, row, bool(regular[row])) for row in lines["odd"]]
    if len(lines["summary"]) > MAX_FOOTER:  # so many lines at the end are no summary
        problems += [_problem(table, row, is_regular=True) for row in lines["summary"]]
    if problems:
        raise _first_of(problems, table, len(problems))
    table.log.notes += _passed_over(table, lines)


def _first_of(problems: list[Problem], table: _LogRows, n_found: int) -> InputError:
    """Return the error of the first problems, and how many more lines are like these."""
    more = n_found - MAX_SHOWN
    rest = [table.log.problem(0, "", f"{more} more lines like these", "none")] if more > 0 else []
    return InputError([*problems[:MAX_SHOWN], *rest])


def _kind_of_line(table: _LogRows, row: int, earlier: Mapping[str, list[int]], *, is_regular: bool, below: bool) -> str:
    """Return header, units, empty, cut short, summary, or odd for what may not be passed over."""
    text = table.cells.line(row)
    if is_regular and _is_header(table, row):
        return "header"
    below_header = row - 1 in (-1, *earlier["header"][-1:])
    another = any(table.cells.line(other) != text for other in earlier["units"][:1])
    if is_regular and below_header and not another and _is_units(table, row):
        return "units"
    if not text.strip(" \t" + table.delimiter):
        return "empty"
    if below and row == len(table.cells.first) - 2 and not (table.terminated or is_regular):
        return "cut short"
    return "summary" if below and _is_summary(table, row, is_regular) else "odd"


def _passed_over(table: _LogRows, lines: Mapping[str, list[int]]) -> Iterator[str]:
    """Yield the notes of what was passed over."""
    for row in lines["cut short"]:
        yield f"last line {table.line(row)} is cut short, dropped"
    for row in lines["units"][:1]:
        yield f"a line of units: {shown(table.cells.line(row).strip())}"
    if headers := lines["header"]:
        listed = ", ".join(str(table.line(row)) for row in headers[:MAX_SHOWN])
        yield f"header repeated on line {listed}{' ...' if len(headers) > MAX_SHOWN else ''}, dropped"
    if lines["empty"]:
        yield f"{len(lines['empty'])} lines without any value dropped"
    if summaries := lines["summary"]:
        label = shown(table.cells.line(summaries[0]).strip().replace(table.delimiter, " "), limit=40)
        yield f"from line {table.line(summaries[0])} on {len(summaries)} summary lines dropped: {label}"


def _is_header(table: _LogRows, row: int) -> bool:
    cells = numbered([table.cells.text(row, position) for position in range(table.header.n_named)])
    return all(cell == name for cell, name in zip(cells, table.header.names, strict=False) if name)


def _is_units(table: _LogRows, row: int) -> bool:
    """Tell whether no declared cell of a line holds a number, and one of them holds a word."""
    cells = [table.cells.text(row, position) for _, position in table.declared]
    has_digit = any(c.isdigit() for c in "".join([*cells, table.time_text(row)]))
    return not has_digit and any(cell and cell not in table.how.missing for cell in cells)


def _wrong_units(table: _LogRows, row: int) -> Iterator[Problem]:
    times = [(table.how.time.unit, table.time_key, position) for position in table.header.columns[table.time_key]]
    for declared, key, position in [*((role.unit, role.key, at) for role, at in table.declared), *times]:
        text = table.cells.text(row, position)
        unit = UNIT_OF.get(text.strip("[]() "))
        if declared and unit not in (None, declared):
            yield table.problem(row, position, f"the unit {text}", f"{declared}, as {key} declares")


def _is_summary(table: _LogRows, row: int, is_regular: bool) -> bool:
    """Tell whether a line below the last reading begins with a word where the time should be."""
    label = table.time_text(row) or ("" if is_regular else table.cells.line(row).strip())
    if not is_regular and not any(c.isdigit() for c in label):
        return True  # such as a rule of dashes
    return bool(label) and not (label[0].isdigit() or label[0] in "+-.") and label not in table.how.missing


def _problem(table: _LogRows, row: int, is_regular: bool) -> Problem:
    line, header = table.line(row), table.header
    if not is_regular:
        allowed = f"{header.n_named} cells, as in the header of line {header.line}"
        return table.log.problem(line, "", f"{table.cells.n_cells(row)} cells", allowed)
    time = table.how.time
    names = " ".join(header.names[position] for position in header.columns[table.time_key])
    text = table.time_text(row)
    if time.format is None:
        allowed = f"elapsed time: a number in {time.unit} with {table.how.decimal!r} as decimal sign"
    else:
        allowed = f"a time such as {shown(example(time.format))} (format {shown(time.format)})"
    found = shown(text) if text and text not in table.how.missing else "no time"
    return table.log.problem(line, names, found, allowed)


def _cut_short(table: _LogRows, rows: Any) -> bool:
    """Tell whether the last cell of an unterminated last line is declared and shorter than the one above."""
    position = max(position for columns in table.header.columns.values() for position in columns)
    if table.cells.n_cells(rows[-1]) - 1 > position:
        return False
    start, end = table.cells.columns(rows[-2:], [position])
    length = (end - start)[:, 0]
    return bool(length[1] < length[0])


def close_jumps(log: LogText, seconds: Any, lines: Any, clock: Clock) -> _Times:
    """Return times that never decrease.

    Parameters
    ----------
    log : LogText
        For the messages and notes.
    seconds : numpy.ndarray
        (n,) times as written, s.
    lines : numpy.ndarray
        (n,) their lines in the file.
    clock : {"calendar", "time of day", "elapsed"}
        On a clock without dates a step back of more than 12 h is the next day.

    Returns
    -------
    raw_time_s, time_s : numpy.ndarray
        (n,) with the days counted; with every step back replaced by the median step.
    jumps : tuple of ClockJump
        Every step back.

    Raises
    ------
    InputError
        Where the times stand still, run backwards or span more than ten years.
    """
    steps = np.diff(seconds)
    if clock == "time of day":
        midnights = steps < -DAY_S / 2
        if midnights.any():
            seconds = seconds + DAY_S * np.concatenate([[0], np.cumsum(midnights)])
            steps = np.diff(seconds)
            log.notes.append(f"{int(midnights.sum())} × midnight, counted as the next day")
    forward = steps[steps > 0]
    back = np.flatnonzero(steps < 0)
    first = int(lines[0])
    if len(forward) == 0 and len(back) == 0:
        raise log.refuse(first, f"{log.key}.time", "the same time on every row", "times that move on")
    if len(back) > max(MAX_JUMPS, len(steps) // 20) or len(forward) == 0:
        found = f"{len(back)} of {len(steps)} times earlier than the one before"
        raise log.refuse(int(lines[back[0] + 1]), f"{log.key}.time", found, "rows in the order of their times")
    span_s = float(seconds.max() - seconds.min())
    if span_s > MAX_SPAN_S:
        row = int(np.argmax(np.abs(steps))) + 1
        found = f"times that span {span_s / DAY_S / 365.25:.0f} years"
        raise log.refuse(int(lines[row]), f"{log.key}.time", found, "at most ten years")
    if len(back) == 0:
        return seconds, seconds.copy(), ()
    usual = float(np.median(forward))
    moved = np.zeros(len(seconds))
    moved[back + 1] = steps[back] - usual
    jumps = tuple(ClockJump(int(row) + 1, int(lines[row + 1]), float(steps[row] - usual)) for row in back)
    # Sums of fractions leave dust: equal times must not become a step of -1e-10 s.
    return seconds, np.maximum.accumulate(seconds - np.cumsum(moved)), jumps


@dataclass(frozen=True, kw_only=True, eq=False)
class RoomLog:
    """Room temperature on the clock of the sensor logs.

    Attributes
    ----------
    name, sha256 : str
        Path relative to the campaign folder; checksum of the file.
    clock : {"calendar", "time of day", "elapsed"}
        What its times count from: 1970-01-01 in the log's own zone (UTC where it
        writes offsets), midnight of its first day, or the logger's own zero.
    time_s : numpy.ndarray
        (n,) s, never decreasing.
    ambient_C : numpy.ndarray or None
        (n,) degC, mean of the ambient columns; NaN where missing, None without such columns.
    notes : tuple of str
        What was passed over: lines before the header, units, summaries; where the room's clock was set back.
    """

    name: str
    sha256: str
    clock: Clock
    time_s: Any
    ambient_C: Any
    notes: tuple[str, ...]


@dataclass(frozen=True, kw_only=True, eq=False)
class Log(RoomLog):
    """One sensor log in standard units.

    Attributes
    ----------
    raw_time_s : numpy.ndarray
        (n,) s, before clock jumps were closed.
    jumps : tuple of ClockJump
        Where the clock was set back.
    sensors : tuple of str
        Temperature columns, in header order.
    temperature_C : numpy.ndarray
        (n, n_sensors) degC; NaN where missing.
    power_W : numpy.ndarray
        (n,) W; NaN where missing.
    clock_MHz : numpy.ndarray or None
        (n,) MHz, mean of the clock columns.
    n_missing : dict of str to int
        Column name -> number of missing readings.
    """

    raw_time_s: Any
    jumps: tuple[ClockJump, ...]
    sensors: tuple[str, ...]
    temperature_C: Any
    power_W: Any
    clock_MHz: Any | None
    n_missing: dict[str, int]


def read_log(path: Path, settings: LogSettings, *, name: str, raw: bytes | None = None) -> Log:
    """Read a sensor log.

    Parameters
    ----------
    path : Path
        The file.
    settings : LogSettings
        ``log:`` of ``campaign.yaml``.
    name : str
        What problems call the file: its path relative to the campaign folder.
    raw : bytes, optional
        What stands in for the bytes of the file, such as a part of it.

    Returns
    -------
    Log

    Raises
    ------
    InputError
        With file, line and value of everything that is not as declared.
    """
    roles = [
        Role(f"log.{purpose}", declared.columns, declared.unit, single=purpose == "power")
        for purpose in ("temperature", "power", "clock", "ambient")
        if (declared := getattr(settings, purpose)) is not None
    ]
    table, (raw_time_s, time_s, jumps), values = _read_table(path, settings, roles, name=name, key="log", raw=raw)
    # A mean over the columns that happen to be there would step where one of them drops out.
    means = {key: values[key].mean(axis=1) for key in ("log.clock", "log.ambient") if key in values}
    return Log(
        name=name,
        sha256=table.log.sha256,
        clock=settings.time.clock,
        time_s=time_s,
        ambient_C=means.get("log.ambient"),
        notes=tuple(table.log.notes),
        raw_time_s=raw_time_s,
        jumps=jumps,
        sensors=table.header.named("log.temperature"),
        temperature_C=values["log.temperature"],
        power_W=values["log.power"][:, 0].copy(),
        clock_MHz=means.get("log.clock"),
        n_missing={
            column: count
            for key, read in values.items()
            for column, count in zip(table.header.named(key), np.isnan(read).sum(axis=0).tolist(), strict=True)
        },
    )


def read_room_log(path: Path, settings: AmbientLogSettings, *, name: str) -> RoomLog:
    """Read a room log, with ``clock_offset_s`` added to its times; arguments and errors as in :func:`read_log`."""
    role = Role("ambient_log.columns", settings.columns, settings.unit, single=False)
    table, (_, time_s, jumps), values = _read_table(path, settings, [role], name=name, key="ambient_log")
    set_back = (f"clock set back by {-jump.seconds:g} s at line {jump.line}" for jump in jumps)
    return RoomLog(
        name=name,
        sha256=table.log.sha256,
        clock=settings.time.clock,
        time_s=time_s + settings.clock_offset_s,
        ambient_C=values[role.key].mean(axis=1),
        notes=(*table.log.notes, *set_back),
    )
