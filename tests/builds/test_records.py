"""A finished machine's record: the right verdict for known truth, one page, whole or not at all."""

import io
import json
import math
import re
import shutil
import subprocess
from dataclasses import replace
from datetime import datetime, timedelta

import nbformat
import numpy as np
import pytest
import yaml
from build_examples import (
    GAIN_K_PER_W,
    LADDER,
    build_settings,
    make_build,
    make_reference,
    true_rise_K,
    true_throttle_W,
    write_log,
)
from click.testing import CliRunner
from demo_copies import small_copy
from filed_examples import make_campaign, snapshot
from PIL import Image

from thermlab.archives.filed_results import read_archive
from thermlab.archives.filing import archive
from thermlab.base.errors import InputError
from thermlab.builds import make as records
from thermlab.builds import pages as record_pages
from thermlab.builds.assess import judge
from thermlab.builds.evidence import Reference, load_reference, reference_of
from thermlab.builds.make import assess_build, record, record_results
from thermlab.builds.rises import Expected, expected_rises
from thermlab.builds.settings import BuildSettings, load_build
from thermlab.builds.throttle import BuildThrottle, build_throttle
from thermlab.campaign.folder import load_campaign
from thermlab.cli import main
from thermlab.reports.make import report
from thermlab.runs.records import ReducedRun
from thermlab.verifying.check import verify

CUSTOMER = {"room_C": 30, "temperature_C": 85}
LIMIT_K = 55.0
TRUTH_W = true_throttle_W(LIMIT_K, extra_K_per_W=GAIN_K_PER_W["pad-b"])


@pytest.fixture(scope="module")
def campaign(tmp_path_factory):
    return make_reference(tmp_path_factory.mktemp("reference") / "campaign")


@pytest.fixture
def place(tmp_path, campaign):
    shutil.copytree(campaign, tmp_path / "campaign")
    return tmp_path / "build"


def asked(least_W):
    return {"customer": CUSTOMER, "acceptance": {"least_throttle_power_W": least_W}}


# Verdicts with known truth --------------------------------------------------------------------------------------------


def test_a_good_build_passes_and_its_numbers_are_the_true_ones(place):
    found = assess_build(make_build(place, **asked(100)))

    rise, throttle = found.rises[0], found.throttle
    assert rise.rise_K == pytest.approx(true_rise_K(90, extra_K_per_W=GAIN_K_PER_W["pad-b"]), abs=0.05)
    assert rise.interval_K[0] < rise.rise_K < rise.interval_K[1]
    assert throttle.interval_W[0] < TRUTH_W < throttle.interval_W[1]
    assert throttle.throttle_power_W == pytest.approx(TRUTH_W, abs=1.0)
    assert (found.verdict, rise.inside) == ("pass", True)


def test_a_build_that_falls_short_fails(place):
    found = assess_build(make_build(place, **asked(130)))

    assert found.verdict == "fail"
    assert "lies short of the 130 W required" in found.verdict_reason


def test_a_requirement_inside_the_interval_is_referred(place):
    found = assess_build(make_build(place, **asked(round(TRUTH_W))))

    assert found.verdict == "refer"
    assert "reaches below" in found.verdict_reason


@pytest.mark.parametrize(("extra", "word"), [(0.05, "warmer"), (-0.09, "cooler")])
def test_a_build_off_its_treatment_is_referred_even_where_it_keeps_the_limit(place, extra, word):
    found = assess_build(make_build(place, extra_K_per_W=extra, **asked(60)))

    assert found.verdict == "refer"
    assert found.rises[0].inside is False
    assert found.verdict_reason.startswith(f"it runs {word} than a fresh mount")


def test_two_runs_are_both_held_against_the_campaign(place):
    runs = [{"run": f"r{power}", "set_power_W": power, "log": f"logs/{power}.csv"} for power in (70, 110)]

    found = assess_build(make_build(place, runs=runs, **asked(100)))

    assert [one.set_power_W for one in found.rises] == [70.0, 110.0]
    assert found.throttle.interval_W[0] < TRUTH_W < found.throttle.interval_W[1]


def test_a_margin_above_a_load_is_another_way_to_ask(place):
    found = assess_build(make_build(place, customer=CUSTOMER, acceptance={"load_W": 85, "least_margin_W": 15}))

    assert found.throttle.required_W == 100.0
    assert found.throttle.margin_W == pytest.approx(found.throttle.throttle_power_W - 100.0)


def test_a_campaign_without_replicates_cannot_pass_a_build(tmp_path):
    make_reference(tmp_path / "campaign", n_mounts=1)

    found = assess_build(make_build(tmp_path / "build", **asked(100)))

    assert found.verdict == "refer"
    assert "not replicated" in found.verdict_reason


