"""Starting a campaign folder."""

import errno
import os

import pytest

from thermlab.base.errors import InputError
from thermlab.campaign.folder import new
from thermlab.runs.reading import check


def test_a_new_campaign_passes_check_once_filled(tmp_path):
    folder = new(tmp_path / "deep" / "campaign")
    with pytest.raises(InputError, match=r"runs\.csv: found no runs"):
        check(folder)
    rows = "".join(f"2026-11-25 10:{i // 60:02d}:{i % 60:02d},{50 + i / 100},49,90,22\n" for i in range(300))
    header = "time,core 0 [degC],core 1 [degC],heater power [W],room [degC]\n"
    (folder / "logs" / "one.csv").write_text(header + rows)
    with (folder / "runs.csv").open("a") as file:
        file.write("r1,<name of the one in use>,1,90,logs/one.csv,,,,,,\n")
    found = check(folder)
    assert found.logs[0].holds.startswith("300 rows every 1 s from 2026-11-25 10:00:00, 5.0 min")
    no_runs, unfilled = found.cautions
    assert no_runs == "treatment '<name of the candidate>' has no runs"
    assert unfilled.startswith("campaign.yaml still has <...> in title, bench, baseline, treatments.")


def test_every_key_that_is_commented_out_is_valid_too(tmp_path):
    folder = new(tmp_path / "campaign")
    path = folder / "campaign.yaml"
    text = path.read_text()
    keys = (
        "pack_",
        "use",
        "electrically",
        "handling",
        "reference",
        "confidence",
        "mounts_",
        "clock:",
        "prior",
        "analysis",
        "checks",
    )
    opened = [
        line.replace("# ", "", 1) if line.strip().startswith(tuple(f"# {key}" for key in keys)) else line
        for line in text.splitlines()
    ]
    assert len([1 for old, new_line in zip(text.splitlines(), opened, strict=True) if old != new_line]) == 14
    path.write_text("\n".join(opened))
    with pytest.raises(InputError) as caught:
        check(folder)
    assert [problem.where for problem in caught.value.problems] == ["runs.csv"]


def test_nothing_is_overwritten(tmp_path):
    (tmp_path / "runs.csv").write_text("mine")
    with pytest.raises(InputError, match=r"runs\.csv: found a file that is there already; allowed: a new file"):
        new(tmp_path)
    assert (tmp_path / "runs.csv").read_text() == "mine"
    assert not (tmp_path / "campaign.yaml").exists()


def test_a_folder_that_cannot_be_made_is_bad_input(tmp_path):
    (tmp_path / "file").write_text("")
    with pytest.raises(InputError, match="a folder that cannot be written"):
        new(tmp_path / "file" / "campaign")


def test_a_disk_that_fills_up_leaves_nothing_in_the_way_of_the_next_try(tmp_path, monkeypatch):
    with monkeypatch.context() as patch:
        calls = []

        def full(handle):
            calls.append(handle)
            if len(calls) > 1:
                raise OSError(errno.ENOSPC, "No space left on device")

        patch.setattr(os, "fsync", full)
        with pytest.raises(InputError, match="No space left"):
            new(tmp_path / "c")
        assert [path for path in (tmp_path / "c").rglob("*") if path.is_file()] == []

    new(tmp_path / "c")
