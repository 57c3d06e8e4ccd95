"""Pictures for a person who looks at runs one by one.

- What happened in this run? :func:`one_run`
- Is it unlike the others of its mount, or of its power step? :func:`side_by_side`
"""

from collections.abc import Sequence
from typing import Any, Literal

import numpy as np
from matplotlib.axes import Axes
from matplotlib.figure import Figure

from thermlab.base.marks import PAGE
from thermlab.base.numbers import number, watts
from thermlab.explore.exploring import Exploration, beside, chosen, residuals
from thermlab.reports import pictures as draw
from thermlab.reports.pages import Block, flag_names, marks_of, remark
from thermlab.reports.pictures import Picture
from thermlab.runs.records import ReducedRun
from thermlab.runs.settled_rise import Estimate
from thermlab.runs.trace import Trace

MOST_SENSORS = 8
"""So many sensors get a name of their own; more are drawn without."""
_SMALL: dict[str, Any] = {"fontsize": 9, "color": PAGE["muted"]}


def one_run(found: Exploration, run: str = "") -> Picture | Block:
    """Draw every channel of one run, its fit window, the fitted approach and what that leaves over.

    Parameters
    ----------
    found : Exploration
        A campaign that was reduced.
    run : str
        Which run; the most doubtful one without a name.

    Returns
    -------
    Picture or Block
        A sentence in place of the picture where the run has no readings.
    """
    own = chosen(found, run).run
    estimate = found.estimates.get(own.run)
    if estimate is None:
        return remark(f"No picture: {own.run} has no readings.")
    mark, trace = marks_of(found.analysis)[own.treatment], estimate.trace
    heights = [1.75, 0.7, 0.8, 1.5, 1.0] + ([0.6] if trace.clock_MHz is not None else [])
    with draw.new_figure(0.42 + sum(heights) + 0.22 * (len(heights) - 1) + 0.6) as figure:
        panels = draw.stack(figure, heights, left=0.95, right=1.2, top=0.42, gap=0.22)
        minutes = trace.time_s / 60.0
        _sensors(panels[0], trace, mark.colour)
        _line(panels[1], minutes, trace.ambient_C, "room\nin °C")
        _line(panels[2], minutes, trace.power_W, "power\nin W")
        _level(panels[2], own.set_power_W, "set")
        _approach(panels[3:5], estimate, mark.colour)
        if trace.clock_MHz is not None:
            _line(panels[5], minutes, trace.clock_MHz, "clock\nin MHz")
        _over_soak(panels, estimate)
        for panel in panels:
            panel.yaxis.label.set_fontsize(10)
            panel.yaxis.set_label_coords(-0.13, 0.5)
            panel.tick_params(labelsize=9.5)
        fate = "" if own.used else draw.short(f", left out: {own.reason}", 44, 1)
        title = f"{draw.short(own.run, 30, 1)}   {watts(own.set_power_W)}{fate}"
        draw.small_print(figure, title, x=0.02, top_in=0.17, fontsize=11)
    return Picture(figure, _run_alt(found, own, estimate))


def approach(found: Exploration, run: str = "") -> Picture | Block:
    """Draw the fitted approach of one run and what it leaves over, as for :func:`one_run`."""
    own = chosen(found, run).run
    estimate = found.estimates.get(own.run)
    if estimate is None:
        return remark(f"No picture: {own.run} has no readings.")
    return Picture(
        _approaching(estimate, marks_of(found.analysis)[own.treatment].colour), _run_alt(found, own, estimate)
    )


def heading(estimate: Estimate) -> Picture:
    """Draw the fitted approach of a run under way and what it leaves over."""
    now = number(float(estimate.rise_K[-1]), 1) if estimate.rise_K.size else "–"
    words = f"Rise over the room, {now} K now; heading for {number(estimate.level_K, 2)} K."
    return Picture(_approaching(estimate, PAGE["ink"]), words)


def _approaching(estimate: Estimate, colour: str) -> Figure:
    with draw.new_figure(3.6) as figure:
        panels = draw.stack(figure, [1.7, 0.9], left=0.95, right=1.2, top=0.2, gap=0.2)
        _approach(panels, estimate, colour)
        _over_soak(panels, estimate)
    return figure