def test_a_power_far_beyond_the_ladder_is_not_given(place):
    found = assess_build(make_build(place, customer={"room_C": 5, "temperature_C": 105}))

    assert found.throttle.throttle_power_W is None
    assert found.verdict == "refer"
    assert "more than 20 % is not trusted" in found.verdict_reason


def test_a_run_cut_short_is_referred_with_its_reason(place):
    make_build(place, **asked(100))
    write_log(place / "logs/r1.csv", 90.0, soak_min=3.0)

    found = assess_build(place)

    assert found.verdict == "refer"
    assert any("r1 is not used" in text or "r1 is doubtful" in text for text in found.cautions)


def test_a_step_the_campaign_lacks_is_cautioned(place):
    runs = [{"run": "r1", "set_power_W": 80, "log": "logs/r1.csv"}]

    found = assess_build(make_build(place, runs=runs, **asked(100)))

    assert found.rises[0].expected_rise_K == pytest.approx(true_rise_K(80, extra_K_per_W=-0.02), abs=1.0)
    assert any("no step at 80 W" in text for text in found.cautions)


@pytest.mark.parametrize(
    ("interval", "insides", "verdict"),
    [
        ((101, 110), (True,), "pass"),
        ((100, 110), (True, True), "pass"),
        ((101, 110), (True, False), "refer"),
        ((101, 110), (None,), "refer"),
        ((99, 110), (True,), "refer"),
        ((90, 99.9), (True,), "fail"),
        ((90, 99.9), (False,), "fail"),
        (None, (True,), "refer"),
    ],
)
def test_the_rule_of_the_verdict(interval, insides, verdict):
    rises = [
        Expected(
            set_power_W=90.0,
            rise_K=50.0 if inside is not False else 55.0,
            u_rise_K=0.3,
            expected_rise_K=50.0,
            n_mounts=3,
            interval_K=None if inside is None else (49.0, 51.0),
            fresh_mount_interval_K=None,
            inside=inside,
            mounts_K=(),
        )
        for inside in insides
    ]
    throttle = BuildThrottle(room_C=30.0, temperature_limit_C=85.0, required_W=100.0, interval_W=interval, reason="x")

    assert judge(rises, throttle)[0] == verdict


def simulated_reference(rng, n_mounts=3):
    runs, order = [], 0
    for treatment, gain in GAIN_K_PER_W.items():
        for mount in range(n_mounts):
            own = gain + rng.normal(0.0, 0.006)
            for power in LADDER:
                rise = true_rise_K(power, extra_K_per_W=own) + rng.normal(0.0, 0.1)
                runs.append(
                    ReducedRun(run=str(order), treatment=treatment, mount=str(mount), set_power_W=power, rise_K=rise)
                )
                runs[-1] = replace(runs[-1], order=order)
                order += 1
    return Reference(
        title="",
        bench="",
        baseline="grease-a",
        created="",
        thermlab_version="",
        results_sha256="",
        runs=tuple(runs),
        time_constant_min=10.0,
        u_time_constant_min=0.3,
        settings={"cooling": "passive", "decision": {"confidence_level": 0.95, "margin_K": 1.0}},
    )


def test_a_radiated_share_declared_for_the_campaign_counts_for_its_builds(tmp_path):
    def expected(share):
        settings = {
            "cooling": "passive",
            "radiated_share": share,
            "measurand": "hottest",
            "decision": {"margin_K": 1.0},
        }
        home = tmp_path / f"share-{share}"
        make_reference(home / "campaign", settings=settings)
        return assess_build(make_build(home / "build", **asked(100))).throttle.expected_interval_W

    known, unknown = expected(0.0), expected(None)
    assert unknown[0] == pytest.approx(known[0])
    assert unknown[1] > known[1] + 0.1


def test_fresh_mounts_lie_in_their_intervals_and_throttle_where_said():
    """200 simulated builds: both coverages at most three binomial standard errors below 0.95, at 0.904 or more."""
    rng = np.random.default_rng(42)
    settings = BuildSettings.model_validate(build_settings(customer=CUSTOMER))
    inside = held = 0
    for _ in range(200):
        reference = simulated_reference(rng)
        extra = GAIN_K_PER_W["pad-b"] + rng.normal(0.0, 0.006)
        read = true_rise_K(90.0, extra_K_per_W=extra) + rng.normal(0.0, 0.3)
        run = ReducedRun(run="r", treatment="pad-b", mount="b", set_power_W=90.0, rise_K=read, u_rise_K=0.3)
        rises = expected_rises([run], reference, treatment="pad-b")
        low, high = build_throttle([run], rises, reference, settings).interval_W
        inside += rises[0].inside
        held += low <= true_throttle_W(LIMIT_K, extra_K_per_W=extra) <= high

    assert inside / 200 >= 0.904
    assert held / 200 >= 0.904


