"""A ``campaign.yaml`` and a run sheet to edit, proposed from a first look at a folder of logs.

Every guess is marked with ``GUESS`` in a comment, or in the note of a run. The
proposal is valid as it stands, with the names of treatments and mounts taken
from the files or made up; nothing is written unless asked for.
"""

from __future__ import annotations

import csv
import io
import json
import re
from collections import Counter
from dataclasses import dataclass, replace
from datetime import UTC, datetime, timedelta
from pathlib import Path, PurePosixPath
from typing import TYPE_CHECKING

import numpy as np

from thermlab.base.errors import InputError, Problem, show_name
from thermlab.base.files import copy_file
from thermlab.campaign.folder import SETTINGS_NAME, write_new
from thermlab.campaign.runsheet import NAME, REQUIRED
from thermlab.first_look.look import (
    IDLE_SHARE,
    FirstLook,
    LoadStep,
    LogLook,
    known,
    look,
    of_one_unit,
    power_of,
    set_powers,
)
from thermlab.logs.times import DAY_S, UNIT_S

if TYPE_CHECKING:
    from collections.abc import Iterator, Sequence

    from thermlab.first_look.guesses import ColumnLook
    from thermlab.logs.settings import LogSettings

_NUMBERED = re.compile(r"(?P<name>.*?[^\W\d_].*?)[-_ .]*(?P<number>\d+)", re.DOTALL)
_STEP_IN_NAME = re.compile(r"[-_ ]*\d+(\.\d+)?\s*W\b", re.IGNORECASE)
_LONG = 1.4


@dataclass(frozen=True, slots=True, kw_only=True)
class Proposal:
    """Two files to edit.

    Attributes
    ----------
    folder : Path
        The campaign folder they are meant for.
    campaign_yaml, runs_csv : str
        Their texts.
    """

    folder: Path
    campaign_yaml: str
    runs_csv: str

    def summary(self, found: FirstLook) -> str:
        """Return what was seen in the logs and every guess, for a terminal.

        Parameters
        ----------
        found : FirstLook
            What it was made of.
        """
        lines = [str(found)]
        for log in found.logs:
            seen = f"{len(log.loaded)} load steps" if log.kind == "sensor log" else log.kind
            lines.append(f"  {show_name(log.name)}: {'; '.join([seen, *map(show_name, log.doubts)])}")
        guesses = [line.strip() for line in self.campaign_yaml.splitlines() if "GUESS" in line]
        lines += [f"guessed in {SETTINGS_NAME}:", *(f"  {show_name(guess)}" for guess in guesses)]
        lines += [f"proposed {NAME}:", *(f"  {show_name(line)}" for line in self.runs_csv.splitlines())]
        return "\n".join(lines)

    def __str__(self) -> str:
        return f"# {SETTINGS_NAME}\n{self.campaign_yaml}\n# {NAME}\n{self.runs_csv}"


def propose(found: FirstLook) -> Proposal:
    """Propose a campaign for a folder of logs.

    Parameters
    ----------
    found : FirstLook
        What was seen.

    Returns
    -------
    Proposal

    Raises
    ------
    InputError
        Where no log could be read with time, temperature and power, or none has a load step.
    """
    logs = [log for log in found.sensor_logs if log.loaded]
    if not logs:
        doubts = [
            Problem(log.name, "; ".join(log.doubts), "a log that can be read") for log in found.logs if log.doubts
        ]
        where = found.folder.name or str(found.folder)
        raise InputError(
            [Problem(where, "no log with time, temperature, power and a load step", "one such log"), *doubts]
        )
    labels = _labels([log.name for log in logs])
    return Proposal(
        folder=found.folder,
        campaign_yaml="\n".join(settings_text(found, logs, labels)) + "\n",
        runs_csv=_sheet(logs, labels),
    )


def write_proposal(proposal: Proposal, *, write: bool = True) -> tuple[Path, ...]:
    """Write a proposal into its folder.

    Parameters
    ----------
    proposal : Proposal
        What to write.
    write : bool
        False writes nothing and returns no path.

    Returns
    -------
    tuple of Path
        The files written.

    Raises
    ------
    InputError
        Where one of them is there already; nothing is ever overwritten.
    """
    if not write:
        return ()
    return write_new(proposal.folder, {SETTINGS_NAME: proposal.campaign_yaml, NAME: proposal.runs_csv})


