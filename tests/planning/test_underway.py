"""A campaign under way: which mounts are made, which are planned, and what is said of it."""

from collections import Counter
from dataclasses import replace
from datetime import datetime, timedelta
from pathlib import Path
from types import SimpleNamespace

import numpy as np
import pytest
from click.testing import CliRunner

from thermlab.base.errors import InputError
from thermlab.campaign.runsheet import NOT_MADE
from thermlab.cli import main
from thermlab.compare.comparison import compare_treatments
from thermlab.planning.make import plan
from thermlab.planning.pages import outlook_sentences, under_way
from thermlab.planning.underway import advise
from thermlab.runs.records import ReducedRun
from thermlab.simulate.ladders import simulate_ladders
from thermlab.simulate.network import passive_bench

TREATMENTS = ["grease-a", "pad-b"]


def analysis(
    made,
    *,
    waiting=(),
    mounts_planned=None,
    prior=None,
    seed=1,
    effect_K=-2.0,
    sd_K=0.3,
    runs=None,
    more=None,
    variance="auto",
):
    """Return what the outlook reads of an analysis: mounts in the order given, each with two steps."""
    rng = np.random.default_rng(seed)
    simulated, lines = [], []
    for place, (treatment, mount) in enumerate(made):
        shift = (effect_K if treatment == "pad-b" else 0.0) + sd_K * rng.standard_normal()
        for step in (60.0, 120.0):
            run = ReducedRun(
                run=f"{treatment}-{mount}-{step:g}",
                treatment=treatment,
                mount=mount,
                set_power_W=step,
                rise_K=step / 2 + shift * step / 120,
                order=2 * place + int(step == 120.0),
            )
            simulated.append(run)
            lines.append(SimpleNamespace(treatment=treatment, mount=mount, exclude=""))
    lines += [SimpleNamespace(treatment=treatment, mount=mount, exclude=NOT_MADE) for treatment, mount in waiting]
    decision = SimpleNamespace(
        margin_K=1.0, confidence_level=0.95, mounts_planned=mounts_planned, reference_power_W=120.0
    )
    settings = SimpleNamespace(
        treatments=dict.fromkeys(TREATMENTS),
        baseline="grease-a",
        decision=decision,
        analysis=SimpleNamespace(variance=variance, order_covariate=False),
        prior=None,
        cooling="passive",
        radiated_share=None,
    )
    runs = simulated if runs is None else runs
    comparison = compare_treatments(
        runs,
        treatments=TREATMENTS,
        baseline="grease-a",
        margin_K=1.0,
        prior=prior,
        reference_power_W=120.0,
        variance=variance,
    )
    campaign = SimpleNamespace(settings=settings, runs=tuple(lines), folder=Path("campaign"))
    advice = SimpleNamespace(state="go on", text="Make more.", mounts_more=more or {})
    return SimpleNamespace(campaign=campaign, comparison=comparison, advice=advice, runs=tuple(runs))


def mounts(*pairs):
    return [(TREATMENTS["ab".index(pair[0])], pair[1:]) for pair in pairs]


def test_lines_not_made_yet_are_the_mounts_still_planned_in_their_order():
    found = advise(analysis(mounts("a1", "b1", "b2", "a2"), waiting=mounts("b3", "b3", "a3", "a4", "b4")))

    assert found.n_mounts == {"grease-a": 2, "pad-b": 2}
    assert found.next_treatments == ("pad-b", "grease-a", "grease-a", "pad-b")


def test_a_mount_begun_is_not_planned_again():
    made = mounts("a1", "b1", "b2", "a2")

    found = advise(analysis(made, waiting=mounts("a2", "b3")))

    assert found.next_treatments == ("pad-b",)


def test_the_number_in_the_campaign_is_filled_up_evenly():
    found = advise(analysis(mounts("a1", "b1", "b2"), mounts_planned=3))

    assert sorted(found.next_treatments) == ["grease-a", "grease-a", "pad-b"]
    assert found.next_treatments[0] == "grease-a"


