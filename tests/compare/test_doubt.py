"""What puts a verdict in doubt before any rule is applied."""

from dataclasses import replace

import pytest
from three_treatments import RISES, campaign, flagged

from thermlab.compare.comparison import compare_treatments
from thermlab.compare.verdict import doubts


def compared(runs, **more):
    found = compare_treatments(
        runs, treatments=tuple(RISES), baseline="grease-a", margin_K=1.0, confidence_level=0.95, **more
    )
    return {item.treatment: item for item in found.treatments}


def test_sound_runs_leave_every_verdict_as_it_is():
    assert doubts(campaign(), tuple(RISES), 90.0) == {}
    assert compared(campaign())["pad-b"].verdict == "cooler by more than the margin"


def test_a_copied_run_puts_its_treatment_in_doubt_and_takes_the_interval():
    runs = [flagged(run, "copied readings", "unusable") if run.run == "pad-b-1-90" else run for run in campaign()]
    found = compared([replace(run, used=run.worst() is None) for run in runs])

    assert found["pad-b"].verdict == "in doubt"
    assert found["pad-b"].simultaneous_interval_K is found["pad-b"].p_value is found["pad-b"].equivalent is None
    assert "pad-b mount 1" in found["pad-b"].verdict_note
    assert "exclude" in found["pad-b"].verdict_note
    assert found["sheet-c"].verdict != "in doubt"


def test_a_doubtful_baseline_puts_every_candidate_in_doubt_and_keeps_the_intervals():
    runs = [flagged(run, "ambient unsteady") if run.treatment == "grease-a" else run for run in campaign()]
    found = compared(runs)

    assert {item.verdict for item in found.values()} == {"in doubt"}
    assert all(item.simultaneous_interval_K is not None and item.equivalent is None for item in found.values())
    assert "every mount of grease-a is doubtful (ambient unsteady)" in found["pad-b"].verdict_note


@pytest.mark.parametrize("spared", ["1", "2"])
def test_one_mount_without_doubt_is_enough(spared):
    runs = [
        flagged(run, "ambient unsteady") if run.treatment == "pad-b" and run.mount != spared else run
        for run in campaign()
    ]
    assert compared(runs)["pad-b"].verdict == "cooler by more than the margin"


def test_a_mount_without_the_reference_speaks_by_its_other_runs():
    runs = [run for run in campaign() if (run.treatment, run.mount, run.set_power_W) != ("pad-b", "0", 90.0)]
    doubtful = [flagged(run, "load step") if run.treatment == "pad-b" and run.mount != "0" else run for run in runs]
    every = [flagged(run, "load step") if run.treatment == "pad-b" else run for run in runs]

    assert doubts(doubtful, tuple(RISES), 90.0) == {}
    assert list(doubts(every, tuple(RISES), 90.0)) == ["pad-b"]


def test_doubtful_runs_at_other_steps_and_notes_do_not_count():
    other = [flagged(run, "load step") if run.set_power_W == 60.0 else run for run in campaign()]
    noted = [flagged(run, "soak length", "note") for run in campaign()]

    assert doubts(other, tuple(RISES), 90.0) == doubts(noted, tuple(RISES), 90.0) == {}


@pytest.mark.parametrize(("reference_W", "doubted"), [(108.0, False), (108.1, True), (300.0, True), (47.9, True)])
def test_a_reference_far_outside_the_steps_gives_no_difference(reference_W, doubted):
    found = compared(campaign(), reference_power_W=reference_W)["pad-b"]

    assert (found.verdict == "in doubt") is doubted
    assert (found.simultaneous_interval_K is None) is doubted
    if doubted:
        assert f"reference of {reference_W:g} W" in found.verdict_note
