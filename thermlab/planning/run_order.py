"""In which order to mount and run, and what the bench does at which hour.

Mounts are made in blocks, one of each treatment, in random order within the block, so that a drifting probe or room
does not favour one treatment. The order comes from a seed and can be made again. Before the first power step of every
mount the bench is soaked once more (the pre-soak): a step that starts from the cold sink is still several kelvin short
after a soak that is ample for the others.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import TYPE_CHECKING, Literal

import numpy as np

from thermlab.base.errors import InputError, Problem

if TYPE_CHECKING:
    from collections.abc import Iterable, Sequence

StepOrder = Literal["ascending", "random"]
Activity = Literal["mount", "pre-soak", "run", "change-over"]
MOST_MOUNTS = 200


@dataclass(frozen=True, slots=True, kw_only=True)
class PlannedRun:
    """One run of the plan, a line of ``runs.csv``.

    Attributes
    ----------
    run : str
        Its name, unique in the campaign.
    treatment, mount : str
        The mount it belongs to.
    set_power_W : float
        Power step, W.
    block : int
        Block, from 1.
    pre_soak : bool
        Whether the bench is soaked once more before it.
    """

    run: str
    treatment: str
    mount: str
    set_power_W: float
    block: int
    pre_soak: bool


@dataclass(frozen=True, slots=True, kw_only=True)
class CalendarEntry:
    """What the bench does from one time to another.

    Attributes
    ----------
    day : int
        Bench day, from 1.
    start_h, end_h : float
        Hours since the day began, h.
    activity : {"mount", "pre-soak", "run", "change-over"}
        What is done.
    treatment, mount : str
        The mount.
    run : str
        The run; empty while mounting.
    set_power_W : float or None
        Power set, W; None while mounting.
    """

    day: int
    start_h: float
    end_h: float
    activity: Activity
    treatment: str
    mount: str
    run: str
    set_power_W: float | None


Piece = tuple[Activity, float, PlannedRun]


def plan_order(
    treatments: Sequence[str],
    *,
    n_mounts: int,
    steps_W: Sequence[float],
    step_order: StepOrder = "ascending",
    seed: int = 1,
) -> tuple[PlannedRun, ...]:
    """Order mounts in randomised blocks, one mount of each treatment a block.

    Parameters
    ----------
    treatments : sequence of str
        Treatments; their order here plays no part.
    n_mounts : int
        Mounts of each treatment, which is also the number of blocks.
    steps_W : sequence of float
        Power steps of every mount, W.
    step_order : {"ascending", "random"}
        Ascending needs the shortest soak; random spreads a drift over the steps.
    seed : int
        The same seed gives the same order.

    Returns
    -------
    tuple of PlannedRun
        In the order to be made.

    Raises
    ------
    InputError
        No treatment, a treatment twice, no step, a step that is not a positive number or stands twice, or a number of
        mounts outside 1 to 200.
    """
    _check(treatments, n_mounts, steps_W, step_order)
    rng = np.random.default_rng(seed)
    names = sorted(treatments)
    width = len(str(n_mounts))
    runs: list[PlannedRun] = []
    for block in range(1, n_mounts + 1):
        for index in rng.permutation(len(names)):
            treatment, mount = names[int(index)], f"{block:0{width}d}"
            steps = sorted(float(step) for step in steps_W)
            if step_order == "random":
                steps = [steps[int(i)] for i in rng.permutation(len(steps))]
            runs.extend(
                PlannedRun(
                    run=f"{treatment}-m{mount}-{step:g}W",
                    treatment=treatment,
                    mount=mount,
                    set_power_W=step,
                    block=block,
                    pre_soak=place == 0,
                )
                for place, step in enumerate(steps)
            )
    return tuple(runs)


def _check(treatments: Sequence[str], n_mounts: int, steps_W: Sequence[float], step_order: str) -> None:
    problems = []
    if not treatments or len(set(treatments)) != len(treatments):
        problems.append(Problem("plan: treatments", f"{list(treatments)}", "one or more names, each once"))
    if not 1 <= n_mounts <= MOST_MOUNTS:
        problems.append(Problem("plan: mounts", f"{n_mounts}", f"1 to {MOST_MOUNTS} mounts of each treatment"))
    usable = bool(steps_W) and all(math.isfinite(step) and step > 0 for step in steps_W)
    if not usable or len(set(steps_W)) != len(steps_W):
        problems.append(Problem("plan: power steps", f"{list(steps_W)}", "one or more powers above 0 W, each once"))
    if step_order not in ("ascending", "random"):
        problems.append(Problem("plan: order of the steps", f"{step_order!r}", "ascending or random"))
    if problems:
        raise InputError(problems)


def calendar(
    runs: Iterable[PlannedRun],
    *,
    soak_min: float,
    change_over_min: float,
    remount_min: float,
    day_h: float = 8.0,
) -> tuple[CalendarEntry, ...]:
    """Lay the runs out over bench days.

    A mount that does not fit into the rest of a day begins the next one, because a night without load would ask for
    another pre-soak. A mount longer than a whole day is interrupted between two steps and pre-soaked again.

    Parameters
    ----------
    runs : iterable of PlannedRun
        In the order to be made.
    soak_min, change_over_min, remount_min : float
        Soak of a step, change from one step to the next (also after the last: save the log, cool down), and taking
        apart, cleaning and mounting anew, min.
    day_h : float
        Bench hours in a day, h.

    Returns
    -------
    tuple of CalendarEntry
        In the order of time.

    Raises
    ------
    InputError
        A day too short for one mounting and one pre-soaked step.
    """
    shortest_h = (remount_min + 2 * soak_min + change_over_min) / 60.0
    if day_h < shortest_h:
        found, allowed = f"{day_h:g} h", f"at least {shortest_h:.2f} h: one mounting, one pre-soak, one step"
        raise InputError([Problem("plan: bench hours in a day", found, allowed)])
    entries: list[CalendarEntry] = []
    day, now = 1, 0.0
    for mount_runs in _by_mount(runs):
        length = (remount_min + soak_min + len(mount_runs) * (soak_min + change_over_min)) / 60.0
        if now > 0 and now + length > day_h + 1e-9:
            day, now = day + 1, 0.0
        pieces: list[Piece] = [("mount", remount_min, mount_runs[0])]
        for run in mount_runs:
            pre: list[Piece] = [("pre-soak", soak_min, run)] if run.pre_soak else []
            step: list[Piece] = [("run", soak_min, run), ("change-over", change_over_min, run)]
            need = (sum(minutes for _, minutes, _ in [*pieces, *pre, *step])) / 60.0
            if now + need > day_h + 1e-9 and not pieces:
                day, now = day + 1, 0.0
                pre = [("pre-soak", soak_min, run)]
            for activity, minutes, of in [*pieces, *pre, *step]:
                entries.append(_entry(day, now, minutes, activity, of))
                now = entries[-1].end_h
            pieces = []
    return tuple(entries)


def _by_mount(runs: Iterable[PlannedRun]) -> list[list[PlannedRun]]:
    mounts: dict[tuple[str, str], list[PlannedRun]] = {}
    for run in runs:
        mounts.setdefault((run.treatment, run.mount), []).append(run)
    return list(mounts.values())


def _entry(day: int, now: float, minutes: float, activity: Activity, run: PlannedRun) -> CalendarEntry:
    mounting = activity == "mount"
    return CalendarEntry(
        day=day,
        start_h=now,
        end_h=now + minutes / 60.0,
        activity=activity,
        treatment=run.treatment,
        mount=run.mount,
        run="" if mounting else run.run,
        set_power_W=None if mounting else run.set_power_W,
    )
