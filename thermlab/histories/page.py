"""The history of an archive as one HTML page: no network, no script, every text escaped."""

from __future__ import annotations

import base64
from typing import TYPE_CHECKING

from thermlab.archives.listing import HISTORY, INDEX
from thermlab.base.files import replace_file
from thermlab.base.numbers import counted, percent, with_interval
from thermlab.histories import figures as figures_history
from thermlab.histories import words as history_words
from thermlab.histories.words import MILLI
from thermlab.reports.pages import (
    Block,
    Column,
    cautions_block,
    escape,
    items,
    join,
    listing,
    paragraph,
    remark,
    table,
    tag,
)
from thermlab.reports.pictures import DPI
from thermlab.reports.render import plain_page

if TYPE_CHECKING:
    from pathlib import Path

    from thermlab.histories.records import BenchHistory, History
    from thermlab.reports.pictures import Picture


def write_history(found: History, archive: Path) -> Path:
    """Write ``history.html`` beside the bags, at once.

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
    replace_file(archive / HISTORY, render_history(found).encode("utf-8", "replace"))
    return archive / HISTORY


def render_history(found: History) -> str:
    """Return the history as a whole page."""
    body = f'{block(found).html}\n<p><a href="{INDEX}">List of campaigns and builds</a></p>'
    style = ".history main { margin: 0 auto; padding: 0 1.25rem 4rem; }\n"
    return plain_page(body, title=f"History of {found.archive}", kind="history", style=style)


def picture_block(picture: Picture) -> Block:
    """Return a picture as HTML that needs no other file."""
    data = base64.b64encode(picture.png()).decode("ascii")
    width, height = (round(inches * DPI) for inches in picture.figure.get_size_inches())
    image = Block(
        f'<img src="data:image/png;base64,{data}" width="{width}" height="{height}" alt="{escape(picture.alt)}">'
    )
    return tag("figure", image)


def block(found: History) -> Block:
    """Return the findings with pictures and tables."""
    subtitle = (
        f"{counted(found.n_campaigns, 'campaign')} and {counted(found.n_builds, 'build')}. "
        f"Intervals: {percent(found.confidence_level)}."
    )
    parts: list[object] = [tag("h1", f"History of {found.archive}"), tag("p", subtitle, class_="subtitle")]
    parts += [tag("h2", "How much mounts scatter")]
    parts += [_bench(bench) for bench in found.benches] or [remark("No campaigns.")]
    parts += [tag("h2", "Did the benches stay what they were?")]
    for chart in found.baselines:
        sentence, cautions = history_words.baseline_sentence(chart), chart.chart.cautions if chart.chart else ()
        parts += [paragraph(sentence), cautions_block(cautions)]
        parts += [picture_block(figures_history.baseline(chart))] if chart.points else []
        if chart.not_at_step:
            parts.append(remark(f"Without a run at {chart.power_W:g} W: {', '.join(chart.not_at_step)}."))
    parts += [tag("h2", "Treatments over campaigns and benches")]
    for one in found.across:
        parts += [paragraph(history_words.across_sentence(one)), picture_block(figures_history.across(one))]
    parts += [] if found.across else [remark("No comparisons.")]
    parts += [tag("h2", "Lots"), *_lots(found)]
    parts += [tag("h2", "Builds")]
    parts += [paragraph(text) for text in history_words.build_sentences(found)] or [remark("No builds.")]
    parts += [picture_block(figures_history.builds(found.builds))] if found.builds else []
    parts += [tag("h2", "Age")]
    for trend in found.ageing:
        parts += [paragraph(history_words.age_sentence(trend)), picture_block(figures_history.ageing(trend))]
    if not found.ageing:
        parts.append(
            remark("No mount was run at several ages (a condition such as “day 42” or “cycle 50” says the age).")
        )
    if found.left_out:
        parts += [tag("h2", "Left out"), items(found.left_out)]
    return join(parts, "\n")


def _bench(bench: BenchHistory) -> Block:
    columns: list[Column] = [
        ("campaign", "text", lambda one: one.title),
        ("report made", "text", lambda one: one.day),
        ("mount SD in mK/W", "number", lambda one: f"{MILLI * one.sd_K_per_W:.2f}"),
        ("degrees of freedom", "number", lambda one: one.dof),
        ("run noise in K", "number", lambda one: "–" if one.run_noise_K is None else f"{one.run_noise_K:.2f}"),
        (
            "each treatment, noise left in, in mK/W",
            "text",
            lambda one: ", ".join(f"{name} {MILLI * sd:.2f}" for name, sd in one.by_treatment.items()),
        ),
        (
            "time constant in min",
            "number",
            lambda one: "–" if one.time_constant_min is None else f"{one.time_constant_min:.1f}",
        ),
    ]
    parts: list[object] = [
        tag("h3", history_words.bench_name(bench.bench).capitalize()),
        paragraph(history_words.scatter_sentence(bench)),
        cautions_block(bench.cautions),
    ]
    if bench.prior is not None:
        parts += [
            paragraph("For campaign.yaml of the next campaign on this bench:"),
            tag("pre", bench.prior, tabindex="0"),
        ]
        parts.append(remark("All degrees of freedom are given; half of them count, and thermlab does the halving."))
    if bench.campaigns:
        parts.append(listing(f"Campaigns on {history_words.bench_name(bench.bench)}", bench.campaigns, columns))
    return join(parts, "\n")


def _lots(found: History) -> list[Block]:
    parts = []
    for one in found.lots:
        rows = [
            (lot, count, with_interval(MILLI * mean, (MILLI * (mean - u), MILLI * (mean + u)), sign=False))
            for lot, count, mean, u in one.lots
        ]
        caption = f"Lots of {one.treatment} on {history_words.bench_name(one.bench)} at {one.power_W:g} W"
        headings = ("lot", "mounts", "rise over power in mK/W, ± one standard uncertainty")
        parts += [paragraph(history_words.lot_sentence(one)), cautions_block(one.cautions)]
        parts.append(table(caption, headings, rows, numeric=(1, 2)))
    return parts or [remark("No treatment with two lots on one bench and two mounts of a lot.")]
