"""What does each column of an unknown log hold? Told from names and units, else from how the numbers behave."""

from __future__ import annotations

import re
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Any, Literal

import numpy as np

from thermlab.logs.cells import UNIT_OF, number_pattern

if TYPE_CHECKING:
    from collections.abc import Sequence

    from thermlab.first_look.text import TextGuess

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
    low: float | None
    high: float | None
    missing: tuple[str, ...]
    n_missing: int
    values: Any


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
        return ColumnLook(
            name=name, content="time", unit="", why="its cells", low=None, high=None, missing=(), n_missing=0,
            values=np.empty(0),
        )  # fmt: skip
    values, odd, cell_unit = _numbers(cells, decimal)
    known = values[~np.isnan(values)]
    low, high = (float(known.min()), float(known.max())) if known.size else (None, None)
    unit = unit_of(name, below) or cell_unit
    blank = len(cells) - known.size
    if 2 * known.size < len(cells):
        kind: Content = "empty" if not odd else "text"
        return ColumnLook(
            name=name, content=kind, unit="", why="its cells", low=None, high=None, missing=(), n_missing=0,
            values=np.empty(0),
        )  # fmt: skip
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
