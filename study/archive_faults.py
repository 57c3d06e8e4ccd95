"""How filing and verifying stand up to kills, full disks and damage, with figures.

Run: ``python study/archive_faults.py [--cases 200] [--seed 1]``. Every case files one campaign into an archive that
holds another, is stopped, and is looked at: inputs byte-identical, every bag whole, nothing lost, and filing again
works. Kinds: killed at a random instant, killed at a random write, disk full at a random write; then damage of a
filed bag (flipped, truncated, removed, added, manifest edited), each of which has to be found and named.
"""

from __future__ import annotations

import argparse
import errno
import multiprocessing
import os
import random
import shutil
import signal
import subprocess
import sys
import tempfile
import time
from collections import Counter
from pathlib import Path
from typing import TYPE_CHECKING

sys.path.insert(0, str(Path(__file__).resolve().parents[1] / "tests" / "helpers"))

from archive_soundness import CALLS, assert_sound
from filed_examples import make_campaign, snapshot

from thermlab.archives import listing as archive_list
from thermlab.archives.bags import MANIFEST
from thermlab.archives.filing import archive
from thermlab.base.errors import ArchiveError, InputError
from thermlab.verifying.check import verify

if TYPE_CHECKING:
    from collections.abc import Callable

FORK = multiprocessing.get_context("fork")


def stopped_at(place: int, stop: Callable[[], None]) -> Callable[[], None]:
    """Count the calls that change a disk and stop at one of them; return what undoes it."""
    originals = {name: getattr(os, name) for name in CALLS}
    count = 0

    def wrap(original: Callable[..., object]) -> Callable[..., object]:
        def counted(*args: object, **kwargs: object) -> object:
            nonlocal count
            count += 1
            if count == place:
                stop()
            return original(*args, **kwargs)

        return counted

    for name, original in originals.items():
        setattr(os, name, wrap(original))

    def undo() -> None:
        for name, original in originals.items():
            setattr(os, name, original)

    return undo


def die() -> None:
    """End this process without warning."""
    os.kill(os.getpid(), signal.SIGKILL)


def full() -> None:
    """Fail as a full disk does."""
    raise OSError(errno.ENOSPC, "No space left on device")


def file_and_die(campaign: Path, store: Path, place: int) -> None:
    """File a campaign, to be killed at a write (runs in a child process)."""
    stopped_at(place, die)
    archive(campaign, to=store)


def one_fault(kind: str, campaign: Path, store: Path, rng: random.Random, n_calls: int, seconds: float) -> str:
    """Stop one filing and say what became of it."""
    if kind == "disk full at a write":
        undo = stopped_at(rng.randint(1, n_calls), full)
        try:
            archive(campaign, to=store)
        except (ArchiveError, InputError) as error:
            return "filed, and said so" if "filed as" in str(error) else "refused, nothing filed"
        finally:
            undo()
        return "filed"
    if kind == "killed at a write":
        child = FORK.Process(target=file_and_die, args=(campaign, store, rng.randint(1, n_calls)))
        child.start()
    else:
        child = FORK.Process(target=archive, args=(campaign,), kwargs={"to": store})
        child.start()
        time.sleep(rng.uniform(0.0, 1.3 * seconds))
        child.kill()
    child.join()
    return "killed" if child.exitcode == -signal.SIGKILL else "filed before the kill"


def dry_run(campaign: Path, store: Path) -> tuple[int, float]:
    """Return how many calls that change a disk a filing makes, and how long it takes."""
    calls: list[int] = []
    originals = {name: getattr(os, name) for name in CALLS}
    for name, original in originals.items():
        setattr(os, name, lambda *args, _call=original, **kwargs: (calls.append(1), _call(*args, **kwargs))[1])
    began = time.perf_counter()
    try:
        archive(campaign, to=store)
    finally:
        for name, original in originals.items():
            setattr(os, name, original)
    return len(calls), time.perf_counter() - began


