"""One advice for report, plan and notebooks: when to stop, what to make, and which runs are worth making again."""

import csv
import re
from dataclasses import replace

import numpy as np
import pytest
from demo_copies import small_copy
from three_treatments import RISES, campaign, flagged

from thermlab.campaign.folder import load_campaign
from thermlab.campaign.runsheet import NOT_MADE
from thermlab.compare.analysis import analyse
from thermlab.compare.comparison import compare_treatments
from thermlab.compare.records import TreatmentComparison
from thermlab.compare.verdict import advise_next, from_which_power, what_one_mount_shows
from thermlab.planning.pages import outlook_sentences
from thermlab.planning.underway import advise
from thermlab.reports.pages import next_steps, opening
from thermlab.reports.results import to_results
from thermlab.reports.wording import matters_from


@pytest.fixture(scope="module")
def settings(bench_settings):
    treatments = dict.fromkeys(RISES, next(iter(bench_settings.treatments.values())))
    return bench_settings.model_copy(update={"treatments": treatments, "baseline": "grease-a"})


@pytest.fixture(scope="module")
def bench_settings(tmp_path_factory):
    return load_campaign(small_copy(tmp_path_factory.mktemp("settings") / "demo", every=10)).settings


def advice(settings, runs):
    found = compare_treatments(runs, treatments=tuple(RISES), baseline="grease-a", margin_K=1.0)
    return advise_next(settings, (), runs, found)


def without(runs, *names):
    return [replace(run, used=False, reason="gap") if run.run in names else run for run in runs]


def test_where_every_verdict_stands_it_is_time_to_decide(settings):
    sound = [run for run in campaign() if run.treatment != "sheet-c"]
    found = compare_treatments(sound, treatments=("grease-a", "pad-b"), baseline="grease-a", margin_K=1.0)
    two = settings.model_copy(update={"treatments": {k: v for k, v in settings.treatments.items() if k != "sheet-c"}})

    given = advise_next(two, (), sound, found)

    assert (given.state, given.mounts_more, given.repeats) == ("decide", {}, ())


def test_one_lost_step_of_a_mount_that_has_others_is_kept_as_it_is(settings):
    runs = without(campaign(steps_W=(60.0, 75.0, 90.0)), "pad-b-1-60")

    assert advice(settings, runs).repeats == ()
    assert advice(settings, runs).keep == ("pad-b-1-60",)


def test_a_lost_mount_is_made_again_where_it_narrows_the_interval_by_more_than_a_tenth(settings):
    few = without(campaign(), "pad-b-1-60", "pad-b-1-90")
    many = [
        replace(r, run=f"{r.run}-{i}", mount=f"{r.mount}-{i}", order=r.order + i) for r in campaign() for i in range(4)
    ]
    lost = without(many, "pad-b-1-60-0", "pad-b-1-90-0")

    assert advice(settings, few).repeats == ("pad-b-1-90",)
    assert advice(settings, few).keep == ("pad-b-1-60",)
    assert advice(settings, lost).repeats == ()


def test_a_copied_run_is_made_again(settings):
    runs = [flagged(run, "copied readings", "unusable") if run.run == "pad-b-1-90" else run for run in campaign()]
    runs = [replace(run, used=run.worst() is None) for run in runs]

    assert "pad-b-1-90" in advice(settings, runs).repeats


def test_more_mounts_than_a_workshop_makes_are_out_of_reach(settings):
    wild = [replace(run, rise_K=run.rise_K + 4.0 * int(run.mount)) for run in campaign()]

    given = advice(settings, wild)

    assert given.state == "stop: out of reach"
    assert given.mounts_more == {}
    assert given.steps[0].startswith("Stop comparing pad-b and sheet-c with grease-a by more mounts")


def made_in_part(folder, keep):
    """Return a copy of the demo in which only some lines have been made."""
    made = small_copy(folder, every=10)
    with (made / "runs.csv").open(encoding="utf-8", newline="") as file:
        lines = list(csv.DictReader(file))
    for line in lines:
        if not keep(line):
            line["exclude"] = NOT_MADE
    with (made / "runs.csv").open("w", encoding="utf-8", newline="") as file:
        writer = csv.DictWriter(file, lines[0].keys(), lineterminator="\n")
        writer.writeheader()
        writer.writerows(lines)
    return made


