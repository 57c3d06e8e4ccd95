"""The run sheet ``runs.csv``: one line per run, every problem at once."""

import csv
import io
import math
import re
from collections import Counter
from collections.abc import Collection, Iterable, Iterator
from dataclasses import dataclass
from pathlib import Path, PurePosixPath
from typing import TypeVar

from thermlab.base.errors import InputError, Problem, commands_terminal, shown
from thermlab.base.files import PathRefusedError, inside
from thermlab.campaign.settings import MAX_POWER_W
from thermlab.campaign.yaml_files import MAX_PROBLEMS, decoded, first_problems
from thermlab.logs.settings import ROOM_C, TimeSettings
from thermlab.logs.times import DAY_S, date_seconds, parse_time

NAME = "runs.csv"
REQUIRED = ("run", "treatment", "mount", "set_power_W", "log", "start", "end", "exclude", "note")
OPTIONAL = ("lot", "condition")
BY_HAND = ("room_C", "reading_C", "started")
"""Optional columns for what was read off and written down: the room, a finished reading, when the run was made."""
NOT_MADE = "not made yet"
"""Why a run that is planned is not used."""
MAX_SHEET_BYTES = 16 << 20
MAX_LINES = 100_000
MAX_CELL = 10_000
MAX_COMMAS = 20_000
MOST_NAMED = 12
READING_C = (-100.0, 400.0)

_NUMBER = re.compile(r"[-+]?(\d+\.?\d*|\.\d+)([eE][-+]?\d{1,3})?\Z", re.ASCII)


T = TypeVar("T")


@dataclass(frozen=True, slots=True, kw_only=True)
class RunLine:
    """One line of the run sheet.

    Attributes
    ----------
    run, treatment, mount : str
        Identity; a mount is identified by (treatment, mount).
    set_power_W : float
        The power step, W.
    log : str
        Path of the log, relative to the campaign folder; blank for a reading without a log.
    start, end : str
        In the log's own time; blank for the first or last row.
    exclude : str
        Reason for leaving the run out; blank where it is used.
    note, lot, condition : str
        Free text.
    line : int
        Line of the run sheet, from 1.
    room_C, reading_C : float or None
        Room of this run and finished reading of the device, read off by hand, degC.
    started : str
        When the run was made, ISO 8601, where the log has no date.
    """

    run: str
    treatment: str
    mount: str
    set_power_W: float
    log: str
    line: int
    start: str = ""
    end: str = ""
    exclude: str = ""
    note: str = ""
    lot: str = ""
    condition: str = ""
    room_C: float | None = None
    reading_C: float | None = None
    started: str = ""

    @property
    def is_reading(self) -> bool:
        """Whether it is a finished reading without a log."""
        return self.reading_C is not None and not self.log


@dataclass(frozen=True, slots=True)
class RunSheet:
    """Run lines with the problems and cautions found on the way."""

    runs: tuple[RunLine, ...]
    problems: tuple[Problem, ...]
    cautions: tuple[str, ...]


