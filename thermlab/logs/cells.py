"""Cells of a delimited text as byte ranges, and numbers and times from them, without looping over rows.

A column of plain decimals is read from a byte matrix at once; only the cells that
are anything else (blank, missing, with a unit, in error) are looked at one by one,
each distinct text once. Times of one length have their digits in the same places: they are taken from a byte matrix
too, and only rows that do not fit are matched one by one.
"""

import math
import re
from dataclasses import dataclass
from typing import Any, Self

import numpy as np

from thermlab.logs.times import NUMERIC, RANGES, clock_part, date_number, pattern_of, seconds_of, word_value, year_of

MAX_DIGITS = 15
"""Most digits of a plain number: as a whole number it is exact in a float64."""
WORD = 8
"""Bytes of a cell that are read at once, as one 64-bit number."""
BATCH = 1 << 13
"""Cells to read side by side: few enough that what is worked with stays in the processor's cache."""

# Unit -> its standard unit; what is added, then multiplied with and divided by; how it is written.
_UNITS = {
    "degC": ("degC", 0.0, 1.0, 1.0, "degC|°C|º C|° C|℃|C|deg C|celsius|Celsius"),
    "degF": ("degC", -32.0, 5.0, 9.0, "degF|°F|° F|℉|F|deg F|fahrenheit|Fahrenheit"),
    "K": ("degC", -273.15, 1.0, 1.0, "K|kelvin|Kelvin"),
    "W": ("W", 0.0, 1.0, 1.0, "W|watt|Watt|watts"),
    "mW": ("W", 0.0, 1.0, 1e3, "mW"),
    "kW": ("W", 0.0, 1e3, 1.0, "kW|KW"),
    "MHz": ("MHz", 0.0, 1.0, 1.0, "MHz|Mhz|mhz"),
    "GHz": ("MHz", 0.0, 1e3, 1.0, "GHz|Ghz|ghz"),
    "Hz": ("MHz", 0.0, 1.0, 1e6, "Hz|hz"),
    "s": ("s", 0.0, 1.0, 1.0, "s|S|sec|seconds"),
    "ms": ("s", 0.0, 1.0, 1e3, "ms"),
    "min": ("s", 0.0, 60.0, 1.0, "min|minutes"),
    "h": ("s", 0.0, 3600.0, 1.0, "h|hours"),
}
STANDARD = {unit: row[:4] for unit, row in _UNITS.items()}
UNIT_OF = {spelling: unit for unit, row in _UNITS.items() for spelling in row[4].split("|")}


@dataclass(frozen=True, slots=True)
class Cells:
    """Lines of a delimited text as byte ranges.

    Attributes
    ----------
    data : numpy.ndarray
        (n_bytes,) uint8, begins and ends with a line end.
    edges : numpy.ndarray
        Positions of all delimiters and line ends.
    first : numpy.ndarray
        (n_lines + 1,) index of each line end: cell k of a line stands between the edges k and k + 1 from there on.
    spaced : bool
        Whether any cell has spaces or tabs around it.
    """

    data: Any
    edges: Any
    first: Any
    spaced: bool

    @classmethod
    def cut(cls, region: bytes, delimiter: str) -> Self:
        """Find the lines and cells of a text that begins and ends with a line end."""
        data = np.frombuffer(region, dtype=np.uint8)
        is_edge = (data == 10) | (data == ord(delimiter))
        blank = _is_blank(data)
        spaced = bool((blank[1:] & is_edge[:-1]).any() or (blank[:-1] & is_edge[1:]).any())
        edges = np.flatnonzero(is_edge)
        return cls(data, edges, np.flatnonzero(data[edges] == 10), spaced)

    def columns(self, rows: Any, positions: list[int]) -> tuple[Any, Any]:
        """Return the byte ranges (n_rows, n_positions) of cells that are there, without the spaces around them."""
        before = self.first[rows][:, None] + np.array(positions)
        start, end = self.edges[before] + 1, self.edges[before + 1]
        if self.spaced:
            _trim(self.data, start, end)
        return start, end

    def lines(self) -> tuple[Any, Any]:
        """Return the byte ranges of all lines, (n_lines,)."""
        return self.edges[self.first[:-1]] + 1, self.edges[self.first[1:]]

    def n_cells(self, rows: Any) -> Any:
        """Return the number of cells of lines."""
        return self.first[rows + 1] - self.first[rows]

    def line(self, row: int) -> str:
        """Return one line as text."""
        before, end = self.edges[self.first[row : row + 2]].tolist()
        return bytes(self.data[before + 1 : end]).decode("utf-8")

    def text(self, row: int, position: int) -> str:
        """Return one cell as text, empty where the line is too short."""
        if position >= self.n_cells(row):
            return ""
        start, end = self.columns(np.array([row]), [position])
        return bytes(self.data[start[0, 0] : end[0, 0]]).decode("utf-8").strip()


