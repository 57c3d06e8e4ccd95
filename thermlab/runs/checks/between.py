"""What the runs of a campaign say about each other.

These checks look at reduced runs and at the traces side by side; a mount's
flag stands on each of its runs.

Readings are told by their own changes, not by time stamps or bytes: the sizes of the changes from reading to reading
and the rows between them stay the same when dates are moved, a constant is added, columns are renamed or rows are cut
away at the ends. Noise makes a dozen of them as good as unique.
"""

from __future__ import annotations

from collections import Counter
from dataclasses import replace
from itertools import chain
from typing import TYPE_CHECKING

import numpy as np
import numpy.typing as npt

from thermlab.runs.checks.ladders import (
    core_spread,
    exchanged_mounts,
    find_exchanged,
    find_off,
    flag_exchanged_runs,
    lay_ladders,
    measure_spread,
    mount_levels,
    off_treatment,
    powers_exchanged,
)
from thermlab.runs.checks.plume import flag_following, follow_power
from thermlab.runs.records import Flag, ReducedRun, raise_flag
from thermlab.runs.trace import known_mean

if TYPE_CHECKING:
    from collections.abc import Collection, Iterable, Iterator, Sequence

    from thermlab.campaign.settings import CheckThresholds
    from thermlab.runs.settled_rise import Estimate
    from thermlab.runs.trace import Trace

Array = npt.NDArray[np.float64]

Marks = npt.NDArray[np.uint64]
CHANGES = 12
"""Changes in a row that make one mark."""
MARKS_KEPT = 64
"""Smallest marks kept of each run: the same ones wherever the readings are the same."""
FEWEST_MARKS = 8
_FACTORS = np.random.default_rng(20261127).integers(1, 2**63, size=2 * CHANGES, dtype=np.uint64) | np.uint64(1)


def check_between(
    runs: tuple[ReducedRun, ...], estimates: Sequence[Estimate], traces: Sequence[Trace], thresholds: CheckThresholds
) -> tuple[ReducedRun, ...]:
    """Add the flags that only a comparison of runs can raise.

    Parameters
    ----------
    runs : tuple of ReducedRun
        In the order made.
    estimates : sequence of Estimate
        Of the runs that have readings, in the same order.
    traces : sequence of Trace
        Their traces.
    thresholds : CheckThresholds
        Limits in use.

    Returns
    -------
    tuple of ReducedRun
        The same runs with more flags.
    """
    place = {run.run: i for i, run in enumerate(runs)}
    positions = [place[trace.run] for trace in traces]
    spread = measure_spread(runs, positions, traces, estimates)
    raised = chain(
        powers_exchanged(runs).items(),
        _followed(positions, traces, estimates, thresholds),
        () if spread is None else core_spread(spread, thresholds).items(),
        _ladder_flags(runs, thresholds),
    )
    more = _gather(len(runs), raised)
    return tuple(replace(run, flags=run.flags + flags) if flags else run for run, flags in zip(runs, more, strict=True))


def check_readings(
    traces: Sequence[Trace], estimates: Sequence[Estimate], thresholds: CheckThresholds, excluded: Collection[int]
) -> list[tuple[Flag, ...]]:
    """Find what only all traces together show, and a run is left out or doubted for.

    Parameters
    ----------
    traces, estimates : sequence
        All runs that have readings.
    thresholds : CheckThresholds
        Limits in use.
    excluded : collection of int
        Places of runs that are excluded already.

    Returns
    -------
    list of tuple of Flag
        One entry a run.
    """
    shed = {i for i, estimate in enumerate(estimates) if estimate.shed}
    raised = chain(
        copied_readings(traces, thresholds, excluded).items(),
        soaks_overlap(traces, thresholds).items(),
        at_the_ceiling(traces, thresholds, shed.union(excluded)).items(),
    )
    return _gather(len(traces), raised)


def _gather(n_runs: int, raised: Iterable[tuple[int, Flag]]) -> list[tuple[Flag, ...]]:
    """Put the flags to their runs, each name once."""
    found: list[dict[str, Flag]] = [{} for _ in range(n_runs)]
    for i, flag in raised:
        found[i].setdefault(flag.flag, flag)
    return [tuple(flags.values()) for flags in found]


