"""Campaigns at run-table level for tests: a bench model with known truth, and tables made from plain numbers."""

from __future__ import annotations

import numpy as np

from thermlab.runs.records import ReducedRun

LADDER_W = (40.0, 56.0, 72.0, 88.0, 104.0, 120.0)
TOP_W = 120.0
TREATMENTS = ("grease-a", "pad-b", "paste-c", "paste-d", "pad-e")


def true_rise_K(power_W):
    """18 K of interface and 45 K of a passive sink at 120 W."""
    return 0.15 * power_W + 45.0 * (power_W / TOP_W) ** 0.8


def simulate(
    rng,
    counts,
    effects_K=(),
    *,
    mount_sd_K=0.6,
    noise_K=0.2,
    steps_W=LADDER_W,
    offsets_K=(),
    drift_K_per_mount=0.0,
    repeats=1,
    blocks=True,
    curve=true_rise_K,
    power_error=0.0,
):
    """One campaign: mounts differ by a resistance, effects and mount SDs are in K at 120 W."""
    sds = mount_sd_K if np.ndim(mount_sd_K) else [mount_sd_K] * len(counts)
    if blocks:
        order = [(j, i) for j in range(max(counts)) for i in rng.permutation(len(counts)) if j < counts[i]]
    else:
        order = [(j, i) for i in range(len(counts)) for j in range(counts[i])]
    runs = []
    for place, (j, i) in enumerate(order):
        effect = effects_K[i] if effects_K else 0.0
        resistance = (effect + rng.normal(0.0, sds[i])) / TOP_W
        offset = (offsets_K[i] if offsets_K else 0.0) + drift_K_per_mount * place
        for step in steps_W:
            for _ in range(repeats):
                power = step * (1.0 + (rng.normal(0.0, power_error) if power_error else 0.0))
                rise = curve(power) + resistance * power + offset + rng.normal(0.0, noise_K)
                runs.append(
                    ReducedRun(
                        run=f"r{len(runs)}",
                        treatment=TREATMENTS[i],
                        mount=f"m{j + 1}",
                        set_power_W=step,
                        power_W=step,
                        ambient_C=22.0,
                        rise_K=float(rise),
                        order=len(runs),
                    )
                )
    return runs


def from_groups(groups, *, step_W=90.0):
    """One mount per number, all at one power step: a plain one-way layout."""
    runs = []
    for i, values in enumerate(groups):
        for j, value in enumerate(values):
            runs.append(
                ReducedRun(
                    run=f"r{len(runs)}",
                    treatment=TREATMENTS[i],
                    mount=f"m{j + 1}",
                    set_power_W=step_W,
                    rise_K=float(value),
                    order=len(runs),
                )
            )
    return runs
