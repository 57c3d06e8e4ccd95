"""The figures of a report; each is a :class:`~thermlab.reports.pictures.Picture` with its words.

- Which candidate is cooler, by how much, and does it matter? :func:`differences`
- At which power would the machine throttle? :func:`throttle`
- Does every mount tell the same story along the ladder? :func:`rise_against_power`
- Had each run settled, and which readings were used? :func:`traces`
- Which runs went wrong? :func:`checks`
- What do the runs look like that were left out or are doubtful? :func:`doubtful_runs`

Where there is nothing to draw, a sentence says so in place of the picture.
"""

import itertools
import math
import textwrap
from collections import defaultdict
from collections.abc import Sequence
from statistics import fmean
from typing import Any

import numpy as np
from matplotlib.axes import Axes
from matplotlib.figure import Figure
from matplotlib.patches import Rectangle
from matplotlib.transforms import Affine2D

from thermlab.base.marks import MARKER, PAGE, SEVERITY, SEVERITY_LETTER, Mark
from thermlab.base.numbers import counted, listed, number, percent, together, watt_decimals, watts, with_interval
from thermlab.compare.analysis import Analysis
from thermlab.compare.records import Comparison, ThrottlePower, TreatmentComparison, TreatmentThrottle
from thermlab.reports import pictures as draw
from thermlab.reports.pages import Block, marks_of, remark
from thermlab.reports.pictures import Picture, Pictures
from thermlab.reports.wording import answers, headline_interval, interval_name, settings_of, throttle_sentence
from thermlab.runs.records import FLAG_NAMES, ReducedRun, rise_name
from thermlab.runs.settled_runs import RunTrace
from thermlab.stats.curves import RiseCurve, fit_curve

MOUNTS_PER_PICTURE = 9
POINTS_PER_PANEL = 80
"""More cannot be told apart on the few millimetres of a run's panel."""
CHECKED_PER_PICTURE = 48
DOUBTFUL_PER_PICTURE, MOST_DOUBTFUL_PICTURES = 8, 3

_DOTTED = (0, (2, 1.5))
_CROSS: dict[str, Any] = {"marker": MARKER["cross"], "color": PAGE["ink"], "ms": 7, "mew": 1.6}
_Mount = tuple[str, str]
_Rises = dict[_Mount, dict[float, float]]
_Curves = dict[_Mount, RiseCurve]
_Runs = Sequence[tuple[ReducedRun, RunTrace]]


# The answer: differences against the margin, and throttle powers ----------------------------------------------------


def differences(analysis: Analysis) -> Picture | Block:
    """Draw each candidate's difference to the baseline with its intervals, against the margin.

    Parameters
    ----------
    analysis : Analysis
        What was found.

    Returns
    -------
    Picture or Block
        Nothing where there is no comparison, since the answer has said so.
    """
    comparison = analysis.comparison
    if comparison is None:
        return Block("")
    if all(item.difference_K is None for item in comparison.treatments):
        return remark("No picture of differences: no difference can be had.")
    at = watts(comparison.reference_power_W)
    alt = f"Difference of each candidate to {comparison.baseline} at {at}, against the margin. "
    alt += " ".join(f"{answer.lead} Verdict: {answer.verdict}." for answer in answers(analysis))
    return draw.twice(lambda width_in: _differences(analysis, comparison, width_in), alt)


