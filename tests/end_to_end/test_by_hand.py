"""Readings without logs and rooms read by hand, from the run sheet to report, archive and history."""

# ruff: noqa: E501  (a row of a table of cases stands on one line)

import csv
import json
import shutil
from pathlib import Path

import numpy as np
import pytest
import yaml
from build_examples import build_settings, write_log
from click.testing import CliRunner
from scipy import stats
from statsmodels.stats.weightstats import CompareMeans, DescrStatsW

from thermlab.archives.filing import archive
from thermlab.base.errors import InputError
from thermlab.campaign.folder import load_campaign
from thermlab.cli import main
from thermlab.compare.analysis import Analysis, analyse
from thermlab.runs.reading import check
from thermlab.simulate.ladders import SimulatedTreatment, simulate_campaign
from thermlab.simulate.logs import write_campaign
from thermlab.simulate.network import passive_bench
from thermlab.verifying.check import verify

YAML = """\
title: From the notebook of the old bench
baseline: tern-grease
treatments: {tern-grease: {}, pad-b: {}}
decision: {margin_K: 1.0}
"""
COLUMNS = "run,treatment,mount,set_power_W,log,start,end,exclude,note,room_C,reading_C,started"
ROOMS_C = {"tern-grease": [21.5, 22.1, 21.7], "pad-b": [21.8, 22.0, 21.2]}
READINGS_C = {"tern-grease": [62.4, 63.5, 62.1], "pad-b": [64.9, 65.2, 65.0]}
DAYS = {
    "tern-grease": ["2021-03-09", "2021-03-02", "2021-03-04"],
    "pad-b": ["2021-03-03 14:05", "2021-03-05", "2021-03-08"],
}


def notebook(folder: Path, *, settings: str = YAML, change: tuple[str, str] = ("", "")) -> Path:
    """Write the notebook as a campaign; `change`: one text of the sheet for another."""
    folder.mkdir()
    (folder / "campaign.yaml").write_text(settings)
    lines = [
        f"{name}-{i + 1},{name},{i + 1},90,,,,,,{ROOMS_C[name][i]},{READINGS_C[name][i]},{DAYS[name][i]}"
        for i in range(3)
        for name in ROOMS_C
    ]
    (folder / "runs.csv").write_text("\n".join([COLUMNS, *lines, ""]).replace(*change, 1))
    return folder


def rises_K(name: str) -> np.ndarray:
    return np.array(READINGS_C[name]) - np.array(ROOMS_C[name])


def test_a_campaign_of_readings_alone_goes_from_sheet_to_report_and_archive(tmp_path):
    folder = notebook(tmp_path / "notebook")

    done = CliRunner().invoke(main, ["report", str(folder), "--sheet", "customer"])

    assert done.exit_code == 0, done.stderr
    assert "settled" not in (folder / "report" / "customer.html").read_text()
    assert "pad-b: warmer by more than the margin, +2.5 [+1.5, +3.5] K" in done.stdout
    results = json.loads((folder / "report" / "results.json").read_text())
    found = results["comparison"]["treatments"][0]
    t = stats.ttest_ind(rises_K("pad-b"), rises_K("tern-grease")).confidence_interval()
    means = CompareMeans(*(DescrStatsW(rises_K(name)) for name in ("pad-b", "tern-grease")))
    assert found["interval_K"] == pytest.approx([t.low, t.high], rel=1e-9)
    assert found["interval_K"] == pytest.approx(means.tconfint_diff(usevar="pooled"), rel=1e-9)
    assert found["welch_interval_K"] == pytest.approx(means.tconfint_diff(usevar="unequal"), rel=1e-6)
    first = results["runs"][0]
    assert (first["run"], first["start"]) == ("tern-grease-2", "2021-03-02"), "in the order made, not written"
    assert first["settled_rise_K"] is None
    assert first["rise_K"] == pytest.approx(41.4)
    assert [flag["flag"] for flag in first["flags"]] == ["no log"]
    assert results["runs"][1]["start"] == "2021-03-03T14:05"
    assert results["campaign"]["measured"] == {"from": "2021-03-02", "to": "2021-03-09"}
    assert results["cautions"][0].startswith("6 of 6 runs are of the lower grade")
    assert results["comparison"]["estimand"] == "rise at 90 W, mean of mounts, candidate minus tern-grease"
    page = (folder / "report" / "report.html").read_text()
    assert "settled rise" not in page.casefold()
    assert 'aria-label="Mean rise in K by step"' in page
    assert "runs are of the lower grade" in page
    assert "Measured from 2021-03-02 to 2021-03-09" in page

    archive(folder, to=tmp_path / "archive")
    (again,) = verify(tmp_path / "archive", recompute=True).recomputed
    assert (again.reason, again.moved) == (None, ())
    told = CliRunner().invoke(main, ["history", str(tmp_path / "archive")])
    assert told.exit_code == 0, told.stderr


