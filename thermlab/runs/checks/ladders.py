"""Does a run fit the ladder of its mount, as the other runs lay it out.

Mounts differ by a resistance in the heat path, so their rises differ in
proportion to the power. With one effect for each step, common to all mounts,
and one slope for each mount, what is left is the run's own. With fewer than
three mounts the steps follow a smooth curve in power instead. Two runs may fit
better with exchanged labels.

Does a mount fit its treatment, as the other mounts lay it out. There are never many, so their own scatter is taken
together with what mounts are known to scatter, and what is said is said with care. Two mounts may fit better with
exchanged labels too.
"""

from collections.abc import Collection, Iterator, Sequence
from dataclasses import dataclass
from itertools import combinations

import numpy as np
from scipy.special import stdtrit

from thermlab.campaign.settings import CheckThresholds
from thermlab.runs.records import Array, Booleans, Flag, Integers, ReducedRun, raise_flag, side
from thermlab.stats.variances import robust_sd

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


def ladder_flags(runs: Sequence[ReducedRun], limits: CheckThresholds) -> Iterator[tuple[int, Flag]]:
    """Find what the rises of all runs say about each other, by position; a mount's flag stands on each of its runs."""
    ladders = lay_ladders(runs, limits)
    if ladders is None:
        return
    off = find_off(ladders)
    named = off | find_exchanged(ladders, off)
    yield from ((ladders.members[at], flag) for at, flag in named.items())
    levels = mount_levels(ladders, named)
    if levels is None:
        return
    mounts = off_treatment(levels) | exchanged_mounts(levels)
    keys = enumerate((run.treatment, run.mount) for run in runs)
    yield from ((i, mounts[key]) for i, key in keys if key in mounts)


@dataclass(frozen=True, slots=True)
class Ladders:
    """Rises of the runs against common steps and a slope for each mount.

    Attributes
    ----------
    members : tuple of int
        Positions of the runs that have a settled rise, among all runs.
    runs : tuple of ReducedRun
        Those runs.
    limits : CheckThresholds
        In use.
    rise_K, power_W : ndarray, shape (n,)
        Their rises and set powers.
    mount, step : ndarray of int, shape (n,)
        Which mount and which step.
    """

    members: tuple[int, ...]
    runs: tuple[ReducedRun, ...]
    limits: CheckThresholds
    rise_K: Array
    power_W: Array
    mount: Integers
    step: Integers

    def design(self, kept: Booleans | None = None) -> Array:
        """Effects of the steps, or with few mounts a curve in power, and a slope for each mount."""
        size = self.power_W[:, None] / self.power_W.max()
        slopes = (self.mount[:, None] == np.unique(self.mount)[None, :]) * size
        if np.unique(self.mount if kept is None else self.mount[kept]).size < FEW_MOUNTS:
            return np.hstack([size**EXPONENT, slopes])
        return np.hstack([self.step[:, None] == np.unique(self.step)[None, :], slopes]).astype(np.float64)

    def projection(self, kept: Booleans | None = None) -> tuple[Array, int]:
        """Projection on what is left of the runs kept, and its rank; rows and columns of the others are zero."""
        kept = np.ones(len(self.members), dtype=np.bool_) if kept is None else kept
        u, s, _ = np.linalg.svd(self.design(kept)[kept], full_matrices=False)
        u = u[:, s > 1e-9 * s[0]]
        left = np.zeros((kept.size, kept.size))
        left[np.ix_(kept, kept)] = np.eye(int(kept.sum())) - u @ u.T
        return left, int(kept.sum()) - u.shape[1]