def _differences(analysis: Analysis, comparison: Comparison, width_in: float) -> Figure:
    marks, (margin, level) = marks_of(analysis), settings_of(analysis)
    names = [comparison.baseline, *(item.treatment for item in comparison.treatments)]
    left, letters, longest, more = (1.35, 16, 30, 0.0) if width_in == draw.WIDTH_IN else (1.0, 10, 14, 0.55)
    with draw.new_figure(1.42 + 0.92 * (len(comparison.treatments) + 0.75) + 1.3 * more, width_in) as figure:
        axes = draw.panel(figure, left=left, right=0.2, bottom=0.64 + 0.3 * more, top=0.62 + more)
        axes.axvspan(-margin, margin, color=PAGE["band"], zorder=0, lw=0)
        axes.axvline(0.0, color=PAGE["muted"], lw=0.9, zorder=1)
        for edge in (-margin, margin):
            axes.axvline(edge, color=PAGE["band-edge"], lw=0.9, ls=draw.DASHED, zorder=1)
        for row, name in enumerate(names):
            rises = [m.rise_K for m in comparison.mounts if m.treatment == name and m.rise_K is not None]
            base, mark = comparison.baseline_mean_rise_K, marks[name]
            if base is not None:
                draw.hollow(axes, [rise - base for rise in rises], row - 0.27 * bool(row), mark.marker, mark.colour)
        for row, item in enumerate(comparison.treatments, start=1):
            _difference(axes, item, row, marks[item.treatment])
        draw.name_rows(axes, [draw.short(name, letters) for name in names], above=0.45, below=0.58, size=10)
        low, high = axes.get_xlim()
        axes.set_xlim(min(low, -1.35 * margin), max(high, 1.35 * margin))
        for row, item in enumerate(comparison.treatments, start=1):
            _difference_words(axes, item, row)
        _over_margin(axes, margin)
        at = watts(comparison.reference_power_W)
        draw.below(axes, f"difference to {draw.short(comparison.baseline, longest, 1)} at {at} in K")
        known = any(headline_interval(item) is not None for item in comparison.treatments)
        equivalence = any(item.equivalence_interval_K is not None for item in comparison.treatments)
        name = interval_name(comparison).replace("confidence ", "") if known else "mean of the mounts; no interval"
        draw.key(
            figure,
            ("one mount", True, {"marker": "o", "mfc": "none", "lw": 0}),
            (name, True, {"marker": "o", "ms": 7, "lw": 2.4 if known else 0}),
            (f"{percent(round(2.0 * level - 1.0, 9))} for equivalence", equivalence, {"lw": 4.5, "alpha": 0.5}),
        )
    return figure


def _difference(axes: Axes, item: TreatmentComparison, row: int, mark: Mark) -> None:
    if item.difference_K is None:
        return
    draw.bar(axes, headline_interval(item), row, mark.colour, 2.4, zorder=3, marker="|", ms=14.5, mew=1.7)
    draw.bar(axes, item.equivalence_interval_K, row + 0.21, mark.colour, 4.5, alpha=0.38)
    axes.plot(item.difference_K, row, mark.marker, color=mark.colour, ms=8.5, mec=PAGE["sheet"], mew=0.8, zorder=5)


def _difference_words(axes: Axes, item: TreatmentComparison, row: int) -> None:
    if item.difference_K is None:
        return
    text = f"{with_interval(item.difference_K, headline_interval(item))} K"
    halo = {"facecolor": PAGE["sheet"], "edgecolor": "none", "pad": 1.0}
    side = draw.side(axes, item.difference_K)
    axes.text(item.difference_K, row + 0.44, text, ha=side, va="center", fontsize=9.5, bbox=halo)


def _over_margin(axes: Axes, margin: float) -> None:
    """Name the margin above its band, but clear of the words at both ends: a quarter of the width each."""
    low, high = axes.get_xlim()
    zero = min(max(-low / (high - low), 0.27), 0.71)
    lift_pt = 13.0 if draw.is_narrow(axes.figure) else 0.0  # over the words at both ends, which leave no room
    axes.annotate(
        f"margin ± {margin:g} K", (zero, 1.015), (0.0, lift_pt), axes.transAxes, "offset points", ha="center",
        va="bottom", fontsize=9.5, color=PAGE["muted"],
    )  # fmt: skip
    draw.directions(axes)