class _Sheet:
    def __init__(self, folder: Path, treatments: Collection[str] | None, time: TimeSettings | None) -> None:
        self.folder = folder
        self.treatments = treatments
        self.time = time
        self.separator = ","
        self.line = 0
        self.cells: dict[str, str] = {}
        self.runs: list[RunLine] = []
        self.problems: list[tuple[int, Problem]] = []
        self.cautions: list[str] = []
        self.lost: list[str] = []
        self.to_come: list[tuple[int, str, PathRefusedError]] = []
        self.logged_too: list[str] = []
        self.first_line: dict[str, int] = {}
        self.files: dict[str, Path | PathRefusedError] = {}
        self.cuts: dict[Path, list[tuple[float, float, RunLine]]] = {}

    def refuse(self, column: str, found: str, allowed: str, *, line: int | None = None) -> None:
        """Keep a problem of the line that is read, or of another."""
        line = self.line if line is None else line
        where = (f"{NAME}:{line}" if line else NAME) + (f" ({column})" if column else "")
        self.problems.append((line, Problem(where, found, allowed)))

    def add(self, cells: dict[str, str]) -> None:
        """Check one line on its own and keep it where it is well formed."""
        before = len(self.problems)
        self.cells = cells
        if cells["exclude"].lower() == NOT_MADE:
            cells["exclude"] = NOT_MADE
        self.texts()
        power = self.number("set_power_W", (0.0, MAX_POWER_W), "a number of watts above 0, at most 100000")
        room, reading = self.by_hand()
        found = self.file()
        start, end = self.moment("start", -math.inf), self.moment("end", math.inf)
        if self.time is not None:
            end = after_midnight(start, end, self.time)
        if end <= start:
            text = f"{shown(cells['end'])}, not after start {shown(cells['start'])}"
            self.refuse("end", text, "an end after the start")
        if len(self.problems) > before:
            return
        fields = {name: cells.get(name, "") for name in (*REQUIRED, *OPTIONAL) if name != "set_power_W"}
        fields["log"] = cells["log"] and PurePosixPath(cells["log"]).as_posix()
        fields["started"] = cells.get("started", "").replace(" ", "T", 1)
        entry = RunLine(set_power_W=power or 0.0, line=self.line, room_C=room, reading_C=reading, **fields)
        self.runs.append(entry)
        self.logged_too += [entry.run] if entry.log and reading is not None and not entry.exclude else []
        if found is not None and not entry.exclude:
            self.cuts.setdefault(found, []).append((start, end, entry))

    def texts(self) -> None:
        """Check the cells that are text."""
        cells = self.cells
        for column in ("run", "treatment", "mount", "log", "set_power_W"):
            # A reading needs no log, nor does one that is still to come, where the sheet has a column for it.
            spared = column == "log" and (cells.get("reading_C") or ("reading_C" in cells and cells["exclude"]))
            if not cells[column] and not spared:
                more = ", or a finished reading in the column reading_C" if column == "log" else ""
                self.refuse(column, "nothing", f"not blank{more}")
        for column in ("run", "treatment", "mount"):
            if len(cells[column]) > 200:
                self.refuse(column, f"{len(cells[column])} characters", "at most 200 characters")
        for column, text in cells.items():
            if commands_terminal(text.translate({9: " ", 10: " ", 13: " "})):
                self.refuse(column, f"{shown(text)} with control characters", "text without control characters")
        run = cells["run"]
        if run and run in self.first_line:
            self.refuse("run", f"{shown(run)} a second time (first on line {self.first_line[run]})", "each run once")
        self.first_line.setdefault(run, self.line)
        treatment = cells["treatment"]
        if treatment and self.treatments is not None and treatment not in self.treatments:
            names = ", ".join(shown(name) for name in list(self.treatments)[:30])
            self.refuse("treatment", shown(treatment), f"one of the treatments of campaign.yaml: {names}")

    def number(self, column: str, between: tuple[float, float], allowed: str) -> float | None:
        """Return the number of a cell, None where it is blank or no number within the bounds."""
        text = self.cells.get(column, "")
        # Only where a comma cannot stand between cells may it be a decimal sign.
        number = text if self.separator == "," else text.replace(",", ".")
        value = float(number) if _NUMBER.match(number) else math.nan
        low, high = between
        if low <= value <= high and (value > 0 or column != "set_power_W"):
            return value
        if text:
            self.refuse(column, shown(text), f"{allowed}{' with a decimal point' if ',' in text else ''}")
        return None

    def by_hand(self) -> tuple[float | None, float | None]:
        """Check what was read off by hand; return room and finished reading, degC."""
        cells = self.cells
        room, reading = (
            self.number(column, (low, high), f"{what} in degC, from {low:g} to {high:g}")
            for column, what, (low, high) in (("room_C", "a room", ROOM_C), ("reading_C", "a reading", READING_C))
        )
        if room is not None and reading is not None and reading <= room:
            self.refuse("reading_C", f"{reading:g}, not above the room of {room:g}", "a reading above the room")
        started = cells.get("started", "")
        if started and date_seconds(started) is None:
            allowed = "a date such as 2026-03-31, or with its time 2026-03-31 14:05"
            self.refuse("started", shown(started), allowed)
        for column in ("start", "end"):
            if cells[column] and not cells["log"]:
                allowed = "blank without a log; when the reading was taken goes into the column started"
                self.refuse(column, shown(cells[column]), allowed)
        return room, reading

    def file(self) -> Path | None:
        log = self.cells["log"]
        if not log:
            return None
        if log not in self.files:
            try:
                self.files[log] = inside(self.folder, log)
            except PathRefusedError as refused:
                self.files[log] = refused
        found = self.files[log]
        if isinstance(found, Path):
            return found
        if found.missing and self.cells["exclude"]:
            self.lost.append(self.cells["run"])
        elif found.missing:
            self.to_come.append((self.line, log, found))
            self.cells["exclude"] = NOT_MADE
        else:
            self.refuse("log", found.found, found.allowed)
        return None

    def moment(self, column: str, unknown: float) -> float:
        """Return a time of the log, or `unknown` where there is none that can be read."""
        text = self.cells["log"] and self.cells[column]
        if text and self.time is not None:
            try:
                return parse_time(text, self.time)
            except InputError as refused:
                self.refuse(column, refused.problems[0].found, refused.problems[0].allowed)
        return unknown

    def overlaps(self) -> None:
        """Refuse two runs that take the same part of one log; without the format of its times nobody knows."""
        if self.time is None:
            return
        for entry, holder in (pair for cuts in self.cuts.values() for pair in overlapping(cuts)):
            other = f"run {shown(holder.run)} of line {holder.line} in {shown(entry.log)}"
            found = f"run {shown(entry.run)} overlapping {other}"
            self.refuse("start", found, "runs that do not share rows of a log", line=entry.line)


