"""The simulations behind the planning page of the documentation; prints every figure that page quotes.

Run as ``python study/planning_study.py``; it takes some minutes. ``tests/planning/`` runs a reduced version.
"""

from __future__ import annotations

import argparse
import math
import sys
from dataclasses import dataclass, replace
from pathlib import Path
from types import SimpleNamespace
from typing import TYPE_CHECKING

import numpy as np
from scipy.special import ndtr, ndtri, stdtrit

sys.path.insert(0, str(Path(__file__).resolve().parents[1]))

from thermlab.planning.folder import plan_order
from thermlab.planning.make import request_of
from thermlab.planning.mount_sd import given_scatter
from thermlab.planning.records import BenchHours
from thermlab.planning.splits import ASSUMED_CURVE, SplitProblem, recommend_split
from thermlab.stats.power import mounts_needed, t_test_power
from thermlab.stats.sequential import (
    LookRule,
    MountTally,
    RunningDecision,
    chance_over_looks,
    critical_values,
    look_rule,
    power_spending,
)

if TYPE_CHECKING:
    from collections.abc import Callable, Sequence

LADDER_W = tuple(np.linspace(40.0, 120.0, 7))
RUN_NOISE_K = 0.2
ALPHA = 0.05
MOUNT_SDS_K = (0.3, 0.36, 0.42, 0.48, 0.54, 0.6, 0.66, 0.72, 0.8)


@dataclass(frozen=True, slots=True, kw_only=True)
class SplitOutcome:
    """What simulated campaigns of one split gave: root mean square errors and chance of showing the difference."""

    n_mounts: int
    n_steps: int
    hours: float
    difference_rmse_K: float
    power: float
    coverage: float
    throttle_difference_rmse_W: float | None


def simulate_split(
    steps_W: Sequence[float],
    n_mounts: int,
    *,
    hours: float,
    mount_sd_K: float,
    true_K: float = -1.0,
    prior_dof: float = 12.0,
    n: int = 20_000,
    seed: int = 1,
    estimand: str = "reference",
) -> SplitOutcome:
    """Simulate campaigns with two treatments, judged with a prior mount SD of which half the dof count.

    Rises are curve + (difference + mount effect) x P / 120 W + run noise; the mount effect is new in every mount.
    """
    rng = np.random.default_rng(seed)
    steps = np.asarray(steps_W, dtype=float)
    curve = ASSUMED_CURVE
    mean = np.array([curve.rise_K(step) for step in steps])
    scale = steps / 120.0
    rises = mean + mount_sd_K * rng.standard_normal((n, 2, n_mounts, 1)) * scale
    rises += RUN_NOISE_K * rng.standard_normal((n, 2, n_mounts, steps.size))
    rises[:, 1] += true_K * scale
    weights = (steps == 120.0).astype(float) if estimand == "reference" else scale / (scale @ scale)
    values = rises @ weights
    difference = values[:, 1].mean(axis=1) - values[:, 0].mean(axis=1)
    # What a pooled SD of earlier campaigns would have been: with all its dof, of which half count.
    one_mount_sd = math.hypot(mount_sd_K, RUN_NOISE_K * math.sqrt(weights @ weights))
    prior_variance = one_mount_sd**2 * rng.chisquare(prior_dof, n) / prior_dof
    used, own = prior_dof / 2, 2 * (n_mounts - 1)
    own_squares = ((values - values.mean(axis=2, keepdims=True)) ** 2).sum(axis=(1, 2))
    error = np.sqrt((used * prior_variance + own_squares) / (used + own) * 2 / n_mounts)
    half = stdtrit(used + own, 1 - ALPHA / 2) * error
    return SplitOutcome(
        n_mounts=n_mounts,
        n_steps=steps.size,
        hours=hours,
        difference_rmse_K=float(np.sqrt(np.mean((difference - weights @ (true_K * scale)) ** 2))),
        power=float(np.mean(np.abs(difference) > half)),
        coverage=float(np.mean(np.abs(difference - true_K) <= half)),
        throttle_difference_rmse_W=_throttle_rmse(rises, steps, true_K),
    )


