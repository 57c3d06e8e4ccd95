"""Write a simulated campaign as a campaign folder, its logs in any of many dialects."""

import csv
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta, timezone
from pathlib import Path
from typing import Any, Literal

import numpy as np
import yaml

from thermlab.simulate.ladders import SimulatedCampaign, SimulatedMount
from thermlab.simulate.network import KELVIN_AT_0_C, Floats

# Factor, zero and decimals of a unit: two more than in degC, so that a change of unit does not change a number.
_TEMPERATURES = {"degC": (1.0, 0.0, 1), "degF": (1.8, 32.0, 3), "K": (1.0, KELVIN_AT_0_C, 3)}
_SECONDS = {"s": 1.0, "ms": 0.001, "min": 60.0}


_Columns = dict[str, list[str]]


@dataclass(frozen=True, slots=True, kw_only=True)
class LogDialect:
    """How logs are written.

    Attributes
    ----------
    delimiter, decimal, encoding : str
        As in ``campaign.yaml``.
    time : str
        The format of clock times, or the unit of elapsed time: s, ms or min.
    time_columns : tuple of str
        One column, or two where the format has a space.
    temperature_unit : {"degC", "degF", "K"}
    degree_sign : bool
        Write units with a degree sign, which must then survive the encoding.
    power_unit : {"W", "mW"}
    room : {"log", "own file", "constant"}
        Where the room temperature is.
    room_interval_s, room_clock_ahead_s : float
        Interval of a room file of its own, and how far its clock is ahead of the log's.
    files : {"mount", "run", "one"}
        One log for each mount, for each run, or one for all, cut by start and end.
    lead_in_min : float
        With one log per run: how much of the time before the soak it holds.
    """

    delimiter: str = ","
    decimal: str = "."
    encoding: str = "utf-8"
    time: str = "%Y-%m-%d %H:%M:%S"
    time_columns: tuple[str, ...] = ("time",)
    temperature_unit: Literal["degC", "degF", "K"] = "degC"
    degree_sign: bool = False
    power_unit: Literal["W", "mW"] = "W"
    room: Literal["log", "own file", "constant"] = "log"
    room_interval_s: float = 60.0
    room_clock_ahead_s: float = 0.0
    files: Literal["mount", "run", "one"] = "mount"
    lead_in_min: float = 5.0

    @property
    def unit_text(self) -> str:
        """The temperature unit as it stands in a header."""
        return self.temperature_unit.replace("deg", "\N{DEGREE SIGN}") if self.degree_sign else self.temperature_unit

    @property
    def elapsed(self) -> bool:
        """Whether times are elapsed ones."""
        return self.time in _SECONDS

    def time_settings(self) -> dict[str, Any]:
        """Return the ``time`` settings that match."""
        return {"columns": list(self.time_columns), "unit" if self.elapsed else "format": self.time}

    def time_text(self, time_s: Floats, origin: datetime) -> list[str]:
        """Write times of a log that begins at `origin`, as one text each."""
        if self.elapsed:
            digits = {"s": 3, "ms": 0, "min": 6}[self.time]
            return [f"{value:.{digits}f}" for value in (time_s / _SECONDS[self.time]).tolist()]
        form = self.time.replace("%S", "%S.%f") if np.any(time_s % 1.0) else self.time
        zoned = origin.replace(tzinfo=timezone(timedelta(hours=2))) if "%z" in self.time else origin
        return [(zoned + timedelta(seconds=value)).strftime(form) for value in time_s.tolist()]

    def cuts(self, log: str, mount: SimulatedMount, zero: datetime) -> list[tuple[str, str, str]]:
        """Return log, start and end of each run of a mount."""
        shift_s = (mount.start - zero).total_seconds()
        cuts = mount.ladder.log_starts_s, mount.ladder.log_ends_s
        starts, ends = (self.time_text(np.array(times) + shift_s, zero) for times in cuts)
        return [(log, start, end) for start, end in zip(starts, ends, strict=True)]

    def columns(self, mount: SimulatedMount, zero: datetime, rows: slice = slice(None)) -> _Columns:
        """Return the cells of a log by the name of their column."""
        unit, power_unit, ladder = self.unit_text, self.power_unit, mount.ladder
        columns = self._times(ladder.time_s[rows] + (mount.start - zero).total_seconds(), zero)
        for i, core in enumerate(ladder.temperature_C[rows].T, start=1):
            columns[f"core {i} [{unit}]"] = self._temperatures(core)
        scale, digits = {"W": (1.0, 2), "mW": (1000.0, 0)}[power_unit]
        columns[f"power [{power_unit}]"] = self._numbers(ladder.power_W[rows] * scale, digits)
        columns["clock [MHz]"] = self._numbers(ladder.clock_MHz[rows], 0)
        if self.room == "log":
            columns[f"room [{unit}]"] = self._temperatures(ladder.ambient_C[rows])
        return columns

    def room_columns(self, mount: SimulatedMount, zero: datetime) -> _Columns:
        """Return the cells of the room's file during one mount by the name of their column."""
        time_s = mount.ladder.probe_time_s
        rows = slice(None, None, max(1, round(self.room_interval_s / (time_s[1] - time_s[0]))))
        shift_s = (mount.start - zero).total_seconds() + self.room_clock_ahead_s
        room = self._temperatures(mount.ladder.probe_C[rows])
        return self._times(time_s[rows] + shift_s, zero) | {f"room [{self.unit_text}]": room}

    def _times(self, time_s: Floats, zero: datetime) -> _Columns:
        names, texts = self.time_columns, self.time_text(time_s, zero)
        if self.elapsed:
            texts = [text.replace(".", self.decimal) for text in texts]
        parts = zip(*(text.split(" ") for text in texts), strict=True) if len(names) > 1 else [texts]
        return dict(zip(names, map(list, parts), strict=True))

    def _numbers(self, values: Floats, digits: int) -> list[str]:
        return [f"{value:.{digits}f}".replace(".", self.decimal) for value in values.tolist()]

    def _temperatures(self, values_C: Floats) -> list[str]:
        factor, zero, digits = _TEMPERATURES[self.temperature_unit]
        return self._numbers(factor * values_C + zero, digits)


