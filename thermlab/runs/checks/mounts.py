"""Does a mount fit its treatment? Mounts off it, and two mounts that fit better with exchanged labels.

There are never many mounts, so their own scatter is taken together with what
mounts are known to scatter, and what is said is said with care.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
from scipy.special import stdtrit

from thermlab.runs.checks.view import raise_flag

if TYPE_CHECKING:
    from collections.abc import Sequence

    import numpy.typing as npt

    from thermlab.campaign.settings import CheckThresholds
    from thermlab.runs.checks.ladder import Ladders
    from thermlab.runs.records import Flag, ReducedRun

    Array = npt.NDArray[np.float64]

MountKey = tuple[str, str]


@dataclass(frozen=True, slots=True, kw_only=True)
class MountLevels:
    """One number a mount: how far its rises are from the mean of all mounts, at the highest step.

    Attributes
    ----------
    keys : tuple of (str, str)
        Treatment and mount.
    level_K : ndarray, shape (m,)
        Robust slope of its rises against the steps' medians, times the highest power, K.
    treatment : ndarray of int, shape (m,)
        Which treatment.
    """

    keys: tuple[MountKey, ...]
    level_K: Array
    treatment: npt.NDArray[np.intp]


def mount_levels(runs: Sequence[ReducedRun], ladders: Ladders, without: set[int]) -> MountLevels | None:
    """Give each mount one number.

    Parameters
    ----------
    runs : sequence of ReducedRun
        All runs.
    ladders : Ladders
        Those with a rise, side by side.
    without : set of int
        Positions among the members of runs known to be off.

    Returns
    -------
    MountLevels or None
        None with fewer than three mounts.
    """
    kept = np.array([i not in without for i in range(len(ladders.members))])
    names = [(runs[i].treatment, runs[i].mount) for i in ladders.members]
    mounts = np.unique(ladders.mount[kept])
    if mounts.size < 3:
        return None
    size = ladders.power_W / ladders.power_W.max()
    steps = np.unique(ladders.step)
    # Common steps and slopes by least squares in turn: both are linear, and every mount need not have every step.
    common = (ladders.step[:, None] == steps[None, :]).astype(np.float64)
    design = np.hstack([common, (ladders.mount[:, None] == mounts[None, :]) * size[:, None]])
    coefficients = np.linalg.lstsq(design[kept], ladders.rise_K[kept], rcond=None)[0]
    keys = [names[int(np.flatnonzero(ladders.mount == m)[0])] for m in mounts]
    treatments = list(dict.fromkeys(t for t, _ in keys))
    return MountLevels(
        keys=tuple(keys),
        level_K=coefficients[steps.size :],
        treatment=np.array([treatments.index(t) for t, _ in keys]),
    )


def exchanged_mounts(levels: MountLevels, thresholds: CheckThresholds) -> dict[MountKey, Flag]:
    """Find two mounts of different treatments that fit better with each other's labels.

    Parameters
    ----------
    levels : MountLevels
        One number a mount.
    thresholds : CheckThresholds
        Limits in use.

    Returns
    -------
    dict of (treatment, mount) to Flag
        The pair; with two treatments of two mounts each also the pair that is left, as nobody can tell which it is.
    """
    y, group = levels.level_K, levels.treatment
    floor = thresholds.usual_mount_sd_dof * thresholds.usual_mount_sd_K**2
    before = _within(y, group) + floor
    pairs: list[tuple[float, int, int]] = []
    for i in range(y.size):
        for j in range(i + 1, y.size):
            if group[i] == group[j] or abs(y[i] - y[j]) <= thresholds.mount_off_K:
                continue
            swapped = y.copy()
            swapped[[i, j]] = y[[j, i]]
            pairs.append((before / (_within(swapped, group) + floor), i, j))
    if not pairs:
        return {}
    best = max(pairs)[0]
    if best < thresholds.swap_ratio:
        return {}
    found = [(i, j) for ratio, i, j in pairs if ratio > 0.999 * best]
    several = len(found) > 1
    flags: dict[MountKey, Flag] = {}
    for pair in found:
        for mine, other in (pair, pair[::-1]):
            name = " ".join(levels.keys[other])
            flags[levels.keys[mine]] = raise_flag(
                "labels may be swapped",
                "doubtful",
                f"Exchanged with {name}, both mounts fit their treatments: the scatter between mounts falls "
                f"{best:.0f}-fold."
                + (" Another pair would do as well: with so few mounts nobody can tell." if several else ""),
                scatter_falls_by_ratio=best,
                difference_K=float(y[other] - y[mine]),
                n_mounts=float(y.size),
            )
    return flags


def _within(y: Array, group: npt.NDArray[np.intp]) -> float:
    """Sum of squares within groups."""
    count = np.bincount(group)
    means = np.bincount(group, y) / np.maximum(count, 1)
    return float(((y - means[group]) ** 2).sum())


def off_treatment(levels: MountLevels, thresholds: CheckThresholds) -> dict[MountKey, Flag]:
    """Find mounts that do not fit the others of their treatment.

    Parameters
    ----------
    levels : MountLevels
        One number a mount.
    thresholds : CheckThresholds
        Limits in use.

    Returns
    -------
    dict of (treatment, mount) to Flag
        With two mounts in a treatment both are named: which of them it is cannot be told.
    """
    kept = np.ones(levels.level_K.size, dtype=np.bool_)
    flags: dict[MountKey, Flag] = {}
    for _ in range(max(1, kept.size // 4)):
        found = _worst_mount(levels, kept, thresholds)
        if not found:
            break
        flags |= found
        for key in found:
            kept[levels.keys.index(key)] = False
    return flags


def _worst_mount(levels: MountLevels, kept: npt.NDArray[np.bool_], thresholds: CheckThresholds) -> dict[MountKey, Flag]:
    y, group = levels.level_K, levels.treatment
    count = np.bincount(group, kept.astype(np.float64), minlength=int(group.max()) + 1)
    can = kept & (count[group] >= 2)
    if not can.any():
        return {}
    means = np.bincount(group, np.where(kept, y, 0.0), minlength=count.size) / np.maximum(count, 1.0)
    residual = np.where(can, y - means[group], 0.0)
    free = 1.0 - 1.0 / np.maximum(count[group], 1.0)
    own = np.where(can, residual**2 / np.maximum(free, 0.1), 0.0)
    known = thresholds.usual_mount_sd_dof
    dof = float(kept.sum() - (count > 0).sum() - 1)
    nu = max(dof, 0.0) + known
    others = np.maximum(float(residual @ residual) - own, 0.0)
    scatter = np.sqrt((others + known * thresholds.usual_mount_sd_K**2) / nu)
    ratio = np.sqrt(own) / scatter
    worst = int(np.argmax(ratio))
    tail = 0.5 * thresholds.between_alarm_percent / 100.0 / int(can.sum())
    allowed = max(float(-stdtrit(nu, tail)), thresholds.mount_off_ratio)
    n_own = int(count[group[worst]])
    off = residual[worst] * n_own / (n_own - 1)
    if ratio[worst] <= allowed or abs(off) <= thresholds.mount_off_K:
        return {}
    members = [worst] if n_own > 2 else np.flatnonzero(can & (group == group[worst])).tolist()
    care = (
        f" There are only {n_own} mounts of it: a bad mount, another batch and plain scatter look alike."
        if n_own > 2
        else " There are only 2 mounts of it, and nobody can tell which is the odd one."
    )
    flags: dict[MountKey, Flag] = {}
    for i in members:
        own_off = float(residual[i] * n_own / (n_own - 1))
        flags[levels.keys[i]] = raise_flag(
            "mount off its treatment",
            "doubtful",
            f"The mount is {own_off:+.1f} K from the other mounts of its treatment at the highest step, "
            f"{ratio[worst]:.1f} times what mounts scatter.{care}",
            off_K=own_off,
            studentised=float(ratio[worst]),
            allowed_ratio=allowed,
            scatter_K=float(scatter[worst]),
            n_mounts=float(n_own),
        )
    return flags
