"""Files: read without a trace and within bounds, written for good, put in place whole or not at all.

Reading never opens a device or a pipe, leaves the times of the source alone and, but for files that a user
named, follows no link. What is written is on the disk when a function returns. What takes the place of something
else is first written beside it under a name that begins with a dot and then exchanged with it in one step, so that
whoever looks finds the old content or the new one, never a mixture.
"""

import contextlib
import difflib
import errno
import hashlib
import itertools
import os
import re
import shutil
import stat
import sys
from collections.abc import Collection, Iterable, Iterator, Mapping
from fnmatch import fnmatchcase
from io import BufferedReader
from pathlib import Path
from typing import BinaryIO

from thermlab.base.errors import InputError, Problem, ThermlabError, show_name, shown

ALLOWED = "the path of a file inside the campaign folder, such as logs/run1.csv"
FAILED = ".failed"
_CHUNK = 1 << 20
# Without O_NONBLOCK a named pipe put in a file's place would hang the reader.
_READ = os.O_RDONLY | sum(getattr(os, name, 0) for name in ("O_NONBLOCK", "O_CLOEXEC", "O_BINARY"))
_NO_LINK = getattr(os, "O_NOFOLLOW", 0)
_NO_ATIME = getattr(os, "O_NOATIME", 0)
# What some network drives, which have no locks, answer.
_NO_LOCKS = (errno.ENOLCK, errno.ENOTSUP, errno.EINVAL)
_EXCHANGE = 2  # RENAME_EXCHANGE of renameat2(2) in Linux
_AT_FDCWD = -100


class PathRefusedError(Exception):
    """A path that may not be used: what was found, what is allowed, and whether the file is merely missing."""

    def __init__(self, found: str, allowed: str = ALLOWED, *, missing: bool = False) -> None:
        super().__init__(found)
        self.found = found
        self.allowed = allowed
        self.missing = missing


def inside(folder: Path, relative: str) -> Path:
    """Return the file that `relative` names inside `folder`.

    Parameters
    ----------
    folder : Path
        The campaign folder.
    relative : str
        A path as written by a user, with ``/`` between its parts.

    Returns
    -------
    Path
        The resolved path of an existing plain file.

    Raises
    ------
    PathRefusedError
        Where the path leaves the folder (by ``..``, an absolute path, a drive
        letter, a backslash or a link), or names no plain file.
    """
    written = shown(relative)
    if not relative.strip():
        raise PathRefusedError("no path")
    if any(not c.isprintable() for c in relative):
        raise PathRefusedError(f"{written} with control characters")
    if "\\" in relative:
        raise PathRefusedError(f"{written} with a backslash", f"{ALLOWED} (with / between the parts)")
    if relative.startswith("/") or re.match(r"[A-Za-z]:", relative):
        raise PathRefusedError(f"{written}, an absolute path")
    if ".." in relative.split("/"):
        raise PathRefusedError(f"{written}, which leaves the campaign folder")
    try:
        root = folder.resolve()
        path = (root / relative).resolve()
        if not path.is_relative_to(root):
            raise PathRefusedError(f"{written}, a link that leads out of the campaign folder")
        mode = path.stat().st_mode
    except FileNotFoundError:
        raise PathRefusedError(f"{written}, which does not exist", ALLOWED + _nearest(path), missing=True) from None
    except (OSError, RuntimeError, ValueError) as error:
        raise PathRefusedError(f"{written}, which cannot be opened ({_reason(error)})") from None
    if not stat.S_ISREG(mode):
        kind = "a folder" if stat.S_ISDIR(mode) else "not a plain file"
        raise PathRefusedError(f"{written}, {kind}")
    return path


def _reason(error: Exception) -> str:
    # Without the path that the text of an OSError ends in: it may be long, and is nobody's business in a report.
    return shown(getattr(error, "strerror", None) or error, quoted=False)


