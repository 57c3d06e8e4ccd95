"""Keep the arrays of many runs on disk once they are more than a little.

A campaign of a hundred runs stays in memory. Beyond that each further object
is a stand-in whose arrays wait in a temporary file and are read when they are
asked for, one object at a time, so that memory grows with the largest log and
not with the number of logs.
"""

from __future__ import annotations

import tempfile
import weakref
from dataclasses import fields
from functools import cache
from typing import Any, BinaryIO, TypeVar, cast

import numpy as np

IN_MEMORY_BYTES = 1 << 26

T = TypeVar("T")


class Spool:
    """Takes frozen dataclasses and hands back the same, or stand-ins that read their arrays from a file.

    Parameters
    ----------
    in_memory_bytes : int
        What the arrays may take in memory before the file is begun.
    """

    def __init__(self, in_memory_bytes: int = IN_MEMORY_BYTES) -> None:
        self._left = in_memory_bytes
        self._file: BinaryIO | None = None
        self._end = 0
        # The object read last, for a reader usually takes several of its arrays.
        self._held: tuple[int, dict[str, Any]] = (-1, {})

    def keep(self, item: T) -> T:
        """Return an equal of a frozen dataclass with slots; its arrays of numbers are in memory or in the file."""
        values = {field.name: getattr(item, field.name) for field in fields(cast("Any", item))}
        arrays = {name: value for name, value in values.items() if isinstance(value, np.ndarray)}
        size = sum(array.nbytes for array in arrays.values())
        if size <= self._left:
            self._left -= size
            return item
        if self._file is None:
            self._file = cast("BinaryIO", tempfile.TemporaryFile(prefix="thermlab-"))  # noqa: SIM115 - as long as we
            weakref.finalize(self, self._file.close)
        found: Any = object.__new__(_stand_in(cast("Any", type(item)), tuple(arrays)))
        for name in values.keys() - arrays.keys():
            object.__setattr__(found, name, values[name])
        object.__setattr__(found, "_stored", (self, self._end))
        self._file.seek(self._end)
        for array in arrays.values():
            np.save(self._file, array, allow_pickle=False)
        self._end = self._file.tell()
        return cast("T", found)

    def read(self, begin: int, names: tuple[str, ...]) -> dict[str, Any]:
        """Return the arrays of the object that begins there."""
        if self._held[0] != begin and self._file is not None:
            self._file.seek(begin)
            self._held = (begin, {name: np.load(self._file, allow_pickle=False) for name in names})
        return self._held[1]


@cache
def _stand_in(kind: Any, names: tuple[str, ...]) -> type:
    """Derive the class of stand-ins: these attributes are read from the file, all others are its own."""

    def reader(name: str) -> property:
        def get(self: Any) -> Any:
            spool, begin = self._stored
            return spool.read(begin, names)[name]

        return property(get)

    members: dict[str, Any] = {name: reader(name) for name in names}
    return type(f"Stored{kind.__name__}", (kind,), {"__slots__": ("_stored",), **members})