def _trim(data: Any, start: Any, end: Any) -> None:
    """Move both ends of each range past spaces and tabs, in place."""
    while (moves := _is_blank(data[start]) & (start < end)).any():
        start += moves
    while (moves := _is_blank(data[end - 1]) & (start < end)).any():
        end -= moves


def _is_blank(byte: Any) -> Any:
    return (byte == 32) | (byte == 9)


def _byte_matrix(data: Any, start: Any, width: int) -> Any:
    """Return (n, width) uint8: the bytes from each start on."""
    if width == 0:
        return np.zeros((len(start), 0), dtype=np.uint8)
    return np.lib.stride_tricks.sliding_window_view(data, width)[start]


def plain_numbers(data: Any, start: Any, end: Any, decimal: str) -> tuple[Any, Any]:
    """Read cells that are plain decimals: their numbers fill one word or two.

    Parameters
    ----------
    data : numpy.ndarray
        (n_bytes,) uint8.
    start, end : numpy.ndarray
        (n,) byte ranges without spaces around them.
    decimal : str
        The decimal sign.

    Returns
    -------
    values : numpy.ndarray
        (n,) float64; NaN where the cell is blank or not plain.
    odd : numpy.ndarray
        (n,) bool: neither plain nor blank.
    """
    if len(data) < 2 * WORD:  # no room for a word: each cell is read on its own
        return np.full(len(start), np.nan), end > start
    first, blank = data[start], end <= start
    length = end - start - ((first == 45) | (first == 43))
    plain = (length > 0) & (length <= 2 * WORD) & (end >= 2 * WORD)
    end = np.maximum(end, 2 * WORD)
    whole, places, digits, dots = _word_of_digits(data, end, np.clip(length, 0, WORD), decimal)
    if (length > WORD).any():
        high, high_places, more, more_dots = _word_of_digits(data, end - WORD, np.clip(length - WORD, 0, WORD), decimal)
        whole = whole + high * _TENS.astype(np.uint64)[digits]
        places = np.where(more_dots > 0, high_places + digits, places)
        digits, dots = digits + more, dots + more_dots
    plain &= (dots <= 1) & (digits >= 1) & (digits <= MAX_DIGITS)
    # A whole number below 10^15 over a power of ten: both exact, so the quotient is rounded correctly.
    values = whole.astype(np.float64) / _TENS[places]
    np.negative(values, out=values, where=first == 45)
    values[~plain] = np.nan
    return values, ~(plain | blank)


def _repeated(byte: int) -> Any:
    """Return the word that holds one byte in every place."""
    return np.uint64(byte * 0x0101010101010101)


_KEEP = np.array([0] + [(2**64 - 1) << (8 * (WORD - n)) & (2**64 - 1) for n in range(1, WORD + 1)], dtype=np.uint64)
_TENS = 10.0 ** np.arange(2 * WORD)