def _nearest(path: Path) -> str:
    """Name the file beside a missing one that is spelt most like it: a typing error is the usual cause."""
    try:
        names = [entry.name for entry in itertools.islice(path.parent.iterdir(), 1000)]
    except OSError:
        return ""
    found = difflib.get_close_matches(path.name, sorted(names), n=1)
    return f"; nearest there: {shown(found[0])}" if found else ""


def read_plain(path: Path, limit: int) -> bytes:
    """Return the bytes of a plain file of at most `limit` bytes; a link that the user named is followed.

    Raises
    ------
    PathRefusedError
        Where it is missing, not a plain file, too large or unreadable.
    """
    try:
        return read_regular(path, limit, follow=True)
    except FileNotFoundError:
        raise PathRefusedError("no such file", "a file of this name", missing=True) from None
    except (OSError, ValueError) as error:
        if getattr(error, "errno", None) == errno.EFBIG:
            raise PathRefusedError(_reason(error), f"at most {limit} bytes") from None
        raise PathRefusedError(f"a file that cannot be read ({_reason(error)})", "a readable plain file") from None


def read_regular(path: str | Path, limit: int, *, follow: bool = False) -> bytes:
    """Return the bytes of a regular file of at most `limit` bytes.

    Raises
    ------
    OSError
        There is no such file, it is a link that is not to be followed, a folder, a device or a pipe, or it is larger.
    """
    with _opened(path, follow=follow) as file:
        size = os.fstat(file.fileno()).st_size
        # read() sets its whole argument aside before it reads
        content = file.read(min(size, limit) + 1)
    if max(size, len(content)) > limit:
        raise OSError(errno.EFBIG, f"more than {limit} bytes", os.fspath(path))
    return content


def _opened(path: str | Path, *, follow: bool = False) -> BufferedReader:
    """Open a regular file for reading and leave its times alone; errors as of :func:`read_regular`."""
    flags = _READ if follow else _READ | _NO_LINK
    try:
        handle = os.open(path, flags | _NO_ATIME)
    except PermissionError:
        handle = os.open(path, flags)
    if not stat.S_ISREG(os.fstat(handle).st_mode):
        os.close(handle)
        raise OSError(errno.EINVAL, "not a regular file", os.fspath(path))
    return os.fdopen(handle, "rb")


def sha256_file(path: str | Path) -> tuple[str, int]:
    """Return the SHA-256 of a regular file in hex, and its size in bytes."""
    with _opened(path) as file:
        return hashlib.file_digest(file, "sha256").hexdigest(), file.tell()


def walk_files(folder: Path, skip_top: Collection[str] = ()) -> tuple[list[str], list[Problem]]:
    """List the regular files below a folder, without following links.

    Parameters
    ----------
    folder : Path
        Where to look.
    skip_top : collection of str
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
    waiting = [("", os.fspath(folder))]
    while waiting:
        prefix, place = waiting.pop()
        with os.scandir(place) as entries:
            for entry in entries:
                name = prefix + entry.name
                if name in skip_top:
                    continue
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
    # Bytes that are no UTF-8 come from the system as halves of characters.
    return name.isascii() or not any("\ud800" <= c <= "\udfff" for c in name)


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
    with _opened(source) as reading:
        target.parent.mkdir(parents=True, exist_ok=True)
        digest = hashlib.sha256()
        with target.open("xb") as writing:
            while block := reading.read(_CHUNK):
                digest.update(block)
                writing.write(block)
            _force(writing)
        changed_ns = os.fstat(reading.fileno()).st_mtime_ns
    os.utime(target, ns=(changed_ns, changed_ns))
    target.chmod(0o444)
    return digest.hexdigest()


def write_file(target: Path, content: bytes, *, read_only: bool = False) -> str:
    """Write a file that is not there yet durably; return its SHA-256 in hex."""
    with target.open("xb") as writing:  # "x" neither overwrites nor follows a link that someone put there
        try:
            writing.write(content)
            _force(writing)
        except BaseException:  # a full disk leaves no half of a file that would be taken for a whole one
            with contextlib.suppress(OSError):
                target.unlink()
            raise
    if read_only:
        target.chmod(0o444)
    return hashlib.sha256(content).hexdigest()


def replace_file(target: Path, content: bytes) -> None:
    """Put new content in a file's place at once, with the rights of the old; whoever reads finds old or new, whole."""
    # A name of this process's own: two writers at once must not write into one staged file.
    staged = target.with_name(f".{target.name}.new-{os.getpid()}")
    with contextlib.suppress(FileNotFoundError):
        staged.unlink()
    try:
        write_file(staged, content)
        with contextlib.suppress(FileNotFoundError):
            shutil.copymode(target, staged)
        staged.replace(target)
    except BaseException:
        with contextlib.suppress(OSError):
            staged.unlink()
        raise
    with contextlib.suppress(Exception):  # the new content is in place; whether the name is on disk yet changes nothing
        sync_folder(target.parent)


