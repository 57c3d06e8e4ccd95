"""A first look at a folder of logs as tables and pictures for a notebook."""

from __future__ import annotations

import itertools
from typing import TYPE_CHECKING, Any

import numpy as np

from thermlab.base.marks import PAGE
from thermlab.base.numbers import number
from thermlab.first_look.look import FirstLook, LogLook, known
from thermlab.first_look.proposals import Proposal
from thermlab.logs.log import Log
from thermlab.reports import pictures as draw
from thermlab.reports.pages import Block, Column, cautions_block, join, listing, paragraph, remark, tag, view

if TYPE_CHECKING:
    from collections.abc import Callable, Sequence
    from pathlib import Path

    from matplotlib.axes import Axes

_DELIMITERS = {"\t": "tab", ";": "semicolon", ",": "comma", "|": "bar"}
MOST_LOGS = 12
MOST_POINTS = 1500
MOST_SENSORS = 8


def files(found: FirstLook) -> Block:
    """Return how each file is written and what can be read from it."""

    def seen(part: str, shown: Callable[[Any], object]) -> Callable[[LogLook], object]:
        return lambda log: "–" if getattr(log, part) is None else shown(getattr(log, part))

    columns: list[Column] = [
        ("file", "text", lambda log: log.name),
        ("seems to be", "text", lambda log: log.kind),
        ("encoding", "text", seen("text", lambda text: text.encoding)),
        ("cells cut at", "text", seen("text", lambda text: _DELIMITERS.get(text.delimiter, text.delimiter))),
        ("decimal sign", "text", seen("text", lambda text: {".": "point", ",": "comma"}[text.decimal])),
        ("header in line", "number", seen("text", lambda text: text.header_line)),
        ("time", "wide", seen("time", lambda time: f"{' + '.join(time.columns)}: {time.words()}")),
        ("readings", "number", seen("log", lambda read: read.time_s.size)),
        ("one each, in s", "number", seen("log", lambda read: f"{np.median(np.diff(read.time_s)):.3g}")),
        ("span in min", "number", lambda log: number(log.span_min, 1)),
        ("longest gap in s", "number", seen("log", lambda read: f"{np.diff(read.time_s).max():.3g}")),
        ("load steps", "number", lambda log: len(log.loaded)),
    ]
    doubts = [join([tag("strong", log.name), ": ", "; ".join(log.doubts)]) for log in found.logs if log.doubts]
    told = cautions_block(doubts, "To look at") if doubts else Block("")
    return view(listing("Files that could be logs", found.logs, columns), told)


def columns(found: FirstLook, name: str = "") -> Block:
    """Return what each column seems to hold, and what that rests on.

    Parameters
    ----------
    found : FirstLook
        What was seen.
    name : str
        Which file; the first sensor log without a name.
    """
    log = _chosen(found, name)
    if log is None:
        return view(remark("No such log was found."))
    about: list[Column] = [
        ("column", "text", lambda column: column.name),
        ("seems to hold", "text", lambda column: column.content),
        ("unit", "text", lambda column: column.unit or "–"),
        ("guessed from", "wide", lambda column: column.why),
        ("lowest", "number", lambda column: "–" if column.low is None else f"{column.low:g}"),
        ("highest", "number", lambda column: "–" if column.high is None else f"{column.high:g}"),
        ("blank or missing", "number", lambda column: column.n_missing or "–"),
        ("texts among the numbers", "text", lambda column: ", ".join(map(repr, column.missing)) or "–"),
    ]
    return view(listing(f"Columns of {log.name}", log.columns, about))


def _chosen(found: FirstLook, name: str = "") -> LogLook | None:
    """Return one log by name, the first sensor log without one."""
    if name:
        return next((log for log in found.logs if log.name == name), None)
    return next(iter(found.sensor_logs), None)