def throttle(analysis: Analysis) -> Picture | Block:
    """Draw the throttle power of each treatment: interval of the mean, where a future mount is expected, what was seen.

    Parameters
    ----------
    analysis : Analysis
        What was found.
    """
    found = analysis.throttle
    each = () if found is None else found.treatments
    drawn = [t for t in each if t.throttle_power_W is not None or t.directly_observed_W is not None]
    if found is None or not drawn:
        return remark("No picture of throttle powers: none can be given (see the cautions).")
    alt = f"Throttle powers for a limit of {found.temperature_limit_C:g} °C, with their intervals. "
    alt += " ".join(throttle_sentence(analysis, item.treatment) for item in drawn)
    for seen in itertools.chain.from_iterable(item.observed for item in drawn):
        alt += f" Run {seen.run} held {number(seen.held_power_W, 1)} W."
    return draw.twice(lambda width_in: _throttle(analysis, found, drawn, width_in), alt)


def _throttle(analysis: Analysis, found: ThrottlePower, drawn: Sequence[TreatmentThrottle], width_in: float) -> Figure:
    marks, level = marks_of(analysis), percent(settings_of(analysis)[1])
    left, letters, more = (1.35, 16, 0.0) if width_in == draw.WIDTH_IN else (1.0, 10, 0.6)
    with draw.new_figure(1.35 + 0.8 * len(drawn) + 1.6 * more, width_in) as figure:
        axes = draw.panel(figure, left=left, right=0.2, bottom=0.6 + 0.6 * more, top=0.62 + more)
        for row, item in enumerate(drawn):
            _throttle_row(axes, item, row, marks[item.treatment])
        draw.name_rows(axes, [draw.short(item.treatment, letters) for item in drawn], above=0.65, below=0.5, size=10)
        axes.margins(x=0.06)
        _top_step(axes, max((run.set_power_W for run in analysis.runs if run.used), default=math.inf))
        limit, room = f"{found.temperature_limit_C:g} °C", f"{found.room_C:g} °C"
        draw.below(axes, f"power in W at which the device reaches {limit} in a {room} room", 10.0)
        draw.key(
            figure,
            ("one mount", True, {"marker": "o", "mfc": "none", "ms": 5, "lw": 0}),
            (f"{level}, mean", any(one.interval_W for one in drawn), {"lw": 6, "alpha": 0.5}),
            (f"{level}, a future mount", any(one.future_mount_interval_W for one in drawn), {"lw": 1.2, "ls": _DOTTED}),
            ("held at the limit", any(one.directly_observed_W is not None for one in drawn), _CROSS | {"lw": 0}),
        )
    return figure


def _throttle_row(axes: Axes, item: TreatmentThrottle, row: int, mark: Mark) -> None:
    draw.bar(axes, item.future_mount_interval_W, row, mark.colour, 1.2, ls=_DOTTED, zorder=2, marker="|", ms=9, mew=1.2)
    own = [mount.throttle_power_W for mount in item.mounts if mount.throttle_power_W is not None]
    draw.hollow(axes, own, row - 0.17, mark.marker, mark.colour, 5)
    draw.bar(axes, item.interval_W, row, mark.colour, 6, alpha=0.45, zorder=3)
    if item.directly_observed_W is not None:
        axes.plot(item.directly_observed_W, row + 0.22, **_CROSS, zorder=6)
    if item.throttle_power_W is not None:
        axes.plot(item.throttle_power_W, row, mark.marker, color=mark.colour, ms=8.5, mec=PAGE["sheet"], zorder=5)
        text = f"{number(item.throttle_power_W, watt_decimals(item.interval_W))} W"
        axes.text(item.throttle_power_W, row - 0.27, text, ha="center", va="bottom", fontsize=9.5)


