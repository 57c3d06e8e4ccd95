"""Mount numbers, splits of the hours, soak, mount SD and the campaign folder a plan writes."""

import importlib.util
import json
import math
import os
import re
import subprocess
import sys
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from click.testing import CliRunner
from filed_examples import example_results, sha256, write_report
from scipy.signal import lfilter
from scipy.special import stdtrit

from thermlab.archives.filing import archive
from thermlab.base.errors import InputError
from thermlab.campaign.folder import load_campaign
from thermlab.cli import main
from thermlab.planning.make import (
    look_on_the_way,
    make_plan,
    mount_numbers,
    mounts_for_looking,
    one_mount_sd_K,
    plan,
    request_of,
)
from thermlab.planning.mount_sd import archive_scatter, given_scatter, pilot_scatter
from thermlab.planning.pages import plan_sentences
from thermlab.planning.records import BenchHours, MountScatter
from thermlab.planning.splits import (
    ASSUMED_CURVE,
    SplitProblem,
    compare_soaks,
    compare_splits,
    fewest_steps,
    half_width,
    left_after_soak_K,
    noise_factor,
    recommend_split,
    settled_rise_sd_K,
)
from thermlab.stats.curves import RiseCurve
from thermlab.stats.dunnett import dunnett_critical
from thermlab.stats.power import equivalence_power, mounts_needed, noncentral_t_power, t_test_power, tost_power

DEFAULT_STEPS_W = (40.0, 56.0, 72.0, 88.0, 104.0, 120.0)


def problem(
    *, mount_sd_K=0.5, run_noise_K=0.2, curve_known=True, curve=None, limit_rise_K=60.0, n=2, spend=None, **asked
):
    """Return a question about a bench whose mount SD is taken as known exactly."""
    scatter = MountScatter(
        sd_K=mount_sd_K,
        dof=None,
        planned_sd_K=mount_sd_K,
        run_noise_K=run_noise_K,
        source="test",
        curve=(curve or ASSUMED_CURVE) if curve_known else None,
    )
    limit = {"throttle": False} if limit_rise_K is None else {"temperature_C": 35.0 + limit_rise_K}
    given = {"treatments": [f"t{i}" for i in range(n)], "baseline": "t0", "margin_K": 1.0}
    return SplitProblem(request=request_of(**(given | limit | asked)), scatter=scatter, **(spend or {}))


def needed(sd_K, margin_K, *, estimand, goal="difference", true_K=None, n=2):
    asked = problem(mount_sd_K=sd_K, margin_K=margin_K, n=n, estimand=estimand)
    true_K = margin_K if true_K is None else true_K
    chosen = {
        row.power: row.n_mounts
        for row in mount_numbers(asked, DEFAULT_STEPS_W)
        if row.goal == goal and row.true_difference_K == pytest.approx(true_K)
    }
    return f"{chosen[0.8]}/{chosen[0.9]}"


# Mounts for 80 / 90 % power: ladder 40 to 120 W in six steps, run noise 0.2 K. Columns: show 0.5, 1, 2 K; equivalence
# within 1 K where 0 K and where 0.3 K differ; 1 K with three candidates. Computed by an independent implementation.
THROUGH_ORIGIN = {
    0.3: ("8/10", "3/4", "2/3", "3/4", "4/5", "4/4"),
    0.5: ("18/24", "6/7", "3/3", "6/7", "8/10", "7/8"),
    0.8: ("43/56", "12/15", "4/5", "12/15", "18/24", "14/18"),
    1.0: ("65/87", "17/23", "6/7", "19/23", "27/37", "22/28"),
}
REFERENCE = {
    0.3: ("10/12", "4/4", "3/3"),
    0.5: ("20/26", "6/8", "3/3"),
    0.8: ("44/59", "12/16", "4/5"),
    1.0: ("67/89", "18/23", "6/7"),
}


@pytest.mark.parametrize("sd_K", THROUGH_ORIGIN)
def test_table_of_mounts_through_the_origin(sd_K):
    how = {"estimand": "through origin"}
    found = (
        *(needed(sd_K, margin, **how) for margin in (0.5, 1.0, 2.0)),
        *(needed(sd_K, 1.0, goal="equivalence", true_K=true, **how) for true in (0.0, 0.3)),
        needed(sd_K, 1.0, n=4, **how),
    )

    assert found == THROUGH_ORIGIN[sd_K]


@pytest.mark.parametrize("sd_K", REFERENCE)
def test_table_of_mounts_at_the_reference_step(sd_K):
    found = tuple(needed(sd_K, margin, estimand="reference") for margin in (0.5, 1.0, 2.0))

    assert found == REFERENCE[sd_K]


