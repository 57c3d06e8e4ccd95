"""Twenty faults of each kind of work, seeded; ``make faults`` does two hundred of each (study/fault_injection.py)."""

import random
import sys
from pathlib import Path

import pytest

sys.path.insert(0, str(Path(__file__).resolve().parents[2] / "study"))

import fault_injection
from fault_injection import KERNEL, KINDS, WORKS, Disk, Edit, Filing, Report, WrongError, at_once, broken, kernel_fault

from thermlab.reports import make

CASES = 20
pytestmark = pytest.mark.skipif(
    not sys.platform.startswith("linux"), reason="children are forked, stopped and counted as Linux does it"
)


@pytest.mark.parametrize("work", WORKS, ids=lambda work: work.name)
def test_faults_leave_old_or_new_and_whole_and_the_truth(tmp_path, work):
    found = fault_injection.faults(tmp_path, work, CASES, random.Random(20))

    assert found.total() == CASES
    assert {words.split(" -> ")[0] for words in found} == set(KINDS)
    assert any("killed: " in words for words in found)


@pytest.mark.parametrize("kind", KERNEL)
def test_a_kernel_that_fails_is_told_as_what_it_was(tmp_path, kind):
    kernel_fault(tmp_path, kind)


@pytest.mark.parametrize("work", [Report, Filing, Edit], ids=lambda work: work.name)
def test_two_commands_at_once_leave_everything_whole(tmp_path, work):
    ends = at_once(work(tmp_path), 3)

    assert ends[0] >= 1
    assert set(ends) <= {0, 1, 2}


# These tests notice what they are there for ---------------------------------------------------------------------------


def test_a_report_written_in_place_would_be_noticed(tmp_path, monkeypatch):
    def in_place(target, files):
        for name, content in files.items():
            (target / name).write_bytes(content)

    made = Report(tmp_path)
    monkeypatch.setattr(make, "publish", in_place)

    rng = random.Random(1)

    with pytest.raises(WrongError):
        [made.case(rng, "killed") for _ in range(60)]


def test_a_write_that_is_not_forced_to_disk_would_be_noticed(tmp_path):
    made = Edit(tmp_path)
    made.fresh()
    folder = made.trial

    def careless():
        (folder / "campaign" / "new").write_bytes(made.new)
        (folder / "campaign" / "new").replace(folder / "campaign" / "runs.csv")
        (folder / "campaign" / "end").mkdir()
        return 0

    ended = broken(careless, folder, place=3, kind="power lost")
    fault_injection.lose_power(folder, ended.unforced, random.Random(1))

    assert ended.status == -9
    with pytest.raises(WrongError, match="neither old nor new"):
        made.is_new()


def test_every_call_that_changes_the_disk_is_counted(tmp_path):
    def act():
        (tmp_path / "a").write_bytes(b"1")
        (tmp_path / "a").rename(tmp_path / "b")
        (tmp_path / "b").unlink()
        (tmp_path / "c").mkdir()
        return 0

    assert broken(act, tmp_path).calls == 4
    assert isinstance(Disk(tmp_path, 1, None, "killed", sticky=False), Disk)