def _top_step(axes: Axes, top_W: float) -> None:
    low, high = axes.get_xlim()
    if not low - 0.35 * (high - low) <= top_W <= high + 0.35 * (high - low):
        return
    low, high = min(low, top_W - 0.04 * (high - low)), max(high, top_W + 0.04 * (high - low))
    axes.set_xlim(low, high)
    axes.axvline(top_W, color=PAGE["muted"], lw=0.9, ls=draw.DASHED, zorder=1)
    how: dict[str, Any] = {"ha": draw.side(axes, top_W), "va": "bottom", "fontsize": 9, "color": PAGE["muted"]}
    axes.text(top_W, 1.01, f"highest step {top_W:g} W", transform=axes.get_xaxis_transform(), **how)


# The ladder: rise against power -------------------------------------------------------------------------------------


def rise_against_power(analysis: Analysis) -> Picture | Block:
    """Draw every mount's settled rises with fitted curves, and below them what is left beside the baseline's curve.

    Parameters
    ----------
    analysis : Analysis
        What was found.
    """
    mounts = _rises_by_mount(analysis.runs)
    if not mounts:
        return remark("No picture: no run could be used.")
    return draw.twice(lambda width_in: _rise(analysis, mounts, width_in), _rise_alt(analysis, mounts))


def _rise(analysis: Analysis, mounts: _Rises, width_in: float) -> Figure:
    marks, baseline = marks_of(analysis), analysis.campaign.settings.baseline
    curves = {mount: fit_curve(list(steps), list(steps.values())) for mount, steps in mounts.items() if len(steps) > 1}
    own = [curve for (name, _), curve in curves.items() if name == baseline]
    height_in = [2.95, 2.03] if curves else [3.0]
    left, right, letters = (1.0, 1.45, 14) if width_in == draw.WIDTH_IN else (0.92, 0.98, 9)
    with draw.new_figure(6.1 if curves else 4.0, width_in) as figure:
        panels = draw.stack(figure, height_in, left=left, right=right, top=0.3, gap=0.2)
        ends = _draw_mounts(panels[0], mounts, curves, marks, [])
        _unused(panels[0], analysis.runs)
        panels[0].set_ylabel("rise over the room in K")
        panels[0].set_ylim(0.0, 1.06 * panels[0].get_ylim()[1])
        if not curves or len(ends) <= 5:  # lines of many lie too close here to be named
            draw.name_ends(panels[0], ends, gap_in=0.36, width=letters)
        for lower in panels[1:]:
            lower.axhline(0.0, color=PAGE["rule"], lw=1.0, zorder=0)
            ends = _draw_mounts(lower, mounts, curves, marks, own or list(curves.values()))
            lower.set_ylabel(f"less the curve of\n{draw.short(baseline if own else 'mean', 18, 1)} in K", fontsize=10)
            lower.margins(y=0.12)
            draw.name_ends(lower, ends, gap_in=0.36, width=letters)
        panels[-1].set_xlabel("set power in W")
    return figure


def _rises_by_mount(runs: Sequence[ReducedRun]) -> _Rises:
    gathered: dict[_Mount, dict[float, list[float]]] = defaultdict(lambda: defaultdict(list))
    for run in runs:
        if run.used and run.rise_K is not None:
            gathered[run.treatment, run.mount][run.set_power_W].append(run.rise_K)
    return {mount: {step: fmean(own) for step, own in sorted(steps.items())} for mount, steps in gathered.items()}


