"""The verdict on a candidate: one rule, in one place.

The simultaneous interval decides what is shown; two one-sided tests decide
equivalence. The p value never sets a verdict.
"""

from __future__ import annotations

from typing import Literal

Verdict = Literal[
    "in doubt",
    "not replicated",
    "cooler by more than the margin",
    "warmer by more than the margin",
    "equivalent within the margin",
    "cooler",
    "warmer",
    "undecided",
]
Interval = tuple[float, float]


def is_equivalent(equivalence_interval: Interval | None, margin_K: float) -> bool | None:
    """Tell by two one-sided tests whether the interval lies inside the margin.

    Parameters
    ----------
    equivalence_interval : tuple of float or None
        ``D +- t(1 - alpha) SE``, K.
    margin_K : float
        Margin, > 0, K.

    Returns
    -------
    bool or None
        None without an interval.

    Notes
    -----
    Schuirmann 1987, J. Pharmacokinet. Biopharm. 15:657.
    """
    if equivalence_interval is None:
        return None
    low, high = equivalence_interval
    return -margin_K < low and high < margin_K


def decide(simultaneous_interval: Interval, equivalent: bool, margin_K: float) -> tuple[Verdict, str]:
    """Name what an interval shows.

    Parameters
    ----------
    simultaneous_interval : tuple of float
        Interval [L, U] of candidate minus baseline, K; negative is cooler.
    equivalent : bool
        Outcome of :func:`is_equivalent`.
    margin_K : float
        Margin, > 0, K.

    Returns
    -------
    (verdict, note) : tuple of str
        The note says where an equivalent candidate is shown to differ, but by less.
    """
    low, high = simultaneous_interval
    if high < -margin_K:
        return "cooler by more than the margin", ""
    if low > margin_K:
        return "warmer by more than the margin", ""
    if equivalent:
        note = "cooler, but by less than the margin" if high < 0.0 else ""
        return "equivalent within the margin", "warmer, but by less than the margin" if low > 0.0 else note
    if high < 0.0:
        return "cooler", ""
    if low > 0.0:
        return "warmer", ""
    return "undecided", ""
