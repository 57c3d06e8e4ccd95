"""Times as a log writes them: declared formats to seconds, one by one and by whole columns, and its clock set back.

A format is turned into one regular expression. Rows of one length have their digits in the same places, so that the
digits of all rows are taken from a byte matrix at once; only rows that do not fit are matched one by one.
"""

from __future__ import annotations

import functools
import math
import re
from dataclasses import dataclass
from datetime import UTC, date, datetime, timedelta, timezone
from typing import TYPE_CHECKING, Any

import numpy as np

from thermlab.base.errors import InputError, Problem, shown
from thermlab.logs.settings import TimeSettings, directives

if TYPE_CHECKING:
    from thermlab.logs.settings import Clock
    from thermlab.logs.text import LogText

UNIT_S = {"s": 1.0, "ms": 1e-3, "min": 60.0, "h": 3600.0}
DAY_S = 86_400.0
MAX_SPAN_S = 3650 * DAY_S
MAX_JUMPS = 20
_LAYOUTS = 24
_MAX_FAILED = 2000
_EPOCH = date(1970, 1, 1).toordinal()
_MONTHS = (
    "january",
    "february",
    "march",
    "april",
    "may",
    "june",
    "july",
    "august",
    "september",
    "october",
    "november",
    "december",
)
_DAYS = ("monday", "tuesday", "wednesday", "thursday", "friday", "saturday", "sunday")
_MONTH_DAYS = (31, 29, 31, 30, 31, 30, 31, 31, 30, 31, 30, 31)
_PATTERNS = {
    "Y": r"\d{4}",
    "y": r"\d\d",
    "m": r"\d{1,2}",
    "d": r"\d{1,2}",
    "j": r"\d{1,3}",
    "H": r"\d{1,2}",
    "I": r"\d{1,2}",
    "M": r"\d{1,2}",
    "S": r"\d{1,2}",
    "f": r"\d{1,9}",
    "p": r"[AaPp]\.?[Mm]\.?",
    "z": r"Z|[+-]\d\d(?::?\d\d)?(?::?\d\d)?",
    "b": "|".join(name[:3] for name in _MONTHS),
    "B": "|".join(_MONTHS),
    "a": "|".join(name[:3] for name in _DAYS),
    "A": "|".join(_DAYS),
}
_NUMERIC = set("YymdjHIMSf")
_RANGES = {"m": (1, 12), "d": (1, 31), "j": (1, 366), "H": (0, 23), "I": (1, 12), "M": (0, 59), "S": (0, 60)}
_CLOCK = r"(?P<H>\d\d):(?P<M>\d\d)(?::(?P<S>\d\d)(?:[.,](?P<f>\d{1,9}))?)?"
_OFFSET = r"\s?(?P<z>Z|[+-]\d\d(?::?\d\d)?)?"
_ISO = re.compile(rf"(?P<Y>\d{{4}})-(?P<m>\d\d)-(?P<d>\d\d)(?:[T ]{_CLOCK}{_OFFSET})?", re.ASCII)
_ISO_TIME = re.compile("T?" + _CLOCK, re.ASCII)
_ELAPSED = re.compile(r"[+-]?(\d+\.?\d*|\.\d+)([eE][+-]?\d{1,3})?", re.ASCII)


class TimeRefusedError(InputError):
    """A text that is no time of the declared kind."""

    def __init__(self, found: str, allowed: str) -> None:
        self.found = found
        self.allowed = allowed
        super().__init__([Problem("time", found, allowed)])

    def __reduce__(self) -> Any:
        return type(self), (self.found, self.allowed)