def overlapping(cuts: Iterable[tuple[float, float, T]]) -> Iterator[tuple[T, T]]:
    """Yield each run of one log that begins before another has ended, with that other.

    Parameters
    ----------
    cuts : iterable of (float, float, run)
        Start and end, s, infinite where the log's own count, and the run, in the order written.
    """
    furthest, holder = -math.inf, None
    for start, end, run in sorted(cuts, key=lambda cut: cut[0]):
        if holder is not None and start < furthest:
            yield run, holder
        if holder is None or end > furthest:
            furthest, holder = end, run


def after_midnight(start: float, end: float, time: TimeSettings) -> float:
    """Return the end of a run, s; on a clock without dates it may be on the next day."""
    return end + DAY_S if time.clock == "time of day" and start - end > DAY_S / 2 else end


def read_run_sheet(
    raw: bytes, folder: Path, *, treatments: Collection[str] | None, time: TimeSettings | None
) -> RunSheet:
    """Read the run sheet.

    Parameters
    ----------
    raw : bytes
        The file: utf-8, a header line, commas (or semicolons or tabs, as some spreadsheets save it) between cells.
    folder : Path
        The campaign folder, in which the logs are looked up.
    treatments : collection of str or None
        Known treatments; None where ``campaign.yaml`` could not tell.
    time : TimeSettings or None
        How the logs write times; None where ``campaign.yaml`` could not tell.

    Returns
    -------
    RunSheet
        Well-formed lines, and every problem; never raises on bad input.
    """
    sheet = _Sheet(folder, treatments, time)
    text = decoded(raw, NAME, MAX_SHEET_BYTES, hint=" (save the sheet as CSV UTF-8)")
    if isinstance(text, Problem):
        sheet.problems.append((0, text))
    elif "\0" in text:
        sheet.refuse("", "a NUL byte", "text in utf-8", line=text.count("\n", 0, text.index("\0")) + 1)
    else:
        _read_lines(text, sheet)
        sheet.overlaps()
    _runs_to_come(sheet)
    problems = first_problems(sheet.problems, NAME)
    for runs, said in (
        (sheet.lost, "the log does not exist of excluded runs"),
        (sheet.logged_too, "a log counts, not the reading_C beside it, in runs"),
    ):
        if runs:
            more = f" and {len(runs) - MOST_NAMED} more" if len(runs) > MOST_NAMED else ""
            sheet.cautions.append(f"{said} {', '.join(map(shown, runs[:MOST_NAMED]))}{more}")
    used = {run.treatment for run in sheet.runs}
    if not problems:
        sheet.cautions += [f"treatment {name!r} has no runs" for name in treatments or () if name not in used]
    return RunSheet(tuple(sheet.runs), tuple(problems), tuple(sheet.cautions))


