"""Whether a plan of few ladder mounts and many reference mounts keeps what it promises, from raw logs.

The campaign is the one that ``thermlab plan`` recommends; its logs are simulated, one mount after the other with the
planned pre-soak and soak, and go through the kit's own reduction, comparison and throttle prediction. Every other
campaign has no true difference, the rest one of the margin. Run as ``python study/mixed_study.py`` (``make study``;
about ten minutes); ``tests/planning/test_mixed.py`` runs a few campaigns of it.
"""

from __future__ import annotations

import argparse
import sys
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np

sys.path[:0] = [str(Path(__file__).resolve().parents[1]), str(Path(__file__).resolve().parent)]

from trace_level import log_of  # noqa: E402

from thermlab.campaign.folder import Campaign  # noqa: E402
from thermlab.campaign.runsheet import RunLine  # noqa: E402
from thermlab.campaign.settings import CampaignSettings  # noqa: E402
from thermlab.compare.analysis import conclude  # noqa: E402
from thermlab.planning.make import make_plan, request_of  # noqa: E402
from thermlab.runs.settled_runs import settle_runs  # noqa: E402
from thermlab.runs.trace import cut_trace  # noqa: E402
from thermlab.simulate.ladders import simulate_ladders  # noqa: E402
from thermlab.simulate.network import passive_bench, settled_rise, throttle_power  # noqa: E402
from thermlab.simulate.readings import SimulatedRoom  # noqa: E402

if TYPE_CHECKING:
    from thermlab.compare.analysis import Analysis
    from thermlab.planning.records import Plan

BASELINE, CANDIDATE = "grease-a", "pad-b"
MARGIN_K = 1.0
RESISTANCE_K_PER_W = 0.15
TIME_CONSTANT_MIN = 12.0
ROOM = SimulatedRoom(mean_C=22.0, mount_sd_K=0.5)
BENCH = passive_bench(time_constant_min=TIME_CONSTANT_MIN)
LIMITS_AT_W = (96.0, 126.0)
"""Where the device throttles, W: inside the ladder, and a little above it."""


@dataclass(frozen=True, slots=True)
class MixedOutcome:
    """Shares over simulated campaigns, and mean half-widths."""

    campaigns: int
    covered: float
    power: float
    type_1: float
    half_width_K: float
    throttle_covered: float
    throttle_half_width_W: float
    throttle_difference_covered: float
    unused_runs: float


def planned(mount_sd_K: float, **request: Any) -> Plan:
    """Return the plan whose promise is tried: two treatments, a margin of 1 K, the throttle power asked for."""
    asked: dict[str, Any] = {
        "treatments": [BASELINE, CANDIDATE],
        "baseline": BASELINE,
        "margin_K": MARGIN_K,
        "mount_sd_K": mount_sd_K,
        "time_constant_min": TIME_CONSTANT_MIN,
    }
    return make_plan(request_of(**(asked | request)))


