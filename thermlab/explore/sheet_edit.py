"""Write one exclusion into the run sheet, or lift it, and leave every other byte of the file alone.

The sheet belongs to its author: order of columns and lines, quotes, line ends,
byte order mark and notes stay as they are. The changed sheet is checked as a
campaign before it takes the old one's place, and the old one is kept beside it.
"""

import codecs
import contextlib
import hashlib
import re
import unicodedata
from dataclasses import dataclass, replace
from pathlib import Path

from thermlab.base.errors import InputError, Problem, commands_terminal, shown
from thermlab.base.files import PathRefusedError, inside, locked, read_plain, replace_file, write_file
from thermlab.campaign.folder import Campaign, load_campaign
from thermlab.campaign.runsheet import MAX_SHEET_BYTES, NAME, NOT_MADE, REQUIRED, read_run_sheet, separator
from thermlab.explore.exploring import unknown_run
from thermlab.reports.pages import paragraph, table, view

MAX_REASON = 1000


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
    note : str
        Why nothing was written; empty where it was.
    backup : Path or None
        Copy of the sheet as it was; None where nothing was written.
    """

    run: str
    line: int
    before: str
    after: str
    note: str = ""
    backup: Path | None = None

    @property
    def said(self) -> str:
        """What became of it, in words."""
        return self.note if self.backup is None else f"Written. The sheet as it was is kept as {self.backup.name}."

    def __str__(self) -> str:
        return f"{NAME}:{self.line} run {self.run}: exclude {self.before!r} -> {self.after!r}. {self.said}"

    def _repr_html_(self) -> str:
        rows = [(self.run, self.line, self.before or "(used)", self.after or "(used)")]
        headings = ("run", f"line of {NAME}", "exclude, before", "exclude, then")
        return view(table("Run sheet", headings, rows, numeric=(1,)), paragraph(self.said)).html


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
    if reason:
        _refuse_unfit(reason)
    elif write:
        raise InputError([Problem("reason", "nothing", "why the run is left out, in words")])
    edit = _edit(campaign, run, reason, write=write and bool(reason))
    if reason:
        return edit
    return replace(edit, after=edit.before, note="Nothing written: an exclusion needs a reason.")


def lift_exclusion(campaign: Campaign | str | Path, run: str) -> SheetEdit:
    """Blank the reason, so that the run is used again.

    Parameters
    ----------
    campaign : Campaign, str or Path
        As for :func:`exclude_run`.
    run : str
        Name of the run.

    Returns
    -------
    SheetEdit

    Raises
    ------
    InputError
        As for :func:`exclude_run`, and where the sheet would not be valid with the run in use.
    """
    return _edit(campaign, run, "", write=True)


def _refuse_unfit(reason: str) -> None:
    if len(reason) > MAX_REASON:
        raise InputError([Problem("reason", f"{len(reason)} characters", f"at most {MAX_REASON} characters")])
    # Cs, Zl, Zp: halves of characters, line and paragraph separators.
    if commands_terminal(reason) or any(unicodedata.category(c) in ("Cs", "Zl", "Zp") for c in reason):
        raise InputError([Problem("reason", shown(reason), "one line of text without control characters")])


def _edit(campaign: Campaign | str | Path, run: str, reason: str, *, write: bool) -> SheetEdit:
    known = campaign if isinstance(campaign, Campaign) else load_campaign(campaign)
    line = next((entry.line for entry in known.runs if entry.run == run), None)
    if line is None:
        raise InputError([unknown_run("run", run, [entry.run for entry in known.runs])])
    try:
        path = inside(known.folder, NAME)
        raw = read_plain(path, MAX_SHEET_BYTES)
        text = raw.decode("utf-8-sig")
    except PathRefusedError as refused:
        raise InputError([Problem(NAME, refused.found, refused.allowed)]) from None
    except UnicodeDecodeError:
        raise _changed() from None
    between = separator(text)
    begin, end = _exclude_cell(text, between, run)
    edit = SheetEdit(run=run, line=line, before=_value(text[begin:end]).strip(), after=reason)
    if reason == edit.before:  # also where the campaign was read before the same edit: the cell may be run again
        return replace(edit, note="Nothing to write: the sheet says so already.")
    if hashlib.sha256(raw).hexdigest() != known.sha256[NAME]:
        raise _changed()
    quoted = text[begin:end].startswith('"') or any(c in reason for c in f'{between}"')
    cell = '"' + reason.replace('"', '""') + '"' if quoted else reason
    mark = codecs.BOM_UTF8 if raw.startswith(codecs.BOM_UTF8) else b""
    new = mark + f"{text[:begin]}{cell}{text[end:]}".encode()
    if reason or write:
        _refuse_invalid(new, known, run, reason)
    if not write:
        return replace(edit, note="This would be written; nothing has been.")
    with locked(path):
        if read_plain(path, MAX_SHEET_BYTES) != raw:
            raise _changed()
        backup = _keep(path, raw)
        try:
            replace_file(path, new)
        except BaseException:
            backup.unlink()
            raise
    return replace(edit, backup=backup)


def _changed() -> InputError:
    found = "a sheet that was changed since the campaign was read"
    return InputError([Problem(NAME, found, "the sheet as read; read it again")])


def _exclude_cell(text: str, between: str, run: str) -> tuple[int, int]:
    """Return where the ``exclude`` cell of a run stands in the text of a run sheet."""
    rows = [row for row in cell_ranges(text, between) if any(text[a:b].strip() for a, b in row)]
    names = [[_value(text[a:b]).strip() for a, b in row] for row in rows]
    try:
        at, target = names[0].index("run"), names[0].index("exclude")
        return next(row[target] for row, cells in zip(rows, names, strict=True) if cells[at : at + 1] == [run])
    except (IndexError, ValueError, StopIteration):
        raise _changed() from None


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
    if sheet.runs != tuple(replace(each, exclude=reason) if each.run == run else each for each in campaign.runs):
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
