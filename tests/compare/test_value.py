"""Cost against gain."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
import pytest
from fixtures_analysis import made_up_settings
from mount_campaigns import TREATMENTS, from_groups, simulate

from thermlab.campaign.settings import Treatment
from thermlab.compare.comparison import compare_treatments
from thermlab.compare.records import Witness
from thermlab.compare.throttle import predict_throttle
from thermlab.compare.value import assess_value, decide_each


@dataclass
class Price:
    cost_per_mount: float | None


def comparison(groups):
    names = TREATMENTS[: len(groups)]
    return compare_treatments(from_groups(groups), treatments=names, baseline=names[0], margin_K=0.5)


COOLER = [[40.0, 40.1, 39.9], [38.0, 38.1, 37.9]]


def test_cost_per_kelvin_where_the_candidate_is_shown_cooler():
    found = comparison(COOLER)
    value = assess_value({"grease-a": Price(0.80), "pad-b": Price(1.60)}, found)
    base, candidate = value.treatments
    assert (base.treatment, base.cost_per_K) == ("grease-a", None)
    assert candidate.cost_per_K == pytest.approx(0.80 / 2.0)
    low, high = candidate.cost_per_K_interval
    interval = found.treatments[0].simultaneous_interval_K
    assert (low, high) == pytest.approx((0.80 / -interval[0], 0.80 / -interval[1]))
    assert low < candidate.cost_per_K < high


def test_no_cost_per_kelvin_where_nothing_is_shown():
    value = assess_value(
        {"grease-a": Price(0.8), "pad-b": Price(1.6)}, comparison([[40.0, 41.0, 39.0], [39.5, 40.5, 38.5]])
    )
    assert value.treatments[1].cost_per_K is None
    assert value.treatments[1].cost_per_K_interval is None


def test_unknown_price():
    value = assess_value({"grease-a": Price(None), "pad-b": Price(1.6)}, comparison(COOLER))
    assert value.treatments[1].cost_per_K is None
    assert [t.not_beaten for t in value.treatments] == [None, True]


def test_beaten_is_dearer_and_warmer_than_another():
    groups = [[40.0, 40.1, 39.9], [38.0, 38.1, 37.9], [41.0, 41.1, 40.9]]
    prices = {"grease-a": Price(0.8), "pad-b": Price(1.6), "paste-c": Price(1.0)}
    value = assess_value(prices, comparison(groups))
    assert {t.treatment: t.not_beaten for t in value.treatments} == {"grease-a": True, "pad-b": True, "paste-c": False}


def test_cheaper_and_cooler_costs_less_than_nothing():
    value = assess_value({"grease-a": Price(2.0), "pad-b": Price(1.0)}, comparison(COOLER))
    base, candidate = value.treatments
    assert candidate.cost_per_K == pytest.approx(-0.5)
    assert candidate.cost_per_K_interval[0] < -0.5 < candidate.cost_per_K_interval[1]
    assert (base.not_beaten, candidate.not_beaten) == (False, True)


def test_one_treatment_without_comparison():
    value = assess_value({"pad-b": Price(1.0), "grease-a": Price(0.5)}, None, baseline="grease-a")
    assert [(t.treatment, t.cost_per_mount, t.not_beaten) for t in value.treatments] == [
        ("grease-a", 0.5, None),
        ("pad-b", 1.0, None),
    ]


def test_treatment_without_mounts():
    runs = [r for r in simulate(np.random.default_rng(1), (3, 3)) if r.treatment == "grease-a"]
    found = compare_treatments(runs, treatments=TREATMENTS[:2], baseline=TREATMENTS[0], margin_K=1.0)
    value = assess_value({"grease-a": Price(0.8), "pad-b": Price(1.6)}, found)
    assert [t.not_beaten for t in value.treatments] == [True, None]


CHEAP, DEAR = {"pack_price": 4.0, "uses_per_pack": 8}, {"pack_price": 12.0, "uses_per_pack": 8}
ALIKE = [[40.0, 40.05, 39.95], [40.02, 40.06, 39.97]]
WARMER = COOLER[::-1]


def decision(groups, base, pad, *, waiting=(), throttle=None, change=None):
    names = list(TREATMENTS[:2])
    settings = made_up_settings(names, "which")
    treatments = {names[0]: Treatment(**base), names[1]: Treatment(**pad)}
    settings = settings.model_copy(update={"treatments": treatments})
    found = comparison(groups)
    if change:
        found = replace(found, treatments=tuple(replace(item, **change) for item in found.treatments))
    return decide_each(settings, found, throttle, waiting=dict(waiting)).treatments[0].decision


@pytest.mark.parametrize(
    ("groups", "base", "pad", "choice", "words"),
    [
        (COOLER, DEAR, CHEAP, "switch", "cooler and saves 1.00 EUR a mount"),
        (COOLER, CHEAP, DEAR, "switch", "worth it at every power run and costs 1.00 EUR more a mount"),
        (COOLER, {}, DEAR, "switch", "no price is stated"),
        (WARMER, DEAR, CHEAP, "keep", "warmer and saves 1.00 EUR"),
        (ALIKE, DEAR, CHEAP, "switch", "runs alike and saves"),
        (ALIKE, CHEAP, DEAR, "keep", "runs alike and costs"),
        (ALIKE, CHEAP, CHEAP, "keep", "costs the same"),
        (ALIKE, CHEAP, {}, None, "a price is missing"),
        ([[40.0, 41.0, 39.0], [39.5, 40.5, 38.5]], CHEAP, CHEAP, "keep", "no bench makes the mounts"),
        ([[40.0, 40.3, 39.7], [39.7, 40.0, 39.4]], CHEAP, CHEAP, None, "mounts of each would tell"),
        ([[40.0], [38.0, 38.1, 37.9]], DEAR, CHEAP, None, "a second mount of grease-a"),
        ([[40.0], [38.0]], DEAR, CHEAP, None, "a second mount of grease-a and a second mount of pad-b"),
        ([[40.0, 40.1, 39.9], []], DEAR, CHEAP, None, "two mounts of pad-b"),
    ],
)
def test_decision_weighs_the_verdict_and_the_price(groups, base, pad, choice, words):
    found = decision(groups, base, pad)
    assert found.choice == choice
    assert words in found.text
    assert found.from_W is None


def test_a_dearer_candidate_is_stocked_for_the_builds_that_need_it():
    """2 K cooler at 90 W, in proportion to power, with a margin of 0.8 K: one margin from 36 W on."""
    two_steps = [run for step in (30.0, 60.0, 90.0) for run in from_groups(
        [[value * step / 90.0 for value in group] for group in COOLER], step_W=step)]  # fmt: skip
    names = TREATMENTS[:2]
    found = compare_treatments(two_steps, treatments=names, baseline=names[0], margin_K=0.8)
    item = found.treatments[0]
    settings = made_up_settings(list(names), "which")
    treatments = {
        names[0]: Treatment(**CHEAP),
        names[1]: Treatment(**DEAR, handling="slow", electrically_conductive=True),
    }
    settings = settings.model_copy(update={"treatments": treatments})

    alone = decide_each(settings, found, None, waiting={}).treatments[0].decision
    assert alone.from_W == item.matters_from_W == pytest.approx(0.8 / 2.0 * 90.0)
    assert "builds above 36 W: there the difference reaches the margin; it costs 1.00 EUR more a mount" in alone.text
    assert "mind: slow; it conducts electricity" in alone.text
    hot = predict_throttle(two_steps, treatments=names, baseline=names[0], room_C=60.0, temperature_C=74.0)
    needed = decide_each(settings, found, hot, waiting={}).treatments[0].decision
    assert needed.from_W == hot.treatments[0].future_mount_interval_W[0] < item.matters_from_W
    assert "grease-a may reach its limit there" in needed.text


def test_nothing_is_decided_on_what_is_in_doubt_or_in_the_air_or_looked_at_early():
    doubted = decision(COOLER, DEAR, CHEAP, change={"verdict": "in doubt"})
    air = decision(COOLER, DEAR, CHEAP, change={"witness": Witness(0.0, (-0.1, 0.1), False, "in the air")})
    early = decision(COOLER, DEAR, CHEAP, waiting={"pad-b": 2})
    assert [found.choice for found in (doubted, air, early)] == [None, None, None]
    assert "mended first" in doubted.text
    assert "not in the interface" in air.text
    assert "the mounts that are still planned come first (2 mounts of pad-b)" in early.text


def test_the_pack_that_is_cheapest_by_the_mount_is_weighed():
    packs = {"pack_price": 12.0, "pack_g": 2.0, "use_g": 0.5, "packs": [{"price": 40.0, "g": 40.0}]}
    assert Treatment(**packs).costs == {12.0: 3.0, 40.0: 0.5}
    found = decision(ALIKE, {"pack_price": 8.0, "uses_per_pack": 8}, packs)
    assert (found.choice, "from the pack for 40 EUR" in found.text) == ("switch", True)
    small_only = {key: value for key, value in packs.items() if key != "packs"}
    assert decision(ALIKE, {"pack_price": 8.0, "uses_per_pack": 8}, small_only).choice == "keep"
