"""Does a run fit the ladder of its mount, and a mount its treatment, as the other runs lay them out.

Mounts differ by a resistance in the heat path, so their rises differ in
proportion to the power. With one effect for each step, common to all mounts,
and one slope for each mount, what is left is the run's own. With fewer than
three mounts the steps follow a smooth curve in power instead. Two runs, or two
mounts, may fit better with exchanged labels.

There are never many mounts, so their own scatter is taken together with what
mounts are known to scatter, and what is said is said with care. Poor contact
shows first in how sensors differ.
"""

from __future__ import annotations

from dataclasses import dataclass
from itertools import combinations
from typing import TYPE_CHECKING, Any

import numpy as np
import numpy.typing as npt
from scipy.special import stdtrit

from thermlab.runs.records import Flag, ReducedRun, raise_flag, side
from thermlab.runs.trace import known_mean
from thermlab.stats.variances import robust_sd

if TYPE_CHECKING:
    from collections.abc import Sequence

    from thermlab.campaign.settings import CheckThresholds
    from thermlab.runs.settled_rise import Estimate
    from thermlab.runs.trace import Trace

Array = npt.NDArray[np.float64]
Flags = npt.NDArray[np.bool_]

FEWEST_DOF = 2
# An approximation of a curve by b P + a P^0.8 with few mounts; the exponent is natural convection's.
EXPONENT = 0.8
# At most this part of the runs can be off: beyond, nobody knows what the ladder is.
MOST_OFF = 0.25
FEW_MOUNTS = 3
SUSPECTED = 3.0
LEAST_FREE = 0.05
MOST_SUSPECTS = 6
MountKey = tuple[str, str]
MISSING = 0.5
SHARED = 0.5


@dataclass(frozen=True, slots=True, kw_only=True)
class Ladders:
    """Rises of the runs against common steps and a slope for each mount.

    Attributes
    ----------
    members : tuple of int
        Positions of the runs that have a settled rise, among all runs.
    rise_K, power_W : ndarray, shape (n,)
        Their rises and set powers.
    mount, step : ndarray of int, shape (n,)
        Which mount and which step.
    """

    members: tuple[int, ...]
    rise_K: Array
    power_W: Array
    mount: npt.NDArray[np.intp]
    step: npt.NDArray[np.intp]

    def design(self, kept: Flags | None = None) -> Array:
        """Effects of the steps, or with few mounts a curve in power, and a slope for each mount."""
        size = self.power_W[:, None] / self.power_W.max()
        slopes = (self.mount[:, None] == np.unique(self.mount)[None, :]) * size
        if np.unique(self.mount if kept is None else self.mount[kept]).size < FEW_MOUNTS:
            return np.hstack([size**EXPONENT, slopes])
        return np.hstack([self.step[:, None] == np.unique(self.step)[None, :], slopes]).astype(np.float64)

    def projection(self, kept: Flags | None = None) -> tuple[Array, int]:
        """Projection on what is left of the runs kept, and its rank; rows and columns of the others are zero."""
        kept = np.ones(len(self.members), dtype=np.bool_) if kept is None else kept
        u, s, _ = np.linalg.svd(self.design(kept)[kept], full_matrices=False)
        u = u[:, s > 1e-9 * s[0]]
        left = np.zeros((kept.size, kept.size))
        left[np.ix_(kept, kept)] = np.eye(int(kept.sum())) - u @ u.T
        return left, int(kept.sum()) - u.shape[1]


