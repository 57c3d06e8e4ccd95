"""One bag: the layout of BagIt 1.0 (RFC 8493), written and checked.

A bag is a folder with the files under ``data/``, a list of their SHA-256 sums
and a list of the sums of its own lists. :func:`write_tags` turns a folder whose
payload was copied with :func:`~thermlab.base.files.copy_file` into a bag; :func:`check_bag` reads
every byte again and names each file that changed, is missing or was added.
``sha256sum -c manifest-sha256.txt`` does the same without thermlab, except for
names with a percent sign or a line break, which RFC 8493 2.1.3 encodes.

Assumes a file system that keeps names as bytes and knows symbolic links; links
are never followed. Only the standard library is used.
"""

from __future__ import annotations

import os
import re
import unicodedata
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING

from thermlab.base.errors import ArchiveError, InputError, Problem, show_name
from thermlab.base.files import read_regular, sha256_file, sync_folder, walk_files, write_file

if TYPE_CHECKING:
    from collections.abc import Iterable, Iterator, Mapping

DECLARATION = b"BagIt-Version: 1.0\nTag-File-Character-Encoding: UTF-8\n"
MANIFEST = "manifest-sha256.txt"
TAG_MANIFEST = "tagmanifest-sha256.txt"
MAX_LIST_BYTES = 256 << 20
# Longer than any system takes; comparing accents of a longer one may take hours.
MAX_PATH = 4096
# A bag of the earlier drafts differs in nothing that is read here.
_READABLE_VERSIONS = ("1.0", "0.97")
_LINE = re.compile(r"([0-9a-fA-F]{64})[ \t]+\*?(.+)", re.DOTALL)
_ENCODED = {"%25": "%", "%0A": "\n", "%0D": "\r"}


@dataclass(frozen=True, slots=True, kw_only=True)
class BagCheck:
    """What reading every byte of a bag found.

    Attributes
    ----------
    bag : str
        Name of the bag's folder.
    changed, missing, added : tuple of str
        Paths inside the bag: with other bytes than listed, listed but not
        there, there but not listed.
    problems : tuple of str
        What else is wrong with the bag, as sentences.
    n_files, n_bytes : int
        Files read and their size in bytes.
    tagmanifest_sha256 : str or None
        SHA-256 of the list of lists: one number that stands for the whole bag.
    """

    bag: str
    changed: tuple[str, ...] = ()
    missing: tuple[str, ...] = ()
    added: tuple[str, ...] = ()
    problems: tuple[str, ...] = ()
    n_files: int = 0
    n_bytes: int = 0
    tagmanifest_sha256: str | None = None

    @property
    def ok(self) -> bool:
        """Whether the bag is whole and unchanged."""
        return not (self.changed or self.missing or self.added or self.problems)

    def summary(self) -> str:
        """Return one line per finding, or one line that says that all is well."""
        bag = show_name(self.bag)
        if self.ok:
            return f"{bag}: {self.n_files} files, {self.n_bytes} bytes, all as filed"
        found = [f"changed: {show_name(name)}" for name in self.changed]
        found += [f"missing: {show_name(name)}" for name in self.missing]
        found += [f"added: {show_name(name)}" for name in self.added]
        return "\n".join(f"{bag}: {line}" for line in (*found, *self.problems))

    __str__ = summary


def encode_path(path: str) -> str:
    """Return a path as it stands in a manifest (RFC 8493 2.1.3)."""
    return path.replace("%", "%25").replace("\n", "%0A").replace("\r", "%0D")


def decode_path(text: str) -> str:
    """Return the path a manifest line means: :func:`encode_path` undone."""
    return re.sub(r"%25|%0[AaDd]", lambda match: _ENCODED[match.group().upper()], text)


def write_tags(folder: Path, digests: Mapping[str, str], info: Iterable[tuple[str, str]]) -> str:
    """Turn a folder whose payload lies under ``data/`` into a bag.

    Parameters
    ----------
    folder : Path
        Holds ``data/`` and nothing else.
    digests : mapping of str to str
        SHA-256 in hex of each payload file, by its path, which begins with
        ``data/``.
    info : iterable of (label, value)
        Lines of ``bag-info.txt``; line breaks in values become spaces.

    Returns
    -------
    str
        SHA-256 of the tag manifest: one number that stands for the whole bag.
    """
    lines = "".join(f"{label}: {' '.join(value.split())}\n" for label, value in info)
    tags = {"bagit.txt": DECLARATION, "bag-info.txt": lines.encode(), MANIFEST: _manifest(digests)}
    sums = {name: write_file(folder / name, content, read_only=True) for name, content in tags.items()}
    whole = write_file(folder / TAG_MANIFEST, _manifest(sums), read_only=True)
    for place, _, _ in os.walk(folder, topdown=False):
        sync_folder(Path(place))
    return whole


def _manifest(digests: Mapping[str, str]) -> bytes:
    return "".join(f"{digest}  {encode_path(path)}\n" for path, digest in sorted(digests.items())).encode()


