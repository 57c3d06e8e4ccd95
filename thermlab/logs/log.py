"""Logs of sensors and of the room, read exactly as declared: the right numbers or an error with its line."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

from thermlab.logs.header import Role
from thermlab.logs.table import read_table

if TYPE_CHECKING:
    from pathlib import Path

    from thermlab.logs.settings import AmbientLogSettings, Clock, LogSettings
    from thermlab.logs.time_columns import ClockJump


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Log:
    """One sensor log in standard units.

    Attributes
    ----------
    name, sha256 : str
        Path relative to the campaign folder; checksum of the file.
    clock : {"calendar", "time of day", "elapsed"}
        What its times count from: 1970-01-01 in the log's own zone (UTC where it
        writes offsets), midnight of its first day, or the logger's own zero.
    time_s : numpy.ndarray
        (n,) s, never decreasing.
    raw_time_s : numpy.ndarray
        (n,) s, before clock jumps were closed.
    jumps : tuple of ClockJump
        Where the clock was set back.
    sensors : tuple of str
        Temperature columns, in header order.
    temperature_C : numpy.ndarray
        (n, n_sensors) degC; NaN where missing.
    power_W : numpy.ndarray
        (n,) W; NaN where missing.
    clock_MHz : numpy.ndarray or None
        (n,) MHz, mean of the clock columns.
    ambient_C : numpy.ndarray or None
        (n,) degC, mean of the ambient columns.
    notes : tuple of str
        What was passed over: lines before the header, units, summaries.
    n_missing : dict of str to int
        Column name -> number of missing readings.
    """

    name: str
    sha256: str
    clock: Clock
    time_s: Any
    raw_time_s: Any
    jumps: tuple[ClockJump, ...]
    sensors: tuple[str, ...]
    temperature_C: Any
    power_W: Any
    clock_MHz: Any | None
    ambient_C: Any | None
    notes: tuple[str, ...]
    n_missing: dict[str, int]


def read_log(path: Path, settings: LogSettings, *, name: str) -> Log:
    """Read a sensor log.

    Parameters
    ----------
    path : Path
        The file.
    settings : LogSettings
        ``log:`` of ``campaign.yaml``.
    name : str
        What problems call the file: its path relative to the campaign folder.

    Returns
    -------
    Log

    Raises
    ------
    InputError
        With file, line and value of everything that is not as declared.
    """
    roles = [
        Role("log.temperature", settings.temperature.columns, settings.temperature.unit, single=False),
        Role("log.power", settings.power.columns, settings.power.unit, single=True),
    ]
    if settings.clock is not None:
        roles.append(Role("log.clock", settings.clock.columns, settings.clock.unit, single=False))
    if settings.ambient is not None:
        roles.append(Role("log.ambient", settings.ambient.columns, settings.ambient.unit, single=False))
    table = read_table(path, settings, settings.time, roles, name=name, key="log")
    clock, ambient = table.values.get("log.clock"), table.values.get("log.ambient")
    return Log(
        name=name,
        sha256=table.sha256,
        clock=settings.time.clock,
        time_s=table.time_s,
        raw_time_s=table.raw_time_s,
        jumps=table.jumps,
        sensors=table.names["log.temperature"],
        temperature_C=table.values["log.temperature"],
        power_W=table.values["log.power"][:, 0].copy(),
        # A mean over the columns that happen to be there would step where one of them drops out.
        clock_MHz=None if clock is None else clock.mean(axis=1),
        ambient_C=None if ambient is None else ambient.mean(axis=1),
        notes=table.notes,
        n_missing=table.n_missing,
    )


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class RoomLog:
    """Room temperature on the clock of the sensor logs.

    Attributes
    ----------
    name, sha256 : str
        Path relative to the campaign folder; checksum of the file.
    clock : {"calendar", "time of day", "elapsed"}
        As for :class:`Log`.
    time_s : numpy.ndarray
        (n,) s, never decreasing, with ``clock_offset_s`` added.
    ambient_C : numpy.ndarray
        (n,) degC, mean of the declared columns; NaN where missing.
    notes : tuple of str
        What was passed over, and where the clock was set back.
    """

    name: str
    sha256: str
    clock: Clock
    time_s: Any
    ambient_C: Any
    notes: tuple[str, ...]


def read_room_log(path: Path, settings: AmbientLogSettings, *, name: str) -> RoomLog:
    """Read a room log.

    Parameters
    ----------
    path : Path
        The file.
    settings : AmbientLogSettings
        ``ambient_log:`` of ``campaign.yaml``.
    name : str
        What problems call the file.

    Returns
    -------
    RoomLog

    Raises
    ------
    InputError
        With file, line and value of everything that is not as declared.
    """
    role = Role("ambient_log.columns", settings.columns, settings.unit, single=False)
    table = read_table(path, settings, settings.time, [role], name=name, key="ambient_log")
    jumps = tuple(f"clock set back by {-jump.seconds:g} s at line {jump.line}" for jump in table.jumps)
    return RoomLog(
        name=name,
        sha256=table.sha256,
        clock=settings.time.clock,
        time_s=table.time_s + settings.clock_offset_s,
        ambient_C=table.values["ambient_log.columns"].mean(axis=1),
        notes=table.notes + jumps,
    )