def lay_ladders(runs: Sequence[ReducedRun]) -> Ladders | None:
    """Put the runs that have a settled rise side by side.

    Parameters
    ----------
    runs : sequence of ReducedRun
        All runs; those left out or without a rise are passed over.

    Returns
    -------
    Ladders or None
        None where nothing is left to judge a run by.
    """
    members = tuple(i for i, run in enumerate(runs) if run.rise_K is not None and run.used)
    if len(members) < 4:
        return None
    mounts: dict[tuple[str, str], int] = {}
    steps: dict[float, int] = {}
    mount = np.array([mounts.setdefault((runs[i].treatment, runs[i].mount), len(mounts)) for i in members])
    power = np.array([runs[i].set_power_W for i in members])
    step = np.array([steps.setdefault(p, len(steps)) for p in power.tolist()])
    rises = np.array([runs[i].rise_K for i in members], dtype=np.float64)
    ladders = Ladders(members=members, rise_K=rises, power_W=power, mount=mount, step=step)
    return ladders if ladders.projection()[1] >= FEWEST_DOF else None


@dataclass(frozen=True, slots=True)
class Off:
    """A run that does not fit, by its place among the members, and its flag."""

    at: int
    flag: Flag


def find_off(ladders: Ladders, thresholds: CheckThresholds) -> tuple[Off, ...]:
    """Find the runs off their ladders, the worst first.

    The test is that of the externally studentised residual against the
    Bonferroni point (Cook & Weisberg 1982, from memory). Runs far from a
    robust fit are set aside first and judged by the others, so that bad runs
    do not hide each other.

    Parameters
    ----------
    ladders : Ladders
        Runs side by side.
    thresholds : CheckThresholds
        Limits in use.

    Returns
    -------
    tuple of Off
    """
    n = len(ladders.members)
    kept = np.ones(n, dtype=np.bool_)
    found: dict[int, Off] = {}
    for at in _suspects(ladders, thresholds):
        kept[at] = False
    # Suspects are let in again, the least suspected first, where they fit what is left without them.
    for at in np.flatnonzero(~kept)[np.argsort(_distance(ladders, kept)[~kept])].tolist():
        kept[at] = True
        one = _worst(ladders, kept, thresholds, only=at)
        if one is not None:
            kept[at] = False
            found[at] = one
    while (worst := _worst(ladders, kept, thresholds)) is not None:
        found[worst.at] = worst
        kept[worst.at] = False
    if len(found) > MOST_OFF * n:
        return ()
    return tuple(sorted(found.values(), key=lambda off: -off.flag.evidence["studentised"]))


def _suspects(ladders: Ladders, thresholds: CheckThresholds) -> list[int]:
    """Runs far from a fit of least absolute deviations: several bad runs cannot pull it as they pull least squares."""
    design = ladders.design()
    left, dof = ladders.projection()
    residual = left @ ladders.rise_K
    for _ in range(30):
        root = 1.0 / np.sqrt(np.maximum(np.abs(residual), 0.02))
        fit = np.linalg.lstsq(design * root[:, None], ladders.rise_K * root, rcond=None)[0]
        residual = ladders.rise_K - design @ fit
    n = residual.size
    scale = max(robust_sd(residual, about=0.0) * np.sqrt(n / dof), thresholds.usual_run_sd_K)
    far = np.flatnonzero(np.abs(residual) > SUSPECTED * scale)
    return [int(i) for i in far[np.argsort(-np.abs(residual[far]))][: int(MOST_OFF * n)]]


def _distance(ladders: Ladders, kept: Flags) -> Array:
    """How far each run is from the fit of those kept."""
    design = ladders.design()
    fit = np.linalg.lstsq(design[kept], ladders.rise_K[kept], rcond=None)[0]
    distance: Array = np.abs(ladders.rise_K - design @ fit)
    return distance


