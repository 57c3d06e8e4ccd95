"""What is in these logs, and where are their load steps? A first look at logs without a campaign.

How a log is written, which column is the time, what the others hold: everything here is guessed from the text of
the files and shown with what it rests on. :mod:`thermlab.first_look.proposals` turns it into a ``campaign.yaml`` and
a run sheet to edit; from there on the log reader takes what is declared and guesses nothing.
"""

from __future__ import annotations

import contextlib
import csv
import functools
import itertools
import re
from collections import Counter
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import TYPE_CHECKING, Any, Literal, TypeVar

import numpy as np
import numpy.typing as npt
from pydantic import ValidationError

from thermlab.base.errors import InputError, Problem, shown
from thermlab.base.files import PathRefusedError, read_plain
from thermlab.logs.cells import UNIT_OF, number_pattern
from thermlab.logs.log import Log, read_log
from thermlab.logs.settings import LogSettings
from thermlab.logs.text import BOMS, numbered, split_line
from thermlab.logs.times import UNIT_S, example, pattern_of, seconds_of

if TYPE_CHECKING:
    from collections.abc import Iterable, Sequence

Array = npt.NDArray[np.float64]

DELIMITERS = ("\t", ";", ",", "|")
SAMPLE_LINES = 400
MAX_LINE = 100_000
MAX_CELLS = 2000
"""A line with more characters or cells is not looked at: no bench has so many channels."""
MAX_LINES = 300_000
"""Lines beyond are left to the log reader, which reads every one of them."""

_TIME = re.compile(
    r"\d{1,4}[-/.]\w{1,3}[-/.]\d{1,4}([T _,]+\d.*)?"
    r"|\d{1,2}:\d\d(:\d\d([.,]\d+)?)?\s?([AaPp][Mm])?"
    r"|\d{8}T\d{4,6}.*",
    re.ASCII,
)


@dataclass(frozen=True, slots=True, kw_only=True)
class TextGuess:
    """How a log seems to be written.

    Attributes
    ----------
    encoding, delimiter, decimal : str
        As they would stand in ``campaign.yaml``.
    header_line : int
        Line of the column names, from 1.
    names : tuple of str
        Column names; empty where a column has none.
    units : tuple of str
        Line of units below the header, cell by cell; empty where there is none.
    cells : list of tuple of str
        Cells of each column, from the lines below that have as many as the header.
    marked : bool
        Whether a byte order mark says the encoding, so that it is no guess.
    apart : tuple of str
        Names that stand for one of several columns of the same name, such as ``T#2``.
    """

    encoding: str
    delimiter: str
    decimal: str
    header_line: int
    names: tuple[str, ...]
    units: tuple[str, ...]
    cells: list[tuple[str, ...]]
    marked: bool
    apart: tuple[str, ...] = ()


class NotALogError(ValueError):
    """A file that has no table with a header line in it; the reason is its text."""


def guess_encoding(raw: bytes) -> tuple[str, bool]:
    """Return the encoding bytes seem to be in, and whether a byte order mark says so.

    Parameters
    ----------
    raw : bytes
        A whole file.
    """
    for mark, encoding in BOMS:
        if raw.startswith(mark):
            return encoding, True
    head = raw[:4000]
    if head.count(0) > len(head) // 5:
        # A text in Latin letters has its zeros at odd places in the one order, at even places in the other.
        return ("utf-16-le" if head[1::2].count(0) >= head[::2].count(0) else "utf-16-be"), False
    for encoding in ("utf-8", "cp1252"):
        with contextlib.suppress(UnicodeDecodeError):
            raw.decode(encoding)
            return encoding, False
    return "latin-1", False


def _number(cell: str, decimal: str) -> tuple[float, str] | None:
    """Return a number and the unit behind it, empty where there is none; None where the cell is no number."""
    match = re.match(number_pattern(decimal), cell.replace("\u2212", "-"), re.ASCII)
    rest = cell[match.end() :].strip(" []()") if match else ""
    if match is None or (rest and rest not in UNIT_OF):
        return None
    return float(match.group().replace(decimal, ".")), UNIT_OF.get(rest, "")


def _is_told(cell: str, decimal: str) -> bool:
    """Tell whether a cell is a number, or looks like a date, a time or both."""
    return _number(cell, decimal) is not None or _TIME.fullmatch(cell) is not None


