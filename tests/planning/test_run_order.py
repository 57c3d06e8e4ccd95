"""Randomised blocks, pre-soak and the calendar of bench hours."""

from collections import Counter
from dataclasses import replace
from itertools import pairwise
from types import SimpleNamespace

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from thermlab.base.errors import InputError
from thermlab.planning.folder import calendar, plan_order
from thermlab.planning.records import BenchHours

TREATMENTS = ("grease-a", "pad-b", "foil-c")


def order(
    treatments=TREATMENTS,
    *,
    n_mounts=4,
    n_ladder=None,
    steps_W=(120.0, 40.0, 80.0),
    reference_W=120.0,
    step_order="ascending",
    seed=3,
):
    """Return the order of a campaign whose mounts all run the ladder, or only the first ones of each treatment."""
    asked = SimpleNamespace(treatments=treatments, reference_W=reference_W, step_order=step_order, seed=seed)
    n_ladder = n_mounts if n_ladder is None else n_ladder
    return plan_order(asked, SimpleNamespace(n_mounts=n_mounts, n_ladder=n_ladder, steps_W=steps_W))


def mounts_in_order(runs):
    return list(dict.fromkeys((run.treatment, run.mount) for run in runs))


@settings(max_examples=50, deadline=None)
@given(
    n_treatments=st.integers(1, 5),
    n_mounts=st.integers(1, 12),
    steps=st.lists(st.integers(1, 400), min_size=1, max_size=6, unique=True),
    seed=st.integers(0, 2**32),
    step_order=st.sampled_from(["ascending", "random"]),
)
def test_every_block_has_one_mount_of_each_treatment(n_treatments, n_mounts, steps, seed, step_order):
    names = [f"t{i}" for i in range(n_treatments)]

    runs = order(names, n_mounts=n_mounts, steps_W=steps, step_order=step_order, seed=seed)

    mounts = mounts_in_order(runs)
    for block in range(n_mounts):
        assert sorted(name for name, _ in mounts[block * n_treatments : (block + 1) * n_treatments]) == names
    assert len({run.run for run in runs}) == len(runs) == n_treatments * n_mounts * len(steps)
    for mount in mounts:
        of_mount = [run for run in runs if (run.treatment, run.mount) == mount]
        assert sorted(run.set_power_W for run in of_mount) == sorted(steps)
        assert [run.pre_soak for run in of_mount] == [True] + [False] * (len(steps) - 1)


def test_the_same_seed_gives_the_same_order_and_another_seed_another():
    assert order() == order()
    assert order(treatments=TREATMENTS[::-1]) == order()
    assert mounts_in_order(order(n_mounts=8)) != mounts_in_order(order(n_mounts=8, seed=4))


def test_each_treatment_leads_its_block_equally_often_over_many_seeds():
    first = Counter(order(seed=seed, n_mounts=1)[0].treatment for seed in range(600))

    # Binomial with p = 1/3 and n = 600: standard deviation 11.5; four of them.
    assert all(abs(count - 200) < 47 for count in first.values())


def test_steps_ascend_or_are_drawn():
    assert [run.set_power_W for run in order()[:3]] == [40.0, 80.0, 120.0]
    drawn = {tuple(run.set_power_W for run in order(step_order="random", seed=seed)[:3]) for seed in range(40)}
    assert len(drawn) == 6


def test_few_mounts_of_each_treatment_run_the_ladder_and_the_others_the_reference():
    runs = order(n_ladder=1, reference_W=80.0)

    by_mount = [[r.set_power_W for r in runs if (r.treatment, r.mount) == mount] for mount in mounts_in_order(runs)]
    assert by_mount == [[40.0, 80.0, 120.0]] * 3 + [[80.0]] * 9
    assert all(run.pre_soak for run in runs if run.block > 1)


TIMES = BenchHours(soak_min=40.0, pre_soak_min=40.0, change_over_min=5.0, remount_min=45.0)


def test_the_calendar_spends_mounting_presoak_steps_and_changes():
    runs = order(n_mounts=1)

    entries = calendar(runs, TIMES)

    # Three mounts, each 45 + 40 + 3 x (40 + 5) min.
    assert sum(e.end_h - e.start_h for e in entries) == pytest.approx(3 * (45 + 40 + 135) / 60)
    assert [run for e in entries for run in e.runs] == list(runs)
    assert [e.runs[0].of for e in entries] == mounts_in_order(runs)


def test_no_day_is_longer_than_asked_and_nothing_overlaps():
    entries = calendar(order(), TIMES, day_h=8.0)

    for before, after in pairwise(entries):
        assert (after.day, after.start_h) >= (before.day, before.end_h)
    assert max(e.end_h for e in entries) <= 8.0 + 1e-9
    # 3.67 h a mount: two fit into a day of 8 h, so 12 mounts take 6 days, and no mount is cut.
    assert max(e.day for e in entries) == 6
    assert all(len({e.day for e in entries if e.runs[0].of == m}) == 1 for m in mounts_in_order(order()))


def test_without_a_pre_soak_none_is_in_the_calendar():
    entries = calendar(order(n_mounts=1, n_ladder=0), replace(TIMES, pre_soak_min=0.0))

    assert sum(e.end_h - e.start_h for e in entries) == pytest.approx(3 * (45 + 45) / 60)


def test_a_mount_longer_than_a_day_is_pre_soaked_again():
    runs = order(["a"], n_mounts=1, steps_W=range(20, 220, 20), seed=1)

    entries = calendar(runs, TIMES, day_h=5.0)

    assert len({e.day for e in entries}) > 1
    assert [run for e in entries for run in e.runs] == list(runs)
    for place, entry in enumerate(entries):
        minutes = (45 if place == 0 else 0) + 40 + 45 * len(entry.runs)
        assert entry.end_h - entry.start_h == pytest.approx(minutes / 60)
    assert max(e.end_h for e in entries) <= 5.0 + 1e-9


def test_a_day_too_short_for_one_step_is_refused():
    with pytest.raises(InputError, match=r"at least 2\.17 h"):
        calendar(order(), TIMES, day_h=2.0)