# Without a campaign ---------------------------------------------------------------------------------------------------


def alone(folder, **changes):
    """Write a build that names no campaign."""
    make_build(folder, **changes)
    settings = {key: value for key, value in build_settings(**changes).items() if key != "campaign"}
    (folder / "build.yaml").write_text(yaml.safe_dump(settings, allow_unicode=True), encoding="utf-8")
    return folder


TWO_RUNS = [{"run": f"r{power}", "set_power_W": power, "log": f"logs/{power}.csv"} for power in (70, 100)]


@pytest.mark.parametrize(
    ("least_W", "verdict", "reason"),
    [(90, "pass", "at or above"), (round(TRUTH_W), "refer", "reaches below"), (140, "fail", "lies short of the 140 W")],
)
@pytest.mark.parametrize("runs", [TWO_RUNS, [{"run": "r1", "set_power_W": 95, "log": "logs/r1.csv"}]])
def test_a_build_without_a_campaign_is_held_against_what_is_required(tmp_path, runs, least_W, verdict, reason):
    found = assess_build(alone(tmp_path / "build", runs=runs, **asked(least_W)))

    assert found.verdict == verdict
    assert reason in found.verdict_reason
    assert found.throttle.interval_W[0] < TRUTH_W < found.throttle.interval_W[1]
    assert found.cautions[0].startswith("No campaign stands behind this record")
    assert [(one.interval_K, one.inside, one.n_mounts) for one in found.rises] == [(None, None, 0)] * len(runs)


def test_two_steps_of_a_build_say_more_of_its_curve_than_one(tmp_path):
    widths = []
    for name, powers in (("one", (100,)), ("two", (50, 100))):
        runs = [{"run": f"r{power}", "set_power_W": power, "log": f"logs/{power}.csv"} for power in powers]
        throttle = assess_build(alone(tmp_path / name, runs=runs, **asked(90))).throttle
        widths.append(throttle.contributions_W["shape of the curve"])

    assert widths[1] < 0.5 * widths[0]


def test_a_power_far_above_the_steps_of_the_build_is_not_given(tmp_path):
    folder = alone(tmp_path / "build", runs=[{"run": "a", "set_power_W": 70, "log": "logs/a.csv"}])
    short = assess_build(folder)  # 3.7 time constants: no steady part, and one run alone cannot give the constant
    write_log(folder / "logs/a.csv", 70.0, soak_min=60.0)

    found = assess_build(folder)

    assert "no acceptance run could be used; without the time constant of a campaign" in short.verdict_reason
    assert found.verdict == "refer"
    assert "above the build's highest used step of 70 W, and more than 20 % is not trusted" in found.verdict_reason


def test_the_settings_of_the_bench_count_where_there_is_no_campaign(tmp_path):
    bench = {"cooling": "forced", "measurand": "mean", "bench": "bench-7", "checks": {"drift_K": 0.7}}
    customer = {"limits": CUSTOMER, "customer": None}
    found = assess_build(alone(tmp_path / "build", runs=TWO_RUNS, **bench, **customer))
    results = record_results(found)

    assert results["reference"] is None
    assert results["build"]["bench"] == "bench-7"
    said = results["settings"]
    assert (said["cooling"], said["measurand"], said["checks"]["drift_K"]) == ("forced", "mean", 0.7)
    assert said["customer"] == CUSTOMER
    assert record_results(assess_build(tmp_path / "build", reference=None))["throttle"] == results["throttle"]


def test_the_customers_room_is_in_the_throttle_power_of_a_build(tmp_path):
    """Tested warmer than used: a passive machine throttles there at less power, by one number where it is declared."""

    def found(name, room_C, **changes):
        folder = alone(tmp_path / name, runs=TWO_RUNS, **(asked(90) | changes))
        for number, run in enumerate(TWO_RUNS):
            extra = GAIN_K_PER_W["pad-b"]
            made = {"extra_K_per_W": extra, "room_C": room_C, "soak_min": 80.0, "seed": number + 1}
            write_log(folder / run["log"], run["set_power_W"], **made)
        return assess_build(folder)

    alike, warm = found("alike", 30.0), found("warm", 40.0)
    known = found("known", 40.0, cooling={"kind": "passive", "radiated_share": 0.3})
    fans = found("fans", 20.0, cooling="forced")

    assert warm.throttle.interval_W[0] < alike.throttle.interval_W[0] - 1.0
    assert warm.throttle.throttle_power_W == pytest.approx(alike.throttle.throttle_power_W, abs=0.1)
    assert any("at up to" in text and "W less than here" in text for text in warm.cautions)
    low, high = known.throttle.room_effect_W
    assert low == high < -0.5
    assert known.throttle.throttle_power_W == pytest.approx(warm.throttle.throttle_power_W + low, abs=0.1)
    assert any(f"was moved by {low:+.1f} W" in text for text in known.cautions)
    assert fans.throttle.room_effect_W[0] < -1.0
    assert not any("The acceptance room" in text for text in alike.cautions)


