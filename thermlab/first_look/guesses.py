"""How an unknown log is written, which column is the time, and what the others hold: guessed.

Guesses live here and in the files built on it, for a person to look at and
to correct. The log reader guesses nothing: it reads what was declared.
"""

from __future__ import annotations

import csv
import functools
import itertools
import re
from collections import Counter
from dataclasses import dataclass, field, replace
from typing import TYPE_CHECKING, Any, Literal

import numpy as np

from thermlab.logs.cells import UNIT_OF, number_pattern
from thermlab.logs.text import split_line
from thermlab.logs.times import UNIT_S, example, pattern_of, seconds_of

if TYPE_CHECKING:
    from collections.abc import Sequence

DELIMITERS = ("\t", ";", ",", "|")
SAMPLE_LINES = 400
MAX_LINE = 100_000
MAX_CELLS = 2000
"""A line with more characters or cells is not looked at: no bench has so many channels."""
MAX_LINES = 300_000
"""Lines beyond are left to the log reader, which reads every one of them."""

_BOMS = (
    (b"\xef\xbb\xbf", "utf-8"),
    (b"\xff\xfe\x00\x00", "utf-32"),
    (b"\x00\x00\xfe\xff", "utf-32"),
    (b"\xff\xfe", "utf-16"),
    (b"\xfe\xff", "utf-16"),
)
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
    rows : list of list of str
        Cells of the lines below, those that have as many as the header.
    sure : tuple of str
        What was seen and not guessed, such as ``"encoding"`` where the file begins with a byte order mark.
    """

    encoding: str
    delimiter: str
    decimal: str
    header_line: int
    names: tuple[str, ...]
    units: tuple[str, ...]
    rows: list[list[str]]
    sure: tuple[str, ...]


class NotALogError(ValueError):
    """A file that has no table with a header line in it; the reason is its text."""


def guess_encoding(raw: bytes) -> tuple[str, bool]:
    """Return the encoding bytes seem to be in, and whether a byte order mark says so.

    Parameters
    ----------
    raw : bytes
        A whole file.
    """
    for mark, encoding in _BOMS:
        if raw.startswith(mark):
            return encoding, True
    head = raw[:4000]
    if head.count(0) > len(head) // 5:
        # A text in Latin letters has its zeros at odd places in the one order, at even places in the other.
        return ("utf-16-le" if head[1::2].count(0) >= head[::2].count(0) else "utf-16-be"), False
    for encoding in ("utf-8", "cp1252"):
        try:
            raw.decode(encoding)
        except UnicodeDecodeError:
            continue
        return encoding, False
    return "latin-1", False


def is_number(cell: str, decimal: str) -> bool:
    """Tell whether a cell is a number, with a unit behind it or not."""
    match = re.match(number_pattern(decimal), cell.replace("\u2212", "-"), re.ASCII)
    return match is not None and (match.end() == len(cell) or cell[match.end() :].strip(" []()") in UNIT_OF)


def is_time(cell: str) -> bool:
    """Tell whether a cell looks like a date, a time or both."""
    return _TIME.fullmatch(cell) is not None


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
    encoding, sure = guess_encoding(raw)
    text = raw.decode(encoding, "replace").removeprefix("\ufeff").replace("\r\n", "\n").replace("\r", "\n")
    lines = text.rstrip("\n\0 ").split("\n")
    if len(lines) < 3:
        raise NotALogError("fewer than three lines")
    if any(len(line) > MAX_LINE or max(map(line.count, DELIMITERS)) > MAX_CELLS for line in lines[:SAMPLE_LINES]):
        raise NotALogError(f"a line of more than {MAX_LINE} characters or {MAX_CELLS} cells")
    delimiter, decimal, width = _guess_cells(lines[:SAMPLE_LINES])
    cut = [_cells(line, delimiter) for line in lines[:SAMPLE_LINES]]
    first = next(
        (i for i in range(len(cut) - 1) if _is_data(cut[i], width, decimal) and _is_data(cut[i + 1], width, decimal)), 0
    )
    top = first
    while top > 0 and _is_heading(cut[top - 1], width, decimal):
        top -= 1
    if top == first:
        raise NotALogError("no line of column names above the first row of numbers")
    # Of several lines of words above the numbers the first names the columns and the last may hold units.
    names = cut[top]
    units = tuple(cut[first - 1]) if first - 1 > top else ()
    cut = [_cells(line, delimiter) for line in lines[first:MAX_LINES] if len(line) <= MAX_LINE]
    rows = [cells for cells in cut if len(cells) >= width - 1]
    return TextGuess(
        encoding=encoding,
        delimiter=delimiter,
        decimal=decimal,
        header_line=top + 1,
        names=tuple(names),
        units=units,
        rows=[cells for cells in rows if cells != names],
        sure=("encoding",) if sure else (),
    )


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
    best: tuple[float, int, str, str] | None = None
    for delimiter in DELIMITERS:
        cut = [_cells(line, delimiter) for line in late]
        width, share = Counter(len(cells) for cells in cut).most_common(1)[0]
        if width < 2:
            continue
        cells = [cell for row in cut if len(row) == width for cell in row if cell]
        decimals = (".",) if delimiter == "," else (".", ",")
        for decimal in decimals:
            told = sum(is_number(cell, decimal) or is_time(cell) for cell in cells)
            score = share / len(late) * told / max(1, len(cells))
            if best is None or (round(score, 3), width) > (round(best[0], 3), best[1]):
                best = (score, width, delimiter, decimal)
    if best is None or best[0] < 0.3:
        raise NotALogError("no rows of numbers")
    return best[2], best[3], best[1]


def _filled_and_told(cells: list[str], decimal: str) -> tuple[int, int]:
    """Return how many cells hold something, and how many a number or a time."""
    filled = [cell for cell in cells if cell]
    return len(filled), sum(is_number(cell, decimal) or is_time(cell) for cell in filled)


def _is_data(cells: list[str], width: int, decimal: str) -> bool:
    filled, told = _filled_and_told(cells, decimal)
    return abs(len(cells) - width) <= 1 and filled > 0 and 2 * told >= filled


def _is_heading(cells: list[str], width: int, decimal: str) -> bool:
    filled, told = _filled_and_told(cells, decimal)
    return len(cells) >= width - 1 and filled >= 2 and 2 * told < filled


_DATES = (
    "%Y-%m-%d", "%Y/%m/%d", "%Y.%m.%d", "%d.%m.%Y", "%d/%m/%Y", "%m/%d/%Y", "%d-%m-%Y", "%m-%d-%Y", "%d.%m.%y",
    "%d/%m/%y", "%m/%d/%y", "%y-%m-%d", "%d-%b-%Y", "%d %b %Y", "%d-%b-%y", "%b %d %Y", "%Y%m%d",
)  # fmt: skip
_CLOCKS = ("%H:%M:%S", "%I:%M:%S %p", "%H:%M", "%I:%M %p", "%H%M%S", "%H.%M.%S")
_JOINS = (" ", "T", "_", ", ")
_OFFSETS = ("", "%z", " %z")
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
    for form in _formats():
        pattern = _pattern(form)
        if not any(pattern.fullmatch(cell) for cell in sample[:3]):
            continue
        seconds = [seconds_of(pattern.fullmatch(cell)) for cell in sample]
        known = [value for value in seconds if value is not None]
        if len(known) >= MOSTLY * len(seconds):
            back = sum(b < a for a, b in itertools.pairwise(known))
            fitting.append((back, max(known) - min(known) if back else 0.0, _rank(form, sample[0]), form))
    return [form for *_, form in sorted(fitting)]


@functools.cache
def _pattern(form: str) -> re.Pattern[str]:
    return pattern_of(form)


@functools.cache
def _formats() -> list[str]:
    both = [f"{d}{j}{c}{z}" for d in _DATES for j in _JOINS for c in _CLOCKS for z in _OFFSETS]
    return [*both, *_CLOCKS]


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
        if not name or not any(not c.isdigit() and not _plain(c, decimal) for c in cells[:20] if c):
            continue
        forms = fitting_formats(cells)
        if forms:
            clock = TimeGuess(columns=(name,), format=forms[0], others=tuple(forms[1:3]), sure=len(forms) == 1)
            return (_with_date(clock, dates, forms) if forms[0].startswith(("%H", "%I")) else None) or clock
        if found := _date_formats(cells):
            dates.append((name, found))
    for name, found in dates:  # a date before which no time stood: the time may stand before it
        for other, cells in zip(names, columns, strict=True):
            forms = fitting_formats(cells) if other and other != name else []
            if forms and "%H" in forms[0]:
                return TimeGuess(columns=(name, other), format=f"{found[0]} {forms[0]}", sure=len(found) == 1)
    return _elapsed(names, columns, decimal)


def _plain(cell: str, decimal: str) -> bool:
    return re.fullmatch(rf"[+-]?\d+({re.escape(decimal)}\d*)?", cell) is not None


def _date_formats(cells: Sequence[str]) -> list[str]:
    timed = [f"{cell} 00:00" for cell in cells if cell]
    return [form.removesuffix(" %H:%M") for form in fitting_formats(timed) if form.endswith(" %H:%M")]


def _with_date(clock: TimeGuess, dates: list[tuple[str, list[str]]], forms: list[str]) -> TimeGuess | None:
    if not dates:
        return None
    name, found = dates[-1]
    others = tuple(f"{date} {forms[0]}" for date in found[1:3])
    return TimeGuess(columns=(name, *clock.columns), format=f"{found[0]} {forms[0]}", others=others, sure=not others)


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
    inside = re.search(r"[\[(]\s*([^\[\]()]+?)\s*[\])]|[_ /](\w+)$", name)
    unit = UNIT_OF.get(next(filter(None, inside.groups()), "")) if inside else None
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
    width = len(text.names)
    cells = list(zip(*((row + [""] * width)[:width] for row in text.rows), strict=True))
    units = [*text.units, *[""] * width][:width]
    looks = [
        _look(name, cells[i], units[i], text.decimal, name in time_columns)
        for i, name in enumerate(text.names)
        if name and i < len(cells)
    ]
    return tuple(_from_behaviour(looks))


def unit_of(name: str, below: str = "") -> str:
    """Return the unit a name ends in, or the one in the line below it; empty where there is none."""
    if below.strip("[]() ") in UNIT_OF:
        return UNIT_OF[below.strip("[]() ")]
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
        missing=tuple(sorted(odd)[:MOST_TOKENS]), n_missing=blank, values=values,
    )  # fmt: skip


def _numbers(cells: Sequence[str], decimal: str) -> tuple[Any, set[str], str]:
    """Return numbers, the texts among them and a unit that stands behind numbers."""
    pattern = re.compile(number_pattern(decimal), re.ASCII)
    values = np.full(len(cells), np.nan)
    odd: set[str] = set()
    unit = ""
    for i, cell in enumerate(cells):
        if not cell:
            continue
        try:
            # float() alone would take "nan" and "inf", which are texts for a missing value here.
            values[i] = float(cell.replace(decimal, ".")) if cell[-1].isdigit() else float("x")
        except ValueError:
            match = pattern.match(cell.replace("\u2212", "-"))
            rest = cell[match.end() :].strip(" []()") if match else "?"
            if match and (not rest or rest in UNIT_OF):
                values[i] = float(match.group().replace(decimal, "."))
                unit = unit or UNIT_OF.get(rest, "")
            elif len(odd) < 50:
                odd.add(cell)
    return values, odd, unit


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
        spans = {look.name: _span(look.values) for look in hot}
        coolest = min(hot, key=lambda look: float(np.nanmedian(look.values)))
        others = [span for name, span in spans.items() if name != coolest.name]
        if spans[coolest.name] < 0.3 * float(np.median(others)):
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
