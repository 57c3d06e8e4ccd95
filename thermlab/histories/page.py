"""How a history shows itself: as text, pictures, one HTML page without network or script, and data for a program."""

from __future__ import annotations

from datetime import UTC, datetime
from typing import TYPE_CHECKING, Any

from thermlab.archives.listing import HISTORY, HISTORY_DATA, INDEX
from thermlab.base.files import replace_file
from thermlab.base.marks import MARKER, PAGE, treatment_marks
from thermlab.base.numbers import counted, interval_decimals, number, percent, with_interval
from thermlab.reports import pictures as draw
from thermlab.reports.pages import Block, Column, cautions_block, items, join, listing, paragraph, remark, tag
from thermlab.reports.pictures import Picture
from thermlab.reports.render import picture, plain_page
from thermlab.reports.results import head, plain, results_json

if TYPE_CHECKING:
    from collections.abc import Sequence
    from pathlib import Path

    from matplotlib.axes import Axes

    from thermlab.histories import records

MILLI = 1000.0
_ROW_IN = 0.42
_NAMED_ROW_IN = 0.62
_MOST_ROWS = 30


def summary(found: records.History) -> str:
    """Return the findings of a history as text, one line per finding."""
    lines = [f"{found.archive}: {counted(found.n_campaigns, 'campaign')}, {counted(found.n_builds, 'build')}"]
    for bench in found.benches:
        lines += [scatter_sentence(bench), *(f"  caution: {text}" for text in bench.cautions)]
        lines += [f"  {bench.prior}"] if bench.prior else []
    lines += [baseline_sentence(chart) for chart in found.baselines]
    lines += [across_sentence(one) for one in found.across]
    lines += [lot_sentence(one) for one in found.lots]
    lines += [build_sentence(found)] if found.builds else []
    lines += [age_sentence(one) for one in found.ageing]
    lines += [f"left out: {text}" for text in found.left_out]
    return "\n".join(lines)


def bench_name(bench: str) -> str:
    """Return the name of a bench, for a sentence."""
    return f"bench {bench}" if bench else "the bench without a name"


def scatter_sentence(bench: records.BenchHistory) -> str:
    """Say how much mounts scatter on a bench."""
    if bench.mount_sd_K_per_W is None:
        return f"Mount SD on {bench_name(bench.bench)}: not known."
    found, sd = "from the differences of campaigns with one mount of each", bench.mount_sd_K_per_W
    if bench.campaigns:
        found = f"run noise taken out, from {counted(len(bench.campaigns), 'campaign')}"
    known = f"{MILLI * sd:.3g} mK/W ({100.0 * sd:.2g} K at 100 W), {counted(bench.dof, 'degree')} of freedom"
    return f"Mount SD on {bench_name(bench.bench)}: {known}, {found}."


def baseline_sentence(chart: records.BaselineChart) -> str:
    """Say whether the baseline of a bench stayed what it was."""
    what, mounts = f"{chart.treatment} on {bench_name(chart.bench)} at {chart.power_W:g} W", chart.points
    found = chart.chart
    if found is None:
        return f"{what}: {counted(len(mounts), 'mount')}, too few or too alike to chart."
    limits = f"limits {MILLI * found.lower:.1f} to {MILLI * found.upper:.1f} mK/W about {MILLI * found.centre:.1f} mK/W"
    if found.steady:
        return f"{what}: {counted(len(mounts), 'mount')}, all within the {limits}: no sign that the bench changed."
    signals = [f"mount {mounts[i].mount} of {mounts[i].campaign!r} is outside" for i in found.outside]
    signals += [f"{b - a + 1} mounts in a row lie on one side from mount {a + 1} on" for a, b in found.runs]
    return f"{what}: {'; '.join(signals)} ({limits}): look for what changed on the bench."