def test_a_mean_of_sensors_says_when_the_hottest_reaches_the_limit(tmp_path):
    settings = build_settings(runs=TWO_RUNS, measurand="mean", **asked(109))
    settings["log"]["temperature"]["columns"] = ["die [degC]", "far [degC]"]
    folder = alone(
        tmp_path / "build", **{k: settings[k] for k in ("runs", "measurand", "log", "customer", "acceptance")}
    )
    for run in TWO_RUNS:
        head, *rows = (folder / run["log"]).read_text().splitlines()
        cells = [row.split(",") for row in rows]
        more = [",".join([*row, f"{float(row[1]) - 6.0 * run['set_power_W'] / 100.0:.3f}"]) for row in cells]
        (folder / run["log"]).write_text("\n".join([f"{head},far [degC]", *more]) + "\n")

    found = assess_build(folder)

    said = next(text for text in found.cautions if text.startswith("The mean of the sensors was judged"))
    assert re.search(r"the hottest was up to [23]\.\d K above it", said)
    named_W = float(re.search(r"about (\d+) W", said)[1])
    assert named_W == pytest.approx(TRUTH_W, abs=1.5)
    assert found.throttle.interval_W[0] > 109.0 > TRUTH_W
    assert (found.verdict, found.verdict_reason.split(",")[0]) == ("refer", "the hottest sensor")


def test_a_build_whose_runs_show_no_time_constant_does_not_pass(tmp_path):
    folder = alone(tmp_path / "build", runs=TWO_RUNS, **asked(90))
    rng = np.random.default_rng(3)
    for run in TWO_RUNS:
        rise = true_rise_K(run["set_power_W"], extra_K_per_W=-0.02)
        rows = [f"{s},{22 + rise + rng.normal(0, 0.05):.3f},{run['set_power_W']},22.0" for s in range(0, 4800, 5)]
        (folder / run["log"]).write_text("\n".join(["t,die [degC],heater [W],room [degC]", *rows]) + "\n")

    found = assess_build(folder)

    assert found.reduced.time_constant_min is None
    assert (found.verdict, found.throttle.interval_W[0] > 90.0) == ("refer", True)
    assert found.verdict_reason.startswith("its runs do not show the time constant")
    assert any(text.startswith("Its runs do not show the time constant") for text in found.cautions)


def test_runs_that_all_shed_power_still_tell_what_they_held(tmp_path):
    """The device holds its limit by taking power away: no rise, but an observation of the throttle power."""
    folder = alone(tmp_path / "build", runs=[{"run": "r1", "set_power_W": 140, "log": "logs/r1.csv"}], **asked(90))
    rng = np.random.default_rng(4)
    rows = [f"{s},{85.0 + rng.normal(0, 0.05):.3f},{107.0 + rng.normal(0, 0.2):.2f},30.0" for s in range(0, 3600, 5)]
    (folder / "logs/r1.csv").write_text("\n".join(["t,die [degC],heater [W],room [degC]", *rows]) + "\n")

    found = assess_build(folder)

    assert found.throttle.reason == "no acceptance run could be used"
    assert found.throttle.directly_observed_W == pytest.approx(107.0, abs=0.3)


@pytest.mark.parametrize(
    ("changes", "where", "found"),
    [
        ({"campaign": "../x", "cooling": "forced"}, "(cooling)", "a setting of the bench beside a campaign"),
        ({"limits": CUSTOMER}, "(limits)", "customer and limits"),
        ({"customer": None}, "build.yaml", "no limit"),
    ],
)
def test_each_setting_of_a_build_stands_in_one_place(tmp_path, changes, where, found):
    folder = alone(tmp_path / "build")
    settings = {key: value for key, value in build_settings().items() if key != "campaign"} | changes
    (folder / "build.yaml").write_text(yaml.safe_dump(settings), encoding="utf-8")

    with pytest.raises(InputError) as caught:
        load_build(folder)

    assert [problem.found for problem in caught.value.problems] == [found]
    assert where in caught.value.problems[0].where