def _word_of_digits(data: Any, end: Any, length: Any, decimal: str) -> tuple[Any, Any, Any, Any]:
    """Read the last 0 to 8 bytes before each end.

    Returns
    -------
    whole, places, digits, dots : numpy.ndarray
        (n,) whole number without its decimal sign, digits behind that sign, all digits, and decimal signs: a high
        number of these where anything else stands there.
    """
    # A word from every byte on: the cell's last byte is the highest of its word.
    words = np.ndarray(len(data) - WORD + 1, dtype="<u8", buffer=data, strides=1)
    word = words[end - WORD]
    keep = _KEEP[length]
    word = (word & keep) | (_repeated(48) & ~keep)
    # The high bit of every byte that is the decimal sign (no carry from byte to byte).
    low7, apart = _repeated(0x7F), word ^ _repeated(ord(decimal))
    sign_bit = ~(((apart & low7) + low7) | apart | low7)
    has_sign = sign_bit != 0
    before = (sign_bit >> np.uint64(7)) - has_sign
    shifted = (word & before) << np.uint64(8) | np.uint64(48)
    behind = ~(before | (before << np.uint64(8)) | np.uint64(0xFF))
    word = np.where(has_sign, shifted | (word & behind), word)
    high = _repeated(0xF0)
    plain = ((word & high) == _repeated(0x30)) & (((word + _repeated(6)) & high) == _repeated(0x30))
    plain &= sign_bit & (sign_bit - has_sign) == 0
    places = np.where(has_sign, 7 - (np.bitwise_count(before) >> 3), 0)
    # Neighbouring digits, pairs and fours join to one whole number below 10^8.
    word = ((word & _repeated(0x0F)) * np.uint64(2561)) >> np.uint64(8)
    word = ((word & np.uint64(0x00FF00FF00FF00FF)) * np.uint64(6553601)) >> np.uint64(16)
    word = ((word & np.uint64(0x0000FFFF0000FFFF)) * np.uint64(42949672960001)) >> np.uint64(32)
    return word, places, length - has_sign, np.where(plain, has_sign, 9)


def number_and_rest(text: str, decimal: str) -> tuple[float, str] | None:
    """Return the number a text begins with, and the text behind it; None where it begins with none."""
    sign, written = re.escape(decimal), text.replace("\u2212", "-")
    match = re.match(rf"[+-]?(?:\d+(?:{sign}\d*)?|{sign}\d+)(?:[eE][+-]?\d{{1,3}})?", written, re.ASCII)
    return None if match is None else (float(match.group().replace(decimal, ".")), written[match.end() :].strip())


def read_cell(text: str, decimal: str, missing: tuple[str, ...], unit: str) -> float | str:
    """Return the number in one cell that is not a plain decimal, NaN where it is missing, or what is allowed instead.

    The declared decimal sign is taken, and the declared unit behind the number.
    """
    text = text.strip()
    if not text or text in missing:
        return math.nan
    allowed = f"a number with {decimal!r} as decimal sign"
    found = number_and_rest(text, decimal)
    if found is None:
        return allowed
    value, rest = found
    if not rest or UNIT_OF.get(rest.strip("[]()")) == unit:
        return value if math.isfinite(value) else f"{allowed}, finite"
    if rest.strip("[]()") in UNIT_OF:
        return f"{allowed} in {unit}, the declared unit"
    if re.fullmatch(r"[-+.,' \u2212\u00a0\u202f\d]+", text):
        return f"{allowed} and without thousands separators"
    return allowed


_LAYOUTS = 60
_MAX_TIME_BYTES = 119
_MAX_FAILED = 2000


