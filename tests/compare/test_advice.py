"""One advice for report, plan and notebooks: when to stop, what to make, and which runs are worth making again."""

import csv
import re
from dataclasses import replace

import numpy as np
import pytest
import scipy.stats
from demo_copies import small_copy
from three_treatments import RISES, campaign, flagged

from thermlab.campaign.folder import load_campaign
from thermlab.campaign.runsheet import NOT_MADE
from thermlab.compare.analysis import analyse
from thermlab.compare.comparison import compare_treatments
from thermlab.compare.records import TreatmentComparison
from thermlab.compare.value import decide_each
from thermlab.compare.verdict import (
    EARLY_SHARE,
    advise_next,
    count_mounts,
    from_which_power,
    mounts_first,
    what_one_mount_shows,
)
from thermlab.planning.pages import outlook_sentences
from thermlab.planning.underway import advise
from thermlab.reports.pages import next_steps, opening
from thermlab.reports.results import to_results
from thermlab.reports.wording import matters_from
from thermlab.stats.sequential import MountTally, RunningDecision, look_rule


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


def four_of_six_planned(settings, candidate_K):
    """Return advice and decision after four of six planned mounts of two treatments, which scatter by 0.4 K."""
    rises = {"grease-a": (60.0, 60.4, 59.6, 60.1), "pad-b": tuple(candidate_K + off for off in (0.1, -0.3, 0.4, -0.2))}
    runs = [
        replace(campaign()[0], run=f"{name}-{i}", treatment=name, mount=str(i), set_power_W=90.0, rise_K=rise,
                order=2 * i + (name == "pad-b"))
        for name, own in rises.items() for i, rise in enumerate(own)
    ]  # fmt: skip
    planned = settings.decision.model_copy(update={"mounts_planned": 6, "margin_K": 1.0, "reference_power_W": 90.0})
    two = {name: settings.treatments[name] for name in rises}
    asked = settings.model_copy(update={"treatments": two, "decision": planned})
    found = compare_treatments(runs, treatments=tuple(rises), baseline="grease-a", margin_K=1.0, mounts_planned=6)
    first = mounts_first(asked, found, count_mounts(asked, (), runs, found))
    decided = decide_each(asked, found, None, waiting=first)
    return found.treatments[0].verdict, advise_next(asked, (), runs, found), decided


@pytest.mark.parametrize(("candidate_K", "state"), [(58.2, "go on"), (55.0, "decide")])
def test_before_the_planned_mounts_are_in_only_a_verdict_that_holds_at_every_look_is_acted_on(
    settings, candidate_K, state
):
    verdict, given, decided = four_of_six_planned(settings, candidate_K)

    assert verdict == "cooler by more than the margin", "at one look"
    assert given.state == state
    assert given.mounts_more == ({"grease-a": 2, "pad-b": 2} if state == "go on" else {})
    said = "need not be made: the verdict holds at every look" if state == "decide" else "still planned first"
    assert said in " ".join(given.steps)
    assert ("still planned come first" in decided.treatments[0].decision.text) == (state == "go on")


@pytest.mark.parametrize("margin_apart", [False, True])
def test_acting_early_or_at_the_planned_end_errs_in_no_more_than_the_promised_share(margin_apart):
    """20 000 campaigns of six mounts of two treatments, looked at after each: false differences, false equivalence."""
    order, n, true_K = (0, 1) * 6, 20_000, 1.0 * margin_apart
    rule = look_rule(order, margin_K=1.0, alpha=0.05 * EARLY_SHARE, variance="auto", n_paths=50_000)
    rng = np.random.default_rng(77)
    tally, seen = MountTally(n, 2), RunningDecision(rule, n, 2)
    for look, treatment in enumerate(order):
        tally.add(treatment, true_K * treatment + 0.6 * rng.standard_normal(n))
        if look + 1 < len(order):
            seen.look(tally, look)
    difference, error = tally.difference_and_error(1)
    missed = np.abs(difference - true_K) > scipy.stats.t.ppf(0.975, 10) * error
    alike = np.abs(difference) + scipy.stats.t.ppf(0.95, 10) * error < 1.0

    assert np.mean(missed | (seen.low[1] > true_K) | (seen.high[1] < true_K)) <= 0.055
    assert not margin_apart or np.mean(alike | seen.equivalent[1]) <= 0.055


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


def made_of(counts, shifts_K, sd_K):
    """Return runs of some mounts of each treatment at one step, taking turns."""
    turns = [(mount, name) for mount in range(max(counts.values())) for name in counts if mount < counts[name]]
    base = campaign(steps_W=(90.0,))[0]
    return [
        replace(base, run=f"{name}-{mount}", treatment=name, mount=str(mount), order=place,
                rise_K=50.0 + shifts_K[name] + sd_K * (-1) ** mount * (1 + 0.3 * mount))
        for place, (mount, name) in enumerate(turns)
    ]  # fmt: skip