def _worst(ladders: Ladders, kept: Flags, thresholds: CheckThresholds, *, only: int | None = None) -> Off | None:
    """The run that fits least, if it fits too badly; or the one given."""
    left, dof = ladders.projection(kept)
    free = np.diag(left)
    usable = kept & (free > LEAST_FREE)
    if not usable.any() or (only is None and dof < FEWEST_DOF):
        return None
    known = thresholds.usual_run_sd_K, thresholds.usual_run_sd_dof
    off, scatter, ratio, allowed = studentise(
        left @ np.where(kept, ladders.rise_K, 0.0), free, usable, dof, known, thresholds.between_alarm_percent
    )
    allowed = max(allowed, thresholds.ladder_ratio)
    at = int(np.argmax(np.where(usable, ratio, -1.0))) if only is None else only
    if not usable[at] or ratio[at] <= allowed or abs(off[at]) <= thresholds.ladder_K:
        return None
    careful = " With so few mounts it may be its neighbour that is off." if np.unique(ladders.mount).size < 3 else ""
    flag = raise_flag(
        "off the ladder",
        "doubtful",
        f"The rise is {abs(off[at]):.1f} K {side(float(off[at]))} where the other runs of its mount and of its step "
        f"put it, {ratio[at]:.1f} times what such runs scatter.{careful}",
        off_K=off[at],
        studentised=ratio[at],
        allowed_ratio=allowed,
        scatter_K=scatter[at],
    )
    return Off(at, flag)