def test_the_uncertainty_of_a_reading_is_the_declared_one(tmp_path):
    """Type B alone: sensor, room, readout step over the root of twelve, and power along the curve of the bench."""
    settings = (
        YAML
        + "uncertainty: {temperature_resolution_K: 0.5, temperature_u_K: 0.4, ambient_u_K: 0.2, power_u_percent: 0}\n"
    )
    found = analyse(notebook(tmp_path / "notebook", settings=settings))
    assert found.runs[0].u_rise_K == pytest.approx((0.4**2 + 0.2**2 + 0.5**2 / 12) ** 0.5)


def test_a_reading_at_the_limit_is_left_out(tmp_path):
    settings = YAML + "limits: {temperature_C: 66, room_C: 20}\n"
    found = analyse(notebook(tmp_path / "notebook", settings=settings))
    out = [run for run in found.runs if not run.used]
    assert {run.reason for run in out} == {"shed power at limit"}
    assert {run.treatment for run in out} == {"pad-b"}


@pytest.mark.parametrize(
    ("change", "expected"),
    [
        ((",21.5,62.4,", ",,62.4,"), "runs.csv:2 (room_C): found nothing; allowed: the room of the run"),
        ((",21.5,62.4,", ",294.6,62.4,"), "runs.csv:2 (room_C): found '294.6'; allowed: a room in degC, from -50 to 100"),
        ((",21.5,62.4,", ",21.5,hot,"), "runs.csv:2 (reading_C): found 'hot'; allowed: a reading in degC, from -100 to 400"),
        ((",21.5,62.4,", ",62.4,21.5,"), "runs.csv:2 (reading_C): found 21.5, not above the room of 62.4"),
        ((",21.5,62.4,", ',21.5,"62,4",'), "runs.csv:2 (reading_C): found '62,4'; allowed: a reading in degC, from -100 to 400 with a decimal point"),
        (("2021-03-09", "9.3.2021"), "runs.csv:2 (started): found '9.3.2021'; allowed: a date such as 2026-03-31"),
        (("2021-03-09", "2021-02-30"), "runs.csv:2 (started): found '2021-02-30'"),
        ((",62.4,2021", ",,2021"), "runs.csv:2 (log): found nothing; allowed: not blank, or a finished reading in the column reading_C"),
        (("90,,,,", "90,,10:00:00,,"), "runs.csv:2 (start): found '10:00:00'; allowed: blank without a log"),
        (("90,,,,", "90,logs/a.csv,,,"), "campaign.yaml:1 (log): found no such key; allowed: required: how the logs are read"),
    ],
)  # fmt: skip
def test_what_is_wrong_is_said_with_its_line(tmp_path, change, expected):
    folder = notebook(tmp_path / "notebook", change=change)
    (folder / "logs").mkdir()
    (folder / "logs" / "a.csv").write_text("x")
    with pytest.raises(InputError) as caught:
        load_campaign(folder)
    assert any(expected in str(problem) for problem in caught.value.problems), caught.value.problems


@pytest.fixture(scope="module")
def logged(tmp_path_factory) -> Path:
    """A campaign with logs: two treatments of two mounts at three powers."""
    campaign = simulate_campaign(
        passive_bench(time_constant_min=5.0),
        [SimulatedTreatment(name="tern-grease", resistance_K_per_W=0.10), SimulatedTreatment(name="pad-b", resistance_K_per_W=0.13)],
        steps_W=(60.0, 90.0, 120.0), rng=np.random.default_rng(5), n_mounts=2, soak_min=20.0,
    )  # fmt: skip
    return write_campaign(tmp_path_factory.mktemp("logged") / "campaign", campaign)


def rewritten(logged: Path, folder: Path, changes: dict[str, dict[str, str]], *, room: bool = True) -> Analysis:
    """Analyse a copy whose run sheet has other cells; without `room`, campaign.yaml declares none."""
    shutil.copytree(logged, folder)
    with (folder / "runs.csv").open(newline="") as file:
        lines = [{**dict.fromkeys(COLUMNS.split(","), ""), **line} for line in csv.DictReader(file)]
    with (folder / "runs.csv").open("w", newline="") as file:
        table = csv.DictWriter(file, COLUMNS.split(","))
        table.writeheader()
        table.writerows(line | changes.get(line["run"], changes.get("*", {})) for line in lines)
    if not room:
        text = (folder / "campaign.yaml").read_text()
        (folder / "campaign.yaml").write_text(
            text[: text.index("  ambient:")] + "limits:" + text.partition("limits:")[2]
        )
    return analyse(folder)