@pytest.mark.parametrize(
    ("sd_K", "printed"),
    [
        (0.3, (1.38, 0.73, 0.56, 0.41, 0.30)),
        (0.5, (2.21, 1.16, 0.89, 0.66, 0.48)),
        (0.8, (3.48, 1.83, 1.40, 1.04, 0.76)),
        (1.0, (4.33, 2.28, 1.74, 1.30, 0.95)),
    ],
)
def test_table_of_half_widths(sd_K, printed):
    sd = one_mount_sd_K(problem(mount_sd_K=sd_K, estimand="through origin"), DEFAULT_STEPS_W)

    found = [half_width(sd, m, 2, level=0.95) for m in (2, 3, 4, 6, 10)]

    # Half a digit, and a little: the table was rounded once more on its way.
    assert found == pytest.approx(printed, abs=0.0051)


def test_half_width_of_several_candidates_is_dunnetts():
    assert half_width(1.0, 3, 4, level=0.95) == pytest.approx(
        dunnett_critical(0.05, [3, 3, 3], 3, 8) * math.sqrt(2 / 3)
    )
    assert half_width(1.0, 3, 4, level=0.95, alone=True) == pytest.approx(stdtrit(8, 0.975) / math.sqrt(3))
    assert half_width(1.0, 1, 2, level=0.95) is None


@pytest.mark.parametrize("n_treatments", [2, 4])
@pytest.mark.parametrize("n_mounts", [2, 4, 8])
@pytest.mark.parametrize("difference_K", [0.0, 0.5, 1.0])
def test_power_formula_agrees_with_simulation(n_treatments, n_mounts, difference_K):
    n, sd = 40_000, 0.6
    rng = np.random.default_rng(n_treatments * 100 + n_mounts)
    means = sd / math.sqrt(n_mounts) * rng.standard_normal((n_treatments, n))
    dof = n_treatments * (n_mounts - 1)
    error = sd * np.sqrt(rng.chisquare(dof, n) / dof) * math.sqrt(2 / n_mounts)
    difference = means[1] - means[0] + difference_K
    candidates = n_treatments - 1

    shown = np.abs(difference) > dunnett_critical(0.05, [n_mounts] * candidates, n_mounts, dof) * error
    equal = np.abs(difference) + stdtrit(dof, 0.95) * error < 1.0

    # Standard deviation of a simulated share: at most 0.0025.
    formula = t_test_power(difference_K, sd, n_mounts, n_treatments=n_treatments, n_candidates=candidates)
    assert formula == pytest.approx(shown.mean(), abs=0.015)
    equivalence = equivalence_power(1.0, sd, n_mounts, difference_K=difference_K, n_treatments=n_treatments)
    assert equivalence == pytest.approx(equal.mean(), abs=0.015)


def test_published_power_of_the_two_sample_t_test():
    """R power.t.test, help page: n 20, delta 1, sd 1, both tails; power .90, delta 1 (two-sided 5 %)."""
    assert t_test_power(1.0, 1.0, 20) == pytest.approx(0.8689530, abs=5e-7)
    assert t_test_power(1.0, 1.0, 22.02110) == pytest.approx(0.90, abs=1e-6)
    assert mounts_needed(1.0, 1.0, power=0.90) == 23


def test_published_sizes_of_cohen():
    """Cohen 1988, Statistical Power Analysis, table 2.4.1 (from memory): d .5 needs 64, d .8 needs 26 at .80."""
    assert mounts_needed(0.5, 1.0) == 64
    assert mounts_needed(0.8, 1.0) == 26


@pytest.mark.parametrize(("n", "printed"), [(3, 0.0386), (8, 0.28871), (15, 0.69339), (30, 0.94326), (50, 0.99458)])
def test_published_power_of_equivalence(n, printed):
    """A public chapter on equivalence of two means: delta -4, sd 18, limits +-19.2, alpha .05."""
    power = tost_power(-4.0, 19.2, 18.0 * math.sqrt(2 / n), 2 * n - 2)

    assert power == pytest.approx(printed, abs=5.1 * 10.0 ** -(len(str(printed)) - 1))


def test_power_is_never_nan_where_the_noncentral_t_loses_its_digits():
    powers = [noncentral_t_power(nc, 2.1, dof) for nc in (0, 14, 40, 400) for dof in (1, 18, 200, 1e6)]

    assert all(0 <= power <= 1 for power in powers)


# --- splits of the hours


def test_hours_are_mounts_times_mounting_presoak_and_steps():
    times = BenchHours(soak_min=40, pre_soak_min=20, change_over_min=5, remount_min=45)
    mixed = problem().split((40.0, 80.0, 120.0), 6, 1, 40.0)

    assert times.mount_h(3) == pytest.approx((45 + 20 + 3 * 45) / 60)
    # Two treatments: a ladder mount of three steps and five mounts of one, each with its 40 min of pre-soak.
    assert mixed.hours == pytest.approx(2 * ((85 + 3 * 45) + 5 * (85 + 45)) / 60)


