"""Times as a log writes them: declared formats to seconds, one by one.

A format is turned into one regular expression.
"""

import functools
import math
import re
from collections.abc import Mapping
from datetime import UTC, date, datetime, timedelta, timezone
from typing import Any

from thermlab.base.errors import InputError, Problem, shown
from thermlab.logs.settings import TimeSettings, directives

UNIT_S = {"s": 1.0, "ms": 1e-3, "min": 60.0, "h": 3600.0}
DAY_S = 86_400.0
_EPOCH = date(1970, 1, 1).toordinal()
_MONTH_NAMES = "january|february|march|april|may|june|july|august|september|october|november|december"
_MONTHS = _MONTH_NAMES.split("|")
_DAYS = ("monday", "tuesday", "wednesday", "thursday", "friday", "saturday", "sunday")
PATTERNS = dict.fromkeys("mdHIMS", r"\d{1,2}") | {
    "Y": r"\d{4}",
    "y": r"\d\d",
    "j": r"\d{1,3}",
    "f": r"\d{1,9}",
    "p": r"[AaPp]\.?[Mm]\.?",
    "z": r"Z|[+-]\d\d(?::?\d\d)?(?::?\d\d)?",
    "b": "|".join(name[:3] for name in _MONTHS),
    "B": _MONTH_NAMES,
    "a": "|".join(name[:3] for name in _DAYS),
    "A": "|".join(_DAYS),
}
NUMERIC = set("YymdjHIMSf")
RANGES = {"m": (1, 12), "d": (1, 31), "j": (1, 366), "H": (0, 23), "I": (1, 12), "M": (0, 59), "S": (0, 60)}
_CLOCK = r"(?P<H>\d\d):(?P<M>\d\d)(?::(?P<S>\d\d)(?:[.,](?P<f>\d{1,9}))?)?"
_OFFSET = r"\s?(?P<z>Z|[+-]\d\d(?::?\d\d)?)?"
_ISO = re.compile(rf"(?P<Y>\d{{4}})-(?P<m>\d\d)-(?P<d>\d\d)(?:[T ]{_CLOCK}{_OFFSET})?", re.ASCII)
_ISO_TIME = re.compile("T?" + _CLOCK, re.ASCII)
_ELAPSED = re.compile(r"[+-]?(\d+\.?\d*|\.\d+)([eE][+-]?\d{1,3})?", re.ASCII)


@functools.lru_cache(maxsize=64)
def pattern_of(time_format: str) -> re.Pattern[str]:
    """Return the regular expression of a format, one named group per directive.

    A fraction of a second may be missing or there, whatever the format says:
    loggers leave ``.0`` out.
    """
    other_fraction = rf"(?:[.,](?P<f>{PATTERNS['f']}))?" if "f" not in directives(time_format) else ""

    def expression(piece: re.Match[str]) -> str:
        text, between, letter = piece[0], piece["between"], piece["letter"]
        if between is not None:
            return f"(?P<S>{PATTERNS['S']})(?:{re.escape(between)}(?P<f>{PATTERNS['f']}))?"
        if letter is None:
            return r"\s+" if text.isspace() else re.escape(text)
        group = "%" if letter == "%" else f"(?P<{letter}>{PATTERNS[letter]})"
        return group + (other_fraction if letter == "S" else "")

    pieces = r"%S(?P<between>[.,:]?)%f|%(?P<letter>.)|\s+|."
    return re.compile(re.sub(pieces, expression, time_format, flags=re.DOTALL), re.ASCII | re.IGNORECASE)


def date_seconds(text: str) -> float | None:
    """Return the seconds since 1970-01-01 of a date as ISO 8601, with or without its time; None where it is none."""
    return seconds_of(_ISO.fullmatch(text.strip()))


def parse_time(text: str, settings: TimeSettings) -> float:
    """Return a time of the run sheet on the log's own clock.

    Parameters
    ----------
    text : str
        In the log's own format, else ISO 8601; for elapsed time a number in the log's unit.
    settings : TimeSettings
        How the log writes times.

    Returns
    -------
    float
        Calendar: seconds since 1970-01-01 in the log's zone, UTC if it has offsets.
        Time of day: seconds since midnight. Elapsed: seconds.

    Raises
    ------
    InputError
        With one problem, where the text is neither.
    """
    text = text.strip()
    if settings.format is None:
        if not _ELAPSED.fullmatch(text) or not math.isfinite(float(text)):
            raise _refused(shown(text), f"elapsed time: a number in {settings.unit}")
        return float(text) * UNIT_S[settings.unit or "s"]
    seconds = seconds_of(pattern_of(settings.format).fullmatch(text))
    if seconds is not None:
        return seconds
    allowed = f"a time such as {shown(example(settings.format))} (format {settings.format!r}), or ISO 8601"
    match = (_ISO_TIME if settings.clock == "time of day" else _ISO).fullmatch(text)
    seconds = seconds_of(match)
    if match is None or seconds is None:
        raise _refused(shown(text), allowed)
    if settings.clock == "calendar":
        has_offset, wants_offset = match.group("z") is not None, "z" in directives(settings.format)
        if has_offset != wants_offset:
            words, other = ("without", "with its") if wants_offset else ("with", "without")
            raise _refused(f"{shown(text)} {words} an offset from UTC", f"{allowed}, {other} offset")
    return seconds