def _throttle_rmse(rises: np.ndarray, steps: np.ndarray, true_K: float, limit_K: float = 60.0) -> float | None:
    if steps.size < 2:
        return None
    design = np.column_stack([steps, steps**0.8])
    b, a = np.moveaxis(rises @ np.linalg.pinv(design).T, -1, 0)

    def solve(b: np.ndarray, a: np.ndarray) -> np.ndarray:
        power = np.full(np.shape(b), 115.0)
        for _ in range(20):  # Newton; the curve is nearly straight here
            power -= (b * power + a * power**0.8 - limit_K) / (b + 0.8 * a * power**-0.2)
        return power

    curve = ASSUMED_CURVE
    truth = solve(np.array(curve.b_K_per_W + true_K / 120), np.array(curve.a)) - solve(
        np.array(curve.b_K_per_W), np.array(curve.a)
    )
    found = solve(b, a).mean(axis=2)
    return float(np.sqrt(np.mean((found[:, 1] - found[:, 0] - truth) ** 2)))


def compare_with_ladder(
    *, mount_sd_K: float, time_constant_min: float | None, curve_known: bool, n: int = 20_000, seed: int = 1
) -> tuple[SplitOutcome, SplitOutcome]:
    """Return the seven-step ladder of one mount each, soaks of 40 min, and the best whole ladders of the same hours."""
    ladder_times = BenchHours()
    hours = 2 * ladder_times.mount_h(len(LADDER_W))
    request = request_of(
        treatments=["a", "b"],
        baseline="a",
        margin_K=1.0,
        confidence_level=1 - ALPHA,
        steps_W=LADDER_W,
        time_constant_min=time_constant_min,
        estimand="through origin",  # every mount runs every step
    )
    scatter = given_scatter(mount_sd_K, None, run_noise_K=RUN_NOISE_K)
    scatter = replace(scatter, curve=ASSUMED_CURVE if curve_known else None)
    split, _ = recommend_split(SplitProblem(request=request, scatter=scatter, hours=hours))
    given = {"mount_sd_K": mount_sd_K, "n": n, "seed": seed}
    ladder = simulate_split(LADDER_W, 1, hours=hours, **given)
    return ladder, simulate_split(split.steps_W, split.n_mounts, hours=split.hours, **given)


# --- looking after every mount


def obrien_fleming_like(alpha: float) -> Callable[[float], float]:
    """Lan and DeMets 1983 (from memory)."""
    return lambda t: float(2 - 2 * ndtr(ndtri(1 - alpha / 2) / math.sqrt(min(1.0, t))))


def pocock_like(alpha: float) -> Callable[[float], float]:
    """Lan and DeMets 1983 (from memory)."""
    return lambda t: alpha * math.log(1 + (math.e - 1) * min(1.0, t))


def anytime_critical(effective: float, dof: float, spread: float, alpha: float) -> float | None:
    """Critical t of the Gaussian mixture of the t likelihood ratio, valid at any time.

    Wang and Ramdas, arXiv 2310.03722: test martingale in the scale-invariant filtration, mixture of the standardised
    effect over N(0, spread); here for two means, with the effective number 1 / (1/m1 + 1/m0).
    """
    growth = 1 + effective * spread
    level = (math.sqrt(growth) / alpha) ** (2 / (dof + 1))
    return math.sqrt(dof * (level - 1) / (1 - level / growth)) if level < growth else None


def anytime_rule(order: Sequence[int], spread: float) -> LookRule:
    """Rule for two treatments; the claim of equivalence is one-sided, so its level is doubled."""
    counts, two, one = [0, 0], [], []
    for treatment in order:
        counts[treatment] += 1
        dof = sum(counts) - 2
        if min(counts) == 0 or dof < 1:
            two.append(None)
            one.append(None)
            continue
        effective = 1 / (1 / counts[0] + 1 / counts[1])
        two.append(anytime_critical(effective, dof, spread, ALPHA))
        one.append(anytime_critical(effective, dof, spread, 2 * ALPHA))
    return LookRule(order=tuple(order), two_sided=tuple(two), one_sided=(tuple(one),), margin_K=1.0)


def spending_rule(order: Sequence[int], n_treatments: int, spend: Callable[[float], float]) -> LookRule:
    """Rule from an error-spending function."""
    given = {"spend": spend}
    return LookRule(
        order=tuple(order),
        two_sided=critical_values(tuple(order), **given),
        one_sided=tuple(critical_values(tuple(order), **given, one_sided=i) for i in range(1, n_treatments)),
        margin_K=1.0,
    )


@dataclass(frozen=True, slots=True, kw_only=True)
class LookOutcome:
    """Error over all looks, worst false claim, chance of a verdict on every candidate, mounts made (all if none)."""

    error: float
    false_equivalence: float
    decided: float
    mean_mounts: float


