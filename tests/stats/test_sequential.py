"""Intervals that allow a look after every mount, and the outlook of the next mounts."""

import math

import numpy as np
import pytest
from scipy.special import ndtr, ndtri, stdtrit

from thermlab.planning.underway import look_ahead
from thermlab.stats.dunnett import dunnett_critical
from thermlab.stats.sequential import MountTally, RunningDecision, critical_values, look_rule, power_spending

# Ten looks: two treatments, six blocks; there is nothing to look at before the third mount.
ORDER = (0, 1, 1, 0, 0, 1, 1, 0, 1, 0, 0, 1)
BLOCKS_OF_FOUR = (0, 2, 1, 3, 3, 0, 2, 1, 1, 3, 0, 2, 2, 1, 3, 0)


def simulate(order, true_K, sd_K, *, n, seed, margin_K=1.0, prior=None):
    """Make campaigns of normal mounts and look after every mount; returns the decision and when every verdict stood."""
    rng = np.random.default_rng(seed)
    prior_dof, prior_sd_K = prior or (0.0, 0.0)
    rule = look_rule(tuple(order), margin_K=margin_K, prior_dof=prior_dof)
    variance = prior_sd_K**2 * rng.chisquare(prior_dof, n) / prior_dof if prior_dof else 0.0
    tally = MountTally(n, len(true_K), prior=(prior_dof, variance))
    decision = RunningDecision(rule, n, len(true_K))
    stopped = np.full(n, len(order) + 1)
    for look, treatment in enumerate(order):
        tally.add(treatment, true_K[treatment] + sd_K * rng.standard_normal(n))
        decision.look(tally, look)
        stopped[(stopped > len(order)) & decision.decided().all(axis=0)] = look + 1
    return decision, stopped


def ever_missed(decision, true_K):
    missed = [
        (decision.low[i] > true_K[i] - true_K[0]) | (decision.high[i] < true_K[i] - true_K[0])
        for i in range(1, len(true_K))
    ]
    return np.any(missed, axis=0).mean()


# Binomial standard deviation at 20 000 campaigns and 0.05: 0.0015, so 0.06 is more than six of them away.
@pytest.mark.parametrize("true_K", [(60.0, 60.0), (60.0, 58.5)])
def test_error_over_ten_looks_stays_below_six_percent(true_K):
    decision, _ = simulate(ORDER, true_K, 0.6, n=20_000, seed=11)

    assert 0.04 < ever_missed(decision, true_K) < 0.06


def test_error_over_all_candidates_and_looks_stays_below_six_percent():
    decision, _ = simulate(BLOCKS_OF_FOUR, (60.0,) * 4, 0.6, n=20_000, seed=12)

    assert 0.04 < ever_missed(decision, (60.0,) * 4) < 0.06


def test_error_with_a_prior_stays_below_six_percent():
    decision, _ = simulate(ORDER[:6], (60.0, 60.0), 0.6, n=20_000, seed=13, prior=(8.0, 0.6))

    assert 0.04 < ever_missed(decision, (60.0, 60.0)) < 0.06


@pytest.mark.parametrize("side", [-1.0, 1.0])
def test_false_claims_of_equivalence_at_the_margin_stay_below_six_percent(side):
    decision, _ = simulate(ORDER, (60.0, 60.0 + side), 0.4, n=20_000, seed=14)

    assert 0.04 < decision.equivalent[1].mean() < 0.06


def test_ordinary_intervals_looked_at_ten_times_are_not_honest():
    """What the procedure is for: the same looks with plain t intervals miss far more often than 5 %."""
    rng = np.random.default_rng(15)
    tally = MountTally(20_000, 2)
    missed = np.zeros(20_000, dtype=bool)
    for treatment in ORDER:
        tally.add(treatment, rng.standard_normal(20_000))
        if tally.ready(1):
            difference, error = tally.difference_and_error(1)
            missed |= np.abs(difference) > stdtrit(tally.dof, 0.975) * error

    assert missed.mean() > 0.15


def test_one_look_at_the_end_is_students_t_and_dunnetts_point():
    at_end = lambda fraction: 0.05 if fraction >= 1 else 0.0  # noqa: E731

    two = critical_values(ORDER, spend=at_end)
    four = critical_values(BLOCKS_OF_FOUR, spend=at_end)

    assert set(two[:-1]) == {None}
    # 10 000 of 200 000 paths lie beyond: relative error of the tail 1 %, of the point about 0.3 %.
    assert two[-1] == pytest.approx(stdtrit(10, 0.975), rel=0.01)
    assert four[-1] == pytest.approx(dunnett_critical(0.05, [4, 4, 4], 4, 12), rel=0.01)