def _over_soak(panels: Sequence[Axes], estimate: Estimate) -> None:
    """Give panels the time of the soak and shade where the approach was fitted."""
    for panel in panels:
        panel.set_xlim(0.0, estimate.trace.soak_s / 60.0)
        panel.axvspan(estimate.window_s[0] / 60.0, estimate.window_s[1] / 60.0, color=PAGE["wash"], zorder=0, lw=0)
    panels[-1].set_xlabel("minutes since the soak began (shaded: fit window)")


def _sensors(axes: Axes, trace: Trace, colour: str) -> None:
    """Draw the sensors, the hottest darkest, and name them at their last reading."""
    known = [column[~np.isnan(column)] for column in trace.temperature_C.T]
    order = sorted(range(len(known)), key=lambda i: -float(known[i].mean()) if known[i].size else np.inf)
    lines = {trace.sensors[i]: trace.temperature_C[:, i] for i in order}
    axes.set_ylabel("sensors\nin °C")
    draw.name_ends(axes, draw.shaded_lines(axes, trace.time_s / 60.0, lines, colour, MOST_SENSORS))


def _line(axes: Axes, minutes: Any, values: Any, label: str) -> None:
    axes.plot(minutes, values, color=PAGE["ink"], lw=0.8)
    axes.set_ylabel(label)


def _level(axes: Axes, height: float, words: str) -> None:
    axes.axhline(height, color=PAGE["band-edge"], lw=1.0, ls=draw.DASHED)
    axes.text(1.02, height, words, transform=axes.get_yaxis_transform(), va="center", **_SMALL)


def _approach(panels: Sequence[Axes], estimate: Estimate, colour: str) -> None:
    """Draw a rise with its fitted approach, and below it what that leaves over."""
    axes, below, minutes = panels[0], panels[1], estimate.time_s / 60.0
    axes.plot(minutes, estimate.rise_K, ".", color=colour, ms=3.0, mew=0)
    axes.set_ylabel("rise over\nroom in K")
    low, high = draw.late_limits(estimate.rise_K)
    if estimate.fitted_K is not None:
        shown = minutes >= 0.5 * estimate.window_s[0] / 60.0
        axes.plot(minutes[shown], estimate.fitted_K[shown], color=PAGE["ink"], lw=1.2)
    if estimate.level_K is not None:
        high = max(high, estimate.level_K + 0.08 * (high - low))
        _level(axes, estimate.level_K, f"level\n{number(estimate.level_K, 2)} K")
    if estimate.held is not None:
        axes.text(1.02, 0.1, f"held {number(estimate.held.held_power_W, 1)} W", transform=axes.transAxes, **_SMALL)
    axes.set_ylim(low, high)
    time_s, left = residuals(estimate)
    below.axhline(0.0, color=PAGE["muted"], lw=0.8)
    below.set_ylabel("residual\nin K")
    if left.size:
        below.plot(time_s / 60.0, left, ".", color=PAGE["ink"], ms=3.0, mew=0)
        reach = max(1.0, 1.15 * float(np.abs(left).max()))
        below.set_ylim(-reach, reach)


def _run_alt(found: Exploration, run: ReducedRun, estimate: Estimate) -> str:
    left, trace = chosen(found, run.run).residual_K, estimate.trace
    power, room = (values[~np.isnan(values)] for values in (trace.power_W, trace.ambient_C))
    parts = [f"Run {run.run}: {len(trace.sensors)} sensors over {trace.soak_s / 60.0:.1f} min"]
    parts += [f"power {power.min():.1f} to {power.max():.1f} W at {watts(run.set_power_W)} set"] if power.size else []
    parts += [f"room {room.min():.1f} to {room.max():.1f} °C"] if room.size else []
    level = "none" if estimate.level_K is None else f"{number(estimate.level_K, 2)} K"
    parts.append(f"settled rise {level}, largest two-minute residual {number(left, 2, sign=True)} K")
    return f"{'; '.join(parts)}. Flags: {flag_names(run) or 'none'}."


_COLUMNS = ("rise, settled rise = 0", "residual", "between sensors", "room")
_SPAN_K = ((-6.0, 2.0), (-2.0, 2.0), (0.0, 0.0), (-2.0, 2.0))
"""Scales common to all runs of a picture; those of the third column come from the runs."""


