"""A ``campaign.yaml`` and a run sheet to edit, proposed from a first look at a folder of logs.

Every guess is marked with ``GUESS`` in a comment, or in the note of a run. The
proposal is valid as it stands, with the names of treatments and mounts taken
from the files or made up; nothing is written unless asked for.
"""

import csv
import io
import json
import re
from collections import Counter
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace
from datetime import UTC, datetime, timedelta
from pathlib import Path, PurePosixPath
from typing import Any

import numpy as np

from thermlab.base.errors import InputError, Problem, show_name
from thermlab.campaign.folder import SETTINGS_NAME, write_new
from thermlab.campaign.runsheet import NAME, REQUIRED
from thermlab.first_look.look import IDLE_SHARE, FirstLook, LoadStep, LogLook, declared_columns, known, look, set_powers
from thermlab.logs.times import DAY_S, UNIT_S

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

    def files(self) -> dict[str, str]:
        """Return both texts by the name of their file."""
        return {SETTINGS_NAME: self.campaign_yaml, NAME: self.runs_csv}

    def summary(self, found: FirstLook) -> str:
        """Return what was seen in the logs and every guess, for a terminal.

        Parameters
        ----------
        found : FirstLook
            What it was made of.
        """
        lines = [str(found)]
        for log in found.logs:
            idle = [f"idle at {step.power_W:.3g} W for {step.minutes:.0f} min" for step in log.steps if step.idle]
            seen = ", ".join([f"{len(log.loaded)} load steps", *idle]) if log.kind == "sensor log" else log.kind
            lines.append(f"  {show_name(log.name)}: {'; '.join([seen, *map(show_name, log.doubts)])}")
        guesses = [line.strip() for line in self.campaign_yaml.splitlines() if "GUESS" in line]
        lines += [f"guessed in {SETTINGS_NAME}:", *(f"  {show_name(guess)}" for guess in guesses)]
        lines += [f"proposed {NAME}:", *(f"  {show_name(line)}" for line in self.runs_csv.splitlines())]
        return "\n".join(lines)


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
        nothing = "no log with time, temperature, power and a load step"
        allowed = "a log that can be read"
        doubts = [Problem(log.name, "; ".join(log.doubts), allowed) for log in found.logs if log.doubts]
        raise InputError([Problem(found.folder.name or str(found.folder), nothing, "one such log"), *doubts])
    labels = _labels([log.name for log in logs])
    room = found.room_log
    if room is not None and known(room.time).clock != known(logs[0].time).clock:
        room = None  # the two could not be matched
    lines = [*_yaml_settings(logs, labels), *_yaml_room(room, logs[0]), *_yaml_uncertainty(room, logs)]
    odd = "# Not in the run sheet, because it is written in another way or cannot be read"
    lines += [f"{odd}: {_comment(log.name)}" for log in found.odd_logs]
    return Proposal(folder=found.folder, campaign_yaml="\n".join([*lines, ""]), runs_csv=_sheet(logs, labels))


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
    return write_new(proposal.folder, proposal.files()) if write else ()


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
    root, found = Path(folder), look(logs)
    copies: dict[str, Path] = {}
    if found.folder != root.resolve():
        kept = [log for log in found.logs if log.kind != "other"]
        moved = [replace(log, name=f"logs/{PurePosixPath(log.name).name}") for log in kept]
        copies = {there.name: found.folder / here.name for there, here in zip(moved, kept, strict=True)}
        if len(copies) < len(kept):
            raise InputError([Problem(str(root / "logs"), "two logs of one name", "logs whose names differ")])
        found = replace(found, folder=root, logs=tuple(moved))
    proposed = propose(found)
    write_new(root, proposed.files(), copies=copies)
    return found, proposed


def _labels(names: Sequence[str]) -> dict[str, tuple[str, str]]:
    """Return (treatment, mount) of each log: from names such as ``pad-b-2`` where there are several, else made up."""
    stems = {name: _STEP_IN_NAME.sub("", PurePosixPath(name).stem) for name in names}
    split = {name: _NUMBERED.fullmatch(stem.strip()) for name, stem in stems.items()}
    told = {name: (m.group("name"), str(int(m.group("number")))) for name, m in split.items() if m is not None}
    if len(told) == len(stems) and len({treatment for treatment, _ in told.values()}) > 1:
        return told
    return {name: ("treatment-1", str(place)) for place, name in enumerate(names, 1)}


