"""What must hold of an archive whatever broke while it was written."""

from pathlib import Path

from thermlab.archives import listing as archive_list
from thermlab.verifying.check import verify

CALLS = ("fsync", "rename", "replace", "mkdir", "unlink", "open", "utime", "chmod")


def assert_sound(store: Path, before: set[str]) -> None:
    """Every bag is whole and listed or announced; nothing that was there is gone."""
    if not store.exists():
        assert not before
        return
    names = {entry.name for entry in store.iterdir() if not entry.name.startswith(".") and entry.is_dir()}
    assert before <= names
    assert len(names) <= len(before) + 1
    if not names:
        return
    found = verify(store)
    assert all(check.ok for check in found.bags)
    announced = archive_list.pending(store)
    allowed = {f"added: the bag {announced.bag}, which the list does not have"} if announced else set()
    if not before:
        allowed.add("bags.jsonl is missing")
    assert set(found.problems) <= allowed