def side_by_side(found: Exploration, run: str = "", *, by: Literal["mount", "step"] = "mount") -> Picture | Block:
    """Draw the runs of one mount, or of one power step, one below the other on common scales.

    Parameters
    ----------
    found : Exploration
        A campaign that was reduced.
    run : str
        Which run they are to share mount or step with; the most doubtful one without a name.
    by : {"mount", "step"}
        What they share.

    Returns
    -------
    Picture or Block
        Columns: approach to the settled rise, residual, hottest less coolest sensor, room about its mean.
    """
    own, marks = chosen(found, run).run, marks_of(found.analysis)
    runs = [r for r in beside(found, run, by=by) if r.run in found.estimates][:20]
    if not runs:
        return remark("No picture: none of these runs has readings.")
    longest = max(found.estimates[r.run].trace.soak_s for r in runs) / 60.0
    curves = [_columns(found.estimates[r.run]) for r in runs]
    widest = max((float(np.nanmax(c[2][1])) for c in curves if c[2][1].size), default=1.0)
    spans = [*_SPAN_K[:2], (0.0, max(2.0, 1.15 * widest)), _SPAN_K[3]]
    with draw.new_figure(1.05 + 0.78 * len(runs)) as figure:
        height = figure.get_size_inches()[1]
        room = {"left": 0.215, "right": 0.985, "top": 1 - 0.5 / height, "bottom": 0.55 / height}
        spacing = room | {"wspace": 0.42, "hspace": 0.22}
        grid = figure.subplots(len(runs), 4, squeeze=False, sharex=True, sharey="col", gridspec_kw=spacing)
        for panels, r, drawn in zip(grid, runs, curves, strict=True):
            edge, weight = (PAGE["ink"], "bold") if r.run == own.run else (PAGE["rule"], "normal")
            window = [end / 60.0 for end in found.estimates[r.run].window_s]
            for axes, (minutes, values) in zip(panels, drawn, strict=True):
                axes.plot(minutes, values, ".", color=marks[r.treatment].colour, ms=2.0, mew=0)
                axes.axhline(0.0, color=PAGE["rule"], lw=0.8, zorder=0)
                axes.axvspan(*window, color=PAGE["wash"], lw=0, zorder=0)
                axes.tick_params(labelsize=8)
                axes.spines[:].set_edgecolor(edge)
            name = f"{draw.short(r.run, 15)}\n{watts(r.set_power_W)}" + ("" if r.used else ", left out")
            box = panels[0].get_position()
            figure.text(0.01, (box.y0 + box.y1) / 2, name, va="center", fontsize=8.5, weight=weight)
        for axes, span, words in zip(grid[0], spans, _COLUMNS, strict=True):
            axes.set(xlim=(0.0, longest), ylim=span)
            axes.set_title(words + "\nin K", fontsize=8.5)
        draw.small_print(figure, "minutes since the soak began (shaded: fit window)", x=0.6, ha="center", fontsize=9.5)
    return Picture(figure, _beside_alt(found, runs, own, by))


def _columns(estimate: Estimate) -> list[tuple[Any, Any]]:
    blocks = estimate.trace.blocks
    level = estimate.level_K if estimate.level_K is not None else float(np.nanmean(estimate.rise_K[-20:]))
    known = np.where(np.isnan(blocks.temperature_C), np.nan, blocks.temperature_C)
    whole = ~np.isnan(known).any(axis=1)
    spread = np.ptp(known[whole], axis=1)
    at, left = residuals(estimate)
    room = blocks.ambient_C - np.nanmean(blocks.ambient_C) if (~np.isnan(blocks.ambient_C)).any() else blocks.ambient_C
    return [
        (estimate.time_s / 60.0, estimate.rise_K - level),
        (at / 60.0, left),
        (blocks.time_s[whole] / 60.0, spread),
        (blocks.time_s / 60.0, room),
    ]


def _beside_alt(found: Exploration, runs: Sequence[ReducedRun], own: ReducedRun, by: str) -> str:
    shared = f"{own.treatment}, mount {own.mount}" if by == "mount" else watts(own.set_power_W)
    left = [number(chosen(found, r.run).residual_K, 2, sign=True) for r in runs]
    each = [f"{r.run}: settled rise {number(r.rise_K, 2)} K" for r in runs]
    each = [f"{said}, largest residual {residual} K" for said, residual in zip(each, left, strict=True)]
    return f"{len(runs)} runs of {shared} on common scales. {'; '.join(each)}."