def guess_text(raw: bytes) -> TextGuess:
    """Guess how a log is written.

    Parameters
    ----------
    raw : bytes
        The whole file.

    Returns
    -------
    TextGuess

    Raises
    ------
    NotALogError
        Where there is no table with a header line.
    """
    encoding, marked = guess_encoding(raw)
    text = raw.decode(encoding, "replace").removeprefix("\ufeff").replace("\r\n", "\n").replace("\r", "\n")
    lines = text.rstrip("\n\0 ").split("\n")
    if len(lines) < 3:
        raise NotALogError("fewer than three lines")
    if any(len(line) > MAX_LINE or max(map(line.count, DELIMITERS)) > MAX_CELLS for line in lines[:SAMPLE_LINES]):
        raise NotALogError(f"a line of more than {MAX_LINE} characters or {MAX_CELLS} cells")
    delimiter, decimal, width = _guess_cells(lines[:SAMPLE_LINES])
    cut = [_cells(line, delimiter) for line in lines[:SAMPLE_LINES]]
    kinds = [_kind_of_line(cells, width, decimal) for cells in cut]
    first = next((i for i, pair in enumerate(itertools.pairwise(kinds)) if pair == ("data", "data")), 0)
    top = first
    while top > 0 and kinds[top - 1] == "heading":
        top -= 1
    if top == first:
        raise NotALogError("no line of column names above the first row of numbers")
    # Of several lines of words above the numbers the first names the columns and the last may hold units.
    names, units = cut[top], (cut[first - 1] if first - 1 > top else [])
    own = numbered(names)
    below = [_cells(line, delimiter) for line in lines[first:MAX_LINES] if len(line) <= MAX_LINE]
    rows = [cells for cells in below if len(cells) >= width - 1 and cells != names]
    wide = [(row + [""] * len(names))[: len(names)] for row in rows]
    return TextGuess(
        encoding=encoding, delimiter=delimiter, decimal=decimal, header_line=top + 1, names=own,
        units=tuple(units), cells=list(zip(*wide, strict=True)), marked=marked,
        apart=tuple(name for name, bare in zip(own, names, strict=True) if name != bare),
    )  # fmt: skip


def _cells(line: str, delimiter: str) -> list[str]:
    try:
        cells = split_line(line, delimiter)
    except csv.Error:
        return []
    while len(cells) > 1 and not cells[-1]:
        cells.pop()
    return cells


