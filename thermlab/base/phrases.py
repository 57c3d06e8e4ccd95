"""Numbers and intervals as people read them, and the words around them.

Numbers carry two significant digits of their uncertainty (GUM 7.2.6), with a
true minus sign. A difference is candidate minus baseline, but people read
"cooler" and "warmer", so words replace the sign.
"""

from __future__ import annotations

import re
from typing import TYPE_CHECKING

from thermlab.base import rounding
from thermlab.base.rounding import round_to_decimals

if TYPE_CHECKING:
    from collections.abc import Sequence

Interval = tuple[float, float] | None
_UNIT = re.compile(r"(\d) (K|W|%|°C|min|mounts?|runs?)(?!\w)")

_MINUS = re.compile(r"(?<![\w.\-])-(?=\d)")


def number(value: float | None, decimals: int, *, sign: bool = False, blank: str = "–") -> str:
    """Write a number with a true minus sign; `blank` stands for None."""
    if value is None:
        return blank
    text = round_to_decimals(value, decimals)
    if sign and value > 0.0 and any(digit in "123456789" for digit in text):
        text = "+" + text
    return text.replace("-", "−")


def decimals_for(u: float | None, *, default: int = 1) -> int:
    """Return the decimals that show `u` with two significant digits, `default` without a usable `u`."""
    decimals = rounding.uncertainty_decimals(u)
    return default if decimals is None else decimals


def together(text: str) -> str:
    """Keep a number and its unit on one line, and write minus signs and degrees Celsius as people do."""
    return _UNIT.sub("\\1\u00a0\\2", _MINUS.sub("−", text.replace(" degC", " °C")))


def interval_decimals(interval: Interval, *, default: int = 1) -> int:
    """Return the decimals for an interval, from half its width."""
    return default if interval is None else decimals_for((interval[1] - interval[0]) / 2.0, default=default)


def with_interval(value: float | None, interval: Interval, *, sign: bool = True) -> str:
    """Write ``value [low, high]`` at the precision of the interval."""
    if value is None:
        return "–"
    decimals = interval_decimals(interval)
    if interval is None:
        return number(value, decimals, sign=sign)
    low, high = (number(end, decimals, sign=sign) for end in interval)
    return f"{number(value, decimals, sign=sign)} [{low}, {high}]"


def percent(level: float) -> str:
    """Write a fraction as a percentage: 0.95 is ``95 %``."""
    return f"{100.0 * level:g} %"


def watts(power_W: float | None) -> str:
    """Write a power step."""
    return "–" if power_W is None else f"{power_W:g} W"


def watt_decimals(interval: Interval) -> int:
    """Return the decimals for a throttle power: as its interval asks, but no finer than power meters and rooms are."""
    return min(1, interval_decimals(interval, default=0))


def listed(names: Sequence[str], *, last: str = "and") -> str:
    """Join names as in a sentence."""
    return names[0] if len(names) == 1 else ", ".join(names[:-1]) + f" {last} " + names[-1]


def difference_words(difference_K: float, decimals: int) -> str:
    """Say a difference as ``1.3 K cooler`` or ``0.2 K warmer``."""
    shown = number(abs(difference_K), decimals)
    if not any(digit in "123456789" for digit in shown):
        return f"{shown} K"
    return f"{shown} K {'cooler' if difference_K < 0.0 else 'warmer'}"


def span_words(interval: tuple[float, float], decimals: int) -> str:
    """Say an interval of a difference in words."""
    low, high = interval
    if high < 0.0:
        return f"{number(-high, decimals)} to {number(-low, decimals)} K cooler"
    if low > 0.0:
        return f"{number(low, decimals)} to {number(high, decimals)} K warmer"
    return f"from {number(-low, decimals)} K cooler to {number(high, decimals)} K warmer"
