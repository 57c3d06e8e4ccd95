"""Read every log of a campaign once and cut it into runs.

The only step between the campaign folder and the pure middle of the library:
after it nothing is read any more.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

import numpy as np

from thermlab.base.errors import InputError, Problem, shown
from thermlab.logs.log import Log, RoomLog, read_log, read_room_log
from thermlab.logs.times import DAY_S, parse_time
from thermlab.runs.trace import Spool, Trace, cut_trace, zero_rows

if TYPE_CHECKING:
    from collections.abc import Callable, Collection, Iterator, Mapping, Sequence

    from thermlab.campaign.folder import RunsToReduce
    from thermlab.campaign.runsheet import RunLine

_JUST_BEFORE_S = 1e-4


@dataclass(frozen=True, slots=True, kw_only=True)
class Readings:
    """Traces of a campaign and what was noticed on reading.

    Attributes
    ----------
    traces : tuple of Trace or None
        One entry a line of the run sheet; None for a reading without a log, and an excluded run whose log is missing.
    sha256 : dict of str to str
        Checksum of every file read, by its path in the campaign folder.
    notes : tuple of str
        What the reader passed over, each with its file.
    """

    traces: tuple[Trace | None, ...]
    sha256: dict[str, str]
    notes: tuple[str, ...]


def read_campaign_logs(campaign: RunsToReduce, *, seen: Callable[[Log | RoomLog], None] | None = None) -> Readings:
    """Read all logs of a campaign, each once, and cut them into runs.

    Parameters
    ----------
    campaign : RunsToReduce
        A campaign that passed its own checks.
    seen : callable, optional
        Told of every log as it is read, the room's own first.

    Returns
    -------
    Readings

    Raises
    ------
    InputError
        With every problem of every log and every empty cut.
    """
    problems: list[Problem] = []
    notes: list[str] = []
    sha256 = dict(campaign.sha256)
    room = _read_room(campaign, problems, notes, sha256)
    if seen is not None and isinstance(room, RoomLog):
        seen(room)
    traces: dict[int, Trace | None] = {line.line: None for line in campaign.runs if not line.log}
    spans: dict[str, tuple[float, float]] = {}
    spool = Spool()
    for name, lines in _by_log(campaign).items():
        path = campaign.folder / name
        if not path.is_file():
            if all(line.exclude for line in lines):
                traces.update({line.line: None for line in lines})
                continue
            problems.extend(Problem(f"runs.csv:{line.line} (log)", repr(name), "a log that exists") for line in lines)
            continue
        try:
            log = read_log(path, campaign.settings.how_read, name=name)
        except InputError as error:
            problems.extend(error.problems)
            continue
        if seen is not None:
            seen(log)
        sha256[name] = log.sha256
        notes.extend(f"{name}: {note}" for note in log.notes)
        if not all(line.exclude for line in lines):
            spans[name] = float(log.raw_time_s[0]), float(log.raw_time_s[-1])
        begins = {parse_time(line.start, campaign.settings.how_read.time) for line in lines if line.start}
        for line in lines:
            trace = cut_run(campaign, line, log, room, begins)
            if trace is None:
                problems.append(_empty(line, log))
            traces[line.line] = None if trace is None else spool.keep(trace)
    if isinstance(room, RoomLog):
        problems.extend(_days_untold(room, spans))
    if problems:
        raise InputError(problems)
    _require_some_room(campaign, traces)
    in_order = tuple(traces[line.line] for line in campaign.runs)
    return Readings(traces=in_order, sha256=sha256, notes=(*read_twice(campaign, in_order, sha256), *notes))


def read_twice(campaign: RunsToReduce, traces: Sequence[Trace | None], sha256: Mapping[str, str]) -> list[str]:
    """Say which runs take the same readings from copies of one log: one mount would count as two.

    Parameters
    ----------
    campaign : RunsToReduce
        Its run sheet.
    traces : sequence of Trace or None
        One entry a line of the run sheet.
    sha256 : mapping of str to str
        Checksum of every log.

    Returns
    -------
    list of str
        One caution for each such run.
    """
    taken: dict[str, list[tuple[float, float, RunLine]]] = {}
    found: list[str] = []
    for line, trace in zip(campaign.runs, traces, strict=True):
        if trace is None or line.exclude:
            continue
        begin, end = trace.began_s, trace.began_s + trace.soak_s - trace.interval_s
        others = taken.setdefault(sha256[line.log], [])
        twice = next((o for a, b, o in others if o.log != line.log and begin < b and a < end), None)
        if twice is not None:
            found.append(
                f"the runs {shown(twice.run)} and {shown(line.run)} are made of the same readings: {shown(twice.log)} "
                f"and {shown(line.log)} are copies of one log"
            )
        others.append((begin, end, line))
    return found


def _by_log(campaign: RunsToReduce) -> dict[str, list[RunLine]]:
    """Lines of the run sheet by log, in order of appearance: each log is read once and let go."""
    grouped: dict[str, list[RunLine]] = {}
    for line in campaign.runs:
        if line.log:
            grouped.setdefault(line.log, []).append(line)
    return grouped


def _read_room(
    campaign: RunsToReduce, problems: list[Problem], notes: list[str], sha256: dict[str, str]
) -> RoomLog | float | None:
    settings = campaign.settings
    if settings.ambient_constant is not None:
        return float(settings.ambient_constant.value_C)
    if settings.ambient_log is None:
        return None
    name = settings.ambient_log.file
    try:
        room = read_room_log(campaign.folder / name, settings.ambient_log, name=name)
    except InputError as error:
        problems.extend(error.problems)
        return 0.0
    sha256[name] = room.sha256
    notes.extend(f"{name}: {note}" for note in room.notes)
    zeros = zero_rows(room.ambient_C, room.ambient_C[:0])
    if zeros.any():
        notes.append(f"{name}: {int(zeros.sum())} readings of exactly zero far from the others taken as missing")
        room = replace(room, ambient_C=np.where(zeros, np.nan, room.ambient_C))
    return room


def cut_run(
    campaign: RunsToReduce, line: RunLine, log: Log, room: RoomLog | float | None, begins: Collection[float]
) -> Trace | None:
    """Cut one run out of its log; `begins`: when the runs of this log begin, s. None where it has no readings.

    The room of the run's own line, read off by hand, goes before any other.
    """
    time = campaign.settings.how_read.time
    end_s = parse_time(line.end, time) if line.end else None
    if end_s is not None and end_s in begins:
        # Where one run ends as the next begins, the reading of that moment is the next one's: its power is stepped.
        end_s -= _JUST_BEFORE_S
    return cut_trace(
        line,
        log,
        start_s=parse_time(line.start, time) if line.start else None,
        end_s=end_s,
        room=room if line.room_C is None else line.room_C,
        limit_C=campaign.settings.limit_C,
    )


def _empty(line: RunLine, log: Log) -> Problem:
    return Problem(
        f"runs.csv:{line.line} (start, end)",
        f"no readings of {log.name} between {line.start or 'its beginning'} and {line.end or 'its end'}",
        "a cut that holds the run",
    )


def _days_untold(room: RoomLog, spans: dict[str, tuple[float, float]]) -> Iterator[Problem]:
    """Find logs whose day nobody can tell: without dates, all of them would be given the room of the same day."""
    if room.clock == "calendar":
        return
    period = DAY_S if room.clock == "time of day" else math.inf
    allowed = "dates in the times of the logs and of the room file, or the room in the logs (log.ambient)"
    if room.time_s[-1] - room.time_s[0] > period:
        yield Problem(room.name, "several days on a clock without dates", allowed)
    for at, (name, (begin, end)) in enumerate(spans.items()):
        for other, (other_begin, other_end) in list(spans.items())[:at]:
            apart = begin - other_begin
            if apart % period < other_end - other_begin or -apart % period < end - begin:
                found = f"times without dates that {other} has too: {room.name} cannot hold the room of both"
                yield Problem(name, found, allowed)
                break


def _require_some_room(campaign: RunsToReduce, traces: dict[int, Trace | None]) -> None:
    """A room file that covers no run at all has the wrong clock: that is bad input, not a spoiled run."""
    settings = campaign.settings
    have = [trace for trace in traces.values() if trace is not None]
    if settings.ambient_log is None or not have or any(trace.room_covered > 0 for trace in have):
        return
    raise InputError(
        [
            Problem(
                f"{settings.ambient_log.file}",
                "no reading of the room during any run",
                "a room file on the clock of the logs; ambient_log.clock_offset_s (s) is added to its times",
            )
        ]
    )
