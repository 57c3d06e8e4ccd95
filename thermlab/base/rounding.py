"""Numbers as people should read them: two significant digits of the uncertainty.

JCGM 100:2008, 7.2.6: it usually suffices to quote an uncertainty to at most two
significant digits, and an estimate to the digits of its uncertainty.
"""

from __future__ import annotations

import math
from decimal import ROUND_HALF_EVEN, Decimal

NOT_AVAILABLE = "n/a"
_DIGITS = 2
_PLAIN_DIGITS = 3


def uncertainty_decimals(u: float | None) -> int | None:
    """Decimal places that keep two significant digits of an uncertainty.

    Parameters
    ----------
    u : float or None
        Standard uncertainty or half-width.

    Returns
    -------
    int or None
        Negative where whole tens or hundreds are rounded; None without a usable uncertainty.
    """
    if u is None or not math.isfinite(u) or not u > 0.0:
        return None
    place = _DIGITS - 1 - math.floor(math.log10(u))
    # 0.0996 becomes 0.10: rounding may carry into one digit more than is wanted.
    carried = round(u, place) >= 10.0 ** (_DIGITS - place) * (1.0 - 1e-12)
    return place - 1 if carried else place


def round_to_decimals(value: float, decimals: int) -> str:
    """Write a value with so many decimals, halves to even, no minus before zero.

    Parameters
    ----------
    value : float
        Value.
    decimals : int
        Decimal places; negative: whole tens, hundreds ...

    Returns
    -------
    str
    """
    rounded = Decimal(repr(float(value))).quantize(Decimal(1).scaleb(-decimals), rounding=ROUND_HALF_EVEN)
    text = f"{rounded:f}"
    return text.lstrip("-") if rounded == 0 else text


def round_to_uncertainty(value: float | None, u: float | None) -> str:
    """Write a value to the digits of its uncertainty.

    Parameters
    ----------
    value : float or None
        Value.
    u : float or None
        Its standard uncertainty, same unit.

    Returns
    -------
    str
        Without a usable uncertainty three significant digits; ``n/a`` without a value.
    """
    if value is None or not math.isfinite(value):
        return NOT_AVAILABLE
    decimals = uncertainty_decimals(u)
    if decimals is None:
        decimals = 0 if value == 0.0 else max(0, _PLAIN_DIGITS - 1 - math.floor(math.log10(abs(value))))
    return round_to_decimals(value, decimals)


def round_uncertainty(u: float | None) -> str:
    """Write an uncertainty with two significant digits.

    Parameters
    ----------
    u : float or None
        Uncertainty.

    Returns
    -------
    str
        ``n/a`` where there is none.
    """
    decimals = uncertainty_decimals(u)
    if u is None or decimals is None:
        return "0" if u == 0.0 else NOT_AVAILABLE
    return round_to_decimals(u, decimals)


def format_with_uncertainty(value: float | None, u: float | None, unit: str = "") -> str:
    """Write ``value +- u unit`` to two significant digits of ``u``.

    Parameters
    ----------
    value, u : float or None
        Value and its uncertainty.
    unit : str
        Unit.

    Returns
    -------
    str
    """
    text = round_to_uncertainty(value, u)
    if text != NOT_AVAILABLE and uncertainty_decimals(u) is not None:
        text = f"{text} ± {round_uncertainty(u)}"
    return f"{text} {unit}" if unit and text != NOT_AVAILABLE else text


def format_interval(low: float | None, high: float | None, unit: str = "") -> str:
    """Write an interval to two significant digits of its half-width.

    Parameters
    ----------
    low, high : float or None
        Ends.
    unit : str
        Unit.

    Returns
    -------
    str
        ``low to high unit``; ``n/a`` where an end is missing.
    """
    if low is None or high is None or not (math.isfinite(low) and math.isfinite(high)):
        return NOT_AVAILABLE
    half = abs(high - low) / 2.0
    text = f"{round_to_uncertainty(low, half)} to {round_to_uncertainty(high, half)}"
    return f"{text} {unit}" if unit else text
