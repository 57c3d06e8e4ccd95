"""A first look at a folder of logs as tables for a notebook."""

from __future__ import annotations

from collections import Counter
from typing import TYPE_CHECKING

from thermlab.base.numbers import number
from thermlab.reports.pages import Block, Column, cautions_block, join, listing, paragraph, remark, tag, view

if TYPE_CHECKING:
    from collections.abc import Callable, Sequence
    from pathlib import Path

    from thermlab.first_look.guesses import TextGuess
    from thermlab.first_look.look import FirstLook, LogLook
    from thermlab.first_look.proposals import Proposal

_DELIMITERS = {"\t": "tab", ";": "semicolon", ",": "comma", "|": "bar"}
SHOWN_LOGS = 40


def files(found: FirstLook) -> Block:
    """Return how each file is written and what can be read from it."""

    def of_text(shown: Callable[[TextGuess], object]) -> Callable[[LogLook], object]:
        return lambda log: "–" if log.text is None else shown(log.text)

    columns: list[Column] = [
        ("file", "text", lambda log: log.name),
        ("seems to be", "text", lambda log: log.kind),
        ("encoding", "text", of_text(lambda text: text.encoding)),
        ("cells cut at", "text", of_text(lambda text: _DELIMITERS.get(text.delimiter, text.delimiter))),
        ("decimal sign", "text", of_text(lambda text: {".": "point", ",": "comma"}[text.decimal])),
        ("header in line", "number", of_text(lambda text: text.header_line)),
        ("time", "wide", _time),
        ("readings", "number", lambda log: "–" if log.log is None else log.log.time_s.size),
        ("one each, in s", "number", lambda log: _seconds(log.interval_s)),
        ("span in min", "number", lambda log: number(log.span_min, 1)),
        ("longest gap in s", "number", lambda log: _seconds(log.longest_gap_s)),
        ("load steps", "number", lambda log: len(log.loaded)),
    ]
    doubts = [join([tag("strong", log.name), ": ", "; ".join(log.doubts)]) for log in found.logs if log.doubts]
    rest = len(found.logs) - SHOWN_LOGS
    return view(
        listing("Files that could be logs", found.logs[:SHOWN_LOGS], columns),
        remark(f"{rest} more files are not shown.") if rest > 0 else Block(""),
        cautions_block(doubts, "To look at") if doubts else Block(""),
    )


def _time(log: LogLook) -> str:
    return "–" if log.time is None else f"{' + '.join(log.time.columns)}: {log.time.words()}"


def _seconds(value: float | None) -> str:
    return "–" if value is None else f"{value:.3g}"


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
    same = Counter(tuple(column.name for column in other.columns) for other in found.logs)
    alike = same[tuple(column.name for column in log.columns)] - 1
    return view(
        listing(f"Columns of {log.name}", log.columns, about),
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
    if log is None or log.log is None or not log.steps:
        return view(remark("No load steps were found."))
    begin = float(log.log.time_s[0])
    about: list[Column] = [
        ("step", "text", lambda numbered: numbered[0]),
        ("from, in min", "number", lambda numbered: f"{(numbered[1].start_s - begin) / 60.0:.1f}"),
        ("to, in min", "number", lambda numbered: f"{(numbered[1].end_s - begin) / 60.0:.1f}"),
        ("lasts, in min", "number", lambda numbered: f"{numbered[1].minutes:.1f}"),
        ("power in W", "number", lambda numbered: f"{numbered[1].power_W:.1f}"),
        ("power at its end in W", "number", lambda numbered: f"{numbered[1].end_power_W:.1f}"),
        ("seems to be", "text", lambda numbered: "idle" if numbered[1].idle else "load"),
    ]
    return view(listing(f"Load steps of {log.name}", enumerate(log.steps, 1), about))


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
    said = join(["Written: ", names, ". Now edit them, then run ", tag("code", "thermlab check"), "."])
    return view(paragraph(said), cautions_block([caution]))
