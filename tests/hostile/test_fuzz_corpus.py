"""The fuzzer's corpus without the fuzzer: every kept file, whole, cut and damaged at random, at every reader."""

import random
import sys
import time
import tomllib
import tracemalloc
from pathlib import Path

import pytest

sys.path.insert(0, str(Path(__file__).resolve().parents[2] / "fuzz"))

import targets

ROOT = Path(__file__).resolve().parents[2]
FILES = sorted(path for path in targets.CORPUS.rglob("*") if path.is_file())
TOKENS = [
    b"\0",
    b'"',
    b"\n",
    b"\r",
    b",",
    b";",
    b":",
    b"- ",
    b"{",
    b"[",
    b"&a ",
    b"*a",
    b"\xff\xfe",
    b"\xef\xbb\xbf",
    b"1e999",
    b"nan",
    b"9" * 40,
]
TOKENS += [
    "°".encode(),
    "\u2028".encode(),
    "\u202e".encode(),
    b"..",
    b"/",
    b"\x1f",
    b"\x1b[2J",
    b"2026-02-30 25:61:61",
    b"\\x00",
    b"!!int ",
]


def damaged(raw, rng):
    """Return bytes with a few places changed, cut, doubled or filled with what is awkward."""
    raw = bytearray(raw)
    for _ in range(rng.randint(1, 4)):
        at = rng.randint(0, len(raw))
        end = min(len(raw), at + rng.randint(0, 30))
        what = rng.randrange(5)
        if what == 0:
            raw[at:end] = b""
        elif what == 1:
            raw[at:at] = rng.choice(TOKENS) * rng.randint(1, 3)
        elif what == 2:
            raw[at:at] = raw[at:end]
        elif what == 3 and at < len(raw):
            raw[at] ^= 1 << rng.randrange(8)
        else:
            raw[at:end] = rng.choice(TOKENS)
    return bytes(raw)


@pytest.mark.parametrize("path", FILES, ids=lambda path: f"{path.parent.name}-{path.name}")
def test_kept_files_and_damaged_ones_break_no_promise(path):
    raw, target = path.read_bytes(), targets.TARGETS[path.parent.name]
    rng = random.Random(path.name)
    cases = [raw, raw[: len(raw) // 2], raw[: len(raw) // 3], b"", *(damaged(raw, rng) for _ in range(40))]

    began = time.process_time()
    for case in cases:
        try:
            target(case)
        except Exception as error:
            error.add_note(f"the bytes: {case!r}")
            raise

    assert time.process_time() - began < 10.0


@pytest.mark.parametrize("path", FILES, ids=lambda path: f"{path.parent.name}-{path.name}")
def test_memory_stays_within_ten_times_the_input_and_a_constant(path):
    raw, target = path.read_bytes(), targets.TARGETS[path.parent.name]
    raw += raw[1:] * (200_000 // len(raw))
    tracemalloc.start()
    try:
        target(raw)
        peak = tracemalloc.get_traced_memory()[1]
    finally:
        tracemalloc.stop()

    assert peak < 10 * len(raw) + 16_000_000


def test_the_corpus_is_small_and_some_of_it_is_read_without_a_problem():
    assert sum(path.stat().st_size for path in FILES) < 100_000
    for name in targets.TARGETS:
        assert len([path for path in FILES if path.parent.name == name]) >= 5


def test_the_targets_notice_a_broken_promise(monkeypatch):
    monkeypatch.setattr(targets, "read_log", lambda *_, **__: 1 / 0)
    with pytest.raises(ZeroDivisionError):
        targets.log(b"\0x")
    with pytest.raises(targets.BrokenPromiseError):
        targets.check_problems([], "runs.csv")
    with pytest.raises(targets.BrokenPromiseError):
        targets.check_problems([targets.Problem("runs.csv", "\x1b[2J", "text")], "runs.csv")


def test_the_fuzzer_is_no_part_of_the_lock():
    extras = tomllib.loads((ROOT / "pyproject.toml").read_text(encoding="utf-8"))["project"]["optional-dependencies"]

    assert [line.partition(">=")[0] for line in extras["fuzz"]] == ["atheris"]
    assert "atheris" not in (ROOT / "requirements.lock").read_text(encoding="utf-8")