def test_every_split_stays_within_the_hours_and_uses_the_reference():
    splits = compare_splits(problem(spend={"hours": 24.0}))

    assert [split.n_steps for split in splits] == [1, 2, 3, 4, 5, 6]
    assert all(split.hours <= 24 and 120.0 in split.steps_W for split in splits)
    assert [split.n_mounts for split in splits] == sorted((split.n_mounts for split in splits), reverse=True)
    assert [split.n_ladder for split in splits[1:]] == [1] * 5


def test_more_mounts_narrow_the_difference_and_more_steps_hardly_the_throttle_power():
    splits = {split.n_steps: split for split in compare_splits(problem(spend={"hours": 24.0}))}

    assert splits[1].difference_half_width_K < splits[3].difference_half_width_K < splits[6].difference_half_width_K
    whole = problem(spend={"hours": 24.0}).best(3, whole=True)
    assert splits[3].difference_half_width_K < 0.8 * whole.difference_half_width_K
    assert splits[1].throttle_half_width_W is None
    same_mounts = [problem().throttle_sds_W(steps)[0] for steps in ((40.0, 104.0, 120.0), DEFAULT_STEPS_W)]
    assert same_mounts[0] < 1.05 * same_mounts[1]


def test_the_throttle_half_width_agrees_with_simulated_mounts():
    """Mounts with a proportional mount effect and run noise, each fitted on its own, solved for the limit."""
    asked = problem(mount_sd_K=0.5)
    steps, curve = np.array([40.0, 104.0, 120.0]), ASSUMED_CURVE
    rng = np.random.default_rng(31)
    design = np.column_stack([steps, steps**0.8])
    rises = [curve.rise_K(step) for step in steps]
    found = []
    for _ in range(3_000):
        y = rises + 0.5 * rng.standard_normal() * steps / 120 + 0.2 * rng.standard_normal(3)
        b, a = np.linalg.lstsq(design, y, rcond=None)[0]
        power = RiseCurve(b_K_per_W=b, a=a, lowest_W=40, highest_W=120).power_W(60.0)
        found.append(power)

    # Relative standard deviation of an SD from 3000: 1.3 %.
    assert np.std(found) == pytest.approx(asked.throttle_sds_W(tuple(steps))[0], rel=0.05)


def test_recommends_mounts_over_steps_and_says_why():
    asked = problem(limit_rise_K=None, spend={"hours": 24.0})
    splits = compare_splits(asked)
    split, reason = recommend_split(asked)

    assert split.n_steps == 1
    assert split.n_mounts == max(other.n_mounts for other in splits)
    assert "the mount is what varies" in reason


@pytest.mark.parametrize(
    ("known", "limit_rise_K", "fewest"),
    [(True, 60.0, 2), (True, 68.0, 3), (False, 60.0, 3)],
)
def test_the_throttle_power_takes_the_curve(known, limit_rise_K, fewest):
    asked = problem(curve_known=known, limit_rise_K=limit_rise_K)

    split, reason = recommend_split(replace(asked, hours=24.0))

    assert split.n_steps == fewest
    assert f"at least {fewest} steps" in reason


def test_a_throttle_power_far_outside_the_steps_is_not_planned_for():
    asked = problem(limit_rise_K=120.0)
    split, reason = recommend_split(replace(asked, hours=24.0))

    assert asked.throttle_power_W() is None
    assert split.throttle_half_width_W is None
    assert "out of reach" in reason


def test_hours_for_one_mount_each_are_called_what_they_are():
    asked = problem()
    split, reason = recommend_split(replace(asked, hours=6.0))

    assert split.n_mounts == 1
    assert split.difference_half_width_K is None
    assert "shows no difference" in reason


def test_steps_are_chosen_for_the_curve_or_spread():
    known, assumed = problem(), problem(curve_known=False)

    every = [(a, b, 120.0) for a in DEFAULT_STEPS_W[:4] for b in DEFAULT_STEPS_W[1:5] if a < b]
    power = known.throttle_power_W()
    chosen = known.choose_steps(3, 40.0)
    assert noise_factor(chosen, power) == min(noise_factor(steps, power) for steps in every)
    assert assumed.choose_steps(3, 40.0)[0] == 40.0
    # A known time constant keeps out steps after which more than 2 K would be left.
    slow = problem(curve_known=False, time_constant_min=12.0)
    assert slow.left_K(slow.choose_steps(4, 25.0), 25.0) <= 2.0 < slow.left_K((40.0, 120.0), 25.0)


def test_a_throttle_power_is_not_given_up_on_an_assumed_curve():
    asked = problem(limit_rise_K=120.0, curve_known=False)
    split, _ = recommend_split(replace(asked, hours=24.0))

    assert fewest_steps(asked) == 3
    assert split.n_steps == 3
    assert split.throttle_half_width_W is not None
    assert make_plan(request(temperature_C=200.0)).split.n_ladder == 1