def _force(writing: BinaryIO) -> None:
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


@contextlib.contextmanager
def held(lock_file: Path, *, busy: ThermlabError, wait_s: float = 0.0, needed: bool = True) -> Iterator[None]:
    """Hold a lock for this process alone; the system lets go when the process ends, however it ends.

    The lock file gets the rights of its folder: whoever may write there may hold it. A link in its place is refused.

    Parameters
    ----------
    lock_file : Path
        Made if it is missing; its folder has to be there.
    busy : ThermlabError
        Raised where another process has held the lock for longer than `wait_s` seconds.
    wait_s : float
        How long to wait, s.
    needed : bool
        False goes on without a lock on a drive that has none.
    """
    from filelock import FileLock, Timeout  # noqa: PLC0415 - who only reads does not pay for it

    rights = lock_file.parent.stat().st_mode & 0o666
    lock = FileLock(lock_file, timeout=wait_s, mode=rights, poll_interval=0.02)
    try:
        lock.acquire()
    except Timeout:
        raise busy from None
    except OSError as error:
        if needed or error.errno not in _NO_LOCKS:
            raise
    try:
        yield
    finally:
        # What was done is done: nothing that goes wrong in letting go may say otherwise.
        with contextlib.suppress(Exception):
            lock.release()


@contextlib.contextmanager
def locked(target: Path) -> Iterator[None]:
    """Hold the target for this process alone; the system lets go when the process ends, however it ends.

    Parameters
    ----------
    target : Path
        Folder to be written; its parent is made if it is missing.

    Raises
    ------
    ThermlabError
        Another process is writing the same target.
    """
    made = [folder for folder in target.parents if not folder.exists()]
    target.parent.mkdir(parents=True, exist_ok=True)
    lock_file = target.parent / f".{target.name}.lock"
    busy = ThermlabError(f"{target}: another process is writing here; wait for it to end and try again")
    # The exchange itself is atomic also where there are no locks.
    with held(lock_file, busy=busy, needed=False):
        try:
            clear_leftovers(target)
            if target.is_dir():
                clear_leftovers(target / FAILED)
            yield
        finally:
            # Removed while still held: a process that waits on the old file finds that nothing names it any more.
            with contextlib.suppress(Exception):
                lock_file.unlink()
            for folder in made:  # nearest first; one that holds something now stays
                with contextlib.suppress(Exception):
                    folder.rmdir()


def fits(name: str, names: Iterable[str]) -> bool:
    """Tell whether a file has one of these names, in which ``*`` stands for any part."""
    return any(fnmatchcase(name, pattern) for pattern in names)


