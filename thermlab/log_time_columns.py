"""Whole columns of times, read without looping over their rows.

Rows of one length have their digits in the same places, so that the digits of
all rows are taken from a byte matrix at once; only rows that do not fit are
matched one by one.
"""

from __future__ import annotations

import re
from typing import Any

import numpy as np

from thermlab.log_time import MONTH_DAYS, NUMERIC, PATTERNS, RANGES, pattern_of, seconds_of, word_value


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
    for row in range(min(n, 3)):  # the first rows may be units or a repeated header
        match = pattern.fullmatch(bytes(texts[row]).decode("utf-8", "replace"))
        if match is not None and match.string.isascii():
            good, values = _aligned(texts, texts[row], match)
            seconds[good] = values[good]
            left &= ~good
            break
    for row in np.flatnonzero(left).tolist():
        value = seconds_of(pattern.fullmatch(bytes(texts[row]).decode("utf-8", "replace")))
        if value is not None:
            seconds[row] = value
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
    zero = np.zeros(n, dtype=np.int64)
    days: Any = zero
    if "Y" in values or "y" in values:
        year = values["Y"] if "Y" in values else values["y"] + np.where(values["y"] < 69, 2000, 1900)
        month = next((values[key] for key in "mbB" if key in values), zero + 1)
        month = np.where(good, month, 1)
        day, day_of_year = values.get("d", zero + 1), values.get("j", zero + 1)
        leap = (year % 4 == 0) & ((year % 100 != 0) | (year % 400 == 0))
        longest = np.where((month == 2) & ~leap, 28, np.array(MONTH_DAYS)[month - 1])
        good &= (year >= 1) & (day <= longest) & (day_of_year <= 365 + leap)
        shifted = year - (month <= 2)
        start = (153 * (month + np.where(month > 2, -3, 9)) + 2) // 5
        days = shifted * 365 + shifted // 4 - shifted // 100 + shifted // 400 + start - 719_468 + day + day_of_year - 2
    hour = values["H"] if "H" in values else values["I"] % 12 + 12 * values["p"]
    whole = days * 86_400 + hour * 3600 + values["M"] * 60 + values.get("S", zero) - values.get("z", 0)
    return good, whole + fraction


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