def _sheet(logs: Sequence[LogLook], labels: dict[str, tuple[str, str]]) -> str:
    every = [step for log in logs for step in log.loaded]
    usual, levels = _usual_min(logs), [step.power_W for step in every]
    meant = dict(zip(levels, set_powers(levels), strict=True))
    names: Counter[str] = Counter()
    out = io.StringIO()
    writer = csv.writer(out, lineterminator="\n")
    writer.writerow(REQUIRED)
    for log in logs:
        loaded = log.loaded
        if loaded[0].start_s <= known(log.log).time_s[0] + 60.0 and len(loaded) > 1 and loaded[0].minutes < 0.5 * usual:
            loaded = loaded[1:]  # a log of one run may begin with the end of an earlier step
        # Where a log ends with its only load step, the reader finds where the soak begins by itself.
        whole = len(loaded) == 1 and loaded[0].end_s >= known(log.log).time_s[-1] - 60.0
        treatment, mount = labels[log.name]
        for step in loaded:
            name = f"{treatment}-{mount}-{meant[step.power_W]:g}W"
            names[name] += 1
            run = name if names[name] == 1 else f"{name}-{names[name]}"
            ends = ((step.start_s, False), (step.end_s, True))
            start, end = ("" if whole else _moment(log, at_s, up=up) for at_s, up in ends)
            note = _note(step, usual, low=step.power_W <= IDLE_SHARE * max(levels))
            writer.writerow([run, treatment, mount, f"{meant[step.power_W]:g}", log.name, start, end, "", note])
    return out.getvalue()


def _usual_min(logs: Sequence[LogLook]) -> float:
    return float(np.median([step.minutes for log in logs for step in log.loaded]))


def _note(step: LoadStep, usual: float, *, low: bool) -> str:
    said = [f"GUESS: {step.power_W:.1f} W for {step.minutes:.1f} min"]
    if step.minutes > _LONG * usual:
        said.append(f"longer than the usual {usual:.0f} min (a pre-soak at its beginning?)")
    if step.minutes < usual / _LONG:
        said.append(f"shorter than the usual {usual:.0f} min")
    if abs(step.end_power_W / step.power_W - 1.0) > 0.02:
        said.append(f"power went to {step.end_power_W:.1f} W (shed at the limit?)")
    if low:
        said.append("low beside the others (idle?)")
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
    clock, form = (seconds % DAY_S, "%H:%M:%S.%f") if read.clock == "time of day" else (seconds, "%Y-%m-%d %H:%M:%S.%f")
    milli = np.ceil(clock * 1000.0 - 1e-3) if up else np.floor(clock * 1000.0 + 1e-3)
    moment = datetime(1970, 1, 1, tzinfo=UTC) + timedelta(milliseconds=float(milli))
    text = moment.strftime(form)[:-3].removesuffix(".000")
    return text + ("+00:00" if "%z" in time.format else "")


def _flow(value: object) -> str:
    """Write a value of ``campaign.yaml`` on one line; keys and units stand bare, all other text in quotes."""
    text = json.dumps(value, ensure_ascii=False).replace("\x7f", "\\x7f")
    return re.sub(r'"(columns|format)": ', r"\1: ", re.sub(r'"unit": "(\w+)"', r"unit: \1", text))


def _comment(text: str) -> str:
    return "".join(c if c.isprintable() else " " for c in text)


