"""File a campaign or a build with its report, for good.

:func:`archive` copies the inputs untouched, the report, its settings and the
installed versions into a bag (:mod:`thermlab.archives.bags`) and adds the bag to the
list of the archive (:mod:`thermlab.archives.listing`). The bag is staged under a
name that begins with a dot, forced to disk and renamed: a kill at any instant
leaves no bag or a whole one. Nothing in the archive is ever overwritten, and
the source is only read.
"""

from __future__ import annotations

import contextlib
import functools
import json
import os
import platform
import re
import shutil
import sys
import time
from dataclasses import dataclass
from datetime import UTC, datetime
from importlib.metadata import distributions
from pathlib import Path
from typing import Any

from thermlab import __version__
from thermlab.archives import listing as archive_list
from thermlab.archives.bags import is_bag, write_tags
from thermlab.archives.listing import KINDS, Kind
from thermlab.base.errors import ArchiveError, InputError, Problem, show_name
from thermlab.base.files import copy_file, fits, sha256_file, sync_folder, walk_files, write_file
from thermlab.campaign.folder import campaign_folder
from thermlab.reports.make import PAGE_FILES
from thermlab.reports.results import filed_answers, read_json, read_results

STAGED = ".new-"
STALE_S = 3600.0
"""A page or list that was staged so long ago belongs to a process that is gone."""
BESIDE = frozenset({archive_list.LIST, archive_list.INDEX, archive_list.HISTORY, archive_list.HISTORY_DATA})
# What an anonymous report calls the files of a campaign.
_ANONYMOUS = re.compile(r"file \d+")


@dataclass(frozen=True, slots=True)
class Source:
    """A campaign or build as it is about to be filed.

    Attributes
    ----------
    folder : Path
        Where it lies.
    kind : Kind
        Which of the two it is.
    inputs : tuple of str
        Paths of the input files, relative to the folder.
    left_out : tuple of str
        Names in the folder that are neither input nor output.
    results : dict
        Its ``results.json``.
    sums : dict of str to str
        SHA-256 of the inputs that the report was made from.
    results_sha256 : str
        SHA-256 of its ``results.json``.
    """

    folder: Path
    kind: Kind
    inputs: tuple[str, ...]
    left_out: tuple[str, ...]
    results: dict[str, Any]
    sums: dict[str, str]
    results_sha256: str

    def about(self, key: str) -> str:
        """Return a text of the results' head, such as the title; empty where there is none."""
        return _tidy(self.results[self.kind.name].get(key))

    def made(self, key: str) -> str:
        """Return when, or by which version, the report was made."""
        return _tidy(self.results.get(key))


def _tidy(value: object) -> str:
    """Return text that any file and page can hold; empty for None."""
    return "" if value is None else str(value).encode("utf-8", "replace").decode("utf-8")


def inspect(source: Path) -> Source:
    """Look at a campaign or build that is to be filed; nothing in it is touched.

    Raises
    ------
    InputError
        It is neither, its report is missing, unfinished or older than its
        inputs, or it holds links or devices.
    """
    found = [kind for kind in KINDS.values() if (source / kind.settings).is_file()]
    if len(found) != 1:
        names = " and ".join(kind.settings for kind in KINDS.values())
        text = f"{names} together" if found else f"neither {names.replace(' and ', ' nor ')}"
        raise InputError([Problem(str(source), text, "the folder of a campaign or of a build")])
    kind = found[0]
    hidden = {entry.name for entry in source.iterdir() if entry.name.startswith(".")}
    inputs, problems = walk_files(source, skip_top={kind.output, *hidden})
    remedy = f"a finished report of the present inputs: run `{kind.command} {source}` first"
    output = source / kind.output
    absent = [name for name in kind.files if not (output / name).is_file() or (output / name).is_symlink()]
    if absent:
        raise InputError([*problems, Problem(f"{kind.output}/", f"no {', '.join(absent)}", remedy)])
    status = read_json(output / "status.json")
    state = status.get("state") if isinstance(status, dict) else None
    if state != "ok":
        problems.append(Problem(f"{kind.output}/status.json", f"state {state!r}", remedy))
    results = read_results(kind.results(source))
    filed = results.get(kind.name, {}).get("sha256")
    sums: dict[str, str] = filed if isinstance(filed, dict) else {}
    if not sums or any(map(_ANONYMOUS.fullmatch, sums)):
        found_sums = "an anonymous report" if sums else "no sums of the inputs"
        raise InputError([*problems, Problem(f"{kind.output}/results.json", found_sums, remedy)])
    for name, digest in sums.items():
        if name not in inputs:
            problems.append(Problem(show_name(name), "missing since the report was made", remedy))
        elif sha256_file(source / name)[0] != digest:
            problems.append(Problem(show_name(name), "changed since the report was made", remedy))
    if problems:
        raise InputError(problems)
    silent = {".thermlab", f".{kind.output}.lock"}  # the first: reduced runs that earlier versions kept
    left_out, digest = tuple(sorted(hidden - silent)), sha256_file(kind.results(source))[0]
    return Source(source, kind, tuple(inputs), left_out, results, sums, digest)


