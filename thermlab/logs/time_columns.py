"""Whole columns of times, and the clock of a log that was set back.

Rows of one length have their digits in the same places, so that the digits of all rows are taken from a byte matrix at
once; only rows that do not fit are matched one by one. Apart from :mod:`thermlab.logs.times`, so that who only reads a
run sheet does not pay for numpy.
"""

from __future__ import annotations

import re
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np

from thermlab.logs.times import DAY_S, NUMERIC, PATTERNS, RANGES, date_number, pattern_of, seconds_of, word_value

if TYPE_CHECKING:
    from thermlab.logs.settings import Clock
    from thermlab.logs.text import LogText

_LAYOUTS = 24
MAX_JUMPS = 20
MAX_SPAN_S = 3650 * DAY_S
_MAX_FAILED = 2000


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
        if key in NUMERIC:
            digits = field - np.uint8(48)  # uint8 wraps: anything but a digit is above 9
            good &= (digits <= 9).all(axis=1)
            number = digits[:, 0].astype(np.int64)
            for place in range(1, high - low):
                number = number * 10 + digits[:, place]
            if key == "f":
                fraction = number / 10 ** (high - low)
                continue
            values[key] = number
            if key in RANGES:
                good &= (number >= RANGES[key][0]) & (number <= RANGES[key][1])
        elif key in "bBpz":
            same = (field == model[low:high]).all(axis=1)
            if key in "bB" or not same.all():
                values[key], fits = _words(key, field)
                good &= fits
            else:
                values[key] = word_value(key, text)
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
    return date_number(year, 1, 1, day) if by_year else date_number(year, month, day, 1)


def _words(key: str, field: Any) -> tuple[Any, Any]:
    """Read month names, halves of the day or offsets, each distinct text once."""
    packed = np.ascontiguousarray(field).view(f"S{field.shape[1]}")[:, 0]
    texts, which = np.unique(packed, return_inverse=True)
    pattern = re.compile(PATTERNS[key], re.ASCII | re.IGNORECASE)
    decoded = [text.decode("ascii", "replace") for text in texts.tolist()]
    fits = np.array([pattern.fullmatch(text) is not None for text in decoded])
    numbers = np.array([word_value(key, text) if fit else 1 for text, fit in zip(decoded, fits, strict=True)])
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