def _draw_mounts(
    axes: Axes, mounts: _Rises, curves: _Curves, marks: dict[str, Mark], reference: Sequence[RiseCurve]
) -> list[tuple[str, float, Mark]]:
    """Draw mounts less the mean of some curves; return the treatments with the mean height of their lines' ends."""

    def less(x: Any, y: Any) -> Any:
        if not reference:
            return np.asarray(y)
        return y - np.mean([[curve.rise_K(float(power)) for power in x] for curve in reference], axis=0)

    names = [name for name in marks if any(mount[0] == name for mount in mounts)]
    powers = sorted({power for steps in mounts.values() for power in steps})
    gap = min((b - a for a, b in itertools.pairwise(powers)), default=powers[0])
    # Beside each other, so that mounts of several treatments at one step can all be seen.
    apart = min(0.13, 0.6 / len(names)) * gap if reference else 0.0
    ends: dict[str, list[float]] = defaultdict(list)
    for (name, mount), steps in mounts.items():
        mark, aside = marks[name], apart * (names.index(name) - (len(names) - 1) / 2.0)
        x = np.array(list(steps))
        line = less(x, list(steps.values()))
        draw.hollow(axes, x + aside, line, mark.marker, mark.colour, 5.5)
        if (curve := curves.get((name, mount))) is not None:
            x = np.linspace(curve.lowest_W, curve.highest_W, 40)
            line = less(x, [curve.rise_K(float(power)) for power in x])
            axes.plot(x, line, color=mark.colour, ls=mark.line, lw=0.9, alpha=0.85, zorder=3)
        ends[name].append(float(line[-1]))
    return [(name, fmean(values), marks[name]) for name, values in ends.items()]


def _unused(axes: Axes, runs: Sequence[ReducedRun]) -> None:
    left_out = [(run.set_power_W, run.rise_K) for run in runs if not run.used and run.rise_K is not None]
    if not left_out:
        return
    axes.plot(*zip(*left_out, strict=True), **_CROSS | {"color": PAGE["wrong"]}, ls="none", zorder=6)
    axes.text(0.02, 0.97, "× left out", transform=axes.transAxes, va="top", fontsize=9.5, color=PAGE["wrong"])


def _rise_alt(analysis: Analysis, mounts: _Rises) -> str:
    top = max(power for steps in mounts.values() for power in steps)
    parts = []
    for name in marks_of(analysis):
        rises = [steps[top] for mount, steps in mounts.items() if mount[0] == name and top in steps]
        if rises:
            parts.append(f"{name} {', '.join(number(rise, 1) for rise in rises)} K")
    lost = [run.run for run in analysis.runs if not run.used]
    what = (
        f"{rise_name(analysis.runs).capitalize()} against set power, every mount with its fitted curve, and below the"
    )
    out = f" Left out: {listed(lost)}." if lost else ""
    return f"{what} same less the baseline's curve. At {top:g} W, mount by mount: {'; '.join(parts)}.{out}"


# Run by run: how each settled, what the checks found, and what went wrong --------------------------------------------

_BELOW_K, _ABOVE_K = -6.0, 2.0
_SPAN_K = _ABOVE_K - _BELOW_K


def traces(analysis: Analysis) -> Pictures | Block:
    """Draw how each run approached its settled rise: one row per mount, one column per power step.

    Parameters
    ----------
    analysis : Analysis
        What was found.

    Returns
    -------
    Pictures or Block
        As many pictures as the mounts need.
    """
    if not analysis.traces:
        return remark("No log was read: how the runs settled is not known.")
    runs = {run.run: run for run in analysis.runs}
    order = list(marks_of(analysis))
    found = [(runs[trace.run], trace) for trace in analysis.traces]
    found.sort(key=lambda one: order.index(one[0].treatment))
    mounts = list(dict.fromkeys((run.treatment, run.mount) for run, _ in found))  # within a treatment in the order made
    steps = sorted({run.set_power_W for run, _ in found})
    longest = float(max((trace.time_min[-1] for _, trace in found if len(trace.time_min)), default=1.0))
    pages = [mounts[i : i + MOUNTS_PER_PICTURE] for i in range(0, len(mounts), MOUNTS_PER_PICTURE)]
    return Pictures(_trace_picture(marks_of(analysis), found, page, steps, longest) for page in pages)


