"""One root of a continuous function in a bracket, without the second that importing an optimiser takes."""

from __future__ import annotations

from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from collections.abc import Callable

SMALLEST_RTOL = 8.881784197001252e-16
MOST_STEPS = 200


def bracketed_root(
    f: Callable[[float], float], low: float, high: float, *, xtol: float, rtol: float = SMALLEST_RTOL
) -> float:
    """Find the root of a function between two arguments where it has different signs.

    Brent's method: inverse quadratic interpolation and secant steps, bisection where these do not shrink the bracket.

    Parameters
    ----------
    f : callable
        Continuous function of one number.
    low, high : float
        Bracket; the function is of different signs there, or zero at one of them.
    xtol, rtol : float
        The root is known to within ``xtol + rtol * abs(root)``.

    Returns
    -------
    float

    Raises
    ------
    ValueError
        The function has the same sign at both ends.

    References
    ----------
    R. P. Brent, Algorithms for Minimization without Derivatives, 1973, chapter 4.
    """
    a, b = float(low), float(high)
    fa, fb = float(f(a)), float(f(b))
    if fa == 0.0:
        return a
    if fb == 0.0:
        return b
    if (fa < 0) == (fb < 0):
        raise ValueError(f"no change of sign between {low:g} and {high:g}")
    c, fc = a, fa
    step = before = b - a
    for _ in range(MOST_STEPS):
        if (fb < 0) == (fc < 0):
            c, fc = a, fa
            step = before = b - a
        if abs(fc) < abs(fb):
            a, b, c = b, c, b
            fa, fb, fc = fb, fc, fb
        tolerance = 0.5 * (xtol + rtol * abs(b))
        middle = 0.5 * (c - b)
        if fb == 0.0 or abs(middle) <= tolerance:
            return b
        if abs(before) >= tolerance and abs(fa) > abs(fb):
            move, divisor = _interpolated(a, b, c, fa, fb, fc)
            if 2.0 * move < min(3.0 * middle * divisor - abs(tolerance * divisor), abs(before * divisor)):
                before, step = step, move / divisor
            else:
                step = before = middle
        else:
            step = before = middle
        a, fa = b, fb
        b += step if abs(step) > tolerance else (tolerance if middle > 0 else -tolerance)
        fb = float(f(b))
    return b


def _interpolated(a: float, b: float, c: float, fa: float, fb: float, fc: float) -> tuple[float, float]:
    """Return a step from b as numerator, not negative, and denominator."""
    s = fb / fa
    if a == c:
        p, q = (c - b) * s, 1.0 - s
    else:
        q, r = fa / fc, fb / fc
        p = s * ((c - b) * q * (q - r) - (b - a) * (r - 1.0))
        q = (q - 1.0) * (r - 1.0) * (s - 1.0)
    return (p, -q) if p > 0 else (-p, q)
