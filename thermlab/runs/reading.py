"""Read every log of a campaign once and cut it into runs, or look at what is there without computing anything.

The only step between the campaign folder and the pure middle of the library:
after it nothing is read any more.
"""

import math
import re
from collections.abc import Collection, Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import UTC, datetime
from functools import partial
from pathlib import Path
from typing import Any, NamedTuple

import numpy as np
from pydantic import ValidationError

from thermlab.base.errors import InputError, Problem, shown
from thermlab.base.files import PathRefusedError, inside
from thermlab.campaign.folder import Campaign, RunsToReduce, campaign_folder, read_folder
from thermlab.campaign.runsheet import RunLine
from thermlab.campaign.yaml_files import YamlTree
from thermlab.logs.log import Log, RoomLog, read_log, read_room_log
from thermlab.logs.settings import AmbientLogSettings, LogSettings
from thermlab.logs.times import DAY_S, parse_time
from thermlab.runs.checks.between import copied_readings, soaks_overlap
from thermlab.runs.shelf import Shelf
from thermlab.runs.trace import Room, Trace, cut_trace, known_mean, zero_rows

_JUST_BEFORE_S = 1e-4
MAX_PROBLEMS = 200
_ROOM_COVERED = 0.9  # a reading less at an end is no matter


class LogCheck(NamedTuple):
    """What a log holds, in words: its name, its rows and columns, and what was passed over, missing or set back."""

    name: str
    holds: str
    notes: list[str]


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
    logs : tuple of LogCheck
        What each log holds, the room's own last.
    """

    traces: tuple[Trace | None, ...]
    sha256: dict[str, str]
    notes: tuple[str, ...]
    logs: tuple[LogCheck, ...]


def read_campaign_logs(campaign: RunsToReduce) -> Readings:
    """Read all logs of a campaign, each once, and cut them into runs.

    Parameters
    ----------
    campaign : RunsToReduce
        A campaign that passed its own checks.

    Returns
    -------
    Readings

    Raises
    ------
    InputError
        With every problem of every log and every empty cut.
    """
    problems: list[Problem] = []
    try:
        room, notes = read_room(campaign)
    except InputError as error:
        room, notes, problems = None, [], list(error.problems)
    sha256 = campaign.sha256 | ({room.name: room.sha256} if isinstance(room, RoomLog) else {})
    logs: list[LogCheck] = []
    traces: dict[int, Trace | None] = {line.line: None for line in campaign.runs}
    spans: dict[str, tuple[float, float]] = {}
    shelf = Shelf()
    for name in dict.fromkeys(line.log for line in campaign.runs if line.log):  # each log is read once and let go
        lines = [line for line in campaign.runs if line.log == name]
        path = campaign.folder / name
        if not path.is_file():
            if not all(line.exclude for line in lines):
                places = (f"runs.csv:{line.line} (log)" for line in lines)
                problems.extend(Problem(place, repr(name), "a log that exists") for place in places)
            continue
        try:
            log = read_log(path, campaign.settings.how_read, name=name)
        except InputError as error:
            problems.extend(error.problems)
            continue
        logs.append(_log_check(log, tuple(log.n_missing)))
        sha256[name] = log.sha256
        notes.extend(f"{name}: {note}" for note in log.notes)
        if not all(line.exclude for line in lines):
            spans[name] = float(log.raw_time_s[0]), float(log.raw_time_s[-1])
        begins = {parse_time(line.start, campaign.settings.how_read.time) for line in lines if line.start}
        for line in lines:
            trace = cut_run(campaign, line, log, room, begins)
            if trace is None:
                cut = f"between {line.start or 'its beginning'} and {line.end or 'its end'}"
                where = f"runs.csv:{line.line} (start, end)"
                problems.append(Problem(where, f"no readings of {name} {cut}", "a cut that holds the run"))
            traces[line.line] = None if trace is None else shelf.keep(trace)
    if isinstance(room, RoomLog) and campaign.settings.ambient_log is not None:
        problems.extend(_days_untold(room, spans))
        logs.append(_log_check(room, campaign.settings.ambient_log.columns))
    if problems:
        raise InputError(problems)
    _require_some_room(campaign, traces)
    in_order = tuple(traces[line.line] for line in campaign.runs)
    notes = [*read_twice(campaign, in_order, sha256), *notes]
    return Readings(traces=in_order, sha256=sha256, notes=tuple(notes), logs=tuple(logs))


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


def read_room(campaign: RunsToReduce) -> tuple[Room, list[str]]:
    """Read the room where it is not in the logs: its own file or a constant in degC, and what the reader passed over.

    Readings of zero far from all others are missing. Errors as in :func:`thermlab.logs.log.read_log`.
    """
    settings = campaign.settings
    if settings.ambient_constant is not None:
        return float(settings.ambient_constant.value_C), []
    if settings.ambient_log is None:
        return None, []
    name = settings.ambient_log.file
    room = read_room_log(campaign.folder / name, settings.ambient_log, name=name)
    notes = [f"{name}: {note}" for note in room.notes]
    zeros = zero_rows(room.ambient_C, room.ambient_C[:0])
    if zeros.any():
        notes.append(f"{name}: {int(zeros.sum())} readings of exactly zero far from the others taken as missing")
        room = replace(room, ambient_C=np.where(zeros, np.nan, room.ambient_C))
    return room, notes


def cut_run(campaign: RunsToReduce, line: RunLine, log: Log, room: Room, begins: Collection[float]) -> Trace | None:
    """Cut one run out of its log; `begins`: when the runs of this log begin, s. None where it has no readings.

    The room of the run's own line, read off by hand, goes before any other.
    """
    time = campaign.settings.how_read.time
    end_s = parse_time(line.end, time) if line.end else None
    if end_s is not None and end_s in begins:
        # Where one run ends as the next begins, the reading of that moment is the next one's: its power is stepped.
        end_s -= _JUST_BEFORE_S
    start_s = parse_time(line.start, time) if line.start else None
    cut = partial(cut_trace, line, log, start_s=start_s, end_s=end_s, limit_C=campaign.settings.limit_C)
    trace = cut(room=room if line.room_C is None else line.room_C)
    if trace is None or line.room_C is None or isinstance(room, float):
        return trace
    logged = cut(room=room)
    return trace if logged is None else replace(trace, logged_room_C=float(known_mean(logged.ambient_C, axis=0)))


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
    allowed = "a room file on the clock of the logs; ambient_log.clock_offset_s (s) is added to its times"
    raise InputError([Problem(settings.ambient_log.file, "no reading of the room during any run", allowed)])


@dataclass(frozen=True, slots=True, kw_only=True)
class CheckReport:
    """What a campaign holds.

    Attributes
    ----------
    title : str
        Title of the campaign.
    logs : tuple of LogCheck
        Every log, the room's own last.
    runs : tuple of str
        What belongs to each line of the run sheet.
    cautions : tuple of str
        What is odd but allowed.
    to_look_at : tuple of str
        Every caution, and what the readings show without anything being computed.
    """

    title: str
    logs: tuple[LogCheck, ...]
    runs: tuple[str, ...]
    cautions: tuple[str, ...]
    to_look_at: tuple[str, ...]

    def summary(self) -> str:
        """Return the whole check as text, cautions first, what there is to look at last."""
        lines = [self.title, *(f"caution: {caution}" for caution in self.cautions)]
        for log in self.logs:
            lines += [f"{log.name}: {log.holds}", *(f"    {note}" for note in log.notes)]
        lines += self.runs
        n = len(self.to_look_at)
        lines.append(f"{n} thing{'s' * (n > 1)} to look at:" if n else "nothing wrong was found")
        return "\n".join([*lines, *(f"- {what}" for what in self.to_look_at)])


def check(folder: str | Path) -> CheckReport:
    """Read a campaign folder and all its logs.

    Parameters
    ----------
    folder : str or Path
        A folder with ``campaign.yaml`` and ``runs.csv``.

    Returns
    -------
    CheckReport
        What is there; nothing is computed and nothing is written.

    Raises
    ------
    InputError
        With every problem of ``campaign.yaml``, the run sheet and the logs.
    """
    root = campaign_folder(folder)
    settings, tree, sheet, sha256, problems = read_folder(root)
    names = list(dict.fromkeys(run.log for run in sheet.runs if run.log))
    if settings is None or problems:
        raise InputError([*problems, *_log_problems(root, names, tree.table())][:MAX_PROBLEMS])
    campaign = Campaign(root.resolve(), settings, sheet.runs, sha256, sheet.cautions)
    readings = read_campaign_logs(campaign)
    runs = tuple(map(_run_in_words, campaign.runs, readings.traces))
    copies = read_twice(campaign, readings.traces, readings.sha256)
    cautions = (*campaign.cautions, *_unfilled(tree), *copies, *_room_cautions(campaign, readings.traces))
    looked_at = (*cautions, *_odd(campaign, readings.traces, readings.logs))
    return CheckReport(title=settings.title, logs=readings.logs, runs=runs, cautions=cautions, to_look_at=looked_at)


def _unfilled(tree: YamlTree) -> list[str]:
    """Name the texts of campaign.yaml that still are the scaffold's own."""
    keys = [[str(key) for key in path] for path in tree.lines if path]
    left = [".".join(k) for k in keys if re.fullmatch(r"<[^<>]*>", str(tree.table(*k[:-1]).get(k[-1])).strip())]
    said = f"campaign.yaml still has <...> in {', '.join(left)}: fill it in, it stands in the report."
    return [said] if left else []


