"""What kind of text is this? Encoding, delimiter, decimal sign and header line of an unknown log, guessed.

Guesses live here and in the modules built on it, for a person to look at and
to correct. The log reader guesses nothing: it reads what was declared.
"""

from __future__ import annotations

import csv
import re
from collections import Counter
from dataclasses import dataclass
from typing import TYPE_CHECKING

from thermlab.logs.cells import UNIT_OF, number_pattern
from thermlab.logs.text import split_line

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
    n_lines : int
        Lines of the file.
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
    n_lines: int
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
        n_lines=len(lines),
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


def _is_data(cells: list[str], width: int, decimal: str) -> bool:
    filled = [cell for cell in cells if cell]
    told = sum(is_number(cell, decimal) or is_time(cell) for cell in filled)
    return abs(len(cells) - width) <= 1 and bool(filled) and 2 * told >= len(filled)


def _is_heading(cells: list[str], width: int, decimal: str) -> bool:
    filled = [cell for cell in cells if cell]
    told = sum(is_number(cell, decimal) or is_time(cell) for cell in filled)
    return len(cells) >= width - 1 and len(filled) >= 2 and 2 * told < len(filled)