@functools.lru_cache(maxsize=64)
def pattern_of(time_format: str) -> re.Pattern[str]:
    """Return the regular expression of a format, one named group per directive.

    A fraction of a second may be missing or there, whatever the format says:
    loggers leave ``.0`` out.
    """
    parts: list[str] = []
    position = 0
    while position < len(time_format):
        rest = time_format[position:]
        if rest.startswith("%S"):
            position += 2
            gap = re.match(r"([.,:]?)%f", time_format[position:])
            parts.append(f"(?P<S>{_PATTERNS['S']})")
            if gap:
                parts.append(f"(?:{re.escape(gap.group(1))}(?P<f>{_PATTERNS['f']}))?")
                position += gap.end()
            elif "f" not in directives(time_format):
                parts.append(rf"(?:[.,](?P<f>{_PATTERNS['f']}))?")
        elif rest.startswith("%%"):
            parts.append("%")
            position += 2
        elif rest.startswith("%"):
            parts.append(f"(?P<{rest[1]}>{_PATTERNS[rest[1]]})")
            position += 2
        elif rest[0].isspace():
            parts.append(r"\s+")
            position += len(rest) - len(rest.lstrip())
        else:
            parts.append(re.escape(rest[0]))
            position += 1
    return re.compile("".join(parts), re.ASCII | re.IGNORECASE)


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
    TimeRefusedError
        Where the text is neither.
    """
    text = text.strip()
    if settings.format is None:
        if not _ELAPSED.fullmatch(text) or not math.isfinite(float(text)):
            raise TimeRefusedError(shown(text), f"elapsed time: a number in {settings.unit}")
        return float(text) * UNIT_S[settings.unit or "s"]
    seconds = seconds_of(pattern_of(settings.format).fullmatch(text))
    if seconds is not None:
        return seconds
    allowed = f"a time such as {shown(example(settings.format))} (format {settings.format!r}), or ISO 8601"
    match = (_ISO_TIME if settings.clock == "time of day" else _ISO).fullmatch(text)
    seconds = seconds_of(match)
    if match is None or seconds is None:
        raise TimeRefusedError(shown(text), allowed)
    if settings.clock == "calendar":
        has_offset, wants_offset = match.group("z") is not None, "z" in directives(settings.format)
        if has_offset != wants_offset:
            words = "without an offset from UTC" if wants_offset else "with an offset from UTC"
            raise TimeRefusedError(
                f"{shown(text)} {words}", allowed + (", with its offset" if wants_offset else ", without offset")
            )
    return seconds


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
        offset = _word_value("z", (match and match.group("z")) or "Z")
    moment = datetime.fromtimestamp(round(seconds) + offset, UTC).replace(tzinfo=None)
    if settings.clock == "time of day":
        return moment.time().isoformat()
    if "z" in directives(settings.format):
        return moment.replace(tzinfo=timezone(timedelta(seconds=offset))).isoformat()
    return moment.isoformat()


def example(time_format: str) -> str:
    """Return a time written in a format, to show in a message."""
    samples = {
        "Y": "2026",
        "y": "26",
        "m": "03",
        "d": "31",
        "j": "090",
        "H": "14",
        "I": "02",
        "M": "05",
        "S": "09",
        "f": "5",
        "p": "PM",
        "z": "+00:00",
        "b": "Mar",
        "B": "March",
        "a": "Tue",
        "A": "Tuesday",
        "%": "%",
    }
    return re.sub(r"%(.)", lambda match: samples[match.group(1)], time_format)


def seconds_of(match: re.Match[str] | None) -> float | None:
    """Return the seconds of a matched time; None where it does not exist, such as 30 February."""
    if match is None:
        return None
    groups = {key: value for key, value in match.groupdict().items() if value is not None}
    values = {key: int(value) for key, value in groups.items() if key in _NUMERIC and key != "f"}
    for key, (low, high) in _RANGES.items():
        if key in values and not low <= values[key] <= high:
            return None
    values |= {key: _word_value(key, value) for key, value in groups.items() if key in "bBpz"}
    days = 0
    if "Y" in values or "y" in values:
        year = values["Y"] if "Y" in values else values["y"] + (2000 if values["y"] < 69 else 1900)
        month = values.get("m") or values.get("b") or values.get("B") or 1
        day = values.get("d", 1)
        number = _date_number(year, month, day, values.get("j", 1))
        if number is None:
            return None
        days = number
    hour = values["H"] if "H" in values else values.get("I", 0) % 12 + 12 * values.get("p", 0)
    whole = days * 86_400 + hour * 3600 + values.get("M", 0) * 60 + values.get("S", 0) - values.get("z", 0)
    return whole + (int(groups["f"]) / 10 ** len(groups["f"]) if "f" in groups else 0.0)


def _word_value(key: str, text: str) -> int:
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


def _date_number(year: int, month: int, day: int, day_of_year: int) -> int | None:
    """Return the days from 1970-01-01 to a date; None where there is no such day.

    `day_of_year` counts from 1 with `month` and `day` 1, or is 1.
    """
    leap = year % 4 == 0 and (year % 100 != 0 or year % 400 == 0)
    if year < 1 or not 1 <= month <= 12 or not 1 <= day_of_year <= 365 + leap:
        return None
    longest = 28 if month == 2 and not leap else _MONTH_DAYS[month - 1]
    if not 1 <= day <= longest:
        return None
    return date(year, month, day).toordinal() - _EPOCH + day_of_year - 1


def column_seconds(texts: Any, time_format: str) -> Any:
    """Return the seconds of many times of one length.

    Parameters
    ----------
    texts : numpy.ndarray
        (n, width) uint8, one time per row, no spaces around it.
    time_format : str
        The declared format.

    Returns
    -------
    numpy.ndarray
        (n,) float64; NaN where a row is no such time.
    """
    n = len(texts)
    seconds: Any = np.full(n, np.nan)
    pattern = pattern_of(time_format)
    left = np.ones(n, dtype=bool)
    for _ in range(_LAYOUTS):
        # One length may hold several layouts, such as 1/12/2026 and 12/1/2026.
        row = int(left.argmax())
        if not left[row]:
            return seconds
        left[row] = False
        match = pattern.fullmatch(bytes(texts[row]).decode("utf-8", "replace"))
        value = seconds_of(match)
        if match is None or value is None or not match.string.isascii():
            continue
        seconds[row] = value
        good, values = _aligned(texts, texts[row], match)
        good &= left
        seconds[good] = values[good]
        left &= ~good
    failed = 0
    for odd in np.flatnonzero(left):
        value = seconds_of(pattern.fullmatch(bytes(texts[odd]).decode("utf-8", "replace")))
        if value is not None:
            seconds[odd] = value
        elif (failed := failed + 1) > _MAX_FAILED:
            break  # a column of something else
    return seconds


def _aligned(texts: Any, model: Any, match: re.Match[str]) -> tuple[Any, Any]:
    """Read rows whose fields stand where those of `model` stand: which rows fit, and their seconds."""
    n, width = texts.shape
    literal = np.ones(width, dtype=bool)
    good = np.ones(n, dtype=bool)
    values: dict[str, Any] = {}
    fraction: Any = 0.0
    for key, text in match.groupdict().items():
        if text is None:
            continue
        low, high = match.span(key)
        literal[low:high] = False
        field = texts[:, low:high]
        if key in _NUMERIC:
            digits = field - np.uint8(48)  # uint8 wraps: anything but a digit is above 9
            good &= (digits <= 9).all(axis=1)
            number = digits[:, 0].astype(np.int64)
            for place in range(1, high - low):
                number = number * 10 + digits[:, place]
            if key == "f":
                fraction = number / 10 ** (high - low)
                continue
            values[key] = number
            if key in _RANGES:
                good &= (number >= _RANGES[key][0]) & (number <= _RANGES[key][1])
        elif key in "bBpz":
            same = (field == model[low:high]).all(axis=1)
            if key in "bB" or not same.all():
                values[key], fits = _words(key, field)
                good &= fits
            else:
                values[key] = _word_value(key, text)
        else:
            literal[low:high] = True  # a week day: must be the same text, else the row is read by itself
    good &= (texts[:, literal] == model[literal]).all(axis=1)
    hour = values["H"] if "H" in values else values["I"] % 12 + 12 * values["p"]
    whole = hour * 3600 + values["M"] * 60 + values.get("S", 0) - values.get("z", 0)
    if "Y" in values or "y" in values:
        days, exists = _day_numbers(values, good)
        good &= exists
        whole = whole + days * 86_400
    return good, whole + fraction


def _day_numbers(values: dict[str, Any], good: Any) -> tuple[Any, Any]:
    """Return the days since 1970-01-01, and which of them exist; each distinct date once."""
    year = values["Y"] if "Y" in values else values["y"] + np.where(values["y"] < 69, 2000, 1900)
    month = next((values[key] for key in "mbB" if key in values), 1)
    day = values.get("d", values.get("j"))
    packed = np.where(good, (year * 100 + month) * 1000 + day, 0)
    if (packed == packed[0]).all():
        dates, which = packed[:1], np.zeros(len(packed), dtype=np.int64)
    else:
        dates, which = np.unique(packed, return_inverse=True)
    numbers = [_day_number(date, by_year="j" in values) for date in dates.tolist()]
    exists = np.array([number is not None for number in numbers])
    return np.array([number or 0 for number in numbers])[which], exists[which]


def _day_number(packed: int, *, by_year: bool) -> int | None:
    year, rest = divmod(packed, 100_000)
    month, day = divmod(rest, 1000)
    return _date_number(year, 1, 1, day) if by_year else _date_number(year, month, day, 1)


def _words(key: str, field: Any) -> tuple[Any, Any]:
    """Read month names, halves of the day or offsets, each distinct text once."""
    packed = np.ascontiguousarray(field).view(f"S{field.shape[1]}")[:, 0]
    texts, which = np.unique(packed, return_inverse=True)
    pattern = re.compile(_PATTERNS[key], re.ASCII | re.IGNORECASE)
    decoded = [text.decode("ascii", "replace") for text in texts.tolist()]
    fits = np.array([pattern.fullmatch(text) is not None for text in decoded])
    numbers = np.array([_word_value(key, text) if fit else 1 for text, fit in zip(decoded, fits, strict=True)])
    which = which.reshape(-1)
    return numbers[which], fits[which]


@dataclass(frozen=True, slots=True)
class ClockJump:
    """A place where the clock was set back.

    Attributes
    ----------
    row : int
        First row after the jump, from 0.
    line : int
        Its line in the file.
    seconds : float
        By how much the clock was moved, beyond the usual step; negative.
    """

    row: int
    line: int
    seconds: float


def close_jumps(log: LogText, seconds: Any, lines: Any, clock: Clock) -> tuple[Any, Any, tuple[ClockJump, ...]]:
    """Return times that never decrease.

    Parameters
    ----------
    log : LogText
        For the messages and notes.
    seconds : numpy.ndarray
        (n,) times as written, s.
    lines : numpy.ndarray
        (n,) their lines in the file.
    clock : {"calendar", "time of day", "elapsed"}
        On a clock without dates a step back of more than 12 h is the next day.

    Returns
    -------
    raw_time_s, time_s : numpy.ndarray
        (n,) with the days counted; with every step back replaced by the median step.
    jumps : tuple of ClockJump
        Every step back.

    Raises
    ------
    InputError
        Where the times stand still, run backwards or span more than ten years.
    """
    steps = np.diff(seconds)
    if clock == "time of day":
        midnights = steps < -DAY_S / 2
        if midnights.any():
            seconds = seconds + DAY_S * np.concatenate([[0], np.cumsum(midnights)])
            steps = np.diff(seconds)
            log.notes.append(f"{int(midnights.sum())} × midnight, counted as the next day")
    forward = steps[steps > 0]
    back = np.flatnonzero(steps < 0)
    first = int(lines[0])
    if len(forward) == 0 and len(back) == 0:
        raise log.refuse(first, f"{log.key}.time", "the same time on every row", "times that move on")
    if len(back) > max(MAX_JUMPS, len(steps) // 20) or len(forward) == 0:
        found = f"{len(back)} of {len(steps)} times earlier than the one before"
        raise log.refuse(int(lines[back[0] + 1]), f"{log.key}.time", found, "rows in the order of their times")
    span_s = float(seconds.max() - seconds.min())
    if span_s > MAX_SPAN_S:
        row = int(np.argmax(np.abs(steps))) + 1
        found = f"times that span {span_s / DAY_S / 365.25:.0f} years"
        raise log.refuse(int(lines[row]), f"{log.key}.time", found, "at most ten years")
    if len(back) == 0:
        return seconds, seconds.copy(), ()
    usual = float(np.median(forward))
    moved = np.zeros(len(seconds))
    moved[back + 1] = steps[back] - usual
    jumps = tuple(ClockJump(int(row) + 1, int(lines[row + 1]), float(steps[row] - usual)) for row in back)
    # Sums of fractions leave dust: equal times must not become a step of -1e-10 s.
    return seconds, np.maximum.accumulate(seconds - np.cumsum(moved)), jumps
