"""The picture of a build record: where the build is, and what margin it has."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from thermlab.base.marks import MARKER, PAGE
from thermlab.base.phrases import number, percent, with_interval
from thermlab.reports.pages import Block, remark
from thermlab.reports.pictures import Picture, inches_box, new_figure, quiet, style

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
    upper_in = 0.55 + _ROW_IN * len(drawn)
    lower_in = 0.75
    with style():
        figure = new_figure(upper_in + lower_in + 1.35)
        height = upper_in + lower_in + 1.35
        upper = figure.add_axes(inches_box(figure, left=1.35, right=0.3, bottom=height - upper_in - 0.12, top=0.12))
        lower = figure.add_axes(inches_box(figure, left=1.35, right=0.3, bottom=0.62, top=height - 0.62 - lower_in))
        _rises(upper, drawn)
        _throttle(lower, assessment.throttle)
        figure.text(0.015, 0.012, "bands: where a fresh mount was expected", va="bottom", **_SMALL)
    return Picture(figure, _alt(assessment))


def _rises(axes: Axes, rises: list[Expected]) -> None:
    axes.axvline(0.0, color=PAGE["muted"], lw=0.9, zorder=1)
    for row, one in enumerate(rises):
        mean = one.expected_rise_K or 0.0
        if one.interval_K is not None:
            ends = [end - mean for end in one.interval_K]
            axes.plot(ends, [row, row], color=PAGE["band"], lw=13, solid_capstyle="butt", zorder=2)
        axes.plot([rise - mean for rise in one.mounts_K], [row] * len(one.mounts_K), "o", ms=5.5, mfc="none",
                  mec=PAGE["muted"], ls="none", zorder=3)  # fmt: skip
        off = one.rise_K - mean
        colour = PAGE["wrong"] if one.inside is False else PAGE["ink"]
        axes.plot(off, row, MARKER["outside" if one.inside is False else "together"], color=colour, ms=8, zorder=5)
        axes.annotate(
            f"this build {number(off, 2, sign=True)} K",
            (off, row),
            xytext=(0, 13),
            textcoords="offset points",
            ha="center",
            fontsize=9.5,
            bbox={"facecolor": PAGE["sheet"], "edgecolor": "none", "pad": 0.6},
        )
    axes.set_yticks(range(len(rises)), [f"at {one.set_power_W:g} W" for one in rises])
    axes.set_ylim(len(rises) - 0.5, -0.62)
    low, high = axes.get_xlim()
    reach = 1.15 * max(abs(low), abs(high), 0.5)
    axes.set_xlim(-reach, reach)
    axes.set_xlabel("rise less the campaign's mean in K (○ its mounts)", **_SMALL)
    quiet(axes)


def _throttle(axes: Axes, found: BuildThrottle) -> None:
    values = [found.required_W]
    if found.expected_interval_W is not None:
        axes.plot(found.expected_interval_W, [0, 0], color=PAGE["band"], lw=13, solid_capstyle="butt", zorder=2)
        values += found.expected_interval_W
    axes.axvline(found.required_W, color=PAGE["wrong"], lw=1.4, ls=(0, (5, 2)), zorder=3)
    if found.interval_W is not None and found.throttle_power_W is not None:
        axes.plot(found.interval_W, [0, 0], color=PAGE["ink"], lw=2.4, zorder=4)
        axes.plot(found.throttle_power_W, 0, MARKER["together"], color=PAGE["ink"], ms=8, zorder=5)
        values += found.interval_W
    low, high = min(values), max(values)
    edge = max(0.18 * (high - low), 2.0)
    axes.set_xlim(low - edge, high + edge)
    axes.set_ylim(-0.6, 0.9)
    near_left = found.required_W < (low + high) / 2.0
    axes.text(
        found.required_W,
        0.62,
        f" required {found.required_W:g} W ",
        ha="left" if near_left else "right",
        fontsize=9.5,
        color=PAGE["wrong"],
    )
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
