"""Check a bag or a whole archive, byte for byte, and recompute what it reports.

:func:`verify` only reads. It names each changed, missing or added file, what
breaks the chain of the list of bags, and, where asked, which reported numbers
the present version would report otherwise, and by how much.
"""

from __future__ import annotations

import tempfile
from collections.abc import Iterator, Mapping
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any, TypeGuard

from thermlab.archives import listing as archive_list
from thermlab.archives.bags import TAG_MANIFEST, BagCheck, check_bag, is_bag
from thermlab.archives.filing import BESIDE, KINDS, STAGED
from thermlab.base.errors import InputError, Problem, ThermlabError, show_name
from thermlab.base.files import copy_file, walk_files
from thermlab.reports.results import read_results

SHOWN = 20
# When and by which version, not what.
NOT_COMPARED = frozenset({"created", "thermlab_version", "schema"})
_ABSENT = object()
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


@dataclass(frozen=True, slots=True, kw_only=True)
class Recomputed:
    """What the present version makes of archived inputs.

    Attributes
    ----------
    bag : str
        Name of the bag.
    filed_version, version : str
        Version that made the report, and the present one.
    n_numbers : int
        Reported numbers that were compared.
    moved : tuple of Moved
        Numbers and words that are no longer the same.
    reason : str or None
        Why it could not be recomputed; None where it was.
    """

    bag: str
    filed_version: str
    version: str
    n_numbers: int = 0
    moved: tuple[Moved, ...] = ()
    reason: str | None = None

    @property
    def ok(self) -> bool:
        """Whether it was recomputed and nothing moved."""
        return self.reason is None and not self.moved

    def summary(self) -> str:
        """Return what moved and by how much, line by line."""
        by = f"filed by {self.filed_version}, recomputed by {self.version}"
        if self.reason is not None:
            return f"{self.bag}: not recomputed: {self.reason}"
        if not self.moved:
            return f"{self.bag}: {self.n_numbers} numbers compared, none moved ({by})"
        lines = [f"{self.bag}: {len(self.moved)} of {self.n_numbers} numbers and words moved ({by})"]
        lines += [f"{self.bag}: {moved}" for moved in self.moved[:SHOWN]]
        if len(self.moved) > SHOWN:
            lines.append(f"{self.bag}: and {len(self.moved) - SHOWN} more")
        return "\n".join(lines)

    def __str__(self) -> str:
        return self.summary()


@dataclass(frozen=True, slots=True, kw_only=True)
class Verified:
    """What checking a bag or an archive found.

    Attributes
    ----------
    place : Path
        The bag or the archive.
    bags : tuple of BagCheck
        Every bag, in the order of the list.
    problems : tuple of str
        What is wrong with the list of bags, or between list and bags.
    notes : tuple of str
        What is worth knowing and is no damage.
    recomputed : tuple of Recomputed
        One per bag where it was asked for.
    last_sha256 : str or None
        Last hash of the list.
    """

    place: Path
    bags: tuple[BagCheck, ...]
    problems: tuple[str, ...] = ()
    notes: tuple[str, ...] = ()
    recomputed: tuple[Recomputed, ...] = ()
    last_sha256: str | None = None

    @property
    def ok(self) -> bool:
        """Whether everything is as it was filed, and no recomputed number moved."""
        return not self.problems and all(bag.ok for bag in self.bags) and all(result.ok for result in self.recomputed)

    def summary(self) -> str:
        """Return the findings, damage first, and the sum."""
        lines = [bag.summary() for bag in self.bags if not bag.ok]
        lines += [*self.problems, *(f"note: {note}" for note in self.notes)]
        lines += [result.summary() for result in self.recomputed]
        damaged = sum(not bag.ok for bag in self.bags)
        files, size = sum(bag.n_files for bag in self.bags), sum(bag.n_bytes for bag in self.bags)
        whole = f"{damaged} of them damaged" if damaged else "all as filed" if self.ok else "as filed, but see above"
        bags = "1 bag" if len(self.bags) == 1 else f"{len(self.bags)} bags"
        lines.append(f"{bags}, {files} files, {size} bytes read: {whole}")
        if self.last_sha256:
            lines.append(f"last hash of the list: {self.last_sha256}")
        return "\n".join(lines)

    def __str__(self) -> str:
        return self.summary()


