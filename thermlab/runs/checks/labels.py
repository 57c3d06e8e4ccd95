"""Runs that fit better with each other's labels, lines of the run sheet with each other's set power."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from thermlab.runs.checks.view import raise_flag

if TYPE_CHECKING:
    from collections.abc import Sequence

    from thermlab.campaign.settings import CheckThresholds
    from thermlab.runs.checks.ladder import Ladders, Off
    from thermlab.runs.records import Flag, ReducedRun

MOST_SUSPECTS = 6


def find_exchanged(
    ladders: Ladders, off: Sequence[Off], thresholds: CheckThresholds
) -> tuple[tuple[int, int, float], ...]:
    """Find two runs of one step on different mounts that fit better with exchanged labels.

    Parameters
    ----------
    ladders : Ladders
        Runs side by side.
    off : sequence of Off
        Runs off their ladders: at least one of the pair is one of them, or of those with the largest residuals.
    thresholds : CheckThresholds
        Limits in use.

    Returns
    -------
    tuple of (int, int, float)
        Positions among ``members`` of at most one pair, and by what the sum of squares falls.
    """
    y, left = ladders.rise_K, ladders.left
    residual = left @ y
    free = np.diag(left)
    # Two exchanged runs hide each other from the test of single runs.
    strongest = np.argsort(-np.abs(residual) / np.sqrt(np.maximum(free, 0.05)))[:MOST_SUSPECTS]
    suspects = sorted({found.at for found in off} | set(strongest.tolist()))
    # Runs that are off otherwise must not hide the gain of an exchange.
    floor = thresholds.usual_run_sd_dof * thresholds.usual_run_sd_K**2
    total = float(residual @ y)
    best: tuple[int, int, float] | None = None
    for i in suspects:
        same = np.flatnonzero((ladders.step == ladders.step[i]) & (ladders.mount != ladders.mount[i]))
        if same.size == 0:
            continue
        d = y[same] - y[i]
        # Moving d from run j to run i changes the sum of squares of what is left by this.
        change = 2 * d * (residual[i] - residual[same]) + d**2 * (free[i] + free[same] - 2 * left[i, same])
        ratio = (total + floor) / np.maximum(total + change + floor, 1e-12)
        ratio = np.where(np.abs(d) > thresholds.ladder_K, ratio, 0.0)
        j = int(np.argmax(ratio))
        if best is None or ratio[j] > best[2]:
            best = (i, int(same[j]), float(ratio[j]))
    if best is None or best[2] < thresholds.swap_ratio:
        return ()
    alone = _best_without(ladders, best[0], total, floor)
    # Leaving the worse of the two out must not do as well: then it is one run that is off.
    return (best,) if best[2] > alone * thresholds.swap_gain_ratio else ()


def _best_without(ladders: Ladders, at: int, total: float, floor: float) -> float:
    """By what the sum of squares falls when one run is left out."""
    residual = float((ladders.left @ ladders.rise_K)[at])
    return (total + floor) / max(total - residual**2 / max(float(ladders.left[at, at]), 0.05) + floor, 1e-12)


def flag_exchanged_runs(mine: ReducedRun, other: ReducedRun, ratio: float) -> Flag:
    """Say that two runs fit better with each other's labels."""
    return raise_flag(
        "labels may be swapped",
        "doubtful",
        f"Exchanged with {other.run}, both runs fit the ladders of their mounts: the scatter falls "
        f"{ratio:.0f}-fold. Look at both logs before anything else.",
        scatter_falls_by_ratio=ratio,
        difference_K=(other.rise_K or 0.0) - (mine.rise_K or 0.0),
    )


def powers_exchanged(runs: Sequence[ReducedRun]) -> dict[int, Flag]:
    """Find two runs whose logged powers are each other's set power.

    Parameters
    ----------
    runs : sequence of ReducedRun
        All runs.

    Returns
    -------
    dict of int to Flag
        By position.
    """
    off = [
        i
        for i, run in enumerate(runs)
        if run.power_W is not None and abs(run.power_W / run.set_power_W - 1) > 0.05
    ]  # fmt: skip
    flags: dict[int, Flag] = {}
    for i in off:
        for j in off:
            mine, other = runs[i], runs[j]
            if i in flags or j in flags or i >= j or mine.power_W is None or other.power_W is None:
                continue
            if abs(mine.set_power_W / other.set_power_W - 1) < 0.05:
                continue
            if (
                abs(mine.power_W / other.set_power_W - 1) < 0.03
                and abs(other.power_W / mine.set_power_W - 1) < 0.03
            ):  # fmt: skip
                for at, own, partner in ((i, mine, other), (j, other, mine)):
                    flags[at] = raise_flag(
                        "labels may be swapped",
                        "doubtful",
                        f"The logged power is the set power of {partner.run}, and the other way round: "
                        "the two lines of the run sheet may be exchanged.",
                        logged_W=own.power_W,
                        set_W=own.set_power_W,
                        other_set_W=partner.set_power_W,
                    )
    return flags