def load_steps(found: FirstLook) -> draw.Picture | Block:
    """Draw the power of every sensor log, one below the other, its load steps shaded; a sentence where none is read."""
    logs = found.sensor_logs[:MOST_LOGS]
    if not logs:
        return remark("No picture: no log could be read.")
    with draw.new_figure(0.95 + 0.72 * len(logs)) as figure:
        panels = draw.stack(figure, [0.57] * len(logs), left=1.9, right=0.12, top=0.35, gap=0.15)
        for axes, look in zip(panels, logs, strict=True):
            axes.sharey(panels[0])
            _power(axes, look)
            axes.set_xlim(0.0, max(log.span_min or 0.0 for log in logs))
            axes.tick_params(labelsize=9)
            axes.text(-0.43, 0.5, draw.short(look.name, 22), transform=axes.transAxes, va="center", fontsize=9)
        panels[-1].set_xlabel("minutes since the log began")
        words = "power in W; shaded: load steps with their level"
        draw.small_print(figure, words, x=0.98, top_in=0.15, ha="right", color=PAGE["muted"])
    held = {log.name: [f"{step.power_W:.0f} W for {step.minutes:.0f} min" for step in log.loaded] for log in logs}
    each = [f"{name}: {', '.join(steps)}" for name, steps in held.items()]
    return draw.Picture(figure, f"Power over time in {len(logs)} logs, with the load steps found. {'; '.join(each)}.")


def _power(axes: Axes, look: LogLook) -> None:
    log = known(look.log)
    minutes, rows = _thinned(log)
    top = float(np.nanmax(log.power_W, initial=1.0))
    for step in look.loaded:
        low, high = ((at_s - log.time_s[0]) / 60.0 for at_s in (step.start_s, step.end_s))
        axes.axvspan(low, high, color=PAGE["band"], lw=0, zorder=0)
        axes.axvline(low, color=PAGE["band-edge"], lw=0.7, zorder=1)
        axes.text((low + high) / 2, 0.06 * top, f"{step.power_W:.0f}", ha="center", va="bottom", fontsize=8.5)
    axes.plot(minutes, log.power_W[rows], color=PAGE["ink"], lw=0.7, zorder=2)
    axes.set_ylim(bottom=0.0)


def _thinned(log: Log) -> tuple[np.ndarray, slice]:
    rows = slice(None, None, max(1, log.time_s.size // MOST_POINTS))
    return (log.time_s[rows] - log.time_s[0]) / 60.0, rows


def channels(found: FirstLook, name: str = "") -> draw.Picture | Block:
    """Draw every temperature of one log as it would be read; a sentence where there is no such log.

    Parameters
    ----------
    found : FirstLook
        What was seen.
    name : str
        Which log; the first sensor log without a name.
    """
    look = _chosen(found, name)
    if look is None or look.log is None:
        return remark("No picture: no such log could be read.")
    log = look.log
    minutes, rows = _thinned(log)
    lines = {} if log.ambient_C is None else {"room": log.ambient_C[rows]}
    lines |= dict(zip(log.sensors, log.temperature_C[rows].T, strict=True))
    with draw.new_figure(3.2) as figure:
        (axes,) = draw.stack(figure, [2.3], left=0.85, right=1.35, top=0.35, gap=0.0)
        draw.name_ends(axes, draw.shaded_lines(axes, minutes, lines, PAGE["link"], MOST_SENSORS), width=17)
        axes.set_ylabel("temperature in °C")
        axes.set_xlabel("minutes since the log began")
        draw.small_print(figure, draw.short(look.name, 60, 1), x=0.02, top_in=0.16, fontsize=11)
    said = f"{len(lines)} temperatures over {number(look.span_min, 1)} min, {len(look.steps)} plateaus of power"
    return draw.Picture(figure, f"{look.name} as it would be read: {said}.")


def proposal(proposed: Proposal) -> Block:
    """Return both proposed files as text."""
    parts = [(tag("h3", name), tag("pre", text, tabindex="0")) for name, text in proposed.files().items()]
    return view(*itertools.chain(*parts))


def written(paths: Sequence[Path]) -> Block:
    """Say what was written."""
    if not paths:
        return view(paragraph("Nothing was written. With write = True both files are; none is ever overwritten."))
    names = join([tag("code", path.name) for path in paths], " and ")
    said = join(["Written: ", names, ". Now edit them, then run ", tag("code", "thermlab check"), "."])
    return view(paragraph(said), cautions_block(["Look at everything marked GUESS before you believe a result."]))