def test_a_kelvin_at_half_a_kelvin_takes_at_most_23_hours():
    made = make_plan(request(time_constant_min=12.0))

    assert made.hours <= 23.0
    assert (made.split.n_mounts, made.split.n_ladder, len(made.split.steps_W)) == (6, 1, 3)
    assert made.split.power_at_margin >= 0.80
    assert made.split.left_K <= 2.0
    whole = problem(curve_known=False, time_constant_min=12.0, spend={"n_mounts": 6}).best(3, whole=True)
    assert whole.hours > 30.0
    assert whole.throttle_half_width_W == pytest.approx(made.split.throttle_half_width_W, rel=0.05)


def test_of_two_splits_of_the_same_worth_the_shorter_wins():
    asked = problem(curve_known=False, time_constant_min=12.0, spend={"n_mounts": 6})
    best = asked.best(3)

    others = [
        asked.split(asked.choose_steps(3, soak), 6, ladders, soak)
        for soak in asked.soaks_min()
        for ladders in (1, 2, 6)
    ]
    trusted = [other for other in others if other.left_K <= 2.0]
    assert best.hours == min(other.hours for other in trusted)
    # Where the throttle power lies far below the reference the shape of the curve counts, and a second ladder with it.
    far = problem(limit_rise_K=25.0, run_noise_K=1.0, mount_sd_K=0.1, spend={"n_mounts": 6})
    assert far.best(2).n_ladder > 1


@pytest.mark.parametrize(("sd_K", "more"), [(0.5, 1), (0.6, 1), (0.8, 2)])
def test_looking_after_every_mount_costs_mounts(sd_K, more):
    asked = problem(mount_sd_K=sd_K)
    at_one_look = mounts_needed(1.0, math.hypot(sd_K, 0.2))

    found = mounts_for_looking(asked, at_one_look)

    assert found.n_mounts == at_one_look + more
    assert found.chance >= 0.80
    assert look_on_the_way(asked, at_one_look).chance < 0.80
    assert found.mean_mounts < 2 * at_one_look


def test_the_plan_counts_for_the_looking_it_recommends():
    end, every = make_plan(request()), make_plan(request(looks="every mount"))

    assert (end.looks, end.split.n_mounts, end.looking["every mount"].n_mounts) == ("end", 6, 7)
    assert every.split.n_mounts == 7
    assert "7 mounts of each treatment" in plan_sentences(end)[-2]
    assert plan_sentences(every)[-2].startswith("Look after every mount")
    few = make_plan(request(looks="every mount", mounts=6))
    assert "looks after every mount: it is 0.7" in few.cautions[0]
    # One look on the way costs no mount, and so stays within the hours; looking after every mount does not.
    halfway = make_plan(request(looks="halfway", time_constant_min=12.0))
    assert halfway.hours <= 23.0 < make_plan(request(looks="every mount", time_constant_min=12.0)).hours
    assert halfway.looking["halfway"].chance >= 0.80
    assert halfway.looking["halfway"].mean_mounts < 12
    assert "halfway" in plan_sentences(halfway)[-2]
    # What takes long is looked at after every mount without being asked.
    assert make_plan(request(mount_sd_K=1.3)).looks == "every mount"


def test_hours_that_buy_nothing_or_more_than_can_be_planned_are_refused():
    with pytest.raises(InputError, match="at least"):
        compare_splits(problem(spend={"hours": math.nan}))
    with pytest.raises(InputError, match="at most 200"):
        make_plan(request(hours=9_000.0))


# --- soak


def test_what_is_left_after_a_soak_is_the_transient_of_a_first_order_sink():
    asked = problem(curve=RiseCurve(b_K_per_W=0.5, a=0.0, lowest_W=40, highest_W=120))

    assert left_after_soak_K(asked.curve, (120.0,), 24.0, 12.0, 24.0) == pytest.approx((60 * math.exp(-4),))
    # Straight curve: each step lacks its own part and what is left of the step before.
    first = 20 * math.exp(-4)
    assert left_after_soak_K(asked.curve, (40.0, 120.0), 24.0, 12.0, 24.0) == pytest.approx(
        (first, (40 + first) * math.exp(-2))
    )


def test_a_longer_soak_costs_mounts_and_a_shorter_one_leaves_more():
    soaks = compare_soaks(problem(time_constant_min=12.0, spend={"hours": 24.0}), n_steps=3)

    assert soaks[-1].n_mounts < soaks[1].n_mounts
    assert soaks[-1].left_K < min(s.left_K for s in soaks[:-1])
    assert soaks[-1].soak_note == "settles by itself"
    assert all((s.soak_note == "too short to trust") == (s.soak_time_constants < 1.6 or s.left_K > 2) for s in soaks)
    assert all(s.throttle_error_W > 0 for s in soaks)
    assert compare_soaks(problem(spend={"hours": 24.0}), n_steps=3) == ()


