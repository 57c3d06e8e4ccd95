"""Ways that the kit does not go, measured on the same campaigns: what would be claimed, and how often it is true."""

from __future__ import annotations

import numpy as np
from mount_level import (
    ALPHA,
    MARGIN_K,
    NOISE_K,
    PRIOR_DOF,
    STEPS_W,
    TOP_W,
    TableCell,
    limit_rise_K,
    mean_true_power,
    simulate_tables,
    throttle_powers,
)
from mount_level_cells import TABLE_CELLS
from reduction_rules import settled_share
from scipy.special import ndtri, stdtrit

RESAMPLES = 400
NUMBERS_OF_MOUNTS = (2, 3, 6)


def other_ways(n: int, seed: np.random.SeedSequence) -> dict[str, dict[str, float]]:
    """Return coverage of nominal 95 % intervals by way and number of mounts, over n campaigns each."""
    streams = seed.spawn(len(NUMBERS_OF_MOUNTS) + 2)
    out: dict[str, dict[str, float]] = {}
    for m, stream in zip(NUMBERS_OF_MOUNTS, streams, strict=False):
        rng = np.random.default_rng(stream)
        cell = TableCell(name="", counts=(m, m))
        rise = simulate_tables(cell, (0.0, -MARGIN_K), n, rng).rise_K
        for way, share in (*_of_differences(rise, m), *_of_powers(cell, rise, m, rng)):
            out.setdefault(way, {})[f"{m} mounts"] = float(share)
    rng = np.random.default_rng(streams[-2])
    for m in (1, 2):
        name = f"prior from benches that vary, {m} mount{'s' * (m > 1)} each"
        share = _all_prior_dof(TABLE_CELLS[name], n, rng)
        out.setdefault("prior from benches that vary: all its degrees of freedom", {})[f"{m} mounts"] = share
    out["settled rule with a window of 5 min: share passing with nothing left"] = {
        "": settled_share(min(n, 2000), np.random.default_rng(streams[-1]), left_K=0.0, readout_K=1.0, window_s=300.0)
    }
    return out


def _of_differences(rise: np.ndarray, m: int) -> list[tuple[str, float]]:
    """Runs taken for replicates, and normal instead of Student points."""
    arms = rise.reshape(rise.shape[0], 2, m, -1)
    mean = arms.mean(axis=2)
    within = arms - mean[:, :, None, :]
    gap = mean[:, 1] - mean[:, 0]
    n_steps = STEPS_W.size
    found = []
    dof = 2 * (m - 1) * n_steps
    sd = np.sqrt((within**2).sum(axis=(1, 2, 3)) / dof)
    half = stdtrit(dof, 1 - ALPHA / 2) * sd * np.sqrt(2.0 / m)
    found.append(("runs as replicates: reference step", np.mean(np.abs(gap[:, -1] + MARGIN_K) <= half)))
    steps = arms.mean(axis=(1, 2))
    left = arms - steps[:, None, None, :]
    effect = left.mean(axis=(2, 3), keepdims=True)
    left = left - effect
    dof = 2 * m * n_steps - n_steps - 1
    sd = np.sqrt((left**2).sum(axis=(1, 2, 3)) / dof)
    half = stdtrit(dof, 1 - ALPHA / 2) * sd * np.sqrt(2.0 / (m * n_steps))
    true = MARGIN_K * STEPS_W.mean() / TOP_W
    found.append(("runs as replicates: ladder mean", np.mean(np.abs(gap.mean(axis=1) + true) <= half)))
    top = within[..., -1]
    sd = np.sqrt((top**2).sum(axis=(1, 2)) / (2 * (m - 1)))
    half = ndtri(1 - ALPHA / 2) * sd * np.sqrt(2.0 / m)
    found.append(("normal instead of Student points", np.mean(np.abs(gap[:, -1] + MARGIN_K) <= half)))
    return found


def _of_powers(cell: TableCell, rise: np.ndarray, m: int, rng: np.random.Generator) -> list[tuple[str, float]]:
    """Straight lines, and the bootstrap over mounts."""
    limit = limit_rise_K(cell)
    true = mean_true_power(cell, 0, 0.0)
    base = rise[:, :m]
    slope, start = np.moveaxis(base @ np.linalg.pinv(np.column_stack([STEPS_W, np.ones(STEPS_W.size)])).T, -1, 0)
    line = (limit - start) / slope
    half = stdtrit(m - 1, 1 - ALPHA / 2) * line.std(axis=1, ddof=1) / np.sqrt(m)
    found = [("throttle power from a straight line", np.mean(np.abs(line.mean(axis=1) - true) <= half))]
    power = throttle_powers(rise, limit)[0][:, :m]
    picks = rng.integers(0, m, (RESAMPLES, m))
    low, high = np.quantile(power[:, picks].mean(axis=2), (ALPHA / 2, 1 - ALPHA / 2), axis=1)
    found.append(("throttle power, bootstrap over mounts", np.mean((low <= true) & (true <= high))))
    found.append(("throttle power from a straight line: bias, W", float((line.mean(axis=1) - true).mean())))
    return found


def _all_prior_dof(cell: TableCell, n: int, rng: np.random.Generator) -> float:
    tables = simulate_tables(cell, (0.0, 0.0), n, rng)
    m = cell.counts[0]
    top = tables.rise_K[:, :, -1].reshape(n, 2, m)
    own = ((top - top.mean(axis=2, keepdims=True)) ** 2).sum(axis=(1, 2))
    dof = PRIOR_DOF + 2 * (m - 1)
    variance = (PRIOR_DOF * (tables.prior_sd_K**2 + NOISE_K**2) + own) / dof
    gap = top[:, 1].mean(axis=1) - top[:, 0].mean(axis=1)
    return float(np.mean(np.abs(gap) <= stdtrit(dof, 1 - ALPHA / 2) * np.sqrt(variance * 2.0 / m)))
