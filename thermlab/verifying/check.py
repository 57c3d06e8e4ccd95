"""Check a bag or a whole archive, byte for byte, and recompute what it reports.

:func:`verify` only reads. It names each changed, missing or added file, what
breaks the chain of the list of bags, and, where asked, which reported numbers
the present version would report otherwise, and by how much.
"""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING

from thermlab.archives import listing as archive_list
from thermlab.archives.bags import TAG_MANIFEST, BagCheck, check_bag, is_bag
from thermlab.archives.filing import BESIDE, STAGED
from thermlab.base.errors import InputError, Problem, ThermlabError, show_name, shown
from thermlab.verifying.recompute import Recomputed, recompute_bag

if TYPE_CHECKING:
    from collections.abc import Iterator


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
        check = _checked(place / name)
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


def _checked(bag: Path) -> BagCheck:
    """Check one bag; whatever keeps it from being read is said of this bag alone."""
    try:
        return check_bag(bag)
    except (ThermlabError, OSError, ValueError) as error:
        return BagCheck(bag=bag.name, problems=(f"cannot be checked: {shown(error, quoted=False, limit=300)}",))


def _verify_bag(bag: Path, *, recompute: bool, last: str | None) -> Verified:
    check = _checked(bag)
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