def read_manifest(path: Path) -> dict[str, str]:
    """Return SHA-256 in hex by path, as listed in a manifest.

    Raises
    ------
    ArchiveError
        A line is no line of a manifest, leaves the bag, or names a file twice.
    """
    try:
        text = read_regular(path, MAX_LIST_BYTES).decode("utf-8")
    except UnicodeDecodeError as error:
        raise ArchiveError(f"{path.name}: byte {error.start} is not UTF-8") from error
    found: dict[str, str] = {}
    for number, line in enumerate(text.replace("\r\n", "\n").split("\n"), start=1):
        if not line:
            continue
        match = _LINE.fullmatch(line)
        if match is None:
            raise ArchiveError(f"{path.name}:{number}: not a sum and a path: {line[:80]!r}")
        name = decode_path(match[2])
        if len(name) > MAX_PATH:
            raise ArchiveError(f"{path.name}:{number}: a path of {len(name)} characters, at most {MAX_PATH} are read")
        if name.startswith("/") or "\0" in name or not {"..", ".", ""}.isdisjoint(name.split("/")):
            raise ArchiveError(f"{path.name}:{number}: a path that leaves the bag: {line[66:146]!r}")
        if name in found:
            raise ArchiveError(f"{path.name}:{number}: listed twice: {line[66:146]!r}")
        found[name] = match[1].lower()
    return found


def is_bag(folder: Path) -> bool:
    """Whether a folder is a bag, perhaps a damaged one: any one of its three lists is enough."""
    return any((folder / name).is_file() for name in ("bagit.txt", MANIFEST, TAG_MANIFEST))


def check_bag(folder: str | Path) -> BagCheck:
    """Read every byte of a bag and name what is not as it was filed.

    Parameters
    ----------
    folder : str or Path
        The bag.

    Returns
    -------
    BagCheck
        Findings; nothing in the bag is written or touched.

    Raises
    ------
    InputError
        The folder is not there or is no bag at all.
    """
    folder = Path(folder)
    if not is_bag(folder):
        raise InputError([Problem(str(folder), "no bagit.txt and no manifest", "the folder of a bag")])
    problems = [*_declaration_problems(folder)]
    lists: dict[str, str] = {}
    for name, wanted in ((MANIFEST, "data/"), (TAG_MANIFEST, "")):
        try:
            listed = read_manifest(folder / name)
        except OSError:
            problems.append(f"{name} cannot be read")
        except ArchiveError as error:
            problems.append(str(error))
        else:
            lists.update((path, digest) for path, digest in listed.items() if path.startswith(wanted))
            strange = [path for path in listed if path.startswith("data/") != bool(wanted)]
            problems += [f"{name} lists {show_name(path)}" for path in strange]
    files, odd = walk_files(folder)
    problems += [f"{problem.where} is {problem.found}" for problem in odd]
    present = _same_names(files, lists)
    changed, n_bytes = [], 0
    root = os.fspath(folder)  # joining text is several times faster than joining paths, and this is done for every file
    for path in sorted(lists.keys() & present.keys()):
        try:
            digest, size = sha256_file(f"{root}/{present[path]}")
        except OSError as error:
            problems.append(f"{show_name(path)} cannot be read: {error.strerror or error}")
            continue
        n_bytes += size
        if digest != lists[path]:
            changed.append(path)
    return BagCheck(
        bag=folder.name or str(folder.resolve().name),
        changed=tuple(changed),
        missing=tuple(sorted(lists.keys() - present.keys())),
        added=tuple(sorted(present.keys() - lists.keys() - {TAG_MANIFEST})),
        problems=tuple(problems),
        n_files=len(files),
        n_bytes=n_bytes,
        tagmanifest_sha256=sha256_file(folder / TAG_MANIFEST)[0] if TAG_MANIFEST in present else None,
    )


def _declaration_problems(folder: Path) -> Iterator[str]:
    try:
        text = read_regular(folder / "bagit.txt", 1000).decode("utf-8", "replace")
    except OSError:
        yield "bagit.txt cannot be read"
        return
    match = re.match(r"BagIt-Version: (\d+\.\d+)\r?\nTag-File-Character-Encoding: UTF-8\r?\n?\Z", text)
    if match is None or match[1] not in _READABLE_VERSIONS:
        yield f"bagit.txt does not declare BagIt {' or '.join(_READABLE_VERSIONS)} in UTF-8"
    if (folder / "fetch.txt").exists():
        yield "fetch.txt says that files are elsewhere; a filed bag is complete in itself"


def _same_names(files: list[str], listed: Mapping[str, str]) -> dict[str, str]:
    """Map listed names to the names on disk; some file systems decompose accents on copying."""
    present = {name: name for name in files}
    strangers = {unicodedata.normalize("NFC", name): name for name in files if name not in listed}
    for name in listed.keys() - present.keys():
        other = strangers.get(unicodedata.normalize("NFC", name))
        if other is not None:
            present[name] = present.pop(other)
    return present