def faults(scratch: Path, cases: int, rng: random.Random) -> None:
    """Stop filings in every way and print what was left."""
    campaign = make_campaign(scratch / "campaign", files={"logs/long.csv": b"0,1\n" * 200_000})
    archive(make_campaign(scratch / "first", cautions=["first"]), to=scratch / "store")
    before = {entry.name for entry in (scratch / "store").iterdir() if entry.is_dir()}
    source = snapshot(campaign)
    n_calls, seconds = dry_run(campaign, scratch / "dry")
    for kind in ("killed at a random instant", "killed at a write", "disk full at a write"):
        outcomes: Counter[str] = Counter()
        for _ in range(cases):
            shutil.rmtree(scratch / "trial", ignore_errors=True)
            trial = Path(shutil.copytree(scratch / "store", scratch / "trial"))
            outcome = one_fault(kind, campaign, trial, rng, n_calls, seconds)
            assert_sound(trial, before)
            if snapshot(campaign) != source:
                raise SystemExit(f"{kind}: the source was touched")
            names = {entry.name for entry in trial.iterdir() if entry.is_dir() and not entry.name.startswith(".")}
            outcomes[f"{outcome}: {'a whole bag' if names - before else 'no bag'}"] += 1
            if kind == "disk full at a write" and ("refused" in outcome) == bool(names - before):
                raise SystemExit(f"{kind}: said {outcome!r} and left {names - before}")
            try:
                archive(campaign, to=trial)
            except InputError as error:
                if "filed already" not in str(error):
                    raise
            found = verify(trial)
            if not found.ok or len(found.bags) != 2:
                raise SystemExit(found.summary())
        print(f"{kind}: {cases} cases, every bag whole, filing again worked each time")
        for outcome, number in sorted(outcomes.items()):
            print(f"    {number:4d}  {outcome}")


def damage(scratch: Path, cases: int, rng: random.Random) -> None:
    """Damage a filed bag in every way and print how often it was found and named."""
    bag = archive(make_campaign(scratch / "whole"), to=scratch / "kept").bag
    files = sorted(str(place.relative_to(bag)) for place in bag.rglob("*") if place.is_file())
    found: Counter[str] = Counter()
    for _ in range(cases):
        kind = rng.choice(["flipped byte", "truncated", "removed", "added", "edited manifest"])
        shutil.rmtree(scratch / "hurt", ignore_errors=True)
        hurt = Path(shutil.copytree(bag.parent, scratch / "hurt")) / bag.name
        name = rng.choice([name for name in files if (hurt / name).stat().st_size])
        place = hurt / name
        if kind == "edited manifest":
            name, place = MANIFEST, hurt / MANIFEST
        place.chmod(0o644)
        content = place.read_bytes()
        at = rng.randrange(len(content))
        if kind in {"flipped byte", "edited manifest"}:
            place.write_bytes(content[:at] + bytes([content[at] ^ (1 << rng.randrange(8))]) + content[at + 1 :])
        elif kind == "truncated":
            place.write_bytes(content[:at])
        elif kind == "removed":
            place.unlink()
        else:
            name = f"data/campaign/added-{at}"
            (hurt / name).write_bytes(b"new")
        told = verify(hurt.parent)
        if told.ok or Path(name).name not in told.summary():
            raise SystemExit(f"{kind} of {name} was not found and named: {told.summary()}")
        found[kind] += 1
    print(f"damage: {cases} cases, each found and its file named: " + ", ".join(f"{n} {k}" for k, n in found.items()))


def speed(scratch: Path, n_campaigns: int, rng: random.Random) -> None:
    """Print how fast an archive of many campaigns is listed and verified."""
    store = scratch / "large"
    for number in range(n_campaigns):
        folder = make_campaign(
            scratch / "one", files={f"logs/{i}.csv": rng.randbytes(20_000) for i in range(6)}, cautions=[str(number)]
        )
        archive(folder, to=store)
        shutil.rmtree(folder)
    listing, verifying, plain = [], [], []
    for _ in range(3):
        began = time.perf_counter()
        archive_list.read_lines(store)
        archive_list.write_index(store)
        listing.append(time.perf_counter() - began)
        began = time.perf_counter()
        found = verify(store)
        verifying.append(time.perf_counter() - began)
        began = time.perf_counter()
        names = subprocess.run(
            ["/usr/bin/find", ".", "-mindepth", "2", "-type", "f", "-print0"],
            cwd=store,
            check=True,
            capture_output=True,
        )
        subprocess.run(
            ["/usr/bin/xargs", "-0", "sha256sum"], input=names.stdout, cwd=store, check=True, stdout=subprocess.DEVNULL
        )
        plain.append(time.perf_counter() - began)
    size = sum(check.n_bytes for check in found.bags)
    print(
        f"speed: {n_campaigns} campaigns, {size / 1e6:.0f} MB in {sum(c.n_files for c in found.bags)} files: "
        f"list and index {min(listing):.2f} s, verify {min(verifying):.2f} s, sha256sum {min(plain):.2f} s "
        f"({min(plain) / min(verifying):.2f} of its speed)"
    )


def main() -> None:
    """Run everything and print the figures."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--cases", type=int, default=200)
    parser.add_argument("--campaigns", type=int, default=1000)
    parser.add_argument("--seed", type=int, default=1)
    asked = parser.parse_args()
    rng = random.Random(asked.seed)  # noqa: S311 - cases to be repeated, no secrets
    with tempfile.TemporaryDirectory() as scratch:
        faults(Path(scratch), asked.cases, rng)
        damage(Path(scratch), asked.cases, rng)
        speed(Path(scratch), asked.campaigns, rng)


if __name__ == "__main__":
    main()