def _followed(
    positions: Sequence[int], traces: Sequence[Trace], estimates: Sequence[Estimate], thresholds: CheckThresholds
) -> Iterator[tuple[int, Flag]]:
    mounts: dict[tuple[str, str], list[int]] = {}
    for k, trace in enumerate(traces):
        mounts.setdefault(_mount(trace), []).append(k)
    for members in mounts.values():
        fit = follow_power([traces[k] for k in members], [estimates[k] for k in members])
        flag = flag_following(fit, thresholds)
        if flag is not None:
            yield from ((positions[k], flag) for k in members)


def _ladder_flags(runs: Sequence[ReducedRun], thresholds: CheckThresholds) -> Iterator[tuple[int, Flag]]:
    ladders = lay_ladders(runs)
    if ladders is None:
        return
    off = find_off(ladders, thresholds)
    without = {one.at for one in off}
    exchanged: set[int] = set()
    for i, j, ratio in find_exchanged(ladders, off, thresholds):
        exchanged |= {i, j}
        for mine, other in ((i, j), (j, i)):
            a, b = ladders.members[mine], ladders.members[other]
            yield a, flag_exchanged_runs(runs[a], runs[b], ratio)
    yield from ((ladders.members[one.at], one.flag) for one in off if one.at not in exchanged)
    levels = mount_levels(runs, ladders, without | exchanged)
    if levels is None:
        return
    swapped = exchanged_mounts(levels, thresholds)
    named = swapped | {k: f for k, f in off_treatment(levels, thresholds).items() if k not in swapped}
    for i, run in enumerate(runs):
        flag = named.get((run.treatment, run.mount))
        if flag is not None:
            yield i, flag


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
    gaps = np.diff(at).astype(np.uint64)
    windows = at.size - CHANGES
    marks = np.zeros(windows, dtype=np.uint64)
    for place in range(CHANGES):
        marks += sizes[place : place + windows] * _FACTORS[2 * place]
        marks += gaps[place : place + windows] * _FACTORS[2 * place + 1]
    marks ^= marks >> np.uint64(29)
    return np.unique(marks * _FACTORS[0])[:MARKS_KEPT]


