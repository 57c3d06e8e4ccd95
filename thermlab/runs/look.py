"""Look at a campaign and its logs without computing anything: what is there, or every problem at once."""

from __future__ import annotations

import re
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from typing import TYPE_CHECKING

import numpy as np
from pydantic import ValidationError

from thermlab.base.errors import InputError, Problem
from thermlab.base.files import PathRefusedError, inside
from thermlab.campaign.folder import Campaign, campaign_folder, read_folder
from thermlab.logs.log import Log, RoomLog, read_log, read_room_log
from thermlab.logs.settings import AmbientLogSettings, LogSettings
from thermlab.runs.checks.between import copied_readings, soaks_overlap
from thermlab.runs.reading import read_campaign_logs, read_twice

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator, Mapping, Sequence
    from pathlib import Path
    from typing import Any

    from thermlab.runs.trace import Trace

MAX_PROBLEMS = 200
_ROOM_COVERED = 0.9  # a reading less at an end is no matter


@dataclass(frozen=True, slots=True, kw_only=True)
class LogCheck:
    """What a log holds.

    Attributes
    ----------
    name : str
        Path relative to the campaign folder.
    columns : tuple of str
        The columns that were read.
    n_rows : int
        Rows of readings.
    interval_s : float
        Median time between rows, s.
    begins : str
        Its first time, as a date and time, a time of day, or seconds.
    span_min : float
        Time from its first to its last row, min.
    notes : tuple of str
        What was passed over, missing readings, and where the clock was set back.
    """

    name: str
    columns: tuple[str, ...]
    n_rows: int
    interval_s: float
    begins: str
    span_min: float
    notes: tuple[str, ...]

    def summary(self) -> str:
        """Return one paragraph for a person."""
        head = (
            f"{self.name}: {self.n_rows} rows every {self.interval_s:.4g} s from {self.begins}, "
            f"{self.span_min:.1f} min; columns {', '.join(self.columns)}"
        )
        return "\n".join([head, *(f"    {note}" for note in self.notes)])


@dataclass(frozen=True, slots=True, kw_only=True)
class RunCheck:
    """What of a log belongs to a run.

    Attributes
    ----------
    run, treatment, mount, log : str
        As in the run sheet.
    set_power_W : float
        The power step, W.
    n_readings : int or None
        Rows of its soak; None for an excluded run without a log.
    soak_min : float or None
        Length of its soak, min.
    power_W : float or None
        Median of the logged power, W.
    exclude : str
        Why it is left out; blank where it is used.
    """

    run: str
    treatment: str
    mount: str
    log: str
    set_power_W: float
    n_readings: int | None
    soak_min: float | None
    power_W: float | None
    exclude: str

    def summary(self) -> str:
        """Return one line for a person."""
        log = self.log or "a reading without a log"
        parts = [f"run {self.run}: {self.treatment}, mount {self.mount}, {self.set_power_W:g} W, {log}"]
        if self.soak_min is not None:
            parts.append(f"{self.n_readings} readings in {self.soak_min:.1f} min of soak")
        if self.power_W is not None:
            parts.append(f"logged {self.power_W:.1f} W")
        if self.exclude:
            parts.append(f"excluded: {self.exclude}")
        return ", ".join(parts)


@dataclass(frozen=True, slots=True, kw_only=True)
class CheckReport:
    """What a campaign holds.

    Attributes
    ----------
    title : str
        Title of the campaign.
    logs : tuple of LogCheck
        Every log, the room's own last.
    runs : tuple of RunCheck
        Every line of the run sheet.
    cautions : tuple of str
        What is odd but allowed.
    to_look_at : tuple of str
        Every caution, and what the readings show without anything being computed.
    """

    title: str
    logs: tuple[LogCheck, ...]
    runs: tuple[RunCheck, ...]
    cautions: tuple[str, ...]
    to_look_at: tuple[str, ...]

    def summary(self) -> str:
        """Return the whole check as text, cautions first, what there is to look at last."""
        lines = [self.title]
        lines += [f"caution: {caution}" for caution in self.cautions]
        lines += [log.summary() for log in self.logs]
        lines += [run.summary() for run in self.runs]
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
    data = tree.data if tree is not None and isinstance(tree.data, dict) else {}
    names = list(dict.fromkeys(run.log for run in sheet.runs if run.log))
    if settings is None or problems:
        raise InputError([*problems, *_log_problems(root, names, data)][:MAX_PROBLEMS])
    campaign = Campaign(root.resolve(), settings, sheet.runs, sha256, sheet.cautions)
    logs: list[LogCheck] = []
    room = () if settings.ambient_log is None else settings.ambient_log.columns
    readings = read_campaign_logs(campaign, seen=lambda log: logs.append(_log_check(log, room)))
    if settings.ambient_log is not None:  # the room's own is read first and shown last
        logs = logs[1:] + logs[:1]
    runs = tuple(
        RunCheck(
            run=line.run,
            treatment=line.treatment,
            mount=line.mount,
            log=line.log,
            set_power_W=line.set_power_W,
            exclude=line.exclude,
            n_readings=None if trace is None else len(trace.time_s),
            soak_min=None if trace is None else trace.soak_s / 60,
            power_W=_median_power(trace),
        )
        for line, trace in zip(campaign.runs, readings.traces, strict=True)
    )
    copies = read_twice(campaign, readings.traces, readings.sha256)
    cautions = (*campaign.cautions, *_unfilled(data), *copies, *_room_cautions(campaign, readings.traces))
    odd = tuple(_odd(campaign, readings.traces, logs))
    return CheckReport(
        title=settings.title, logs=tuple(logs), runs=runs, cautions=cautions, to_look_at=(*cautions, *odd)
    )