def clock_seconds(data: Any, starts: Any, ends: Any, time_format: str) -> Any:
    """Return the seconds of many times.

    Parameters
    ----------
    data : numpy.ndarray
        (n_bytes,) uint8.
    starts, ends : numpy.ndarray
        (n, n_columns) byte ranges without spaces around them; several columns are joined by a space.
    time_format : str
        The declared format.

    Returns
    -------
    numpy.ndarray
        (n,) float64; NaN where a row is no such time.
    """
    seconds: Any = np.full(len(starts), np.nan)
    widths = np.minimum(ends - starts, _MAX_TIME_BYTES)
    codes = widths[:, 0]
    for width in widths.T[1:]:
        codes = np.unique(codes * (_MAX_TIME_BYTES + 1) + width, return_inverse=True)[1]
    for code in np.unique(codes).tolist():
        which = np.flatnonzero(codes == code)
        parts = [_byte_matrix(data, starts[which, i], width) for i, width in enumerate(widths[which[0]].tolist())]
        space = np.full((len(which), 1), 32, dtype=np.uint8)
        joined = [each for part in parts for each in (space, part)][1:]
        seconds[which] = _seconds_of_one_length(np.hstack(joined), time_format)
    return seconds


def _seconds_of_one_length(texts: Any, time_format: str) -> Any:
    """Return the seconds of times as (n, width) uint8."""
    seconds: Any = np.full(len(texts), np.nan)
    pattern = pattern_of(time_format)
    left = np.arange(len(texts))
    for _ in range(_LAYOUTS):
        # One length may hold several layouts, such as 1/12/2026 and 12/1/2026, and several words.
        if not left.size:
            return seconds
        match = pattern.fullmatch(bytes(texts[left[0]]).decode("utf-8", "replace"))
        if match is None or seconds_of(match) is None or not match.string.isascii():
            left = left[1:]
            continue
        good, values = _aligned(texts[left], match)
        seconds[left[good]] = values[good]
        left = left[~good]
    failed = 0
    for odd in left:
        value = seconds_of(pattern.fullmatch(bytes(texts[odd]).decode("utf-8", "replace")))
        if value is not None:
            seconds[odd] = value
        elif (failed := failed + 1) > _MAX_FAILED:
            break  # a column of something else
    return seconds


def _aligned(texts: Any, match: re.Match[str]) -> tuple[Any, Any]:
    """Read rows whose fields and words are where those of the first are: which rows fit, and their seconds."""
    places = np.ascontiguousarray(texts.T)  # one place of all texts after the other
    literal = np.ones(len(places), dtype=bool)
    good = np.ones(len(texts), dtype=bool)
    groups = {key: text for key, text in match.groupdict().items() if text is not None}
    values: dict[str, Any] = {key: word_value(key, text) for key, text in groups.items() if key in "bBpz"}
    fraction: Any = 0.0
    for key in groups.keys() & NUMERIC:
        low, high = match.span(key)
        literal[low:high] = False
        digits = places[low:high] - np.uint8(48)  # uint8 wraps: anything but a digit is above 9
        good &= (digits <= 9).all(axis=0)
        number = digits[0].astype(np.int64)
        for digit in digits[1:]:
            number = number * 10 + digit
        if key == "f":
            fraction = number / 10 ** (high - low)
            continue
        values[key] = number
        if key in RANGES:
            good &= (number >= RANGES[key][0]) & (number <= RANGES[key][1])
    good &= (places[literal] == places[literal, :1]).all(axis=0)
    whole = clock_part(values)
    if (years := year_of(values)) is not None:
        days, exists = _day_numbers(years, values, good)
        good &= exists
        whole = whole + days * 86_400
    return good, whole + fraction


def _day_numbers(year: Any, values: dict[str, Any], good: Any) -> tuple[Any, Any]:
    """Return the days since 1970-01-01, and which of them exist; each distinct date once."""
    month = next((values[key] for key in "mbB" if key in values), 1)
    day = values.get("d", values.get("j"))
    packed = np.where(good, (year * 100 + month) * 1000 + day, 0)
    if (packed == packed[0]).all():
        dates, which = packed[:1], np.zeros(len(packed), dtype=np.int64)
    else:
        dates, which = np.unique(packed, return_inverse=True)
    parts = [(*divmod(date // 1000, 100), date % 1000) for date in dates.tolist()]
    numbers = [date_number(y, 1, 1, d) if "j" in values else date_number(y, m, d, 1) for y, m, d in parts]
    exists = np.array([number is not None for number in numbers])
    return np.array([number or 0 for number in numbers])[which], exists[which]
