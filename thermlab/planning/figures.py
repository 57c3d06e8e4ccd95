"""The picture of the trade: power steps against mounts for the same hours, and the soak against both."""

from __future__ import annotations

from typing import TYPE_CHECKING

import pandas as pd
import seaborn as sns

from thermlab.base.marks import MARKER, PAGE
from thermlab.reports.pictures import DASHED, Picture, new_figure, quiet, stack

if TYPE_CHECKING:
    from collections.abc import Sequence
    from typing import Any

    from matplotlib.axes import Axes

    from thermlab.planning.records import Plan

DIFFERENCE = PAGE["link"]
OTHER = PAGE["caution-edge"]


def trade(plan: Plan) -> Picture:
    """Draw what every split of the hours gives, and what every soak gives where the time constant is known.

    Parameters
    ----------
    plan : Plan
        A plan.

    Returns
    -------
    Picture
        Figure with its words.
    """
    panels = 2 if plan.soaks else 1
    with new_figure(2.9 * panels + 0.2) as figure:
        upper, *rest = stack(figure, [1.85] * panels, left=0.75, right=0.75, top=0.45, gap=1.05, share=False)
        _against(upper, plan.splits, "n_steps", "throttle_half_width_W", "throttle power: ± W", plan.split.n_steps)
        upper.axhline(plan.request.margin_K, color=PAGE["band-edge"], lw=1, ls=DASHED)
        upper.set_xticks(
            [split.n_steps for split in plan.splits],
            [f"{split.n_steps}\n{split.n_mounts} mounts" for split in plan.splits],
        )
        upper.set_xlabel("power steps, and the mounts of each treatment for the same hours")
        upper.set_title("Half-widths (shaded: recommended, dashed: margin)", loc="left", fontsize=11)
        for lower in rest:
            _against(lower, plan.soaks, "soak_min", "left_K", "left to extrapolate: K", plan.times.soak_min)
            lower.set_xticks(
                [soak.soak_min for soak in plan.soaks], [f"{soak.soak_min:g}\n{soak.n_mounts}" for soak in plan.soaks]
            )
            lower.set_xlabel("soak in min, and the mounts of each treatment for the same hours")
            lower.set_title("Soak (shaded: planned)", loc="left", fontsize=11)
    return Picture(figure, _words(plan))


def _against(axes: Axes, choices: Sequence[Any], along: str, second: str, label: str, chosen: float) -> None:
    """Draw the half-width of a difference and a second quantity over the choices, the one that was taken shaded."""
    names = (along, "difference_half_width_K", second)
    frame = pd.DataFrame({name: [getattr(choice, name) for choice in choices] for name in names}, dtype=float)
    axes.axvline(chosen, color=PAGE["band"], lw=12, zorder=0)
    # The two curves have nearly the same shape: more room over the second keeps them apart.
    curves = [("difference_half_width_K", "difference: ± K", DIFFERENCE, MARKER["one"], axes, 1.15)]
    if frame[second].notna().any():
        curves.append((second, label, OTHER, MARKER["second"], axes.twinx(), 1.5))
    for quantity, words, colour, marker, own, room in curves:
        sns.lineplot(frame, x=along, y=quantity, color=colour, marker=marker, mec=colour, lw=1.5, ax=own)
        highest = frame[quantity].max()
        own.set_ylim(0, room * highest if highest > 0 else 1)  # zero is the floor, so that heights compare
        own.set_ylabel(words, color=colour)
        quiet(own, keep=("bottom", "left") if own is axes else ("right",))


def _words(plan: Plan) -> str:
    parts = [
        f"{split.n_steps} steps: {split.n_mounts} mounts, difference {_width(split.difference_half_width_K, 'K')}, "
        f"throttle power {_width(split.throttle_half_width_W, 'W')}"
        for split in plan.splits
    ]
    text = f"Half-widths for the same hours. {'; '.join(parts)}. Recommended: {plan.split.n_steps} steps."
    if plan.soaks:
        soaks = [
            f"{soak.soak_min:g} min: {soak.n_mounts} mounts, difference {_width(soak.difference_half_width_K, 'K')}, "
            f"{soak.left_K:.2f} K left to extrapolate"
            for soak in plan.soaks
        ]
        text += f" Soak. {'; '.join(soaks)}. Planned: {plan.times.soak_min:g} min."
    return text


def _width(value: float | None, unit: str) -> str:
    return "no interval" if value is None else f"± {value:.2f} {unit}"