def lay_ladders(runs: Sequence[ReducedRun], limits: CheckThresholds) -> Ladders | None:
    """Put the runs that have a settled rise side by side.

    Parameters
    ----------
    runs : sequence of ReducedRun
        All runs; those left out or without a rise are passed over.
    limits : CheckThresholds
        Limits in use.

    Returns
    -------
    Ladders or None
        None where nothing is left to judge a run by.
    """
    members = tuple(i for i, run in enumerate(runs) if run.rise_K is not None and run.used)
    if len(members) < 4:
        return None
    laid = tuple(runs[i] for i in members)
    mounts: dict[tuple[str, str], int] = {}
    steps: dict[float, int] = {}
    mount = np.array([mounts.setdefault((run.treatment, run.mount), len(mounts)) for run in laid])
    step = np.array([steps.setdefault(run.set_power_W, len(steps)) for run in laid])
    rise_K, power_W = (np.array([getattr(run, n) for run in laid], dtype=np.float64) for n in ("rise_K", "set_power_W"))
    ladders = Ladders(members, laid, limits, rise_K, power_W, mount, step)
    return ladders if ladders.projection()[1] >= FEWEST_DOF else None


def find_off(ladders: Ladders) -> dict[int, Flag]:
    """Find the runs off their ladders, the worst first.

    The test is that of the externally studentised residual against the
    Bonferroni point (Cook & Weisberg 1982, from memory). Runs far from a
    robust fit are set aside first and judged by the others, so that bad runs
    do not hide each other.

    Parameters
    ----------
    ladders : Ladders
        Runs side by side.

    Returns
    -------
    dict of int to Flag
        By place among the members.
    """
    kept = np.ones(len(ladders.members), dtype=np.bool_)
    kept[_suspects(ladders)] = False
    found: dict[int, Flag] = {}
    # Suspects are let in again, the least suspected first, where they fit what is left without them.
    design = ladders.design()
    distance = np.abs(ladders.rise_K - design @ np.linalg.lstsq(design[kept], ladders.rise_K[kept], rcond=None)[0])
    for at in np.flatnonzero(~kept)[np.argsort(distance[~kept])].tolist():
        kept[at] = True
        found |= (one := _worst(ladders, kept, only=at))
        kept[at] = not one
    while worst := _worst(ladders, kept):
        found |= worst
        kept[list(worst)] = False
    worst_first = sorted(found, key=lambda at: -found[at].evidence["studentised"])
    return {at: found[at] for at in worst_first} if len(found) <= MOST_OFF * kept.size else {}


def _suspects(ladders: Ladders) -> list[int]:
    """Runs far from a fit of least absolute deviations: several bad runs cannot pull it as they pull least squares."""
    design = ladders.design()
    left, dof = ladders.projection()
    residual = left @ ladders.rise_K
    for _ in range(30):
        root = 1.0 / np.sqrt(np.maximum(np.abs(residual), 0.02))
        fit = np.linalg.lstsq(design * root[:, None], ladders.rise_K * root, rcond=None)[0]
        residual = ladders.rise_K - design @ fit
    n = residual.size
    scale = max(robust_sd(residual, about=0.0) * np.sqrt(n / dof), ladders.limits.usual_run_sd_K)
    far = np.flatnonzero(np.abs(residual) > SUSPECTED * scale)
    return [int(i) for i in far[np.argsort(-np.abs(residual[far]))][: int(MOST_OFF * n)]]


def _worst(ladders: Ladders, kept: Booleans, *, only: int | None = None) -> dict[int, Flag]:
    """The run that fits least, if it fits too badly; or the one given."""
    left, dof = ladders.projection(kept)
    free = np.diag(left)
    usable = kept & (free > LEAST_FREE)
    if not usable.any() or (only is None and dof < FEWEST_DOF):
        return {}
    limits, left_K = ladders.limits, left @ np.where(kept, ladders.rise_K, 0.0)
    known = limits.usual_run_sd_K, limits.usual_run_sd_dof
    off, scatter, ratio, allowed = studentise(left_K, free, usable, dof, known, limits.between_alarm_percent)
    allowed = max(allowed, limits.ladder_ratio)
    at = int(np.argmax(np.where(usable, ratio, -1.0))) if only is None else only
    if not usable[at] or ratio[at] <= allowed or abs(off[at]) <= limits.ladder_K:
        return {}
    careful = " With so few mounts it may be its neighbour that is off." if np.unique(ladders.mount).size < 3 else ""
    reason = (
        f"The rise is {abs(off[at]):.1f} K {side(float(off[at]))} where the other runs of its mount and of its step "
        f"put it, {ratio[at]:.1f} times what such runs scatter.{careful}"
    )
    numbers = {"off_K": off[at], "studentised": ratio[at], "allowed_ratio": allowed, "scatter_K": scatter[at]}
    return {at: raise_flag("off the ladder", "doubtful", reason, **numbers)}