def verify(place: str | Path, *, recompute: bool = False, last: str | None = None) -> Verified:
    """Check every byte of a bag or of an archive against what was filed.

    Parameters
    ----------
    place : str or Path
        A bag, or an archive. A bag that lies in an archive is also compared
        with its line in the list.
    recompute : bool
        Also run the archived inputs again, with the present version.
    last : str or None
        The last hash of the list as it was kept elsewhere; it has to be in the
        list still.

    Returns
    -------
    Verified
        Findings; nothing is written.

    Raises
    ------
    InputError
        The folder is neither a bag nor an archive.
    """
    place = Path(place)
    if is_bag(place):
        return _verify_bag(place, recompute=recompute, last=last)
    if not place.is_dir() or not (_bag_folders(place) or (place / archive_list.LIST).exists()):
        raise InputError([Problem(str(place), "neither a bag nor an archive", "a folder that thermlab archive made")])
    entries, hashes, problems = archive_list.read_lines(place)
    problems += archive_list.check_chain(entries, hashes, last=last)
    if not (place / archive_list.LIST).is_file():
        problems.append(f"{archive_list.LIST} is missing")
    listed = {entry.bag: entry for entry in entries}
    present = _bag_folders(place)
    checks = []
    for name in [*listed, *sorted(set(present) - set(listed))]:
        if name not in present:
            problems.append(f"missing: the bag {show_name(name)}, which the list has")
            continue
        check = check_bag(place / name)
        checks.append(check)
        problems += _against_list(check, listed.get(name))
    announced = archive_list.pending(place)
    return Verified(
        place=place,
        bags=tuple(checks),
        problems=tuple(problems),
        notes=tuple(_notes(place, announced)),
        recomputed=tuple(recompute_bag(place / check.bag) for check in checks) if recompute else (),
        last_sha256=hashes[-1] if hashes else None,
    )


def _verify_bag(bag: Path, *, recompute: bool, last: str | None) -> Verified:
    check = check_bag(bag)
    problems: list[str] = []
    archive = bag.resolve().parent
    if (archive / archive_list.LIST).is_file():
        entries, hashes, problems = archive_list.read_lines(archive)
        problems += archive_list.check_chain(entries, hashes, last=last)
        problems += _against_list(check, next((entry for entry in entries if entry.bag == bag.resolve().name), None))
    elif last is not None:
        problems.append(f"no {archive_list.LIST} beside the bag to compare the kept hash with")
    return Verified(
        place=bag, bags=(check,), problems=tuple(problems), recomputed=(recompute_bag(bag),) if recompute else ()
    )


def _bag_folders(archive: Path) -> list[str]:
    return sorted(entry.name for entry in archive.iterdir() if not entry.name.startswith(".") and is_bag(entry))


def _against_list(check: BagCheck, entry: archive_list.Entry | None) -> Iterator[str]:
    if entry is None:
        yield f"added: the bag {show_name(check.bag)}, which the list does not have"
    elif entry.tagmanifest_sha256 != check.tagmanifest_sha256:
        yield f"replaced: the bag {show_name(check.bag)} is not the one that was listed ({TAG_MANIFEST} differs)"


def _notes(archive: Path, announced: archive_list.Entry | None) -> Iterator[str]:
    if announced is not None:
        yield f"filing {show_name(announced.bag)} was cut short; the next thermlab archive finishes or clears it"
    for entry in sorted(archive.iterdir()):
        if entry.name.startswith(STAGED):
            yield f"{show_name(entry.name)} is left from a filing cut short; the next thermlab archive removes it"
        elif not entry.name.startswith(".") and entry.name not in BESIDE and not is_bag(entry):
            yield f"{show_name(entry.name)} is not part of the archive"


def recompute_bag(bag: Path) -> Recomputed:
    """Run the inputs of a bag again and compare every reported number.

    The inputs are copied to a temporary folder first, so that nothing can be
    written into the bag.

    Parameters
    ----------
    bag : Path
        The bag.

    Returns
    -------
    Recomputed
        What moved; ``reason`` says why where it could not be done.
    """
    from thermlab import __version__  # noqa: PLC0415

    found = Recomputed(bag=bag.name, filed_version="?", version=__version__)
    kind = next((kind for kind in KINDS.values() if (bag / "data" / kind.name / kind.settings).is_file()), None)
    if kind is None:
        return replace(found, reason="it holds no inputs")
    try:
        filed = read_results(bag / "data" / kind.output / "results.json")
        found = replace(found, filed_version=str(filed.get("thermlab_version")))
        with tempfile.TemporaryDirectory(prefix="thermlab-verify-") as scratch:
            inputs = bag / "data" / kind.name
            copied = Path(scratch) / kind.name
            for name in walk_files(inputs)[0]:
                copy_file(inputs / name, copied / name)
            now = _run_again(kind.name, copied, filed)
    except (ThermlabError, OSError, ValueError) as error:
        lines = str(error).splitlines() or [type(error).__name__]
        reason = lines[0] + (f" (and {len(lines) - 1} more)" if len(lines) > 1 else "")
        return replace(found, reason=reason)
    n_numbers, moved = compare_results(filed, now)
    return replace(found, n_numbers=n_numbers, moved=moved)


def _run_again(kind: str, folder: Path, filed: dict[str, Any]) -> dict[str, Any]:
    from thermlab.compare.analysis import analyse  # noqa: PLC0415 - a plain check does not pay for numpy
    from thermlab.reports.results import to_results  # noqa: PLC0415

    if kind == "build":
        from thermlab.builds.make import assess_build, record_results  # noqa: PLC0415

        return dict(record_results(assess_build(folder, reference=filed.get("reference"))))
    tried = {name: pair[1] for name, pair in (filed.get("overrides") or {}).items()}
    return dict(to_results(analyse(folder, **tried)))


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