DIALECTS: Mapping[str, LogDialect] = {
    "plain": LogDialect(),
    "semicolon and comma": LogDialect(delimiter=";", decimal=",", time="%d.%m.%Y %H:%M:%S"),
    "tab, utf-16": LogDialect(delimiter="\t", encoding="utf-16", degree_sign=True),
    "cp1252 with degree signs": LogDialect(encoding="cp1252", degree_sign=True, delimiter=";", decimal=","),
    "byte order mark": LogDialect(encoding="utf-8-sig"),
    "twelve hours": LogDialect(time="%m/%d/%Y %I:%M:%S %p"),
    "date and time apart": LogDialect(time="%d/%m/%Y %H:%M:%S", time_columns=("date", "time"), delimiter=";"),
    "time of day": LogDialect(time="%H:%M:%S"),
    "offset from utc": LogDialect(time="%Y-%m-%dT%H:%M:%S%z"),
    "elapsed seconds": LogDialect(time="s", room="constant"),
    "elapsed minutes, fahrenheit": LogDialect(time="min", temperature_unit="degF"),
    "elapsed milliseconds, kelvin": LogDialect(time="ms", temperature_unit="K", power_unit="mW"),
    "one log for all": LogDialect(files="one"),
    "one log per run": LogDialect(files="run"),
    "room file": LogDialect(room="own file", room_clock_ahead_s=95.0, room_interval_s=30.0),
}
"""Ready-made dialects by name; the same runs written in any of them must give the same numbers."""


def run_name(mount: SimulatedMount, power_W: float) -> str:
    """Return the name of a run on the run sheet."""
    return f"{mount.treatment}-{mount.mount}-{power_W:g}W"


def write_campaign(
    folder: Path,
    campaign: SimulatedCampaign,
    *,
    dialect: LogDialect | None = None,
    settings: Mapping[str, Any] | None = None,
    sheet: Mapping[str, Mapping[str, str]] | None = None,
) -> Path:
    """Write ``campaign.yaml``, ``runs.csv`` and the logs.

    Parameters
    ----------
    folder : Path
        Created if need be; files of the same names are replaced.
    campaign : SimulatedCampaign
    dialect : LogDialect or None
    settings : mapping
        Top-level keys of ``campaign.yaml`` to set or replace; a value of None removes a key.
    sheet : mapping
        By run name, cells of the run sheet to replace, such as ``{"grease-a-2-80W": {"exclude": "fan left on"}}``.

    Returns
    -------
    Path
        The folder.
    """
    dialect = dialect or LogDialect()
    lines = []
    for mount, cuts in zip(campaign.mounts, write_logs(folder, campaign, dialect=dialect), strict=True):
        for power, (log, start, end) in zip(campaign.steps_W, cuts, strict=True):
            line = {
                "run": run_name(mount, power), "treatment": mount.treatment, "mount": str(mount.mount),
                "set_power_W": f"{power:g}", "log": log, "start": start, "end": end, "exclude": "", "note": "",
            }  # fmt: skip
            lines.append(line | dict((sheet or {}).get(line["run"], {})))
    with (folder / "runs.csv").open("w", encoding="utf-8", newline="") as file:
        table = csv.DictWriter(file, list(lines[0]), lineterminator="\n")
        table.writeheader()
        table.writerows(lines)
    document = _campaign_settings(campaign, dialect) | dict(settings or {})
    document = {key: value for key, value in document.items() if value is not None}
    text = yaml.safe_dump(document, sort_keys=False, allow_unicode=True, width=120)
    (folder / "campaign.yaml").write_text(text, encoding="utf-8")
    return folder


