"""The pictures of the runs one by one: how each settled, and what the checks found."""

from __future__ import annotations

import math
import textwrap
from typing import TYPE_CHECKING

import numpy as np
import numpy.typing as npt
from matplotlib.collections import LineCollection
from matplotlib.patches import Rectangle

from thermlab.base.marks import MARKER, PAGE, SEVERITY, SEVERITY_LETTER, Mark
from thermlab.base.phrases import number
from thermlab.reports.pages import Block, marks_of, remark
from thermlab.reports.pictures import (
    WIDTH_IN,
    Picture,
    Pictures,
    inches_box,
    middle_cut,
    new_figure,
    quiet,
    short,
    style,
)
from thermlab.runs.records import FLAG_NAMES, ReducedRun

if TYPE_CHECKING:
    from collections.abc import Sequence

    from matplotlib.axes import Axes

    from thermlab.compare.analysis import Analysis
    from thermlab.runs.settled_runs import RunTrace

MOUNTS_PER_PICTURE = 9
RUNS_PER_PICTURE = 48
_BELOW_K, _ABOVE_K = -6.0, 2.0
_Mount = tuple[str, str]


def traces(analysis: Analysis) -> Pictures | Block:
    """Draw how each run approached its settled rise: one row per mount, one column per power step.

    Parameters
    ----------
    analysis : Analysis
        What was found.

    Returns
    -------
    Pictures or Block
        As many pictures as the mounts need.
    """
    if not analysis.traces:
        return remark("No traces.")
    runs = {run.run: run for run in analysis.runs}
    grid: dict[_Mount, dict[float, list[RunTrace]]] = {}
    for trace in analysis.traces:
        run = runs[trace.run]
        grid.setdefault((run.treatment, run.mount), {}).setdefault(run.set_power_W, []).append(trace)
    steps = sorted({power for row in grid.values() for power in row})
    order = list(marks_of(analysis))
    mounts = sorted(grid, key=lambda mount: order.index(mount[0]))  # stable: within a treatment in the order made
    pages = [mounts[i : i + MOUNTS_PER_PICTURE] for i in range(0, len(mounts), MOUNTS_PER_PICTURE)]
    longest = max((trace.time_min[-1] for trace in analysis.traces if len(trace.time_min)), default=1.0)
    return Pictures(_trace_picture(analysis, page, grid, steps, float(longest), runs) for page in pages)


def _trace_picture(
    analysis: Analysis,
    mounts: Sequence[_Mount],
    grid: dict[_Mount, dict[float, list[RunTrace]]],
    steps: Sequence[float],
    longest: float,
    runs: dict[str, ReducedRun],
) -> Picture:
    marks = marks_of(analysis)
    with style():
        # One pair of axes for all panels: sixty pairs would take seconds.
        figure = new_figure(1.15 + 0.72 * len(mounts))
        axes = figure.add_axes(inches_box(figure, left=1.2, right=0.1, bottom=0.72, top=0.42))
        axes.set_xlim(0.0, len(steps))
        axes.set_ylim(len(mounts), 0.0)
        shown = []
        for row, mount in enumerate(mounts):
            for column, power in enumerate(steps):
                for trace in grid[mount].get(power, []):
                    _panel(axes, trace, runs[trace.run], marks[mount[0]], (column, row), longest)
                    shown.append(trace.run)
        axes.set_yticks(
            [row + 0.5 for row in range(len(mounts))],
            [f"{short(name, 15)}\nmount {short(mount, 9, 1)}" for name, mount in mounts],
            fontsize=9,
        )  # fmt: skip
        axes.set_xticks([column + 0.5 for column in range(len(steps))], [f"{power:g} W" for power in steps])
        axes.tick_params(length=0, labeltop=True, labelbottom=False)
        quiet(axes, keep=())
        span = f"{_BELOW_K:g} to +{_ABOVE_K:g} K".replace("-", "−")
        below = (
            f"Each panel: {span} about the settled rise (line), 0 to {longest:.0f} min of soak.\n"
            "Points: block means. Shaded: window of the fit. Curve: fitted approach.\n"
            "Heavy frame with a cross: run left out."
        )
        figure.text(0.02, 0.33 / figure.get_size_inches()[1], below, fontsize=9, va="center", linespacing=1.3)
    left = [f"{run}: {_still(runs[run])}" for run in shown if not runs[run].settled]
    alt = f"How {len(shown)} runs approached their settled rise, mounts in rows, power steps in columns. " + (
        f"Not shown to be settled: {'; '.join(left)}." if left else "All were settled at the end."
    )
    return Picture(figure, alt)


def _still(run: ReducedRun) -> str:
    left = run.drift_left_K
    return "no settled rise" if left is None else f"{number(left, 2, sign=True)} K still to come"