def _refused(found: str, allowed: str) -> InputError:
    return InputError([Problem("time", found, allowed)])


def iso_time(seconds: float, settings: TimeSettings, *, like: str = "") -> str | None:
    """Return a time of a log as ISO 8601, to the second.

    Parameters
    ----------
    seconds : float
        On the log's own clock, as :func:`parse_time` returns it.
    settings : TimeSettings
        How the log writes times.
    like : str
        A time of the same log, whose offset from UTC is to be used; else it is UTC where the log writes offsets.

    Returns
    -------
    str or None
        None for elapsed time; without a date for a time of day.
    """
    if settings.format is None:
        return None
    offset = 0
    if "z" in directives(settings.format):
        match = pattern_of(settings.format).fullmatch(like.strip()) or _ISO.fullmatch(like.strip())
        offset = word_value("z", (match and match.group("z")) or "Z")
    moment = datetime.fromtimestamp(round(seconds) + offset, UTC).replace(tzinfo=None)
    if settings.clock == "time of day":
        return moment.time().isoformat()
    if "z" in directives(settings.format):
        return moment.replace(tzinfo=timezone(timedelta(seconds=offset))).isoformat()
    return moment.isoformat()


def example(time_format: str) -> str:
    """Return a time written in a format, to show in a message."""
    # English month names, whatever the language of the machine.
    samples = {"f": "5", "z": "+00:00", "p": "PM", "b": "Mar", "B": "March", "a": "Tue", "A": "Tuesday"}
    moment = datetime(2026, 3, 31, 14, 5, 9, tzinfo=UTC)
    return re.sub(r"%(.)", lambda match: samples.get(match[1]) or moment.strftime(match[0]), time_format)


def seconds_of(match: re.Match[str] | None) -> float | None:
    """Return the seconds of a matched time; None where it does not exist, such as 30 February."""
    if match is None:
        return None
    groups = {key: value for key, value in match.groupdict().items() if value is not None}
    values = {key: int(value) for key, value in groups.items() if key in NUMERIC and key != "f"}
    for key, (low, high) in RANGES.items():
        if key in values and not low <= values[key] <= high:
            return None
    values |= {key: word_value(key, value) for key, value in groups.items() if key in "bBpz"}
    whole: int = clock_part(values)
    if (year := year_of(values)) is not None:
        month = values.get("m") or values.get("b") or values.get("B") or 1
        days = date_number(year, month, values.get("d", 1), values.get("j", 1))
        if days is None:
            return None
        whole += days * 86_400
    return whole + (int(groups["f"]) / 10 ** len(groups["f"]) if "f" in groups else 0.0)


def year_of(values: Mapping[str, Any]) -> Any:
    """Return the year of the fields of one time, or of many; None where they have no date."""
    if "Y" in values or "y" not in values:
        return values.get("Y")
    return 1900 + values["y"] + 100 * (values["y"] < 69)


def clock_part(values: Mapping[str, Any]) -> Any:
    """Return the whole seconds since midnight, UTC where there is an offset, of the fields of one time, or of many."""
    hour = values["H"] if "H" in values else values.get("I", 0) % 12 + 12 * values.get("p", 0)
    return hour * 3600 + values.get("M", 0) * 60 + values.get("S", 0) - values.get("z", 0)


def word_value(key: str, text: str) -> int:
    """Return the number of a month name, the half of a 12 h clock, or an offset in seconds."""
    text = text.lower()
    if key in "bB":
        return next(number for number, name in enumerate(_MONTHS, 1) if name.startswith(text[:3]))
    if key == "p":
        return 1 if text.startswith("p") else 0
    if text == "z":
        return 0
    digits = text[1:].replace(":", "").ljust(6, "0")
    size = int(digits[:2]) * 3600 + int(digits[2:4]) * 60 + int(digits[4:])
    return -size if text[0] == "-" else size


def date_number(year: int, month: int, day: int, day_of_year: int) -> int | None:
    """Return the days from 1970-01-01 to a date; None where there is no such day.

    `day_of_year` counts from 1 with `month` and `day` 1, or is 1.
    """
    try:
        found = date(year, month, day) + timedelta(days=day_of_year - 1)
    except (ValueError, OverflowError):
        return None
    return found.toordinal() - _EPOCH if found.year == year else None
