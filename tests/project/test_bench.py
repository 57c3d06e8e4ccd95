"""The measuring scripts run and say what they should; how fast anything is, is for `make bench` to say."""

import json
import re
import subprocess
import sys
from pathlib import Path

import numpy as np
import pytest

ROOT = Path(__file__).parents[2]
sys.path.insert(0, str(ROOT / "bench"))
sys.path.insert(0, str(ROOT / "study"))

import bench_campaigns  # noqa: E402
import run_bench  # noqa: E402
import scale_study  # noqa: E402

from thermlab.campaign.folder import load_campaign  # noqa: E402
from thermlab.runs.reading import read_campaign_logs  # noqa: E402
from thermlab.runs.settled_runs import settle_runs  # noqa: E402


@pytest.fixture(scope="module")
def base(tmp_path_factory):
    folder = tmp_path_factory.mktemp("bench") / "base"
    return bench_campaigns.write_base(folder, n_sensors=2, soak_min=20.0, interval_s=20.0)


def test_a_larger_campaign_has_its_own_name_and_mount_for_every_run(base, tmp_path):
    folder = bench_campaigns.extend(base, tmp_path / "larger", 60)
    campaign = load_campaign(folder)

    assert len(campaign.runs) == len({run.log for run in campaign.runs}) == 60
    assert len({(run.treatment, run.mount) for run in campaign.runs}) == 12
    assert len(settle_runs(campaign, read_campaign_logs(campaign).traces).runs) == 60


def test_the_bare_reading_reads_the_columns_that_are_declared(base, monkeypatch):
    campaign = load_campaign(base)
    read = []
    original = run_bench.pd.read_csv
    monkeypatch.setattr(run_bench.pd, "read_csv", lambda path: read.append(original(path)) or read[-1])
    run_bench.bare(campaign)

    assert len(read) == 45
    assert list(read[0].columns) == [
        "time",
        "core 1 [degC]",
        "core 2 [degC]",
        "power [W]",
        "clock [MHz]",
        "room [degC]",
    ]


def test_ratios_are_of_the_best_rounds():
    slow = run_bench.Case(lambda: None, clock_s=[3.0, 2.0], processor_s=[1.0, 1.5])
    fast = run_bench.Case(lambda: None, clock_s=[0.5, 1.0], processor_s=[0.5, 0.4])
    rest = run_bench.Case(lambda: None, clock_s=[1.0], processor_s=[0.2])

    assert run_bench.ratio(slow, fast) == pytest.approx((4.0, 2.5))
    assert run_bench.ratio(slow, fast, less=rest, times=2) == pytest.approx((1.0, 1.0))


def test_the_page_holds_every_row_and_the_versions():
    rows = [run_bench.Row("this", "that", 1.234, 2.346, 1.5), run_bench.Row("again", "that", 0.1, 0.2, None)]
    text = run_bench.page(rows, rounds=3, load=0.5)

    assert (
        "| this | that | 1.23 | 2.35 | at most 1.5 |" in text or "| this | that | 1.23 | 2.34 | at most 1.5 |" in text
    )
    assert "| again | that | 0.10 | 0.20 |  |" in text
    assert f"numpy {np.__version__}" in text


def test_a_case_is_timed_on_both_clocks():
    case = run_bench.Case(lambda: sum(range(1000)))
    case.time()

    assert case.clock_s[0] > 0
    assert case.processor_s[0] >= 0


def test_the_floor_runs_every_cell_of_the_report(base):
    done = subprocess.run(
        [sys.executable, ROOT / "bench" / "plain_report.py", base], capture_output=True, text=True, check=False
    )
    assert done.returncode == 0, done.stderr


def test_the_exponent_of_a_known_law_is_found():
    counts = [10, 100, 1000]
    assert scale_study.exponent(counts, [3e-3 * n**1.25 for n in counts]) == pytest.approx(1.25, abs=1e-12)


def test_a_fleet_is_reduced_in_a_process_of_its_own(base, tmp_path):
    found = scale_study.in_a_process(scale_study.fleet(base, tmp_path / "fleet", 50))

    assert found["runs"] == 50
    assert found["seconds"] > 0
    assert 20 < found["peak_MiB"] < 1024


def test_the_pages_say_what_was_measured():
    """docs/scale.md quotes study/results/scale.json; docs/speed.md is written by the bench itself."""
    stored = json.loads((ROOT / "study" / "results" / "scale.json").read_text(encoding="utf-8"))
    text = (ROOT / "docs" / "scale.md").read_text(encoding="utf-8")

    assert f"power {stored['exponent']:.2f}" in text
    for kind in ("large", "single"):
        for one in stored[kind]:
            assert re.search(rf"\| {one['runs']:,} \| {one['ms_per_run']:.1f} \| {one['peak_MiB']:.0f} \|", text), one
    speed = (ROOT / "docs" / "speed.md").read_text(encoding="utf-8")
    assert "| first report |" in speed
    assert "| reading 45 logs |" in speed