def shared_share(one: Marks, other: Marks) -> float:
    """Return which part of the readings of two runs is the same, 0 to 1, from the marks kept of each."""
    if min(one.size, other.size) < FEWEST_MARKS:
        return 0.0
    both = np.concatenate([one, other])
    # Beyond the largest mark kept of a run it is not known which others it has.
    reach = min(mark.max() if mark.size == MARKS_KEPT else np.iinfo(np.uint64).max for mark in (one, other))
    mine, theirs = one[one <= reach], other[other <= reach]
    fewer = min(mine.size, theirs.size)
    return (mine.size + theirs.size - np.unique(both[both <= reach]).size) / fewer if fewer >= FEWEST_MARKS else 0.0


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
    if not any(mark.size for mark in marks):
        return []
    runs = np.repeat(np.arange(len(marks)), [mark.size for mark in marks])
    values = np.concatenate(marks)
    order = np.lexsort((runs, values))
    runs, values = runs[order], values[order]
    begins = np.flatnonzero(np.r_[True, values[1:] != values[:-1]])
    first = np.repeat(runs[begins], np.diff(np.r_[begins, values.size]))
    # Each run against the first that has the mark: copies of copies are found without all pairs.
    pairs = Counter(zip(first[first != runs].tolist(), runs[first != runs].tolist(), strict=True))
    found = ((i, j, shared_share(marks[i], marks[j])) for (i, j), count in pairs.items() if count >= FEWEST_MARKS // 2)
    return sorted((i, j, same) for i, j, same in found if same >= share)


def copied_readings(
    traces: Sequence[Trace], thresholds: CheckThresholds, leave_out: Collection[int] = ()
) -> dict[int, Flag]:
    """Flag runs whose readings stand under another mount too: which of the two happened nobody can tell from a log.

    Parameters
    ----------
    traces : sequence of Trace
        All runs.
    thresholds : CheckThresholds
        Limits in use.
    leave_out : collection of int
        Places of runs that are excluded already, as where one of two was found to be the copy.

    Returns
    -------
    dict of int to Flag
        By place.
    """
    places = [i for i in range(len(traces)) if i not in leave_out]
    found: dict[int, Flag] = {}
    marks = [reading_marks(traces[place]) for place in places]
    for i, j, share in same_readings(marks, share=thresholds.copied_percent / 100.0):
        for mine, other in ((places[i], places[j]), (places[j], places[i])):
            if mine not in found and _mount(traces[mine]) != _mount(traces[other]):
                found[mine] = _copied(traces[other], share)
    return found


def _copied(other: Trace, share: float) -> Flag:
    return raise_flag(
        "copied readings",
        "unusable",
        f"{'All' if share > 0.98 else f'About {100.0 * share:.0f} % of'} its readings, change by change, are those of "
        f"{other.run} ({other.treatment} mount {other.mount}): one of the two is a copy, whatever times stand beside "
        "it. Exclude the one that was not run, or give it its own log.",
        same_percent=100.0 * share,
    )


def soaks_overlap(traces: Sequence[Trace], thresholds: CheckThresholds) -> dict[int, Flag]:
    """Flag soaks of two mounts at one time: a bench holds one mount, so a clock or a cut is wrong.

    Parameters
    ----------
    traces : sequence of Trace
        All runs; only those on a calendar clock can be told.
    thresholds : CheckThresholds
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
        if latest is not None:
            both = min(_end_s(traces[latest]) - traces[i].began_s, traces[i].soak_s)
            if both > 60.0 * thresholds.overlap_min and _mount(traces[i]) != _mount(traces[latest]):
                found.setdefault(latest, _overlap(traces[i], both))
                found.setdefault(i, _overlap(traces[latest], both))
        if latest is None or _end_s(traces[i]) > _end_s(traces[latest]):
            latest = i
    return found


def _overlap(other: Trace, both_s: float) -> Flag:
    return raise_flag(
        "soaks overlap",
        "doubtful",
        f"It was under load at the same time as {other.run} ({other.treatment} mount {other.mount}), for "
        f"{both_s / 60.0:.0f} min by the clocks of their logs, and a bench holds one mount: a date, a clock or a cut "
        "is wrong.",
        overlap_min=both_s / 60.0,
    )


def _mount(trace: Trace) -> tuple[str, str]:
    return trace.treatment, trace.mount


def _end_s(trace: Trace) -> float:
    return trace.began_s + trace.soak_s


def at_the_ceiling(
    traces: Sequence[Trace], thresholds: CheckThresholds, leave_out: Collection[int] = ()
) -> dict[int, Flag]:
    """Flag runs whose sensor ends at a highest reading that steps of other powers share.

    Parameters
    ----------
    traces : sequence of Trace
        All runs.
    thresholds : CheckThresholds
        Limits in use.
    leave_out : collection of int
        Places of runs at which the device shed power: it holds its limit itself.

    Returns
    -------
    dict of int to Flag
        By place; ``ceiling_C`` in the evidence is the reading.
    """
    found: dict[int, Flag] = {}
    kept = [i for i in range(len(traces)) if i not in leave_out]
    for sensor in sorted({name for i in kept for name in traces[i].sensors}):
        found |= {i: flag for i, flag in _ceiling_of(sensor, traces, kept, thresholds) if i not in found}
    return found


def _ceiling_of(
    sensor: str, traces: Sequence[Trace], kept: Iterable[int], thresholds: CheckThresholds
) -> list[tuple[int, Flag]]:
    columns = {
        i: traces[i].temperature_C[:, traces[i].sensors.index(sensor)] for i in kept if sensor in traces[i].sensors
    }
    highest = {i: float(np.nanmax(column)) for i, column in columns.items() if not np.isnan(column).all()}
    if not highest:
        return []
    top = max(highest.values())
    stood_min = {i: (columns[i] > top - 1e-6).sum() * traces[i].interval_s / 60.0 for i in highest}
    there = [i for i, minutes in stood_min.items() if minutes >= thresholds.ceiling_min]
    powers = [traces[i].set_power_W for i in there]
    if len(there) < 2 or max(powers) < (1.0 + thresholds.ceiling_power_percent / 100.0) * min(powers):
        return []
    listed = ", ".join(f"{power:g}" for power in sorted(set(powers)))
    reason = (
        f"{sensor} goes no higher than {top:g} degC, and stands there at {listed} W alike: it ends there, so the "
        "device was hotter than its reading and the rise is too low."
    )
    return [(i, raise_flag("at the ceiling", "doubtful", reason, ceiling_C=top)) for i in there]
