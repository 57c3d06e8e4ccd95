"""Which way of spending the hours to recommend, and why."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from collections.abc import Sequence

    from thermlab.planning.steps import Split, SplitProblem


def fewest_steps(problem: SplitProblem) -> int:
    """Return the fewest steps that answer what is asked.

    One for a difference. The throttle power needs the curve: two steps where the curve of the bench is known and they
    enclose the throttle power, otherwise three, since with two nothing would show that it bends otherwise.
    """
    power = problem.throttle_power_W()
    if power is None:
        return 1
    return 2 if problem.curve_known and min(problem.ladder_W) <= power <= max(problem.ladder_W) else 3


def recommend_split(problem: SplitProblem, splits: Sequence[Split]) -> tuple[Split, str]:
    """Recommend one split and say why.

    The narrowest difference wins; where the throttle power is asked for, the smallest product of the two half-widths
    among the splits that carry the curve.
    """
    usable = [split for split in splits if split.difference_half_width_K is not None]
    if not usable:
        best = max(splits, key=lambda split: (split.n_mounts, -split.n_steps))
        why = "The hours buy one mount of each treatment, which shows no difference whatever the steps."
        return best, f"{why} Plan more hours, or bring a mount SD from earlier campaigns."
    fewest = fewest_steps(problem)
    with_curve = [split for split in usable if split.throttle_half_width_W is not None]
    with_check = [split for split in with_curve if split.n_steps >= fewest]
    if fewest == 1:
        best = min(usable, key=_width_of_difference)
        why = "No throttle power is asked for, so no more steps than the difference needs"
        if problem.limit_rise_K is not None:
            why = "The throttle power lies out of reach of the steps, so no more of them than the difference needs"
    elif with_check:
        best = min(with_check, key=_product)
        bend = "they enclose it" if fewest == 2 else "two would not show that it bends otherwise"
        why = f"The throttle power needs the curve, so at least {fewest} steps ({bend})"
    elif with_curve:
        best = min(with_curve, key=_product)
        why = "The hours buy the curve with two steps only, which would not show that it bends otherwise"
    else:
        best = min(usable, key=_width_of_difference)
        why = "The hours do not buy the curve on two mounts of each treatment, so the throttle power is given up"
    why += "; every other hour goes into mounts, because the mount is what varies: "
    return best, why + _against_the_ladder(best, max(splits, key=lambda split: split.n_steps))


def _against_the_ladder(best: Split, ladder: Split) -> str:
    text = f"{best.n_mounts} mounts of each treatment"
    if ladder.n_steps <= best.n_steps:
        return text + "."
    text += f" instead of {ladder.n_mounts} with {ladder.n_steps} steps."
    if ladder.difference_half_width_K is None:
        return text + " That ladder gives no interval at all."
    widths = f"{best.difference_half_width_K:.2f} K instead of {ladder.difference_half_width_K:.2f} K"
    return f"{text} The half-width of a difference is {widths}."


def _width_of_difference(split: Split) -> float:
    return math.inf if split.difference_half_width_K is None else split.difference_half_width_K


def _product(split: Split) -> float:
    return _width_of_difference(split) * (split.throttle_half_width_W or math.inf)
