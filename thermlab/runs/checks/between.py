"""What the runs of a campaign say about each other.

These checks look at reduced runs and at the traces side by side; a mount's
flag stands on each of its runs. They raise flags, never exclude: a run that is
merely unlike its neighbours stays in the answer and is shown.
"""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING

from thermlab.runs.checks.cores import core_spread, measure_spread
from thermlab.runs.checks.labels import find_exchanged, flag_exchanged_runs, powers_exchanged
from thermlab.runs.checks.ladder import find_off, flag_off, lay_ladders
from thermlab.runs.checks.mounts import exchanged_mounts, mount_levels, off_treatment
from thermlab.runs.checks.plume import flag_following, follow_power

if TYPE_CHECKING:
    from collections.abc import Iterable, Mapping, Sequence

    from thermlab.campaign.settings import CheckThresholds
    from thermlab.runs.records import Flag, ReducedRun
    from thermlab.runs.settled_rise import Estimate
    from thermlab.runs.trace import Trace


def check_between(
    runs: tuple[ReducedRun, ...],
    estimates: Sequence[Estimate],
    traces: Sequence[Trace],
    *,
    thresholds: CheckThresholds,
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
    found: list[list[Flag]] = [[] for _ in runs]
    _add(found, powers_exchanged(runs))
    _add(found, _followed(runs, positions, traces, estimates, thresholds))
    spread = measure_spread(runs, positions, traces, estimates)
    if spread is not None:
        _add(found, core_spread(spread, thresholds))
    _add_many(found, _ladder_flags(runs, thresholds))
    return tuple(
        replace(run, flags=run.flags + tuple(more)) if more else run for run, more in zip(runs, found, strict=True)
    )


def _add(found: list[list[Flag]], flags: Mapping[int, Flag]) -> None:
    for i, flag in flags.items():
        found[i].append(flag)


def _add_many(found: list[list[Flag]], flags: Iterable[tuple[int, Flag]]) -> None:
    for i, flag in flags:
        if all(flag.flag != other.flag for other in found[i]):
            found[i].append(flag)


def _followed(
    runs: Sequence[ReducedRun],
    positions: Sequence[int],
    traces: Sequence[Trace],
    estimates: Sequence[Estimate],
    thresholds: CheckThresholds,
) -> dict[int, Flag]:
    mounts: dict[tuple[str, str], list[int]] = {}
    for k, position in enumerate(positions):
        mounts.setdefault((runs[position].treatment, runs[position].mount), []).append(k)
    fits = [
        follow_power(
            [positions[k] for k in members], [traces[k] for k in members], [estimates[k] for k in members]
        )
        for members in mounts.values()
    ]  # fmt: skip
    return flag_following([fit for fit in fits if fit is not None], thresholds)


def _ladder_flags(runs: Sequence[ReducedRun], thresholds: CheckThresholds) -> Iterable[tuple[int, Flag]]:
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
    few = len(set(ladders.mount.tolist())) < 3
    for one in off:
        if one.at not in exchanged:
            yield ladders.members[one.at], flag_off(one, few=few)
    levels = mount_levels(runs, ladders, without | exchanged)
    if levels is None:
        return
    swapped = exchanged_mounts(levels, thresholds)
    named = swapped | {k: f for k, f in off_treatment(levels, thresholds).items() if k not in swapped}
    for i, run in enumerate(runs):
        flag = named.get((run.treatment, run.mount))
        if flag is not None:
            yield i, flag
