"""Which column is the time, and how is it written? Guessed from the cells."""

from __future__ import annotations

import functools
import itertools
import re
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from thermlab.logs.cells import UNIT_OF
from thermlab.logs.times import UNIT_S, example, pattern_of, seconds_of

if TYPE_CHECKING:
    from collections.abc import Sequence

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
        if (forms and forms[0].startswith("%H")) or (forms and forms[0].startswith("%I")):
            clock = TimeGuess(columns=(name,), format=forms[0], others=tuple(forms[1:3]), sure=len(forms) == 1)
            return _with_date(clock, dates, forms) or clock
        if forms:
            return TimeGuess(columns=(name,), format=forms[0], others=tuple(forms[1:3]), sure=len(forms) == 1)
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
