"""Ending a soak when `ready` says so: what it does to the settled rise, and to intervals of a difference.

Mounts of one true settled rise run one step on a bench whose time constant is known from six finished runs. A look is
taken every minute; the soak ends at the first look that says ready, or as planned. Optional stopping must not move the
settled rise, and t intervals of the difference of two treatments of three mounts each, which is truly nothing, must
keep their coverage.
"""

import argparse
import json
import sys
from dataclasses import replace
from pathlib import Path

import numpy as np
from scipy.special import stdtrit

HERE = Path(__file__).resolve().parent
sys.path.insert(0, str(HERE.parent / "tests" / "helpers"))
from simulated_traces import trace_of  # noqa: E402

from thermlab.campaign.settings import CampaignSettings  # noqa: E402
from thermlab.runs.settled_runs import estimate_under_way, reduce_bench  # noqa: E402
from thermlab.runs.trace import Trace  # noqa: E402
from thermlab.simulate.ladders import simulate_ladders  # noqa: E402
from thermlab.simulate.network import passive_bench  # noqa: E402
from thermlab.simulate.readings import SimulatedSensors  # noqa: E402
from thermlab.watching.engine import look_at  # noqa: E402

RESULT = HERE / "results" / "stopping.json"
SOAK_MIN, MOUNTS, STEP_W, RESISTANCE_K_PER_W = 75.0, 3, 120.0, 0.15
MOUNT_SD_K_PER_W = 0.6 / STEP_W
READOUTS = {"0.1 K": SimulatedSensors(noise_K=0.1, resolution_K=0.1), "1 K": SimulatedSensors()}
SETTINGS = CampaignSettings.model_validate(
    {
        "title": "stopping", "baseline": "a", "treatments": {"a": {}}, "decision": {"margin_K": 1.0},
        "log": {
            "delimiter": ",", "decimal": ".", "encoding": "utf-8", "time": {"columns": ["t"], "unit": "s"},
            "temperature": {"columns": ["core *"], "unit": "degC"}, "power": {"columns": ["power"], "unit": "W"},
            "ambient": {"columns": ["room"], "unit": "degC"},
        },
    }
)  # fmt: skip


def cut(trace: Trace, minutes: float) -> Trace:
    """Return a run as it stood so many minutes after its soak began."""
    rows = slice(int(np.searchsorted(trace.time_s, 60.0 * minutes)))
    return replace(
        trace, time_s=trace.time_s[rows], temperature_C=trace.temperature_C[rows], power_W=trace.power_W[rows],
        ambient_C=trace.ambient_C[rows],
    )  # fmt: skip


def stopped(trace: Trace, known: object) -> tuple[float, float, float]:
    """Return minutes of soak when ready said so, the settled rise then, and that of the whole soak."""
    whole = estimate_under_way(trace, SETTINGS, known).level_K
    for minutes in np.arange(10.0, SOAK_MIN + 0.5, 1.0):
        part = cut(trace, minutes)
        estimate = estimate_under_way(part, SETTINGS, known)
        if look_at(estimate, SETTINGS).ready:
            break
    return float(minutes), float(estimate.level_K), float(whole)


def cell(sensors: SimulatedSensors, n: int, rng: np.random.Generator) -> dict[str, float]:
    """Study n mounts with one readout."""
    bench = passive_bench()
    made = {"rng": rng, "soak_min": SOAK_MIN, "interval_s": 5.0, "presoak_min": 0.0, "sensors": sensors}
    first = simulate_ladders(bench, [RESISTANCE_K_PER_W] * 6, [STEP_W], **made)
    known = reduce_bench([trace_of(ladder, 0) for ladder in first], SETTINGS)
    resistances = rng.normal(RESISTANCE_K_PER_W, MOUNT_SD_K_PER_W, n)
    ladders = simulate_ladders(bench, resistances, [STEP_W], **made)
    found = np.array([stopped(trace_of(ladder, 0), known) for ladder in ladders])
    error = found[:, 1] - np.array([ladder.runs[0].truth.settled_rise_K for ladder in ladders])
    late = found[:, 2] - np.array([ladder.runs[0].truth.settled_rise_K for ladder in ladders])
    return {
        "mounts": n,
        "ended_early": float((found[:, 0] < SOAK_MIN).mean()),
        "soak_min": float(found[:, 0].mean()),
        "bias_K": float(error.mean()),
        "u_bias_K": float(error.std() / np.sqrt(n)),
        "sd_K": float(error.std()),
        "whole_bias_K": float(late.mean()),
        "stopping_bias_K": float((error - late).mean()),
        "coverage": coverage(found[:, 1], rng),
        "whole_coverage": coverage(found[:, 2], rng),
    }


def coverage(rises: np.ndarray, rng: np.random.Generator, times: int = 20_000) -> float:
    """Share of t intervals of a difference of nothing that hold it, over campaigns drawn from the mounts."""
    drawn = rises[np.array([rng.choice(rises.size, 2 * MOUNTS, replace=False) for _ in range(times)])]
    one, other = drawn[:, :MOUNTS], drawn[:, MOUNTS:]
    se = np.sqrt((one.var(axis=1, ddof=1) + other.var(axis=1, ddof=1)) / MOUNTS)
    return float((np.abs(one.mean(axis=1) - other.mean(axis=1)) <= stdtrit(2 * MOUNTS - 2, 0.975) * se).mean())


def main() -> None:
    """Run the study and keep its figures."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--mounts", type=int, default=400)
    parser.add_argument("--seed", type=int, default=11)
    given = parser.parse_args()
    seeds = np.random.SeedSequence(given.seed).spawn(len(READOUTS))
    results = {}
    for (name, sensors), seed in zip(READOUTS.items(), seeds, strict=True):
        results[name] = cell(sensors, given.mounts, np.random.default_rng(seed))
        print(name, json.dumps(results[name]))
    RESULT.write_text(json.dumps({"seed": given.seed, "cells": results}, indent=1) + "\n", encoding="utf-8")


if __name__ == "__main__":
    main()