@dataclass(frozen=True, slots=True)
class Filed:
    """A bag that was added to an archive.

    Attributes
    ----------
    bag : Path
        The bag.
    n_files, n_bytes : int
        What lies under its ``data/``; size in bytes.
    last_sha256 : str
        Last hash of the list: keep it elsewhere, and later removal shows.
    left_out : tuple of str
        Names in the source that were not filed.
    mended : str or None
        A bag whose filing had been cut short before and that is listed now.
    """

    bag: Path
    n_files: int
    n_bytes: int
    last_sha256: str
    left_out: tuple[str, ...] = ()
    mended: str | None = None

    def summary(self) -> str:
        """Return what was filed, where, and the hash to keep."""
        lines = [f"filed {self.n_files} files ({self.n_bytes} bytes) as {self.bag}"]
        if self.left_out:
            lines.append("not filed: " + ", ".join(map(show_name, self.left_out)))
        if self.mended:
            lines.append(f"the list now also has {self.mended}, whose filing was cut short earlier")
        lines.append(f"last hash of the list, to keep elsewhere: {self.last_sha256}")
        return "\n".join(lines)

    __str__ = summary


def archive(source: str | Path, *, to: str | Path) -> Filed:
    """File a campaign or a build and its report as a bag of BagIt 1.0.

    Parameters
    ----------
    source : str or Path
        Folder with ``campaign.yaml`` and ``report/``, or with ``build.yaml``
        and ``record/``. It is only read.
    to : str or Path
        The archive; made if it is missing.

    Returns
    -------
    Filed
        Where it lies now.

    Raises
    ------
    InputError
        The source is no campaign or build, its report is missing, unfinished or
        older than its inputs, it holds links or devices, or it is filed already.
    ArchiveError
        The disk is full, the archive is not writable ...; nothing was filed.

    References
    ----------
    RFC 8493, The BagIt File Packaging Format (V1.0).
    """
    folder, target = campaign_folder(source).resolve(), Path(to).resolve()
    if target.is_relative_to(folder) or folder.is_relative_to(target):
        raise InputError([Problem(str(to), "an archive inside the source, or around it", "a folder elsewhere")])
    try:
        found = inspect(folder)
        _check_archive(target)
        target.mkdir(parents=True, exist_ok=True)
        with archive_list.archive_lock(target):
            mended = _clear(target)
            return _file(found, target, mended)
    except OSError as error:
        raise ArchiveError(f"nothing was filed in {to}: {error}") from error


def _check_archive(target: Path) -> None:
    if not target.exists():
        return
    if not target.is_dir():
        raise InputError([Problem(str(target), "a file", "an archive, or a folder that is new or empty")])
    names = [entry.name for entry in target.iterdir() if not entry.name.startswith(".")]
    strange = [name for name in names if name not in BESIDE and not is_bag(target / name)]
    if strange and archive_list.LIST not in names:
        found = f"a folder that holds {', '.join(show_name(name) for name in sorted(strange)[:5])}"
        raise InputError([Problem(str(target), found, "an archive, or a folder that is new or empty")])


def _clear(target: Path) -> str | None:
    """Remove what a killed process staged and finish what it had all but filed."""
    for entry in target.iterdir():
        # What another user of a shared archive staged may be his alone to remove: it is left, and verify tells of it.
        with contextlib.suppress(PermissionError):
            if entry.name.startswith(STAGED):
                _remove(entry)
            elif re.fullmatch(r"\..+\.new-\d+", entry.name) and time.time() - entry.lstat().st_mtime > STALE_S:
                entry.unlink(missing_ok=True)
    return archive_list.mend(target)


