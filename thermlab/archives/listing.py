"""The list of what an archive holds: one line per bag, each bound to the line before.

``bags.jsonl`` has one JSON object per bag with the SHA-256 of the bag's tag
manifest, which stands for every byte of the bag, and with the SHA-256 of the
previous line, which stands for every line before. Whoever removes, replaces or
reorders a bag or a line breaks the chain, and :func:`check_chain` says where.

What this proves: nobody changed the archive without also rewriting the list
from that point to its end. It cannot prove that nobody did rewrite it: whoever
may write the whole archive may write a new chain. The last hash of the list,
kept somewhere else (on paper, in a mail), closes that gap.

``index.html`` shows the same, every bag with its answer, to be opened from disk. It comes from the list alone, so that
it costs no more than a line per bag. It works without script, as a plain table; one small script, allowed by its hash
in the content security policy of the page, adds a search field and sorting. Everything that came from a campaign is
escaped. The page is a convenience and no evidence: the list and the bags are.
"""

from __future__ import annotations

import contextlib
import hashlib
import json
from collections import Counter
from dataclasses import dataclass
from html import escape
from importlib.resources import files
from string import Template
from typing import TYPE_CHECKING, Annotated, Any
from urllib.parse import quote

from pydantic import AfterValidator, BaseModel

from thermlab.archives.bags import TAG_MANIFEST
from thermlab.base.errors import ArchiveError
from thermlab.base.files import held, read_regular, replace_file, sha256_file, sync_folder
from thermlab.base.numbers import counted
from thermlab.campaign.folder import SETTINGS_NAME
from thermlab.reports.make import ReportJob
from thermlab.reports.render import plain_page

if TYPE_CHECKING:
    from collections.abc import Sequence
    from contextlib import AbstractContextManager
    from pathlib import Path

LIST = "bags.jsonl"
INDEX = "index.html"
HISTORY = "history.html"
HISTORY_DATA = "history.json"
PENDING = ".pending.json"
LOCK = ".lock"
NO_LINE = "0" * 64
LOCK_WAIT_S = 120.0
MAX_BYTES = 256 << 20
_HEADINGS = ("Title", "Answer", "What", "Bench", "Measured", "Report made", "Filed", "Folder")


@dataclass(frozen=True, slots=True)
class Kind:
    """What can be filed: the file that marks it, its finished output, the command that makes it."""

    name: str
    settings: str
    output: str
    files: tuple[str, ...]
    command: str

    @property
    def page(self) -> str:
        """Name of the page."""
        return f"{self.output}.html"

    def results(self, folder: Path) -> Path:
        """Return where a campaign or build has its results; a bag has them below its ``data``."""
        return folder / self.output / "results.json"


CAMPAIGN = Kind(ReportJob.kind, SETTINGS_NAME, ReportJob.output, ReportJob.files, "thermlab report")
_RECORD_FILES = ("record.html", "record.ipynb", "results.json", "status.json")
BUILD = Kind("build", "build.yaml", "record", _RECORD_FILES, "thermlab record")
KINDS = {kind.name: kind for kind in (CAMPAIGN, BUILD)}


def _folder_name(name: str) -> str:
    if name in {"", ".", ".."} or not {"/", "\\", "\0"}.isdisjoint(name):
        raise ValueError("not the name of a folder")
    return name


class Entry(BaseModel, frozen=True, strict=True):
    """One line of the list; keys that a later version adds are covered by its hash and otherwise left alone.

    Attributes
    ----------
    bag : str
        Name of the bag's folder.
    kind : str
        ``"campaign"`` or ``"build"``.
    title, bench : str
        As in the filed settings.
    created, filed : str
        When the report was made and when it was filed, ISO 8601 in UTC.
    measured : str
        When the first run began, ISO 8601 as logged; empty where no log has dates, and in lines of earlier versions.
    thermlab_version : str
        Version that made the report.
    answers : tuple of str
        What came out, one sentence each: what the index page shows.
    results_sha256 : str
        SHA-256 of the filed ``results.json``.
    tagmanifest_sha256 : str
        SHA-256 of the bag's tag manifest.
    previous : str
        SHA-256 of the line before; 64 zeros on the first line.
    """

    bag: Annotated[str, AfterValidator(_folder_name)]
    kind: str
    title: str
    bench: str
    created: str
    filed: str
    thermlab_version: str
    answers: tuple[str, ...]
    results_sha256: str
    tagmanifest_sha256: str
    previous: str
    measured: str = ""

    @property
    def day(self) -> str:
        """When it was measured, or else reported: what the archive is ordered by."""
        return self.measured or self.created

    def line(self) -> str:
        """Return the line of the list, without its line break."""
        return json.dumps(self.model_dump(), ensure_ascii=False, sort_keys=True)


