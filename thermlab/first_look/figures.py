"""Pictures of logs for which no campaign has been written yet: channels and load steps."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from thermlab.base.marks import PAGE, treatment_marks
from thermlab.base.numbers import number
from thermlab.reports import pictures as draw
from thermlab.reports.pages import Block, remark
from thermlab.reports.pictures import Picture

if TYPE_CHECKING:
    from matplotlib.axes import Axes

    from thermlab.first_look.look import FirstLook, LogLook
    from thermlab.logs.log import Log

MOST_LOGS = 12
MOST_POINTS = 1500
MOST_SENSORS = 8


def load_steps(found: FirstLook) -> Picture | Block:
    """Draw the power of every sensor log, one below the other, its load steps shaded.

    Parameters
    ----------
    found : FirstLook
        What was seen.

    Returns
    -------
    Picture or Block
        A sentence in place of the picture where no log could be read.
    """
    logs = [log for log in found.sensor_logs if log.log is not None][:MOST_LOGS]
    if not logs:
        return remark("No picture: no log could be read.")
    longest = max(log.span_min or 0.0 for log in logs)
    with draw.new_figure(0.95 + 0.72 * len(logs)) as figure:
        panels = draw.stack(figure, [0.57] * len(logs), left=1.9, right=0.12, top=0.35, gap=0.15)
        for axes, look in zip(panels, logs, strict=True):
            axes.sharey(panels[0])
            _power(axes, look)
            axes.set_xlim(0.0, longest)
            axes.tick_params(labelsize=9)
            axes.text(-0.43, 0.5, draw.short(look.name, 22), transform=axes.transAxes, va="center", fontsize=9)
        panels[-1].set_xlabel("minutes since the log began")
        words = "power in W; shaded: load steps with their level"
        draw.small_print(figure, words, x=0.98, top_in=0.15, ha="right", color=PAGE["muted"])
    each = []
    for log in logs:
        loaded = [f"{step.power_W:.0f} W for {step.minutes:.0f} min" for step in log.loaded]
        each.append(f"{log.name}: {', '.join(loaded)}")
    return Picture(figure, f"Power over time in {len(logs)} logs, with the load steps found. {'; '.join(each)}.")


def _power(axes: Axes, look: LogLook) -> None:
    if look.log is None:
        return
    minutes, rows = _thinned(look.log)
    begin = float(look.log.time_s[0])
    top = float(np.nanmax(look.log.power_W)) if (~np.isnan(look.log.power_W)).any() else 1.0
    for step in look.steps:
        if step.idle:
            continue
        low, high = (step.start_s - begin) / 60.0, (step.end_s - begin) / 60.0
        axes.axvspan(low, high, color=PAGE["band"], lw=0, zorder=0)
        axes.axvline(low, color=PAGE["band-edge"], lw=0.7, zorder=1)
        axes.text((low + high) / 2, 0.06 * top, f"{step.power_W:.0f}", ha="center", va="bottom", fontsize=8.5)
    axes.plot(minutes, look.log.power_W[rows], color=PAGE["ink"], lw=0.7, zorder=2)
    axes.set_ylim(bottom=0.0)


def _thinned(log: Log) -> tuple[np.ndarray, np.ndarray]:
    rows = np.arange(0, log.time_s.size, max(1, log.time_s.size // MOST_POINTS))
    return (log.time_s[rows] - log.time_s[0]) / 60.0, rows


def channels(found: FirstLook, name: str = "") -> Picture | Block:
    """Draw every channel of one log as it would be read.

    Parameters
    ----------
    found : FirstLook
        What was seen.
    name : str
        Which log; the first sensor log without a name.

    Returns
    -------
    Picture or Block
        A sentence in place of the picture where there is no such log.
    """
    look = next((log for log in found.sensor_logs if not name or log.name == name), None)
    if look is None or look.log is None:
        return remark("No picture: no such log could be read.")
    log = look.log
    minutes, rows = _thinned(log)
    mark = treatment_marks(["log"], "log")["log"]
    with draw.new_figure(4.6) as figure:
        upper, lower = draw.stack(figure, [2.2, 1.25], left=0.85, right=1.35, top=0.35, gap=0.2)
        lines = dict(zip(log.sensors, log.temperature_C[rows].T, strict=True))
        ends = draw.shaded_lines(upper, minutes, lines, mark.colour, MOST_SENSORS)
        if log.ambient_C is not None:
            room = log.ambient_C[rows]
            upper.plot(minutes, room, color=PAGE["link"], lw=1.0)
            ends += [("room", float(end), PAGE["link"]) for end in room[~np.isnan(room)][-1:]]
        upper.set_ylabel("temperature in °C")
        draw.name_ends(upper, ends, width=17)
        _power(lower, look)
        lower.set_ylabel("power in W")
        lower.set_xlabel("minutes since the log began")
        lower.set_xlim(0.0, look.span_min)
        draw.small_print(figure, draw.short(look.name, 60, 1), x=0.02, top_in=0.16, fontsize=11)
    hottest = float(np.nanmax(log.temperature_C)) if (~np.isnan(log.temperature_C)).any() else None
    span = number(look.span_min, 1)
    said = f"{len(log.sensors)} temperatures up to {number(hottest, 1)} °C over {span} min, {len(look.steps)} plateaus"
    return Picture(figure, f"{look.name} as it would be read: {said} of power.")
