"""Check a bag or a whole archive, byte for byte, and recompute what it reports.

:func:`verify` only reads. It names each changed, missing or added file, what
breaks the chain of the list of bags, and, where asked, which reported numbers
the present version would report otherwise, and by how much.

A bag may come from anybody, with sums that fit and anything in its files. So nothing that was filed is believed when it
is recomputed: the inputs are run through the present version, and results, table, page and notebook are compared with
what comes out, both ways.
"""

from __future__ import annotations

import contextlib
import csv
import html
import io
import re
import tempfile
from collections.abc import Iterator, Mapping
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any, TypeGuard

from thermlab.archives import listing as archive_list
from thermlab.archives.bags import TAG_MANIFEST, BagCheck, check_bag, is_bag
from thermlab.archives.filing import BESIDE, STAGED
from thermlab.archives.listing import KINDS, Kind
from thermlab.base.errors import InputError, Problem, ThermlabError, show_name, shown
from thermlab.base.files import copy_file, read_regular, walk_files
from thermlab.base.numbers import counted
from thermlab.reports.results import read_json, read_results

SHOWN = 20
MAX_BYTES = 256 << 20
# When and by which version, not what; and pictures, which depend on fonts and on the library that draws them.
NOT_COMPARED = frozenset({"created", "thermlab_version", "schema", "image/png"})
_DRAWN = re.compile(r"data:image/svg\+xml;base64,[^\"]*")
_NAMES = ("run", "treatment", "estimand", "flag", "input", "quantity", "mount")
_UNSEEN = re.compile(r"<(style|script|svg|head|time)\b.*?</\1\s*>", flags=re.DOTALL | re.IGNORECASE)
_SPOKEN = re.compile(r'<[^>]*?\balt="([^"]*)"[^>]*>')
_TAG = re.compile(r"<[^>]*>")


class _Absent(str):
    """Stands where there is nothing, and is the same as no text of a file."""

    __slots__ = ()


_ABSENT = _Absent("absent")


@dataclass(frozen=True, slots=True)
class Moved:
    """A reported number or word that is no longer the same.

    Attributes
    ----------
    where : str
        Place in the results, such as ``comparison.treatments[pad-b].difference_K``.
    old, new : object
        As filed and as computed now; None for null.
    """

    where: str
    old: object
    new: object

    def __str__(self) -> str:
        text = f"{show_name(self.where[:200])}: {_shown(self.old)} -> {_shown(self.new)}"
        if _is_number(self.old) and _is_number(self.new):
            with contextlib.suppress(OverflowError, ZeroDivisionError):  # JSON has whole numbers of any length
                change = float(self.new) - float(self.old)
                text += f", by {change:+.3g}"
                text += f" ({100 * change / abs(float(self.old)):+.3g} %)"
        return text


