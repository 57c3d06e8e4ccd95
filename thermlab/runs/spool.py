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
        """Return an equal of a frozen dataclass; its arrays are in memory or in the file.

        Parameters
        ----------
        item : dataclass instance
            With slots; its arrays are of numbers.

        Returns
        -------
        dataclass instance
            Of the same class or a stand-in that derives from it.
        """
        values = {field.name: getattr(item, field.name) for field in fields(cast("Any", item))}
        arrays = {name: value for name, value in values.items() if isinstance(value, np.ndarray)}
        size = sum(array.nbytes for array in arrays.values())
        if size <= self._left:
            self._left -= size
            return item
        if self._file is None:
            self._file = cast("BinaryIO", tempfile.TemporaryFile(prefix="thermlab-"))  # noqa: SIM115 - as long as we
            weakref.finalize(self, self._file.close)
        places: dict[str, tuple[int, Any, tuple[int, ...]]] = {}
        offset = 0
        self._file.seek(self._end)
        for name, array in arrays.items():
            self._file.write(np.ascontiguousarray(array).data)
            places[name] = (offset, array.dtype, array.shape)
            offset += array.nbytes
        kind: Any = _stand_in(cast("Any", type(item)), tuple(arrays))
        found: Any = object.__new__(kind)
        for name, value in values.items():
            if name not in arrays:
                object.__setattr__(found, name, value)
        object.__setattr__(found, "_stored", (self, self._end, offset, places))
        self._end += offset
        return cast("T", found)

    def read(self, begin: int, size: int, places: dict[str, tuple[int, Any, tuple[int, ...]]]) -> dict[str, Any]:
        """Return the arrays of one object."""
        if self._held[0] != begin and self._file is not None:
            self._file.seek(begin)
            raw = bytearray(size)
            self._file.readinto(raw)  # type: ignore[attr-defined]
            arrays = {
                name: np.frombuffer(raw, dtype, count=int(np.prod(shape)), offset=offset).reshape(shape)
                for name, (offset, dtype, shape) in places.items()
            }
            self._held = (begin, arrays)
        return self._held[1]


@cache
def _stand_in(kind: Any, names: tuple[str, ...]) -> type:
    """Derive the class of stand-ins: these attributes are read from the file, all others are its own."""

    def reader(name: str) -> property:
        def get(self: Any) -> Any:
            spool, begin, size, places = self._stored
            return spool.read(begin, size, places)[name]

        return property(get)

    members: dict[str, Any] = {name: reader(name) for name in names}
    return type(f"Stored{kind.__name__}", (kind,), {"__slots__": ("_stored",), **members})