def _trace_picture(
    marks: dict[str, Mark], found: _Runs, mounts: Sequence[_Mount], steps: Sequence[float], longest: float
) -> Picture:
    shown = [(run, trace) for run, trace in found if (run.treatment, run.mount) in mounts]
    shown.sort(key=lambda one: (mounts.index((one[0].treatment, one[0].mount)), one[0].set_power_W))
    with draw.new_figure(1.15 + 0.72 * len(mounts)) as figure:
        # One pair of axes for all panels: sixty pairs would take seconds.
        axes = draw.panel(figure, left=1.2, right=0.1, bottom=0.72, top=0.42)
        names = [f"{draw.short(name, 15)}\nmount {draw.short(mount, 9, 1)}" for name, mount in mounts]
        draw.cells(axes, names, [watts(power) for power in steps])
        axes.tick_params(labeltop=True, labelbottom=False)
        for run, trace in shown:
            corner = steps.index(run.set_power_W), mounts.index((run.treatment, run.mount))
            _trace_panel(axes, trace, run, marks[run.treatment], corner, longest)
        span = f"{_BELOW_K:g} to +{_ABOVE_K:g} K".replace("-", "−")
        below = (
            f"Each panel: {span} about the settled rise (line), 0 to {longest:.0f} min of soak.\n"
            "Points: block means, thinned. Shaded: window of the fit. Curve: fitted approach.\n"
            "Heavy frame with a cross: run left out."
        )
        draw.small_print(figure, below, x=0.02, bottom_in=0.33, linespacing=1.3)
    left = [f"{run.run}: {_still(run)}" for run, _ in shown if not run.settled]
    alt = f"How {len(shown)} runs approached their settled rise, mounts in rows, power steps in columns. "
    alt += f"Not shown to be settled: {'; '.join(left)}." if left else "All were settled at the end."
    return Picture(figure, alt)


def _still(run: ReducedRun) -> str:
    left = run.drift_left_K
    return "no settled rise" if left is None else f"{number(left, 2, sign=True)} K still to come"