def check_target(target: Path, names: Collection[str]) -> None:
    """Refuse a target that holds anything the kit would not have put there.

    Parameters
    ----------
    target : Path
        Folder the files are meant for; it may be missing.
    names : collection of str
        Names of the files that a finished target holds; ``*`` stands for any part of a name.

    Raises
    ------
    InputError
        The target is not a folder, or holds something else.
    """
    # A campaign from elsewhere must not choose where on this machine its report is written.
    if target.is_symlink() or (target.exists() and not target.is_dir()):
        found = "a link" if target.is_symlink() else "a file"
        raise InputError([Problem(str(target), found, "a folder, or nothing")])
    # Links and folders of these names are somebody else's too: the kit writes files, and folders for failures.
    folders = {FAILED, *(_beside(target / FAILED, kind).name for kind in ("new", "old"))}
    entries = sorted(target.iterdir()) if target.exists() else []
    ours = [entry for entry in entries if fits(entry.name, folders if entry.is_dir() else names)]
    others = [entry.name for entry in entries if entry not in ours or entry.is_symlink()]
    if others:
        few = ", ".join(others[:5]) + (", ..." if len(others) > 5 else "")
        allowed = "an empty or missing folder, or an earlier one of the same kind"
        raise InputError([Problem(str(target), f"a folder that holds {few}", allowed)])


def clear_leftovers(target: Path) -> None:
    """Remove what a killed process left beside the target; call only while the target is held."""
    old = _beside(target, "old")
    if old.is_dir() and not old.is_symlink() and not target.exists():
        old.rename(target)  # killed between the two renames of a system without exchange
    ours = re.compile(rf"\.{re.escape(target.name)}\.(old|new(-\d+)?)")
    for leftover in [entry for entry in target.parent.iterdir() if ours.fullmatch(entry.name)]:
        if leftover.is_symlink() or not leftover.is_dir():  # a campaign from elsewhere may have been sent with a link
            leftover.unlink(missing_ok=True)
        else:
            shutil.rmtree(leftover, ignore_errors=True)


def _beside(target: Path, kind: str) -> Path:
    return target.parent / f".{target.name}.{kind}"


def publish(target: Path, files: Mapping[str, bytes]) -> None:
    """Write the files and put them in the target's place; call only while the target is held.

    Parameters
    ----------
    target : Path
        Folder that holds exactly these files afterwards.
    files : mapping of str to bytes
        File names and contents.

    Raises
    ------
    OSError
        Nothing was changed.
    """
    new = _beside(target, "new")
    try:
        shutil.rmtree(new, ignore_errors=True)
        new.mkdir()
        for name, content in files.items():
            write_file(new / name, content)
        sync_folder(new)
        _put_in_place(new, target)
    except BaseException:
        shutil.rmtree(new, ignore_errors=True)
        raise


def publish_failure(target: Path, files: Mapping[str, bytes]) -> None:
    """Write the files into ``.failed`` inside the target and leave all else there as it is.

    Parameters
    ----------
    target : Path
        Folder of the finished files; made if it is missing.
    files : mapping of str to bytes
        File names and contents.

    Raises
    ------
    OSError
        They could not be written.
    """
    target.mkdir(parents=True, exist_ok=True)
    publish(target / FAILED, files)


def _put_in_place(new: Path, target: Path) -> None:
    if not target.exists():
        new.rename(target)
    elif _exchange(new, target):
        with contextlib.suppress(Exception):  # the new files are in place, whatever becomes of the old ones
            shutil.rmtree(new, ignore_errors=True)
    else:
        old = _beside(target, "old")
        shutil.rmtree(old, ignore_errors=True)
        target.rename(old)
        try:
            new.rename(target)
        except OSError:
            old.rename(target)
            raise
        with contextlib.suppress(Exception):
            shutil.rmtree(old, ignore_errors=True)
    with contextlib.suppress(Exception):  # as above
        sync_folder(target.parent)


def _exchange(one: Path, other: Path) -> bool:
    """Swap two folders in one step where the system can; False where it cannot."""
    if not sys.platform.startswith("linux"):
        return False
    import ctypes  # noqa: PLC0415 - only here

    renameat2 = getattr(ctypes.CDLL(None, use_errno=True), "renameat2", None)
    if renameat2 is None:
        return False
    done = renameat2(_AT_FDCWD, os.fsencode(one), _AT_FDCWD, os.fsencode(other), ctypes.c_uint(_EXCHANGE))
    if done == 0:
        return True
    code = ctypes.get_errno()
    if code in (errno.ENOSYS, errno.EINVAL, errno.ENOTSUP):
        return False
    raise OSError(code, os.strerror(code), str(other))
