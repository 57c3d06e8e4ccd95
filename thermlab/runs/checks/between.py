"""What the runs of a campaign say about each other.

These checks look at reduced runs and at the traces side by side; a mount's
flag stands on each of its runs.

Readings are told by their own changes, not by time stamps or bytes: the sizes of the changes from reading to reading
and the rows between them stay the same when dates are moved, a constant is added, columns are renamed or rows are cut
away at the ends. Noise makes a dozen of them as good as unique.

Does the room seem to follow the power? Then its probe hangs in the warm air of the heat sink. A room has its own
course over the day, and a ladder of rising steps takes hours: that the room was warmer at the highest step says
little. A probe in the plume follows the sink instead: late by the time constant after every step, and most of all
when the cold bench is first loaded. So the room is fitted, mount by mount, with a straight drift in time and the
rise of the sink, from what the log holds before the first soak on.

Do the sensors of a mount differ as those of the others? Poor contact shows there first.
"""

from collections import Counter
from collections.abc import Collection, Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from itertools import chain
from typing import Any

import numpy as np
import numpy.typing as npt

from thermlab.campaign.settings import CheckThresholds
from thermlab.runs.checks.ladders import ladder_flags
from thermlab.runs.records import Array, Flag, Flags, Integers, ReducedRun, raise_flag, side
from thermlab.runs.settled_rise import Estimate, lag_room
from thermlab.runs.time_constant import SINK_SHARE
from thermlab.runs.trace import Trace, known_mean
from thermlab.stats.variances import autocorrelation, robust_sd

Marks = npt.NDArray[np.uint64]
# Changes in a row that make one mark.
CHANGES = 12
# Smallest marks kept of each run: the same ones wherever the readings are the same.
MARKS_KEPT = 64
FEWEST_MARKS = 8
_FACTORS = np.random.default_rng(20261127).integers(1, 2**63, size=2 * CHANGES, dtype=np.uint64) | np.uint64(1)

POINTS_A_RUN = 24
FEWEST_STEPS = 2
# How far back the sink remembers the room.
HISTORY_TIME_CONSTANTS = 4.0
# A sink that warms by less over the ladder shows nothing.
LEAST_SINK_K = 2.0
ANOTHER_VISIT_S = 2 * 3600.0
MISSING = 0.5
SHARED = 0.5
# Periods of a heating or cooling cycle that are tried, min (common practice, no source).
CYCLES_MIN = np.geomspace(12.0, 90.0, 28)


def check_between(
    runs: tuple[ReducedRun, ...], estimates: Sequence[Estimate], limits: CheckThresholds
) -> tuple[ReducedRun, ...]:
    """Add the flags that only a comparison of runs can raise.

    Parameters
    ----------
    runs : tuple of ReducedRun
        In the order made.
    estimates : sequence of Estimate
        Of the runs that have readings, in the same order.
    limits : CheckThresholds
        Limits in use.

    Returns
    -------
    tuple of ReducedRun
        The same runs with more flags.
    """
    place = {run.run: i for i, run in enumerate(runs)}
    at = {place[estimate.trace.run]: estimate for estimate in estimates}
    sensors = core_spread(measure_spread(runs, at), limits).items()
    more = _gather(len(runs), _followed(at, limits), sensors, ladder_flags(runs, limits))
    return tuple(replace(run, flags=run.flags + flags) if flags else run for run, flags in zip(runs, more, strict=True))


def check_readings(estimates: Sequence[Estimate], limits: CheckThresholds, excluded: Collection[int]) -> list[Flags]:
    """Find what only all traces together show, and a run is left out or doubted for.

    Parameters
    ----------
    estimates : sequence of Estimate
        All runs that have readings.
    limits : CheckThresholds
        Limits in use.
    excluded : collection of int
        Places of runs that are excluded already.

    Returns
    -------
    list of tuple of Flag
        One entry a run.
    """
    traces, shed = [e.trace for e in estimates], {i for i, e in enumerate(estimates) if e.shed}
    found = copied_readings(traces, limits, excluded), soaks_overlap(traces, limits)
    ends = at_the_ceiling(traces, limits, shed.union(excluded))
    return _gather(len(traces), *(flags.items() for flags in (*found, ends)))


def _gather(n_runs: int, *raised: Iterable[tuple[int, Flag]]) -> list[Flags]:
    """Put the flags to their runs, each name once."""
    found: list[dict[str, Flag]] = [{} for _ in range(n_runs)]
    for i, flag in chain(*raised):
        found[i].setdefault(flag.flag, flag)
    return [tuple(flags.values()) for flags in found]


