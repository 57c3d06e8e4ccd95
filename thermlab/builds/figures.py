"""The picture of a build record: where the build is, and what margin it has."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from thermlab.base.marks import MARKER, PAGE
from thermlab.base.numbers import number, percent, with_interval
from thermlab.reports.pages import Block, remark
from thermlab.reports.pictures import Picture, bar, hollow, name_rows, new_figure, panel, quiet, small_print

if TYPE_CHECKING:
    from matplotlib.axes import Axes

    from thermlab.builds.assess import BuildAssessment
    from thermlab.builds.expectations import Expected
    from thermlab.builds.throttle import BuildThrottle

_SMALL: dict[str, Any] = {"fontsize": 9.3, "color": PAGE["muted"]}
_ROW_IN = 0.62


def build(assessment: BuildAssessment) -> Picture | Block:
    """Draw the build's rises against the interval for a fresh mount, and its throttle power against the requirement.

    Parameters
    ----------
    assessment : BuildAssessment
        What was found.

    Returns
    -------
    Picture or Block
        A sentence in place of the picture where there is nothing to draw.
    """
    drawn = [one for one in assessment.rises if one.expected_rise_K is not None]
    if not drawn:
        return remark("No picture: no acceptance run could be used.")
    upper_in, lower_in = 0.55 + _ROW_IN * len(drawn), 0.75
    height = upper_in + lower_in + 1.35
    with new_figure(height) as figure:
        _rises(panel(figure, left=1.35, right=0.3, bottom=height - upper_in - 0.12, top=0.12), drawn)
        _throttle(panel(figure, left=1.35, right=0.3, bottom=0.62, top=height - 0.62 - lower_in), assessment.throttle)
        small_print(figure, "bands: where a fresh mount was expected", x=0.015, bottom_in=0.1, **_SMALL)
    return Picture(figure, _alt(assessment))


def _rises(axes: Axes, rises: list[Expected]) -> None:
    axes.axvline(0.0, color=PAGE["muted"], lw=0.9, zorder=1)
    for row, one in enumerate(rises):
        mean = one.expected_rise_K or 0.0
        bar(axes, one.interval_K and [end - mean for end in one.interval_K], row, PAGE["band"], 13, zorder=2)
        hollow(axes, [rise - mean for rise in one.mounts_K], row, MARKER["one"], PAGE["muted"], 5.5)
        off = one.rise_K - mean
        colour, marker = (PAGE["wrong"], "outside") if one.inside is False else (PAGE["ink"], "together")
        axes.plot(off, row, MARKER[marker], color=colour, ms=8, zorder=5)
        how: dict[str, Any] = {"xytext": (0, 13), "textcoords": "offset points", "ha": "center", "fontsize": 9.5}
        behind = {"facecolor": PAGE["sheet"], "edgecolor": "none", "pad": 0.6}
        axes.annotate(f"this build {number(off, 2, sign=True)} K", (off, row), bbox=behind, **how)
    name_rows(axes, [f"at {one.set_power_W:g} W" for one in rises], above=0.62, below=0.5, size=11)
    reach = 1.15 * max(*map(abs, axes.get_xlim()), 0.5)
    axes.set_xlim(-reach, reach)
    axes.set_xlabel("rise less the campaign's mean in K (○ its mounts)", **_SMALL)


def _throttle(axes: Axes, found: BuildThrottle) -> None:
    values = [found.required_W]
    bar(axes, found.expected_interval_W, 0, PAGE["band"], 13, zorder=2)
    values += found.expected_interval_W or ()
    axes.axvline(found.required_W, color=PAGE["wrong"], lw=1.4, ls=(0, (5, 2)), zorder=3)
    if found.interval_W is not None and found.throttle_power_W is not None:
        bar(axes, found.interval_W, 0, PAGE["ink"], 2.4, zorder=4)
        axes.plot(found.throttle_power_W, 0, MARKER["together"], color=PAGE["ink"], ms=8, zorder=5)
        values += found.interval_W
    low, high = min(values), max(values)
    edge = max(0.18 * (high - low), 2.0)
    axes.set_xlim(low - edge, high + edge)
    axes.set_ylim(-0.6, 0.9)
    side = "left" if found.required_W < (low + high) / 2.0 else "right"
    words = f" required {found.required_W:g} W "
    axes.text(found.required_W, 0.62, words, ha=side, fontsize=9.5, color=PAGE["wrong"])
    axes.set_yticks([0], ["throttle\npower"])
    axes.set_xlabel(f"throttle power in W in a room at {found.room_C:g} °C", **_SMALL)
    quiet(axes)


def _alt(assessment: BuildAssessment) -> str:
    words = {True: "inside", False: "outside", None: "without an interval to compare with"}
    said = [
        f"at {one.set_power_W:g} W the build rises {one.rise_K:.2f} K, expected "
        f"{with_interval(one.expected_rise_K, one.interval_K, sign=False)} K, {words[one.inside]}"
        for one in assessment.rises
    ]
    found = assessment.throttle
    power = f"no throttle power: {found.reason}"
    if found.throttle_power_W is not None:
        shown = with_interval(found.throttle_power_W, found.interval_W, sign=False)
        level = percent(assessment.reference.confidence_level)
        power = f"throttle power {shown} W ({level} interval) where {found.required_W:g} W are required"
    return f"Build {assessment.build.settings.build}: {'; '.join(said)}; {power}. Verdict: {assessment.verdict}."