def _panel(axes: Axes, trace: RunTrace, run: ReducedRun, mark: Mark, corner: tuple[int, int], longest: float) -> None:
    pad = 0.06
    span = 1.0 - 2.0 * pad
    level = run.rise_K if run.rise_K is not None else float(np.nanmedian(np.asarray(trace.rise_K)[-20:]))

    def place(minutes: object, rises: object) -> tuple[npt.NDArray[np.float64], npt.NDArray[np.float64]]:
        x = corner[0] + pad + span * np.asarray(minutes, dtype=float) / longest
        height = (np.asarray(rises, dtype=float) - level - _BELOW_K) / (_ABOVE_K - _BELOW_K)
        return x, corner[1] + 1.0 - pad - span * height

    edge = PAGE["rule"] if run.used else PAGE["wrong"]
    axes.add_patch(
        Rectangle((corner[0] + pad, corner[1] + pad), span, span, fill=False, ec=edge, lw=0.8 if run.used else 1.6)
    )
    if not run.used:
        axes.plot(
            corner[0] + 1.0 - 2.2 * pad,
            corner[1] + 1.0 - 3.2 * pad,
            MARKER["cross"],
            color=edge,
            ms=6,
            mew=1.5,
            zorder=6,
        )
    if trace.window_min is not None:
        (low, high), _ = place(trace.window_min, [level, level])
        axes.add_patch(Rectangle((low, corner[1] + pad), high - low, span, color=PAGE["band"], lw=0, zorder=0))
    if run.rise_K is not None:
        axes.add_collection(
            LineCollection([np.column_stack(place([0.0, longest], [level, level]))], colors=PAGE["band-edge"], lw=0.7)
        )
    x, y = place(trace.time_min, trace.rise_K)
    inside = (y >= corner[1] + pad) & (y <= corner[1] + 1.0 - pad)
    axes.plot(x[inside], y[inside], ".", color=mark.colour, ms=2.6, mew=0, zorder=2)
    if len(trace.fitted_time_min):
        x, y = place(trace.fitted_time_min, trace.fitted_rise_K)
        inside = (y >= corner[1] + pad) & (y <= corner[1] + 1.0 - pad)
        axes.plot(x[inside], y[inside], "-", color=PAGE["ink"], lw=1.0, zorder=3)


def checks(analysis: Analysis) -> Pictures | Block:
    """Draw which check found what on which run.

    Parameters
    ----------
    analysis : Analysis
        What was found.

    Returns
    -------
    Pictures or Block
        Runs in the order made, as many pictures as they need.
    """
    if not analysis.runs:
        return remark("No runs.")
    pages = math.ceil(len(analysis.runs) / RUNS_PER_PICTURE)
    size = math.ceil(len(analysis.runs) / pages)
    seen = {flag.flag for run in analysis.runs for flag in run.flags}
    names = [name for name in FLAG_NAMES if name in seen]
    return Pictures(_check_picture(analysis.runs[i : i + size], names) for i in range(0, len(analysis.runs), size))


def _check_picture(runs: Sequence[ReducedRun], names: Sequence[str]) -> Picture:
    """Draw one row for each check that found something; the others are named below."""
    silent = [name for name in FLAG_NAMES if name not in names]
    words = textwrap.wrap(f"Found on no run: {', '.join(silent)}.", 92) if silent else []
    below = 1.32 + 0.17 * len(words)
    with style():
        figure = new_figure(below + 0.45 + 0.225 * max(len(names), 1))
        axes = figure.add_axes(inches_box(figure, left=1.95, right=0.1, bottom=below, top=0.45))
        axes.set_xlim(0.0, len(runs))
        axes.set_ylim(max(len(names), 1), 0.0)
        for row in range(max(len(names), 1) + 1):
            axes.axhline(row, color=PAGE["rule"], lw=0.6, zorder=0)
        for column, run in enumerate(runs):
            for flag in run.flags:
                row = names.index(flag.flag)
                axes.add_patch(Rectangle((column, row), 1.0, 1.0, fc=SEVERITY[flag.severity], ec=PAGE["sheet"], lw=0.8))
                axes.text(
                    column + 0.5, row + 0.53, SEVERITY_LETTER[flag.severity], ha="center", va="center", fontsize=8,
                    color=PAGE["sheet"] if flag.severity == "unusable" else PAGE["ink"],
                )  # fmt: skip
            if not run.used:
                axes.plot(column + 0.5, -0.35, MARKER["cross"], color=PAGE["wrong"], ms=6, mew=1.6, clip_on=False)
        axes.set_yticks([row + 0.5 for row in range(len(names))], names, fontsize=9.5)
        every = max(1, math.ceil(len(runs) * 0.125 / (WIDTH_IN - 2.05)))
        axes.set_xticks(
            [column + 0.5 for column in range(0, len(runs), every)],
            [middle_cut(run.run, 17) for run in runs[::every]], rotation=90, fontsize=8,
        )  # fmt: skip
        axes.tick_params(length=0)
        quiet(axes, keep=())
        height = figure.get_size_inches()[1]
        figure.text(
            0.99, 1.0 - 0.17 / height, "n note   d doubtful   u unusable   × run left out",
            ha="right", va="center", fontsize=9,
        )  # fmt: skip
        figure.text(
            0.015, 0.07 / height, "\n".join(words), ha="left", va="bottom", fontsize=8.6, color=PAGE["muted"],
            linespacing=1.3,
        )  # fmt: skip
    found = [
        f"{run.run}: {flag.flag} ({flag.severity})" for run in runs for flag in run.flags if flag.severity != "note"
    ]
    notes = sum(flag.severity == "note" for run in runs for flag in run.flags)
    alt = f"What {len(FLAG_NAMES)} checks found on {len(runs)} runs. " + (
        f"More than a note: {'; '.join(found)}." if found else "Nothing more than notes."
    )
    return Picture(figure, f"{alt} Notes: {notes}.")