def _room_cautions(campaign: Campaign, traces: Sequence[Trace | None]) -> list[str]:
    """Say which runs the room's readings do not cover: most often its clock is off, and the report would lose them."""
    pairs = zip(campaign.runs, traces, strict=True)
    known = [(line.run, trace.room_covered) for line, trace in pairs if trace is not None and not line.exclude]
    bare = ", ".join(f"{run} ({share:.0%})" for run, share in known if share < _ROOM_COVERED)
    why = " Is ambient_log.clock_offset_s right?" if campaign.settings.ambient_log is not None else ""
    return [f"the room is not known for the whole soak of {bare}.{why}"] if bare else []


def _median_power(trace: Trace) -> float | None:
    """Median of the logged power, W; None where it is never known."""
    return None if np.isnan(trace.power_W).all() else float(np.nanmedian(trace.power_W))


def _run_in_words(line: RunLine, trace: Trace | None) -> str:
    """Say in one line what of its log belongs to a run."""
    log = line.log or ("a reading without a log" if line.is_reading else "no log and no reading yet")
    parts = [f"run {line.run}: {line.treatment}, mount {line.mount}, {line.set_power_W:g} W, {log}"]
    if trace is not None:
        parts.append(f"{len(trace.time_s)} readings in {trace.soak_s / 60:.1f} min of soak")
        power_W = _median_power(trace)
        parts += [] if power_W is None else [f"logged {power_W:.1f} W"]
    parts += [f"excluded: {line.exclude}"] if line.exclude else []
    return ", ".join(parts)


