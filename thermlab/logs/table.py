"""The declared columns of a delimited log as arrays in standard units."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np

from thermlab.base.errors import InputError, Problem, shown
from thermlab.logs.cells import CellRefusedError, cut_cells, plain_numbers, read_cell
from thermlab.logs.clock import ClockJump, close_jumps
from thermlab.logs.header import Header, Role, find_header
from thermlab.logs.rows import LogRows, rows_of_readings
from thermlab.logs.text import SEPARATOR, LogText, read_text, without_quotes

if TYPE_CHECKING:
    from collections.abc import Callable, Sequence
    from pathlib import Path

    from thermlab.logs.settings import TextSettings, TimeSettings

MAX_PER_COLUMN = 3
MAX_LOOKED_AT = 5000
_CHUNK_CELLS = 1 << 19

_TO_STANDARD: dict[str, Callable[[Any], Any]] = {
    "degC": lambda x: x,
    "degF": lambda x: (x - 32.0) * 5.0 / 9.0,
    "K": lambda x: x - 273.15,
    "W": lambda x: x,
    "mW": lambda x: x / 1e3,
    "kW": lambda x: x * 1e3,
    "MHz": lambda x: x,
    "GHz": lambda x: x * 1e3,
    "Hz": lambda x: x / 1e6,
}
_STANDARD = {"degC", "W", "MHz"}
_RANGES = {
    "degC": (-100.0, 400.0, "degC"),
    "degF": (-100.0, 400.0, "degC"),
    "K": (-100.0, 400.0, "degC"),
    "W": (-1e3, 1e5, "W"),
    "mW": (-1e3, 1e5, "W"),
    "kW": (-1e3, 1e5, "W"),
}


@dataclass(frozen=True, slots=True)
class Table:
    """Declared columns of a log.

    Attributes
    ----------
    sha256 : str
        Checksum of the file.
    time_s, raw_time_s : numpy.ndarray
        (n,) times with clock jumps closed, and as written, s.
    jumps : tuple of ClockJump
        Where the clock was set back.
    names : dict of str to tuple of str
        Role key -> column names.
    values : dict of str to numpy.ndarray
        Role key -> (n, n_columns) in degC, W or MHz; NaN where missing.
    notes : tuple of str
        What was passed over.
    n_missing : dict of str to int
        Column name -> number of missing readings.
    """

    sha256: str
    time_s: Any
    raw_time_s: Any
    jumps: tuple[ClockJump, ...]
    names: dict[str, tuple[str, ...]]
    values: dict[str, Any]
    notes: tuple[str, ...]
    n_missing: dict[str, int]


def read_table(
    path: Path, text: TextSettings, time: TimeSettings, roles: Sequence[Role], *, name: str, key: str
) -> Table:
    """Read the declared columns of a delimited log, exactly as declared.

    Parameters
    ----------
    path : Path
        The file.
    text : TextSettings
        Delimiter, decimal sign, encoding and tokens for missing values.
    time : TimeSettings
        Time columns.
    roles : sequence of Role
        The other declared columns.
    name : str
        What problems call the file.
    key : str
        Key of ``campaign.yaml`` that declares it.

    Returns
    -------
    Table

    Raises
    ------
    InputError
        With file, line and value of what cannot be read as declared.
    """
    log = read_text(path, text.encoding, name=name, key=key)
    time_role = Role(f"{key}.time", time.columns, "", single=True)
    header = find_header(log, [time_role, *roles], text.delimiter)
    region = log.data[header.begin :]
    if not region.strip():
        raise log.refuse(header.line, "", "no rows below the header", "at least two rows")
    delimiter = text.delimiter
    if b'"' in region:
        region = without_quotes(log, region, delimiter, header.line + 1)
        delimiter = SEPARATOR
    terminated = region.endswith(b"\n")
    if not terminated:
        region += b"\n"
    log.data = b""  # a long log is not held twice
    _refuse_flood(log, region, delimiter, header)
    cells = cut_cells(region, delimiter)
    lines = LogRows(log, header, cells, text, time, roles, delimiter, terminated)
    rows, seconds = rows_of_readings(lines)
    values = _values(lines, rows)
    file_lines = rows + header.line + 1
    raw_time_s, time_s, jumps = close_jumps(log, seconds, file_lines, time.clock)
    names = {role.key: tuple(header.names[position] for position in header.columns[role.key]) for role in roles}
    missing = {role.key: np.isnan(values[role.key]).sum(axis=0).tolist() for role in roles}
    n_missing = {
        column: count for role in roles for column, count in zip(names[role.key], missing[role.key], strict=True)
    }
    return Table(log.sha256, time_s, raw_time_s, jumps, names, values, tuple(log.notes), n_missing)


def _refuse_flood(log: LogText, region: bytes, delimiter: str, header: Header) -> None:
    """Refuse a file with far more cells than its lines can have, before any memory is spent on them."""
    mark, most = delimiter.encode(), 2 * len(header.names) + 100
    data = np.frombuffer(region, dtype=np.uint8)
    # bytes.count is slow where there is much to count
    if np.count_nonzero(data == mark[0]) <= most * np.count_nonzero(data == 10):
        return
    begin, line = 0, header.line + 1
    while True:
        end = region.index(b"\n", begin)
        count = region.count(mark, begin, end)
        if count > most:
            allowed = f"{header.n_named} cells, as in the header of line {header.line}"
            raise log.refuse(line, "", f"{count + 1} cells", allowed)
        begin, line = end + 1, line + 1


def _values(lines: LogRows, rows: Any) -> dict[str, Any]:
    """Return the numbers of every role in standard units; raise with every column's first problems."""
    columns = [(role, position) for role in lines.roles for position in lines.header.columns[role.key]]
    read = np.empty((len(rows), len(columns)))
    problems: list[Problem] = []
    step = max(1, _CHUNK_CELLS // len(columns))
    counts = [0] * len(columns)
    for begin in range(0, len(rows), step):
        part = rows[begin : begin + step]
        start, end = (side.ravel() for side in lines.cells.columns(part, [position for _, position in columns]))
        numbers, odd = plain_numbers(lines.cells.data, start, end, lines.text.decimal)
        odd |= _numeric_tokens(lines, numbers)
        if odd.any():
            problems += _odd_cells(lines, part, columns, (start, end, numbers, odd), counts)
        read[begin : begin + step] = numbers.reshape(len(part), len(columns))
    if not problems:
        for column, (role, _) in enumerate(columns):
            if role.unit not in _STANDARD:
                read[:, column] = _TO_STANDARD[role.unit](read[:, column])
        # The extremes of all columns at once; fmin and fmax pass over what is missing.
        lowest, highest = np.fmin.reduce(read, axis=0), np.fmax.reduce(read, axis=0)
        for column, (role, position) in enumerate(columns):
            low, high, _ = _RANGES.get(role.unit, (-np.inf, np.inf, ""))
            if lowest[column] < low or highest[column] > high:
                problems += _out_of_range(lines, rows, read[:, column], role, position)
    if problems:
        raise InputError(problems)
    values, column = {}, 0
    for role in lines.roles:
        width = len(lines.header.columns[role.key])
        values[role.key] = np.ascontiguousarray(read[:, column : column + width])
        column += width
    return values


def _numeric_tokens(lines: LogRows, numbers: Any) -> Any:
    """Tell which plain numbers may be tokens for missing values, such as -9999."""
    hits = np.zeros(len(numbers), dtype=bool)
    for token in lines.text.missing:
        try:
            hits |= numbers == read_cell(token, lines.text.decimal, (), "")
        except CellRefusedError:
            continue
    return hits


def _odd_cells(
    lines: LogRows, part: Any, columns: list[tuple[Role, int]], found: Any, counts: list[int]
) -> list[Problem]:
    """Read the cells that are no plain numbers one by one, into `numbers`."""
    start, end, numbers, odd = found
    data, text = lines.cells.data, lines.text
    known: dict[tuple[str, str], float | str] = {}
    problems: list[Problem] = []
    for place in np.flatnonzero(odd).tolist():
        row, column = divmod(place, len(columns))
        role, position = columns[column]
        cell = bytes(data[start[place] : end[place]]).decode("utf-8")
        value = known.get((cell, role.unit))
        if value is None:
            try:
                value = read_cell(cell, text.decimal, text.missing, role.unit)
            except CellRefusedError as refused:
                value = str(refused)
            if len(known) < 100_000:
                known[cell, role.unit] = value
        if not isinstance(value, str):
            numbers[place] = value
            continue
        counts[column] += 1
        if counts[column] > MAX_LOOKED_AT:
            break
        if counts[column] <= MAX_PER_COLUMN:
            allowed = f"{value}; a text for a missing value belongs into {lines.log.key}.missing"
            line = lines.line(int(part[row]))
            problems.append(lines.log.problem(line, lines.header.names[position], shown(cell), allowed))
    return problems


def _out_of_range(lines: LogRows, rows: Any, values: Any, role: Role, position: int) -> list[Problem]:
    low, high, unit = _RANGES[role.unit]
    outside = np.flatnonzero((values < low) | (values > high))
    problems = []
    for row in outside[:1].tolist():
        cell = lines.cells.text(int(rows[row]), position)
        more = f" and {len(outside) - 1} more" if len(outside) > 1 else ""
        found = f"{shown(cell)}{more}, declared in {role.unit}"
        allowed = (
            f"{low:g} to {high:g} {unit}; is the unit right? "
            f"A code for a missing value belongs into {lines.log.key}.missing"
        )
        problems.append(lines.log.problem(lines.line(int(rows[row])), lines.header.names[position], found, allowed))
    return problems
