"""Traces of a large campaign wait in a temporary file, so that memory grows with the largest log and not with all."""

import pickle
import tempfile
import weakref
from dataclasses import fields
from typing import Any, BinaryIO, cast

import numpy as np

from thermlab.runs.trace import Trace

IN_MEMORY_BYTES = 1 << 26


class Shelf:
    """Takes traces and hands back the same, or beyond :data:`IN_MEMORY_BYTES` stand-ins that read theirs when asked."""

    def __init__(self) -> None:
        self._left = IN_MEMORY_BYTES
        self._file: BinaryIO | None = None
        self._last: tuple[int, Any] = (-1, None)

    def keep(self, trace: Trace) -> Trace:
        """Return what reads like the trace."""
        self._left -= trace.temperature_C.nbytes
        if self._left >= 0:
            return trace
        if self._file is None:
            self._file = cast("BinaryIO", tempfile.TemporaryFile(prefix="thermlab-"))  # noqa: SIM115 - as long as we
            weakref.finalize(self, self._file.close)
        begins = self._file.seek(0, 2)
        pickle.dump(trace, self._file)
        return cast("Trace", _Waiting(self, begins, trace))

    def read(self, begins: int) -> Any:
        """Return the trace that begins there; whoever reads takes several of its arrays, so the last one is held."""
        if self._last[0] != begins and self._file is not None:
            self._file.seek(begins)
            self._last = begins, pickle.load(self._file)  # noqa: S301 - nobody else can write into this file
        return self._last[1]


class _Waiting:
    """Reads like a trace; what is no array, its block means among it, is in memory."""

    def __init__(self, shelf: Shelf, begins: int, trace: Trace) -> None:
        values = {field.name: getattr(trace, field.name) for field in fields(trace)}
        vars(self).update({name: value for name, value in values.items() if not isinstance(value, np.ndarray)})
        self._shelf, self._begins = shelf, begins

    def __getattr__(self, name: str) -> Any:
        return getattr(self._shelf.read(self._begins), name)
