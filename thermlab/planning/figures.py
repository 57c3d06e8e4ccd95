"""The picture of the trade: power steps against mounts for the same hours, and the soak against both."""

from __future__ import annotations

from typing import TYPE_CHECKING

from thermlab.base.marks import MARKER, PAGE
from thermlab.reports.pictures import Picture, inches_box, new_figure, quiet, style

if TYPE_CHECKING:
    from collections.abc import Sequence

    from matplotlib.axes import Axes

    from thermlab.planning.records import Plan

DIFFERENCE = PAGE["link"]
THROTTLE = PAGE["caution-edge"]


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
    with style():
        figure = new_figure(2.9 * panels + 0.2)
        height = figure.get_size_inches()[1]
        for place in range(panels):
            top = 0.45 + place * 2.9
            box = inches_box(figure, left=0.75, right=0.75, bottom=height - top - 1.85, top=top)
            axes = figure.add_axes(box)
            if place == 0:
                _splits(axes, plan)
            else:
                _soaks(axes, plan)
    return Picture(figure, _words(plan))


def _splits(axes: Axes, plan: Plan) -> None:
    steps = [split.n_steps for split in plan.splits]
    _curve(axes, steps, [split.difference_half_width_K for split in plan.splits], DIFFERENCE, "o")
    _ceiling(axes, [split.difference_half_width_K for split in plan.splits])
    axes.axhline(plan.request.margin_K, color=PAGE["band-edge"], linewidth=1, linestyle=(0, (4, 2)))
    axes.axvline(plan.split.n_steps, color=PAGE["band"], linewidth=12, zorder=0)
    axes.set_xticks(steps, [f"{split.n_steps}\n{split.n_mounts} mounts" for split in plan.splits])
    axes.set_xlabel("power steps, and the mounts of each treatment for the same hours")
    axes.set_ylabel("difference: ± K", color=DIFFERENCE)
    axes.set_title("Half-widths (shaded: recommended, dashed: margin)", loc="left", fontsize=11)
    quiet(axes, keep=("bottom", "left"))
    _second(axes, steps, [split.throttle_half_width_W for split in plan.splits], "throttle power: ± W")


def _soaks(axes: Axes, plan: Plan) -> None:
    soaks = [soak.soak_min for soak in plan.soaks]
    _curve(axes, soaks, [soak.difference_half_width_K for soak in plan.soaks], DIFFERENCE, "o")
    _ceiling(axes, [soak.difference_half_width_K for soak in plan.soaks])
    axes.axvline(plan.times.soak_min, color=PAGE["band"], linewidth=12, zorder=0)
    axes.set_xticks(soaks, [f"{soak.soak_min:g}\n{soak.n_mounts}" for soak in plan.soaks])
    axes.set_xlabel("soak in min, and the mounts of each treatment for the same hours")
    axes.set_ylabel("difference: ± K", color=DIFFERENCE)
    axes.set_title("Soak (shaded: planned)", loc="left", fontsize=11)
    quiet(axes, keep=("bottom", "left"))
    _second(axes, soaks, [soak.left_K for soak in plan.soaks], "left to extrapolate: K")


def _curve(axes: Axes, places: Sequence[float], values: Sequence[float | None], colour: str, marker: str) -> None:
    known = [(place, value) for place, value in zip(places, values, strict=True) if value is not None]
    if known:
        axes.plot(*zip(*known, strict=True), color=colour, marker=marker, linewidth=1.5)


def _ceiling(axes: Axes, values: Sequence[float | None], room: float = 1.15) -> None:
    # Zero is the floor, so that heights compare.
    known = [value for value in values if value is not None]
    axes.set_ylim(0, room * max(known) if known else 1)


def _second(axes: Axes, places: Sequence[float], values: Sequence[float | None], label: str) -> None:
    if all(value is None for value in values):
        return
    other = axes.twinx()
    _curve(other, places, values, THROTTLE, MARKER["second"])
    _ceiling(other, values, room=1.5)  # the two curves have nearly the same shape: keep them apart
    other.set_ylabel(label, color=THROTTLE)
    quiet(other, keep=("right",))


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