def test_without_a_number_the_mounts_that_the_advice_asks_for_are_taken_and_that_is_said():
    found = advise(analysis(mounts("a1", "b1", "b2", "a2"), more={"grease-a": 1, "pad-b": 3}))

    assert found.next_treatments == ("grease-a", "pad-b", "pad-b", "pad-b")
    assert "as many more as the advice asks for" in found.cautions[0]


def test_mounts_that_the_advice_asks_for_beyond_the_planned_ones_are_mounts_to_come():
    found = advise(analysis(mounts("a1", "b1", "b2", "a2"), mounts_planned=2, more={"grease-a": 1, "pad-b": 1}))

    assert found.next_treatments == ("grease-a", "pad-b")
    assert found.cautions[0].startswith("All planned mounts are made. For more")
    # What the looks so far have shown stays as it was planned.
    as_planned = advise(analysis(mounts("a1", "b1", "b2", "a2"), mounts_planned=2))
    assert found.candidates == as_planned.candidates
    assert found.candidates[0].chance_after == ()
    assert advise(analysis(mounts("a1", "b1"), mounts_planned=1)).next_treatments == ()


def test_another_number_than_the_campaigns_is_cautioned():
    found = advise(analysis(mounts("a1", "b1", "b2", "a2"), mounts_planned=3), mounts=8)

    assert "error rate grow" in found.cautions[0]


def test_lines_and_planned_number_that_disagree_leave_the_larger_and_that_is_said():
    made = mounts("a1", "b1", "b2", "a2", "a3", "b3")

    unlisted = advise(analysis(made, mounts_planned=6, effect_K=-0.9))
    one_line = advise(analysis(made, waiting=mounts("a4"), mounts_planned=6, effect_K=-0.9))
    more_lines = advise(analysis(mounts("a1", "b1"), waiting=mounts("b2", "a2", "a3", "b3"), mounts_planned=2))

    assert one_line.next_treatments == unlisted.next_treatments == ("grease-a", "pad-b") * 3
    assert one_line.candidates == unlisted.candidates
    assert one_line.cautions[0].startswith(
        "decision.mounts_planned says 6 mounts of each, made and listed in the run sheet are grease-a 4, pad-b 3: the"
    )
    assert more_lines.next_treatments == ("pad-b", "grease-a", "grease-a", "pad-b")
    assert "larger number counts as planned" in more_lines.cautions[0]
    assert not any("mounts_planned" in caution for caution in unlisted.cautions)
    agree = analysis(mounts("a1", "b1", "b2", "a2"), waiting=mounts("b3", "a3"), mounts_planned=3)
    assert not any("mounts_planned" in caution for caution in advise(agree).cautions)


@pytest.mark.parametrize(
    ("asked", "named"),
    [(["--mounts", "0"], "--mounts: found 0"), (["--mounts", "-1"], "--mounts: found -1"),
     (["--looks", "end"], "--looks: found end")],
)  # fmt: skip
def test_a_campaign_under_way_has_no_mounts_below_one_and_no_look_at_its_end(bench_campaign, asked, named):
    done = CliRunner().invoke(main, ["plan", "--from", str(bench_campaign), *asked])

    assert done.exit_code == 2
    assert named in str(done.exception) + done.output


def test_more_mounts_than_planned_are_cautioned():
    found = advise(analysis(mounts("a1", "b1", "b2", "a2", "a3", "b3"), mounts_planned=2))

    assert any("all been spent" in caution for caution in found.cautions)


def test_the_rises_at_the_reference_are_what_is_looked_at():
    given = analysis(mounts("a1", "b1", "b2", "a2", "a3", "b3"), mounts_planned=6)

    found = advise(given)

    assert found.candidates[0].difference_K == pytest.approx(given.comparison.treatments[0].difference_K)


@pytest.mark.parametrize(("effect_K", "said"), [(-2.5, True), (-0.6, False)])
def test_a_verdict_at_these_looks_that_is_not_yet_the_reports_says_who_may_stop(effect_K, said):
    given = analysis(mounts("a1", "b1", "b2", "a2", "a3", "b3", "b4", "a4"), mounts_planned=6, effect_K=effect_K)

    found = advise(given)

    assert (found.candidates[0].verdict != "undecided") == said
    assert any("judged by its report at the end goes on" in caution for caution in found.cautions) == said


