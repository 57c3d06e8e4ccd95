"""The bytes of a log as clean text: decoded as declared, one kind of line end, no NUL bytes, no quotes."""

from __future__ import annotations

import codecs
import csv
import hashlib
from dataclasses import dataclass, field
from typing import TYPE_CHECKING

import numpy as np

from thermlab.base.errors import InputError, Problem, shown
from thermlab.base.files import PathRefusedError, read_plain

if TYPE_CHECKING:
    from pathlib import Path

MAX_BYTES = 1 << 30
MAX_LINES = 4_000_000
SHORTEST_LINE = 5
"""Mean length below which a long file is no log: the shortest rows of readings, such as 1,2,3, are longer."""
SEPARATOR = "\x1f"
"""Stands between cells once quotes are resolved; no log has it as text."""

_EDGES = " \t\ufeff"
"""Stripped from names; a byte order mark may stand behind the lines before the header."""

_BOMS = (
    (b"\xff\xfe\x00\x00", "utf-32"),
    (b"\x00\x00\xfe\xff", "utf-32"),
    (b"\xff\xfe", "utf-16"),
    (b"\xfe\xff", "utf-16"),
    (b"\xef\xbb\xbf", "utf-8"),
)


@dataclass(slots=True)
class LogText:
    r"""A log file as text.

    Attributes
    ----------
    name, sha256 : str
        What problems call it; checksum of its bytes.
    data : bytes
        UTF-8 with ``\n`` line ends, line for line as in the file.
    key : str
        Key of ``campaign.yaml`` that says how it is read, for messages.
    encoding : str
        The declared encoding.
    notes : list of str
        What was passed over.
    """

    name: str
    sha256: str
    data: bytes
    key: str
    encoding: str
    notes: list[str] = field(default_factory=list)

    def refuse(self, line: int, column: str, found: str, allowed: str) -> InputError:
        """Return the error of one problem."""
        return InputError([self.problem(line, column, found, allowed)])

    def problem(self, line: int, column: str, found: str, allowed: str) -> Problem:
        """Return a problem at a line, and a column where it has one."""
        where = (f"{self.name}:{line}" if line else self.name) + (f" ({shown(column, quoted=False)})" if column else "")
        return Problem(where, found, allowed)


def read_text(path: Path, encoding: str, *, name: str, key: str) -> LogText:
    """Read a log once and decode it as declared.

    Parameters
    ----------
    path : Path
        The file.
    encoding : str
        Its declared encoding.
    name : str
        What problems call it.
    key : str
        Key of ``campaign.yaml`` that declares it, ``log`` or ``ambient_log``.

    Returns
    -------
    LogText

    Raises
    ------
    InputError
        Where it cannot be read, is not text in this encoding, or holds NUL bytes between its lines.
    """
    try:
        raw = read_plain(path, MAX_BYTES)
    except PathRefusedError as refused:
        raise InputError([Problem(name, refused.found, refused.allowed)]) from None
    log = LogText(name, hashlib.sha256(raw).hexdigest(), raw, key, encoding)
    _decode(log)
    if b"\r" in log.data:
        log.data = log.data.replace(b"\r\n", b"\n").replace(b"\r", b"\n")
    if b"\0" in log.data:
        _drop_nul_block(log)
    if not log.data.strip():
        raise log.refuse(0, "", "an empty file", "a header line and rows below it")
    n_lines = int(np.count_nonzero(np.frombuffer(log.data, dtype=np.uint8) == 10))
    if n_lines > MAX_LINES:
        raise log.refuse(MAX_LINES, "", f"{n_lines} lines", f"at most {MAX_LINES} lines")
    if n_lines > 10_000 + len(log.data) // SHORTEST_LINE:
        found = f"{n_lines} lines in {len(log.data)} bytes"
        raise log.refuse(0, "", found, f"lines of at least {SHORTEST_LINE} bytes on average")
    return log