def _followed(at: Mapping[int, Estimate], limits: CheckThresholds) -> Iterator[tuple[int, Flag]]:
    mounts: dict[tuple[str, str], dict[int, Estimate]] = {}
    for position, estimate in at.items():
        mounts.setdefault(_mount(estimate.trace), {})[position] = estimate
    for members in mounts.values():
        if flag := follow_power(list(members.values()), limits):
            yield from ((position, flag) for position in members)


def reading_marks(trace: Trace) -> Marks:
    """Return what the readings of a run are known by, whatever times and constants stand beside them.

    Parameters
    ----------
    trace : Trace
        Readings of one run.

    Returns
    -------
    ndarray of uint64
        Sorted; empty where the readings hardly move.
    """
    temperature = trace.temperature_C
    readings = temperature[:, int(np.argmax(np.nan_to_num(known_mean(temperature, axis=0))))]
    steps = np.diff(readings[~np.isnan(readings)])
    at = np.flatnonzero(np.abs(steps) > 1e-6)
    if at.size <= CHANGES:
        return np.empty(0, dtype=np.uint64)
    # A ten-thousandth of a kelvin is below any readout and above what adding a constant does to a difference.
    sizes = np.round(steps[at[1:]] * 1e4).astype(np.int64).astype(np.uint64)
    both = np.stack([sizes, np.diff(at).astype(np.uint64)], axis=1).ravel()  # of each change its size and its rows
    marks = np.lib.stride_tricks.sliding_window_view(both, 2 * CHANGES)[::2] @ _FACTORS
    marks ^= marks >> np.uint64(29)
    return np.unique(marks * _FACTORS[0])[:MARKS_KEPT]


def shared_share(one: Marks, other: Marks) -> float:
    """Return which part of the readings of two runs is the same, 0 to 1, from the marks kept of each."""
    # Beyond the largest mark kept of a run it is not known which others it has.
    reach = min(mark.max() if mark.size == MARKS_KEPT else np.iinfo(np.uint64).max for mark in (one, other))
    mine, theirs = one[one <= reach], other[other <= reach]
    fewer = min(mine.size, theirs.size)
    return np.intersect1d(mine, theirs, assume_unique=True).size / fewer if fewer >= FEWEST_MARKS else 0.0