def _shown(value: object) -> str:
    if isinstance(value, str):
        return shown(value, limit=120)
    return "null" if value is None else shown(value, quoted=False) if _is_number(value) else type(value).__name__


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
    n_new : int
        Numbers that the present version reports and the filed results do not have.
    moved : tuple of Moved
        Numbers and words that are no longer the same.
    reason : str or None
        Why it could not be recomputed; None where it was.
    """

    bag: str
    filed_version: str
    version: str
    n_numbers: int = 0
    n_new: int = 0
    moved: tuple[Moved, ...] = ()
    reason: str | None = None

    @property
    def same_version(self) -> bool:
        """Whether the report was made by the present version."""
        return self.filed_version == self.version

    @property
    def ok(self) -> bool:
        """Whether it was recomputed and nothing moved."""
        return self.reason is None and not self.moved

    def summary(self) -> str:
        """Return what moved and by how much, line by line."""
        name = show_name(self.bag)
        by = f"filed by {self.filed_version}, recomputed by {self.version}"
        if self.reason is not None:
            return f"{name}: not recomputed: {self.reason}"
        if not self.same_version:
            by += f"; {self.n_new} numbers of today's are not in it; its page and notebook were not compared"
        if not self.moved:
            return f"{name}: {self.n_numbers} numbers compared, none moved ({by})"
        lines = [f"{name}: {len(self.moved)} of what it says moved, {self.n_numbers} numbers compared ({by})"]
        lines += [f"{name}: {moved}" for moved in self.moved[:SHOWN]]
        if len(self.moved) > SHOWN:
            lines.append(f"{name}: and {len(self.moved) - SHOWN} more")
        return "\n".join(lines)

    __str__ = summary


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
        lines.append(f"{counted(len(self.bags), 'bag')}, {files} files, {size} bytes read: {whole}")
        if self.last_sha256:
            lines.append(f"last hash of the list: {self.last_sha256}")
        return "\n".join(lines)

    __str__ = summary


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
    alone = is_bag(place)
    if not alone and not (place.is_dir() and (_bag_folders(place) or (place / archive_list.LIST).exists())):
        raise InputError([Problem(str(place), "neither a bag nor an archive", "a folder that thermlab archive made")])
    store = place.resolve().parent if alone else place
    folders = {place.resolve().name: place} if alone else {name: place / name for name in _bag_folders(place)}
    entries, hashes, problems = archive_list.read_lines(store)
    is_listed = (store / archive_list.LIST).is_file()
    if is_listed:
        problems += archive_list.check_chain(entries, hashes, last=last)
    elif not alone:
        problems.append(f"{archive_list.LIST} is missing")
    elif last is not None:
        problems.append(f"no {archive_list.LIST} beside the bag to compare the kept hash with")
    listed = {entry.bag: entry for entry in entries}
    names = dict.fromkeys([*([] if alone else listed), *folders])
    problems += [f"missing: the bag {show_name(name)}, which the list has" for name in names if name not in folders]
    present = [name for name in names if name in folders]
    checks = [_checked(folders[name]) for name in present]
    if is_listed or not alone:
        against = (_against_list(check, listed.get(name)) for name, check in zip(present, checks, strict=True))
        problems += filter(None, against)
    return Verified(
        place=place,
        bags=tuple(checks),
        problems=tuple(problems),
        notes=() if alone else tuple(_notes(place)),
        recomputed=tuple(recompute_bag(folders[name]) for name in present) if recompute else (),
        last_sha256=hashes[-1] if hashes and not alone else None,
    )


def _checked(bag: Path) -> BagCheck:
    """Check one bag; whatever keeps it from being read is said of this bag alone."""
    try:
        return check_bag(bag)
    except (ThermlabError, OSError, ValueError) as error:
        return BagCheck(bag=bag.name, problems=(f"cannot be checked: {shown(error, quoted=False, limit=300)}",))


def _bag_folders(archive: Path) -> list[str]:
    return sorted(entry.name for entry in archive.iterdir() if not entry.name.startswith(".") and is_bag(entry))


def _against_list(check: BagCheck, entry: archive_list.Entry | None) -> str:
    if entry is None:
        return f"added: the bag {show_name(check.bag)}, which the list does not have"
    if entry.tagmanifest_sha256 == check.tagmanifest_sha256:
        return ""
    return f"replaced: the bag {show_name(check.bag)} is not the one that was listed ({TAG_MANIFEST} differs)"


def _notes(archive: Path) -> Iterator[str]:
    announced = archive_list.pending(archive)
    if announced is not None:
        yield f"filing {show_name(announced.bag)} was cut short; the next thermlab archive finishes or clears it"
    for entry in sorted(archive.iterdir()):
        if entry.name.startswith(STAGED):
            yield f"{show_name(entry.name)} is left from a filing cut short; the next thermlab archive removes it"
        elif not entry.name.startswith(".") and entry.name not in BESIDE and not is_bag(entry):
            yield f"{show_name(entry.name)} is not part of the archive"


def recompute_bag(bag: Path) -> Recomputed:
    """Run the inputs of a bag again and compare every file that was made of them.

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
    output = bag / "data" / kind.output
    try:
        filed = read_results(output / "results.json", whole=True)
        found = replace(found, filed_version=show_name(str(filed.get("thermlab_version"))[:40]))
        with tempfile.TemporaryDirectory(prefix="thermlab-verify-") as scratch:
            inputs = bag / "data" / kind.name
            copied = Path(scratch) / kind.name
            for name in walk_files(inputs)[0]:
                copy_file(inputs / name, copied / name)
            sheet = "customer" if (output / "customer.html").is_file() else None
            _make_again(kind, copied, filed, sheet)
            n_numbers, moved = compare_outputs(kind, output, copied / kind.output, strict=found.same_version)
            now = read_json(copied / kind.output / "results.json")
            n_new = compare_results(now, now)[0] - n_numbers
            settings = bag / "data" / "settings.json"
            moved += compare_results(read_json(settings), filed.get("settings"), where=settings.name, strict=True)[1]
    except Exception as error:  # noqa: BLE001 - a bag may hold anything: whatever it is, it is said of this bag alone
        lines = str(error).splitlines() or [type(error).__name__]
        reason = show_name(lines[0].replace(str(bag), bag.name)) + (f" (and {len(lines) - 1} more)" * (len(lines) > 1))
        return replace(found, reason=reason)
    return replace(found, n_numbers=n_numbers, n_new=n_new, moved=moved)


def _make_again(kind: Kind, folder: Path, filed: Mapping[str, Any], sheet: str | None) -> None:
    if kind.name == "build":
        from thermlab.builds.make import record  # noqa: PLC0415 - a plain check does not pay for what makes reports

        outcome = record(folder, reference=filed["reference"])
    else:
        from thermlab.reports.make import report  # noqa: PLC0415 - likewise

        tried = {name: pair[1] for name, pair in (filed.get("overrides") or {}).items()}
        outcome = report(folder, parameters=tried, sheet=sheet)[0]
    if outcome.state != "ok":
        raise ThermlabError(outcome.message)


