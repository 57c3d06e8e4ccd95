"""The text of a proposed ``campaign.yaml``, every guess marked."""

from __future__ import annotations

import json
from collections import Counter
from typing import TYPE_CHECKING

import numpy as np

from thermlab.first_look.look import FirstLook, LogLook, known, power_of

if TYPE_CHECKING:
    from collections.abc import Iterator, Sequence

    from thermlab.first_look.columns import ColumnLook
    from thermlab.logs.settings import LogSettings


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
    minutes = [step.minutes for log in logs for step in log.steps if not step.idle]
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
    columns = [column.name for column in hot if column.unit == hot[0].unit]
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