def test_readings_beside_logs_are_cautioned_first_and_compared_as_they_stand(logged, tmp_path):
    whole = analyse(logged)
    mine = next(run for run in whole.runs if run.run == "pad-b-2-120W")
    by_hand = {
        "log": "", "start": "", "end": "", "room_C": f"{mine.ambient_C:.3f}", "reading_C": f"{mine.end_reading_C:.3f}",
        "started": "2026-03-09",
    }  # fmt: skip

    found = rewritten(logged, tmp_path / "mixed", {mine.run: by_hand})

    assert "tern-grease 0 of 6 runs, pad-b 1 of 6 runs" in found.cautions[0]
    assert found.cautions[1].startswith("1 of 12 runs are of the lower grade")
    run = next(run for run in found.runs if run.run == mine.run)
    assert run.rise_K == pytest.approx(mine.end_reading_C - mine.ambient_C, abs=2e-3)
    assert run.u_rise_a_K is None
    assert run.order == len(found.runs) - 1, "by its date it was the last"
    others = {run.run: run.rise_K for run in whole.runs if run.run != mine.run}
    assert {run.run: run.rise_K for run in found.runs if run.run != mine.run} == pytest.approx(others, abs=0.05)


def test_a_room_read_by_hand_takes_the_place_of_a_logged_one(logged, tmp_path):
    whole = analyse(logged)
    found = rewritten(logged, tmp_path / "rooms", {"*": {"room_C": "22.0"}}, room=False)

    assert {run.ambient_C for run in found.runs} == {22.0}
    assert {flag.flag for run in found.runs for flag in run.flags} <= {
        flag.flag for run in whole.runs for flag in run.flags
    }
    both = zip(found.runs, whole.runs, strict=True)
    assert all(run.rise_K == pytest.approx(other.rise_K, abs=0.4) for run, other in both)
    with pytest.raises(
        InputError, match=r"no room temperature; allowed: exactly one of .* or room_C of every run in runs\.csv"
    ):
        rewritten(logged, tmp_path / "none", {}, room=False)


def test_a_room_by_hand_that_is_not_the_logged_one_is_said_first(logged, tmp_path):
    # The logs have 22 degC: 25 by hand makes pad-b look cooler by 3 K.
    names = [line.run for line in load_campaign(logged).runs if line.treatment == "pad-b"]
    one_room = analyse(logged)
    rooms = {run.run: run.ambient_C for run in one_room.runs}
    off = rewritten(logged, tmp_path / "off", {name: {"room_C": "25"} for name in names})
    near = rewritten(logged, tmp_path / "near", {name: {"room_C": f"{rooms[name]:.2f}"} for name in names})
    every = rewritten(logged, tmp_path / "every", {"*": {"room_C": "22.0"}}, room=False)

    assert f"is not the logged one in {len(names)} runs" in off.cautions[0]
    assert all(f"{name} 25.0 by hand and {rooms[name]:.1f} in the log" in off.cautions[0] for name in names[:6])
    assert off.caution_list[0].weight == "headline"
    for found in (off, near):
        assert any(
            f"pad-b {len(names)} of {len(names)} runs): what the two differ by" in text for text in found.cautions
        )
    assert any("room_C of every run was read off a thermometer" in text for text in every.cautions)
    for found in (near, every, one_room):
        assert not any("is not the logged one" in text for text in found.cautions)
    assert not any("thermometer" in text for text in one_room.cautions)


def test_a_log_counts_before_the_reading_beside_it(logged, tmp_path):
    found = rewritten(logged, tmp_path / "both", {"pad-b-1-60W": {"reading_C": "50"}})

    assert found.runs == analyse(logged).runs
    assert "a log counts, not the reading_C beside it, in runs 'pad-b-1-60W'" in found.cautions
    assert "run pad-b-1-60W" in check(tmp_path / "both").summary()


def test_a_build_says_that_its_campaign_is_of_readings(tmp_path):
    folder = notebook(tmp_path / "campaign")
    assert CliRunner().invoke(main, ["report", str(folder)]).exit_code == 0
    build = tmp_path / "build"
    write_log(build / "logs" / "r1.csv", 90.0)
    (build / "build.yaml").write_text(yaml.safe_dump(build_settings()))

    done = CliRunner().invoke(main, ["record", str(build)])

    assert done.exit_code == 0, done.stderr
    cautions = json.loads((build / "record" / "results.json").read_text())["cautions"]
    assert "6 of 6 runs of the campaign are readings without a log, of the lower grade." in cautions
