"""A log read as it grows: each look costs the bytes that are new, and the file is open only while they are read."""

from __future__ import annotations

import codecs
import tempfile
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import TYPE_CHECKING

import numpy as np
import numpy.typing as npt

from thermlab.base.errors import InputError
from thermlab.logs.log import Log, NoRowsYetError, read_log

if TYPE_CHECKING:
    from thermlab.logs.settings import LogSettings

Array = npt.NDArray[np.float64]

_HEAD_BYTES = 256
_LONGEST_HEAD = 500


@dataclass(slots=True)
class Tail:
    """Readings of one log so far.

    Attributes
    ----------
    path : Path
        The log.
    settings : LogSettings
        How it is written.
    name : str
        What problems call it.
    log : Log or None
        All whole rows so far; None before there are two.
    """

    path: Path
    settings: LogSettings
    name: str
    log: Log | None = None
    _read: int = 0
    _first: bytes = b""
    _decoder: codecs.IncrementalDecoder | None = None
    _pending: str = ""
    _head: str = ""
    _last: str = ""
    _text: LogSettings = field(init=False)

    def __post_init__(self) -> None:
        """Rows are handed on as UTF-8 whatever the log is written in."""
        self._text = self.settings.model_copy(update={"encoding": "utf-8"})

    def grow(self) -> Log | None:
        """Read what is new; a log that was cut or replaced is read again from its beginning.

        Returns
        -------
        Log or None

        Raises
        ------
        InputError
            With each line that is not as declared.
        """
        with self.path.open("rb") as stream:
            size = stream.seek(0, 2)
            stream.seek(0)
            if size < self._read or stream.read(len(self._first)) != self._first:
                self._begin_again()
            if not self._first or len(self._first) < _HEAD_BYTES:
                stream.seek(0)
                self._first = stream.read(min(_HEAD_BYTES, size))
            stream.seek(self._read)
            new = stream.read(size - self._read)
        self._read += len(new)
        if self._decoder is None:
            self._decoder = codecs.getincrementaldecoder(self.settings.encoding)(errors="replace")
        text = self._pending + self._decoder.decode(new)
        whole = max(text.rfind("\n"), text.rfind("\r")) + 1
        self._pending = text[whole:]
        if text[:whole].strip():
            self._take(text[:whole])
        return self.log

    def _begin_again(self) -> None:
        self.log, self._decoder = None, None
        self._read, self._first, self._pending, self._head, self._last = 0, b"", "", "", ""

    def _take(self, text: str) -> None:
        if self.log is None:
            try:
                self.log = self._parse(text)
            except NoRowsYetError:
                self._pending = text + self._pending
                return
            self._keep_head(text)
        else:
            try:
                self.log = _joined(self.log, self._parse(self._head + self._last + text))
            except InputError:
                if any(line.strip() for line in text.splitlines()):
                    whole = read_log(self.path, self.settings, name=self.name)  # its problems name the right lines
                    self.log = whole
        self._last = next(line for line in reversed(text.splitlines(keepends=True)) if line.strip())

    def _parse(self, text: str) -> Log:
        """Read rows through the one reader of logs, from a file of the system's own temporary folder."""
        with tempfile.TemporaryDirectory(prefix="thermlab-watch-") as folder:
            place = Path(folder) / "rows"
            place.write_text(text, encoding="utf-8", newline="")
            return read_log(place, self._text, name=self.name)

    def _keep_head(self, text: str) -> None:
        """Find what stands before the rows: the shortest beginning that can be read holds two of them."""
        lines = text.splitlines(keepends=True)
        for count in range(2, min(len(lines), _LONGEST_HEAD) + 1):
            try:
                self._parse("".join(lines[:count]))
            except InputError:
                continue
            self._head = "".join(lines[: count - 2])
            return


def _joined(log: Log, more: Log) -> Log:
    """Join rows to a log; the first of them is its last row again."""
    closed = float(log.time_s[-1] - more.time_s[0])
    raw = float(log.raw_time_s[-1] - more.raw_time_s[0])
    rows = log.time_s.size - 1
    return replace(
        log,
        time_s=np.r_[log.time_s, more.time_s[1:] + closed],
        raw_time_s=np.r_[log.raw_time_s, more.raw_time_s[1:] + raw],
        jumps=log.jumps + tuple(replace(jump, row=jump.row + rows) for jump in more.jumps),
        temperature_C=np.vstack([log.temperature_C, more.temperature_C[1:]]),
        power_W=np.r_[log.power_W, more.power_W[1:]],
        clock_MHz=_both(log.clock_MHz, more.clock_MHz),
        ambient_C=_both(log.ambient_C, more.ambient_C),
    )


def _both(values: Array | None, more: Array | None) -> Array | None:
    return None if values is None or more is None else np.r_[values, more[1:]]