def _file(source: Source, target: Path, mended: str | None) -> Filed:
    entries, hashes, problems = archive_list.read_lines(target)
    problems += archive_list.check_chain(entries, hashes)
    if problems:
        raise ArchiveError(f"the list of {target} is damaged and has to be put right first: {'; '.join(problems)}")
    twin = next((entry.bag for entry in entries if entry.results_sha256 == source.results_sha256), None)
    if twin is not None:
        found = f"a report that is filed already as {twin}"
        raise InputError([Problem(str(source.folder), found, "a report that is not yet in this archive")])
    bag = target / _free_name(target, source.folder.name, source.made("created"))
    staged = target / f"{STAGED}{bag.name}-{os.getpid()}"
    try:
        staged.mkdir()
        digests = _copy(source, staged)
        whole = write_tags(staged, digests, _info(source, bag.name))
        entry = archive_list.Entry(
            bag=bag.name,
            kind=source.kind.name,
            title=source.about("title"),
            bench=source.about("bench"),
            created=source.made("created"),
            measured=_tidy(archive_list.measured_from(source.results, source.kind)),
            filed=_now(),
            thermlab_version=source.made("thermlab_version"),
            answers=tuple(_tidy(text) for text in filed_answers(source.results)),
            results_sha256=source.results_sha256,
            tagmanifest_sha256=whole,
            previous=hashes[-1] if hashes else archive_list.NO_LINE,
        )
        archive_list.announce(target, entry)
        staged.rename(bag)
        sync_folder(target)
        last = archive_list.append(target, entry)
        archive_list.withdraw(target)
        archive_list.write_index(target)
        n_bytes = sum((bag / name).stat().st_size for name in digests)
    except BaseException as error:
        # The disk may fail after the list was put in place: then the bag is filed, and that is what is said.
        if _undo(target, staged, bag) or not isinstance(error, (OSError, MemoryError)):
            raise
        why = str(error) or "out of memory"
        raise ArchiveError(f"filed as {bag}, but the index page is perhaps not up to date: {why}") from error
    return Filed(bag, len(digests), n_bytes, last, source.left_out, mended)


def _undo(target: Path, staged: Path, bag: Path) -> bool:
    """Take back a filing that failed, unless it is listed already; what is left over, the next filing clears.

    Returns
    -------
    bool
        Whether nothing was filed.
    """
    if bag.name in {entry.bag for entry in archive_list.read_lines(target)[0]}:
        return False
    with contextlib.suppress(OSError):
        if bag.is_dir():
            bag.rename(staged)
        with contextlib.suppress(OSError):
            _remove(staged)
        archive_list.withdraw(target)
    return True


def _remove(staged: Path) -> None:
    if sys.platform == "win32":
        for place in staged.rglob("*"):
            place.chmod(0o666)  # what is read-only cannot be removed there
    shutil.rmtree(staged)


def _free_name(target: Path, folder: str, created: str) -> str:
    """Return a name that any file system takes and that nothing in the archive has."""
    day = created[:10] if re.match(r"\d{4}-\d\d-\d\d", created) else _now()[:10]
    stem = re.sub(r"[^\w.-]+", "-", folder).strip("-. ")[:80] or "unnamed"
    taken = {entry.name.casefold() for entry in target.iterdir()}
    names = (f"{stem}-{day}" + (f"-{number}" if number > 1 else "") for number in range(1, len(taken) + 2))
    return next(name for name in names if name.casefold() not in taken)


def _copy(source: Source, staged: Path) -> dict[str, str]:
    kind, data = source.kind, staged / "data"
    output = source.folder / kind.output
    inode = output.stat().st_ino
    places = {f"{kind.name}/{name}": source.folder / name for name in source.inputs}
    told = [name for name in walk_files(output)[0] if fits(name, (*kind.files, *PAGE_FILES))]
    places |= {f"{kind.output}/{name}": output / name for name in told}
    digests = {f"data/{name}": copy_file(place, data / name) for name, place in places.items()}
    expected = {f"data/{kind.name}/{name}": digest for name, digest in source.sums.items()}
    expected[f"data/{kind.output}/results.json"] = source.results_sha256
    for name, digest in expected.items():
        if digests[name] != digest:
            raise ArchiveError(f"{show_name(name)} changed while it was being filed; nothing was filed")
    # A report is put in place as a whole folder, so the same folder before and after means one report.
    if output.stat().st_ino != inode:
        raise ArchiveError(f"{kind.output}/ was replaced while it was being filed; nothing was filed")
    for name, content in (("settings.json", source.results.get("settings", {})), ("environment.json", _environment())):
        text = json.dumps(content, ensure_ascii=False, indent=1, sort_keys=True) + "\n"
        digests[f"data/{name}"] = write_file(data / name, text.encode("utf-8", "replace"), read_only=True)
    return digests


@functools.cache
def _environment() -> dict[str, Any]:
    """Return the installed versions: interpreter, system, and every package by name."""
    packages = {str(found.metadata["Name"]).lower(): str(found.version) for found in distributions()}
    system = {"python": platform.python_version(), "system": platform.platform()}
    return system | {"packages": dict(sorted(packages.items()))}


def _info(source: Source, bag: str) -> list[tuple[str, str]]:
    return [
        ("Bagging-Date", _now()[:10]),
        ("Bag-Software-Agent", f"thermlab {__version__}"),
        ("External-Identifier", bag),
        ("External-Description", source.about("title")),
        ("Thermlab-Kind", source.kind.name),
        ("Thermlab-Report-Created", source.made("created")),
    ]


def _now() -> str:
    return datetime.now(UTC).strftime("%Y-%m-%dT%H:%M:%SZ")
