"""How a log file is to be read, as the campaign declares it.

Nothing about a log is guessed: a wrong guess is a wrong number. Every model is
frozen, refuses unknown keys and takes no number from text or truth values.
"""

import codecs
import re
from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from typing import Annotated, Any, Literal, Self

from pydantic import AfterValidator, BaseModel, BeforeValidator, ConfigDict, Field, ValidationError, model_validator
from pydantic_core import PydanticCustomError

from thermlab.base.errors import commands_terminal

Clock = Literal["calendar", "time of day", "elapsed"]
TemperatureUnit = Literal["degC", "degF", "K"]

ROOM_C = (-50.0, 100.0)
"""Between what a room temperature is taken for one, degC."""

_DIRECTIVES = "YymdbBjHIpMSfzaA%"
_DATE = set("YymdbBj")


@dataclass(frozen=True, slots=True)
class Broken:
    """A rule between several keys that does not hold: path below the model, what was found, what is allowed."""

    path: tuple[str, ...]
    found: str
    allowed: str


class Model(BaseModel):
    """Base of all settings: frozen, closed, strict, finite.

    Rules between keys live in :meth:`rules` and work on plain mappings, so that
    they can be tried on a file that has other problems too.
    """

    model_config = ConfigDict(frozen=True, extra="forbid", strict=True, allow_inf_nan=False)

    @classmethod
    def rules(cls, data: Mapping[str, Any]) -> Iterator[Broken]:
        """Yield every rule between keys of `data` that is broken."""
        del data  # without rules nothing is broken
        yield from ()

    @model_validator(mode="after")
    def _keeps_rules(self) -> Self:
        for broken in type(self).rules(self.model_dump(exclude_unset=True)):
            where = ".".join(broken.path)
            raise refused("rule", f"{where}: {broken.found}" if where else broken.found, broken.allowed)
        return self


def refused(kind: str, found: str, allowed: str) -> PydanticCustomError:
    """Return the error a validator raises: what was found and what is allowed."""
    return PydanticCustomError(kind, "found {found}; allowed: {allowed}", {"found": found, "allowed": allowed})


def _as_tuple(value: object) -> object:
    return tuple(value) if isinstance(value, list) else value


def no_control_characters(value: str) -> str:
    """Return `value`, or refuse it where it holds control characters."""
    if commands_terminal(value):
        raise refused("text", repr(value), "text without control characters")
    return value


def lines_of_text(value: str) -> str:
    """Return `value`, or refuse it where it holds control characters other than tabs and line ends."""
    # YAML can spell them as escapes in quotes, and a terminal that is shown them obeys.
    no_control_characters(value.translate({9: " ", 10: " ", 13: " "}))
    return value


def _delimiter(value: str) -> str:
    value = "\t" if value == "\\t" else value
    if len(value) != 1 or ord(value) > 126 or value in "\r\n\"'\0" or value.isalnum() or value in ".-+":
        raise refused("delimiter", repr(value), 'one character, such as "," ";" "|" or "\\t"')
    return value


def _encoding(value: str) -> str:
    # Codecs such as rot13 or zlib are known to Python and yet do not turn bytes into text.
    allowed = "the name of a text encoding, such as utf-8, utf-16, cp1252 or latin-1"
    try:
        info = codecs.lookup(value)
    except (LookupError, ValueError, UnicodeError):
        raise refused("encoding", repr(value), allowed) from None
    if not getattr(info, "_is_text_encoding", True) or info.name in _NOT_PLAIN_TEXT:
        raise refused("encoding", repr(value), allowed)
    return value


_NOT_PLAIN_TEXT = {"idna", "punycode", "raw-unicode-escape", "unicode-escape", "undefined", "utf-7"}

Text = Annotated[str, Field(max_length=10_000), AfterValidator(lines_of_text)]
Line = Annotated[str, Field(max_length=10_000), AfterValidator(no_control_characters)]
Name = Annotated[str, Field(min_length=1, max_length=200), AfterValidator(no_control_characters)]
Names = Annotated[tuple[Name, ...], BeforeValidator(_as_tuple), Field(min_length=1, max_length=1000)]
Tokens = Annotated[tuple[Annotated[str, Field(max_length=100)], ...], BeforeValidator(_as_tuple), Field(max_length=100)]
Delimiter = Annotated[str, Field(max_length=2), AfterValidator(_delimiter)]
Encoding = Annotated[str, Field(min_length=1, max_length=60), AfterValidator(_encoding)]


def directives(time_format: str) -> list[str]:
    """Return the letters after each ``%`` of a time format, in order."""
    return re.findall(r"%(.?)", time_format, re.DOTALL)