def measured_from(results: dict[str, Any], kind: Kind) -> str:
    """Return when the first run of a campaign or build began, ISO 8601 as logged; empty where no log has dates."""
    said = results[kind.name].get("measured") or {}
    starts = [str(run.get("start") or "") for run in results.get("runs") or ()]
    return str(said.get("from") or min((start for start in starts if "T" in start), default=""))


def archive_lock(archive: Path) -> AbstractContextManager[None]:
    """Return what holds the archive for this process; the system lets go when the process ends, however it ends.

    Entering raises :class:`~thermlab.base.errors.ArchiveError` where another process kept it for longer than two
    minutes.
    """
    busy = ArchiveError(f"{archive}: another process has been filing here for {LOCK_WAIT_S:g} s")
    return held(archive / LOCK, busy=busy, wait_s=LOCK_WAIT_S)


def read_lines(archive: Path) -> tuple[list[Entry], list[str], list[str]]:
    """Read the list.

    Returns
    -------
    entries : list of Entry
        The lines that can be read, in order.
    hashes : list of str
        SHA-256 of each of these lines as it stands in the file.
    problems : list of str
        Lines that cannot be read, with their number.
    """
    try:
        content = read_regular(archive / LIST, MAX_BYTES)
    except FileNotFoundError:
        return [], [], []
    except OSError as error:
        return [], [], [f"{LIST} cannot be read: {error.strerror or error}"]
    entries, hashes, problems = [], [], []
    for number, line in enumerate(content.split(b"\n")[:-1], start=1):
        try:
            entry = Entry.model_validate_json(line)
        except ValueError:
            problems.append(f"{LIST}:{number}: not a line of the list of bags")
        else:
            entries.append(entry)
            hashes.append(hashlib.sha256(line).hexdigest())
    if not content.endswith(b"\n"):
        problems.append(f"{LIST}: the last line is cut off")
    return entries, hashes, problems


def check_chain(entries: Sequence[Entry], hashes: Sequence[str], *, last: str | None = None) -> list[str]:
    """Return what breaks the chain of the list, as sentences.

    Parameters
    ----------
    entries, hashes : sequences
        From :func:`read_lines`.
    last : str or None
        A hash of a line that was kept elsewhere; it has to be in the list still.
    """
    problems = []
    for number, (entry, previous) in enumerate(zip(entries, [NO_LINE, *hashes], strict=False), start=1):
        if entry.previous != previous:
            which = f"the line of {entry.bag!r} (readable line {number})"
            problems.append(f"{LIST}: {which} does not follow the one before")
    counts = Counter(entry.bag for entry in entries)
    problems += [f"{LIST}: {bag!r} is listed twice" for bag, count in counts.items() if count > 1]
    if last is not None and last not in hashes:
        problems.append(f"{LIST}: no line has the hash {last[:12]}... kept elsewhere: lines were removed or rewritten")
    return problems


def append(archive: Path, entry: Entry) -> str:
    """Add a line to the list at once; call only while the archive is held.

    Returns
    -------
    str
        SHA-256 of the line: the new last hash of the list.

    Raises
    ------
    ArchiveError
        The list was damaged before.
    OSError
        The list stands as it was.
    """
    path = archive / LIST
    content = read_regular(path, MAX_BYTES) if path.exists() else b""
    if content and not content.endswith(b"\n"):
        raise ArchiveError(f"{path}: the last line is cut off; put the list back from a copy before filing more")
    line = entry.line().encode()
    replace_file(path, content + line + b"\n")
    return hashlib.sha256(line).hexdigest()