def test_the_outlook_is_wider_than_one_look_and_is_shown():
    given = analysis(mounts("a1", "b1", "b2", "a2", "a3", "b3"), mounts_planned=6, effect_K=-0.9)

    found = advise(given)
    low, high = found.candidates[0].interval_K

    once = given.comparison.treatments[0].interval_K
    assert low < once[0]
    assert high > once[1]
    sentences = outlook_sentences(found)
    assert "go on. Make more." in sentences
    assert any(sentence.startswith("caution:") for sentence in sentences)
    assert any("pad-b" in sentence for sentence in sentences)
    assert "No campaign" in under_way(None).html


def test_looked_at_halfway_the_interval_is_that_of_the_last_of_two_looks():
    few = advise(analysis(mounts("a1", "b1", "b2", "a2"), mounts_planned=6), looks="halfway")
    half = advise(analysis(mounts("a1", "b1", "b2", "a2", "a3", "b3"), mounts_planned=6), looks="halfway")
    later = advise(analysis(mounts("a1", "b1", "b2", "a2", "a3", "b3", "b4"), mounts_planned=6), looks="halfway")

    assert few.candidates[0].interval_K is None
    assert half.candidates[0].interval_K == later.candidates[0].interval_K
    assert "looks halfway and at the end" in " ".join(half.cautions)


def test_what_the_rooms_leave_open_is_in_the_intervals_of_every_look():
    made = mounts("a1", "b1", "b2", "a2", "a3", "b3")
    runs = analysis(made).runs
    apart = [replace(run, ambient_C=29.0 if run.treatment == "pad-b" else 21.0) for run in runs]
    alike, other = (advise(analysis(made, mounts_planned=6, runs=own)).candidates[0] for own in (runs, apart))
    low, high = alike.interval_K

    assert other.interval_K == pytest.approx((low, high + 0.365 * 60.0 / 65.0 * 8.0 / 3.0 * 1.15), rel=0.02)
    assert (alike.verdict, other.verdict) == ("cooler", "undecided")
    assert other.chance_at_end is None


def test_half_a_mount_counts_as_not_made_and_is_still_planned():
    given = analysis(mounts("a1", "b1", "b2", "a2", "a3"), waiting=mounts("b3"))
    whole = advise(given)
    half = [run for run in given.runs if (run.mount, run.set_power_W) != ("3", 120.0)]

    found = advise(analysis(mounts("a1", "b1", "b2", "a2", "a3"), waiting=mounts("b3"), runs=half))

    assert whole.n_mounts == {"grease-a": 3, "pad-b": 2}
    assert found.n_mounts == {"grease-a": 2, "pad-b": 2}
    assert found.next_treatments == ("grease-a", "pad-b")
    assert found.cautions[0] == "Counted as not made, for want of the reference step: grease-a 3."
    # What is left is compared at the reference step itself, not on a fit that the half mount would force on all.
    at_reference = {
        t: np.mean([r.rise_K for r in half if r.treatment == t and r.set_power_W == 120.0]) for t in TREATMENTS
    }
    assert found.candidates[0].difference_K == pytest.approx(at_reference["pad-b"] - at_reference["grease-a"])


def test_the_outlook_takes_the_variance_that_the_report_takes():
    made = mounts("a1", "b1", "b2", "a2", "a3", "b3")
    given = analysis(made, mounts_planned=6, effect_K=-0.9)
    runs = [replace(r, rise_K=r.rise_K + 3.0 * int(r.mount) * (r.treatment == "pad-b")) for r in given.runs]

    unequal = analysis(made, mounts_planned=6, runs=runs)
    unequal.campaign.settings.analysis.variance = "welch"
    found = advise(unequal)

    assert given.comparison.variance == "pooled"
    assert "where the treatments scatter alike" in " ".join(advise(given).cautions)
    assert "each treatment's own scatter" in " ".join(found.cautions)


def test_a_declared_welch_holds_at_every_look():
    given = analysis(mounts("a1", "b1", "a2", "a3", "a4"), mounts_planned=4, variance="welch")

    found = advise(given)

    assert found.candidates[0].interval_K is None
    assert found.candidates[0].verdict == "undecided"
    assert "take each treatment's own scatter" in " ".join(found.cautions)
    assert "pool the scatter" not in " ".join(found.cautions)


