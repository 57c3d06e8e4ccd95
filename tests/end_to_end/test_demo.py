"""The demo campaign: its logs come out of the seed the same every time and match what is committed beside them."""

import csv
import hashlib
import importlib.util
import sys
from pathlib import Path

import pytest

from thermlab.campaign.folder import load_campaign
from thermlab.simulate.logs import run_name, write_logs

DEMO = Path(__file__).parents[2] / "demo"


@pytest.fixture(scope="module")
def make_logs():
    spec = importlib.util.spec_from_file_location("make_logs", DEMO / "make_logs.py")
    module = importlib.util.module_from_spec(spec)
    sys.modules["make_logs"] = module
    spec.loader.exec_module(module)
    return module


@pytest.fixture(scope="module")
def folder(make_logs, tmp_path_factory):
    """Return a copy of the demo's folder with freshly simulated logs."""
    folder = tmp_path_factory.mktemp("demo") / "chart-table"
    folder.mkdir()
    for name in ("campaign.yaml", "runs.csv"):
        (folder / name).write_bytes((DEMO / "chart-table" / name).read_bytes())
    write_logs(folder, make_logs.campaign())
    return folder


def digest(folder):
    return {path.name: hashlib.sha256(path.read_bytes()).hexdigest() for path in sorted(folder.glob("logs/*.csv"))}


def test_same_seed_same_bytes(make_logs, folder, tmp_path):
    write_logs(tmp_path, make_logs.campaign())
    assert len(digest(folder)) == 9
    assert digest(tmp_path) == digest(folder)


def test_campaign_loads_with_every_run(folder, make_logs):
    campaign = load_campaign(folder)
    assert len(campaign.runs) == 3 * 3 * len(make_logs.STEPS_W)
    assert campaign.cautions == ()
    assert list(campaign.settings.treatments) == [treatment.name for treatment in make_logs.TREATMENTS]
    assert campaign.settings.soak.minutes == make_logs.campaign().soak_min


def test_run_sheet_is_the_one_of_the_simulation(folder, make_logs, tmp_path):
    campaign = make_logs.campaign()
    cuts = write_logs(tmp_path, campaign)
    simulated = {
        run_name(mount, power): (f"{power:g}", *cut)
        for mount, entries in zip(campaign.mounts, cuts, strict=True)
        for power, cut in zip(campaign.steps_W, entries, strict=True)
    }
    with (folder / "runs.csv").open(encoding="utf-8", newline="") as file:
        sheet = {row["run"]: (row["set_power_W"], row["log"], row["start"], row["end"]) for row in csv.DictReader(file)}
    assert sheet == simulated


def test_sample_log_is_a_piece_of_a_simulated_one(folder):
    sample = (DEMO / "sample_log.csv").read_text(encoding="utf-8").splitlines()
    log = (folder / "logs" / "tern-grease-1.csv").read_text(encoding="utf-8").splitlines()
    assert sample[0] == log[0]
    at = log.index(sample[1])
    assert sample[1:] == log[at : at + len(sample) - 1]


def test_the_story_is_in_the_truth(make_logs):
    campaign = make_logs.campaign()
    at = campaign.steps_W.index(105.0)
    assert campaign.difference_K["plover-paste"][at] == pytest.approx(-1.785)
    assert abs(campaign.difference_K["dulse-pad"][at]) < 1.0
    shed = [(m.treatment, m.mount, run.set_power_W) for m in campaign.mounts for run in m.ladder.runs if run.truth.shed]
    assert shed == [("dulse-pad", 3, 125.0)]
    # Nothing settles within the soak, except by what the room does; one run is off by far.
    left = {(m.treatment, m.mount, run.set_power_W): run.truth.left_K for m in campaign.mounts for run in m.ladder.runs}
    assert max(left, key=left.get) == ("plover-paste", 2, 85.0)