def _decode(log: LogText) -> None:
    """Turn the bytes into UTF-8 without a byte order mark, strictly."""
    raw, codec = log.data, codecs.lookup(log.encoding).name
    allowed = f"text in {log.encoding}, as {log.key}.encoding declares"
    if codec in ("utf-8", "utf-8-sig", "ascii"):
        try:
            if not raw.isascii():
                raw.decode("ascii" if codec == "ascii" else "utf-8")
        except UnicodeDecodeError as error:
            line = raw.count(b"\n", 0, error.start) + 1
            raise log.refuse(line, "", f"the byte 0x{raw[error.start]:02x}", allowed + _hint(raw)) from None
        log.data = raw.removeprefix(b"\xef\xbb\xbf")
        return
    if raw.startswith(b"\xef\xbb\xbf"):
        raise log.refuse(1, "", "the byte order mark of utf-8", f"{allowed}; perhaps {log.key}.encoding: utf-8")
    try:
        log.data = raw.decode(log.encoding).removeprefix("\ufeff").encode("utf-8")
    except UnicodeDecodeError as error:
        before = raw[: error.start].decode(log.encoding, "replace")
        found = f"the byte 0x{raw[error.start]:02x}" if error.start < len(raw) else "an end within a character"
        raise log.refuse(before.count("\n") + 1, "", found, allowed + _hint(raw)) from None
    except (ValueError, LookupError, OverflowError) as error:
        raise log.refuse(0, "", f"bytes that cannot be decoded ({shown(error, quoted=False)})", allowed) from None


def _hint(raw: bytes) -> str:
    for mark, encoding in _BOMS:
        if raw.startswith(mark):
            return f"; it begins like {encoding}"
    try:
        raw.decode("utf-8")
    except UnicodeDecodeError:
        return "; perhaps the encoding is cp1252 or latin-1"
    return "; it would be valid utf-8"


def _drop_nul_block(log: LogText) -> None:
    """Drop the NUL bytes a crash leaves at the end of a file; refuse any between the lines."""
    kept = log.data.rstrip(b"\0\n \t")
    if b"\0" in kept:
        line = kept.count(b"\n", 0, kept.index(b"\0")) + 1
        wide = kept.count(b"\0") > len(kept) // 4
        hint = "; perhaps the encoding is utf-16" if wide else ""
        raise log.refuse(line, "", "a NUL byte", f"text in {log.encoding} without NUL bytes{hint}")
    tail = log.data[len(kept) :]
    # What stood on the line before the NUL bytes was cut off by them, unless its line end was written.
    ended = tail[: tail.index(b"\0")].count(b"\n") > 0
    line = kept.count(b"\n") + 1 + ended
    log.notes.append(f"{tail.count(0)} NUL bytes at the end dropped (line {line})")
    log.data = kept + (b"\n" if ended else b"")


def split_line(line: str, delimiter: str) -> list[str]:
    """Return the cells of one line without spaces around them; raises csv.Error where quotes do not pair."""
    if '"' not in line:
        return [cell.strip(_EDGES) for cell in line.split(delimiter)]
    cells = next(csv.reader([line], delimiter=delimiter, skipinitialspace=delimiter != " ", strict=True), [])
    return [cell.strip(_EDGES) for cell in cells]


def without_quotes(log: LogText, region: bytes, delimiter: str, first_line: int) -> bytes:
    """Return the rows with quotes resolved and :data:`SEPARATOR` between the cells, line for line.

    Raises
    ------
    InputError
        Where quotes do not pair, or a quoted cell holds a line break.
    """
    lines = region.decode("utf-8").split("\n")
    reader = csv.reader(lines, delimiter=delimiter, skipinitialspace=delimiter != " ", strict=True)
    rows: list[str] = []
    begun = 1
    allowed = "quotes in pairs within one line"
    try:
        for cells in reader:
            if reader.line_num > begun:
                raise log.refuse(first_line + begun - 1, "", "a line break within quotes", allowed)
            begun += 1
            rows.append(SEPARATOR.join(cell.replace(SEPARATOR, " ") for cell in cells))
    except csv.Error as error:
        # The text names the delimiter, which may be a tab or our own separator.
        found = f"what CSV cannot read ({shown(error, quoted=False)})"
        raise log.refuse(first_line + begun - 1, "", found, allowed) from None
    return "\n".join(rows).encode("utf-8")