def studentise(
    residual: Array, free: Array, usable: Flags, dof: float, known: tuple[float, float], alarm_percent: float
) -> tuple[Array, Array, Array, float]:
    """Judge each residual by the scatter of the others, together with what is known of such scatter.

    Parameters
    ----------
    residual, free : ndarray, shape (n,)
        Residuals of a fit, K, and the part of its own value that each holds.
    usable : ndarray of bool, shape (n,)
        Those that can be judged.
    dof : float
        Degrees of freedom of the fit.
    known : tuple of float
        Usual standard deviation, K, and its degrees of freedom.
    alarm_percent : float
        How often all of them together may raise a false alarm, %.

    Returns
    -------
    off_K, scatter_K, ratio : ndarray, shape (n,)
        Distance from where the others put it, their scatter, and one over the other.
    allowed_ratio : float
        Bonferroni point.
    """
    sd_K, sd_dof = known
    off = np.where(usable, residual / np.maximum(free, LEAST_FREE), 0.0)
    others = np.maximum(float(residual @ residual) - residual * off, 0.0)
    nu = max(dof - 1, 0) + sd_dof
    scatter = np.sqrt((others + sd_dof * sd_K**2) / nu)
    ratio = np.abs(off) * np.sqrt(np.maximum(free, LEAST_FREE)) / scatter
    return off, scatter, ratio, float(-stdtrit(nu, 0.5 * alarm_percent / 100.0 / int(usable.sum())))


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
    y = ladders.rise_K
    left, _ = ladders.projection()
    residual = left @ y
    free = np.diag(left)
    # Two exchanged runs hide each other from the test of single runs.
    strongest = np.argsort(-np.abs(residual) / np.sqrt(np.maximum(free, LEAST_FREE)))[:MOST_SUSPECTS]
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
    # By what the sum of squares falls when that run is left out.
    rest = total - residual[best[0]] ** 2 / max(free[best[0]], LEAST_FREE)
    alone = (total + floor) / max(rest + floor, 1e-12)
    # Leaving the worse of the two out must not do as well: then it is one run that is off.
    return (best,) if best[2] > alone * thresholds.swap_gain_ratio else ()


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
    powers = [(i, run.power_W, run.set_power_W) for i, run in enumerate(runs) if run.power_W is not None]
    off = [(i, logged, planned) for i, logged, planned in powers if abs(logged / planned - 1) > 0.05]
    flags: dict[int, Flag] = {}
    for one, two in combinations(off, 2):
        (i, mine, my_set), (j, other, other_set) = one, two
        alike = abs(mine / other_set - 1) < 0.03 and abs(other / my_set - 1) < 0.03
        if i in flags or j in flags or abs(my_set / other_set - 1) < 0.05 or not alike:
            continue
        for (at, logged, planned), (partner, _, its) in ((one, two), (two, one)):
            flags[at] = raise_flag(
                "labels may be swapped",
                "doubtful",
                f"The logged power is the set power of {runs[partner].run}, and the other way round: "
                "the two lines of the run sheet may be exchanged.",
                logged_W=logged,
                set_W=planned,
                other_set_W=its,
            )
    return flags


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
        keys=tuple(keys), level_K=coefficients[steps.size :], treatment=np.array([treatments.index(t) for t, _ in keys])
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
    for i, j in combinations(range(y.size), 2):
        if group[i] == group[j] or abs(y[i] - y[j]) <= thresholds.mount_off_K:
            continue
        swapped = y.copy()
        swapped[[i, j]] = y[[j, i]]
        pairs.append((before / (_within(swapped, group) + floor), i, j))
    best = max(pairs, default=(0.0,))[0]
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
    known = thresholds.usual_mount_sd_K, thresholds.usual_mount_sd_dof
    dof = float(kept.sum() - (count > 0).sum())
    off, scatter, ratio, allowed = studentise(residual, free, can, dof, known, thresholds.between_alarm_percent)
    allowed = max(allowed, thresholds.mount_off_ratio)
    worst = int(np.argmax(ratio))
    n_own = int(count[group[worst]])
    if ratio[worst] <= allowed or abs(off[worst]) <= thresholds.mount_off_K:
        return {}
    members = [worst] if n_own > 2 else np.flatnonzero(can & (group == group[worst])).tolist()
    care = (
        f" There are only {n_own} mounts of it: a bad mount, another batch and plain scatter look alike."
        if n_own > 2
        else " There are only 2 mounts of it, and nobody can tell which is the odd one."
    )
    flags: dict[MountKey, Flag] = {}
    for i in members:
        flags[levels.keys[i]] = raise_flag(
            "mount off its treatment",
            "doubtful",
            f"The mount is {abs(off[i]):.1f} K {side(float(off[i]))} the other mounts of its treatment at "
            f"the highest step, {ratio[worst]:.1f} times what mounts scatter.{care}",
            off_K=float(off[i]),
            studentised=float(ratio[worst]),
            allowed_ratio=allowed,
            scatter_K=float(scatter[worst]),
            n_mounts=float(n_own),
        )
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
    found: list[tuple[int, Array, float, int]] = []
    seen: dict[tuple[str, str], int] = {}
    for position, trace, estimate in zip(positions, traces, estimates, strict=True):
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
    mounts = np.unique(spread.mount)
    own = np.array([_weighted(spread.per_watt[spread.mount == m], spread.power_W[spread.mount == m]) for m in mounts])
    top_W = float(spread.power_W.max())
    flags: dict[int, Flag] = {}
    if mounts.size >= 3:
        for k, m in enumerate(mounts):
            others = np.delete(own, k, axis=0)
            usual = _median(others, axis=0)
            away = (own[k] - usual) * top_W
            # Scatter of sensors between the other mounts; a readout in whole kelvins alone makes 0.3 K.
            typical = robust_sd(others, about=usual) * top_W
            worst = _odd_sensor(away, typical, thresholds)
            if worst is None:
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
        typical = robust_sd((others - usual) * spread.power_W[same][:, None], about=0.0)
        worst = _odd_sensor(away, typical, thresholds)
        if worst is not None:
            flags[spread.at[k]] = _flag(
                spread, worst, float(away[worst]), typical, "the other runs of its mount",
                float(spread.power_W[k]), len(others) + 1,
            )  # fmt: skip
    return flags


def _odd_sensor(away_K: Array, typical_K: float, thresholds: CheckThresholds) -> int | None:
    """Return the sensor that is farthest away, if it is too far."""
    distance = np.nan_to_num(np.abs(away_K))
    worst = int(np.argmax(distance))
    far = distance[worst] > max(thresholds.core_spread_K, thresholds.core_spread_ratio * max(typical_K, 0.3))
    return worst if far else None


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