def _trace_panel(
    axes: Axes, trace: RunTrace, run: ReducedRun, mark: Mark, corner: tuple[int, int], longest: float
) -> None:
    """Draw one run into its cell, in minutes and kelvins about its settled rise."""
    pad, side = 0.06, 0.88
    cell = Affine2D().translate(0.0, -_ABOVE_K).scale(side / longest, -side / _SPAN_K)
    at = cell.translate(corner[0] + pad, corner[1] + pad) + axes.transData
    level = run.rise_K if run.rise_K is not None else float(np.nanmedian(np.asarray(trace.rise_K)[-20:]))

    def about_level(rises: Any) -> Any:
        above = np.asarray(rises, dtype=float) - level
        return np.where((above >= _BELOW_K) & (above <= _ABOVE_K), above, np.nan)

    edge, width = (PAGE["rule"], 0.8) if run.used else (PAGE["wrong"], 1.6)
    axes.add_patch(Rectangle((0.0, _BELOW_K), longest, _SPAN_K, fill=False, ec=edge, lw=width, transform=at))
    if not run.used:
        place = corner[0] + 1.0 - 2.2 * pad, corner[1] + 1.0 - 3.2 * pad
        axes.plot(*place, MARKER["cross"], color=edge, ms=6, mew=1.5, zorder=6)
    if trace.window_min is not None:
        low, high = trace.window_min
        how: dict[str, Any] = {"color": PAGE["band"], "lw": 0, "zorder": 0, "transform": at}
        axes.add_patch(Rectangle((low, _BELOW_K), high - low, _SPAN_K, **how))
    if run.rise_K is not None:
        axes.plot([0.0, longest], [0.0, 0.0], color=PAGE["band-edge"], lw=0.7, zorder=1.5, transform=at)
    both = trace.time_min, trace.fitted_time_min
    few, fewer = (slice(None, None, max(1, len(times) // POINTS_PER_PANEL)) for times in both)
    seen, fitted = about_level(trace.rise_K)[few], about_level(trace.fitted_rise_K)[fewer]
    draw.points(axes, trace.time_min[few], seen, mark.colour, 1.4, zorder=2, transform=at)
    axes.plot(trace.fitted_time_min[fewer], fitted, color=PAGE["ink"], lw=1.0, zorder=3, transform=at)


def checks(analysis: Analysis) -> Pictures | Block:
    """Draw which check found what on which run.

    Parameters
    ----------
    analysis : Analysis
        What was found.

    Returns
    -------
    Pictures or Block
        Runs in the order made, as many pictures as they need.
    """
    if not analysis.runs:
        return remark("No runs.")
    size = math.ceil(len(analysis.runs) / math.ceil(len(analysis.runs) / CHECKED_PER_PICTURE))
    seen = {flag.flag for run in analysis.runs for flag in run.flags}
    names = [name for name in FLAG_NAMES if name in seen]
    return Pictures(_check_picture(analysis.runs[i : i + size], names) for i in range(0, len(analysis.runs), size))


def _check_picture(runs: Sequence[ReducedRun], names: Sequence[str]) -> Picture:
    """Draw one row for each check that found something; the others are named below."""
    silent = [name for name in FLAG_NAMES if name not in names]
    words = textwrap.wrap(f"Found on no run: {', '.join(silent)}.", 92) if silent else []
    below, rows = 1.32 + 0.17 * len(words), max(len(names), 1)
    with draw.new_figure(below + 0.45 + 0.225 * rows) as figure:
        axes = draw.panel(figure, left=1.95, right=0.1, bottom=below, top=0.45)
        every = max(1, math.ceil(len(runs) * 0.125 / (draw.WIDTH_IN - 2.05)))
        named = ["" if place % every else draw.short(run.run, 17, 1) for place, run in enumerate(runs)]
        draw.cells(axes, names, named, row_size=9.5, rotation=90, fontsize=8)
        axes.hlines(range(rows + 1), 0.0, len(runs), color=PAGE["rule"], lw=0.6, zorder=0)
        for column, run in enumerate(runs):
            for flag in run.flags:
                _check_cell(axes, column, names.index(flag.flag), flag.severity)
            if not run.used:
                axes.plot(column + 0.5, -0.35, MARKER["cross"], color=PAGE["wrong"], ms=6, mew=1.6, clip_on=False)
        draw.small_print(figure, "n note   d doubtful   u unusable   × run left out", x=0.99, top_in=0.17, ha="right")
        how: dict[str, Any] = {"color": PAGE["muted"], "va": "bottom", "fontsize": 8.6, "linespacing": 1.3}
        draw.small_print(figure, "\n".join(words), x=0.015, bottom_in=0.07, ha="left", **how)
    found = [f"{r.run}: {flag.flag} ({flag.severity})" for r in runs for flag in r.flags if flag.severity != "note"]
    notes = sum(flag.severity == "note" for run in runs for flag in run.flags)
    more = f"More than a note: {'; '.join(found)}." if found else "Nothing more than notes."
    return Picture(figure, f"What {len(FLAG_NAMES)} checks found on {len(runs)} runs. {more} Notes: {notes}.")


def _check_cell(axes: Axes, column: int, row: int, severity: str) -> None:
    axes.add_patch(Rectangle((column, row), 1.0, 1.0, fc=SEVERITY[severity], ec=PAGE["sheet"], lw=0.8))
    how: dict[str, Any] = {"ha": "center", "va": "center", "fontsize": 8}
    colour = PAGE["sheet"] if severity == "unusable" else PAGE["ink"]
    axes.text(column + 0.5, row + 0.53, SEVERITY_LETTER[severity], color=colour, **how)


def doubtful_runs(analysis: Analysis) -> Pictures | Block:
    """Draw every run that is doubtful, unusable or left out, with its fit window and the fitted approach.

    Parameters
    ----------
    analysis : Analysis
        What was found.

    Returns
    -------
    Pictures or Block
        Nothing where there is no such run, a sentence where none of them has readings.
    """
    runs = [run for run in analysis.runs if not run.used or run.worst() in ("doubtful", "unusable")]
    traces = {trace.run: trace for trace in analysis.traces if len(trace.time_min)}
    drawn = [run for run in runs if run.run in traces]
    if not drawn:
        return remark("None of these runs has readings.") if runs else Block("")
    # Where very many went wrong, what was left out comes before what is doubtful; the table names every one.
    kept = sorted(drawn, key=lambda run: run.used)[: DOUBTFUL_PER_PICTURE * MOST_DOUBTFUL_PICTURES]
    drawn = [run for run in drawn if run in kept]
    pages = [drawn[i : i + DOUBTFUL_PER_PICTURE] for i in range(0, len(drawn), DOUBTFUL_PER_PICTURE)]
    return Pictures(_doubtful_picture(page, traces, marks_of(analysis)) for page in pages)


def _doubtful_picture(runs: Sequence[ReducedRun], traces: dict[str, RunTrace], marks: dict[str, Mark]) -> Picture:
    rows, row_in = math.ceil(len(runs) / 2), 2.3
    with draw.new_figure(0.52 + row_in * rows) as figure:
        for place, run in enumerate(runs):
            row, column = divmod(place, 2)
            left, top = 0.62 + 3.1 * column, 0.7 + row_in * row
            right, bottom = draw.WIDTH_IN - left - 2.5, 0.82 + row_in * (rows - 1 - row)
            axes = draw.panel(figure, left=left, right=right, bottom=bottom, top=top)
            _doubtful_panel(axes, run, traces[run.run], marks[run.treatment])
            if place >= len(runs) - 2:
                axes.set_xlabel("minutes of soak", fontsize=9.5)
            if column == 0:
                axes.set_ylabel("rise in K", fontsize=9.5)
        words = "points: block means   shaded: fit window   curve: fitted approach"
        draw.small_print(figure, words, bottom_in=0.15, ha="center", color=PAGE["muted"])
    each = "; ".join(f"{run.run} ({_fate(run)}): {_why(run).rstrip('.')}{_level(run)}" for run in runs)
    return Picture(figure, f"Rise over time of {counted(len(runs), 'run')}, doubtful or left out. {each}.")


def _doubtful_panel(axes: Axes, run: ReducedRun, trace: RunTrace, mark: Mark) -> None:
    if trace.window_min is not None:
        axes.axvspan(*trace.window_min, color=PAGE["band"], lw=0, zorder=0)
    draw.points(axes, trace.time_min, trace.rise_K, mark.colour, 1.5, zorder=2)
    axes.plot(trace.fitted_time_min, trace.fitted_rise_K, color=PAGE["ink"], lw=1.1, zorder=3)
    axes.set_ylim(draw.late_limits(trace.rise_K))
    axes.set_xlim(0.0, float(trace.time_min[-1]))
    axes.tick_params(labelsize=9)
    colour = PAGE["ink"] if run.used else PAGE["wrong"]
    name = draw.short(run.run, 30, 1)
    lines = [name if f"{run.set_power_W:g}" in name else f"{name}, {watts(run.set_power_W)}"]
    lines += [draw.short(f"{_fate(run)}: {_why(run)}", 46, 1)]
    grave = next((flag for flag in run.flags if flag.severity != "note"), None)
    if grave is not None:
        lines += textwrap.wrap(together(grave.reason), 46, max_lines=2, placeholder=" …")
    axes.set_title("\n".join(lines), fontsize=8.4, loc="left", x=-0.12, color=colour, linespacing=1.25)


def _fate(run: ReducedRun) -> str:
    return "used, doubtful" if run.used else "left out"


def _why(run: ReducedRun) -> str:
    flags = ", ".join(flag.flag for flag in run.flags if flag.severity != "note")
    return flags if not run.reason or run.reason == flags else run.reason + (f"; {flags}" if flags else "")


def _level(run: ReducedRun) -> str:
    return "" if run.rise_K is None else f", {rise_name([run])} {number(run.rise_K, 1)} K"
