"""The picture of all mounts along the ladder: rise against power."""

from __future__ import annotations

import itertools
from collections import defaultdict
from typing import TYPE_CHECKING

import numpy as np

from thermlab.base.marks import MARKER, PAGE, Mark
from thermlab.base.phrases import listed, number
from thermlab.reports.pages import Block, marks_of, remark
from thermlab.reports.pictures import Picture, inches_box, new_figure, short, spread_labels, style
from thermlab.stats.curves import RiseCurve, fit_curve
from thermlab.stats.least_squares import NotEstimableError

if TYPE_CHECKING:
    from collections.abc import Sequence

    from matplotlib.axes import Axes

    from thermlab.compare.analysis import Analysis
    from thermlab.runs.records import ReducedRun

_Mount = tuple[str, str]


def rise_against_power(analysis: Analysis) -> Picture | Block:
    """Draw every mount's settled rises with fitted curves, and below them what is left beside the baseline's curve.

    Parameters
    ----------
    analysis : Analysis
        What was found.

    Returns
    -------
    Picture or Block
        A sentence in place of the picture where no run could be used.
    """
    mounts = _rises_by_mount(analysis.runs)
    if not mounts:
        return remark("No picture: no run could be used.")
    marks = marks_of(analysis)
    curves = {mount: curve for mount, steps in mounts.items() if (curve := _curve(steps)) is not None}
    baseline = analysis.campaign.settings.baseline
    reference = _mean_curve([c for (name, _), c in curves.items() if name == baseline] or list(curves.values()))
    with style():
        figure = new_figure(6.1 if reference else 4.0)
        height = figure.get_size_inches()[1]
        split = 2.85 if reference else 0.7
        upper = figure.add_axes(inches_box(figure, left=1.0, right=1.45, bottom=split, top=0.3))
        _draw_mounts(upper, mounts, curves, marks, None)
        _unused(upper, analysis.runs)
        upper.set_ylabel("rise over the room in K")
        upper.set_ylim(0.0, 1.06 * upper.get_ylim()[1])
        if not reference or len({name for name, _ in mounts}) <= 5:  # lines of many lie too close here to be named
            _name_lines(upper, _ends(mounts, curves, None), marks, height_in=height - split - 0.3)
        if reference:
            lower = figure.add_axes(
                inches_box(figure, left=1.0, right=1.45, bottom=0.62, top=height - 2.65), sharex=upper
            )
            upper.tick_params(labelbottom=False)
            lower.axhline(0.0, color=PAGE["rule"], lw=1.0, zorder=0)
            _draw_mounts(lower, mounts, curves, marks, reference)
            whose = baseline if any(name == baseline for name, _ in curves) else "mean"
            lower.set_ylabel("less the curve of\n" + short(whose, 18, 1) + " in K", fontsize=10)
            lower.margins(y=0.12)
            lower.set_xlabel("set power in W")
            _name_lines(lower, _ends(mounts, curves, reference), marks, height_in=2.03)
        else:
            upper.set_xlabel("set power in W")
    return Picture(figure, _rise_alt(analysis, mounts))


def _rises_by_mount(runs: Sequence[ReducedRun]) -> dict[_Mount, dict[float, float]]:
    gathered: dict[_Mount, dict[float, list[float]]] = defaultdict(lambda: defaultdict(list))
    for run in runs:
        if run.used and run.rise_K is not None:
            gathered[run.treatment, run.mount][run.set_power_W].append(run.rise_K)
    return {
        mount: {power: sum(rises) / len(rises) for power, rises in sorted(steps.items())}
        for mount, steps in gathered.items()
    }


def _curve(steps: dict[float, float]) -> RiseCurve | None:
    if len(steps) < 2:
        return None
    try:
        return fit_curve(list(steps), list(steps.values()))
    except NotEstimableError:
        return None


def _mean_curve(curves: Sequence[RiseCurve]) -> RiseCurve | None:
    if not curves:
        return None
    return RiseCurve(
        b_K_per_W=sum(c.b_K_per_W for c in curves) / len(curves),
        a=sum(c.a for c in curves) / len(curves),
        lowest_W=min(c.lowest_W for c in curves),
        highest_W=max(c.highest_W for c in curves),
    )