@pytest.mark.parametrize(
    ("keep", "state"),
    [
        (lambda line: False, "nothing measured"),
        (lambda line: line["mount"] == "1", "one mount each"),
        (lambda line: True, "go on"),
    ],
)
def test_logs_of_a_campaign_in_part_say_how_far_it_is(tmp_path, keep, state):
    analysis = analyse(made_in_part(tmp_path / "demo", keep))

    filed = to_results(analysis)["advice"]

    assert filed["state"] == state
    assert filed["mounts_more"]


def test_report_results_and_plan_say_the_same(tmp_path):
    analysis = analyse(small_copy(tmp_path / "demo", every=10))

    filed = to_results(analysis)["advice"]

    lead = f"{filed['state']}. {filed['text']}"
    assert lead in outlook_sentences(advise(analysis))

    def shown(block):
        return " ".join(re.sub(r"<[^>]*>", " ", block.html).replace("\u202f", " ").replace("\xa0", " ").split())

    assert " ".join(filed["text"].split()) in shown(next_steps(analysis))
    for item in to_results(analysis)["comparison"]["treatments"]:
        assert item["decision"]["text"] in shown(opening(analysis))


def test_the_power_from_which_a_difference_matters_is_that_of_the_bench():
    runs = campaign(steps_W=(30.0, 60.0, 90.0))
    found = compare_treatments(runs, treatments=tuple(RISES), baseline="grease-a", margin_K=1.0)
    pad, sheet = found.treatments

    # The rises were made in proportion to power: at that power the means are one margin apart.
    apart = np.mean(RISES["grease-a"]) - np.mean(RISES["pad-b"])
    assert apart * pad.matters_from_W / 90.0 == pytest.approx(1.0)
    assert pad.matters_interval_W[0] < pad.matters_from_W < pad.matters_interval_W[1]
    assert sheet.matters_interval_W[1] is None


def test_an_end_far_outside_the_steps_used_is_open():
    """Differences of 0.3 to 1.1 K at 90 W reach 1 K at 82 W to 300 W: the ladder ends at 90 W, and nobody ran 300."""
    item = TreatmentComparison(
        treatment="pad-b", n_mounts=3, mean_rise_K=40.0, difference_K=-0.7, simultaneous_interval_K=(-1.1, -0.3),
        verdict="cooler",
    )  # fmt: skip

    def said(margin_K, *, difference_K=-0.7, interval=(-1.1, -0.3), steps=(30.0, 60.0, 90.0)):
        own = replace(item, difference_K=difference_K, simultaneous_interval_K=interval)
        found = from_which_power(own, 90.0, margin_K, steps)
        return found.matters_from_W, found.matters_interval_W, matters_from(found)

    assert said(0.5) == (
        pytest.approx(64.3, abs=0.1),
        (pytest.approx(40.9, abs=0.1), None),
        "64 W [41, beyond the ladder]",
    )
    assert said(1.0) == (None, (pytest.approx(81.8, abs=0.1), None), "not below 82 W")
    assert said(0.25)[1:] == ((None, pytest.approx(75.0)), "32 W [below the ladder, 75]")
    assert said(2.0) == (None, (None, None), "not up to 108 W")
    assert said(0.05) == (None, (None, None), "at every power down to 24 W")
    assert said(0.9, interval=(-1.5, 0.1))[1:] == ((pytest.approx(54.0), None), "not below 54 W")


def test_one_mount_each_says_what_it_could_have_shown():
    runs = [run for run in campaign() if run.mount == "0" and run.treatment != "sheet-c"]
    found = compare_treatments(runs, treatments=("grease-a", "pad-b"), baseline="grease-a", margin_K=1.0)

    supposed = what_one_mount_shows(found, None)

    assert [one.mount_sd_K for one in supposed] == [0.3, 0.6, 1.0]
    rng = np.random.default_rng(3)
    for one in supposed:  # two mounts of equal materials pass it in one campaign of twenty
        apart = np.diff(rng.normal(0.0, one.mount_sd_K, (200_000, 2)), axis=1)
        assert np.mean(np.abs(apart) > one.smallest_difference_K) == pytest.approx(0.05, abs=0.002)
        assert one.throttle_half_width_W is None
    sound = compare_treatments(campaign(), treatments=tuple(RISES), baseline="grease-a", margin_K=1.0)
    assert what_one_mount_shows(sound, None) == ()