def same_readings(marks: Sequence[Marks], *, share: float) -> list[tuple[int, int, float]]:
    """Find the runs whose readings are the same.

    Parameters
    ----------
    marks : sequence of ndarray
        As from :func:`reading_marks`, one a run.
    share : float
        Part that has to be the same, 0 to 1.

    Returns
    -------
    list of (i, j, share)
        Places of two runs, i < j, and the part that is the same, 0 to 1.
    """
    # Each run against the first that has the mark: copies of copies are found without all pairs.
    first: dict[int, int] = {}
    pairs = Counter((first.setdefault(mark, i), i) for i, own in enumerate(marks) for mark in own.tolist())
    shared = ((i, j) for (i, j), count in pairs.items() if i != j and count >= FEWEST_MARKS // 2)
    found = ((i, j, shared_share(marks[i], marks[j])) for i, j in shared)
    return sorted((i, j, same) for i, j, same in found if same >= share)


def copied_readings(traces: Sequence[Trace], limits: CheckThresholds, without: Collection[int] = ()) -> dict[int, Flag]:
    """Flag runs whose readings stand under another mount too: which of the two happened nobody can tell from a log.

    Parameters
    ----------
    traces : sequence of Trace
        All runs.
    limits : CheckThresholds
        Limits in use.
    without : collection of int
        Places of runs that are excluded already, as where one of two was found to be the copy.

    Returns
    -------
    dict of int to Flag
        By place.
    """
    places = [i for i in range(len(traces)) if i not in without]
    found: dict[int, Flag] = {}
    marks = [reading_marks(traces[place]) for place in places]
    for i, j, share in same_readings(marks, share=limits.copied_percent / 100.0):
        for mine, other in ((places[i], places[j]), (places[j], places[i])):
            if mine in found or _mount(traces[mine]) == _mount(traces[other]):
                continue
            part = "All" if share > 0.98 else f"About {100.0 * share:.0f} % of"
            reason = (
                f"{part} its readings, change by change, are those of {_named(traces[other])}: one of the two is a "
                "copy, whatever times stand beside it. Exclude the one that was not run, or give it its own log."
            )
            found[mine] = raise_flag("copied readings", "unusable", reason, same_percent=100.0 * share)
    return found


def soaks_overlap(traces: Sequence[Trace], limits: CheckThresholds) -> dict[int, Flag]:
    """Flag soaks of two mounts at one time: a bench holds one mount, so a clock or a cut is wrong.

    Parameters
    ----------
    traces : sequence of Trace
        All runs; only those on a calendar clock can be told.
    limits : CheckThresholds
        Limits in use.

    Returns
    -------
    dict of int to Flag
        By place.
    """
    dated = [i for i, trace in enumerate(traces) if trace.clock == "calendar"]
    found: dict[int, Flag] = {}
    latest: int | None = None
    for i in sorted(dated, key=lambda place: traces[place].began_s):
        if latest is not None and _mount(traces[i]) != _mount(traces[latest]):
            both_s = min(_end_s(traces[latest]) - traces[i].began_s, traces[i].soak_s)
            pairs = [(latest, i), (i, latest)] if both_s > 60.0 * limits.overlap_min else []
            for mine, other in pairs:
                reason = (
                    f"It was under load at the same time as {_named(traces[other])}, for {both_s / 60.0:.0f} min by "
                    "the clocks of their logs, and a bench holds one mount: a date, a clock or a cut is wrong."
                )
                flag = raise_flag("soaks overlap", "doubtful", reason, overlap_min=both_s / 60.0)
                found.setdefault(mine, flag)
        if latest is None or _end_s(traces[i]) > _end_s(traces[latest]):
            latest = i
    return found


def _mount(trace: Trace) -> tuple[str, str]:
    return trace.treatment, trace.mount


def _named(trace: Trace) -> str:
    return f"{trace.run} ({trace.treatment} mount {trace.mount})"


def _end_s(trace: Trace) -> float:
    return trace.began_s + trace.soak_s


def at_the_ceiling(traces: Sequence[Trace], limits: CheckThresholds, without: Collection[int] = ()) -> dict[int, Flag]:
    """Flag runs whose sensor ends at a highest reading that steps of other powers share.

    Parameters
    ----------
    traces : sequence of Trace
        All runs.
    limits : CheckThresholds
        Limits in use.
    without : collection of int
        Places of runs at which the device shed power: it holds its limit itself.

    Returns
    -------
    dict of int to Flag
        By place; ``ceiling_C`` in the evidence is the reading.
    """
    found: dict[int, Flag] = {}
    highest: dict[str, dict[int, float]] = {}
    for i, trace in enumerate(traces):
        if i in without:
            continue
        tops_C = np.fmax.reduce(trace.temperature_C, axis=0).tolist()
        for sensor, top_C in zip(trace.sensors, tops_C, strict=True):
            highest.setdefault(sensor, {})[i] = top_C
    for sensor, tops in sorted(highest.items()):
        top = float(np.fmax.reduce(list(tops.values())))
        near = [i for i, own in tops.items() if own > top - 1e-6]
        stood = [i for i in near if _stood_min(traces[i], sensor, top) >= limits.ceiling_min]
        powers = sorted({traces[i].set_power_W for i in stood})
        if len(stood) < 2 or powers[-1] < (1.0 + limits.ceiling_power_percent / 100.0) * powers[0]:
            continue
        reason = (
            f"{sensor} goes no higher than {top:g} degC, and stands there at {', '.join(f'{p:g}' for p in powers)} W "
            "alike: it ends there, so the device was hotter than its reading and the rise is too low."
        )
        found = dict.fromkeys(stood, raise_flag("at the ceiling", "doubtful", reason, ceiling_C=top)) | found
    return found


def _stood_min(trace: Trace, sensor: str, top_C: float) -> float:
    """How long a sensor stood at a reading, min."""
    readings = trace.temperature_C[:, trace.sensors.index(sensor)]
    return float((readings > top_C - 1e-6).sum() * trace.interval_s / 60.0)


def follow_power(estimates: Sequence[Estimate], limits: CheckThresholds) -> Flag | None:
    """Fit the room of one mount's runs with a drift and the rise of the sink, and say so where it follows its power.

    Parameters
    ----------
    estimates : sequence of Estimate
        Of the runs of one mount.
    limits : CheckThresholds
        Limits in use.

    Returns
    -------
    Flag or None
        By how much the room rises with the sink from no load to the mount's highest step, whose rise is as much too
        small. None where it does not, with a single step or an unknown room.
    """
    in_order = sorted(estimates, key=lambda estimate: estimate.trace.began_s)
    powers = np.array([estimate.trace.set_power_W for estimate in in_order])
    if np.unique(powers).size < FEWEST_STEPS or powers.max() < 1.15 * powers.min():
        return None
    parts, ladder, visit = [], [], 0
    ended: float | None = None
    for estimate in in_order:
        trace, begins = estimate.trace, estimate.trace.began_s
        if ended is not None and (begins - ended > ANOTHER_VISIT_S or begins < ended - 0.5 * trace.soak_s):
            # Hours later, or on a clock of its own that began again with its file.
            visit += 1
            ended = None
        elif ended is not None and begins < ended - 1.0:
            begins = ended
        at, sink, room = _sink_and_room(estimate, since_s=None if ended is None else ended - begins)
        soak = at >= 0
        parts.append((begins + at, sink, room, np.full(at.size, visit)))
        if soak.any():
            settled_K = float(sink[soak][-POINTS_A_RUN // 4 :].mean())
            ladder.append((trace.set_power_W, settled_K, float(room[soak].mean())))
        ended = begins + trace.soak_s
    t, x, room, visits = (np.concatenate(part) for part in zip(*parts, strict=True))
    if room.size < 2 * POINTS_A_RUN or len(ladder) < FEWEST_STEPS:
        return None
    lowest, highest = min(ladder), max(ladder)
    if highest[1] - lowest[1] < LEAST_SINK_K:
        return None
    hours = (t - t.mean()) / 3600.0
    size = (x - x.mean()) / highest[1]
    # Hours apart the room has another level, which says nothing of the power.
    levels = visits[:, None] == np.arange(visit + 1)[None, :]
    fitted = _fit_correlated(_with_cycle(np.column_stack([hours, size, levels]), room, hours), room)
    if fitted is None:
        return None
    (drift_K_per_h, rise_K, *_), (_, u_rise_K, *_) = (part.tolist() for part in fitted)
    if rise_K <= max(limits.ambient_follows_power_K, limits.ambient_follows_ratio * u_rise_K):
        return None
    reason = (
        f"From no load to the highest step of this mount the room rises by {rise_K:.1f} K with the heat sink, beside a "
        f"drift of {drift_K_per_h:+.1f} K/h: its probe seems to feel the sink, and the rises come out too small, at "
        "the highest step by as much."
    )
    numbers = {"rise_with_power_K": rise_K, "u_rise_K": u_rise_K, "drift_K_per_h": drift_K_per_h}
    plain_K = highest[2] - lowest[2]
    return raise_flag("ambient follows power", "doubtful", reason, **numbers, plain_rise_K=plain_K)


def _sink_and_room(estimate: Estimate, *, since_s: float | None) -> tuple[Array, Array, Array]:
    """Means over a 24th of the soak: time since it began, rise of the sink over the room, room.

    They begin with what the log holds before the soak, for a probe in the plume shows itself most when a cold bench is
    first loaded; with `since_s`, seconds before the soak, where the run before ended. The sink is what is left of the
    device when the interface's share is taken off in proportion to the power.
    """
    trace = estimate.trace
    tau = estimate.time_constant_s or trace.soak_s / 4.0
    width = (float(trace.time_s[-1]) + 1e-6) / POINTS_A_RUN
    t, device, power, room = trace.time_s, known_mean(trace.temperature_C, axis=1), trace.power_W, trace.ambient_C
    if trace.history_device_C.size:
        before = trace.history_time_s >= max(-HISTORY_TIME_CONSTANTS * tau, -np.inf if since_s is None else since_s)
        t = np.concatenate([trace.history_time_s[before], t])
        device = np.concatenate([trace.history_device_C[before], device])
        power = np.concatenate([trace.history_power_W[before], power])
        room = np.concatenate([trace.history_C[before], room])
    known = ~np.isnan(device + power + room)
    if not known.any():
        return np.empty(0), np.empty(0), np.empty(0)
    bins = np.floor(t[known] / width).astype(np.intp)
    first = int(bins.min())
    count = np.bincount(bins - first)
    have = count > 0

    def mean(values: Array) -> Array:
        return np.asarray(np.bincount(bins - first, values[known])[have] / count[have], dtype=np.float64)

    at = np.asarray((np.flatnonzero(have) + first + 0.5) * width, dtype=np.float64)
    rise = mean(device) - lag_room(trace, at, tau, shortest_step_s=trace.interval_s)
    settled = estimate.level_K if estimate.level_K is not None else float(rise[-1])
    return at, rise - (1.0 - SINK_SHARE) * settled * mean(power) / trace.set_power_W, mean(room)


def _fit_correlated(design: Array, room_C: Array) -> tuple[Array, Array] | None:
    """Fit a room that wanders twice: plain, and for errors of first-order autocorrelation (Cochrane & Orcutt 1949).

    The plain fit is right where the room has a cycle of its own, the other where it
    walks at random. What both say is believed: of each coefficient the one nearer to zero, with the
    standard uncertainty of the second. None where the design is short of rank.
    """
    plain, _, rank, _ = np.linalg.lstsq(design, room_C, rcond=None)
    if rank < design.shape[1]:
        return None
    r = autocorrelation(room_C - design @ plain, most=0.98)
    whitened, y = design[1:] - r * design[:-1], room_C[1:] - r * room_C[:-1]
    coefficients = np.linalg.lstsq(whitened, y, rcond=None)[0]
    residual = y - whitened @ coefficients
    rest = autocorrelation(residual, most=0.9)
    variance = float(residual @ residual) / max(y.size - design.shape[1], 1) * (1 + rest) / (1 - rest)
    u: Array = np.sqrt(np.maximum(variance * np.diag(np.linalg.pinv(whitened.T @ whitened)), 0.0))
    nearer: Array = np.where(np.abs(plain) < np.abs(coefficients), plain, coefficients).astype(np.float64)
    return nearer, u


def _with_cycle(design: Array, room_C: Array, hours: Array) -> Array:
    """Add the heating cycle that explains most of what the room does besides, if it explains the better part."""
    angle = 2.0 * np.pi * 60.0 * hours / CYCLES_MIN[:, None]
    cycles = np.stack([np.sin(angle), np.cos(angle)], axis=2)
    basis, _ = np.linalg.qr(design)
    residual = room_C - basis @ (basis.T @ room_C)
    own, _ = np.linalg.qr(cycles - basis @ (basis.T @ cycles))
    explained = ((residual @ own) ** 2).sum(axis=1)
    best = int(np.argmax(explained))
    return np.hstack([design, cycles[best]]) if explained[best] > 0.5 * float(residual @ residual) else design


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


def measure_spread(runs: Sequence[ReducedRun], estimates: Mapping[int, Estimate]) -> Spread | None:
    """Measure how the sensors differ in every run.

    Parameters
    ----------
    runs : sequence of ReducedRun
        All runs.
    estimates : mapping of int to Estimate
        What was made of their readings, by position among all runs.

    Returns
    -------
    Spread or None
        None with fewer than three sensors that all runs have, or fewer than three runs.
    """
    each = [estimate.trace.sensors for estimate in estimates.values()]
    common = tuple(name for name in (each[0] if each else ()) if all(name in names for names in each))
    if len(common) < 3:
        return None
    found: list[tuple[int, Array, float, int]] = []
    seen: dict[tuple[str, str], int] = {}
    for position, estimate in estimates.items():
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


def core_spread(spread: Spread | None, limits: CheckThresholds) -> dict[int, Flag]:
    """Find mounts and runs with one sensor unlike the other mounts.

    Parameters
    ----------
    spread : Spread or None
        What :func:`measure_spread` found.
    limits : CheckThresholds
        Limits in use.

    Returns
    -------
    dict of int to Flag
        By position among all runs. A mount's flag stands on each of its runs.
    """
    if spread is None:
        return {}
    mounts, per_watt, power_W = np.unique(spread.mount), spread.per_watt, spread.power_W
    own = np.array([_weighted(per_watt[spread.mount == m], power_W[spread.mount == m]) for m in mounts])
    top_W = float(power_W.max())
    flags: dict[int, Flag] = {}
    for k, m in enumerate(mounts):
        if mounts.size < 3:
            break  # of two nobody can tell which is the odd one
        others = np.delete(own, k, axis=0)
        usual = _median(others, axis=0)
        away_K = (own[k] - usual) * top_W
        # Scatter of sensors between the other mounts; a readout in whole kelvins alone makes 0.3 K.
        typical_K = robust_sd(others, about=usual) * top_W
        found = _odd_sensor(spread.sensors, away_K, typical_K, limits, "the other mounts", top_W, mounts.size)
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
        if found := _odd_sensor(spread.sensors, away_K, typical_K, limits, whom, power_W[k], n):
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
