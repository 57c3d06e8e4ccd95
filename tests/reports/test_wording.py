"""Sentences of the answer."""

from dataclasses import replace

import pytest
from fixtures_analysis import made_up_analysis

from thermlab.base.numbers import difference_words, number, span_words, together, with_interval
from thermlab.reports import wording


def with_candidate(**changes):
    analysis = made_up_analysis(names={"grease-a": 0.0, "pad-b": 0.004})
    comparison = analysis.comparison
    item = replace(comparison.treatments[0], **changes)
    return replace(analysis, comparison=replace(comparison, treatments=(item,)))


CASES = {
    "cooler by more than the margin": ((-3.0, -1.2), "pad-b runs cooler than grease-a by more than the margin of 1 K"),
    "warmer by more than the margin": ((1.2, 3.0), "pad-b runs warmer than grease-a by more than the margin of 1 K"),
    "equivalent within the margin": ((-0.4, 0.5), "pad-b and grease-a are equivalent within the margin of 1 K"),
    "cooler": ((-2.0, -0.2), "pad-b runs cooler than grease-a"),
    "warmer": ((0.2, 2.0), "pad-b runs warmer than grease-a"),
    "undecided": ((-2.0, 1.0), "Undecided: the mounts made so far do not tell whether pad-b runs cooler or warmer"),
}


@pytest.mark.parametrize("verdict", CASES)
def test_each_verdict_has_its_sentence_with_the_interval(verdict):
    interval, claim = CASES[verdict]
    middle = sum(interval) / 2
    analysis = with_candidate(
        verdict=verdict, difference_K=middle, interval_K=interval, simultaneous_interval_K=interval
    )

    (answer,) = wording.answers(analysis)

    assert answer.lead.startswith(claim)
    assert span_words(interval, 2 if abs(interval[1] - interval[0]) < 1.99 else 1) in answer.lead
    assert "95 % confidence interval" in answer.lead
    assert "significant" not in answer.lead


def test_not_replicated_gives_no_verdict_and_no_interval():
    analysis = with_candidate(
        verdict="not replicated", n_mounts=1, interval_K=None, simultaneous_interval_K=None, equivalence_interval_K=None
    )

    (answer,) = wording.answers(analysis)

    assert answer.claim == "No verdict on pad-b"
    assert "interval" not in answer.lead
    assert "Make two or more mounts each of pad-b and grease-a" in analysis.advice.text


def test_no_mount_at_all_is_said():
    (answer,) = wording.answers(with_candidate(n_mounts=0, difference_K=None, verdict="not replicated"))

    assert answer.lead == "No verdict on pad-b: pad-b has no mount that could be used."


def test_equivalent_but_cooler_says_so():
    analysis = with_candidate(
        verdict="equivalent within the margin", difference_K=-0.5, simultaneous_interval_K=(-0.8, -0.2)
    )

    (answer,) = wording.answers(analysis)

    assert answer.lead.endswith("It is cooler, but by less than the margin.")


def test_undecided_says_how_many_mounts_are_needed():
    analysis = with_candidate(
        verdict="undecided", difference_K=-0.5, simultaneous_interval_K=(-2.0, 1.0), mounts_needed=7
    )

    assert analysis.advice.state == "go on"
    assert "plan about 7 mounts of each treatment in total (pad-b has 3, grease-a 3)" in analysis.advice.text
    assert analysis.advice.mounts_more == {"grease-a": 4, "pad-b": 4}


def test_several_candidates_are_told_that_the_interval_is_simultaneous():
    assert wording.interval_name(made_up_analysis().comparison) == "95 % simultaneous confidence interval"


def test_runs_that_shed_power_are_not_sent_back_to_the_bench():
    analysis = made_up_analysis()

    assert any(flag.flag == "shed power at limit" for run in analysis.runs for flag in run.flags)
    assert not [step for step in analysis.advice.steps if step.startswith("Repeat ")]


def test_candidates_with_one_verdict_share_one_step():
    analysis = made_up_analysis()
    items = tuple(
        replace(item, verdict="undecided", mounts_needed=n)
        for item, n in zip(analysis.comparison.treatments, (7, 9), strict=True)
    )

    text = replace(analysis, comparison=replace(analysis.comparison, treatments=items)).advice.text

    assert "between grease-a and pad-b and sheet-c, plan about 9 mounts of each" in text


def test_a_choice_between_candidates_says_that_they_were_not_compared_with_each_other():
    analysis = made_up_analysis()
    items = tuple(replace(i, verdict="cooler by more than the margin") for i in analysis.comparison.treatments)

    text = replace(analysis, comparison=replace(analysis.comparison, treatments=items)).advice.text

    assert text.startswith("Take pad-b or sheet-c where its price and handling suit.")
    assert "Each was compared with grease-a, not with the others." in text


def test_throttle_sentence_has_room_interval_and_future_mount():
    analysis = made_up_analysis()
    item = analysis.throttle.treatments[1]

    text = wording.throttle_sentence(analysis, "pad-b")

    assert "in a room at 35 °C" in text
    assert f"{item.throttle_power_W:.1f} W" in text
    assert "prediction interval for one future mount" in text
    assert "less than with grease-a" in text


def test_no_throttle_power_says_why():
    analysis = made_up_analysis()
    item = replace(analysis.throttle.treatments[1], throttle_power_W=None, reason="it lies too far above the ladder.")
    rest = (analysis.throttle.treatments[0], item)

    text = wording.throttle_sentence(replace(analysis, throttle=replace(analysis.throttle, treatments=rest)), "pad-b")

    assert text.startswith("No throttle power is given for pad-b: it lies too far above the ladder.")


def test_method_names_what_was_used():
    text = " ".join(wording.method_words(made_up_analysis()))

    assert "Critical value of the intervals: 2.863" in text
    assert "Degrees of freedom: 6" in text
    assert "each at 5 %" in text


@pytest.mark.parametrize(
    ("value", "decimals", "text"),
    [(-1.234, 1, "−1.2"), (0.04, 1, "+0.0".lstrip("+")), (-0.04, 1, "0.0"), (12.0, 0, "+12"), (None, 1, "–")],
)
def test_numbers_have_a_true_minus_and_no_minus_zero(value, decimals, text):
    assert number(value, decimals, sign=True) == text


@pytest.mark.parametrize(
    ("interval", "text"),
    [
        ((-3.04, -1.26), "−2.15 [−3.04, −1.26]"),
        ((-30.4, -12.6), "−2.2 [−30.4, −12.6]"),
        (None, "−2.2"),
    ],
)
def test_intervals_show_two_digits_of_their_half_width(interval, text):
    assert with_interval(-2.15, interval) == text


def test_words_replace_signs():
    assert difference_words(-1.25, 1) == "1.2 K cooler"
    assert difference_words(0.01, 1) == "0.0 K"
    assert span_words((-1.0, 2.0), 1) == "from 1.0 K cooler to 2.0 K warmer"
    assert span_words((0.5, 2.0), 1) == "0.5 to 2.0 K warmer"


def test_number_and_unit_stay_together():
    assert together("-0.5 to [-1, -2] (-3), pad-2-85W, 1e-07") == "−0.5 to [−1, −2] (−3), pad-2-85W, 1e-07"
    assert together("1.2 K at 90 W and 3 mounts, 2 Kids") == "1.2\u00a0K at 90\u00a0W and 3\u00a0mounts, 2 Kids"