@pytest.mark.parametrize("powers", [(100.0,), (60.0, 100.0), (50.0, 75.0, 100.0)])
def test_builds_without_a_campaign_throttle_where_said(powers):
    """200 simulated builds whose curve is none the kit fits: at most three standard errors below 0.95."""
    rng = np.random.default_rng(7)
    settings = BuildSettings.model_validate(build_settings(campaign=None, customer=CUSTOMER))
    reference = reference_of(settings)
    held = given = 0
    for _ in range(200):
        extra, offset = rng.normal(0.0, 0.02), rng.normal(0.0, 0.25)
        runs = [
            ReducedRun(
                run=f"{power}",
                treatment="pad-b",
                mount="b",
                set_power_W=power,
                rise_K=true_rise_K(power, extra_K_per_W=extra) + offset + rng.normal(0.0, 0.1),
                u_rise_K=math.hypot(0.25, 0.1),
                u_rise_a_K=0.1,
            )
            for power in powers
        ]
        rises = expected_rises(runs, reference, treatment="pad-b")
        interval = build_throttle(runs, rises, reference, settings).interval_W
        if interval is not None:  # a mild build may throttle too far above its own steps
            given += 1
            held += interval[0] <= true_throttle_W(LIMIT_K, extra_K_per_W=extra) <= interval[1]

    assert given >= 195
    assert held / given >= 0.904


def test_a_record_without_a_campaign_is_filed_recomputed_and_has_no_part_in_the_history_of_mounts(tmp_path):
    build = alone(tmp_path / "build", runs=TWO_RUNS, **asked(90))
    outcome = record(build)
    assert outcome.state == "ok", outcome.message
    page = (build / "record" / "record.html").read_text(encoding="utf-8")
    for words in (
        "Held against what is required of it, alone",
        "No campaign stands behind this record",
        "Campaign: none",
    ):
        assert words in page
    assert "fresh mount" not in re.sub(r"<(style|script).*?</\1>", "", page, flags=re.DOTALL)

    filed = archive(build, to=tmp_path / "store")

    assert verify(tmp_path / "store", recompute=True).ok
    assert read_archive(tmp_path / "store").builds[0]["reference"] is None
    assert CliRunner().invoke(main, ["history", str(tmp_path / "store")]).exit_code == 0
    assert "1 build without a campaign that says" in (tmp_path / "store" / "history.html").read_text(encoding="utf-8")
    assert filed.bag.is_dir()


# Bad input ------------------------------------------------------------------------------------------------------------


def test_every_problem_of_a_build_is_named_with_its_line(place):
    settings = build_settings(acceptance={"load_W": 85}, treatmnt="x")
    settings["runs"] = [{"run": "r1", "set_power_W": -1, "log": "../out.csv", "powr": 3}]
    place.mkdir()
    (place / "build.yaml").write_text(yaml.safe_dump(settings), encoding="utf-8")

    with pytest.raises(InputError) as caught:
        load_build(place)

    text = str(caught.value)
    assert re.search(
        r"build\.yaml:\d+ \(treatmnt\): found the unknown key 'treatmnt'; the nearest known key is treatment", text
    )
    assert re.search(r"build\.yaml:\d+ \(runs\.0\.set_power_W\)", text)
    assert re.search(
        r"\(runs\.0\.powr\): found the unknown key 'powr'; .*; allowed: the keys run, set_power_W, log", text
    )
    assert re.search(r"build\.yaml:\d+ \(acceptance\): found load_W; allowed: exactly one of", text)


@pytest.mark.parametrize(
    ("changes", "where", "found"),
    [
        ({"runs": [{"run": "r1", "set_power_W": 90, "log": "../x.csv"}]}, "runs.0.log", "leaves the build folder"),
        ({"runs": [{"run": "r1", "set_power_W": 90, "log": "/etc/passwd"}]}, "runs.0.log", "absolute path"),
        ({"photos": [{"file": "photos/none.jpg", "shows": "x"}]}, "photos.0.file", "does not exist"),
        ({"runs": [{"run": "r1", "set_power_W": 90, "log": "logs/r1.csv", "start": "noon"}]}, "runs.0.start", "noon"),
    ],
)
def test_paths_and_times_are_checked_before_anything_is_read(place, changes, where, found):
    make_build(place)
    (place / "build.yaml").write_text(yaml.safe_dump(build_settings(**changes)), encoding="utf-8")

    with pytest.raises(InputError) as caught:
        load_build(place)

    problem = caught.value.problems[0]
    assert f"({where})" in problem.where
    assert found in problem.found


@pytest.mark.parametrize(
    ("first", "second", "refused"),
    [
        ({}, {}, True),
        ({"end": "1300"}, {"start": "1200"}, True),
        ({"start": "1200"}, {"end": "1300", "log": "./logs/r1.csv"}, True),
        ({"end": "1200"}, {"start": "1200"}, False),
        ({"exclude": "door open"}, {}, False),
        ({}, {"log": "logs/r2.csv"}, False),
    ],
)
def test_two_runs_of_the_same_readings_are_refused(place, first, second, refused):
    """They would count as two observations."""
    runs = [
        {"run": name, "set_power_W": 90, "log": "logs/r1.csv"} | more for name, more in (("r1", first), ("r2", second))
    ]
    folder = make_build(place, runs=runs)
    if not refused:
        assert len(load_build(folder).settings.runs) == 2
        return
    with pytest.raises(InputError, match=r"\(runs\.1\): found 'r2' overlapping 'r1'"):
        load_build(folder)


