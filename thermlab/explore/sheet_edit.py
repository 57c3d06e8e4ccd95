"""Write one exclusion into the run sheet, or lift it, and leave every other byte of the file alone.

The sheet belongs to its author: order of columns and lines, quotes, line ends,
byte order mark and notes stay as they are. The changed sheet is checked as a
campaign before it takes the old one's place, and the old one is kept beside it.
"""

import contextlib
import csv
import hashlib
import io
import re
import unicodedata
from collections.abc import Sequence
from dataclasses import dataclass, replace
from pathlib import Path

from thermlab.base.errors import InputError, Problem, commands_terminal, shown
from thermlab.base.files import PathRefusedError, inside, locked, read_plain, replace_file, write_file
from thermlab.campaign.folder import Campaign, load_campaign
from thermlab.campaign.runsheet import MAX_SHEET_BYTES, NAME, NOT_MADE, REQUIRED, RunLine, read_run_sheet, separator
from thermlab.reports.pages import paragraph, table, view

MAX_REASON = 1000
_BOM = b"\xef\xbb\xbf"


@dataclass(frozen=True, slots=True, kw_only=True)
class SheetEdit:
    """What was changed in the run sheet, or would be.

    Attributes
    ----------
    run : str
        Which run.
    line : int
        Its line of the run sheet.
    before, after : str
        The cell ``exclude`` as it was and as it is then; blank: the run is used.
    written : bool
        Whether the file was replaced.
    backup : Path or None
        Copy of the sheet as it was; None where nothing was written.
    note : str
        Why nothing was written; empty where it was.
    """

    run: str
    line: int
    before: str
    after: str
    written: bool = False
    backup: Path | None = None
    note: str = "Nothing written."

    def __str__(self) -> str:
        done = self.note if self.backup is None else f"written; the sheet as it was is kept as {self.backup.name}"
        return f"{NAME}:{self.line} run {self.run}: exclude {self.before!r} -> {self.after!r} ({done})"

    def _repr_html_(self) -> str:
        rows = [(self.run, self.line, self.before or "(used)", self.after or "(used)")]
        headings = ("run", f"line of {NAME}", "exclude, before", "exclude, then")
        words = "Written." if self.written else self.note
        kept = f" The sheet as it was is kept as {self.backup.name}." if self.backup is not None else ""
        return view(table("Run sheet", headings, rows, numeric=(1,)), paragraph(words + kept)).html


def exclude_run(campaign: Campaign | str | Path, run: str, reason: str, *, write: bool = True) -> SheetEdit:
    """Write why a run is left out into the run sheet.

    Parameters
    ----------
    campaign : Campaign, str or Path
        The campaign as it was read, which guards against a sheet that was changed since; or its folder.
    run : str
        Name of the run.
    reason : str
        Why it is left out, on one line.
    write : bool
        False shows what would be written.

    Returns
    -------
    SheetEdit

    Raises
    ------
    InputError
        Unknown run, no reason or one with control characters, a sheet that was changed meanwhile or has problems.
        Nothing was written then.
    """
    reason = reason.strip()
    problems = _bad_reason(reason, needed=write)
    if problems:
        raise InputError(problems)
    edit = _edit(campaign, run, reason or None, write=write)
    return edit if reason else replace(edit, note="Nothing written: an exclusion needs a reason.")


def lift_exclusion(campaign: Campaign | str | Path, run: str, *, write: bool = True) -> SheetEdit:
    """Blank the reason, so that the run is used again.

    Parameters
    ----------
    campaign : Campaign, str or Path
        As for :func:`exclude_run`.
    run : str
        Name of the run.
    write : bool
        False shows what would be written.

    Returns
    -------
    SheetEdit

    Raises
    ------
    InputError
        As for :func:`exclude_run`, and where the sheet would not be valid with the run in use.
    """
    return _edit(campaign, run, "", write=write)


def _bad_reason(reason: str, *, needed: bool) -> list[Problem]:
    if not reason:
        return [Problem("reason", "nothing", "why the run is left out, in words")] if needed else []
    if len(reason) > MAX_REASON:
        return [Problem("reason", f"{len(reason)} characters", f"at most {MAX_REASON} characters")]
    # Cs, Zl, Zp: halves of characters, line and paragraph separators.
    if commands_terminal(reason) or any(unicodedata.category(c) in ("Cs", "Zl", "Zp") for c in reason):
        return [Problem("reason", shown(reason), "one line of text without control characters")]
    return []


def _edit(campaign: Campaign | str | Path, run: str, reason: str | None, *, write: bool) -> SheetEdit:
    known = campaign if isinstance(campaign, Campaign) else load_campaign(campaign)
    sheet = _Sheet(known, run)
    line = next(entry for entry in known.runs if entry.run == run)
    if reason is None:
        reason = sheet.reason
    edit = SheetEdit(run=run, line=line.line, before=line.exclude, after=reason)
    if reason == sheet.reason:
        # Also where the campaign was read before the same edit: the cell may be run again.
        return replace(edit, before=reason, note="Nothing to write: the sheet says so already.")
    sheet.refuse_if_changed(known)
    new = sheet.with_reason(reason)
    _refuse_invalid(new, known, run, reason)
    if not write:
        return replace(edit, note="This would be written; nothing has been.")
    with locked(sheet.path):
        if read_plain(sheet.path, MAX_SHEET_BYTES) != sheet.raw:
            raise InputError([_changed()])
        backup = _keep(sheet.path, sheet.raw)
        try:
            replace_file(sheet.path, new)
        except BaseException:
            backup.unlink()
            raise
    return replace(edit, written=True, backup=backup, note="")