def start_from_logs(folder: str | Path, logs: str | Path) -> tuple[FirstLook, Proposal]:
    """Start a campaign from logs that are there: look at them, propose both files and write them.

    Parameters
    ----------
    folder : str or Path
        The campaign folder, new or existing; nothing in it is overwritten.
    logs : str or Path
        A folder of logs; from elsewhere they are copied into ``logs/`` of the campaign.

    Returns
    -------
    found : FirstLook
        What was seen.
    proposed : Proposal
        What was written, every guess marked.

    Raises
    ------
    InputError
        Where nothing could be proposed, or a file is there already; nothing was written.
    """
    root = Path(folder)
    found = look(logs)
    proposed = propose(found)
    if found.folder == root.resolve():
        write_proposal(proposed)
        return found, proposed
    places = {log.name: f"logs/{PurePosixPath(log.name).name}" for log in found.logs if log.kind != "other"}
    there = [place for place in places.values() if (root / place).exists()]
    if there or len({*places.values()}) < len(places):
        allowed = "logs whose names are new there, and differ"
        raise InputError([Problem(str(root / "logs"), ", ".join(there) or "two logs of one name", allowed)])
    moved = replace(
        found, folder=root, logs=tuple(replace(log, name=places[log.name]) for log in found.logs if log.name in places)
    )
    proposed = propose(moved)
    written = write_proposal(proposed)
    try:
        for name, place in places.items():
            copy_file(found.folder / name, root / place)
    except OSError as error:
        for path in (*written, *(root / place for place in places.values())):
            path.unlink(missing_ok=True)
        raise InputError(
            [Problem(str(root), f"a folder that cannot be written ({error})", "room for the logs")]
        ) from None
    return moved, proposed


def _labels(names: Sequence[str]) -> dict[str, tuple[str, str]]:
    """Return (treatment, mount) of each log: from names such as ``pad-b-2`` where there are several, else made up."""
    stems = {name: _STEP_IN_NAME.sub("", PurePosixPath(name).stem) for name in names}
    split = {name: _NUMBERED.fullmatch(stem.strip()) for name, stem in stems.items()}
    told = {name: (m.group("name"), str(int(m.group("number")))) for name, m in split.items() if m is not None}
    if len(told) == len(stems) and len({treatment for treatment, _ in told.values()}) > 1:
        return told
    return {name: ("treatment-1", str(place)) for place, name in enumerate(names, 1)}


def _sheet(logs: Sequence[LogLook], labels: dict[str, tuple[str, str]]) -> str:
    usual = float(np.median([step.minutes for log in logs for step in log.loaded]))
    rows: list[dict[str, str]] = []
    names: Counter[str] = Counter()
    levels = [step.power_W for log in logs for step in log.loaded]
    meant = dict(zip(levels, set_powers(levels), strict=True))
    for log in logs:
        loaded = _without_lead_in(log.loaded, log, usual)
        for step in loaded:
            treatment, mount = labels[log.name]
            power = meant[step.power_W]
            name = f"{treatment}-{mount}-{power:g}W"
            names[name] += 1
            whole = len(loaded) == 1 and _to_the_end(log, step)
            run = name if names[name] == 1 else f"{name}-{names[name]}"
            start = "" if whole else _moment(log, step.start_s, up=False)
            end = "" if whole else _moment(log, step.end_s, up=True)
            low = step.power_W <= IDLE_SHARE * max(levels)
            note = _note(step, usual) + ("; low beside the others (idle?)" if low else "")
            cells = (run, treatment, mount, f"{power:g}", log.name, start, end, "", note)
            rows.append(dict(zip(REQUIRED, cells, strict=True)))
    out = io.StringIO()
    writer = csv.DictWriter(out, REQUIRED, lineterminator="\n")
    writer.writeheader()
    writer.writerows(rows)
    return out.getvalue()


def _without_lead_in(loaded: list[LoadStep], log: LogLook, usual: float) -> list[LoadStep]:
    """Drop the end of an earlier step with which a log of one run may begin."""
    at_the_beginning = log.log is not None and loaded[0].start_s <= log.log.time_s[0] + 60.0
    return loaded[1:] if at_the_beginning and len(loaded) > 1 and loaded[0].minutes < 0.5 * usual else loaded


def _to_the_end(log: LogLook, step: LoadStep) -> bool:
    """Tell whether a log ends with its only load step: then the reader finds where the soak begins by itself."""
    return log.log is not None and bool(step.end_s >= log.log.time_s[-1] - 60.0)