def across_sentence(one: records.AcrossCampaigns) -> str:
    """Say what a treatment gains over all campaigns."""
    found = one.combined
    made = f"{counted(len(one.studies), 'campaign')} with {counted(one.n_mounts, 'mount')}"
    what = f"{one.treatment} against {one.baseline} at {one.at_power_W:g} W, {made}"
    if found is None:
        values = ", ".join(number(one.at_power_W * study.difference_K_per_W, 2, sign=True) for study in one.studies)
        return " ".join([f"{what}: {values} K ({one.method}).", *one.cautions])
    lo, hi = found.interval
    text = f"{what}: {with_interval(found.mean, (lo, hi))} K, \N{PLUS-MINUS SIGN} {(hi - lo) / 2.0:.2g} K "
    text += f"({percent(found.confidence_level)} confidence; {one.method})"
    if found.prediction_interval is not None:
        decimals = interval_decimals(found.prediction_interval)
        ends = ", ".join(number(end, decimals, sign=True) for end in found.prediction_interval)
        text += f"; a further campaign is expected within [{ends}] K"
    said = [f"{text}.", *one.cautions]
    if one.sensitivity:
        halves = ", ".join(f"\N{PLUS-MINUS SIGN} {(hi - lo) / 2.0:.2g}" for _, (lo, hi) in one.sensitivity)
        said.append(f"With a scale of {', '.join(f'{scale:g}' for scale, _ in one.sensitivity)} K: {halves} K.")
    return " ".join(said)


def lot_sentence(one: records.LotSummary) -> str:
    """Say how much lots differ."""
    what = f"Lots of {one.treatment} on {bench_name(one.bench)} at {one.power_W:g} W: {counted(len(one.lots), 'lot')}"
    tested = f"test of no difference between lots: p = {one.p_value:.2g}"
    return f"{what}, between lots {MILLI * one.between_K_per_W:.2g} mK/W beyond the scatter of mounts ({tested})."


def build_sentence(found: records.History) -> str:
    """Say how builds came out."""
    judged = [(point, point.interval_K) for point in found.builds if point.interval_K is not None]
    outside = [point for point, (low, high) in judged if not low <= point.rise_K <= high]
    names = ", ".join(f"{point.build} at {point.power_W:g} W" for point in outside)
    inside = f"{len(judged) - len(outside)} of {counted(len(judged), 'run')} within the interval for a fresh mount"
    return f"Builds: {inside}" + (f": outside {names}." if outside else ".")


def age_sentence(one: records.AgeTrend) -> str:
    """Say what age does to a mount."""
    scale, ends = one.power_W, one.interval_K_per_W
    interval = None if ends is None else (scale * ends[0], scale * ends[1])
    change = f"{with_interval(scale * one.slope_K_per_W, interval)} K per {one.unit} at {scale:g} W"
    found = f"{counted(one.n_mounts, 'mount')}: {one.finding}."
    return " ".join([f"Age of {one.treatment} on {bench_name(one.bench)}: {change}, {found}", *one.cautions])


def baseline_picture(chart: records.BaselineChart) -> Picture:
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
            for i in found.outside:
                draw.hollow(axes, i + 1, values[i], "o", PAGE["wrong"], size=15.0)
            limits = {"upper limit": found.upper, "mean": found.centre, "lower limit": found.lower}
            for name, level in limits.items():
                line = "-" if name == "mean" else draw.DASHED
                axes.axhline(MILLI * level, color=PAGE["band-edge"], lw=1.0, ls=line, zorder=1)
            named = [(f"{name} {MILLI * level:.1f}", MILLI * level, PAGE["muted"]) for name, level in limits.items()]
            draw.name_ends(axes, named, width=20)
        draw.quiet(axes, keep=("left", "bottom"))
    return Picture(figure, f"Individuals chart. {baseline_sentence(chart)}")