def _changed() -> Problem:
    return Problem(NAME, "a sheet that was changed since the campaign was read", "the sheet as read; read it again")


class _Sheet:
    """The bytes of a run sheet, and where one run's reason stands in them."""

    def __init__(self, campaign: Campaign, run: str) -> None:
        try:
            self.path = inside(campaign.folder, NAME)
            self.raw = read_plain(self.path, MAX_SHEET_BYTES)
        except PathRefusedError as refused:
            raise InputError([Problem(NAME, refused.found, refused.allowed)]) from None
        names = [entry.run for entry in campaign.runs]
        if run not in names:
            listed = ", ".join(shown(name) for name in names[:10]) + (", ..." if len(names) > 10 else "")
            raise InputError([Problem("run", shown(run), f"a run of the run sheet: {listed}")])
        self.start, self.end = self._locate(run)

    def _locate(self, run: str) -> tuple[int, int]:
        """Return the byte range of the run's ``exclude`` cell."""
        begin = len(_BOM) if self.raw.startswith(_BOM) else 0
        try:
            text = self.raw[begin:].decode("utf-8")
        except UnicodeDecodeError:
            raise InputError([_changed()]) from None
        self.between = separator(text)
        rows = [row for row in cell_ranges(text, self.between) if any(text[a:b].strip() for a, b in row)]
        _refuse_misread(text, rows, self.between)
        header = [_value(text[a:b]).strip() for a, b in rows[0]]
        if not {"run", "exclude"} <= set(header):
            raise InputError([_changed()])
        at, target = header.index("run"), header.index("exclude")
        for row in rows[1:]:
            if len(row) > max(at, target) and _value(text[slice(*row[at])]).strip() == run:
                a, b = row[target]
                self.cell = text[a:b]
                return begin + len(text[:a].encode()), begin + len(text[:b].encode())
        raise InputError([_changed()])

    @property
    def reason(self) -> str:
        return _value(self.cell).strip()

    def refuse_if_changed(self, campaign: Campaign) -> None:
        if hashlib.sha256(self.raw).hexdigest() != campaign.sha256[NAME]:
            raise InputError([_changed()])

    def with_reason(self, reason: str) -> bytes:
        quoted = self.cell.startswith('"') or any(c in reason for c in f'{self.between}"')
        cell = '"' + reason.replace('"', '""') + '"' if quoted else reason
        return self.raw[: self.start] + cell.encode() + self.raw[self.end :]


def cell_ranges(text: str, between: str = ",") -> list[list[tuple[int, int]]]:
    """Find the cells of a run sheet as the csv module cuts it.

    Parameters
    ----------
    text : str
        A run sheet.
    between : str
        What stands between its cells, as from :func:`thermlab.campaign.runsheet.separator`.

    Returns
    -------
    list of list of (int, int)
        For each line the character range of each cell, its quotes included.
    """
    cell = re.compile(rf"""("(?:[^"]|"")*+"[^{between}\r\n]*|[^{between}\r\n]*)({between}|\r\n?|\n|\Z)""")
    rows: list[list[tuple[int, int]]] = [[]]
    for match in cell.finditer(text):
        rows[-1].append(match.span(1))
        if match.end() == len(text) and not match[2]:
            break
        if match[2] != between:
            rows.append([])
    found = [row if len(row) > 1 or row[0][0] < row[0][1] else [] for row in rows]  # a blank line has no cell
    return found if found[-1] else found[:-1]


def _value(cell: str) -> str:
    return cell[1:-1].replace('""', '"') if len(cell) > 1 and cell[0] == cell[-1] == '"' else cell


def _refuse_misread(text: str, rows: Sequence[Sequence[tuple[int, int]]], between: str) -> None:
    """Make sure that cells are where the csv module sees them: a wrong cell must never be written."""
    mine = [[_value(text[a:b]) for a, b in row] for row in rows]
    try:
        reader = csv.reader(io.StringIO(text, newline=""), delimiter=between, strict=True)
        theirs = [row for row in reader if any(c.strip() for c in row)]
    except csv.Error:
        theirs = []
    if [row for row in mine if any(c.strip() for c in row)] != theirs or not theirs:
        raise InputError([Problem(NAME, "lines that cannot be told apart safely", "a sheet that thermlab check reads")])


def _refuse_invalid(new: bytes, campaign: Campaign, run: str, reason: str) -> None:
    """Read the changed sheet as a campaign does: no problem, and nothing else changed."""
    settings = campaign.settings
    time = None if settings.log is None else settings.log.time
    sheet = read_run_sheet(new, campaign.folder, treatments=tuple(settings.treatments), time=time)
    if sheet.problems:
        raise InputError(sheet.problems)
    own = next(entry for entry in sheet.runs if entry.run == run)
    if own.exclude == NOT_MADE and not reason:  # read so where there is no log
        found = f"{shown(own.log)}, which does not exist"
        raise InputError([Problem(f"{NAME}:{own.line} (log)", found, "a log that exists, to use the run")])

    def expected(entry: RunLine) -> RunLine:
        return replace(entry, exclude=reason) if entry.run == run else entry

    if sheet.runs != tuple(map(expected, campaign.runs)):
        raise InputError([Problem(NAME, "a sheet in which more would change than one cell", ",".join(REQUIRED))])


def _keep(path: Path, raw: bytes) -> Path:
    """Write the sheet as it was beside it, under the next free number."""
    number = 1
    while True:
        backup = path.with_name(f"{path.name}.bak-{number}")
        with contextlib.suppress(FileExistsError):
            write_file(backup, raw)
            return backup
        number += 1