def _guess_cells(lines: Sequence[str]) -> tuple[str, str, int]:
    """Return delimiter, decimal sign and number of cells with which most of the later lines are numbers and times."""
    late = [line for line in lines[len(lines) // 3 :] if line.strip()]
    best, found = (0.0, 0), ("", "", 0)
    for delimiter in DELIMITERS:
        cut = [_cells(line, delimiter) for line in late]
        width, share = Counter(map(len, cut)).most_common(1)[0]
        if width < 2:
            continue
        cells = [cell for row in cut if len(row) == width for cell in row if cell]
        for decimal in (".",) if delimiter == "," else (".", ","):
            told = sum(_is_told(cell, decimal) for cell in cells)
            score = (round(share / len(late) * told / max(1, len(cells)), 3), width)
            if score > best:
                best, found = score, (delimiter, decimal, width)
    if best[0] < 0.3:
        raise NotALogError("no rows of numbers")
    return found


def _kind_of_line(cells: list[str], width: int, decimal: str) -> str:
    """Return ``"data"`` for a row of numbers, ``"heading"`` for a line of words, else nothing."""
    filled = [cell for cell in cells if cell]
    told = sum(_is_told(cell, decimal) for cell in filled)
    if 2 * told < len(filled):
        return "heading" if len(cells) >= width - 1 and len(filled) > 1 else ""
    return "data" if filled and abs(len(cells) - width) <= 1 else ""


_DATES = (
    "%Y-%m-%d", "%Y/%m/%d", "%Y.%m.%d", "%d.%m.%Y", "%d/%m/%Y", "%m/%d/%Y", "%d-%m-%Y", "%m-%d-%Y", "%d.%m.%y",
    "%d/%m/%y", "%m/%d/%y", "%y-%m-%d", "%d-%b-%Y", "%d %b %Y", "%d-%b-%y", "%b %d %Y", "%Y%m%d",
)  # fmt: skip
_CLOCKS = ("%H:%M:%S", "%I:%M:%S %p", "%H:%M", "%I:%M %p", "%H%M%S", "%H.%M.%S")
_JOINS = (" ", "T", "_", ", ")
_OFFSETS = ("", "%z", " %z")
_FORMATS = [*map("".join, itertools.product(_DATES, _JOINS, _CLOCKS, _OFFSETS)), *_CLOCKS]
_pattern = functools.cache(pattern_of)
_COUNTERS = re.compile(r"(n|no|nr|num|number|#|index|idx|sample|samples|row|count|counter|id|record)\.?", re.IGNORECASE)
_TIME_WORDS = re.compile(r"\b(time|elapsed|t|date|clock time|timestamp|uptime|seconds|sec|minutes)\b", re.IGNORECASE)
_SAMPLES = 300
MOSTLY = 0.97
"""A last line may be cut off, and a summary may follow: so large a share of the times has to fit."""


@dataclass(frozen=True, slots=True, kw_only=True)
class TimeGuess:
    """How a log seems to write its times.

    Attributes
    ----------
    columns : tuple of str
        One column, or date and time.
    format, unit : str or None
        Of clock times; of elapsed time.
    others : tuple of str
        Other formats that would read every time as well: day and month may be exchanged.
    sure : bool
        Whether nothing but this fits.
    """

    columns: tuple[str, ...]
    format: str | None = None
    unit: str | None = None
    others: tuple[str, ...] = ()
    sure: bool = True

    def words(self) -> str:
        """Return the guess in words."""
        if self.format is None:
            return f"elapsed time in {self.unit}"
        return f"clock times such as {example(self.format)}"


def fitting_formats(cells: Sequence[str]) -> list[str]:
    """Return the formats in which some times can be read, but for a few that are damaged, the likeliest first.

    Parameters
    ----------
    cells : sequence of str
        Times as written, in the order of the file.

    Returns
    -------
    list of str
        Formats as in ``campaign.yaml``; empty where none fits nearly all.
    """
    sample = list(dict.fromkeys(cell for cell in cells if cell))
    if not sample:
        return []
    sample = [sample[i] for i in np.unique(np.linspace(0, len(sample) - 1, _SAMPLES).astype(int))]
    fitting = []
    for form in _FORMATS:
        pattern = _pattern(form)
        if not any(pattern.fullmatch(cell) for cell in sample[:3]):
            continue
        seconds = [seconds_of(pattern.fullmatch(cell)) for cell in sample]
        known = [value for value in seconds if value is not None]
        if len(known) >= MOSTLY * len(seconds):
            back = sum(b < a for a, b in itertools.pairwise(known))
            fitting.append((back, max(known) - min(known) if back else 0.0, _rank(form, sample[0]), form))
    return [form for *_, form in sorted(fitting)]


def _rank(form: str, cell: str) -> int:
    """Rank formats that cannot be told apart: 5/3 with AM and PM is written month first, else day first."""
    month_first = form.startswith(("%m", "%b"))
    return int(month_first != bool(re.search("[AaPp][Mm]", cell))) + 2 * ("%y" in form)


def guess_time(names: Sequence[str], columns: Sequence[Sequence[str]], decimal: str) -> TimeGuess | None:
    """Guess which column holds the time.

    Parameters
    ----------
    names : sequence of str
        Column names.
    columns : sequence of sequence of str
        Cells of each column.
    decimal : str
        Decimal sign.

    Returns
    -------
    TimeGuess or None
        None where no column looks like one.
    """
    dates: list[tuple[str, list[str]]] = []
    for name, cells in zip(names, columns, strict=True):
        if not name or all(_plain(cell, decimal) for cell in cells[:20] if cell):
            continue
        if forms := fitting_formats(cells):
            if not dates or not forms[0].startswith(("%H", "%I")):
                return _clock(forms, name)
            return _clock([f"{day} {forms[0]}" for day in dates[-1][1]], dates[-1][0], name)
        midnights = fitting_formats([f"{cell} 00:00" for cell in cells if cell])
        if found := [form.removesuffix(" %H:%M") for form in midnights if form.endswith(" %H:%M")]:
            dates.append((name, found))
    for (date, found), (name, cells) in itertools.product(dates, zip(names, columns, strict=True)):
        # Times of digits alone are looked for only beside a date.
        forms = fitting_formats(cells) if name not in ("", date) else []
        if forms and "%H" in forms[0]:
            return _clock([f"{day} {forms[0]}" for day in found], date, name)
    return _elapsed(names, columns, decimal)


def _plain(cell: str, decimal: str) -> bool:
    return re.fullmatch(rf"[+-]?\d+({re.escape(decimal)}\d*)?", cell) is not None


def _clock(forms: Sequence[str], *columns: str) -> TimeGuess:
    return TimeGuess(columns=columns, format=forms[0], others=tuple(forms[1:3]), sure=len(forms) == 1)


def _elapsed(names: Sequence[str], columns: Sequence[Sequence[str]], decimal: str) -> TimeGuess | None:
    """Return the numeric column that only grows; one called a time before one that only counts."""
    found: list[tuple[int, int, TimeGuess]] = []
    for name, cells in zip(names, columns, strict=True):
        values = [float(cell.replace(decimal, ".")) for cell in cells if _plain(cell, decimal)]
        steps = np.diff(values)
        if not name or len(values) < 3 or len(values) < 0.9 * len(cells) or (steps < 0).mean() > 0.001:
            continue
        if not (steps > 0).mean() > 0.5:
            continue
        unit, told = _unit_of_time(name, float(np.median(steps[steps > 0])), values[-1] - values[0])
        bare = re.sub(r"[\[(].*", "", name).strip().replace("_", " ")
        rank = (not told and _TIME_WORDS.search(bare) is None) + 2 * (_COUNTERS.fullmatch(bare) is not None)
        found.append((rank, len(found), TimeGuess(columns=(name,), unit=unit, sure=told and not rank)))
    return min(found)[2] if found and min(found)[0] < 2 else None


def _unit_of_time(name: str, step: float, span: float) -> tuple[str, bool]:
    """Return the unit of an elapsed time, and whether its name tells it.

    Without a name: seconds where that gives a log of ten minutes or a reading in no less than a fifth of a second.
    """
    unit = unit_of(name.replace(" ", "_"))
    if unit in UNIT_S:
        return unit, True
    if step >= 50.0:
        return "ms", False
    if step >= 0.2 or span >= 600.0:
        return "s", False
    return ("min" if 60.0 * step >= 0.2 else "h"), False


Content = Literal["time", "temperature", "room", "power", "set power", "clock", "number", "constant", "text", "empty"]

_BRACKETS = re.compile(r"[\[(]\s*([^\[\]()]+?)\s*[\])]\s*$")
_LAST_WORD = re.compile(r"([_ /,])([^\s_/,]+)$")
_WORDS: tuple[tuple[Content, str], ...] = (
    ("room", r"room|ambient|amb\b|air\b|inlet|intake|outside|lab\b|surrounding|raum|umgebung"),
    ("clock", r"clock|freq"),
    ("set power", r"set\b|set[ _]?point|setpoint|target|nominal|requested|limit"),
    ("power", r"power|heater|load\b|watt|dissipat|pkg\b|leistung|heiz"),
    (
        "temperature",
        r"temp|die\b|core|junction|hot ?spot|case\b|sink|block\b|sensor|thermo|cpu|gpu|base\b|ntc|tc\d|kern\b|fühler",
    ),
)
_PATTERNS = {kind: re.compile(rf"(?<![a-z])({words})", re.IGNORECASE) for kind, words in _WORDS}
_UNITS: dict[str, Content] = {
    "degC": "temperature", "degF": "temperature", "K": "temperature",
    "W": "power", "mW": "power", "kW": "power", "MHz": "clock", "GHz": "clock", "Hz": "clock",
}  # fmt: skip
_PLAUSIBLE = {"degC": (-40.0, 160.0), "degF": (-40.0, 320.0), "K": (230.0, 440.0)}
MOST_TOKENS = 8


@dataclass(frozen=True, slots=True, kw_only=True)
class ColumnLook:
    """What one column of a log seems to hold.

    Attributes
    ----------
    name : str
        As in the header.
    content : str
        Kind of content.
    unit : str
        Unit as in ``campaign.yaml``; empty where there is none or it is not known.
    why : str
        What the guess rests on: the unit, the name, or how the numbers behave.
    low, high : float or None
        Smallest and largest number.
    missing : tuple of str
        Texts that stand among the numbers.
    n_missing : int
        Cells that are blank or hold such a text.
    values : ndarray, shape (n,)
        The numbers, NaN where missing; of size 0 for text.
    """

    name: str
    content: Content
    unit: str
    why: str
    low: float | None = None
    high: float | None = None
    missing: tuple[str, ...] = ()
    n_missing: int = 0
    values: Any = field(default_factory=lambda: np.empty(0))


def look_at_columns(text: TextGuess, time_columns: Sequence[str]) -> tuple[ColumnLook, ...]:
    """Guess what each column holds.

    Parameters
    ----------
    text : TextGuess
        The log as text.
    time_columns : sequence of str
        Columns that hold the time.

    Returns
    -------
    tuple of ColumnLook
        In the order of the file; columns without a name are left out.
    """
    units = [*text.units, *[""] * len(text.names)]
    looks = [
        _look(name, cells, below, text.decimal, name in time_columns)
        for name, cells, below in zip(text.names, text.cells, units, strict=False)
        if name
    ]
    return tuple(_from_behaviour(looks))


def unit_of(name: str, below: str = "") -> str:
    """Return the unit a name ends in, or the one in the line below it; empty where there is none."""
    if below.strip("[]() ") in UNIT_OF:
        return UNIT_OF[below.strip("[]() ")]
    name = re.sub(r"#\d+$", "", name)
    if match := _BRACKETS.search(name):
        return UNIT_OF.get(match.group(1), "")
    match = _LAST_WORD.search(name)
    # One letter behind a space is part of a name ("channel C") rather than a unit.
    if match is None or (len(match.group(2)) == 1 and match.group(1) != "_"):
        return ""
    return UNIT_OF.get(match.group(2), "")


def _look(name: str, cells: Sequence[str], below: str, decimal: str, is_time: bool) -> ColumnLook:
    if is_time:
        return ColumnLook(name=name, content="time", unit="", why="its cells")
    values, odd, cell_unit = _numbers(cells, decimal)
    known = values[~np.isnan(values)]
    low, high = (float(known.min()), float(known.max())) if known.size else (None, None)
    unit = unit_of(name, below) or cell_unit
    blank = len(cells) - known.size
    if 2 * known.size < len(cells):
        return ColumnLook(name=name, content="text" if odd else "empty", unit="", why="its cells")
    content, why = _told(name, unit, low, high)
    if content in ("number", "set power") and low == high:
        content, why = "constant", "one number throughout"
    if content in ("temperature", "room") and unit == "":
        unit, why = ("K" if low is not None and low > 200.0 else "degC"), f"{why}; unit by its range"
    if content in ("power", "set power") and unit == "":
        unit, why = "W", f"{why}; unit by custom"
    if content == "clock" and unit == "":
        unit, why = ("MHz" if (high or 0.0) > 50.0 else "GHz"), f"{why}; unit by its range"
    return ColumnLook(
        name=name, content=content, unit=unit, why=why, low=low, high=high,
        missing=tuple(odd[:MOST_TOKENS]), n_missing=blank, values=values,
    )  # fmt: skip


def _numbers(cells: Sequence[str], decimal: str) -> tuple[Any, list[str], str]:
    """Return numbers, the texts among them and a unit that stands behind numbers."""
    read = {cell: _number(cell, decimal) for cell in dict.fromkeys(cells) if cell}  # readings repeat
    known = {cell: found for cell, found in read.items() if found is not None}
    values = np.array([known[cell][0] if cell in known else np.nan for cell in cells])
    return values, sorted(set(read) - set(known)), next((unit for _, unit in known.values() if unit), "")


def _told(name: str, unit: str, low: float | None, high: float | None) -> tuple[Content, str]:
    """Return what name and unit say."""
    words = [kind for kind, pattern in _PATTERNS.items() if pattern.search(re.sub("[_.]", " ", name))]
    if unit:
        return _told_by_unit(unit, words, low, high)
    kind: Content = words[0] if words and "%" not in name else "number"
    if kind == "temperature" and "power" in words:
        kind = "power"
    if kind == "set power" and "power" not in words:
        kind = "number"
    if kind in ("room", "temperature"):
        plausible = low is not None and high is not None and any(_plausible(u, low, high) for u in ("degC", "K"))
        return (kind, "its name") if plausible else ("number", "its name, but not its range")
    return kind, "nothing in its name" if kind == "number" else "its name"


def _told_by_unit(unit: str, words: Sequence[str], low: float | None, high: float | None) -> tuple[Content, str]:
    content = _UNITS.get(unit, "number")
    if content == "temperature" and (low is None or high is None or not _plausible(unit, low, high)):
        return "number", f"unit {unit}, but not a temperature of a bench"
    if content == "temperature" and "room" in words:
        content = "room"
    if content == "power" and "set power" in words:
        content = "set power"
    return content, f"unit {unit}"


def _plausible(unit: str, low: float, high: float) -> bool:
    least, most = _PLAUSIBLE[unit]
    return low >= least and high <= most


def _from_behaviour(looks: list[ColumnLook]) -> list[ColumnLook]:
    """Tell power, temperatures and room by their course where no name or unit does."""
    if not any(look.content == "power" for look in looks):
        # A room written once a minute, with nights left out, goes in steps too, but small ones.
        wide = [i for i, look in enumerate(looks) if look.content == "number" and _span(look.values) > 3.0]
        steps = [(_stepwise(looks[i].values), i) for i in wide]
        steps = [pair for pair in steps if pair[0] > 0.6]
        if steps:
            place = max(steps)[1]
            looks[place] = replace(looks[place], content="power", unit="W", why="it goes in steps; unit by custom")
    if not any(look.content == "temperature" for look in looks):
        for i, look in enumerate(looks):
            if look.content != "number" or look.low is None or look.high is None:
                continue
            moves = look.high - look.low > 3.0
            # A room hardly moves; what has few values is a state or a clock.
            still = look.low > 5.0 and look.high < 45.0 and np.unique(look.values[~np.isnan(look.values)]).size > 4
            if _plausible("degC", look.low, look.high) and (moves or still):
                looks[i] = replace(look, content="temperature", unit="degC", why="its range and course; unit by custom")
    hot = [look for look in looks if look.content == "temperature"]
    if len(hot) > 1 and not any(look.content == "room" for look in looks):
        coolest, *others = sorted(hot, key=lambda look: float(np.nanmedian(look.values)))
        if _span(coolest.values) < 0.3 * float(np.median([_span(look.values) for look in others])):
            at = looks.index(coolest)
            looks[at] = replace(coolest, content="room", why="the coolest, and it hardly moves with the others")
    return looks


def _span(values: Any) -> float:
    known = values[~np.isnan(values)]
    return float(np.subtract(*np.percentile(known, [95, 5]))) if known.size else 0.0


def _stepwise(values: Any) -> float:
    """Return which part of all movement lies in the largest hundredth of the steps, noise taken off."""
    known = values[~np.isnan(values)]
    if known.size < 200 or np.ptp(known) <= 0:
        return 0.0
    moves = np.abs(np.diff(known))
    moves = np.maximum(moves - 3.0 * float(np.median(moves)), 0.0)
    largest = np.sort(moves)[-max(2, moves.size // 100) :]
    return float(largest.sum() / moves.sum()) if moves.sum() > 0 else 0.0


SHORTEST_S = 60.0
IDLE_SHARE, IDLE_ALWAYS = 0.3, 0.12
"""Below so much of the highest power a plateau is idle where it is short, or always (common practice, no source)."""


@dataclass(frozen=True, slots=True, kw_only=True)
class LoadStep:
    """A plateau of power.

    Attributes
    ----------
    start_s, end_s : float
        Times of its first and last row on the log's own clock, s.
    power_W : float
        Level early on the plateau, after any overshoot, W.
    end_power_W : float
        Level at its end, W.
    idle : bool
        Whether the power is so low beside the others that nothing was loaded.
    """

    start_s: float
    end_s: float
    power_W: float
    end_power_W: float
    idle: bool = False

    @property
    def minutes(self) -> float:
        """How long it lasted, min."""
        return (self.end_s - self.start_s) / 60.0


def find_steps(time_s: Array, power_W: Array) -> tuple[LoadStep, ...]:
    """Find the plateaus of power in a log.

    Parameters
    ----------
    time_s : ndarray, shape (n,)
        Times, never decreasing, s.
    power_W : ndarray, shape (n,)
        Power, NaN where missing, W.

    Returns
    -------
    tuple of LoadStep
        In order; jumps shorter than a minute belong to the step that follows.
    """
    known = np.flatnonzero(~np.isnan(power_W))
    if known.size < 10 or time_s[known[-1]] <= time_s[known[0]]:
        return ()
    t, p = time_s[known], power_W[known]
    interval = float(np.median(np.diff(t)))
    hole = max(60.0, 10.0 * interval)
    length = float(np.clip((t[-1] - t[0]) / 1500.0, max(5.0, 3.0 * interval), max(30.0, 3.0 * interval)))
    starts = np.flatnonzero(np.r_[True, np.diff(np.floor((t - t[0]) / length)) > 0])
    stops = np.r_[starts[1:], t.size]
    level = np.array([np.median(part) for part in np.split(p, starts[1:])])
    noise = 4.0 * float(np.median(np.abs(np.diff(level)))) if level.size > 1 else 0.0
    broken = np.r_[False, np.diff(t[starts]) > hole + length]
    least = max(0.02 * float(np.percentile(level, 99)), noise)
    found = []
    for a, b in _joined(
        _plateaus(level, broken, least), level, t[starts], t[stops - 1], broken, max(SHORTEST_S, 3.0 * length)
    ):
        first, last = int(starts[a]), int(stops[b - 1]) - 1
        # Its first block may hold the end of the level before it, its last the beginning of the next.
        while first < last and a > 0 and abs(p[first] - level[a - 1]) < abs(p[first] - level[min(a + 1, b - 1)]):
            first += 1
        while first < last and b < level.size and abs(p[last] - level[b]) < abs(p[last] - level[b - 1]):
            last -= 1
        inside = level[a:b]
        early = inside[len(inside) // 10 : max(len(inside) // 10 + 1, len(inside) // 4 + 1)]
        late = inside[-max(1, len(inside) // 10) :]
        start_s, end_s, begins_W, ends_W = map(float, (t[first], t[last], np.median(early), np.median(late)))
        found.append(LoadStep(start_s=start_s, end_s=end_s, power_W=begins_W, end_power_W=ends_W))
    return tuple(found)


def _plateaus(level: Array, broken: npt.NDArray[np.bool_], least: float) -> list[tuple[int, int]]:
    """Cut blocks where the level moves and stays; a slow fall is followed and not cut."""
    pieces, begin = [], 0
    for i in range(1, level.size):
        recent = float(np.median(level[max(begin, i - 8) : i]))
        allowed = max(0.04 * abs(recent), least)
        moved = abs(level[i] - recent) > allowed
        stays = i + 1 >= level.size or broken[i + 1] or abs(level[i + 1] - recent) > allowed
        if broken[i] or (moved and stays):
            pieces.append((begin, i))
            begin = i
    pieces.append((begin, level.size))
    return pieces


def _joined(
    pieces: list[tuple[int, int]], level: Array, begins: Array, ends: Array, broken: npt.NDArray[np.bool_],
    shortest: float,
) -> list[tuple[int, int]]:  # fmt: skip
    """Give short pieces to the plateau that follows, where it is near in level, and drop the others."""

    def middle(a: int, b: int) -> float:
        return float(np.median(level[a:b]))

    kept: list[tuple[int, int]] = []
    waiting: int | None = None
    for own, stop in pieces:
        begin, own_W = own, middle(own, stop)
        if waiting is not None and not broken[own] and abs(middle(waiting, own) - own_W) < 0.15 * own_W:
            begin = waiting
        waiting = None
        if ends[stop - 1] - begins[begin] < shortest:
            waiting = begin
            continue
        # A moment at another level, such as a drop of some seconds, does not end a step.
        if kept and abs(middle(*kept[-1]) - own_W) < 0.03 * abs(own_W):
            last = kept[-1][1]
            if not broken[last : begin + 1].any() and begins[begin] - ends[last - 1] < shortest:
                begin = kept.pop()[0]
        kept.append((begin, stop))
    return kept


def mark_idle(logs: Sequence[tuple[LoadStep, ...]]) -> list[tuple[LoadStep, ...]]:
    """Mark the idle plateaus of several logs of one bench: low, and not held as long as a step of the ladder."""
    every = [step for steps in logs for step in steps]
    highest = max((step.power_W for step in every), default=0.0)
    held = [step.minutes for step in every if step.power_W > IDLE_SHARE * highest]
    least = 0.5 * float(np.median(held)) if held else 0.0

    def is_idle(step: LoadStep) -> bool:
        low = not step.power_W > IDLE_SHARE * highest
        return low and (step.minutes < least or not step.power_W > IDLE_ALWAYS * highest)

    return [tuple(replace(step, idle=is_idle(step)) for step in steps) for steps in logs]


def set_powers(levels_W: Sequence[float]) -> list[float]:
    """Return the set powers that the levels of a bench were probably meant to be, W.

    They are taken for multiples of 5, 2.5, 1 or 0.5 W, the coarsest that fits all of them within half a per cent when
    the meter is off by the same share throughout, at most 1.5 %; else each to three digits (common
    practice, no source).

    Parameters
    ----------
    levels_W : sequence of float
        Level of every load step, W.
    """
    levels = np.asarray(levels_W, dtype=np.float64)
    order = np.argsort(levels)
    # Levels nearer to each other than a meter scatters are one step of the ladder on several mounts.
    apart = np.r_[False, np.diff(levels[order]) > 0.008 * levels[order][:-1]]
    step = np.cumsum(apart)[np.argsort(order)]
    middle = np.array([np.median(levels[step == k]) for k in range(step.max() + 1)])
    for grid in (5.0, 2.5, 1.0, 0.5):
        near = grid * np.round(middle / grid)
        if not (near > 0.0).all():
            continue
        off = middle / near
        common = float(np.median(off))
        if abs(common - 1.0) <= 0.015 and (np.abs(off / common - 1.0) <= 0.005).all():
            return [float(power) for power in near[step]]
    return [float(f"{level:.3g}") for level in middle[step]]


T = TypeVar("T")
Kind = Literal["sensor log", "room log", "other"]

ENDINGS = (".csv", ".txt", ".tsv", ".log", ".dat", ".asc")
OWN = ("runs.csv", "runs_reduced.csv")
MAX_BYTES = 256 << 20
MAX_FILES = 500


@dataclass(frozen=True, slots=True, kw_only=True)
class LogLook:
    """What one file seems to hold.

    Attributes
    ----------
    name : str
        Path relative to the campaign folder.
    kind : {"sensor log", "room log", "other"}
        A sensor log has time, temperature and power; a room log time and temperature.
    text : TextGuess or None
        How it is written.
    time : TimeGuess or None
        How its times are written.
    columns : tuple of ColumnLook
        Its columns.
    settings : LogSettings or None
        What ``campaign.yaml`` would say to read it; None for what is no sensor log.
    log : Log or None
        The log as the reader reads it with these settings.
    steps : tuple of LoadStep
        Its load steps.
    doubts : tuple of str
        What has to be looked at, in words.
    """

    name: str
    kind: Kind
    text: TextGuess | None = None
    time: TimeGuess | None = None
    columns: tuple[ColumnLook, ...] = ()
    settings: LogSettings | None = None
    log: Log | None = field(default=None, repr=False)
    steps: tuple[LoadStep, ...] = ()
    doubts: tuple[str, ...] = ()

    def named(self, *contents: str) -> list[ColumnLook]:
        """Return the columns with such content."""
        return [column for column in self.columns if column.content in contents]

    @property
    def loaded(self) -> list[LoadStep]:
        """Load steps that are not idle."""
        return [step for step in self.steps if not step.idle]

    @property
    def span_min(self) -> float | None:
        """From the first to the last reading, min."""
        return None if self.log is None else float(self.log.time_s[-1] - self.log.time_s[0]) / 60.0


@dataclass(frozen=True, slots=True, kw_only=True)
class FirstLook:
    """What a folder of logs seems to hold.

    Attributes
    ----------
    folder : Path
        The campaign folder to be: the folder looked at, or the one above where that is called ``logs``.
    logs : tuple of LogLook
        Every file that could be a log, by name.
    """

    folder: Path
    logs: tuple[LogLook, ...]

    @property
    def sensor_logs(self) -> tuple[LogLook, ...]:
        """The sensor logs that could be read, all written the same way."""
        read = {log.name: log.settings for log in self.logs if log.settings is not None}
        manners = {name: settings.model_dump_json(exclude={"missing"}) for name, settings in read.items()}
        usual = Counter(manners.values()).most_common(1)
        return tuple(log for log in self.logs if usual and manners.get(log.name) == usual[0][0])

    @property
    def odd_logs(self) -> tuple[LogLook, ...]:
        """Sensor logs that are written in another way than most, or could not be read."""
        usual = {log.name for log in self.sensor_logs}
        return tuple(log for log in self.logs if log.kind == "sensor log" and log.name not in usual)

    @property
    def room_log(self) -> LogLook | None:
        """A file of its own for the room, where there is one."""
        return next((log for log in self.logs if log.kind == "room log"), None)

    def __str__(self) -> str:
        read = len(self.sensor_logs)
        steps = sum(len(log.loaded) for log in self.sensor_logs)
        return f"{len(self.logs)} files, {read} sensor logs that can be read, {steps} load steps"


def known(value: T | None) -> T:
    """Return what is there in every log that could be read."""
    if value is None:
        raise ValueError("a log that could not be read")
    return value


def look(folder: str | Path) -> FirstLook:
    """Look at every file in a folder that could be a log.

    Parameters
    ----------
    folder : str or Path
        A folder with logs, or with a folder ``logs`` in it. Nothing in it is changed.

    Returns
    -------
    FirstLook

    Raises
    ------
    InputError
        Where there is no such folder or no file that could be a log.
    """
    root = Path(folder)
    if not root.is_dir():
        raise InputError([Problem(shown(root, quoted=False), "no folder of this name", "a folder with logs")])
    home = root.resolve()
    base = home.parent if home.name == "logs" else home
    files = sorted(
        path
        for pattern in ("*", "logs/*")
        for path in home.glob(pattern)
        if path.suffix.lower() in ENDINGS and not path.name.startswith(".") and path.name not in OWN and path.is_file()
    )
    if not files:
        allowed = "files that end in " + ", ".join(ENDINGS)
        raise InputError([Problem(shown(root, quoted=False), "no file that could be a log", allowed)])
    logs = [look_at_file(path, name=path.relative_to(base).as_posix()) for path in files[:MAX_FILES]]
    # A campaign has one list of missing texts: the logs are read again with that of all.
    missing = missing_tokens(log for log in logs if log.log is not None)
    logs = [
        log
        if log.log is None or log.settings is None or set(log.settings.missing) == set(missing)
        else read_as_guessed(base / log.name, log, missing)
        for log in logs
    ]
    steps = mark_idle([_steps(log) for log in logs])
    return FirstLook(folder=base, logs=tuple(replace(log, steps=own) for log, own in zip(logs, steps, strict=True)))


def look_at_file(path: Path, *, name: str) -> LogLook:
    """Guess how one file is written and what it holds.

    Parameters
    ----------
    path : Path
        The file.
    name : str
        What it is called in messages.

    Returns
    -------
    LogLook
        Also for a file that is no log, with the reason in its doubts.
    """
    try:
        text = guess_text(read_plain(path, MAX_BYTES))
    except (PathRefusedError, NotALogError) as reason:
        return LogLook(name=name, kind="other", doubts=(str(reason),))
    time = guess_time(text.names, text.cells, text.decimal)
    columns = look_at_columns(text, () if time is None else time.columns)
    found = LogLook(name=name, kind="other", text=text, time=time, columns=columns, doubts=tuple(_doubts(text, time)))
    lacks = "a time" if time is None else "" if found.named("temperature", "room") else "a temperature"
    if not lacks and found.named("power") and not found.named("temperature"):
        lacks = "a temperature of the device"
    if lacks:
        return replace(found, doubts=(*found.doubts, f"no column that looks like {lacks}"))
    if not found.named("power"):
        return replace(found, kind="room log")
    return read_as_guessed(path, replace(found, kind="sensor log"), missing_tokens([found]))


def _doubts(text: TextGuess, time: TimeGuess | None) -> Iterable[str]:
    if text.apart:
        yield f"columns of one name, told apart by their order in the file: {', '.join(map(shown, text.apart))}"
    if time is not None and time.others:
        yield f"times could also be written as {' or '.join(time.others)}"
    if time is not None and time.format is None and not time.sure:
        yield f"that {shown(time.columns[0])} is time in {time.unit} is a guess"


def missing_tokens(logs: Iterable[LogLook]) -> tuple[str, ...]:
    """Return the texts that stand among the numbers of the columns that would be read."""
    used = ("temperature", "room", "power", "clock", "set power")
    return tuple(dict.fromkeys(token for log in logs for column in log.named(*used) for token in column.missing))


def how_written(look: LogLook, missing: Sequence[str]) -> dict[str, object]:
    """Return what ``campaign.yaml`` would say of text and times of a log, whatever its columns hold."""
    text, time = known(look.text), known(look.time)
    how = {"unit": time.unit} if time.format is None else {"format": time.format}
    return {
        "delimiter": text.delimiter, "decimal": text.decimal, "encoding": text.encoding, "missing": tuple(missing),
        "time": {"columns": time.columns, **how},
    }  # fmt: skip


def of_one_unit(columns: Sequence[ColumnLook]) -> list[ColumnLook]:
    """Return the columns in the unit of the first: a campaign declares one."""
    return [column for column in columns if column.unit == columns[0].unit]


def power_of(look: LogLook) -> ColumnLook:
    """Return the column of measured power that is most likely meant: a mean before an instant reading."""
    powers = look.named("power")
    calm = [c for c in powers if any(word in c.name.lower() for word in ("mean", "avg", "average"))]
    return (calm or powers)[0]


def read_as_guessed(path: Path, look: LogLook, missing: Sequence[str]) -> LogLook:
    """Read a log with what was guessed, exactly as a campaign would; what goes wrong becomes a doubt."""
    declared = how_written(look, missing)
    declared["power"] = {"columns": [power_of(look).name], "unit": power_of(look).unit}
    for key, content in (("temperature", "temperature"), ("ambient", "room"), ("clock", "clock")):
        if columns := of_one_unit(look.named(content)):
            declared[key] = {"columns": [column.name for column in columns], "unit": columns[0].unit}
    try:
        settings = LogSettings.model_validate(declared)
        return replace(look, settings=settings, log=read_log(path, settings, name=look.name))
    except ValidationError as error:
        said = [str(one["msg"]).removeprefix("found ").partition("; allowed: ") for one in error.errors()]
        usual = "what campaign.yaml can declare"
        problems = [Problem(look.name, found, allowed or usual) for found, _, allowed in said]
    except InputError as error:
        problems = list(error.problems)
    return replace(look, doubts=(*look.doubts, *map(str, problems[:3])))


def _steps(log: LogLook) -> tuple[LoadStep, ...]:
    """Find the load steps, from the set power where it is logged and keeps pace with the readings."""
    if log.log is None:
        return ()
    told = log.named("set power")
    if told and told[0].values.size == log.log.time_s.size:
        scale = {"W": 1.0, "mW": 1e-3, "kW": 1e3}.get(told[0].unit, 1.0)
        return find_steps(log.log.time_s, told[0].values * scale)
    return find_steps(log.log.time_s, log.log.power_W)