def test_published_boundaries_of_large_samples():
    """Lan and DeMets with their O'Brien-Fleming-like spending, one-sided 0.05, looks at 1/4, 1/2, 3/4, 1.

    2.53993, 2.01604, 1.72014 for the last three looks: README of the Julia package SeqBounds (github.com/PharmCat/
    SeqBounds.jl). The first (3.74955) spends 9e-5 and lies beyond what 200 000 paths resolve to the digits printed.
    """

    def spend(fraction):
        quarters = math.floor(4 * fraction + 1e-9) / 4
        return 2 * (1 - ndtr(ndtri(0.975) / math.sqrt(quarters))) if quarters else 0.0

    order = tuple(index % 2 for index in range(80))
    values = critical_values(order, spend=spend, prior_dof=1e7, one_sided=1, n_paths=400_000)

    assert [values[look - 1] for look in (40, 60, 80)] == pytest.approx([2.53993, 2.01604, 1.72014], abs=0.03)


def test_error_is_spent_as_said():
    spend = power_spending(0.05)

    assert [spend(t) for t in (-1, 0, 0.5, 1, 2)] == [0, 0, 0.0125, 0.05, 0.05]


def test_a_look_halfway_keeps_the_error_and_nearly_all_the_chance_of_one_look():
    """Six mounts of each of two treatments with an SD of one mount of 0.54 K, t values worked out here."""
    rule = look_rule((0, 1) * 6, margin_K=1.0, halfway=True)
    values = {look: value for look, value in enumerate(rule.two_sided, start=1) if value is not None}
    rng = np.random.default_rng(19)
    crossed = {}
    for true_K in (0.0, 1.0):
        rises = math.hypot(0.5, 0.2) * rng.standard_normal((40_000, 2, 6))
        rises[:, 1] -= true_K
        beyond = np.zeros(40_000, dtype=bool)
        for look, value in values.items():
            made = rises[:, :, : look // 2]
            error = np.sqrt(made.var(axis=2, ddof=1).mean(axis=1) * 2 / made.shape[2])
            beyond |= np.abs(made[:, 1].mean(axis=1) - made[:, 0].mean(axis=1)) > value * error
        crossed[true_K] = beyond.mean()

    assert list(values) == [6, 12]
    # Binomial standard deviations at 40 000: 0.0011 and 0.0019.
    assert crossed[0.0] == pytest.approx(0.05, abs=0.005)
    assert 0.805 < crossed[1.0] < 0.825


def test_the_same_order_gives_the_same_intervals():
    rule = look_rule(ORDER, margin_K=1.0, n_paths=5_000)

    afresh = critical_values(ORDER, spend=power_spending(0.05), n_paths=5_000)
    assert rule.two_sided == afresh
    wider = look_rule(ORDER, margin_K=2.0, n_paths=5_000)
    assert (wider.two_sided, wider.one_sided, wider.margin_K) == (rule.two_sided, rule.one_sided, 2.0)


def test_the_tally_agrees_with_means_and_pooled_variance():
    rng = np.random.default_rng(16)
    values = {0: rng.normal(60, 1, 5), 1: rng.normal(59, 1, 3)}
    tally = MountTally(1, 2)
    for treatment, rises in values.items():
        for rise in rises:
            tally.add(treatment, np.array([rise]))

    difference, error = tally.difference_and_error(1)

    pooled = (values[0].var(ddof=1) * 4 + values[1].var(ddof=1) * 2) / 6
    assert difference[0] == pytest.approx(values[1].mean() - values[0].mean())
    assert error[0] == pytest.approx(math.sqrt(pooled * (1 / 5 + 1 / 3)))


def test_a_clear_difference_stops_before_all_mounts_are_made():
    _, stopped = simulate(ORDER, (60.0, 58.0), 0.54, n=4_000, seed=17)

    assert (stopped <= len(ORDER)).mean() > 0.99
    assert stopped.mean() < 8.0


# --- what the next mount can still change


def ahead(mounts, planned, **changes):
    """Return the outlook of the one candidate, and the cautions."""
    given = {"treatments": ["a", "b"], "baseline": "a", "margin_K": 1.0, "still_planned": planned}
    candidates, cautions = look_ahead(mounts, **(given | changes))
    return candidates[0], cautions


def test_a_plain_difference_is_decided_on_the_way():
    found, _ = ahead([("a", 60.0), ("b", 50.0), ("b", 50.1), ("a", 60.2), ("a", 60.1), ("b", 50.0)], ["a", "b"] * 3)

    assert found.verdict == "cooler by more than the margin"
    low, high = found.interval_K
    assert low < -10.1 < high < -1


def test_the_chance_is_small_where_the_planned_mounts_cannot_settle_it():
    mounts = [("a", 60.0), ("b", 60.9), ("b", 57.0), ("a", 63.0), ("a", 57.5), ("b", 62.0)]

    found, _ = ahead(mounts, ["a", "b"], margin_K=0.5)

    assert found.chance_at_end < 0.10


def test_says_how_likely_a_decision_is():
    found, _ = ahead([("a", 60.0), ("b", 59.2), ("b", 58.9), ("a", 60.3)], ["a", "b"] * 4)

    assert len(found.chance_after) == 3
    assert all(0 <= chance <= 1 for chance in found.chance_after)
    assert list(found.chance_after) == sorted(found.chance_after)
    assert found.chance_at_end >= found.chance_after[-1]


def test_one_mount_of_each_gives_no_chance_and_no_interval():
    found, _ = ahead([("a", 60.0), ("b", 59.0)], ["a", "b"])

    assert found.chance_after == ()
    assert found.interval_K is None
    assert found.difference_K == pytest.approx(-1.0)


def test_a_prior_gives_a_chance_from_the_first_mounts_and_is_cautioned():
    found, cautions = ahead([("a", 60.0), ("b", 57.0)], ["a", "b"] * 2, prior_sd_K=0.5, prior_dof=10)

    assert len(found.chance_after) == 3
    assert "earlier campaigns" in cautions[0]


def test_no_scatter_at_all_is_cautioned_and_gives_no_chance():
    found, cautions = ahead([("a", 60.0), ("a", 60.0), ("b", 60.0), ("b", 60.0)], ["a", "b"])

    assert found.chance_after == ()
    assert any("do not scatter" in caution for caution in cautions)


def test_predicted_chance_agrees_with_campaigns_carried_on_from_many_starts():
    """Predictive power is calibrated: over starts drawn from a wide prior, the share decided equals the mean chance."""
    rng = np.random.default_rng(18)
    order = (0, 1, 1, 0, 0, 1, 1, 0, 0, 1, 1, 0)
    chances, decided = [], []
    for _ in range(300):
        true_K = (60.0, 60.0 + rng.uniform(-2.5, 2.5))
        sd = rng.uniform(0.3, 0.9)
        rises = [true_K[t] + sd * rng.standard_normal() for t in order]
        names = ["a" if t == 0 else "b" for t in order]
        start = list(zip(names, rises, strict=True))
        now, _ = ahead(start[:6], names[6:], n_futures=400)
        end, _ = ahead(start, [])
        chances.append(now.chance_at_end)
        decided.append(end.verdict != "undecided")

    # 300 starts: binomial standard deviation at most 0.029.
    assert np.mean(decided) == pytest.approx(np.mean(chances), abs=0.08)
    hopeful = np.array(chances) > 0.9
    assert np.mean(np.array(decided)[hopeful]) > 0.8


def over_looks(order, sds_K, *, variance, n=8_000, seed=31):
    """Return the error over all looks, and false claims of equivalence, where treatments scatter differently."""
    rng = np.random.default_rng(seed)
    true_K = (60.0,) * (len(sds_K) - 1) + (61.0,)
    rule = look_rule(tuple(order), margin_K=1.0, variance=variance, n_paths=40_000)
    tally, decision = MountTally(n, len(sds_K), variance=rule.variance), RunningDecision(rule, n, len(sds_K))
    for look, treatment in enumerate(order):
        tally.add(treatment, true_K[treatment] + sds_K[treatment] * rng.standard_normal(n))
        decision.look(tally, look)
    return ever_missed(decision, true_K), decision.equivalent[-1].mean()


def test_welch_keeps_the_error_where_pooling_loses_it():
    """Standard deviations .3 .3 .3 1.0, four mounts each: statistics of one noisy candidate among quiet ones."""
    order, sds = BLOCKS_OF_FOUR, (0.3, 0.3, 0.3, 1.0)

    pooled, false_pooled = over_looks(order, sds, variance="pooled")
    welch, false_welch = over_looks(order, sds, variance="welch")
    alike, _ = over_looks(order, (0.6,) * 4, variance="welch")

    assert pooled > 0.10
    assert false_pooled > 0.08
    # Binomial standard deviation at 8 000 campaigns and 0.05: 0.0024.
    assert welch < 0.06
    assert false_welch < 0.06
    assert 0.04 < alike < 0.06


@pytest.mark.parametrize("sds", [(0.3, 0.3, 0.3, 1.0), (0.3, 1.0), (1.0, 0.3)])
def test_scatter_judged_at_each_look_keeps_most_of_the_error_that_pooling_loses(sds):
    """Nobody knows beforehand that one treatment scatters; the limit is 0.055 where all scatter alike."""
    order = [t for block in range(4) for t in range(len(sds))]

    pooled, false_pooled = over_looks(order, sds, variance="pooled")
    judged, false_judged = over_looks(order, sds, variance="auto")
    alike, false_alike = over_looks(order, (0.6,) * len(sds), variance="auto")

    # Binomial standard deviation at 8 000 campaigns and 0.07: 0.003.
    assert judged < min(0.08, pooled)
    assert false_judged < max(0.065, 0.6 * false_pooled)
    assert alike < 0.055
    assert false_alike < 0.055


def test_a_prior_says_how_all_treatments_scatter_and_nothing_is_judged():
    assert look_rule((0, 1) * 3, margin_K=1.0, variance="auto", prior_dof=10.0, n_paths=2_000).apart is None