def _time_format(value: str) -> str:
    found = directives(value)
    shown = repr(value)
    unknown = [letter for letter in found if letter not in _DIRECTIVES or not letter]
    if unknown:
        allowed = "the directives " + " ".join("%" + letter for letter in _DIRECTIVES)
        raise refused("format", f"{shown} with " + ", ".join("%" + letter for letter in unknown), allowed)
    letters = set(found)
    date, year = letters & _DATE, letters & {"Y", "y"}
    twice = len(letters - {"%"}) < len([letter for letter in found if letter != "%"])
    by_month = "d" in date and len(date) == 3 and "j" not in date
    whole = len(year) == 1 and (date - year == {"j"} or by_month)
    clock = len(letters & {"H", "I"}) == 1 and "M" in letters
    half = "%I with %p (AM or PM), or %H: a 12 h clock needs its half"
    for broken, what, allowed in (
        (twice, " with a directive twice", "each directive once"),
        ("I" in letters and "p" not in letters, ": %I without %p", half),
        ("p" in letters and "I" not in letters, ": %p without %I", "%I with %p, or %H without %p"),
        (not clock, "", "hours (%H, or %I with %p) and minutes (%M)"),
        ("f" in letters and "S" not in letters, ": %f without %S", "seconds (%S) before their fraction (%f)"),
        (date and not whole, "", "a whole date (%Y or %y; %m, %b or %B; %d), or none at all"),
        ("z" in letters and not date, ": %z without a date", "an offset (%z) only together with a date"),
    ):
        if broken:
            raise refused("format", shown + what, allowed)
    return value


class TimeSettings(Model):
    """Time columns of a log: clock times with a format, or elapsed time with a unit."""

    columns: Names = Field(description="the names of the time columns; several are joined by one space")
    format: Annotated[str, Field(max_length=200), AfterValidator(_time_format)] | None = Field(
        default=None, description="how clock times are written, as in Python's strptime"
    )
    unit: Literal["s", "ms", "min", "h"] | None = Field(default=None, description="the unit of elapsed time")

    @classmethod
    def rules(cls, data: Mapping[str, Any]) -> Iterator[Broken]:
        """Format or unit, not both; elapsed time in one column."""
        has = [key for key in ("format", "unit") if data.get(key) is not None]
        if len(has) != 1:
            allowed = "exactly one of format (clock times), unit (elapsed time)"
            yield Broken((), " and ".join(has) or "neither format nor unit", allowed)
        columns = data.get("columns")
        if has == ["unit"] and isinstance(columns, (list, tuple)) and len(columns) > 1:
            yield Broken(("columns",), f"{len(columns)} columns", "one column of elapsed time")

    @classmethod
    def of(cls, log: Mapping[str, Any]) -> Self | None:
        """Return how a log writes its times as far as its settings can tell, whatever else is wrong with them."""
        try:
            return cls.model_validate(log.get("time"))
        except ValidationError:
            return None

    @property
    def clock(self) -> Clock:
        """What kind of clock the times are on."""
        if self.format is None:
            return "elapsed"
        return "calendar" if set(directives(self.format)) & _DATE else "time of day"


class TemperatureColumns(Model):
    """Temperature columns by name, with their unit."""

    columns: Names = Field(description="column names; * and ? are wildcards")
    unit: TemperatureUnit = Field(description="degC, degF or K")


class PowerColumn(Model):
    """The column of the heat load."""

    columns: Names = Field(max_length=1, description="the name of the power column; * and ? are wildcards")
    unit: Literal["W", "mW", "kW"] = Field(description="W, mW or kW")


class ClockColumns(Model):
    """Columns of the device's clock frequency."""

    columns: Names = Field(description="column names; * and ? are wildcards")
    unit: Literal["MHz", "GHz", "Hz"] = Field(description="MHz, GHz or Hz")


class TextSettings(Model):
    """How the text of a delimited file is written."""

    delimiter: Delimiter = Field(default=",", description="one character between the cells")
    decimal: Literal[".", ","] = Field(default=".", description="the decimal sign")
    encoding: Encoding = Field(default="utf-8", description="a text encoding")
    missing: Tokens = Field(default=(), description="texts that stand for a missing value; empty always does")

    @classmethod
    def rules(cls, data: Mapping[str, Any]) -> Iterator[Broken]:
        """Delimiter and decimal sign differ."""
        delimiter, decimal = data.get("delimiter", ","), data.get("decimal", ".")
        if delimiter == decimal:
            found = f"{decimal!r} as delimiter and as decimal sign"
            yield Broken(("decimal",), found, "a delimiter other than the decimal sign")


class LogSettings(TextSettings):
    """How the sensor logs are read."""

    time: TimeSettings = Field(description="{columns, format} or {columns, unit}")
    temperature: TemperatureColumns = Field(description="{columns, unit}")
    power: PowerColumn = Field(description="{columns, unit}")
    clock: ClockColumns | None = Field(default=None, description="{columns, unit}")
    ambient: TemperatureColumns | None = Field(default=None, description="{columns, unit}")


class AmbientLogSettings(TextSettings):
    """A file of its own for the room temperature."""

    file: Name = Field(description="a file inside the campaign folder")
    time: TimeSettings = Field(description="{columns, format} or {columns, unit}")
    columns: Names = Field(description="column names; * and ? are wildcards")
    unit: TemperatureUnit = Field(description="degC, degF or K")
    clock_offset_s: float = Field(default=0.0, ge=-1e8, le=1e8, description="added to its times to match the logs")

    @staticmethod
    def other_clock(room: Mapping[str, Any], log: Mapping[str, Any]) -> Iterator[Broken]:
        """Yield where the times of a room file cannot be matched with those of the logs."""
        of_room, of_log = TimeSettings.of(room), TimeSettings.of(log)
        if of_log is not None and of_room is not None and of_log.clock != of_room.clock:
            found = f"{of_room.clock} times for a log in {of_log.clock} times"
            allowed = f"{of_log.clock} times, as in log.time: the two cannot be matched otherwise"
            yield Broken(("ambient_log", "time"), found, allowed)
