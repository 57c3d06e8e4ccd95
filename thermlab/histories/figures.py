"""The pictures of a history: a bench over time, a treatment over campaigns, builds, and age."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from thermlab.base.marks import MARKER, PAGE, treatment_marks
from thermlab.base.numbers import percent
from thermlab.histories.words import MILLI, across_sentence, age_sentence, baseline_sentence, bench_name
from thermlab.reports import pictures as draw
from thermlab.reports.pictures import Picture

if TYPE_CHECKING:
    from collections.abc import Sequence

    from matplotlib.axes import Axes

    from thermlab.histories.records import AcrossCampaigns, AgeTrend, BaselineChart, BuildPoint

_ROW_IN = 0.42


def baseline(chart: BaselineChart) -> Picture:
    """Draw the resistance of a baseline mount by mount, with the limits of the individuals chart.

    Parameters
    ----------
    chart : BaselineChart
        With at least one mount.
    """
    mark, found = treatment_marks([chart.treatment], chart.treatment)[chart.treatment], chart.chart
    values = [MILLI * point.resistance_K_per_W for point in chart.points]
    places = range(1, len(values) + 1)
    with draw.new_figure(3.3) as figure:
        axes = draw.panel(figure, left=0.85, right=1.25, bottom=0.95, top=0.25)
        axes.plot(places, values, color=PAGE["muted"], lw=0.7, zorder=2)
        axes.plot(places, values, mark.marker, color=mark.colour, ms=6, ls="none", zorder=3)
        axes.set_ylabel("rise over power in mK/W")
        axes.margins(y=0.15)
        _campaign_axis(axes, chart)
        if found is not None:
            outside: dict[str, Any] = {
                "marker": "o",
                "ms": 15,
                "mfc": "none",
                "mec": PAGE["wrong"],
                "mew": 1.8,
                "ls": "none",
            }
            axes.plot([i + 1 for i in found.outside], [values[i] for i in found.outside], **outside)
            limits = {"upper limit": found.upper, "mean": found.centre, "lower limit": found.lower}
            for name, level in limits.items():
                line = "-" if name == "mean" else draw.DASHED
                axes.axhline(MILLI * level, color=PAGE["band-edge"], lw=1.0, ls=line, zorder=1)
            named = [(f"{name} {MILLI * level:.1f}", MILLI * level, PAGE["muted"]) for name, level in limits.items()]
            draw.name_ends(axes, named, width=20)
        draw.quiet(axes, keep=("left", "bottom"))
    return Picture(figure, f"Individuals chart. {baseline_sentence(chart)}")


def _campaign_axis(axes: Axes, chart: BaselineChart) -> None:
    """Mark where each campaign begins, with its day, as long as there is room for the words."""
    starts = [i for i, point in enumerate(chart.points) if i == 0 or point.bag != chart.points[i - 1].bag]
    every = -(-len(starts) // 7)
    shown = starts[::every]
    axes.set_xticks([i + 1 for i in shown], [chart.points[i].day for i in shown], rotation=30, ha="right", fontsize=9)
    axes.set_xlim(0.4, len(chart.points) + 0.6)
    for i in starts[1:]:
        axes.axvline(i + 0.5, color=PAGE["rule"], lw=0.8, zorder=0)
    axes.set_xlabel("mounts in the order made; a campaign begins at each line", fontsize=9.3)


def across(one: AcrossCampaigns) -> Picture:
    """Draw what each campaign found about a treatment, and what they say together.

    Parameters
    ----------
    one : AcrossCampaigns
        With at least one campaign.
    """
    from scipy.special import ndtri  # noqa: PLC0415

    mark = treatment_marks([one.baseline, one.treatment], one.baseline)[one.treatment]
    level = one.combined.confidence_level if one.combined is not None else 0.95
    names = [f"{draw.short(study.title, 24, 1)}, {study.day}" for study in one.studies]
    names += ["together"] if one.combined is not None else []
    with draw.new_figure(1.42 + _ROW_IN * len(names)) as figure:
        axes = draw.panel(figure, left=2.3, right=0.25, bottom=0.84, top=0.35)
        axes.axvline(0.0, color=PAGE["muted"], lw=0.9, zorder=1)
        for row, study in enumerate(one.studies):
            value, face = MILLI * study.difference_K_per_W, "none" if study.u_K_per_W is None else mark.colour
            if study.u_K_per_W is not None:
                half = float(ndtri(0.5 + level / 2.0)) * MILLI * study.u_K_per_W
                draw.bar(axes, (value - half, value + half), row, mark.colour, 1.6)
            axes.plot(value, row, mark.marker, color=mark.colour, ms=6.5, mfc=face)
        if one.combined is not None:
            row, ahead = len(one.studies), one.combined.prediction_interval
            draw.bar(axes, ahead and [MILLI * end for end in ahead], row, PAGE["band-edge"], 6, alpha=0.6)
            draw.bar(axes, [MILLI * end for end in one.combined.interval], row, PAGE["ink"], 2.6)
            axes.plot(MILLI * one.combined.mean, row, MARKER["together"], color=PAGE["ink"], ms=7)
        draw.name_rows(axes, names)
        words = (
            f"difference to the baseline over power in mK/W\nline: {percent(level)} interval; band: a further campaign"
        )
        axes.set_xlabel(words, fontsize=9.3)
        draw.directions(axes)
    return Picture(figure, f"Campaigns one by one and together. {across_sentence(one)}")


def builds(points: Sequence[BuildPoint]) -> Picture:
    """Draw the rise of each build against where a fresh mount was expected.

    Parameters
    ----------
    points : sequence of BuildPoint
        At least one.
    """
    said = []
    with draw.new_figure(1.2 + _ROW_IN * len(points)) as figure:
        axes = draw.panel(figure, left=2.3, right=0.25, bottom=0.84, top=0.2)
        axes.axvline(0.0, color=PAGE["muted"], lw=0.9, zorder=1)
        for row, point in enumerate(points):
            inside, off = None, point.rise_K - point.expected_K
            if point.interval_K is not None:
                inside = point.interval_K[0] <= point.rise_K <= point.interval_K[1]
                draw.bar(axes, [end - point.expected_K for end in point.interval_K], row, PAGE["band"], 9, zorder=2)
            colour, marker = (PAGE["wrong"], "outside") if inside is False else (PAGE["ink"], "one")
            axes.plot(off, row, MARKER[marker], color=colour, ms=7.5, zorder=4)
            words = {True: "inside", False: "outside", None: "no interval"}[inside]
            said.append(f"{point.build} at {point.power_W:g} W: {off:+.2f} K, {words}")
        names = [f"{draw.short(point.build, 20, 1)}, {point.power_W:g} W, {point.day}" for point in points]
        draw.name_rows(axes, names)
        words = "rise less the mean of the campaign's mounts in K\nbar: where a fresh mount was expected"
        axes.set_xlabel(words, fontsize=9.3)
    return Picture(figure, "Builds against the interval for a fresh mount. " + "; ".join(said).replace("-", "−") + ".")


def ageing(one: AgeTrend) -> Picture:
    """Draw the resistance of each mount against its age.

    Parameters
    ----------
    one : AgeTrend
        A trend.
    """
    mark = treatment_marks([one.treatment], one.treatment)[one.treatment]
    lines: list[Any] = ["-", (0, (5, 2)), (0, (1.2, 1.2)), (0, (5, 1.5, 1, 1.5))]
    ends = []
    with draw.new_figure(3.2) as figure:
        axes = draw.panel(figure, left=0.95, right=1.6, bottom=0.65, top=0.2)
        for place, mount in enumerate(one.mounts):
            for step in sorted({run.power_W for run in mount.runs}):
                own = [run for run in mount.runs if run.power_W == step]
                ages, values = [run.age for run in own], [MILLI * run.resistance_K_per_W for run in own]
                axes.plot(ages, values, mark.marker, color=mark.colour, ms=5.5, ls=lines[place % len(lines)], lw=1.1)
                ends.append((f"{draw.short(mount.mount, 10, 1)}, {step:g} W", values[-1], PAGE["muted"]))
        draw.name_ends(axes, ends, width=20)
        axes.set_xlabel(f"age ({draw.short(one.unit, 20, 1)})")
        axes.set_ylabel("rise over power in mK/W")
        draw.quiet(axes, keep=("left", "bottom"))
    return Picture(figure, f"Resistance against age on {bench_name(one.bench)}. {age_sentence(one)}")
