"""Cost against gain."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pytest
from mount_campaigns import TREATMENTS, from_groups, simulate

from thermlab.compare.comparison import compare_treatments
from thermlab.compare.value import assess_value


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
