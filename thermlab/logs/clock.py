"""The clock of a log: midnight on a clock without dates, and a clock that was set back."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np

from thermlab.logs.times import DAY_S

if TYPE_CHECKING:
    from thermlab.logs.settings import Clock
    from thermlab.logs.text import LogText

MAX_SPAN_S = 3650 * DAY_S
MAX_JUMPS = 20


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
