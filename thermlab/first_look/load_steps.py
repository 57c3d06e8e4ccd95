"""Where are the load steps of a log? Plateaus of power, found for a person to check."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

import numpy as np
import numpy.typing as npt

if TYPE_CHECKING:
    from collections.abc import Sequence

Array = npt.NDArray[np.float64]

SHORTEST_S = 60.0
IDLE_SHARE = 0.3
"""Below so much of the highest power a plateau is called idle."""


@dataclass(frozen=True, slots=True, kw_only=True)
class LoadStep:
    """A plateau of power.

    Attributes
    ----------
    first, last : int
        Its rows, both included.
    start_s, end_s : float
        Times of these rows on the log's own clock, s.
    power_W : float
        Level early on the plateau, after any overshoot, W.
    end_power_W : float
        Level at its end, W.
    idle : bool
        Whether the power is so low beside the others that nothing was loaded.
    """

    first: int
    last: int
    start_s: float
    end_s: float
    power_W: float
    end_power_W: float
    idle: bool = False

    @property
    def minutes(self) -> float:
        """How long it lasted, min."""
        return (self.end_s - self.start_s) / 60.0


def find_steps(time_s: Array, power_W: Array) -> tuple[LoadStep, ...]:
    """Find the plateaus of power in a log.

    Parameters
    ----------
    time_s : ndarray, shape (n,)
        Times, never decreasing, s.
    power_W : ndarray, shape (n,)
        Power, NaN where missing, W.

    Returns
    -------
    tuple of LoadStep
        In order; jumps shorter than a minute belong to the step that follows.
    """
    known = np.flatnonzero(~np.isnan(power_W))
    if known.size < 10 or time_s[known[-1]] <= time_s[known[0]]:
        return ()
    t, p = time_s[known], power_W[known]
    interval = float(np.median(np.diff(t)))
    hole = max(60.0, 10.0 * interval)
    length = float(np.clip((t[-1] - t[0]) / 1500.0, max(5.0, 3.0 * interval), max(30.0, 3.0 * interval)))
    block = (np.floor((t - t[0]) / length)).astype(np.int64)
    starts = np.flatnonzero(np.r_[True, np.diff(block) > 0])
    stops = np.r_[starts[1:], t.size]
    level = np.array([np.median(p[a:b]) for a, b in zip(starts, stops, strict=True)])
    noise = 4.0 * float(np.median(np.abs(np.diff(level)))) if level.size > 1 else 0.0
    broken = np.r_[False, np.diff(t[starts]) > hole + length]
    least = max(0.02 * float(np.percentile(level, 99)), noise)
    pieces = _plateaus(level, broken, least)
    pieces = _joined(pieces, level, t[starts], t[stops - 1], broken, max(SHORTEST_S, 3.0 * length))
    found = []
    for a, b in pieces:
        first, last = int(starts[a]), int(stops[b - 1]) - 1
        # A block may hold the end of the level before it.
        while first < last and a > 0 and abs(p[first] - level[a - 1]) < abs(p[first] - level[min(a + 1, b - 1)]):
            first += 1
        last = _before_next(p, first, last, level, b)
        inside = level[a:b]
        early = inside[len(inside) // 10 : max(len(inside) // 10 + 1, len(inside) // 4 + 1)]
        late = inside[-max(1, len(inside) // 10) :]
        found.append(
            LoadStep(
                first=int(known[first]),
                last=int(known[last]),
                start_s=float(t[first]),
                end_s=float(t[last]),
                power_W=float(np.median(early)),
                end_power_W=float(np.median(late)),
            )
        )
    return tuple(found)


def _before_next(p: Array, first: int, last: int, level: Array, stop: int) -> int:
    """Return the last row that belongs to a plateau: its last block may hold the beginning of the next."""
    if stop >= level.size:
        return last
    own, following = level[stop - 1], level[stop]
    while last > first and abs(p[last] - following) < abs(p[last] - own):
        last -= 1
    return last


def _plateaus(level: Array, broken: npt.NDArray[np.bool_], least: float) -> list[tuple[int, int]]:
    """Cut blocks where the level moves and stays; a slow fall is followed and not cut."""
    pieces, begin, i = [], 0, 1
    while i < level.size:
        recent = float(np.median(level[max(begin, i - 8) : i]))
        allowed = max(0.04 * abs(recent), least)
        moved = abs(level[i] - recent) > allowed
        stays = i + 1 >= level.size or broken[i + 1] or abs(level[i + 1] - recent) > allowed
        if broken[i] or (moved and stays):
            pieces.append((begin, i))
            begin = i
        i += 1
    pieces.append((begin, level.size))
    return pieces


def _joined(
    pieces: list[tuple[int, int]],
    level: Array,
    begins: Array,
    ends: Array,
    broken: npt.NDArray[np.bool_],
    shortest: float,
) -> list[tuple[int, int]]:
    """Give short pieces to the plateau that follows, where it is near in level, and drop the others."""

    def length(piece: tuple[int, int]) -> float:
        return float(ends[piece[1] - 1] - begins[piece[0]])

    def middle(piece: tuple[int, int]) -> float:
        return float(np.median(level[piece[0] : piece[1]]))

    kept: list[tuple[int, int]] = []
    waiting: tuple[int, int] | None = None
    for piece in pieces:
        whole = piece
        if waiting is not None and not broken[piece[0]] and abs(middle(waiting) - middle(piece)) < 0.15 * middle(piece):
            whole = (waiting[0], piece[1])
        waiting = None
        if length(whole) < shortest:
            waiting = whole
            continue
        before = kept[-1] if kept else None
        near = before is not None and abs(middle(before) - middle(piece)) < 0.03 * abs(middle(piece))
        # A moment at another level, such as a drop of some seconds, does not end a step.
        if before is not None and near and _no_break(before[1], whole[0], begins, ends, broken, shortest):
            kept[-1] = (before[0], whole[1])
        else:
            kept.append(whole)
    return kept


def _no_break(
    stop: int, start: int, begins: Array, ends: Array, broken: npt.NDArray[np.bool_], shortest: float
) -> bool:
    return not broken[stop : start + 1].any() and bool(begins[start] - ends[stop - 1] < shortest)


def mark_idle(logs: Sequence[tuple[LoadStep, ...]]) -> list[tuple[LoadStep, ...]]:
    """Mark the idle plateaus of several logs of one bench."""
    highest = max((step.power_W for steps in logs for step in steps), default=0.0)
    return [tuple(replace(step, idle=not step.power_W > IDLE_SHARE * highest) for step in steps) for steps in logs]


def round_power(power_W: float) -> float:
    """Return the set power a level was probably meant to be: a multiple of 5 W or 1 W within 1.5 %, W."""
    for step in (5.0, 1.0):
        near = step * round(power_W / step)
        if near > 0 and abs(near - power_W) <= 0.015 * power_W:
            return near
    return float(f"{power_W:.3g}")