def announce(archive: Path, entry: Entry) -> None:
    """Note the line that is about to be added, so that a kill before it is added can be mended."""
    replace_file(archive / PENDING, entry.line().encode() + b"\n")


def mend(archive: Path) -> str | None:
    """Finish or drop what a killed process had announced; call only while the archive is held.

    Returns
    -------
    str or None
        Name of the bag whose line was added now: it lies in the archive as it was announced.
    """
    entry, added = pending(archive), None
    if entry is not None and (tags := archive / entry.bag / TAG_MANIFEST).is_file():
        entries, hashes, _ = read_lines(archive)
        follows = entry.previous == [NO_LINE, *hashes][-1] and entry.bag not in {one.bag for one in entries}
        if follows and sha256_file(tags)[0] == entry.tagmanifest_sha256:
            append(archive, entry)
            added = entry.bag
    withdraw(archive)
    return added


def pending(archive: Path) -> Entry | None:
    """Return the announced line, None where there is none or it cannot be read."""
    try:
        return Entry.model_validate_json(read_regular(archive / PENDING, MAX_BYTES))
    except (OSError, ValueError):
        return None


def withdraw(archive: Path) -> None:
    """Remove the announcement."""
    with contextlib.suppress(FileNotFoundError):
        (archive / PENDING).unlink()
        sync_folder(archive)


def write_index(archive: Path) -> Path:
    """Write the index page of an archive anew, at once.

    Parameters
    ----------
    archive : Path
        The archive; its list is read.

    Returns
    -------
    Path
        The page.
    """
    entries, hashes, _ = read_lines(archive)
    page = render_index(entries, last=hashes[-1] if hashes else None, history=(archive / HISTORY).is_file())
    replace_file(archive / INDEX, page.encode("utf-8", "replace"))
    return archive / INDEX


def render_index(entries: Sequence[Entry], *, last: str | None, history: bool = False) -> str:
    """Return the index page.

    Parameters
    ----------
    entries : sequence of Entry
        Lines of the list; the page shows what was measured last first, what has no date as reported.
    last : str or None
        Last hash of the list.
    history : bool
        Whether to link to the page of the history.

    Returns
    -------
    str
        The whole page.
    """
    parts = (files("thermlab.archives") / f"index.{kind}" for kind in ("html", "js", "css"))
    page, script, style = (part.read_text(encoding="utf-8") for part in parts)
    builds = sum(entry.kind == "build" for entry in entries)
    body = Template(page).substitute(
        summary=f"{counted(len(entries) - builds, 'campaign')} and {counted(builds, 'build')}, last measured first.",
        link=f'<p><a href="{HISTORY}">History of the benches</a></p>' if history else "",
        head="".join(f'<th scope="col">{heading}</th>' for heading in _HEADINGS),
        rows="\n".join(map(_row, sorted(entries, key=lambda entry: entry.day)[::-1])),
        list=LIST,
        kept=f"<p>Last hash of the list: <code>{escape(last)}</code></p>" if last else "",
    )
    return plain_page(body, title="Archive of campaigns and builds", kind="archive", style=style, script=script)


def _row(entry: Entry) -> str:
    kind = KINDS.get(entry.kind)
    title = _plain(entry.title) or _plain(entry.bag)
    shown = f'<a href="{quote(entry.bag)}/data/{kind.output}/{kind.page}">{title}</a>' if kind else title
    found = "".join(f"<li>{_plain(text)}</li>" for text in entry.answers)
    cells = [
        f'<th scope="row">{shown}</th>',
        f'<td class="wide"><ul>{found}</ul></td>',
        f"<td>{_plain(entry.kind)}</td>",
        f"<td>{_plain(entry.bench)}</td>",
        *(f'<td class="date">{_plain(day[:10])}</td>' for day in (entry.measured, entry.created, entry.filed)),
        f'<td><a href="{quote(entry.bag)}/">{_plain(entry.bag)}</a></td>',
    ]
    return f"<tr>{''.join(cells)}</tr>"


def _plain(text: str) -> str:
    """Return text as HTML: escaped, without control or direction-changing characters."""
    return escape("".join(c if c.isprintable() else "\N{REPLACEMENT CHARACTER}" for c in text))