def simulate_looks(
    rule: LookRule, true_K: Sequence[float], sd_K: float | Sequence[float], *, n: int = 20_000, seed: int = 1
) -> LookOutcome:
    """Simulate campaigns that are looked at after every mount and stopped at the first verdict on all candidates."""
    rng = np.random.default_rng(seed)
    tally, decision = MountTally(n, len(true_K)), RunningDecision(rule, n, len(true_K))
    mounts = np.full(n, len(rule.order))
    going = np.ones(n, dtype=bool)
    sds_K = np.broadcast_to(sd_K, len(true_K))
    for look, treatment in enumerate(rule.order):
        tally.add(treatment, true_K[treatment] + sds_K[treatment] * rng.standard_normal(n))
        decision.look(tally, look)
        now = going & decision.decided().all(axis=0)
        mounts[now] = look + 1
        going &= ~now
    missed = [(decision.low[i] > t - true_K[0]) | (decision.high[i] < t - true_K[0]) for i, t in enumerate(true_K) if i]
    beyond = [decision.equivalent[i].mean() for i, t in enumerate(true_K) if i and abs(t - true_K[0]) >= rule.margin_K]
    return LookOutcome(
        error=float(np.any(missed, axis=0).mean()),
        false_equivalence=float(max(beyond, default=0.0)),
        decided=float(1 - going.mean()),
        mean_mounts=float(mounts.mean()),
    )


def block_order(n_treatments: int, n_mounts: int, seed: int = 3) -> tuple[int, ...]:
    """Randomised blocks as the planner makes them."""
    asked = SimpleNamespace(
        treatments=[str(i) for i in range(n_treatments)], seed=seed, step_order="ascending", reference_W=120.0
    )
    runs = plan_order(asked, SimpleNamespace(n_mounts=n_mounts, n_ladder=0, steps_W=()))
    return tuple(int(run.treatment) for run in runs)


PROCEDURES: dict[str, Callable[[Sequence[int], int], LookRule]] = {
    "one look at the end": lambda o, t: spending_rule(o, t, lambda f: ALPHA if f >= 1 else 0.0),
    "spending, share^1": lambda o, t: spending_rule(o, t, power_spending(ALPHA, 1.0)),
    "spending, share^1.5": lambda o, t: spending_rule(o, t, power_spending(ALPHA, 1.5)),
    "spending, share^2": lambda o, t: spending_rule(o, t, power_spending(ALPHA, 2.0)),
    "spending, share^3": lambda o, t: spending_rule(o, t, power_spending(ALPHA, 3.0)),
    "spending, Pocock-like": lambda o, t: spending_rule(o, t, pocock_like(ALPHA)),
    "spending, O'Brien-Fleming-like": lambda o, t: spending_rule(o, t, obrien_fleming_like(ALPHA)),
    "anytime-valid t, spread 4": lambda o, _: anytime_rule(o, 4.0),
    "anytime-valid t, spread 8": lambda o, _: anytime_rule(o, 8.0),
    "anytime-valid t, spread 16": lambda o, _: anytime_rule(o, 16.0),
}


def print_procedures(n: int) -> None:
    """Give every procedure as many planned mounts as it needs for 80 % at 1 K, then count the mounts made."""
    print(f"\nProcedures, two treatments, margin 1 K, mounts planned for 80 % at 1 K, {n} campaigns each;")
    print(f"means over the SDs of one mount {', '.join(map(str, MOUNT_SDS_K))} K")
    print("procedure: planned in all; made where 0, 0.5, 1, 2 K are true, and the mean of these four; largest error")
    for name, make in PROCEDURES.items():
        rows = [_planned_for_80(make, sd, n) for sd in MOUNT_SDS_K]
        planned, *made = np.mean([row[:5] for row in rows], axis=0)
        worst = max(row[5] for row in rows)
        mounts = " ".join(f"{value:.1f}" for value in made)
        print(f"  {name}: {planned:.1f}; {mounts}; {np.mean(made):.2f}; {worst:.4f}")


def _planned_for_80(make: Callable[[Sequence[int], int], LookRule], sd_K: float, n: int) -> list[float]:
    for n_mounts in range(3, 61):
        rule = make(block_order(2, n_mounts), 2)
        if simulate_looks(rule, (60.0, 59.0), sd_K, n=n, seed=5).decided >= 0.80:
            break
    made = [simulate_looks(rule, (60.0, 60.0 - d), sd_K, n=n, seed=6) for d in (0.0, 0.5, 1.0, 2.0)]
    return [len(rule.order), *(outcome.mean_mounts for outcome in made), made[0].error]