def simulate_campaign(
    made: Plan, effect_K: float, limit_at_W: float, mount_sd_K: float, rng: np.random.Generator
) -> Analysis:
    """Simulate the logs of a plan and analyse them as a report does."""
    limit_C = 22.0 + float(settled_rise(BENCH, RESISTANCE_K_PER_W, limit_at_W))
    settings = CampaignSettings.model_validate(
        {
            "title": "mixed",
            "cooling": "passive",
            "baseline": BASELINE,
            "treatments": {BASELINE: {}, CANDIDATE: {}},
            "decision": {"margin_K": MARGIN_K, "reference_power_W": 120.0},
            "limits": {"temperature_C": limit_C, "room_C": 22.0},
            "soak": {"minutes": made.split.times.soak_min},
            "log": {
                "time": {"columns": ["t"], "unit": "s"},
                "temperature": {"columns": ["core *"], "unit": "degC"},
                "power": {"columns": ["power"], "unit": "W"},
                "ambient": {"columns": ["room"], "unit": "degC"},
            },
        }
    )
    mounts: dict[tuple[str, str], list[float]] = {}
    for run in made.runs:
        mounts.setdefault((run.treatment, run.mount), []).append(run.set_power_W)
    lines: list[RunLine] = []
    traces = []
    for (treatment, mount), steps in mounts.items():
        mean = RESISTANCE_K_PER_W + (effect_K if treatment == CANDIDATE else 0.0) / 120.0
        (ladder,) = simulate_ladders(
            BENCH,
            [float(rng.normal(mean, mount_sd_K / 120.0))],
            steps,
            rng=rng,
            soak_min=made.split.times.soak_min,
            presoak_min=made.split.times.pre_soak_min,
            lead_min=2.0 * TIME_CONSTANT_MIN,
            interval_s=5.0,
            step_s=5.0,
            room=ROOM,
        )
        log = log_of(f"{treatment}-{mount}", ladder)
        for place, power in enumerate(steps):
            line = RunLine(
                run=f"{log.name}-{power:g}",
                treatment=treatment,
                mount=mount,
                set_power_W=power,
                log=log.name,
                line=len(lines) + 2,
            )
            start_s, end_s = ladder.log_starts_s[place], ladder.log_ends_s[place]
            lines.append(line)
            traces.append(cut_trace(line, log, start_s=start_s, end_s=end_s, room=None, limit_C=limit_C))
    campaign = Campaign(folder=Path(), settings=settings, runs=tuple(lines), sha256={})
    return conclude(campaign, settle_runs(campaign, traces), sha256={}, overrides={})


def true_power_W(effect_K: float, limit_at_W: float, mount_sd_K: float) -> float:
    """Return the mean throttle power over mounts, W."""
    at, weights = np.polynomial.hermite_e.hermegauss(12)
    limit_C = 22.0 + float(settled_rise(BENCH, RESISTANCE_K_PER_W, limit_at_W))
    resistances = RESISTANCE_K_PER_W + (effect_K + mount_sd_K * at) / 120.0
    powers = throttle_power(BENCH, resistances, room_C=22.0, temperature_C=limit_C)
    return float(weights @ powers / weights.sum())


def simulate_plan(
    made: Plan, n: int, *, limit_at_W: float = LIMITS_AT_W[1], mount_sd_K: float = 0.5, seed: int = 1
) -> MixedOutcome:
    """Simulate n campaigns of a plan; those with an odd place have no true difference."""
    truths = {effect: true_power_W(effect, limit_at_W, mount_sd_K) for effect in (0.0, -MARGIN_K)}
    rows = []
    for place in range(n):
        effect = 0.0 if place % 2 else -MARGIN_K
        found = simulate_campaign(made, effect, limit_at_W, mount_sd_K, np.random.default_rng([seed, place]))
        if found.comparison is None or found.throttle is None:
            raise RuntimeError(f"campaign {place} gave no answer")
        low, high = found.comparison.treatments[0].simultaneous_interval_K or (np.nan, np.nan)
        base, candidate = found.throttle.treatments
        base_W, gap_W = base.interval_W or (np.nan,) * 2, candidate.difference_interval_W or (np.nan,) * 2
        shown = not low <= 0.0 <= high
        rows.append(
            (
                low <= effect <= high,
                np.nan if effect == 0.0 else shown,
                shown if effect == 0.0 else np.nan,
                (high - low) / 2,
                base_W[0] <= truths[0.0] <= base_W[1],
                (base_W[1] - base_W[0]) / 2,
                gap_W[0] <= truths[effect] - truths[0.0] <= gap_W[1],
                sum(not run.used for run in found.runs) / len(found.runs),
            )
        )
    return MixedOutcome(n, *np.nanmean(np.array(rows, dtype=float), axis=0).tolist())


def main() -> None:
    """Print every figure."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--campaigns", type=int, default=1_000, help="simulated campaigns per case")
    n = parser.parse_args().campaigns
    made = planned(0.5)
    print(f"\nMixed ladders from raw logs, {n} campaigns a row, mount SD 0.5 K, time constant 12 min: {made.reason}")
    for limit_at_W in LIMITS_AT_W:
        print(f"  throttling at {limit_at_W:g} W, {made.hours:.1f} h: {simulate_plan(made, n, limit_at_W=limit_at_W)}")


if __name__ == "__main__":
    main()