def test_before_there_is_a_comparison_the_advice_and_the_order_are_all():
    given = analysis(mounts("a1", "b1"), mounts_planned=2)
    given.comparison, given.runs = None, ()

    found = advise(given)

    assert found.candidates == ()
    assert found.next_treatments == ("grease-a", "pad-b") * 2
    assert outlook_sentences(found)[0] == "go on. Make more."


def write_run(path, run):
    """Write one simulated run as the planned campaign.yaml says the logger writes."""
    lines = ["time,die 1 [degC],die 2 [degC],heater power [W],room [degC]"]
    start = datetime(2030, 1, 7, 9, 0, 0)  # noqa: DTZ001 - a logger's own clock
    for seconds, cores, power, room in zip(run.time_s, run.temperature_C, run.power_W, run.ambient_C, strict=True):
        stamp = start + timedelta(seconds=round(float(seconds)))
        lines.append(f"{stamp:%Y-%m-%d %H:%M:%S},{cores[0]:g},{cores[1]:g},{power:.1f},{room:.1f}")
    path.write_text("\n".join(lines) + "\n")


@pytest.fixture(scope="module")
def bench_campaign(tmp_path_factory):
    """A planned folder of which two blocks have been made on a simulated bench."""
    folder = tmp_path_factory.mktemp("bench") / "campaign"
    made = plan(
        folder,
        treatments=TREATMENTS,
        baseline="grease-a",
        margin_K=1.0,
        mounts=4,
        steps_W=(60.0, 90.0),
        throttle=False,
        soak_min=30.0,
    )
    begun = [run for run in made.runs if run.block <= 2]
    order = list(dict.fromkeys((run.treatment, run.mount) for run in begun))
    steps = [run.set_power_W for run in begun if (run.treatment, run.mount) == order[0]]
    rng = np.random.default_rng(5)
    resistances = [0.18 - 0.03 * (name == "pad-b") + 0.002 * rng.standard_normal() for name, _ in order]
    ladders = simulate_ladders(passive_bench(), resistances, steps, rng=rng, soak_min=30.0, interval_s=5.0)
    for (treatment, mount), ladder in zip(order, ladders, strict=True):
        names = [run.run for run in begun if (run.treatment, run.mount) == (treatment, mount)]
        for name, run in zip(names, ladder.runs, strict=True):
            write_run(folder / "logs" / f"{name}.csv", run)
    sheet = folder / "runs.csv"
    lines = sheet.read_text().splitlines()
    done = {run.run for run in begun}
    kept = [line.replace(NOT_MADE, "") if line.split(",")[0] in done else line for line in lines]
    sheet.write_text("\n".join(kept) + "\n")
    return folder


def test_from_an_empty_folder_to_an_outlook_after_two_blocks(bench_campaign):
    found = plan(None, from_campaign=bench_campaign)

    assert found.n_mounts == {"grease-a": 2, "pad-b": 2}
    assert len(found.next_treatments) == 4
    assert Counter(found.next_treatments) == found.advice.mounts_more
    # 0.03 K/W at 90 W.
    assert found.candidates[0].difference_K == pytest.approx(-2.7, abs=0.6)
    assert len(found.candidates[0].chance_after) == 3


def test_a_campaign_under_way_is_a_pilot_for_the_next(bench_campaign):
    made = plan(None, treatments=["a", "b"], baseline="a", margin_K=1.0, pilot=bench_campaign, steps_W=(60.0, 90.0))

    assert made.scatter.dof == 2
    # The simulated sink's own constant.
    assert 5 < made.settings["time_constant_min"] < 25
    assert "upper 80 % limit" in made.cautions[0]


def test_the_command_says_what_the_next_mount_can_change(bench_campaign):
    done = CliRunner().invoke(main, ["plan", "--from", str(bench_campaign)])

    assert done.exit_code == 0
    assert "Mounts so far: grease-a 2, pad-b 2." in done.output


def test_a_campaign_under_way_takes_nothing_but_mounts():
    with pytest.raises(InputError, match="margin_K"):
        plan(None, from_campaign="somewhere", margin_K=1.0)
