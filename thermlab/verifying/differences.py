"""Two sets of results compared, number by number.

Equal means equal to the last bit: a recomputation of unchanged inputs by the
same version moves nothing. Where something moves, the absolute and the relative
change are stated, and words (a verdict, a flag) are compared as well.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from typing import TypeGuard

# When and by which version, not what.
NOT_COMPARED = frozenset({"created", "thermlab_version", "schema"})
_NAMES = ("run", "treatment", "estimand", "flag", "input", "quantity", "mount")


@dataclass(frozen=True, slots=True, kw_only=True)
class Moved:
    """A reported number or word that is no longer the same.

    Attributes
    ----------
    where : str
        Place in the results, such as ``comparison.treatments[pad-b].difference_K``.
    old, new : object
        As filed and as computed now; None for null.
    change : float or None
        New minus old, where both are numbers.
    relative : float or None
        Change as a fraction of the old number, where that is not 0.
    """

    where: str
    old: object
    new: object
    change: float | None = None
    relative: float | None = None

    def __str__(self) -> str:
        text = f"{self.where}: {_shown(self.old)} -> {_shown(self.new)}"
        if self.change is not None:
            text += f", by {self.change:+.3g}"
        if self.relative is not None:
            text += f" ({100 * self.relative:+.3g} %)"
        return text


def _shown(value: object) -> str:
    text = (
        repr(value) if isinstance(value, (str, float, int)) else "null" if value is None else f"{type(value).__name__}"
    )
    return text if len(text) <= 120 else text[:117] + "..."


def compare_results(filed: Mapping[str, object], now: Mapping[str, object]) -> tuple[int, tuple[Moved, ...]]:
    """Compare results as filed with results as computed now.

    Parameters
    ----------
    filed, now : mapping
        JSON-native results of schema 1. What only ``now`` has was added by a
        later version and is not compared.

    Returns
    -------
    n_numbers : int
        Numbers that were compared.
    moved : tuple of Moved
        What is not the same, in the order of the file.
    """
    pairs = list(_pairs("", {key: value for key, value in filed.items() if key not in NOT_COMPARED}, now))
    numbers = sum(_is_number(old) for _, old, _ in pairs)
    return numbers, tuple(_moved(where, old, new) for where, old, new in pairs if not _same(old, new))


def _pairs(where: str, old: object, new: object) -> Iterator[tuple[str, object, object]]:
    if isinstance(old, Mapping) and isinstance(new, Mapping):
        for key, value in old.items():
            yield from _pairs(f"{where}.{key}" if where else str(key), value, new.get(key, _ABSENT))
    elif isinstance(old, list) and isinstance(new, list):
        names, others = _labels(old), dict(zip(_labels(new), new, strict=True))
        for name, value in zip(names, old, strict=True):
            yield from _pairs(f"{where}[{name}]", value, others.pop(name, _ABSENT))
        for name, value in others.items():
            yield f"{where}[{name}]", _ABSENT, value
    else:
        yield where, old, new


class _Absent:
    def __repr__(self) -> str:
        return "absent"


_ABSENT = _Absent()


def _labels(items: list[object]) -> list[str]:
    """Name the items of a list by what they are about, so that an inserted one does not shift the rest."""
    found: list[str] = []
    for place, item in enumerate(items):
        parts = [str(item[key]) for key in _NAMES if key in item] if isinstance(item, Mapping) else []
        label = ", ".join(parts) or str(place)
        found.append(label if label not in found else f"{label} #{place}")
    return found


def _is_number(value: object) -> TypeGuard[float]:
    return isinstance(value, (int, float)) and not isinstance(value, bool)


def _same(old: object, new: object) -> bool:
    if _is_number(old) and _is_number(new):
        return float(old) == float(new)
    return type(old) is type(new) and old == new


def _moved(where: str, old: object, new: object) -> Moved:
    if _is_number(old) and _is_number(new):
        change = float(new) - float(old)
        return Moved(where=where, old=old, new=new, change=change, relative=change / abs(float(old)) if old else None)
    return Moved(where=where, old=old if old is not _ABSENT else "absent", new=new if new is not _ABSENT else "absent")
