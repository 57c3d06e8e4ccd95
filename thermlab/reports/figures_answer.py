"""The pictures of the answer: differences against the margin, and throttle powers."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from matplotlib.patheffects import withStroke
from matplotlib.transforms import blended_transform_factory

from thermlab.base.marks import MARKER, PAGE, Mark
from thermlab.base.phrases import difference_words, interval_decimals, number, percent, span_words, watt_decimals, watts
from thermlab.reports.pages import Block, marks_of, remark
from thermlab.reports.pictures import Picture, inches_box, new_figure, quiet, short, style
from thermlab.reports.wording import headline_interval, interval_name, settings_of

if TYPE_CHECKING:
    from collections.abc import Sequence

    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

    from thermlab.compare.analysis import Analysis
    from thermlab.compare.records import Comparison
    from thermlab.compare.throttle_records import TreatmentThrottle

_ROW_IN = 0.92
_SMALL: dict[str, Any] = {"va": "center", "fontsize": 9.3, "color": PAGE["muted"]}


def differences(analysis: Analysis) -> Picture | Block:
    """Draw each candidate's difference to the baseline with its intervals, against the margin.

    Parameters
    ----------
    analysis : Analysis
        What was found.

    Returns
    -------
    Picture or Block
        A sentence in place of the picture where there is no difference; nothing where there is no comparison, since
        the answer has said so.
    """
    comparison = analysis.comparison
    if comparison is None:
        return Block("")
    if all(item.difference_K is None for item in comparison.treatments):
        return remark("No picture of differences: no difference can be had.")
    marks = marks_of(analysis)
    margin, level = settings_of(analysis)
    with style():
        figure = new_figure(1.42 + _ROW_IN * (len(comparison.treatments) + 0.75))
        axes = figure.add_axes(inches_box(figure, left=1.35, right=0.2, bottom=0.64, top=0.62))
        _margin_band(axes, margin)
        base = comparison.baseline_mean_rise_K
        _mount_marks(axes, comparison, comparison.baseline, base, 0.0, marks)
        for row, item in enumerate(comparison.treatments, start=1):
            if item.difference_K is None:
                continue
            _mount_marks(axes, comparison, item.treatment, base, row - 0.27, marks)
            mark, interval = marks[item.treatment], headline_interval(item)
            if interval is not None:
                _bar(axes, interval, row, mark.colour, width=2.4, cap=0.11)
            if item.equivalence_interval_K is not None:
                axes.plot(item.equivalence_interval_K, [row + 0.21] * 2, color=mark.colour, lw=4.5, alpha=0.38)
            axes.plot(
                item.difference_K, row, mark.marker, color=mark.colour, ms=8.5, mec=PAGE["sheet"], mew=0.8, zorder=5
            )
        _difference_axes(axes, comparison, margin)
        axes.set_xlabel(
            f"difference to {short(comparison.baseline, 30, 1)} at {watts(comparison.reference_power_W)} in K"
        )
        _key(figure, analysis, level, comparison)
    return Picture(figure, _differences_alt(analysis, comparison, margin))


def _margin_band(axes: Axes, margin: float) -> None:
    axes.axvspan(-margin, margin, color=PAGE["band"], zorder=0, lw=0)
    axes.axvline(0.0, color=PAGE["muted"], lw=0.9, zorder=1)
    for edge in (-margin, margin):
        axes.axvline(edge, color=PAGE["band-edge"], lw=0.9, ls=(0, (4, 3)), zorder=1)


def _mount_marks(
    axes: Axes, comparison: Comparison, treatment: str, base: float | None, row: float, marks: dict[str, Mark]
) -> None:
    rises = [m.rise_K for m in comparison.mounts if m.treatment == treatment and m.rise_K is not None]
    if base is None or not rises:
        return
    mark = marks[treatment]
    drawn = [rise - base for rise in rises]
    axes.plot(drawn, [row] * len(drawn), mark.marker, ms=6, mfc="none", mec=mark.colour, mew=1.2, ls="none", zorder=4)


def _bar(axes: Axes, interval: tuple[float, float], row: float, colour: str, *, width: float, cap: float) -> None:
    axes.plot(interval, [row, row], color=colour, lw=width, zorder=3)
    for end in interval:
        axes.plot([end, end], [row - cap, row + cap], color=colour, lw=width * 0.7, zorder=3)


def _difference_axes(axes: Axes, comparison: Comparison, margin: float) -> None:
    rows = [comparison.baseline, *(item.treatment for item in comparison.treatments)]
    axes.set_yticks(range(len(rows)), [short(name) for name in rows], fontsize=10)
    axes.set_ylim(len(rows) - 0.42, -0.45)
    low, high = axes.get_xlim()
    low, high = min(low, -1.35 * margin), max(high, 1.35 * margin)
    axes.set_xlim(low, high)
    for row, item in enumerate(comparison.treatments, start=1):
        if item.difference_K is None:
            continue
        interval = headline_interval(item)
        decimals = interval_decimals(interval)
        text = f"{number(item.difference_K, decimals, sign=True)} K"
        if interval is not None:
            text += " [" + ", ".join(number(end, decimals, sign=True) for end in interval) + "]"
        half = 0.008 * len(text) * (high - low)  # about half the width of the text
        centred = min(max(item.difference_K, low + half), high - half)
        halo = [withStroke(linewidth=3.0, foreground=PAGE["sheet"])]
        axes.text(centred, row + 0.44, text, ha="center", va="center", fontsize=9.5, path_effects=halo)
    quiet(axes)
    # Above the band, but clear of the words at both ends (a quarter of the width each, with half of its own).
    zero = min(max(-low / (high - low), 0.27), 0.71)
    axes.text(
        zero,
        1.015,
        f"margin ± {margin:g} K",
        transform=axes.transAxes,
        ha="center",
        va="bottom",
        fontsize=9.5,
        color=PAGE["muted"],
    )
    sides: dict[str, Any] = {"transform": axes.transAxes, "va": "bottom", "fontsize": 10.5}
    axes.text(0.0, 1.015, "← cooler", ha="left", **sides)
    axes.text(1.0, 1.015, "warmer →", ha="right", **sides)


def _key_axes(figure: Figure) -> Axes:
    """Return a strip along the top, in inches, for the key of the marks."""
    width, height = figure.get_size_inches()
    key = figure.add_axes((0.0, (height - 0.34) / height, 1.0, 0.3 / height))
    key.set_xlim(0.0, width)
    key.set_ylim(0.0, 1.0)
    key.axis("off")
    return key


def _key(figure: Figure, analysis: Analysis, level: float, comparison: Comparison) -> None:
    """Explain the kinds of mark that are drawn, in one line over the picture."""
    key, grey = _key_axes(figure), PAGE["muted"]
    key.plot(0.14, 0.5, "o", mfc="none", mec=grey, mew=1.2, ms=6)
    key.text(0.25, 0.5, "one mount", **_SMALL)
    known = any(headline_interval(item) is not None for item in comparison.treatments)
    if known:
        key.plot([1.3, 1.7], [0.5, 0.5], color=grey, lw=2.4)
    key.plot(1.5, 0.5, "o", color=grey, ms=7)
    words = interval_name(analysis).replace("confidence ", "") if known else "mean of the mounts; no interval"
    key.text(1.8, 0.5, words, **_SMALL)
    if any(item.equivalence_interval_K is not None for item in comparison.treatments):
        key.plot([4.1, 4.45], [0.5, 0.5], color=grey, lw=4.5, alpha=0.5)
        key.text(4.55, 0.5, f"{percent(round(2.0 * level - 1.0, 9))} for equivalence", **_SMALL)


def _differences_alt(analysis: Analysis, comparison: Comparison, margin: float) -> str:
    parts = []
    for item in comparison.treatments:
        if item.difference_K is None:
            parts.append(f"{item.treatment}: no difference")
            continue
        interval = headline_interval(item)
        decimals = interval_decimals(interval)
        span = "no interval" if interval is None else f"{interval_name(analysis)} {span_words(interval, decimals)}"
        parts.append(f"{item.treatment}: {difference_words(item.difference_K, decimals)}, {span}, {item.verdict}")
    return (
        f"Difference of each candidate to {comparison.baseline} at {watts(comparison.reference_power_W)}, against "
        f"the margin of {margin:g} K. " + "; ".join(parts) + "."
    )


def throttle(analysis: Analysis) -> Picture | Block:
    """Draw the throttle power of each treatment: interval of the mean, where a future mount is expected, what was seen.

    Parameters
    ----------
    analysis : Analysis
        What was found.

    Returns
    -------
    Picture or Block
        A sentence in place of the picture where there is nothing to draw.
    """
    found = analysis.throttle
    drawn = (
        []
        if found is None
        else [t for t in found.treatments if t.throttle_power_W is not None or t.directly_observed_W is not None]
    )
    if found is None or not drawn:
        return remark("No picture of throttle powers: none can be given (see the cautions).")
    marks, (_, level) = marks_of(analysis), settings_of(analysis)
    top = max((run.set_power_W for run in analysis.runs if run.used), default=None)
    with style():
        figure = new_figure(1.35 + 0.8 * len(drawn))
        axes = figure.add_axes(inches_box(figure, left=1.35, right=0.2, bottom=0.6, top=0.62))
        for row, item in enumerate(drawn):
            mark = marks[item.treatment]
            if item.future_mount_interval_W is not None:
                axes.plot(
                    item.future_mount_interval_W, [row, row], color=mark.colour, lw=1.2, ls=(0, (2, 1.5)), zorder=2
                )
                axes.plot(item.future_mount_interval_W, [row, row], "|", color=mark.colour, ms=9, mew=1.2, zorder=2)
            own = [mount.throttle_power_W for mount in item.mounts if mount.throttle_power_W is not None]
            axes.plot(
                own,
                [row - 0.17] * len(own),
                mark.marker,
                ms=5,
                mfc="none",
                mec=mark.colour,
                mew=1.1,
                ls="none",
                zorder=4,
            )
            if item.interval_W is not None:
                axes.plot(item.interval_W, [row, row], color=mark.colour, lw=6, alpha=0.45, zorder=3)
            if item.directly_observed_W is not None:
                axes.plot(
                    item.directly_observed_W, row + 0.22, MARKER["cross"], color=PAGE["ink"], ms=7, mew=1.6, zorder=6
                )
            if item.throttle_power_W is not None:
                axes.plot(
                    item.throttle_power_W, row, mark.marker, color=mark.colour, ms=8.5, mec=PAGE["sheet"], zorder=5
                )
                decimals = watt_decimals(item.interval_W)
                text = f"{number(item.throttle_power_W, decimals)} W"
                axes.text(item.throttle_power_W, row - 0.27, text, ha="center", va="bottom", fontsize=9.5)
        axes.set_yticks(range(len(drawn)), [short(item.treatment) for item in drawn], fontsize=10)
        axes.set_ylim(len(drawn) - 0.5, -0.65)
        axes.margins(x=0.06)
        quiet(axes)
        if top is not None:
            _top_step(axes, top)
        limit, room = f"{found.temperature_limit_C:g} °C", f"{found.room_C:g} °C"
        axes.set_xlabel(f"power in W at which the device reaches {limit} in a {room} room", fontsize=10)
        _throttle_key(figure, level, drawn)
    return Picture(figure, _throttle_alt(analysis, level))


def _top_step(axes: Axes, top_W: float) -> None:
    low, high = axes.get_xlim()
    if not low - 0.35 * (high - low) <= top_W <= high + 0.35 * (high - low):
        return
    axes.set_xlim(min(low, top_W - 0.04 * (high - low)), max(high, top_W + 0.04 * (high - low)))
    axes.axvline(top_W, color=PAGE["muted"], lw=0.9, ls=(0, (4, 3)), zorder=1)
    above = blended_transform_factory(axes.transData, axes.transAxes)
    low, high = axes.get_xlim()
    place = (top_W - low) / (high - low)
    axes.text(
        top_W,
        1.01,
        f"highest step {top_W:g} W",
        transform=above,
        ha="left" if place < 0.2 else "right" if place > 0.8 else "center",
        va="bottom",
        fontsize=9,
        color=PAGE["muted"],
    )


def _throttle_key(figure: Figure, level: float, drawn: Sequence[TreatmentThrottle]) -> None:
    key, grey = _key_axes(figure), PAGE["muted"]
    key.plot(0.14, 0.5, "o", mfc="none", mec=grey, mew=1.1, ms=5)
    key.text(0.23, 0.5, "one mount", **_SMALL)
    if any(item.interval_W is not None for item in drawn):
        key.plot([1.15, 1.45], [0.5, 0.5], color=grey, lw=6, alpha=0.5)
        key.text(1.52, 0.5, f"{percent(level)}, mean", **_SMALL)
    if any(item.future_mount_interval_W is not None for item in drawn):
        key.plot([2.6, 2.95], [0.5, 0.5], color=grey, lw=1.2, ls=(0, (2, 1.5)))
        key.plot([2.6, 2.95], [0.5, 0.5], "|", color=grey, ms=9, mew=1.2)
        key.text(3.03, 0.5, f"{percent(level)}, a future mount", **_SMALL)
    if any(item.directly_observed_W is not None for item in drawn):
        key.plot(4.75, 0.5, MARKER["cross"], color=PAGE["ink"], ms=7, mew=1.6)
        key.text(4.86, 0.5, "held at the limit", **_SMALL)


def _throttle_alt(analysis: Analysis, level: float) -> str:
    found = analysis.throttle
    assert found is not None  # noqa: S101 - the caller has drawn it
    parts = []
    for item in found.treatments:
        decimals = watt_decimals(item.interval_W)
        text = f"{item.treatment}: " + (
            "no value" if item.throttle_power_W is None else f"{number(item.throttle_power_W, decimals)} W"
        )
        for name, interval in (("mean", item.interval_W), ("future mount", item.future_mount_interval_W)):
            if interval is not None:
                text += f", {name} {number(interval[0], decimals)} to {number(interval[1], decimals)} W"
        text += "".join(f", run {seen.run} held {seen.held_power_W:.1f} W" for seen in item.observed)
        if item.directly_observed_W is not None:
            text += f", moved to these conditions {item.directly_observed_W:.1f} W"
        parts.append(text)
    return (
        f"Throttle powers for a limit of {found.temperature_limit_C:g} degrees in a room at {found.room_C:g} degrees, "
        f"with {percent(level)} intervals. " + "; ".join(parts) + "."
    )