def _log_problems(folder: Path, names: list[str], data: Mapping[str, Any]) -> list[Problem]:
    """Read every log there is, as far as a faulty ``campaign.yaml`` says how, and return what is wrong with them."""
    log, room = _valid(LogSettings, data.get("log")), _valid(AmbientLogSettings, data.get("ambient_log"))
    to_read: list[tuple[str, Any, Any]] = [(name, read_log, log) for name in names if log is not None]
    to_read += [] if room is None else [(room.file, read_room_log, room)]
    problems: list[Problem] = []
    for name, read, settings in to_read:
        try:
            read(inside(folder, name), settings, name=name)
        except PathRefusedError:
            continue  # an excluded run may lack its log; any other is reported with its line
        except InputError as error:
            problems += error.problems
    return problems


def _valid(model: Any, value: object) -> Any:
    try:
        return model.model_validate(value)
    except ValidationError:
        return None


def _log_check(log: RoomLog, columns: tuple[str, ...]) -> LogCheck:
    first, notes = float(log.time_s[0]), list(log.notes)
    if isinstance(log, Log):
        notes += [f"{column}: {n} of {len(log.time_s)} readings missing" for column, n in log.n_missing.items() if n]
        notes += [f"clock set back by {-jump.seconds:g} s at line {jump.line}" for jump in log.jumps]
    shape = "%Y-%m-%d %H:%M:%S" if log.clock == "calendar" else "%H:%M:%S"
    begins = f"{first:g} s" if log.clock == "elapsed" else datetime.fromtimestamp(first, UTC).strftime(shape)
    every, length = float(np.median(np.diff(log.time_s))), float(log.time_s[-1] - log.time_s[0]) / 60
    holds = f"{len(log.time_s)} rows every {every:.4g} s from {begins}, {length:.1f} min; columns {', '.join(columns)}"
    return LogCheck(log.name, holds, notes)


def _odd(campaign: Campaign, traces: Sequence[Trace | None], logs: Sequence[LogCheck]) -> Iterator[str]:
    """Say what of the readings is to be looked at, as far as it shows without any reduction."""
    limits = campaign.settings.checks
    yield from (f"{log.name}: {note}" for log in logs for note in log.notes if note.startswith("clock set back"))
    used = [t for line, t in zip(campaign.runs, traces, strict=True) if t is not None and not line.exclude]
    for trace in used:
        share = 100.0 * np.isnan(trace.temperature_C).mean(axis=0)
        gone = [name for name, part in zip(trace.sensors, share, strict=True) if part > limits.missing_percent]
        zero = ", of them such of exactly zero, as a dead probe reads" if trace.dead else ""
        if gone:
            much = f"more than {limits.missing_percent:g} %"
            yield f"run {trace.run}: {much} of the readings of {', '.join(gone)} are missing{zero}"
        if not trace.finished:
            yield f"run {trace.run}: its log ends {trace.missing_end_s / 60.0:.1f} min before its end"
    off = [(t, 100.0 * ((_median_power(t) or 0.0) / t.set_power_W - 1.0)) for t in used]
    listed = ", ".join(f"{t.run} ({part:+.1f} %)" for t, part in off if abs(part) > limits.power_off_doubtful_percent)
    if listed:
        yield f"logged power is off the set power in {listed}"
    shared = copied_readings(used, limits) | soaks_overlap(used, limits)
    yield from (f"run {used[i].run}: {flag.reason}" for i, flag in sorted(shared.items()))