def _draw_mounts(
    axes: Axes,
    mounts: dict[_Mount, dict[float, float]],
    curves: dict[_Mount, RiseCurve],
    marks: dict[str, Mark],
    reference: RiseCurve | None,
) -> None:
    names = [name for name in marks if any(mount[0] == name for mount in mounts)]
    powers = sorted({power for steps in mounts.values() for power in steps})
    gap = min((b - a for a, b in itertools.pairwise(powers)), default=powers[0])
    for mount, steps in mounts.items():
        mark = marks[mount[0]]
        # Beside each other, so that mounts of several treatments at one step can all be seen.
        aside = (
            0.0
            if reference is None
            else min(0.13, 0.6 / len(names)) * gap * (names.index(mount[0]) - (len(names) - 1) / 2.0)
        )
        at = np.array(list(steps))
        rises = np.array(list(steps.values()))
        if reference is not None:
            rises = rises - np.array([reference.rise_K(power) for power in at])
        axes.plot(at + aside, rises, mark.marker, ms=5.5, mfc="none", mec=mark.colour, mew=1.2, ls="none", zorder=4)
        if mount in curves:
            x, y = _line(curves[mount], reference)
            axes.plot(x, y, color=mark.colour, ls=mark.line, lw=0.9, alpha=0.85, zorder=3)


def _line(curve: RiseCurve, reference: RiseCurve | None) -> tuple[list[float], list[float]]:
    x = [float(power) for power in np.linspace(curve.lowest_W, curve.highest_W, 40)]
    return x, [curve.rise_K(power) - (reference.rise_K(power) if reference else 0.0) for power in x]


def _ends(
    mounts: dict[_Mount, dict[float, float]], curves: dict[_Mount, RiseCurve], reference: RiseCurve | None
) -> dict[str, float]:
    ends: dict[str, list[float]] = defaultdict(list)
    for mount, steps in mounts.items():
        value = _line(curves[mount], reference)[1][-1] if mount in curves else list(steps.values())[-1]
        ends[mount[0]].append(value)
    return {name: sum(values) / len(values) for name, values in ends.items()}


def _name_lines(axes: Axes, ends: dict[str, float], marks: dict[str, Mark], *, height_in: float) -> None:
    """Write each treatment's name beside the end of its lines instead of a legend."""
    low, high = axes.get_ylim()
    names = list(ends)
    gap = min(0.36 / height_in, 1.0 / max(len(names) - 1, 1))
    lines = 2 if gap * height_in > 0.3 else 1
    heights = spread_labels([(ends[name] - low) / (high - low) for name in names], gap)
    aside = min(0.0, 1.0 - max(heights)) + max(0.0, -min(heights))  # into the axes, where they fit
    for name, y in zip(names, heights, strict=True):
        mark = marks[name]
        axes.plot(
            [1.04], [y + aside], mark.marker, transform=axes.transAxes, mfc="none", mec=mark.colour, mew=1.2, ms=6,
            clip_on=False,
        )  # fmt: skip
        text = short(name, 14, lines)
        axes.text(1.07, y + aside, text, transform=axes.transAxes, va="center", fontsize=9.8, color=mark.colour)
    axes.set_ylim(low, high)


def _unused(axes: Axes, runs: Sequence[ReducedRun]) -> None:
    left_out = [run for run in runs if not run.used and run.rise_K is not None]
    if not left_out:
        return
    axes.plot(
        [run.set_power_W for run in left_out], [run.rise_K or 0.0 for run in left_out], MARKER["cross"],
        color=PAGE["wrong"], ms=7, mew=1.6, ls="none", zorder=6,
    )  # fmt: skip
    axes.text(0.02, 0.97, "× left out", transform=axes.transAxes, va="top", fontsize=9.5, color=PAGE["wrong"])


def _rise_alt(analysis: Analysis, mounts: dict[_Mount, dict[float, float]]) -> str:
    top = max(power for steps in mounts.values() for power in steps)
    parts = []
    for name in marks_of(analysis):
        rises = [steps[top] for mount, steps in mounts.items() if mount[0] == name and top in steps]
        if rises:
            parts.append(f"{name} {', '.join(number(rise, 1) for rise in rises)} K")
    lost = [run.run for run in analysis.runs if not run.used]
    return (
        f"Settled rise against set power, every mount with its fitted curve, and below the same less the baseline's "
        f"curve. At {top:g} W, mount by mount: {'; '.join(parts)}." + (f" Left out: {listed(lost)}." if lost else "")
    )