def print_error_rates(n: int) -> None:
    """Error of the chosen procedure over all looks."""
    print(f"\nError over all looks, {n} campaigns each; nominal 0.05")
    cases = [(2, 3), (2, 4), (2, 5), (2, 6), (3, 4), (4, 3), (4, 6)]
    for n_treatments, n_mounts in cases:
        rule = spending_rule(block_order(n_treatments, n_mounts), n_treatments, power_spending(ALPHA))
        null = simulate_looks(rule, (60.0,) * n_treatments, 0.6, n=n, seed=7)
        apart = simulate_looks(rule, (60.0, *(59.0,) * (n_treatments - 1)), 0.4, n=n, seed=8)
        looks = sum(value is not None for value in rule.two_sided)
        claims = f"false claim of equivalence at the margin {apart.false_equivalence:.4f}"
        case = f"{n_treatments} treatments, {n_mounts} mounts each, {looks} looks"
        print(f"  {case}: {null.error:.4f}, 1 K: {apart.error:.4f}; {claims}")


def print_scatters(n: int) -> None:
    """Error over all looks where the scatter is judged at each, alike or not, beside pooling throughout."""
    print(f"\nError over all looks, all candidates 1 K off, {n} campaigns each: an interval misses; false equivalence")
    cases = [(0.54,) * 2, (0.54,) * 3, (0.3, 1.0), (1.0, 0.3), (0.3, 0.3, 1.0), (0.3, 0.3, 0.3, 1.0)]
    for sds, n_mounts, halfway in [(sds, m, h) for sds in cases for m in (4, 6) for h in (False, True)]:
        true_K = (60.0, *(59.0,) * (len(sds) - 1))
        row = []
        for variance in ("pooled", "auto"):
            rule = look_rule(block_order(len(sds), n_mounts), margin_K=1.0, variance=variance, halfway=halfway)
            found = simulate_looks(rule, true_K, sds, n=n, seed=9)
            row.append(f"{variance} {found.error:.4f}, {found.false_equivalence:.4f}, decided {found.decided:.3f}")
        print(f"  SDs {sds}, {n_mounts} mounts each, {'halfway' if halfway else 'every mount'}: {'; '.join(row)}")


def print_halfway(n: int) -> None:
    """Chance and mounts made with a look halfway and with one after every mount, six mounts of each treatment."""
    print(f"\nSix mounts of each of two treatments, SD of one mount 0.54 K, {n} campaigns each: crossed; mounts made")
    for name, halfway in (("halfway and at the end", True), ("after every mount", False)):
        rule = look_rule((0, 1) * 6, margin_K=1.0, variance="auto", halfway=halfway)
        rows = [chance_over_looks(rule, true, math.hypot(0.5, RUN_NOISE_K), n_paths=n) for true in (0.0, 1.0, 2.0)]
        print(f"  {name}: " + ", ".join(f"{true:g} K {row[0]:.3f}; {row[1]:.1f}" for true, row in enumerate(rows)))


def print_splits(n: int) -> None:
    """Recommended split against the ladder of the same hours."""
    print(f"\nSplit against a seven-step ladder with one mount a treatment, {n} campaigns each, true difference -1 K,")
    print("same prior mount SD with 12 dof (6 count)")
    for sd in (0.3, 0.5, 0.8):
        for tau, known in ((None, False), (None, True), (12.0, True)):
            ladder, split = compare_with_ladder(mount_sd_K=sd, time_constant_min=tau, curve_known=known, n=n)
            factor = ladder.difference_rmse_K / split.difference_rmse_K
            widths = (ladder.throttle_difference_rmse_W, split.throttle_difference_rmse_W)
            watts = "none" if None in widths else f"{widths[0] / widths[1]:.2f}"
            print(f"  mount SD {sd}, time constant {tau}, curve known {known}:", end=" ")
            print(f"{split.n_mounts} mounts x {split.n_steps} steps, hours {ladder.hours:.1f} / {split.hours:.1f}")
            print(
                f"    RMSE {ladder.difference_rmse_K:.3f} / {split.difference_rmse_K:.3f} K, factor {factor:.2f};",
                end=" ",
            )
            print(f"power {ladder.power:.2f} / {split.power:.2f};", end=" ")
            print(f"coverage {ladder.coverage:.3f} / {split.coverage:.3f}; throttle difference factor {watts}")
        origin = simulate_split(LADDER_W, 1, hours=0, mount_sd_K=sd, n=n, estimand="through origin")
        print(f"    ladder, all steps in: RMSE {origin.difference_rmse_K:.3f} K, power {origin.power:.2f}")