def _runs_to_come(sheet: _Sheet) -> None:
    """Take used runs whose log is not there as not made, and name each log: it may be mistyped."""
    if not any(not run.exclude for run in sheet.runs):
        for line, _, missing in sheet.to_come:
            sheet.refuse("log", missing.found, missing.allowed, line=line)
    elif sheet.to_come:
        lines: dict[str, list[str]] = {}
        for line, log, _ in sheet.to_come:
            lines.setdefault(log, []).append(str(line))
        named = "; ".join(f"{NAME}:{', '.join(at)} (log) {shown(log)}" for log, at in lines.items())
        sheet.cautions.append(f"runs whose log does not exist count as {NOT_MADE!r}: {named}")


def separator(text: str) -> str:
    """Tell what stands between the cells: the names in the header are known and hold none of these.

    Parameters
    ----------
    text : str
        A run sheet.

    Returns
    -------
    str
        ``,`` or, where the first line with text has several of them and no comma, ``;`` or a tab.
    """
    lines = (line for line in text.lstrip("\ufeff").splitlines() if line.strip(" \t,;"))
    first = next(lines, "")
    return next((c for c in ";\t" if first.count(c) >= 3 and "," not in first), ",")


def _read_lines(text: str, sheet: _Sheet) -> None:
    commas = [0]
    sheet.separator = separator(text)
    lines = _bounded(io.StringIO(text, newline=""), commas, sheet.separator)
    reader = csv.reader(lines, delimiter=sheet.separator, strict=True)
    header: list[str] | None = None
    begun = 1
    try:
        for raw_cells in reader:
            sheet.line, begun = begun, reader.line_num + 1
            commas[0] = 0
            if sheet.line > MAX_LINES:
                sheet.refuse("", f"more than {MAX_LINES} lines", f"at most {MAX_LINES} lines")
                return
            cells = [cell.strip() for cell in raw_cells]
            if header is not None:
                _line(cells, header, sheet)
            elif any(cells) and (header := _header(cells, sheet)) is None:
                return
            if len(sheet.problems) > 10 * MAX_PROBLEMS:
                return
    except csv.Error as error:
        sheet.refuse("", f"what CSV cannot read ({error})", "comma-separated cells, quotes in pairs", line=begun)
        return
    if header is None:
        sheet.refuse("", "no header line", "the header " + ",".join(REQUIRED), line=0)
    elif not sheet.runs and not sheet.problems:
        sheet.refuse("", "no runs", "one line per run below the header", line=0)


def _bounded(lines: Iterable[str], commas: list[int], between: str) -> Iterator[str]:
    """Pass lines on until one row has too many commas: each empty cell costs ten times the comma that makes it."""
    for line in lines:
        commas[0] += line.count(between)
        if commas[0] > MAX_COMMAS:
            raise csv.Error(f"more than {MAX_COMMAS} commas in one line")
        yield line


def _line(cells: list[str], header: list[str], sheet: _Sheet) -> None:
    while len(cells) > len(header) and not cells[-1]:
        cells.pop()
    if not any(cells):
        return
    if len(cells) != len(header):
        between = {",": "a comma", ";": "a semicolon", "\t": "a tab"}[sheet.separator]
        allowed = f"{len(header)} cells, as in the header (quote text that holds {between})"
        sheet.refuse("", f"{len(cells)} cells", allowed)
    elif any(len(cell) > MAX_CELL for cell in cells):
        sheet.refuse("", f"a cell of more than {MAX_CELL} characters", f"at most {MAX_CELL} characters")
    else:
        sheet.add(dict(zip(header, cells, strict=True)))


def _header(cells: list[str], sheet: _Sheet) -> list[str] | None:
    allowed = f"the header {','.join(REQUIRED)} (any order), optionally {', '.join(OPTIONAL + BY_HAND)}"
    while len(cells) > 1 and not cells[-1]:
        cells.pop()
    before = len(sheet.problems)
    missing = [name for name in REQUIRED if name not in cells]
    unknown = [name for name in cells if name not in REQUIRED + OPTIONAL + BY_HAND]
    twice = sorted(name for name, count in Counter(cells).items() if count > 1)
    for names, words in ((missing, "no column"), (unknown, "the unknown column"), (twice, "twice the column")):
        if names:
            sheet.refuse("", f"{words} {', '.join(shown(name) for name in names[:20])}", allowed)
    return cells if len(sheet.problems) == before else None
