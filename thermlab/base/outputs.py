"""Put a finished set of files where it belongs, whole or not at all.

Everything is first written beside the target under a name that begins with a
dot, forced to disk, and then exchanged with the target in one step, so that
whoever looks finds the old files or the new ones, never a mixture.
"""

from __future__ import annotations

import contextlib
import ctypes
import errno
import os
import shutil
import sys
from typing import TYPE_CHECKING

from thermlab.base.errors import InputError, Problem, ThermlabError

if TYPE_CHECKING:
    from collections.abc import Collection, Iterator, Mapping
    from pathlib import Path

FAILED = ".failed"
_EXCHANGE = 2  # RENAME_EXCHANGE of renameat2(2) in Linux
_AT_FDCWD = -100


def check_target(target: Path, names: Collection[str]) -> None:
    """Refuse a target that holds anything the kit would not have put there.

    Parameters
    ----------
    target : Path
        Folder the files are meant for; it may be missing.
    names : collection of str
        Names of the files that a finished target holds.

    Raises
    ------
    InputError
        The target is not a folder, or holds something else.
    """
    if target.is_symlink():
        # A campaign from elsewhere must not choose where on this machine its report is written.
        raise InputError([Problem(str(target), "a link", "a folder, or nothing")])
    if not target.exists():
        return
    if not target.is_dir():
        raise InputError([Problem(str(target), "a file", "a folder, or nothing")])
    # Links and folders of these names are somebody else's too: the kit writes files, and folders for failures.
    folders = {FAILED, *(_beside(target / FAILED, kind).name for kind in ("new", "old"))}
    others = sorted(
        entry.name
        for entry in target.iterdir()
        if entry.is_symlink() or entry.name not in (folders if entry.is_dir() else names)
    )
    if others:
        shown = ", ".join(others[:5]) + (", ..." if len(others) > 5 else "")
        allowed = "an empty or missing folder, or an earlier one of the same kind"
        raise InputError([Problem(str(target), f"a folder that holds {shown}", allowed)])


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
    path = target.parent / f".{target.name}.lock"
    handle = _acquire(path)
    if handle is None:
        raise ThermlabError(f"{target}: another process is writing here; wait for it to end and try again")
    try:
        clear_leftovers(target)
        if target.is_dir():
            clear_leftovers(target / FAILED)
        yield
    finally:
        # Removed while still held: a process that waits on the old file finds another one in its place (see _acquire).
        # What was done is done: nothing that goes wrong in tidying up may say otherwise.
        with contextlib.suppress(Exception):
            path.unlink()
        os.close(handle)
        for folder in made:  # nearest first; one that holds something now stays
            with contextlib.suppress(Exception):
                folder.rmdir()


def _acquire(path: Path) -> int | None:
    while True:
        # A link put in the lock's place would choose a file elsewhere to be made or held.
        handle = os.open(path, os.O_RDWR | os.O_CREAT | getattr(os, "O_NOFOLLOW", 0), 0o644)
        try:
            _lock(handle)
        except BlockingIOError:
            os.close(handle)
            return None
        try:
            if os.fstat(handle).st_ino == path.lstat().st_ino:
                return handle
        except FileNotFoundError:
            pass
        os.close(handle)


def _lock(handle: int) -> None:
    if sys.platform == "win32":
        import msvcrt  # noqa: PLC0415

        try:
            msvcrt.locking(handle, msvcrt.LK_NBLCK, 1)
        except OSError as error:
            raise BlockingIOError from error
        return
    import fcntl  # noqa: PLC0415

    try:
        fcntl.flock(handle, fcntl.LOCK_EX | fcntl.LOCK_NB)
    except BlockingIOError:
        raise
    except OSError as error:
        # Some network drives have no locks; the exchange itself is still atomic there.
        if error.errno not in (errno.ENOLCK, errno.ENOTSUP, errno.EINVAL):
            raise


def clear_leftovers(target: Path) -> None:
    """Remove what a killed process left beside the target; call only while the target is held."""
    old = _beside(target, "old")
    for leftover in (old, _beside(target, "new")):
        if leftover.is_symlink():  # never ours: a campaign from elsewhere may have been sent with one
            leftover.unlink()
    if old.is_dir() and not target.exists():
        old.rename(target)  # killed between the two renames of a system without exchange
    for leftover in (old, _beside(target, "new")):
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
        _write_folder(new, files)
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


def _write_folder(folder: Path, files: Mapping[str, bytes]) -> None:
    shutil.rmtree(folder, ignore_errors=True)
    folder.mkdir()
    for name, content in files.items():
        with (folder / name).open("wb") as file:
            file.write(content)
            file.flush()
            os.fsync(file.fileno())
    _sync_folder(folder)


def _sync_folder(folder: Path) -> None:
    if sys.platform == "win32":
        return  # a folder cannot be opened there
    handle = os.open(folder, os.O_RDONLY)
    try:
        os.fsync(handle)
    finally:
        os.close(handle)


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
    with contextlib.suppress(Exception):  # the new files are in place; whether the name is on disk yet changes nothing
        _sync_folder(target.parent)


def _exchange(one: Path, other: Path) -> bool:
    """Swap two folders in one step where the system can; False where it cannot."""
    if not sys.platform.startswith("linux"):
        return False
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