def print_power(n: int) -> None:
    """Power formula against simulation."""
    rng = np.random.default_rng(9)
    worst = 0.0
    for sd in (0.3, 0.5, 0.8, 1.0):
        for n_mounts in (2, 3, 4, 6, 10):
            for true in (0.0, 0.5, 1.0, 2.0):
                difference = true + sd * math.sqrt(2 / n_mounts) * rng.standard_normal(n)
                dof = 2 * n_mounts - 2
                error = sd * np.sqrt(rng.chisquare(dof, n) / dof * 2 / n_mounts)
                shown = float(np.mean(np.abs(difference) > stdtrit(dof, 0.975) * error))
                worst = max(worst, abs(shown - t_test_power(true, sd, n_mounts)))
    print(f"\nPower formula against simulation, 80 cells of {n}: largest gap {worst:.4f}")
    print(f"Mounts for 80 % at 1 K, SD 0.54: {mounts_needed(1.0, 0.54)}")


def print_history(n: int) -> None:
    """Coverage of a difference whose SD comes partly from earlier campaigns, by the share of their dof that counts."""
    print(f"\nPrior from C campaigns x 4 dof, true SDs with a lognormal CV, {n} each; one mount / two mounts each:")
    for cv, campaigns in ((0.0, 3), (0.3, 3), (0.3, 6), (0.5, 6)):
        found = []
        for share in (1.0, 0.5):
            for n_mounts in (1, 2):
                rng = np.random.default_rng(10)
                spread = math.sqrt(math.log(1 + cv * cv))
                sds = np.exp(spread * rng.standard_normal((n, campaigns + 1)))
                pooled = (sds[:, 1:] ** 2 * rng.chisquare(4, (n, campaigns)) / 4).mean(axis=1)
                used, own = share * 4 * campaigns, 2 * (n_mounts - 1)
                squares = sds[:, 0] ** 2 * (rng.chisquare(own, n) if own else 0.0)
                error = np.sqrt((used * pooled + squares) / (used + own) * 2 / n_mounts)
                difference = sds[:, 0] * math.sqrt(2 / n_mounts) * rng.standard_normal(n)
                found.append(float(np.mean(np.abs(difference) <= stdtrit(used + own, 0.975) * error)))
        print(
            f"  CV {cv}, C {campaigns}: all dof {found[0]:.3f} / {found[1]:.3f}, half {found[2]:.3f} / {found[3]:.3f}"
        )


def print_drift() -> None:
    """Bias that a drift of the probe of 0.1 K per mount leaves in a difference, by the order of the mounts."""
    print("\nDrift of 0.1 K per mount, bias of the difference, K:")
    for name in ("AAABBB", "ABBAAB"):
        places = {letter: [i for i, other in enumerate(name) if other == letter] for letter in "AB"}
        print(f"  {name}: {0.1 * (np.mean(places['B']) - np.mean(places['A'])):+.2f}")
    orders = [block_order(2, 3, seed=seed) for seed in range(2_000)]
    biases = [0.1 * (np.flatnonzero(order).mean() - np.flatnonzero(np.equal(order, 0)).mean()) for order in orders]
    print(f"  randomised blocks: mean {np.mean(biases):+.3f}, largest {np.max(np.abs(biases)):.2f}")


def print_soak_error() -> None:
    """Share of what is left after a soak that a wrong time constant leaves in the settled rise."""
    print("\nError of the settled rise as a share of what was left, time constant 5 % too long / too short:")
    for soak in (1.6, 2.0, 2.5, 3.0):
        window = min(1.6, soak - 0.3)
        t = np.linspace(-window, 0.0, 200)
        shares = []
        for wrong in (1.05, 0.95):
            design = np.column_stack([np.ones_like(t), np.exp(-t / wrong)])
            level = np.linalg.lstsq(design, -np.exp(-t), rcond=None)[0][0]
            shares.append(f"{level:+.3f}")
        print(f"  soak {soak} time constants: {' / '.join(shares)}")


def print_prior_saving() -> None:
    """Mounts for 80 % at 1 K with a prior counted in."""
    found = {dof: mounts_needed(1.0, 0.55, prior_dof=dof) for dof in (0.0, 4.0, 20.0, 40.0)}
    print(f"\nMounts for 80 % at 1 K, SD of one mount 0.55 K, by prior dof as used: {found}")


def main() -> None:
    """Print every figure."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--campaigns", type=int, default=40_000, help="simulated campaigns per case")
    n = parser.parse_args().campaigns
    print_power(n)
    print_splits(n)
    print_error_rates(n)
    print_scatters(n)
    print_halfway(max(n, 100_000))
    print_history(n)
    print_drift()
    print_soak_error()
    print_prior_saving()
    print_procedures(min(n, 10_000))


if __name__ == "__main__":
    main()