def _yaml_settings(logs: Sequence[LogLook], labels: dict[str, tuple[str, str]]) -> Iterator[str]:
    treatments = list(dict.fromkeys(treatment for treatment, _ in labels.values()))
    whence = "made up" if treatments == ["treatment-1"] else "taken from the names of the files"
    usual = _usual_min(logs)
    cooling = "passive" if usual >= 10 else "forced"
    yield f"""\
# Proposed from a first look at the logs. Everything marked GUESS needs your eye; then: thermlab check
title: New campaign             # what is compared, and for what
bench: bench-1                  # name of the bench
cooling: {cooling}                # GUESS from steps of {usual:.0f} min; passive | forced (fixed fans)
baseline: {_flow(treatments[0])}  # GUESS: the one in use
treatments:                     # GUESS: names are {whence}; add what else you compare"""
    for name in treatments:
        yield f'  {_flow(name)}: {{description: ""}}'
    yield f"""
decision:
  margin_K: 1.0                 # the smallest difference that matters: set it before you look at the answer
# limits: {{temperature_C: 95, room_C: 35}}   # where the device throttles, and the customer's room

soak:
  minutes: {max(0.1, round(usual, 1)):g}  # GUESS: half of the load steps are longer, half shorter

measurand: hottest              # hottest sensor | mean of the sensors

log:                            # GUESS, but every log in the run sheet was read so"""
    yield from _yaml_log(logs[0], known(logs[0].settings).model_dump(exclude_none=True))
    yield ""


def _yaml_log(log: LogLook, settings: dict[str, Any]) -> Iterator[str]:
    text, time, power = known(log.text), known(log.time), log.power
    also = [column.name for column in log.named("power", "set power") if column.name != power.name]
    others = f"; it could also be {' or '.join(time.others)}: are day and month right?" if time.others else ""
    above = {"time": f"GUESS: {time.words()}{others}"}
    if settings["missing"]:
        above["missing"] = "GUESS: these texts among the numbers stand for a missing value; anything else is an error"
    for key in ("temperature", "clock", "ambient"):
        columns = settings.get(key, {"columns": ()})["columns"]
        whys = dict.fromkeys(column.why for column in log.columns if column.name in columns)
        above[key] = f"GUESS from {' and '.join(whys)}"
    above["power"] = f"GUESS from {power.why}" + (f"; also there: {_comment(', '.join(also))}" if also else "")
    if text.apart:
        apart = _comment(", ".join(text.apart))
        yield f"  # GUESS which of one name is which, told apart by their order in the file: {apart}"
    yield from _yaml_lines(settings, above, {"encoding": "  # GUESS from its bytes"})
    if rest := [column.name for column in log.named("number", "constant", "text", "empty")]:
        yield f"  # not read: {_comment(', '.join(rest))}"


def _yaml_lines(settings: dict[str, Any], above: dict[str, str], behind: dict[str, str]) -> Iterator[str]:
    for key, value in settings.items():
        if key in above:
            yield f"  # {above[key]}"
        yield f"  {key}: {value if key in ('encoding', 'unit') else _flow(value)}{behind.get(key, '')}"


def _yaml_room(room: LogLook | None, log: LogLook) -> Iterator[str]:
    if known(log.settings).ambient is not None:
        return
    if room is None:
        yield "# GUESS: no column and no file for the room was found. Put in what a thermometer showed, and how sure."
        yield "ambient_constant: {value_C: 22.0, u_K: 3.0}\n"
        return
    yield "ambient_log:                    # GUESS: this file holds the room"
    columns = room.named("room") or room.named("temperature")
    missing = sorted({token for column in columns for token in column.missing})
    how = {"file": room.name, **room.how_written(missing), **declared_columns(columns), "clock_offset_s": 0}
    offset = "             # GUESS: its clock is that of the logs; this is added to its times"
    yield from _yaml_lines(how, {}, {"clock_offset_s": offset})
    yield ""


def _yaml_uncertainty(room: LogLook | None, logs: Sequence[LogLook]) -> Iterator[str]:
    steps = [
        np.diff(np.unique(column.values)) / (1.8 if column.unit == "degF" else 1.0)
        for log in logs
        for column in log.named("temperature")
    ]
    smallest = float(np.fmin.reduce(np.concatenate(steps), initial=np.inf))
    resolution = float(f"{min(max(smallest, 1e-3), 10.0):.2g}") if np.isfinite(smallest) else 1.0
    yield "uncertainty:                    # standard uncertainties of the instruments: see their data sheets"
    yield f"  temperature_resolution_K: {resolution:g}   # GUESS: the smallest step between readings"
    yield "  temperature_u_K: 0.5"
    if known(logs[0].settings).ambient is not None or room is not None:
        yield "  ambient_u_K: 0.3"
    yield "  power_u_percent: 1.0"
