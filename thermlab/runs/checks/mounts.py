"""Does a mount fit its treatment, as the other mounts lay it out, and do its sensors differ as those of others.

There are never many mounts, so their own scatter is taken together with what mounts are known to scatter, and what is
said is said with care. Two mounts may fit better with exchanged labels. Poor contact shows first in how sensors differ.
"""

from collections.abc import Collection, Sequence
from dataclasses import dataclass
from itertools import combinations
from typing import Any

import numpy as np

from thermlab.campaign.settings import CheckThresholds
from thermlab.runs.checks.ladders import Ladders, studentise
from thermlab.runs.records import Array, Booleans, Flag, Integers, ReducedRun, raise_flag, side
from thermlab.runs.settled_rise import Estimate
from thermlab.runs.trace import known_mean
from thermlab.stats.variances import robust_sd

MountKey = tuple[str, str]
MISSING = 0.5
SHARED = 0.5


@dataclass(frozen=True, slots=True)
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
    limits : CheckThresholds
        In use.
    """

    keys: tuple[MountKey, ...]
    level_K: Array
    treatment: Integers
    limits: CheckThresholds


def mount_levels(ladders: Ladders, without: Collection[int]) -> MountLevels | None:
    """Give each mount one number.

    Parameters
    ----------
    ladders : Ladders
        Runs with a rise, side by side.
    without : collection of int
        Positions among the members of runs known to be off.

    Returns
    -------
    MountLevels or None
        None with fewer than three mounts.
    """
    kept = np.array([i not in without for i in range(len(ladders.members))])
    mounts = np.unique(ladders.mount[kept])
    if mounts.size < 3:
        return None
    size = ladders.power_W / ladders.power_W.max()
    steps = np.unique(ladders.step)
    # Common steps and slopes by least squares in turn: both are linear, and every mount need not have every step.
    common = (ladders.step[:, None] == steps[None, :]).astype(np.float64)
    design = np.hstack([common, (ladders.mount[:, None] == mounts[None, :]) * size[:, None]])
    coefficients = np.linalg.lstsq(design[kept], ladders.rise_K[kept], rcond=None)[0]
    firsts = [ladders.runs[int(np.flatnonzero(ladders.mount == m)[0])] for m in mounts]
    treatments = list(dict.fromkeys(run.treatment for run in firsts))
    group = np.array([treatments.index(run.treatment) for run in firsts])
    keys = tuple((run.treatment, run.mount) for run in firsts)
    return MountLevels(keys, coefficients[steps.size :], group, ladders.limits)


def exchanged_mounts(levels: MountLevels) -> dict[MountKey, Flag]:
    """Find two mounts of different treatments that fit better with each other's labels.

    Parameters
    ----------
    levels : MountLevels
        One number a mount.

    Returns
    -------
    dict of (treatment, mount) to Flag
        The pair; with two treatments of two mounts each also the pair that is left, as nobody can tell which it is.
    """
    y, group, limits = levels.level_K, levels.treatment, levels.limits
    floor = limits.usual_mount_sd_dof * limits.usual_mount_sd_K**2
    before = _within(y, group) + floor
    pairs: list[tuple[float, int, int]] = []
    for i, j in combinations(range(y.size), 2):
        if group[i] == group[j] or abs(y[i] - y[j]) <= limits.mount_off_K:
            continue
        swapped = y.copy()
        swapped[[i, j]] = y[[j, i]]
        pairs.append((before / (_within(swapped, group) + floor), i, j))
    best = max(pairs, default=(0.0,))[0]
    if best < limits.swap_ratio:
        return {}
    found = [(i, j) for ratio, i, j in pairs if ratio > 0.999 * best]
    more = " Another pair would do as well: with so few mounts nobody can tell." if len(found) > 1 else ""
    flags: dict[MountKey, Flag] = {}
    for mine, other in (each for pair in found for each in (pair, pair[::-1])):
        both = f"Exchanged with {' '.join(levels.keys[other])}, both mounts fit their treatments"
        reason = f"{both}: the scatter between mounts falls {best:.0f}-fold.{more}"
        numbers = {"scatter_falls_by_ratio": best, "difference_K": float(y[other] - y[mine]), "n_mounts": float(y.size)}
        flags[levels.keys[mine]] = raise_flag("labels may be swapped", "doubtful", reason, **numbers)
    return flags


def _within(y: Array, group: Integers) -> float:
    """Sum of squares within groups."""
    count = np.bincount(group)
    means = np.bincount(group, y) / np.maximum(count, 1)
    return float(((y - means[group]) ** 2).sum())


def off_treatment(levels: MountLevels) -> dict[MountKey, Flag]:
    """Find mounts that do not fit the others of their treatment.

    Parameters
    ----------
    levels : MountLevels
        One number a mount.

    Returns
    -------
    dict of (treatment, mount) to Flag
        With two mounts in a treatment both are named: which of them it is cannot be told.
    """
    kept = np.ones(levels.level_K.size, dtype=np.bool_)
    flags: dict[MountKey, Flag] = {}
    for _ in range(max(1, kept.size // 4)):
        found = _worst_mount(levels, kept)
        flags |= found
        kept &= [key not in found for key in levels.keys]
    return flags


def _worst_mount(levels: MountLevels, kept: Booleans) -> dict[MountKey, Flag]:
    y, group, limits = levels.level_K, levels.treatment, levels.limits
    count = np.bincount(group, kept.astype(np.float64), minlength=int(group.max()) + 1)
    can = kept & (count[group] >= 2)
    if not can.any():
        return {}
    means = np.bincount(group, np.where(kept, y, 0.0), minlength=count.size) / np.maximum(count, 1.0)
    residual = np.where(can, y - means[group], 0.0)
    free = 1.0 - 1.0 / np.maximum(count[group], 1.0)
    known = limits.usual_mount_sd_K, limits.usual_mount_sd_dof
    dof = float(kept.sum() - (count > 0).sum())
    off, scatter, ratio, allowed = studentise(residual, free, can, dof, known, limits.between_alarm_percent)
    allowed = max(allowed, limits.mount_off_ratio)
    worst = int(np.argmax(ratio))
    n_own = int(count[group[worst]])
    if ratio[worst] <= allowed or abs(off[worst]) <= limits.mount_off_K:
        return {}
    members, care = [worst], ": a bad mount, another batch and plain scatter look alike"
    if n_own == 2:
        members = np.flatnonzero(can & (group == group[worst])).tolist()
        care = ", and nobody can tell which is the odd one"
    numbers = {"studentised": ratio[worst], "allowed_ratio": allowed, "scatter_K": scatter[worst], "n_mounts": n_own}
    flags: dict[MountKey, Flag] = {}
    for i in members:
        reason = (
            f"The mount is {abs(off[i]):.1f} K {side(float(off[i]))} the other mounts of its treatment at the highest "
            f"step, {ratio[worst]:.1f} times what mounts scatter. There are only {n_own} mounts of it{care}."
        )
        flags[levels.keys[i]] = raise_flag("mount off its treatment", "doubtful", reason, off_K=off[i], **numbers)
    return flags


@dataclass(frozen=True, slots=True, kw_only=True)
class Spread:
    """How the sensors of the runs differ from the median sensor, per watt.

    Attributes
    ----------
    at : tuple of int
        Positions of the runs, among all runs.
    sensors : tuple of str
        Their common sensors.
    per_watt : ndarray, shape (n, n_sensors)
        Sensor less median sensor over the fit window, over power, K/W; NaN where a sensor is missing.
    power_W : ndarray, shape (n,)
        Logged power.
    mount : ndarray of int, shape (n,)
        Which mount.
    """

    at: tuple[int, ...]
    sensors: tuple[str, ...]
    per_watt: Array
    power_W: Array
    mount: Integers


def measure_spread(
    runs: Sequence[ReducedRun], positions: Sequence[int], estimates: Sequence[Estimate]
) -> Spread | None:
    """Measure how the sensors differ in every run.

    Parameters
    ----------
    runs : sequence of ReducedRun
        All runs.
    positions : sequence of int
        Which of them the estimates belong to.
    estimates : sequence of Estimate
        Of those runs.

    Returns
    -------
    Spread or None
        None with fewer than three sensors that all runs have, or fewer than three runs.
    """
    each = [estimate.trace.sensors for estimate in estimates]
    common = tuple(name for name in (each[0] if each else ()) if all(name in names for names in each))
    if len(common) < 3:
        return None
    found: list[tuple[int, Array, float, int]] = []
    seen: dict[tuple[str, str], int] = {}
    for position, estimate in zip(positions, estimates, strict=True):
        trace = estimate.trace
        if any(f.flag == "sensor stuck" for f in runs[position].flags) or not estimate.power_W > 0:
            continue
        late = trace.time_s >= estimate.window_s[0]
        columns = trace.temperature_C[late][:, [trace.sensors.index(s) for s in common]]
        known = ~np.isnan(columns)
        if not known.any():
            continue
        means = np.where(known.mean(axis=0) > MISSING, known_mean(columns, axis=0), np.nan)
        if np.isnan(means).sum() > len(common) - 3:
            continue
        mount = seen.setdefault((runs[position].treatment, runs[position].mount), len(seen))
        found.append((position, (means - _median(means)) / estimate.power_W, estimate.power_W, mount))
    if len(found) < 3:
        return None
    at, rows, powers, mounts = zip(*found, strict=True)
    return Spread(at=at, sensors=common, per_watt=np.array(rows), power_W=np.array(powers), mount=np.array(mounts))


def core_spread(spread: Spread, thresholds: CheckThresholds) -> dict[int, Flag]:
    """Find mounts and runs with one sensor unlike the other mounts.

    Parameters
    ----------
    spread : Spread
        What :func:`measure_spread` found.
    thresholds : CheckThresholds
        Limits in use.

    Returns
    -------
    dict of int to Flag
        By position among all runs. A mount's flag stands on each of its runs.
    """
    mounts, per_watt, power_W = np.unique(spread.mount), spread.per_watt, spread.power_W
    own = np.array([_weighted(per_watt[spread.mount == m], power_W[spread.mount == m]) for m in mounts])
    top_W = float(power_W.max())
    flags: dict[int, Flag] = {}
    for k, m in enumerate(mounts) if mounts.size >= 3 else ():
        others = np.delete(own, k, axis=0)
        usual = _median(others, axis=0)
        away_K = (own[k] - usual) * top_W
        # Scatter of sensors between the other mounts; a readout in whole kelvins alone makes 0.3 K.
        typical_K = robust_sd(others, about=usual) * top_W
        found = _odd_sensor(spread.sensors, away_K, typical_K, thresholds, "the other mounts", top_W, mounts.size)
        if found is None:
            continue
        worst, flag = found
        # One run alone can pull the mean of its mount: then it is the run's.
        each = (per_watt[spread.mount == m, worst] - usual[worst]) * top_W / away_K[worst]
        if np.mean(each > SHARED) >= SHARED:
            flags |= {spread.at[i]: flag for i in np.flatnonzero(spread.mount == m)}
    for k in range(len(spread.at)):  # and single runs against the others of their mount
        same = (spread.mount == spread.mount[k]) & (np.arange(power_W.size) != k)
        if spread.at[k] in flags or same.sum() < 2:
            continue
        usual = _median(per_watt[same], axis=0)
        away_K = (per_watt[k] - usual) * power_W[k]
        typical_K = robust_sd((per_watt[same] - usual) * power_W[same][:, None], about=0.0)
        whom, n = "the other runs of its mount", int(same.sum()) + 1
        if found := _odd_sensor(spread.sensors, away_K, typical_K, thresholds, whom, power_W[k], n):
            flags[spread.at[k]] = found[1]
    return flags


def _odd_sensor(
    sensors: Sequence[str], away_K: Array, typical_K: float, limits: CheckThresholds, whom: str, at_W: float, n: int
) -> tuple[int, Flag] | None:
    """Return the sensor that is farthest away, if it is too far, and what is said of it."""
    distance = np.nan_to_num(np.abs(away_K))
    worst = int(np.argmax(distance))
    if distance[worst] <= max(limits.core_spread_K, limits.core_spread_ratio * max(typical_K, 0.3)):
        return None
    reason = (
        f"{sensors[worst]} stands {distance[worst]:.1f} K {side(away_K[worst])} what {whom} show "
        f"against the median sensor at {at_W:.0f} W: poor contact there is the usual cause."
    )
    numbers = {"away_K": away_K[worst], "usual_scatter_K": typical_K, "at_power_W": at_W, "compared": n}
    return worst, raise_flag("core spread", "doubtful", reason, **numbers)


def _median(values: Array, axis: int | None = None) -> Any:
    """Median of what is known; numpy's own for NaN is many times slower."""
    return np.nanmedian(values, axis=axis) if np.isnan(values).any() else np.median(values, axis=axis)


def _weighted(per_watt: Array, power_W: Array) -> Array:
    """Mean of each sensor, weighted with the power squared, NaN where it is missing throughout."""
    weights = np.where(np.isnan(per_watt), 0.0, power_W[:, None] ** 2)
    total = weights.sum(axis=0)
    found: Array = np.where(total > 0, np.nansum(per_watt * weights, axis=0) / np.maximum(total, 1e-12), np.nan)
    return found
