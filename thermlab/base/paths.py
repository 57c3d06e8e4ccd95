"""Files named by a campaign: they may not leave its folder, and only plain files are read."""

from __future__ import annotations

import difflib
import itertools
import os
import re
import stat
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from pathlib import Path

ALLOWED = "the path of a file inside the campaign folder, such as logs/run1.csv"


class PathRefusedError(Exception):
    """A path that may not be used: what was found, what is allowed, and whether the file is merely missing."""

    def __init__(self, found: str, allowed: str = ALLOWED, *, missing: bool = False) -> None:
        super().__init__(found)
        self.found = found
        self.allowed = allowed
        self.missing = missing


def shown(text: object, *, quoted: bool = True, limit: int = 80) -> str:
    """Return text from a file for an error message: one line, printable, not too long."""
    plain = str(text)
    if len(plain) > limit:
        plain = plain[: limit - 1] + "…"
    if quoted:
        return repr(plain)
    return "".join(c if c.isprintable() else repr(c)[1:-1] for c in plain)


# Marks that turn the direction of what follows: a name with one can make a line read as another.
_TURNS = frozenset("\u202a\u202b\u202c\u202d\u202e\u2066\u2067\u2068\u2069")


def commands_terminal(text: str) -> bool:
    """Tell whether a text, shown as it is, would do more on a terminal than appear there."""
    return any(ord(c) < 32 or 0x7F <= ord(c) < 0xA0 or c in _TURNS for c in text)


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


def read_plain(path: Path, limit: int) -> bytes:
    """Return the bytes of a plain file of at most `limit` bytes.

    Raises
    ------
    PathRefusedError
        Where it is missing, not a plain file, too large or unreadable.
    """
    try:
        # Without O_NONBLOCK opening a FIFO waits for a writer for ever.
        descriptor = os.open(path, os.O_RDONLY | getattr(os, "O_NONBLOCK", 0) | getattr(os, "O_BINARY", 0))
        with os.fdopen(descriptor, "rb") as file:
            status = os.fstat(file.fileno())
            if not stat.S_ISREG(status.st_mode):
                raise PathRefusedError("a folder, link end or device", "a plain file")
            if status.st_size > limit:
                raise PathRefusedError(f"{status.st_size} bytes", f"at most {limit} bytes")
            # read() sets its whole argument aside before it reads
            raw = file.read(status.st_size + 1)
    except FileNotFoundError:
        raise PathRefusedError("no such file", "a file of this name", missing=True) from None
    except (OSError, ValueError) as error:
        raise PathRefusedError(f"a file that cannot be read ({_reason(error)})", "a readable plain file") from None
    if len(raw) > limit:
        raise PathRefusedError(f"more than {limit} bytes", f"at most {limit} bytes")
    return raw


def _nearest(path: Path) -> str:
    """Name the file beside a missing one that is spelt most like it: a typing error is the usual cause."""
    try:
        names = [entry.name for entry in itertools.islice(path.parent.iterdir(), 1000)]
    except OSError:
        return ""
    found = difflib.get_close_matches(path.name, sorted(names), n=1)
    return f"; nearest there: {shown(found[0])}" if found else ""