def studentise(
    residual: Array, free: Array, usable: Booleans, dof: float, known: tuple[float, float], alarm_percent: float
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


def find_exchanged(ladders: Ladders, off: Collection[int]) -> dict[int, Flag]:
    """Find two runs of one step on different mounts that fit better with exchanged labels.

    Parameters
    ----------
    ladders : Ladders
        Runs side by side.
    off : collection of int
        Runs off their ladders: at least one of the pair is one of them, or of those with the largest residuals.

    Returns
    -------
    dict of int to Flag
        By place among the members: the two runs.
    """
    y, limits = ladders.rise_K, ladders.limits
    left, _ = ladders.projection()
    residual = left @ y
    free = np.diag(left)
    # Two exchanged runs hide each other from the test of single runs.
    strongest = np.argsort(-np.abs(residual) / np.sqrt(np.maximum(free, LEAST_FREE)))[:MOST_SUSPECTS]
    # Runs that are off otherwise must not hide the gain of an exchange.
    floor = limits.usual_run_sd_dof * limits.usual_run_sd_K**2
    total = float(residual @ y)
    best = (0, 0, 0.0)
    for i in sorted({*off, *strongest.tolist()}):
        same = np.flatnonzero((ladders.step == ladders.step[i]) & (ladders.mount != ladders.mount[i]))
        if same.size == 0:
            continue
        d = y[same] - y[i]
        # Moving d from run j to run i changes the sum of squares of what is left by this.
        change = 2 * d * (residual[i] - residual[same]) + d**2 * (free[i] + free[same] - 2 * left[i, same])
        ratios = (total + floor) / np.maximum(total + change + floor, 1e-12)
        ratios = np.where(np.abs(d) > limits.ladder_K, ratios, 0.0)
        j = int(np.argmax(ratios))
        if ratios[j] > best[2]:
            best = (i, int(same[j]), float(ratios[j]))
    one, two, ratio = best
    # By what the sum of squares falls when that run is left out.
    rest = total - residual[one] ** 2 / max(free[one], LEAST_FREE)
    alone = (total + floor) / max(rest + floor, 1e-12)
    # Leaving the worse of the two out must not do as well: then it is one run that is off.
    if ratio < limits.swap_ratio or ratio <= alone * limits.swap_gain_ratio:
        return {}
    flags: dict[int, Flag] = {}
    for mine, other in ((one, two), (two, one)):
        reason = f"Exchanged with {ladders.runs[other].run}, both runs fit the ladders of their mounts: the scatter "
        reason += f"falls {ratio:.0f}-fold. Look at both logs before anything else."
        numbers = {"scatter_falls_by_ratio": ratio, "difference_K": y[other] - y[mine]}
        flags[mine] = raise_flag("labels may be swapped", "doubtful", reason, **numbers)
    return flags


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
    # Common steps and slopes by least squares in turn: both are linear, and every mount need not have every step.
    fit = np.linalg.lstsq(ladders.design(kept)[kept], ladders.rise_K[kept], rcond=None)[0]
    all_mounts = np.unique(ladders.mount)
    slopes = fit[-all_mounts.size :][np.isin(all_mounts, mounts)]
    firsts = [ladders.runs[int(np.flatnonzero(ladders.mount == m)[0])] for m in mounts]
    treatments = list(dict.fromkeys(run.treatment for run in firsts))
    group = np.array([treatments.index(run.treatment) for run in firsts])
    keys = tuple((run.treatment, run.mount) for run in firsts)
    return MountLevels(keys, slopes, group, ladders.limits)


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