def _unfilled(data: Mapping[str, Any]) -> list[str]:
    """Name the texts of campaign.yaml that still are the scaffold's own."""

    def keys(value: object, key: str) -> Iterator[str]:
        if isinstance(value, str) and re.fullmatch(r"<[^<>]*>", value.strip()):
            yield key
        elif isinstance(value, dict):
            for name, part in value.items():
                yield from keys(part, f"{key}.{name}" if key else str(name))

    found = list(keys(data, ""))
    return (
        [f"campaign.yaml still has <...> in {', '.join(found)}: fill it in, it stands in the report."] if found else []
    )


def _room_cautions(campaign: Campaign, traces: Sequence[Trace | None]) -> list[str]:
    """Say which runs the room's readings do not cover: most often its clock is off, and the report would lose them."""
    bare = [
        f"{line.run} ({trace.room_covered:.0%})"
        for line, trace in zip(campaign.runs, traces, strict=True)
        if trace is not None and not line.exclude and trace.room_covered < _ROOM_COVERED
    ]
    if not bare:
        return []
    own_file = campaign.settings.ambient_log is not None
    why = " Is ambient_log.clock_offset_s right?" if own_file else ""
    return [f"the room is not known for the whole soak of {', '.join(bare)}.{why}"]


def _median_power(trace: Trace | None) -> float | None:
    if trace is None or np.isnan(trace.power_W).all():
        return None
    return float(np.nanmedian(trace.power_W))


def _log_problems(folder: Path, names: list[str], data: Mapping[str, Any]) -> list[Problem]:
    """Read every log there is, as far as a faulty ``campaign.yaml`` says how, and return what is wrong with them."""
    log, room = _valid(LogSettings, data.get("log")), _valid(AmbientLogSettings, data.get("ambient_log"))
    to_read: list[tuple[str, Callable[[Path, str], object]]] = []
    if log is not None:
        to_read += [(name, lambda path, name: read_log(path, log, name=name)) for name in names]
    if room is not None:
        to_read.append((room.file, lambda path, name: read_room_log(path, room, name=name)))
    problems: list[Problem] = []
    for name, read in to_read:
        try:
            read(inside(folder, name), name)
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


def _log_check(log: Log | RoomLog, room_columns: tuple[str, ...]) -> LogCheck:
    first, notes, columns = float(log.time_s[0]), list(log.notes), room_columns
    if isinstance(log, Log):
        columns = tuple(log.n_missing)
        notes += [f"{column}: {n} of {len(log.time_s)} readings missing" for column, n in log.n_missing.items() if n]
        notes += [f"clock set back by {-jump.seconds:g} s at line {jump.line}" for jump in log.jumps]
    if log.clock == "elapsed":
        begins = f"{first:g} s"
    else:
        moment = datetime(1970, 1, 1, tzinfo=UTC) + timedelta(seconds=first)
        begins = moment.strftime("%Y-%m-%d %H:%M:%S" if log.clock == "calendar" else "%H:%M:%S")
    return LogCheck(
        name=log.name,
        columns=columns,
        n_rows=len(log.time_s),
        interval_s=float(np.median(np.diff(log.time_s))),
        begins=begins,
        span_min=float(log.time_s[-1] - log.time_s[0]) / 60,
        notes=tuple(notes),
    )


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
