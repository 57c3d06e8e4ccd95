"""Do the sensors of a device differ in this mount as they do in the others? Poor contact shows here first."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np

from thermlab.runs.checks.view import raise_flag

if TYPE_CHECKING:
    from collections.abc import Sequence

    import numpy.typing as npt

    from thermlab.campaign.settings import CheckThresholds
    from thermlab.runs.records import Flag, ReducedRun
    from thermlab.runs.settled_rise import Estimate
    from thermlab.runs.trace import Trace

    Array = npt.NDArray[np.float64]

MISSING = 0.5
SHARED = 0.5


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
    mount: npt.NDArray[np.intp]


def measure_spread(
    runs: Sequence[ReducedRun], positions: Sequence[int], traces: Sequence[Trace], estimates: Sequence[Estimate]
) -> Spread | None:
    """Measure how the sensors differ in every run.

    Parameters
    ----------
    runs : sequence of ReducedRun
        All runs.
    positions : sequence of int
        Which of them the traces belong to.
    traces, estimates : sequence
        Of those runs.

    Returns
    -------
    Spread or None
        None with fewer than three sensors that all runs have, or fewer than three runs.
    """
    names = [set(trace.sensors) for trace in traces]
    if not names:
        return None
    common = tuple(s for s in traces[0].sensors if all(s in have for have in names))
    if len(common) < 3:
        return None
    at, rows, powers, mounts = [], [], [], []
    seen: dict[tuple[str, str], int] = {}
    for position, trace, estimate in zip(positions, traces, estimates, strict=True):
        if any(f.flag == "sensor stuck" for f in runs[position].flags) or not estimate.power_W > 0:
            continue
        late = trace.time_s >= estimate.window_s[0]
        columns = trace.temperature_C[late][:, [trace.sensors.index(s) for s in common]]
        known = ~np.isnan(columns)
        if not known.any():
            continue
        means = np.where(known, columns, 0.0).sum(axis=0) / np.maximum(known.sum(axis=0), 1)
        means = np.where(known.mean(axis=0) > MISSING, means, np.nan)
        if np.isnan(means).sum() > len(common) - 3:
            continue
        at.append(position)
        rows.append((means - _median(means)) / estimate.power_W)
        powers.append(estimate.power_W)
        run = runs[position]
        mounts.append(seen.setdefault((run.treatment, run.mount), len(seen)))
    if len(at) < 3:
        return None
    return Spread(
        at=tuple(at), sensors=common, per_watt=np.array(rows), power_W=np.array(powers), mount=np.array(mounts)
    )


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
    mounts = np.unique(spread.mount)
    own = np.array([_weighted(spread.per_watt[spread.mount == m], spread.power_W[spread.mount == m]) for m in mounts])
    top_W = float(spread.power_W.max())
    flags: dict[int, Flag] = {}
    if mounts.size >= 3:
        for k, m in enumerate(mounts):
            others = np.delete(own, k, axis=0)
            usual = _median(others, axis=0)
            away = (own[k] - usual) * top_W
            if np.isnan(away).all():
                continue
            # Scatter of sensors between the other mounts; a readout in whole kelvins alone makes 0.3 K.
            typical = 1.4826 * _median(np.abs(others - usual)) * top_W
            worst = int(np.argmax(np.nan_to_num(np.abs(away))))
            if abs(away[worst]) <= max(thresholds.core_spread_K, thresholds.core_spread_ratio * max(typical, 0.3)):
                continue
            # One run alone can pull the mean of its mount: then it is the run's.
            each = (spread.per_watt[spread.mount == m, worst] - usual[worst]) * top_W / away[worst]
            if np.mean(each > SHARED) < SHARED:
                continue
            for i in np.flatnonzero(spread.mount == m):
                flags[spread.at[i]] = _flag(
                    spread, worst, float(away[worst]), float(typical), "the other mounts", top_W, mounts.size
                )
    for k in range(len(spread.at)):  # and single runs against the others of their mount
        if spread.at[k] in flags:
            continue
        same = spread.mount == spread.mount[k]
        same[k] = False
        others = spread.per_watt[same]
        if len(others) < 2:
            continue
        usual = _median(others, axis=0)
        away = (spread.per_watt[k] - usual) * spread.power_W[k]
        typical = 1.4826 * float(_median(np.abs((others - usual) * spread.power_W[same][:, None])))
        if np.isnan(away).all():
            continue
        worst = int(np.argmax(np.nan_to_num(np.abs(away))))
        if abs(away[worst]) > max(thresholds.core_spread_K, thresholds.core_spread_ratio * max(typical, 0.3)):
            flags[spread.at[k]] = _flag(
                spread, worst, float(away[worst]), typical, "the other runs of its mount",
                float(spread.power_W[k]), len(others) + 1,
            )  # fmt: skip
    return flags


def _median(values: Array, axis: int | None = None) -> Any:
    """Median of what is known; numpy's own for NaN is many times slower."""
    return np.nanmedian(values, axis=axis) if np.isnan(values).any() else np.median(values, axis=axis)


def _weighted(per_watt: Array, power_W: Array) -> Array:
    """Mean of each sensor, weighted with the power squared, NaN where it is missing throughout."""
    weights = np.where(np.isnan(per_watt), 0.0, power_W[:, None] ** 2)
    total = weights.sum(axis=0)
    found: Array = np.where(total > 0, np.nansum(per_watt * weights, axis=0) / np.maximum(total, 1e-12), np.nan)
    return found


def _flag(spread: Spread, sensor: int, away_K: float, typical_K: float, whom: str, at_W: float, n: int) -> Flag:
    return raise_flag(
        "core spread",
        "doubtful",
        f"{spread.sensors[sensor]} stands {abs(away_K):.1f} K {'above' if away_K > 0 else 'below'} what {whom} show "
        f"against the median sensor at {at_W:.0f} W: poor contact there is the usual cause.",
        away_K=away_K,
        usual_scatter_K=typical_K,
        at_power_W=at_W,
        compared=float(n),
    )
