"""How a log is written and what its columns hold, guessed from its text and shown with what the guess rests on."""

import csv
import functools
import itertools
import re
from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass, field, replace
from typing import Any, Literal

import numpy as np

from thermlab.logs.cells import STANDARD, UNIT_OF, number_and_rest
from thermlab.logs.text import likely_encoding, numbered, split_line
from thermlab.logs.times import UNIT_S, example, pattern_of, seconds_of

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
    apart: tuple[str, ...] = ()


class NotALogError(ValueError):
    """A file that has no table with a header line in it; the reason is its text."""


def _number(cell: str, decimal: str) -> tuple[float, str] | None:
    """Return a number and the unit behind it, empty where there is none; None where the cell is no number."""
    number, rest = number_and_rest(cell, decimal) or (None, "")
    unit = rest.strip(" []()")
    return None if number is None or (unit and unit not in UNIT_OF) else (number, UNIT_OF.get(unit, ""))


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
    encoding = likely_encoding(raw)
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
    # A line of units alone names nothing: the names may stand over a line of numbers of channels.
    if all(unit_of("", cell) or cell in ("", "-") for cell in cut[top]):
        top = next((i for i in range(top - 1, max(-1, top - 3), -1) if kinds[i] == "heading"), top)
    # Of several lines of words above the numbers the first names the columns and the last may hold units.
    names, units = cut[top], (cut[first - 1] if first - 1 > top else [])
    own = numbered(names)
    below = [_cells(line, delimiter) for line in lines[first:MAX_LINES] if len(line) <= MAX_LINE]
    rows = [cells for cells in below if len(cells) >= width - 1 and cells != names]
    wide = [(row + [""] * len(names))[: len(names)] for row in rows]
    return TextGuess(
        encoding=encoding, delimiter=delimiter, decimal=decimal, header_line=top + 1, names=own,
        units=tuple(units), cells=list(zip(*wide, strict=True)),
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
MOST_PAIRS = 50
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

    @property
    def clock(self) -> str:
        """What kind of clock the times are on."""
        return "elapsed" if self.format is None else "calendar" if "%d" in self.format else "time of day"

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
    named = [(name, cells) for name, cells in zip(names, columns, strict=True) if name]
    worded = [(name, cells) for name, cells in named if not all(_plain(cell, decimal) for cell in cells[:20] if cell)]
    told = {name: forms for name, cells in worded if (forms := fitting_formats(cells))}
    if whole := next((name for name, forms in told.items() if not forms[0].startswith(("%H", "%I"))), None):
        return _clock(told[whole], whole)
    # Date and time apart, the nearest first; times of digits alone are looked for only beside a date.
    dates = [column for column in worded if fitting_formats([f"{cell} 00:00" for cell in column[1] if cell])]
    place = {name: at for at, (name, _) in enumerate(named)}
    pairs = [(day, time) for day, time in itertools.product(dates, named) if day[0] != time[0]]
    pairs.sort(key=lambda pair: (pair[1][0] not in told, abs(place[pair[0][0]] - place[pair[1][0]])))
    for day, time in pairs[:MOST_PAIRS]:
        if forms := fitting_formats([" ".join(both) for both in zip(day[1], time[1], strict=True)]):
            return _clock(forms, day[0], time[0])
    if told:
        return _clock(next(iter(told.values())), next(iter(told)))
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
_CONTENT: dict[str, Content] = {"degC": "temperature", "W": "power", "MHz": "clock"}
_BARE = ("degC", "K")
_PLAUSIBLE = {"degC": (-40.0, 160.0), "degF": (-40.0, 320.0), "K": (230.0, 440.0)}
MOST_TOKENS = 8


@dataclass(frozen=True, slots=True, kw_only=True)
class ColumnLook:
    """What one column of a log seems to hold.

    Attributes
    ----------
    name : str
        As in the header.
    content, why : str
        Kind of content, and what the guess rests on: the unit, the name, or how the numbers behave.
    unit : str
        Unit as in ``campaign.yaml``; empty where there is none or it is not known.
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
    why: str
    unit: str = ""
    low: float | None = None
    high: float | None = None
    missing: tuple[str, ...] = ()
    n_missing: int = 0
    values: Any = field(default_factory=lambda: np.empty(0))


def guess_log(raw: bytes) -> tuple[TextGuess, TimeGuess | None, tuple[ColumnLook, ...]]:
    """Guess how a log is written, how its times are, and what its columns hold, in the order of the file.

    Columns without a name are left out; errors are as of :func:`guess_text`.
    """
    text = guess_text(raw)
    time = guess_time(text.names, text.cells, text.decimal)
    units = [*text.units, *[""] * len(text.names)]
    looks = [
        _look(name, cells, below, text.decimal, time is not None and name in time.columns)
        for name, cells, below in zip(text.names, text.cells, units, strict=False)
        if name
    ]
    return text, time, tuple(_with_room(looks))


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
        return ColumnLook(name=name, content="time", why="its cells")
    values, odd, cell_unit = _numbers(cells, decimal)
    known = values[~np.isnan(values)]
    if 2 * known.size < len(cells):
        return ColumnLook(name=name, content="text" if odd else "empty", why="its cells")
    low, high = float(known.min()), float(known.max())
    unit = unit_of(name, below) or cell_unit
    content, why = _told(name, unit, low, high)
    if content in ("number", "set power") and low == high:
        content, why = "constant", "one number throughout"
    kelvin, mega = "K" if low > 200.0 else "degC", "MHz" if high > 50.0 else "GHz"
    custom = {"temperature": kelvin, "room": kelvin, "power": "W", "set power": "W", "clock": mega}
    if not unit and content in custom:
        unit, why = custom[content], f"{why}; unit by custom and range"
    return ColumnLook(
        name=name, content=content, unit=unit, why=why, low=low, high=high,
        missing=tuple(odd[:MOST_TOKENS]), n_missing=len(cells) - known.size, values=values,
    )  # fmt: skip


def _numbers(cells: Sequence[str], decimal: str) -> tuple[Any, list[str], str]:
    """Return numbers, the texts among them and a unit that stands behind numbers."""
    read = {cell: _number(cell, decimal) for cell in dict.fromkeys(cells) if cell}  # readings repeat
    known = {cell: found for cell, found in read.items() if found is not None}
    values = np.array([known[cell][0] if cell in known else np.nan for cell in cells])
    return values, sorted(set(read) - set(known)), next((unit for _, unit in known.values() if unit), "")


def _told(name: str, unit: str, low: float, high: float) -> tuple[Content, str]:
    """Return what unit and name say."""
    words = [kind for kind, pattern in _PATTERNS.items() if pattern.search(re.sub("[_.]", " ", name))]
    content: Content = "number"
    if unit:
        content, why = _CONTENT.get(STANDARD[unit][0], "number"), f"unit {unit}"
        finer: dict[Content, Content] = {"temperature": "room", "power": "set power"}
        if finer.get(content) in words:
            content = finer[content]
    elif words and "%" not in name:
        content, why = words[0], "its name"
        if "power" in words and content == "temperature":
            content = "power"
    if content == "number" or (content == "set power" and not unit and "power" not in words):
        return "number", why if unit else "nothing in its name"
    if content in ("temperature", "room") and not any(_plausible(u, low, high) for u in ([unit] if unit else _BARE)):
        return "number", f"{why}, but not the range of a temperature on a bench"
    return content, why


def _plausible(unit: str, low: float, high: float) -> bool:
    least, most = _PLAUSIBLE[unit]
    return low >= least and high <= most


def _with_room(looks: list[ColumnLook]) -> list[ColumnLook]:
    """Take the coolest of several temperatures for the room, where none is called so and it hardly moves."""
    hot = [place for place, look in enumerate(looks) if look.content == "temperature"]
    if len(hot) > 1 and not any(look.content == "room" for look in looks):
        coolest, *others = sorted(hot, key=lambda place: float(np.nanmedian(looks[place].values)))
        if _span(looks[coolest].values) < 0.3 * float(np.median([_span(looks[place].values) for place in others])):
            why = "the coolest, and it hardly moves with the others"
            looks[coolest] = replace(looks[coolest], content="room", why=why)
    return looks


def _span(values: Any) -> float:
    return float(np.subtract(*np.nanpercentile(values, [95, 5])))