@pytest.mark.parametrize("planned", [None, 2, 3, 6])
@pytest.mark.parametrize("sd_K", [0.03, 0.3, 1.5])
@pytest.mark.parametrize("shift_K", [0.0, -0.45, -3.0, 3.0])
@pytest.mark.parametrize(
    ("a", "b", "c"), [(1, 1, 1), (2, 1, 1), (1, 2, 2), (2, 2, 2), (3, 3, 3), (3, 2, 3), (6, 6, 6), (6, 6, 5)]
)
def test_state_decisions_and_mounts_to_come_agree(settings, a, b, c, shift_K, sd_K, planned):
    decision = settings.decision.model_copy(update={"mounts_planned": planned})
    own = settings.model_copy(update={"decision": decision})
    counts = dict(zip(RISES, (a, b, c), strict=True))
    runs = made_of(counts, dict(zip(RISES, (0.0, shift_K, 0.6), strict=True)), sd_K)
    found = compare_treatments(runs, treatments=tuple(RISES), baseline="grease-a", margin_K=1.0)
    counted = count_mounts(own, (), runs, found)
    waiting = mounts_first(own, found, counted)
    said = [item.decision.text for item in decide_each(own, found, None, waiting=waiting).treatments]

    given = advise_next(own, (), runs, found)

    assert counted.waiting == {name: (planned or 0) - n for name, n in counts.items() if n < (planned or 0)}
    if counted.waiting and not waiting:
        assert given.state == "decide"
        assert "need not be made: the verdict holds at every look" in given.text
    no_decision = [text.startswith("No decision yet") for text in said]
    if waiting:
        assert given.mounts_more == waiting
        assert all(no_decision)
        assert len(set(said)) == 1
        assert given.state == ("one mount each" if (a, b, c) == (1, 1, 1) else "go on")
        assert not re.search("Take|Keep|Stop|Choose|plan about|make more", given.text)
    elif given.state in ("decide", "stop: out of reach"):
        assert given.mounts_more == {}
        assert not any(no_decision)
        assert min(a, b, c) >= 2
        assert ("Stop comparing" in given.text) == (given.state == "stop: out of reach")
    else:
        assert given.mounts_more
        assert any(no_decision)


def test_who_is_told_to_stop_is_not_told_to_repeat_a_run(settings):
    runs = made_of(dict.fromkeys(RISES, 3), dict.fromkeys(RISES, 0.0), 3.0)
    lost = without(runs, "pad-b-2")
    unplanned = settings.model_copy(update={"decision": settings.decision.model_copy(update={"mounts_planned": None})})

    given = advice(unplanned, lost)

    assert (given.state, given.repeats) == ("stop: out of reach", ())
    assert given.keep == ("pad-b-2",)
    assert "Repeat" not in given.text


def test_one_treatment_alone_is_told_what_is_made_and_what_is_to_come(settings):
    alone = settings.model_copy(
        update={
            "treatments": {"grease-a": settings.treatments["grease-a"]},
            "decision": settings.decision.model_copy(update={"mounts_planned": 4}),
        }
    )
    runs = made_of({"grease-a": 2}, {"grease-a": 0.0}, 0.3)
    unplanned = alone.model_copy(update={"decision": settings.decision.model_copy(update={"mounts_planned": None})})

    assert count_mounts(alone, (), runs, None).made == {"grease-a": 2}
    given = advise_next(alone, (), runs, None)
    assert (given.state, given.mounts_more) == ("go on", {"grease-a": 2})
    assert given.text == "Make the mounts that are still planned first (2 mounts of grease-a)."
    assert advise_next(unplanned, (), runs[:1], None).mounts_more == {"grease-a": 1}
    done = advise_next(unplanned, (), runs, None)
    assert (done.state, done.mounts_more) == ("decide", {})
    assert "nothing to compare" in done.text


def test_what_two_rooms_hide_is_made_in_one_room(settings):
    unplanned = settings.model_copy(update={"decision": settings.decision.model_copy(update={"mounts_planned": None})})
    runs = made_of(dict.fromkeys(RISES, 3), {"grease-a": 0.0, "pad-b": -0.5, "sheet-c": -0.5}, 0.03)
    apart = [replace(run, ambient_C=21.0 if run.treatment == "grease-a" else 45.0) for run in runs]
    found = compare_treatments(apart, treatments=tuple(RISES), baseline="grease-a", margin_K=1.0)

    given = advise_next(unplanned, (), apart, found)

    assert given.text.startswith("Make mounts of pad-b and sheet-c and grease-a in one room")
    assert (given.state, given.mounts_more) == ("go on", dict.fromkeys(RISES, 1))
    decided = decide_each(unplanned, found, None, waiting={}).treatments[0].decision.text
    assert decided == "No decision yet: mounts of both in one room would tell."


def test_a_verdict_that_two_rooms_may_undo_is_not_acted_on_early(settings):
    decision = settings.decision.model_copy(update={"mounts_planned": 6})
    two = {name: settings.treatments[name] for name in ("grease-a", "pad-b")}
    own = settings.model_copy(update={"decision": decision, "treatments": two})
    runs = made_of(dict.fromkeys(two, 4), {"grease-a": 0.0, "pad-b": -1.9}, 0.1)

    def state(room_C):
        stood = [replace(run, ambient_C=room_C if run.treatment == "pad-b" else 21.0) for run in runs]
        found = compare_treatments(stood, treatments=tuple(two), baseline="grease-a", margin_K=1.0)
        return found.treatments[0].verdict, advise_next(own, (), stood, found).state

    assert state(21.0) == ("cooler by more than the margin", "decide")
    assert state(26.5) == ("cooler by more than the margin", "go on")