@pytest.fixture(scope="module")
def with_logs(tmp_path_factory):
    """A campaign with logs and a report of them."""
    folder = small_copy(tmp_path_factory.mktemp("logged") / "campaign")
    assert report([folder])[0].state == "ok"
    return folder


@pytest.mark.parametrize(("days", "added_K"), [(0, 0.0), (40, 0.0), (40, 0.7)])
def test_a_build_made_of_readings_of_its_campaign_is_refused(with_logs, tmp_path, days, added_K):
    """Whatever dates stand beside them, and with a constant added."""
    line = next(
        run for run in load_campaign(with_logs).runs if run.treatment == "dulse-pad" and run.set_power_W == 85.0
    )
    head, *rows = (with_logs / line.log).read_text().splitlines()
    cores = [i for i, name in enumerate(head.split(",")) if name.startswith("core")]

    def moved(time):
        return (datetime.fromisoformat(time) + timedelta(days=days)).isoformat(sep=" ")

    def edited(row):
        cells = row.split(",")
        read = {i: f"{float(cells[i]) + added_K:.1f}" for i in cores}
        return ",".join([moved(cells[0]), *(read.get(i, cell) for i, cell in enumerate(cells) if i)])

    run = {"run": "a", "set_power_W": 85.0, "log": "logs/a.csv", "start": moved(line.start), "end": moved(line.end)}
    log = yaml.safe_load((with_logs / "campaign.yaml").read_text())["log"]
    build = tmp_path / "build"
    (build / "logs").mkdir(parents=True)
    (build / "logs" / "a.csv").write_text("\n".join([head, *map(edited, rows)]) + "\n")
    settings = build_settings(campaign=str(with_logs), treatment="dulse-pad", log=log, runs=[run])
    (build / "build.yaml").write_text(yaml.safe_dump(settings))

    with pytest.raises(InputError) as caught:
        assess_build(build)
    assert str(caught.value).startswith(
        f"build.yaml, run 1: found readings that are those of the campaign's run {line.run} (100%, change by change)"
    )


def test_a_build_that_rests_on_a_doubtful_run_is_referred(place):
    folder = make_build(place, **asked(TRUTH_W - 20.0))
    assert assess_build(folder).verdict == "pass"
    log = folder / "logs" / "r1.csv"
    head, *rows = log.read_text().splitlines()
    log.write_text("\n".join([head, *(row for row in rows if not 600 <= int(row.split(",")[0]) < 720)]) + "\n")

    found = assess_build(folder)

    assert found.verdict == "refer"
    assert found.verdict_reason == "it rests on a doubtful run (r1: gap), which has to be run again"


def test_a_sensor_that_ends_is_seen_on_a_build_too(place):
    runs = [{"run": f"r{power:g}", "set_power_W": power, "log": f"logs/{power:g}.csv"} for power in (90.0, 110.0)]
    folder = make_build(place, runs=runs, **asked(60.0))
    for log in (folder / "logs").iterdir():
        head, *rows = log.read_text().splitlines()
        cells = [row.split(",") for row in rows]
        log.write_text("\n".join([head, *(f"{t},{min(float(c), 60.0):.3f},{p},{room}" for t, c, p, room in cells)]))

    found = assess_build(folder)

    assert all("at the ceiling" in {flag.flag for flag in run.flags} for run in found.reduced.runs)
    assert found.verdict == "refer"


def test_the_record_says_when_its_runs_were_made_where_the_log_does(place):
    make_build(place)
    undated = record_pages.opening(assess_build(place)).html
    head, *rows = (place / "logs/r1.csv").read_text().splitlines()
    begun = datetime.fromisoformat("2031-05-04 09:00:00")
    cells = (row.split(",", 1) for row in rows)
    dated = [f"{begun + timedelta(seconds=int(second))},{rest}" for second, rest in cells]
    (place / "logs/r1.csv").write_text("\n".join([head, *dated]) + "\n")
    settings = build_settings()
    settings["log"]["time"] = {"columns": ["t"], "format": "%Y-%m-%d %H:%M:%S"}
    (place / "build.yaml").write_text(yaml.safe_dump(settings))

    assert "Measured" not in undated
    assert "Measured 2031-05-04. " in record_pages.opening(assess_build(place)).html


