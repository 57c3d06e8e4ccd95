"""Small pictures of the runs that are doubtful or were left out, one each, for the report."""

from __future__ import annotations

import math
import textwrap
from typing import TYPE_CHECKING

import numpy as np

from thermlab.base.marks import PAGE, Mark
from thermlab.base.phrases import number, together, watts
from thermlab.reports.pages import Block, marks_of, remark
from thermlab.reports.pictures import WIDTH_IN, Picture, Pictures, new_figure, short, style

if TYPE_CHECKING:
    from collections.abc import Sequence

    from matplotlib.axes import Axes

    from thermlab.compare.analysis import Analysis
    from thermlab.runs.records import ReducedRun
    from thermlab.runs.settled_runs import RunTrace

RUNS_PER_PICTURE = 8
MOST_PICTURES = 3
_COLUMNS = 2
_ROW_IN = 2.3


def doubtful_runs(analysis: Analysis) -> Pictures | Block:
    """Draw every run that is doubtful, unusable or left out, with its fit window and the fitted approach.

    Parameters
    ----------
    analysis : Analysis
        What was found.

    Returns
    -------
    Pictures or Block
        Nothing where there is no such run, a sentence where none of them has readings.
    """
    runs = [run for run in analysis.runs if not run.used or run.worst() in ("doubtful", "unusable")]
    traces = {trace.run: trace for trace in analysis.traces if len(trace.time_min)}
    drawn = [run for run in runs if run.run in traces]
    if not drawn:
        return remark("None of these runs has readings.") if runs else Block("")
    # Where very many went wrong, what was left out comes before what is doubtful; the table names every one.
    most = RUNS_PER_PICTURE * MOST_PICTURES
    if len(drawn) > most:
        kept = {run.run for run in sorted(drawn, key=lambda run: run.used)[:most]}
        drawn = [run for run in drawn if run.run in kept]
    pages = [drawn[i : i + RUNS_PER_PICTURE] for i in range(0, len(drawn), RUNS_PER_PICTURE)]
    marks = marks_of(analysis)
    return Pictures(_picture(page, traces, marks) for page in pages)


def _picture(runs: Sequence[ReducedRun], traces: dict[str, RunTrace], marks: dict[str, Mark]) -> Picture:
    rows = math.ceil(len(runs) / _COLUMNS)
    with style():
        figure = new_figure(0.52 + _ROW_IN * rows)
        height = figure.get_size_inches()[1]
        grid = figure.subplots(rows, _COLUMNS, squeeze=False).ravel()
        for place, axes in enumerate(grid):
            row, column = divmod(place, _COLUMNS)
            left = 0.62 + column * 3.1
            bottom = 0.82 + _ROW_IN * (rows - 1 - row)
            axes.set_position((left / WIDTH_IN, bottom / height, 2.5 / WIDTH_IN, 1.3 / height))
        for axes, run in zip(grid, runs, strict=False):
            _panel(axes, run, traces[run.run], marks[run.treatment])
        for axes in grid[len(runs) :]:
            axes.set_axis_off()
        for axes in grid[max(0, len(runs) - _COLUMNS) : len(runs)]:
            axes.set_xlabel("minutes of soak", fontsize=9.5)
        for axes in grid[::_COLUMNS]:
            axes.set_ylabel("rise in K", fontsize=9.5)
        words = "points: block means   shaded: fit window   curve: fitted approach"
        figure.text(0.5, 0.15 / height, words, ha="center", va="center", fontsize=9, color=PAGE["muted"])
    each = "; ".join(f"{run.run} ({_fate(run)}): {_why(run)}{_level(run)}" for run in runs)
    return Picture(figure, f"Rise over time of {len(runs)} doubtful or left-out runs. {each}.")


def _panel(axes: Axes, run: ReducedRun, trace: RunTrace, mark: Mark) -> None:
    rise = np.asarray(trace.rise_K, dtype=float)
    if trace.window_min is not None:
        axes.axvspan(*trace.window_min, color=PAGE["band"], lw=0, zorder=0)
    axes.plot(trace.time_min, rise, ".", color=mark.colour, ms=2.8, mew=0, zorder=2)
    late = rise[len(rise) // 4 :]
    known = late[~np.isnan(late)]
    if known.size:
        # Without the first rise, so that a degree can be seen; at least two degrees, so that noise looks like noise.
        middle, half = (known.max() + known.min()) / 2.0, max(1.0, 0.6 * float(np.ptp(known)))
        axes.set_ylim(middle - half, middle + half)
    if len(trace.fitted_time_min):
        axes.plot(trace.fitted_time_min, trace.fitted_rise_K, color=PAGE["ink"], lw=1.1, zorder=3)
    axes.set_xlim(0.0, float(trace.time_min[-1]))
    axes.tick_params(labelsize=9)
    colour = PAGE["ink"] if run.used else PAGE["wrong"]
    name = short(run.run, 30, 1)
    lines = [name if f"{run.set_power_W:g}" in name else f"{name}, {watts(run.set_power_W)}"]
    lines += [short(f"{_fate(run)}: {_why(run)}", 46, 1)]
    grave = next((flag for flag in run.flags if flag.severity != "note"), None)
    if grave is not None:
        lines += textwrap.wrap(together(grave.reason), 46, max_lines=2, placeholder=" …")
    axes.set_title("\n".join(lines), fontsize=8.4, loc="left", x=-0.12, color=colour, linespacing=1.25)


def _fate(run: ReducedRun) -> str:
    return "used, doubtful" if run.used else "left out"


def _why(run: ReducedRun) -> str:
    flags = ", ".join(flag.flag for flag in run.flags if flag.severity != "note")
    return flags if not run.reason or run.reason == flags else run.reason + (f"; {flags}" if flags else "")


def _level(run: ReducedRun) -> str:
    return "" if run.rise_K is None else f", settled rise {number(run.rise_K, 1)} K"