def compare_outputs(kind: Kind, filed: Path, now: Path, *, strict: bool) -> tuple[int, tuple[Moved, ...]]:
    """Compare the folder of a report as filed with that of the report made again.

    Parameters
    ----------
    kind : Kind
        Which files there are.
    filed, now : Path
        The two folders.
    strict : bool
        Whether both come from one version: then page and notebook have to say the same, and nothing may have been
        added. Of another version only results and table are compared, as far as both have them.

    Returns
    -------
    n_numbers : int
        Numbers that were compared.
    moved : tuple of Moved
        What is not the same, file by file.
    """
    results = "results.json"
    n_numbers, moved = compare_results(read_json(filed / results), read_json(now / results), strict=strict)
    table, notebook = "runs_reduced.csv", f"{kind.output}.ipynb"
    if table in kind.files:
        moved += compare_results(_rows(filed / table), _rows(now / table), where=table, strict=strict)[1]
    if strict:
        # Of the page the first difference: one change often shifts all that follows.
        moved += compare_results(_text(filed / kind.page), _text(now / kind.page), where=kind.page, strict=True)[1][:1]
        moved += compare_results(_cells(filed / notebook), _cells(now / notebook), where=notebook, strict=True)[1]
    return n_numbers, moved


def _rows(path: Path) -> object:
    return list(csv.DictReader(io.StringIO(read_regular(path, MAX_BYTES).decode("utf-8-sig"), newline="")))


def _cells(path: Path) -> object:
    notebook = read_json(path)
    return notebook.get("cells") if isinstance(notebook, dict) else notebook


def _text(path: Path) -> dict[str, str]:
    """Return what a page says by line, what pictures show in words included."""
    page = _UNSEEN.sub("", read_regular(path, MAX_BYTES).decode("utf-8", "replace"))
    lines = html.unescape(_TAG.sub("\n", _SPOKEN.sub(r"\n\1\n", page))).splitlines()
    said = (line.strip() for line in lines if line.strip())
    return {f"line {number} of its text": line for number, line in enumerate(said, start=1)}


def compare_results(
    old: object, new: object, *, where: str = "", strict: bool = False
) -> tuple[int, tuple[Moved, ...]]:
    """Compare results as filed with results as computed now.

    Parameters
    ----------
    old, new : object
        JSON-native results of schema 1, or a part of them.
    where : str
        What the place of each difference begins with.
    strict : bool
        Whether a key that only ``new`` has counts; otherwise a later version may have added it.

    Returns
    -------
    n_numbers : int
        Numbers that were compared.
    moved : tuple of Moved
        What is not the same, in the order of the file.
    """
    pairs = list(_pairs(where, old, new, strict=strict))
    numbers = sum(_is_number(value) for _, value, _ in pairs)
    return numbers, tuple(Moved(place, before, after) for place, before, after in pairs if not _same(before, after))


def _pairs(where: str, old: object, new: object, *, strict: bool) -> Iterator[tuple[str, object, object]]:
    if isinstance(old, Mapping) and isinstance(new, Mapping):
        for key in dict.fromkeys([*old, *new] if strict else old):
            if key not in NOT_COMPARED:
                place = f"{where}.{key}" if where else str(key)
                yield from _pairs(place, old.get(key, _ABSENT), new.get(key, _ABSENT), strict=strict)
    elif isinstance(old, list) and isinstance(new, list):
        names, others = _labels(old), dict(zip(_labels(new), new, strict=True))
        for name, value in zip(names, old, strict=True):
            yield from _pairs(f"{where}[{name}]", value, others.pop(name, _ABSENT), strict=strict)
        for name, value in others.items():
            yield f"{where}[{name}]", _ABSENT, value
    else:
        yield where, _undrawn(old), _undrawn(new)


def _undrawn(value: object) -> object:
    return _DRAWN.sub("", value) if type(value) is str else value


def _labels(items: list[object]) -> list[str]:
    """Name the items of a list by what they are about, so that an inserted one does not shift the rest."""
    found: dict[str, None] = {}
    for place, item in enumerate(items):
        parts = [str(item[key]) for key in _NAMES if key in item] if isinstance(item, Mapping) else []
        label = ", ".join(parts) or str(place)
        found[label if label not in found else f"{label} #{place}"] = None
    return list(found)


def _is_number(value: object) -> TypeGuard[float]:
    return isinstance(value, (int, float)) and not isinstance(value, bool)


def _same(old: object, new: object) -> bool:
    both = _is_number(old) and _is_number(new)
    return (both or type(old) is type(new)) and old == new