def _campaign_axis(axes: Axes, chart: records.BaselineChart) -> None:
    """Mark where each campaign begins, with its day, as long as there is room for the words."""
    starts = [i for i, point in enumerate(chart.points) if i == 0 or point.bag != chart.points[i - 1].bag]
    every = -(-len(starts) // 7)
    shown = starts[::every]
    days = [chart.points[i].day[:10] for i in shown]
    axes.set_xticks([i + 1 for i in shown], days, rotation=30, ha="right", fontsize=9)
    axes.set_xlim(0.4, len(chart.points) + 0.6)
    for i in starts[1:]:
        axes.axvline(i + 0.5, color=PAGE["rule"], lw=0.8, zorder=0)
    axes.set_xlabel("mounts in the order made; a campaign begins at each line", fontsize=9.3)


def across_picture(one: records.AcrossCampaigns) -> Picture:
    """Draw what each campaign found about a treatment, and what they say together.

    Parameters
    ----------
    one : AcrossCampaigns
        With at least one campaign.
    """
    mark = treatment_marks([one.baseline, one.treatment], one.baseline)[one.treatment]
    together, power = one.combined if len(one.studies) > 1 else None, one.at_power_W
    studies = one.studies[-_MOST_ROWS:]
    names = [f"{draw.short(study.title, 26, 2)}\n{study.day}" for study in studies]
    names += ["together"] if together is not None else []
    with draw.new_figure(1.42 + _NAMED_ROW_IN * len(names)) as figure:
        axes = draw.panel(figure, left=2.3, right=0.25, bottom=0.84, top=0.35)
        axes.axvline(0.0, color=PAGE["muted"], lw=0.9, zorder=1)
        for row, study in enumerate(studies):
            value, half = power * study.difference_K_per_W, study.half_K_per_W
            if half is not None:
                draw.bar(axes, (value - power * half, value + power * half), row, mark.colour, 1.6)
            axes.plot(value, row, mark.marker, color=mark.colour, ms=6.5, mfc="none" if half is None else mark.colour)
        if together is not None:
            row = len(studies)
            draw.bar(axes, together.prediction_interval, row, PAGE["band-edge"], 6, alpha=0.6)
            draw.bar(axes, together.interval, row, PAGE["ink"], 2.6)
            axes.plot(together.mean, row, MARKER["together"], color=PAGE["ink"], ms=7)
        draw.name_rows(axes, names)
        level = "" if one.combined is None else f"line: {percent(one.combined.confidence_level)} interval; "
        level = f"the last {_MOST_ROWS} campaigns; {level}" if len(studies) < len(one.studies) else level
        words = f"difference to the baseline in K at {power:g} W\n{level}band: a further campaign"
        axes.set_xlabel(words, fontsize=9.3)
        draw.directions(axes)
    return Picture(figure, f"Campaigns one by one and together. {across_sentence(one)}")


def builds_picture(points: Sequence[records.BuildPoint]) -> Picture:
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
            said.append(f"{point.build} at {point.power_W:g} W: {number(off, 2, sign=True)} K, {words}")
        names = [f"{draw.short(point.build, 30, 1)}\n{point.power_W:g} W, {point.day}" for point in points]
        draw.name_rows(axes, names)
        words = "rise less the mean of the campaign's mounts in K\nbar: where a fresh mount was expected"
        axes.set_xlabel(words, fontsize=9.3)
    return Picture(figure, "Builds against the interval for a fresh mount. " + "; ".join(said) + ".")


def ageing_picture(one: records.AgeTrend) -> Picture:
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
            line = lines[place % len(lines)] if mount.campaign else "none"
            for step in sorted({run.power_W for run in mount.runs}):
                own = [run for run in mount.runs if run.power_W == step]
                ages, values = [run.age for run in own], [MILLI * run.resistance_K_per_W for run in own]
                axes.plot(ages, values, mark.marker, color=mark.colour, ms=5.5, ls=line, lw=1.1)
                ends.append((f"{draw.short(mount.mount, 12, 1)}, {step:g} W", values[-1], PAGE["muted"]))
        draw.name_ends(axes, ends, width=20)
        axes.set_xlabel(f"age ({draw.short(one.unit, 20, 1)})")
        axes.set_ylabel("rise over power in mK/W")
        draw.quiet(axes, keep=("left", "bottom"))
    return Picture(figure, f"Resistance against age on {bench_name(one.bench)}. {age_sentence(one)}")


def write_history(found: records.History, archive: Path) -> Path:
    """Write ``history.html`` and ``history.json`` beside the bags, each at once.

    Parameters
    ----------
    found : History
        What was found.
    archive : Path
        The archive.

    Returns
    -------
    Path
        The page.
    """
    replace_file(archive / HISTORY_DATA, results_json(history_data(found)).encode("utf-8", "replace"))
    replace_file(archive / HISTORY, render_history(found).encode("utf-8", "replace"))
    return archive / HISTORY


_COMBINED = ("treatment", "baseline", "at_power_W", "n_mounts", "method", "cautions")


def history_data(found: records.History) -> dict[str, Any]:
    """Return what a program gets: combined differences, mount SDs, and every mount in the order measured."""
    benches = [
        {name: getattr(bench, name) for name in ("bench", "mount_sd_K", "at_power_W", "mount_sd_K_per_W")}
        | {"mount_sd_dof": bench.dof if bench.mount_sd_K_per_W else None}
        for bench in found.benches
    ]
    only: dict[str, Any] = benches[0] if len(benches) == 1 else {}
    return {
        **head(),
        "archive": found.archive,
        "confidence_level": found.confidence_level,
        "combined": [
            {name: getattr(one, name) for name in _COMBINED}
            | {
                "n_campaigns": len(one.studies),
                "difference_K": one.combined and one.combined.mean,
                "interval_K": one.combined and one.combined.interval,
                "spread_K": one.combined and one.combined.spread,
                "sensitivity": [{"scale_K": scale, "interval_K": ends} for scale, ends in one.sensitivity],
            }
            for one in found.across
        ],
        **{key: only.get(key) for key in ("mount_sd_K", "mount_sd_dof", "at_power_W")},
        "benches": benches,
        "mounts": [plain(point) | {"measured": point.measured or None} for point in found.mounts],
        "left_out": list(found.left_out),
    }


def render_history(found: records.History) -> str:
    """Return the history as a whole page."""
    body = f'{block(found).html}\n<p><a href="{INDEX}">List of campaigns and builds</a></p>'
    style = ".history main { margin: 0 auto; padding: 0 1.25rem 4rem; }\n"
    return plain_page(body, title=f"History of {found.archive}", kind="history", style=style)


def picture_block(drawn: Picture) -> Block:
    """Return a picture as HTML that needs no other file."""
    return Block(picture(drawn.svg(), drawn.described()))


def _days(points: tuple[records.MountPoint, ...]) -> str:
    days = sorted(point.measured[:10] for point in points if point.measured)
    if not days:
        return "The logs have no dates: campaigns stand in the order of their reports."
    undated = sum(not point.measured for point in points)
    text = f"Runs made from {days[0]} to {days[-1]}" if days[0] != days[-1] else f"Runs made {days[0]}"
    return f"{text}; {counted(undated, 'mount')} without a date." if undated else f"{text}."


def block(found: records.History) -> Block:
    """Return the findings with pictures and tables."""
    subtitle = (
        f"{counted(found.n_campaigns, 'campaign')} and {counted(found.n_builds, 'build')}. {_days(found.mounts)} "
        f"Page written {datetime.now(UTC):%Y-%m-%d}. Intervals: {percent(found.confidence_level)}."
    )
    alone = f"{counted(found.n_builds, 'build')} without a campaign that says where a fresh mount should be."
    no_age = "No mount was run at several ages (a condition such as “day 42” or “cycle 50” says the age)."
    builds = [_seen(build_sentence(found), builds_picture(found.builds))] if found.builds else []
    ageing = [_seen(age_sentence(trend), ageing_picture(trend)) for trend in found.ageing]
    across = [_seen(across_sentence(one), across_picture(one), _studies(one)) for one in found.across]
    sections: tuple[tuple[str, list[Block], str], ...] = (
        ("How much mounts scatter", [_bench(bench) for bench in found.benches], "No campaigns."),
        ("Did the benches stay what they were?", [_chart(chart) for chart in found.baselines], "No campaigns."),
        ("Treatments over campaigns and benches", across, "No comparisons."),
        ("Lots", [_lots(one) for one in found.lots], "No treatment with two lots on one bench."),
        ("Builds", builds, alone if found.n_builds else "No builds."),
        ("Age", ageing, no_age),
    )
    parts: list[object] = [tag("h1", f"History of {found.archive}"), tag("p", subtitle, class_="subtitle")]
    for heading, blocks, none in sections:
        parts += [tag("h2", heading), *(blocks or [remark(none)])]
    parts += [tag("h2", "Left out"), items(found.left_out)] if found.left_out else []
    return join(parts, "\n")


def _seen(sentence: str, drawn: Picture, *more: object) -> Block:
    """Return what is to be said, its picture, and what is read beside it."""
    return join([paragraph(sentence), picture_block(drawn), *more], "\n")


def _chart(chart: records.BaselineChart) -> Block:
    parts = [paragraph(baseline_sentence(chart)), cautions_block(chart.chart.cautions if chart.chart else ())]
    parts += [picture_block(baseline_picture(chart))] if chart.points else []
    without = f"Without a run at {chart.power_W:g} W: {', '.join(chart.not_at_step)}."
    return join([*parts, remark(without)] if chart.not_at_step else parts, "\n")


def _bench(bench: records.BenchHistory) -> Block:
    columns: list[Column] = [
        ("campaign", "text", lambda one: one.title),
        ("measured", "text", lambda one: one.day),
        ("mount SD in mK/W", "number", lambda one: f"{MILLI * one.sd_K_per_W:.2f}"),
        ("degrees of freedom", "number", lambda one: one.dof),
        ("run noise in K", "number", lambda one: number(one.run_noise_K, 2)),
        ("time constant in min", "number", lambda one: number(one.time_constant_min, 1)),
    ]
    name, said = bench_name(bench.bench), scatter_sentence(bench)
    parts = [tag("h3", name.capitalize()), paragraph(said), cautions_block(bench.cautions)]
    if bench.prior is not None:
        paste = paragraph("For campaign.yaml of the next campaign on this bench:")
        halved = "All degrees of freedom are given; half of them count, and thermlab does the halving."
        parts += [paste, tag("pre", bench.prior, tabindex="0"), remark(halved)]
    return join([*parts, listing(f"Campaigns on {name}", bench.campaigns, columns)] if bench.campaigns else parts, "\n")


def _studies(one: records.AcrossCampaigns) -> Block:
    def difference(study: records.Study) -> str:
        value, half = one.at_power_W * study.difference_K_per_W, study.half_K_per_W
        ends = None if half is None else (value - one.at_power_W * half, value + one.at_power_W * half)
        return with_interval(value, ends)

    columns: list[Column] = [
        ("campaign", "text", lambda study: study.title),
        ("measured", "text", lambda study: study.day),
        ("mounts, with the baseline's", "number", lambda study: f"{study.n_mounts} + {study.n_baseline}"),
        ("of these without a log", "number", lambda study: study.n_readings),
        (f"difference in K at {one.at_power_W:g} W", "number", difference),
    ]
    return listing(f"Campaigns with {one.treatment} and {one.baseline}", one.studies, columns)


def _lots(one: records.LotSummary) -> Block:
    def mean(row: tuple[str, int, float, float]) -> str:
        value, u = MILLI * row[2], MILLI * row[3]
        return with_interval(value, (value - u, value + u), sign=False)

    columns: list[Column] = [
        ("lot", "text", lambda row: row[0]),
        ("mounts", "number", lambda row: row[1]),
        ("rise over power in mK/W, ± one standard uncertainty", "number", mean),
    ]
    caption = f"Lots of {one.treatment} on {bench_name(one.bench)} at {one.power_W:g} W"
    return join([paragraph(lot_sentence(one)), cautions_block(one.cautions), listing(caption, one.lots, columns)], "\n")