def _note(step: LoadStep, usual: float) -> str:
    said = [f"GUESS: {step.power_W:.1f} W for {step.minutes:.1f} min"]
    if step.minutes > _LONG * usual:
        said.append(f"longer than the usual {usual:.0f} min (a pre-soak at its beginning?)")
    if step.minutes < usual / _LONG:
        said.append(f"shorter than the usual {usual:.0f} min")
    if abs(step.end_power_W / step.power_W - 1.0) > 0.02:
        said.append(f"power went to {step.end_power_W:.1f} W (shed at the limit?)")
    return "; ".join(said)


def _moment(log: LogLook, seconds: float, *, up: bool) -> str:
    """Write a time of the log so that the run sheet takes it: ISO 8601, or a number in the log's unit."""
    time, read = known(log.time), known(log.log)
    at = int(np.searchsorted(read.time_s, seconds - 1e-6))
    seconds = float(read.raw_time_s[min(at, read.raw_time_s.size - 1)])
    if time.format is None:
        scaled = seconds / UNIT_S[time.unit or "s"]
        # To nine digits, and never inside: the first and the last reading belong to the run.
        nudged = scaled + (5e-10 if up else -5e-10)
        return f"{max(nudged, 0.0) if scaled >= 0 else nudged:.9f}".rstrip("0").rstrip(".")
    whole = seconds % DAY_S if read.clock == "time of day" else seconds
    milli = np.ceil(whole * 1000.0 - 1e-3) if up else np.floor(whole * 1000.0 + 1e-3)
    moment = datetime(1970, 1, 1, tzinfo=UTC) + timedelta(milliseconds=float(milli))
    text = moment.strftime("%H:%M:%S" if read.clock == "time of day" else "%Y-%m-%d %H:%M:%S")
    if milli % 1000:
        text += f".{int(milli % 1000):03d}"
    return text + ("+00:00" if "%z" in time.format else "")


def _quoted(text: object) -> str:
    return json.dumps(text, ensure_ascii=False).replace("\x7f", "\\x7f")


def _columns(columns: Sequence[str]) -> str:
    return "[" + ", ".join(map(_quoted, columns)) + "]"


def _comment(text: str) -> str:
    return "".join(c if c.isprintable() else " " for c in text)


def settings_text(found: FirstLook, logs: Sequence[LogLook], labels: dict[str, tuple[str, str]]) -> Iterator[str]:
    """Yield the lines of a ``campaign.yaml`` for these logs."""
    treatments = list(dict.fromkeys(treatment for treatment, _ in labels.values()))
    whence = "made up" if treatments == ["treatment-1"] else "taken from the names of the files"
    minutes = [step.minutes for log in logs for step in log.loaded]
    usual = float(np.median(minutes))
    yield "# Proposed from a first look at the logs. Everything marked GUESS needs your eye; then: thermlab check"
    yield "title: New campaign             # what is compared, and for what"
    yield "bench: bench-1                  # name of the bench"
    cooling = "passive" if usual >= 10 else "forced"
    yield f"cooling: {cooling}                # GUESS from steps of {usual:.0f} min; passive | forced (fixed fans)"
    yield f"baseline: {_quoted(treatments[0])}  # GUESS: the one in use"
    yield f"treatments:                     # GUESS: names are {whence}; add what else you compare"
    for name in treatments:
        yield f'  {_quoted(name)}: {{description: ""}}'
    yield ""
    yield "decision:"
    yield "  margin_K: 1.0                 # the smallest difference that matters: set it before you look at the answer"
    yield "# limits: {temperature_C: 95, room_C: 35}   # where the device throttles, and the customer's room"
    yield ""
    yield "soak:"
    yield f"  minutes: {max(0.1, round(usual, 1)):g}  # GUESS: half of the load steps are longer, half shorter"
    yield ""
    yield "measurand: hottest              # hottest sensor | mean of the sensors"
    yield ""
    settings = known(logs[0].settings)
    yield from _yaml_log(logs[0], settings)
    yield ""
    yield from _yaml_room(found, logs)
    yield from _yaml_uncertainty(logs, constant_room=settings.ambient is None and found.room_log is None)
    for odd in found.odd_logs:
        yield f"# Not in the run sheet, because it is written in another way or cannot be read: {_comment(odd.name)}"


