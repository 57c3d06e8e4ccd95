"""Files read without a trace and written for good: what filing rests on.

Reading never follows a link, never opens a device or a pipe and leaves the
times of the source alone. What is written is on the disk when the function
returns, and :func:`replace_file` leaves the old content or the new, whole.
"""

from __future__ import annotations

import contextlib
import hashlib
import os
import stat
from typing import TYPE_CHECKING, BinaryIO

from thermlab.base.errors import Problem

if TYPE_CHECKING:
    from collections.abc import Iterable
    from pathlib import Path

_CHUNK = 1 << 20
# Without O_NONBLOCK a named pipe put in a file's place would hang the reader.
_READ = os.O_RDONLY | getattr(os, "O_NOFOLLOW", 0) | getattr(os, "O_NONBLOCK", 0) | getattr(os, "O_CLOEXEC", 0)
_NO_ATIME = getattr(os, "O_NOATIME", 0)


def show_name(name: str) -> str:
    """Return a file name that cannot break a line or move the cursor of a terminal."""
    safe = name.encode("utf-8", "backslashreplace").decode("utf-8")
    return safe if safe.isprintable() else safe.encode("unicode_escape").decode("ascii")


def walk_files(folder: Path, skip_top: Iterable[str] = ()) -> tuple[list[str], list[Problem]]:
    """List the regular files below a folder, without following links.

    Parameters
    ----------
    folder : Path
        Where to look.
    skip_top : iterable of str
        Names directly in the folder that are left out.

    Returns
    -------
    files : list of str
        Paths relative to the folder, with ``/``, sorted.
    problems : list of Problem
        What is neither a regular file nor a folder, or has a name that is not
        Unicode text.
    """
    files: list[str] = []
    problems: list[Problem] = []
    left_out = frozenset(skip_top)
    waiting = [("", os.fspath(folder))]
    while waiting:
        prefix, place = waiting.pop()
        with os.scandir(place) as entries:
            for entry in entries:
                if not prefix and entry.name in left_out:
                    continue
                name = prefix + entry.name
                if not _is_text(name):
                    problems.append(Problem(show_name(name), "a name that is not UTF-8", "names in UTF-8"))
                elif entry.is_dir(follow_symlinks=False):
                    waiting.append((name + "/", entry.path))
                elif entry.is_file(follow_symlinks=False):
                    files.append(name)
                else:
                    kind = "a symbolic link" if entry.is_symlink() else "a device, socket or pipe"
                    problems.append(Problem(show_name(name), kind, "regular files and folders"))
    return sorted(files), sorted(problems, key=lambda problem: problem.where)


def _is_text(name: str) -> bool:
    if name.isascii():
        return True
    try:
        name.encode("utf-8")
    except UnicodeEncodeError:
        return False
    return True


def open_regular(path: str | Path) -> tuple[int, int]:
    """Open a regular file for reading and leave its times alone.

    Returns
    -------
    handle, size : int
        File descriptor, and size in bytes.

    Raises
    ------
    OSError
        There is no such file, or it is a link, a folder, a device or a pipe.
    """
    try:
        handle = os.open(path, _READ | _NO_ATIME)
    except PermissionError:
        handle = os.open(path, _READ)
    status = os.fstat(handle)
    if not stat.S_ISREG(status.st_mode):
        os.close(handle)
        raise OSError(f"{path} is not a regular file")
    return handle, status.st_size


def read_regular(path: str | Path, limit: int) -> bytes:
    """Return the bytes of a regular file of at most `limit` bytes.

    Raises
    ------
    OSError
        There is no such file, it is a link, a folder, a device or a pipe, or it is larger.
    """
    handle, _ = open_regular(path)
    with os.fdopen(handle, "rb") as file:
        content = file.read(limit + 1)
    if len(content) > limit:
        raise OSError(f"{path} has more than {limit} bytes")
    return content


def sha256_file(path: str | Path) -> tuple[str, int]:
    """Return the SHA-256 of a regular file in hex, and its size in bytes."""
    handle, size = open_regular(path)
    try:
        # One read of the right length is most of the work where files are small.
        block = os.read(handle, min(size + 1, _CHUNK))
        digest = hashlib.sha256(block)
        n_bytes = len(block)
        while n_bytes > size or len(block) == _CHUNK:
            block = os.read(handle, _CHUNK)
            if not block:
                break
            digest.update(block)
            n_bytes += len(block)
        return digest.hexdigest(), n_bytes
    finally:
        os.close(handle)


def copy_file(source: Path, target: Path) -> str:
    """Copy a regular file to a place that does not exist yet, durably.

    The copy is read-only, keeps the time of the last change, and is on the disk
    when the function returns.

    Returns
    -------
    str
        SHA-256 of the bytes that were written, in hex.

    Raises
    ------
    OSError
        The source is no regular file, the target exists, the disk is full ...
    """
    reading, _ = open_regular(source)
    try:
        target.parent.mkdir(parents=True, exist_ok=True)
        digest = hashlib.sha256()
        with target.open("xb") as writing:
            while block := os.read(reading, _CHUNK):
                digest.update(block)
                writing.write(block)
            _settle(writing)
        changed_ns = os.fstat(reading).st_mtime_ns
        os.utime(target, ns=(changed_ns, changed_ns))
        target.chmod(0o444)
        return digest.hexdigest()
    finally:
        os.close(reading)


def write_file(target: Path, content: bytes) -> str:
    """Write a new read-only file durably; return its SHA-256 in hex."""
    target.parent.mkdir(parents=True, exist_ok=True)
    with target.open("xb") as writing:
        writing.write(content)
        _settle(writing)
    target.chmod(0o444)
    return hashlib.sha256(content).hexdigest()


def _settle(writing: BinaryIO) -> None:
    writing.flush()
    os.fsync(writing.fileno())


def sync_folder(folder: Path) -> None:
    """Put the names in a folder on the disk, not only the files behind them."""
    if os.name == "nt":
        return  # a folder cannot be opened there
    handle = os.open(folder, os.O_RDONLY)
    try:
        os.fsync(handle)
    finally:
        os.close(handle)


def replace_file(target: Path, content: bytes) -> None:
    """Put new content in a file's place at once; whoever reads finds the old or the new, whole."""
    # A name of this process's own: two writers at once must not write into one staged file.
    staged = target.with_name(f".{target.name}.new-{os.getpid()}")
    with contextlib.suppress(FileNotFoundError):
        staged.unlink()
    try:
        with staged.open("xb") as writing:  # "x" follows no link that someone put there
            writing.write(content)
            _settle(writing)
        staged.replace(target)
    except BaseException:
        with contextlib.suppress(OSError):
            staged.unlink()
        raise
    sync_folder(target.parent)