def test_a_treatment_the_campaign_does_not_have_is_refused(place):
    with pytest.raises(InputError, match=r"build\.yaml \(treatment\): found 'pad-x'; allowed: .*'grease-a', 'pad-b'"):
        assess_build(make_build(place, treatment="pad-x"))


def test_a_campaign_whose_report_is_stale_is_refused(place):
    make_build(place)
    (place.parent / "campaign/runs.csv").write_bytes(b"run,changed\n")

    with pytest.raises(InputError, match=r"build\.yaml \(campaign\): runs\.csv: found changed since the report"):
        assess_build(place)


def test_a_place_that_is_no_campaign_is_refused(place):
    with pytest.raises(InputError, match="neither a campaign nor a bag"):
        assess_build(make_build(place, campaign="../elsewhere"))


def test_a_log_that_cannot_be_read_is_named(place):
    make_build(place)
    (place / "logs/r1.csv").write_bytes(b"nothing\n")

    with pytest.raises(InputError, match=r"logs/r1\.csv.*found no column 't'"):
        assess_build(place)


# Archives -------------------------------------------------------------------------------------------------------------


def test_the_campaign_may_lie_in_an_archive_and_a_damaged_bag_is_refused(place):
    filed = archive(place.parent / "campaign", to=place.parent / "store")
    make_build(place, campaign=f"../store/{filed.bag.name}", **asked(100))

    assert assess_build(place).verdict == "pass"
    assert load_reference(filed.bag, where="x").title == "Grease or pad"
    results = filed.bag / "data/report/results.json"
    results.chmod(0o644)
    results.write_bytes(results.read_bytes() + b" ")
    with pytest.raises(InputError, match="a damaged bag"):
        assess_build(place)


def test_a_campaign_judged_by_a_threshold_that_is_gone_still_judges_a_build_and_says_so(place):
    path = place.parent / "campaign/report/results.json"
    results = json.loads(path.read_text(encoding="utf-8"))
    results["settings"]["checks"] = {"drift_K": 0.7, "threshold_of_old": 2.0}
    path.write_text(json.dumps(results), encoding="utf-8")

    found = assess_build(make_build(place, **asked(100)))

    assert found.verdict == "pass"
    assert [caution for caution in found.cautions if "(threshold_of_old)" in caution]
    assert record_results(found)["settings"]["checks"] == {"drift_K": 0.7}


def test_results_hold_what_is_needed_to_recompute_without_the_campaign(place):
    first = record_results(assess_build(make_build(place, **asked(100))))
    shutil.rmtree(place.parent / "campaign")

    again = record_results(assess_build(place, reference=json.loads(json.dumps(first))["reference"]))

    assert {**first, "created": ""} == {**again, "created": ""}


@pytest.fixture(scope="module")
def finished(tmp_path_factory, campaign):
    """A build with a photo, recorded through the notebook."""
    folder = tmp_path_factory.mktemp("finished")
    shutil.copytree(campaign, folder / "campaign")
    out = io.BytesIO()
    exif = Image.Exif()
    exif.get_ifd(0x8825).update({1: "N", 2: (48.0, 8.0, 14.5)})
    Image.new("RGB", (800, 600), (90, 110, 120)).save(out, format="JPEG", exif=exif)
    photos = [{"file": f"photos/{n}.jpg", "shows": f"Mount before closing, view {n}"} for n in (1, 2, 3, 4)]
    build = make_build(folder / "build", photos=photos, **asked(100))
    (build / "photos").mkdir()
    for n in (1, 2, 3, 4):
        (build / f"photos/{n}.jpg").write_bytes(out.getvalue())
    before = snapshot(build)
    outcome = record(build / "build.yaml")  # stands for its folder
    assert outcome.state == "ok", outcome.message
    assert outcome.folder == build / "record"
    after = {name: state for name, state in snapshot(build).items() if not name.startswith("record") and name != "."}
    assert after == {name: state for name, state in before.items() if name != "."}
    return outcome


def test_a_record_is_whole_and_says_ok(finished):
    names = sorted(entry.name for entry in finished.folder.iterdir())

    assert names == ["picture.svg", "record.html", "record.ipynb", "results.json", "status.json"]
    assert '<time class="written">Written 20' in finished.page.read_text(encoding="utf-8")
    assert json.loads((finished.folder / "status.json").read_text(encoding="utf-8"))["state"] == "ok"
    assert finished.verdict == "pass"