@pytest.mark.parametrize("soak_in_time_constants", [1.3, 1.6, 2.0])
def test_noise_of_the_settled_rise_against_a_direct_simulation(soak_in_time_constants):
    """One-hertz readings with an SD of 0.3 K and 20 s correlation, read to 1 K, fitted with a known time constant."""
    n, tau_s, rng = 1_500, 900.0, np.random.default_rng(41)
    n_blocks = int(min(1.6, soak_in_time_constants - 0.3) * tau_s // 10)
    t = np.arange(10 * n_blocks) - 10 * n_blocks + 1.0
    design = np.column_stack([np.ones(n_blocks), np.exp(-t.reshape(-1, 10).mean(axis=1) / tau_s)])
    kicks = math.sqrt(1 - math.exp(-0.1)) * rng.standard_normal((n, t.size))
    kicks[:, 0] = rng.standard_normal(n)
    noise = lfilter([1.0], [1.0, -math.exp(-0.05)], kicks, axis=1)
    level = 60 + rng.uniform(size=(n, 1))

    readings = np.round(level + 0.3 * noise) - level
    simulated = (readings.reshape(n, n_blocks, 10).mean(axis=2) @ np.linalg.pinv(design)[0]).std()

    # Relative standard deviation of an SD from 1500: 1.8 %.
    assert settled_rise_sd_K(soak_in_time_constants * 15.0, 15.0) == pytest.approx(simulated, rel=0.06)


def test_soak_and_pre_soak_leave_no_more_than_two_kelvin():
    asked = problem(time_constant_min=12.0)

    assert asked.soaks_min()[0] == 25.0
    assert problem(time_constant_min=2.2).soaks_min()[0] == 5.0
    for soak in asked.soaks_min():
        times = asked.times(soak, (120.0,))
        left = left_after_soak_K(asked.curve, (120.0,), soak, 12.0, times.pre_soak_min)
        assert left[0] <= 2.0
        # A shorter pre-soak, as a person sets it, would leave more.
        if times.pre_soak_min > 0:
            assert left_after_soak_K(asked.curve, (120.0,), soak, 12.0, times.pre_soak_min - 5)[0] > 2.0
    assert problem().times(40.0, (120.0,)).pre_soak_min == 40.0
    assert settled_rise_sd_K(3.0, 12.0) is None


# --- mount SD


def results(sums=None, *, sd_K=0.5, n_mounts=3, bench="bench-1", title="earlier"):
    """Return results of two treatments, a ladder of three steps a mount, with a mount SD at 100 W as given."""
    scores = np.arange(n_mounts) - (n_mounts - 1) / 2
    shifts = sd_K * scores / max(np.std(scores, ddof=1), 1e-9) if n_mounts > 1 else scores
    runs = [
        {"run": f"{name}-{mount}-{p:g}", "treatment": name, "mount": f"{mount}", "set_power_W": p, "used": True}
        | {"rise_K": 0.2 * p + 0.9 * p**0.8 + shift * p / 100.0, "reason": "", "lot": "", "condition": ""}
        for name in ("a", "b")
        for mount, shift in enumerate(shifts)
        for p in (40.0, 70.0, 100.0)
    ]
    about = {"title": title, "bench": bench, "baseline": "a", "currency": "EUR", "sha256": sums or {}}
    found = example_results(sums or {}, runs=runs, campaign=about)
    found["bench"] = {"time_constant_min": 11.0, "mount_sd_K": 9.0, "mount_sd_dof": 20.0, "prior": {"mount_sd_K": 9.0}}
    found["comparison"]["reference_power_W"] = 100.0
    return found


def write(folder, content):
    (folder / "results.json").write_text(json.dumps(content))
    return folder / "results.json"


def file_campaigns(folder, *campaigns):
    """Return an archive of campaigns with results of their own; one of the same number has the same log."""
    for place, (number, about) in enumerate(campaigns):
        source = folder / f"campaign-{place}"
        (source / "logs").mkdir(parents=True)
        inputs = {"campaign.yaml": b"x", "runs.csv": f"{place}".encode(), "logs/a.csv": f"log {number}".encode()}
        for name, content in inputs.items():
            (source / name).write_bytes(content)
        write_report(source, results({name: sha256(content) for name, content in inputs.items()}, **about))
        archive(source, to=folder / "store")
    return folder / "store"


@pytest.mark.parametrize("dof", [0.0, 1e-3, 0.49, float("nan"), float("inf")])
def test_a_mount_sd_with_next_to_no_degrees_of_freedom_is_refused(dof):
    """Its upper limit has no bound."""
    with pytest.raises(InputError, match=r"mount_sd_dof: .*; allowed: (at least 0\.5|a finite number)"):
        request(mount_sd_dof=dof)


def test_a_given_sd_is_planned_at_its_upper_limit():
    scatter = given_scatter(0.5, 4.0, run_noise_K=0.2)

    # chi-squared quantile 0.2 at 4 degrees of freedom: 1.6488 (any table).
    assert scatter.planned_sd_K == pytest.approx(0.5 * math.sqrt(4 / 1.6488), abs=1e-4)
    assert given_scatter(0.5, None, run_noise_K=0.2).planned_sd_K == 0.5
    assert any("assumed" in caution for caution in given_scatter(None, None, run_noise_K=0.2).cautions)


def test_a_pilot_gives_sd_time_constant_and_curve_without_the_part_of_a_prior(tmp_path):
    scatter = pilot_scatter(write(tmp_path, results()), reference_power_W=80.0)

    assert (scatter.sd_K, scatter.dof, scatter.run_noise_K) == (pytest.approx(0.4), 4.0, 0.0)
    assert scatter.time_constant_min == 11.0
    assert scatter.curve.b_K_per_W == pytest.approx(0.2)
    assert "scaled to 80 W" in scatter.cautions[0]


def test_an_archive_pools_by_degrees_of_freedom_and_counts_half(tmp_path):
    many = {"sd_K": 0.6, "n_mounts": 5}
    store = file_campaigns(tmp_path, (1, {"sd_K": 0.4}), (2, many), (2, many), (3, {"n_mounts": 1}))

    scatter = archive_scatter(store, reference_power_W=120.0)

    pooled = math.sqrt((4 * 0.4**2 + 8 * 0.6**2) / 12) * 120 / 100
    assert scatter.sd_K == pytest.approx(pooled)
    assert scatter.dof == 6.0
    assert len(scatter.campaigns) == 2
    assert scatter.time_constant_min == 11.0
    assert "its measurements count as part of" in scatter.cautions[0]
    assert "half" in " ".join(scatter.cautions)


def test_campaigns_of_two_benches_are_not_pooled_by_accident(tmp_path):
    store = file_campaigns(tmp_path, (1, {}), (2, {"bench": "bench-2", "sd_K": 0.9}))

    with pytest.raises(InputError, match="'bench-1', 'bench-2'"):
        archive_scatter(store, reference_power_W=100.0)
    assert archive_scatter(store, reference_power_W=100.0, bench="bench-2").sd_K == pytest.approx(0.9)


def test_an_archive_and_a_pilot_without_scatter_are_refused(tmp_path):
    single = results(n_mounts=1)
    del single["runs"][0]["mount"]

    with pytest.raises(InputError, match="an archive that thermlab archive made"):
        archive_scatter(tmp_path, reference_power_W=100.0)
    with pytest.raises(InputError, match="found no mount SD; allowed: campaigns of bench 'bench-7'"):
        archive_scatter(file_campaigns(tmp_path, (1, {})), reference_power_W=100.0, bench="bench-7")
    with pytest.raises(InputError, match="no mount SD"):
        pilot_scatter(write(tmp_path, results(n_mounts=1)), reference_power_W=100.0)
    with pytest.raises(InputError, match="found no 'mount'; allowed: the results of a campaign"):
        pilot_scatter(write(tmp_path, single), reference_power_W=100.0)


# --- the plan and its folder


def request(**changes):
    given = {"treatments": ("grease-a", "pad-b"), "baseline": "grease-a", "margin_K": 1.0, "mount_sd_K": 0.5}
    return request_of(**(given | changes))


def test_a_plan_takes_the_mounts_its_goal_needs():
    assert make_plan(request()).split.n_mounts == 6
    assert make_plan(request(power=0.9)).split.n_mounts == 8
    assert make_plan(request(goal="equivalence")).split.n_mounts == 6
    assert make_plan(request(mounts=2)).split.n_mounts == 2
    assert make_plan(request(mount_sd_dof=4.0)).split.n_mounts > 6


def test_hours_are_kept_and_decide_mounts_and_steps():
    made = make_plan(request(hours=24.0))

    assert made.hours <= 24.0
    assert (made.split.n_mounts, made.split.steps_W) == (made.split.n_mounts, made.split.steps_W)
    assert len(made.runs) == 2 * (made.split.n_mounts + made.split.n_ladder * (len(made.split.steps_W) - 1))


def test_a_plan_says_what_it_assumed_and_where_it_plans():
    made = make_plan(request(mount_sd_dof=4.0))

    assert "upper 80 % limit" in made.cautions[0]
    assert any("the power steps" in caution and "35 degC" in caution for caution in made.cautions)
    known = make_plan(request(steps_W=(40, 80, 120), time_constant_min=10.0, throttle=False, mount_sd_dof=9.0))
    assert not any("Assumed" in caution for caution in known.cautions)
    assert known.split.times.soak_min == 20.0
    assert known.soaks


@pytest.mark.parametrize(("goal", "chance"), [("difference", "power_at_margin"), ("equivalence", "equivalence_power")])
def test_hours_too_few_for_the_question_are_the_first_caution(goal, chance):
    made = make_plan(request(hours=24.0, goal=goal))
    needed = next(row for row in made.numbers if row.goal == goal and row.power == 0.8)

    assert made.split.n_mounts < needed.n_mounts
    assert made.cautions[0] == (
        f"{made.split.n_mounts} mounts of each treatment are fewer than the {needed.n_mounts} it takes "
        f"to {needed.question} with a chance of 0.80: it is {getattr(made.split, chance):.2f}."
    )
    assert not any("fewer than" in caution for caution in make_plan(request(goal=goal)).cautions)
    assert any("fewer than" in caution for caution in make_plan(request(goal=goal, mounts=2)).cautions)


def test_the_folder_is_a_campaign_that_waits_for_its_logs(tmp_path):
    made = plan(tmp_path / "new", treatments=["grease-a", "pad-b"], baseline="grease-a", margin_K=0.75, hours=20.0)

    campaign = load_campaign(tmp_path / "new")
    assert sorted(p.name for p in (tmp_path / "new").iterdir()) == [
        "bench_sheet.html",
        "campaign.yaml",
        "logs",
        "plan.json",
        "runs.csv",
    ]
    assert campaign.settings.decision.margin_K == 0.75
    assert campaign.settings.decision.mounts_planned == made.split.n_mounts
    assert campaign.settings.limits.temperature_C == 95.0
    assert [run.run for run in campaign.runs] == [run.run for run in made.runs]
    stored = json.loads((tmp_path / "new" / "plan.json").read_text())
    assert stored["split"]["n_mounts"] == made.split.n_mounts
    assert stored["request"]["seed"] == 1
    assert os.access(tmp_path / "new" / "runs.csv", os.W_OK)


def test_the_same_request_writes_the_same_bytes(tmp_path):
    for name in ("one", "two"):
        plan(tmp_path / name, treatments=["b", "a"], baseline="a", margin_K=1e-2 * 100, mount_sd_K=0.4, seed=9)

    for name in ("campaign.yaml", "runs.csv", "bench_sheet.html", "plan.json"):
        assert (tmp_path / "one" / name).read_bytes() == (tmp_path / "two" / name).read_bytes()


def test_nothing_is_overwritten_and_nothing_half_done_is_left(tmp_path, monkeypatch):
    given = {"treatments": ["a", "b"], "baseline": "a", "margin_K": 1.0, "mount_sd_K": 0.4}
    (tmp_path / "full").mkdir()
    (tmp_path / "full" / "mine.txt").write_text("mine")

    with pytest.raises(InputError, match="not empty"):
        plan(tmp_path / "full", **given)
    monkeypatch.setattr("thermlab.planning.folder.load_campaign", lambda _: (_ for _ in ()).throw(OSError("full disk")))
    with pytest.raises(InputError, match="full disk"):
        plan(tmp_path / "other", **given)

    assert [p.name for p in tmp_path.iterdir()] == ["full"]
    assert (tmp_path / "full" / "mine.txt").read_text() == "mine"


@pytest.mark.parametrize(
    ("changes", "words"),
    [
        ({"treatments": ("=cmd()", "b"), "baseline": "b"}, "letters, digits"),
        ({"treatments": ("../a", "b"), "baseline": "b"}, "letters, digits"),
        ({"treatments": ("a", "A"), "baseline": "a"}, "each once"),
        ({"baseline": "nobody"}, "baseline"),
        ({"margin_K": float("nan")}, "margin"),
        ({"margin_K": 0.01}, "at most 200 mounts"),
        ({"goal": "win"}, "goal"),
        ({"mounts": 3, "hours": 10.0}, "one of them"),
        ({"pilot": "x"}, "2 sources"),
        ({"reference_power_W": 77.0}, "reference_power_W"),
        ({"temperature_C": 30.0}, "above the room"),
        ({"hours": 1.0}, "hours"),
        ({"steps_W": (40.0, -1.0)}, "steps_W"),
        ({"steps_W": (40.0, 40.0)}, "each once"),
        ({"mount_sd_K": None, "mount_sd_dof": 3.0}, "only together with mount_sd_K"),
        ({"run_noise_K": -0.1}, "run_noise_K"),
    ],
)
def test_what_cannot_be_planned_is_named(changes, words):
    with pytest.raises(InputError, match=words):
        make_plan(request(**changes))


def test_every_problem_of_a_request_is_named_at_once():
    with pytest.raises(InputError) as caught:
        request(margin_K=-1.0, goal="win", day_h=0.0, seed=-1)

    assert len(caught.value.problems) == 4


def test_unknown_and_missing_fields_are_named():
    with pytest.raises(InputError) as caught:
        plan(None, treatments=["a"], colour="red")

    assert {problem.where for problem in caught.value.problems} == {
        "plan: baseline", "plan: margin_K", "plan: colour", "plan: treatments",
    }  # fmt: skip


# --- the simulations of the study, reduced


@pytest.fixture(scope="module")
def study():
    path = Path(__file__).parents[2] / "study" / "planning_study.py"
    spec = importlib.util.spec_from_file_location("planning_study", path)
    module = importlib.util.module_from_spec(spec)
    sys.modules["planning_study"] = module
    spec.loader.exec_module(module)
    return module


@pytest.mark.parametrize(("time_constant_min", "factor"), [(None, 1.39), (12.0, 1.68)])
def test_the_recommended_split_beats_a_ladder_of_one_mount_each(study, time_constant_min, factor):
    ladder, split = study.compare_with_ladder(
        mount_sd_K=0.5, time_constant_min=time_constant_min, curve_known=True, n=10_000, seed=21
    )

    assert split.hours <= ladder.hours
    assert ladder.difference_rmse_K / split.difference_rmse_K > factor
    assert split.power > 1.9 * ladder.power
    assert min(ladder.coverage, split.coverage) > 0.94
    assert ladder.throttle_difference_rmse_W > 1.3 * split.throttle_difference_rmse_W


def test_the_chosen_looks_decide_with_fewer_mounts_than_anytime_valid_ones(study):
    order = study.block_order(2, 6)

    chosen, anytime = (
        study.simulate_looks(study.PROCEDURES[name](order, 2), (60.0, 59.0), 0.5, n=5_000)
        for name in ("spending, share^2", "anytime-valid t, spread 8")
    )

    assert chosen.mean_mounts < anytime.mean_mounts - 0.5
    assert chosen.decided > anytime.decided + 0.2


# --- command line and notebook

NOTEBOOK = Path(__file__).parents[2] / "notebooks" / "plan_campaign.ipynb"


def test_the_command_writes_a_folder_and_says_what_it_planned(tmp_path):
    words = [
        "plan",
        str(tmp_path / "new"),
        "--margin",
        "1",
        "--treatments",
        "a, b,c",
        "--baseline",
        "a",
        "--hours",
        "40",
    ]

    done = CliRunner().invoke(main, words)

    assert done.exit_code == 0
    assert "power steps" in done.output
    assert "caution: " in done.output
    assert (
        len(re.findall(r"with a chance of 0\.80: \d+ mounts .*; for a chance of 0\.90, \d+ mounts\.", done.output)) == 3
    )
    assert load_campaign(tmp_path / "new").settings.baseline == "a"


def test_the_command_without_a_folder_only_shows(tmp_path, monkeypatch):
    monkeypatch.chdir(tmp_path)

    done = CliRunner().invoke(
        main, ["plan", "--margin", "1", "--treatments", "a,b", "--baseline", "a", "--steps", "40,90"]
    )

    assert done.exit_code == 0
    assert list(tmp_path.iterdir()) == []


@pytest.mark.parametrize(
    ("words", "said"),
    [
        (["--margin", "1"], "--treatments: found nothing"),
        (
            ["--margin", "1", "--treatments", "a,b", "--baseline", "a", "--steps", "40,warm"],
            "--steps: found the text 'warm'; allowed: a finite number",
        ),
        (["--from", "nowhere", "--margin", "1"], "only --mounts and --looks"),
    ],
)
def test_the_command_ends_with_status_2_on_bad_input(words, said):
    done = CliRunner().invoke(main, ["plan", *words])

    assert done.exit_code == 2
    assert said in done.output


def test_the_notebook_is_stripped_and_thin():
    notebook = json.loads(NOTEBOOK.read_text(encoding="utf-8"))
    code = [cell for cell in notebook["cells"] if cell["cell_type"] == "code"]

    assert notebook["metadata"]["kernelspec"]["name"] == "python3"
    assert all(cell["outputs"] == [] and cell["execution_count"] is None for cell in code)
    assert len({cell["id"] for cell in notebook["cells"]}) == len(notebook["cells"])
    assert all(len(cell["source"]) <= 5 for cell in code if "parameters" not in cell["metadata"].get("tags", []))


@pytest.mark.slow
def test_the_notebook_runs_from_top_to_bottom(tmp_path):
    pytest.importorskip("nbclient")
    done = subprocess.run(
        [sys.executable, "-m", "papermill", str(NOTEBOOK), str(tmp_path / "out.ipynb"), "-k", "python3"],
        capture_output=True,
        text=True,
        timeout=120,
        check=False,
    )

    assert done.returncode == 0, done.stderr[-2000:]
    shown = (tmp_path / "out.ipynb").read_text(encoding="utf-8")
    assert "Mounts that each question needs" in shown
    assert "image/svg+xml" in shown
