"""A first look at a folder of logs as tables for a notebook."""

from __future__ import annotations

from collections import Counter
from typing import TYPE_CHECKING

from thermlab.base.numbers import number
from thermlab.reports.pages import Block, cautions_block, items, join, paragraph, remark, table, tag, view

if TYPE_CHECKING:
    from collections.abc import Sequence
    from pathlib import Path

    from thermlab.first_look.look import FirstLook, LogLook
    from thermlab.first_look.proposals import Proposal

_DELIMITERS = {"\t": "tab", ";": "semicolon", ",": "comma", "|": "bar"}
SHOWN_LOGS = 40


def files(found: FirstLook) -> Block:
    """Return how each file is written and what can be read from it."""
    rows = [
        (
            log.name,
            log.kind,
            "–" if log.text is None else log.text.encoding,
            "–" if log.text is None else _DELIMITERS.get(log.text.delimiter, log.text.delimiter),
            "–" if log.text is None else {".": "point", ",": "comma"}[log.text.decimal],
            "–" if log.text is None else log.text.header_line,
            "–" if log.time is None else f"{' + '.join(log.time.columns)}: {log.time.words()}",
            "–" if log.log is None else log.log.time_s.size,
            _seconds(log.interval_s),
            number(log.span_min, 1),
            _seconds(log.longest_gap_s),
            len([step for step in log.steps if not step.idle]),
        )
        for log in found.logs[:SHOWN_LOGS]
    ]
    headings = ("file", "seems to be", "encoding", "cells cut at", "decimal sign", "header in line", "time",
                "readings", "one each, in s", "span in min", "longest gap in s", "load steps")  # fmt: skip
    doubts = [join([tag("strong", log.name), ": ", "; ".join(log.doubts)]) for log in found.logs if log.doubts]
    rest = len(found.logs) - SHOWN_LOGS
    return view(
        table("Files that could be logs", headings, rows, numeric=(5, 7, 8, 9, 10, 11), wide=(6,)),
        remark(f"{rest} more files are not shown.") if rest > 0 else Block(""),
        _doubts(doubts),
    )


def _seconds(value: float | None) -> str:
    return "–" if value is None else f"{value:.3g}"


def _doubts(doubts: Sequence[Block]) -> Block:
    return tag("div", tag("p", "To look at"), items(doubts), class_="cautions", role="note") if doubts else Block("")


def columns(found: FirstLook, name: str = "") -> Block:
    """Return what each column seems to hold, and what that rests on.

    Parameters
    ----------
    found : FirstLook
        What was seen.
    name : str
        Which file; the first sensor log without a name.
    """
    log = chosen(found, name)
    if log is None:
        return view(remark("No sensor log was found." if not name else f"No file {name} was looked at."))
    rows = [
        (
            column.name,
            column.content,
            column.unit or "–",
            column.why,
            "–" if column.low is None else f"{column.low:g}",
            "–" if column.high is None else f"{column.high:g}",
            column.n_missing or "–",
            ", ".join(map(repr, column.missing)) or "–",
        )
        for column in log.columns
    ]
    headings = ("column", "seems to hold", "unit", "guessed from", "lowest", "highest", "blank or missing",
                "texts among the numbers")  # fmt: skip
    same = Counter(tuple(column.name for column in other.columns) for other in found.logs)
    alike = same[tuple(column.name for column in log.columns)] - 1
    return view(
        table(f"Columns of {log.name}", headings, rows, numeric=(4, 5, 6), wide=(3,)),
        remark(f"{alike} other file{'s have' if alike != 1 else ' has'} the same columns."),
    )


def chosen(found: FirstLook, name: str = "") -> LogLook | None:
    """Return one log by name, the first sensor log without one."""
    if name:
        return next((log for log in found.logs if log.name == name), None)
    return next(iter(found.sensor_logs), None)


def steps(found: FirstLook, name: str = "") -> Block:
    """Return the load steps of one log."""
    log = chosen(found, name)
    if log is None or not log.steps:
        return view(remark("No load steps were found."))
    begin = log.steps[0].start_s if log.log is None else float(log.log.time_s[0])
    rows = [
        (
            place,
            f"{(step.start_s - begin) / 60.0:.1f}",
            f"{(step.end_s - begin) / 60.0:.1f}",
            f"{step.minutes:.1f}",
            f"{step.power_W:.1f}",
            f"{step.end_power_W:.1f}",
            "idle" if step.idle else "load",
        )
        for place, step in enumerate(log.steps, 1)
    ]
    headings = (
        "step",
        "from, in min",
        "to, in min",
        "lasts, in min",
        "power in W",
        "power at its end in W",
        "seems to be",
    )
    return view(table(f"Load steps of {log.name}", headings, rows, numeric=(1, 2, 3, 4, 5)))


def proposal(proposed: Proposal) -> Block:
    """Return both proposed files as text."""
    return view(
        tag("h3", "campaign.yaml"),
        tag("pre", proposed.campaign_yaml, tabindex="0"),
        tag("h3", "runs.csv"),
        tag("pre", proposed.runs_csv, tabindex="0"),
    )


def written(paths: Sequence[Path]) -> Block:
    """Say what was written."""
    if not paths:
        return view(paragraph("Nothing was written. With write = True both files are; none is ever overwritten."))
    names = join([tag("code", path.name) for path in paths], " and ")
    caution = "Look at everything marked GUESS before you believe a result."
    return view(paragraph(join(["Written: ", names, ". Now edit them, then run ", tag("code", "thermlab check"), "."])),
                cautions_block([caution]))  # fmt: skip
