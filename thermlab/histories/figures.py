"""The pictures of a history: a bench over time, a treatment over campaigns, builds, and age."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from thermlab.base.marks import MARKER, PAGE, treatment_marks
from thermlab.base.phrases import percent
from thermlab.histories.words import MILLI, across_sentence, age_sentence, baseline_sentence, bench_name
from thermlab.reports.pictures import Picture, inches_box, new_figure, quiet, short, spread_labels, style

if TYPE_CHECKING:
    from collections.abc import Sequence

    from matplotlib.axes import Axes

    from thermlab.histories.ageing import AgeTrend
    from thermlab.histories.mounts import BaselineChart
    from thermlab.histories.records import AcrossCampaigns, BuildPoint

_ROW_IN = 0.42


def baseline(chart: BaselineChart) -> Picture:
    """Draw the resistance of a baseline mount by mount, with the limits of the individuals chart.

    Parameters
    ----------
    chart : BaselineChart
        With at least one mount.
    """
    mark = treatment_marks([chart.treatment], chart.treatment)[chart.treatment]
    values = [MILLI * point.resistance_K_per_W for point in chart.points]
    places = list(range(1, len(values) + 1))
    with style():
        figure = new_figure(3.3)
        axes = figure.add_axes(inches_box(figure, left=0.85, right=1.25, bottom=0.95, top=0.25))
        found = chart.chart
        if found is not None:
            for level, name, line in (
                (found.upper, "upper limit", (0, (4, 3))),
                (found.centre, "mean", "-"),
                (found.lower, "lower limit", (0, (4, 3))),
            ):
                axes.axhline(MILLI * level, color=PAGE["band-edge"], lw=1.0, ls=line, zorder=1)
                axes.annotate(
                    f"{name} {MILLI * level:.1f}",
                    (1.0, MILLI * level),
                    xycoords=("axes fraction", "data"),
                    xytext=(6, 0),
                    textcoords="offset points",
                    va="center",
                    fontsize=9.3,
                    color=PAGE["muted"],
                )
            outside = [places[i] for i in found.outside]
            axes.plot(outside, [values[i] for i in found.outside], "o", ms=15, mfc="none", mec=PAGE["wrong"], mew=1.8)
        axes.plot(places, values, color=PAGE["muted"], lw=0.7, zorder=2)
        axes.plot(places, values, mark.marker, color=mark.colour, ms=6, ls="none", zorder=3)
        _campaign_axis(axes, chart)
        axes.set_ylabel("rise over power in mK/W")
        axes.margins(y=0.15)
        quiet(axes, keep=("left", "bottom"))
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
    with style():
        n_rows = len(one.studies) + (1 if one.combined is not None else 0)
        figure = new_figure(1.42 + _ROW_IN * n_rows)
        axes = figure.add_axes(inches_box(figure, left=2.3, right=0.25, bottom=0.84, top=0.35))
        axes.axvline(0.0, color=PAGE["muted"], lw=0.9, zorder=1)
        for row, study in enumerate(one.studies):
            value = MILLI * study.difference_K_per_W
            if study.u_K_per_W is not None:
                half = float(ndtri(0.5 + level / 2.0)) * MILLI * study.u_K_per_W
                axes.plot([value - half, value + half], [row, row], color=mark.colour, lw=1.6)
            axes.plot(
                value,
                row,
                mark.marker,
                color=mark.colour,
                ms=6.5,
                mfc="none" if study.u_K_per_W is None else mark.colour,
            )
        labels = [f"{short(study.title, 24, 1)}, {study.day}" for study in one.studies]
        if one.combined is not None:
            row = len(one.studies)
            if one.combined.prediction_interval is not None:
                ends = [MILLI * end for end in one.combined.prediction_interval]
                axes.plot(ends, [row, row], color=PAGE["band-edge"], lw=6, alpha=0.6, solid_capstyle="butt")
            axes.plot([MILLI * end for end in one.combined.interval], [row, row], color=PAGE["ink"], lw=2.6)
            axes.plot(MILLI * one.combined.mean, row, MARKER["together"], color=PAGE["ink"], ms=7)
            labels.append("together")
        axes.set_yticks(range(n_rows), labels, fontsize=9.3)
        axes.set_ylim(n_rows - 0.4, -0.6)
        axes.set_xlabel(
            f"difference to the baseline over power in mK/W\nline: {percent(level)} interval; band: a further campaign",
            fontsize=9.3,
        )
        axes.text(0.0, 1.01, "← cooler", transform=axes.transAxes, va="bottom", fontsize=10)
        axes.text(1.0, 1.01, "warmer →", transform=axes.transAxes, va="bottom", ha="right", fontsize=10)
        quiet(axes)
    return Picture(figure, f"Campaigns one by one and together. {across_sentence(one)}")


def builds(points: Sequence[BuildPoint]) -> Picture:
    """Draw the rise of each build against where a fresh mount was expected.

    Parameters
    ----------
    points : sequence of BuildPoint
        At least one.
    """
    with style():
        figure = new_figure(1.2 + _ROW_IN * len(points))
        axes = figure.add_axes(inches_box(figure, left=2.3, right=0.25, bottom=0.84, top=0.2))
        axes.axvline(0.0, color=PAGE["muted"], lw=0.9, zorder=1)
        said = []
        for row, point in enumerate(points):
            off = point.rise_K - point.expected_K
            inside = None
            if point.interval_K is not None:
                low, high = (end - point.expected_K for end in point.interval_K)
                inside = low <= off <= high
                axes.plot([low, high], [row, row], color=PAGE["band"], lw=9, solid_capstyle="butt", zorder=2)
            colour = PAGE["wrong"] if inside is False else PAGE["ink"]
            axes.plot(off, row, MARKER["outside" if inside is False else "one"], color=colour, ms=7.5, zorder=4)
            words = {True: "inside", False: "outside", None: "no interval"}[inside]
            said.append(f"{point.build} at {point.power_W:g} W: {off:+.2f} K, {words}")
        labels = [f"{short(point.build, 20, 1)}, {point.power_W:g} W, {point.day}" for point in points]
        axes.set_yticks(range(len(points)), labels, fontsize=9.3)
        axes.set_ylim(len(points) - 0.4, -0.6)
        axes.set_xlabel(
            "rise less the mean of the campaign's mounts in K\nbar: where a fresh mount was expected", fontsize=9.3
        )
        quiet(axes)
    return Picture(figure, "Builds against the interval for a fresh mount. " + "; ".join(said).replace("-", "−") + ".")


def ageing(one: AgeTrend) -> Picture:
    """Draw the resistance of each mount against its age.

    Parameters
    ----------
    one : AgeTrend
        A trend.
    """
    mark = treatment_marks([one.treatment], one.treatment)[one.treatment]
    lines = ["-", (0, (5, 2)), (0, (1.2, 1.2)), (0, (5, 1.5, 1, 1.5))]
    with style():
        figure = new_figure(3.2)
        axes = figure.add_axes(inches_box(figure, left=0.95, right=1.6, bottom=0.65, top=0.2))
        ends: list[tuple[float, float, str]] = []
        for place, mount in enumerate(one.mounts):
            for step in sorted({run.power_W for run in mount.runs}):
                own = [run for run in mount.runs if run.power_W == step]
                ages = [run.age for run in own]
                values = [MILLI * run.resistance_K_per_W for run in own]
                axes.plot(ages, values, mark.marker, color=mark.colour, ms=5.5, ls=lines[place % len(lines)], lw=1.1)
                ends.append((ages[-1], values[-1], f"{short(mount.mount, 10, 1)}, {step:g} W"))
        low, high = axes.get_ylim()
        for (age, _, text), height in zip(
            ends, spread_labels([end[1] for end in ends], 0.07 * (high - low)), strict=True
        ):
            place_at: dict[str, Any] = {
                "xytext": (8, 0),
                "textcoords": "offset points",
                "va": "center",
                "annotation_clip": False,
            }
            axes.annotate(text, (age, height), fontsize=9, color=PAGE["muted"], **place_at)
        axes.set_xlabel(f"age ({short(one.unit, 20, 1)})")
        axes.set_ylabel("rise over power in mK/W")
        quiet(axes, keep=("left", "bottom"))
    return Picture(figure, f"Resistance against age on {bench_name(one.bench)}. {age_sentence(one)}")
