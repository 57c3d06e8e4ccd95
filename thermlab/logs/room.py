"""A room temperature that was logged to a file of its own."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

from thermlab.logs.header import Role
from thermlab.logs.table import read_table

if TYPE_CHECKING:
    from pathlib import Path

    from thermlab.logs.settings import AmbientLogSettings, Clock


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class RoomLog:
    """Room temperature on the clock of the sensor logs.

    Attributes
    ----------
    name, sha256 : str
        Path relative to the campaign folder; checksum of the file.
    clock : {"calendar", "time of day", "elapsed"}
        As for :class:`thermlab.logs.log.Log`.
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