def write_logs(
    folder: Path, campaign: SimulatedCampaign, *, dialect: LogDialect | None = None
) -> list[list[tuple[str, str, str]]]:
    """Write the logs alone; return log, start and end of each run as for the run sheet, by mount and step."""
    (folder / "logs").mkdir(parents=True, exist_ok=True)
    dialect = dialect or LogDialect()
    mounts, zero = campaign.mounts, campaign.mounts[0].start
    if dialect.room == "own file":
        _save(folder / "logs/room.csv", dialect, [dialect.room_columns(mount, zero) for mount in mounts])
    if dialect.files == "one":
        _save(folder / "logs/bench.csv", dialect, [dialect.columns(mount, zero) for mount in mounts])
        return [dialect.cuts("logs/bench.csv", mount, zero) for mount in mounts]
    if dialect.files == "run":
        steps = range(len(campaign.steps_W))
        return [[(_write_run(folder, dialect, mount, step), "", "") for step in steps] for mount in mounts]
    names = [f"logs/{mount.treatment}-{mount.mount}.csv" for mount in mounts]
    for name, mount in zip(names, mounts, strict=True):
        _save(folder / name, dialect, [dialect.columns(mount, mount.start)])
    return [dialect.cuts(name, mount, mount.start) for name, mount in zip(names, mounts, strict=True)]


def _write_run(folder: Path, dialect: LogDialect, mount: SimulatedMount, step: int) -> str:
    """Write the log of one run; return its name."""
    ladder, run = mount.ladder, mount.ladder.runs[step]
    before = max(int(np.searchsorted(ladder.time_s, run.time_s[0])) - 60, 0)
    stepped = step > 0 or ladder.power_W[before] < 0.9 * run.set_power_W
    # After a pre-soak at the same power there is no step in power to see: such a log begins with the soak.
    begin_s = run.time_s[0] - (60.0 * dialect.lead_in_min if stepped else 0.0)
    first, last = np.searchsorted(ladder.time_s, [begin_s, run.time_s[-1]]).tolist()
    zero = mount.start + timedelta(seconds=float(ladder.time_s[first]))
    name = f"logs/{run_name(mount, run.set_power_W)}.csv"
    _save(folder / name, dialect, [dialect.columns(mount, zero, slice(first, last + 1))])
    return name


def _save(path: Path, dialect: LogDialect, parts: Sequence[_Columns]) -> None:
    """Write the rows of several parts as one log."""
    rows: list[Sequence[str]] = [list(parts[0])]
    for columns in parts:
        rows += zip(*columns.values(), strict=True)
    text = "".join(dialect.delimiter.join(row) + "\n" for row in rows)
    path.write_bytes(text.encode(dialect.encoding))


def _campaign_settings(campaign: SimulatedCampaign, dialect: LogDialect) -> dict[str, Any]:
    """Return what ``campaign.yaml`` must say about a campaign written in a dialect."""
    unit = dialect.unit_text
    log: dict[str, Any] = _text_settings(dialect) | {
        "missing": ["-"],
        "time": dialect.time_settings(),
        "temperature": {"columns": [f"core * [{unit}]"], "unit": dialect.temperature_unit},
        "power": {"columns": [f"power [{dialect.power_unit}]"], "unit": dialect.power_unit},
        "clock": {"columns": ["clock [MHz]"], "unit": "MHz"},
    }
    document: dict[str, Any] = {
        "title": "Simulated campaign",
        "bench": "simulated",
        "cooling": "passive" if campaign.bench.convection_exponent else "forced",
        "baseline": campaign.treatments[0].name,
        "treatments": {t.name: {"description": "simulated"} for t in campaign.treatments},
        "decision": {"margin_K": 1.0, "confidence_level": 0.95},
        "soak": {"minutes": campaign.soak_min},
        "log": log,
    }
    if campaign.bench.limit_C is not None:
        document["limits"] = {"temperature_C": campaign.bench.limit_C, "room_C": campaign.limit_room_C}
    if dialect.room == "log":
        log["ambient"] = {"columns": [f"room [{unit}]"], "unit": dialect.temperature_unit}
    elif dialect.room == "own file":
        document["ambient_log"] = _text_settings(dialect) | {
            "file": "logs/room.csv", "time": dialect.time_settings(), "columns": [f"room [{unit}]"],
            "unit": dialect.temperature_unit, "clock_offset_s": -dialect.room_clock_ahead_s,
        }  # fmt: skip
    else:
        document["ambient_constant"] = {"value_C": campaign.room.mean_C, "u_K": 1.0}
    return document


def _text_settings(dialect: LogDialect) -> dict[str, Any]:
    return {"delimiter": dialect.delimiter, "decimal": dialect.decimal, "encoding": dialect.encoding}