def _yaml_log(log: LogLook, settings: LogSettings) -> Iterator[str]:
    text, time = known(log.text), known(log.time)
    yield "log:                            # GUESS, but every log in the run sheet was read so"
    yield f"  delimiter: {_quoted(settings.delimiter)}"
    yield f"  decimal: {_quoted(settings.decimal)}"
    seen = "  # its byte order mark says so" if "encoding" in text.sure else "  # GUESS from its bytes"
    yield f"  encoding: {settings.encoding}{seen}"
    if settings.missing:
        yield "  # GUESS: these texts among the numbers stand for a missing value; anything else is an error"
    yield f"  missing: {_columns(settings.missing)}"
    yield f"  # GUESS: {time.words()}" + (
        f"; it could also be {' or '.join(time.others)}: are day and month right?" if time.others else ""
    )
    how = f"format: {_quoted(time.format)}" if time.format else f"unit: {time.unit}"
    yield f"  time: {{columns: {_columns(time.columns)}, {how}}}"
    yield from _yaml_columns("temperature", log, settings.temperature.columns, settings.temperature.unit)
    power = power_of(log)
    others = [column.name for column in log.named("power", "set power") if column.name != power.name]
    yield f"  # GUESS from {power.why}" + (f"; also there: {_comment(', '.join(others))}" if others else "")
    yield f"  power: {{columns: {_columns([power.name])}, unit: {settings.power.unit}}}"
    if settings.clock is not None:
        yield from _yaml_columns("clock", log, settings.clock.columns, settings.clock.unit)
    if settings.ambient is not None:
        yield from _yaml_columns("ambient", log, settings.ambient.columns, settings.ambient.unit)
    rest = [column.name for column in log.named("number", "constant", "text", "empty")]
    if rest:
        yield f"  # not read: {_comment(', '.join(rest))}"


def _yaml_columns(key: str, log: LogLook, columns: Sequence[str], unit: str) -> Iterator[str]:
    whys = Counter(column.why for column in log.columns if column.name in columns)
    yield f"  # GUESS from {' and '.join(whys)}"
    yield f"  {key}: {{columns: {_columns(columns)}, unit: {unit}}}"


def _yaml_room(found: FirstLook, logs: Sequence[LogLook]) -> Iterator[str]:
    if logs[0].settings is not None and logs[0].settings.ambient is not None:
        return
    room = found.room_log
    if room is None or room.text is None or room.time is None or not _same_clock(logs[0], room):
        yield "# GUESS: no column and no file for the room was found. Put in what a thermometer showed, and how sure."
        yield "ambient_constant: {value_C: 22.0, u_K: 3.0}"
        yield ""
        return
    hot = room.named("room") or room.named("temperature")
    columns = [column.name for column in of_one_unit(hot)]
    how = f"format: {_quoted(room.time.format)}" if room.time.format else f"unit: {room.time.unit}"
    missing = sorted({token for column in hot for token in column.missing})
    yield "ambient_log:                    # GUESS: this file holds the room"
    yield f"  file: {_quoted(room.name)}"
    yield f"  delimiter: {_quoted(room.text.delimiter)}"
    yield f"  decimal: {_quoted(room.text.decimal)}"
    yield f"  encoding: {room.text.encoding}"
    yield f"  missing: {_columns(missing)}"
    yield f"  time: {{columns: {_columns(room.time.columns)}, {how}}}"
    yield f"  columns: {_columns(columns)}"
    yield f"  unit: {hot[0].unit}"
    yield "  clock_offset_s: 0             # GUESS: its clock is that of the logs; this is added to its times"
    yield ""


def _same_clock(log: LogLook, room: LogLook) -> bool:
    def kind(look: LogLook) -> str:
        if look.time is None or look.time.format is None:
            return "elapsed"
        return "calendar" if "%d" in look.time.format else "time of day"

    return kind(log) == kind(room)


def _yaml_uncertainty(logs: Sequence[LogLook], *, constant_room: bool) -> Iterator[str]:
    resolution = _resolution_K([column for log in logs for column in log.named("temperature")])
    yield "uncertainty:                    # standard uncertainties of the instruments: see their data sheets"
    yield f"  temperature_resolution_K: {resolution:g}   # GUESS: the smallest step between readings"
    yield "  temperature_u_K: 0.5"
    if not constant_room:
        yield "  ambient_u_K: 0.3"
    yield "  power_u_percent: 1.0"


def _resolution_K(columns: Sequence[ColumnLook]) -> float:
    steps = []
    for column in columns:
        values = np.unique(column.values[~np.isnan(column.values)])
        if values.size > 1:
            steps.append(float(np.diff(values).min()) / (1.8 if column.unit == "degF" else 1.0))
    return float(f"{min(max(min(steps, default=1.0), 1e-3), 10.0):.2g}")