def test_the_page_stands_alone_with_photos_that_do_not_say_where(finished):
    page = finished.page.read_text(encoding="utf-8")

    assert page.count("data:image/jpeg;base64,") == 4
    assert "Mount before closing, view 1" in page
    assert "<script" not in page
    assert "default-src 'none'" in page
    assert "Pass: it keeps what was asked of it." in page
    assert "The builder, signature" in page
    assert str(finished.folder.parent) not in page
    assert len(page) < 1_500_000
    alts = re.findall(r'<img [^>]*alt="([^"]*)"', page)
    assert all(len(alt) > 10 for alt in alts)
    assert any(re.search(r"rises [0-9.]+ K at \d+ W \(expected [0-9.]+ \[[0-9., ]+\] K\)", alt) for alt in alts)
    notebook = (finished.folder / "record.ipynb").read_text(encoding="utf-8")
    assert str(finished.folder.parent) not in notebook


@pytest.mark.parametrize("paper", ["letter", "A4"])
def test_the_page_prints_on_one_sheet(finished, tmp_path, paper):
    chromium, pdfinfo = shutil.which("chromium"), shutil.which("pdfinfo")
    if chromium is None or pdfinfo is None:
        pytest.skip("no chromium or pdfinfo on this machine")
    pdf, page = tmp_path / "record.pdf", tmp_path / "record.html"
    text = finished.page.read_text(encoding="utf-8")
    page.write_text(text.replace("</head>", f"<style>@page {{ size: {paper}; }}</style></head>"), encoding="utf-8")
    options = ["--headless", "--no-sandbox", "--disable-gpu", "--no-pdf-header-footer"]
    subprocess.run([chromium, *options, f"--print-to-pdf={pdf}", page.as_uri()], check=True, capture_output=True)

    told = subprocess.run([pdfinfo, pdf], check=True, capture_output=True, text=True).stdout

    assert re.search(r"Pages:\s+1\b", told), told


def test_a_finished_build_is_filed_verified_recomputed_and_remembered(finished, tmp_path):
    build = finished.folder.parent
    store = tmp_path / "store"

    filed = archive(build, to=store)

    found = verify(store, recompute=True)
    assert found.ok, found.summary()
    assert found.recomputed[0].n_numbers > 50
    assert found.recomputed[0].moved == ()
    assert read_archive(store).builds[0]["build"]["id"] == "B-0042"
    assert (filed.bag / "data/build/photos/1.jpg").read_bytes() == (build / "photos/1.jpg").read_bytes()
    assert "pass: the whole interval" in (store / "index.html").read_text(encoding="utf-8")


def test_a_build_that_shares_a_log_with_a_campaign_does_not_push_it_out(finished, tmp_path):
    build, store = finished.folder.parent, tmp_path / "store"
    (log,) = (build / "logs").iterdir()
    archive(make_campaign(tmp_path / "campaign", files={f"logs/{log.name}": log.read_bytes()}), to=store)
    archive(build, to=store)

    found = read_archive(store)

    assert (len(found.campaigns), len(found.builds), found.left_out) == (1, 1, ())


def test_a_record_that_fails_leaves_the_old_one_and_says_why(place, finished, monkeypatch):
    build = shutil.copytree(finished.folder.parent, place)
    before = snapshot(build / "record")
    template = nbformat.read(records.execution.template_path("build_record"), as_version=4)
    template.cells.append(nbformat.v4.new_code_cell("raise RuntimeError('broken')"))
    nbformat.write(template, place.parent / "broken.ipynb")

    monkeypatch.setattr(records.execution, "template_path", lambda _: place.parent / "broken.ipynb")
    outcome = record(build)

    assert (outcome.state, outcome.verdict) == ("failed", None)
    assert "broken" in outcome.message
    after = snapshot(build / "record")
    kept = {name: state[2] for name, state in after.items() if not name.startswith(".")}
    assert kept == {name: state[2] for name, state in before.items() if not name.startswith(".")}
    assert json.loads((build / "record/.failed/status.json").read_text(encoding="utf-8"))["state"] == "failed"
    monkeypatch.setattr(records, "record", lambda *_, **__: replace(outcome, state="timeout", cell=3))
    said = CliRunner().invoke(main, ["record", str(build)])
    assert said.exit_code == 1
    assert f"{build}: the record took too long in cell 3: " in said.stderr
    assert "as far as it got: " in said.stderr


def test_bad_input_writes_nothing(place):
    make_build(place, treatment="pad-x")
    before = snapshot(place)

    outcome = record(place)

    assert outcome.state == "bad input"
    assert "pad-x" in outcome.message
    assert not (place / "record").exists()
    assert {name for name in snapshot(place) if not name.startswith(".")} == {
        n for n in before if not n.startswith(".")
    }


def test_text_of_a_build_stays_text(place):
    payload = "<img src=x onerror=alert(1)>\"'"
    settings = {"title": payload, "notes": payload, "lot": payload, "signature": payload, "build": payload}
    found = assess_build(make_build(place, **settings, **asked(100)))

    for block in (record_pages.opening, record_pages.rises, record_pages.provenance, record_pages.signature):
        assert "<img" not in block(found).html
