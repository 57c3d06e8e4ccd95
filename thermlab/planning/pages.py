"""A plan, and the outlook of a campaign under way: tables and a picture for a notebook, sentences for a terminal."""

from __future__ import annotations

from itertools import groupby
from typing import TYPE_CHECKING

from thermlab.base.marks import MARKER, PAGE
from thermlab.planning.folder import clock
from thermlab.planning.records import MOST_MOUNTS, CandidateOutlook, NextMounts, Plan, Split
from thermlab.reports.pages import Block, Column, items, listing, paragraph, table

if TYPE_CHECKING:
    from collections.abc import Sequence
    from pathlib import Path

    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

    from thermlab.reports.pictures import Picture

MOST_NAMED = 12
ORDINALS = ("1 more mount", "2 more mounts", "3 more mounts")


def plan_sentences(plan: Plan) -> tuple[str, ...]:
    """Return a plan in a few sentences, cautions first.

    Parameters
    ----------
    plan : Plan
        A plan.
    """
    request = plan.request
    sentences = [f"caution: {caution}" for caution in plan.cautions]
    sentences.append(
        f"{plan.split.n_mounts} mounts of each of {len(request.treatments)} treatments, {_who_runs(plan)}, "
        f"pre-soak {plan.split.times.pre_soak_min:g} min, soak {plan.split.times.soak_min:g} min: "
        f"{plan.hours:.1f} bench hours on {plan.entries[-1].day} days."
    )
    for question, rows in groupby(plan.numbers, lambda row: row.question):
        row, *others = sorted(rows, key=lambda row: row.power != request.power)
        chances = "".join(f"; for a chance of {o.power:.2f}, {_mounts(o.n_mounts)} mounts" for o in others)
        sentences.append(
            f"To {question} with a chance of {row.power:.2f}: {_mounts(row.n_mounts)} mounts of each "
            f"treatment, difference to {_pm(row.difference_half_width_K, 'K')}, "
            f"throttle power to {_pm(row.throttle_half_width_W, 'W')}{chances}."
        )
    sentences += [_looks(plan), plan.reason]
    return tuple(sentences)


def _who_runs(plan: Plan) -> str:
    split = plan.split
    steps = f"power steps {', '.join(f'{step:g}' for step in split.steps_W)} W"
    if split.n_ladder == split.n_mounts:
        return steps
    return f"{steps} on the first {split.n_ladder}, {plan.request.reference_W:g} W alone on the others"


def _looks(plan: Plan) -> str:
    """Say which way of looking the plan is made for, and what the others take."""
    halfway, every = (_takes(plan, way) for way in ("halfway", "every mount"))
    if plan.looks == "end":
        ways = f"A look halfway as well (--looks halfway) takes {halfway}; looking after every mount takes {every}"
        return f"Look once, when all mounts are made. {ways}."
    if plan.looks == "halfway":
        lead = "Look when half of the mounts are made (thermlab plan --from, --looks halfway) and at the end"
        return f"{lead}, and stop at the verdict: that takes {halfway}."
    return f"Look after every mount (thermlab plan --from) and stop at the verdict: that takes {every}."


def _takes(plan: Plan, way: str) -> str:
    found, request = plan.looking[way], plan.request
    if found is None:
        return f"more than {MOST_MOUNTS} mounts of each treatment"
    true = f"{request.margin_K:g} K are true" if request.goal == "difference" else "nothing differs"
    return (
        f"{found.n_mounts} mounts of each treatment for a chance of {found.chance:.2f}, "
        f"of which {found.mean_mounts:.1f} in all are made on average where {true}"
    )


def outlook_sentences(ahead: NextMounts) -> tuple[str, ...]:
    """Return the outlook of a campaign under way in a few sentences: cautions, the advice of its report, numbers.

    Parameters
    ----------
    ahead : NextMounts
        The outlook.
    """
    advice, cautions = ahead.advice, (f"caution: {caution}" for caution in ahead.cautions)
    sentences = [*cautions, f"{advice.state}. {advice.text}", _mounts_to_come(ahead)]
    for candidate in ahead.candidates:
        text = f"{candidate.treatment}: {_difference(candidate)}, {candidate.verdict} at these looks"
        chances = [f"{c:.2f} after {words}" for c, words in zip(candidate.chance_after, ORDINALS, strict=False)]
        if chances and candidate.verdict == "undecided":
            text += f"; chance of a verdict {', '.join(chances)}, {candidate.chance_at_end:.2f} at the end"
        sentences.append(f"{text}.")
    return tuple(sentences)


def _mounts_to_come(ahead: NextMounts) -> str:
    made = ", ".join(f"{name} {count}" for name, count in ahead.n_mounts.items())
    to_come, more = ", ".join(ahead.next_treatments[:MOST_NAMED]) or "none", len(ahead.next_treatments) - MOST_NAMED
    return f"Mounts so far: {made}. Mounts to come, in this order: {to_come}{f' and {more} more' if more > 0 else ''}."


def under_way(campaign: str | Path | None) -> Block:
    """Return the outlook of a campaign in sentences; a remark where none is named."""
    if campaign is None:
        return paragraph("No campaign under way was named.")
    from thermlab.compare.analysis import analyse  # noqa: PLC0415
    from thermlab.planning.underway import advise  # noqa: PLC0415

    return items(outlook_sentences(advise(analyse(campaign))))


def numbers(plan: Plan) -> Block:
    """Return the mounts that each question needs."""
    columns: list[Column] = [
        ("Question", "text", lambda row: row.question),
        ("Chance", "number", lambda row: f"{row.power:.2f}"),
        ("Mounts of each treatment", "number", lambda row: _mounts(row.n_mounts)),
        ("Difference", "number", lambda row: _pm(row.difference_half_width_K, "K")),
        ("Throttle power", "number", lambda row: _pm(row.throttle_half_width_W, "W")),
    ]
    return listing("Mounts that each question needs, and the half-widths then", plan.numbers, columns)


def splits(plan: Plan) -> Block:
    """Return what every number of steps gives for the same hours, the recommended one marked."""
    columns: list[Column] = [
        ("Steps", "text", lambda split: f"{split.n_steps}{' (recommended)' if split == plan.split else ''}"),
        ("Powers, W", "text", lambda split: ", ".join(f"{step:g}" for step in split.steps_W)),
        ("Soak, min", "number", lambda split: f"{split.times.soak_min:g}"),
        ("Mounts of each treatment", "number", lambda split: split.n_mounts),
        ("With all steps", "number", lambda split: split.n_ladder),
        ("Hours", "number", lambda split: f"{split.hours:.1f}"),
        ("Difference", "number", lambda split: _pm(split.difference_half_width_K, "K")),
        ("Chance to show the margin", "number", lambda split: _hundredths(split.power_at_margin)),
        ("Chance to show equivalence", "number", lambda split: _hundredths(split.equivalence_power)),
        ("Throttle power", "number", lambda split: _pm(split.throttle_half_width_W, "W")),
    ]
    return listing("What the same bench hours give", plan.splits, columns)


def soaks(plan: Plan) -> Block:
    """Return what other soaks give; a remark where the time constant is unknown."""
    if not plan.soaks:
        return paragraph("The time constant of the bench is not known, so soaks cannot be compared.")
    wrong = "Error of the rise where the time constant is 5 % wrong, K"
    columns: list[Column] = [
        ("Soak, min", "text", lambda soak: _marked(soak.times.soak_min, plan.split.times.soak_min)),
        ("Time constants", "number", lambda soak: f"{soak.soak_time_constants:.1f}"),
        ("Mounts of each treatment", "number", lambda soak: soak.n_mounts),
        ("Difference", "number", lambda soak: _pm(soak.difference_half_width_K, "K")),
        ("Left to extrapolate, K", "number", lambda soak: _hundredths(soak.left_K)),
        (wrong, "number", lambda soak: _hundredths(soak.rise_error_K)),
        ("Error of the throttle power, W", "number", lambda soak: _hundredths(soak.throttle_error_W)),
        ("Remark", "text", lambda soak: soak.soak_note),
    ]
    return listing("What a soak costs and leaves, for the same hours", plan.soaks, columns)


def _marked(soak_min: float, planned_min: float) -> str:
    return f"{soak_min:g}{' (planned)' if soak_min == planned_min else ''}"


def bench_hours(plan: Plan) -> Block:
    """Return the calendar, one line per mount."""
    rows = [(f"day {e.day}", clock(e.start_h), clock(e.end_h), *e.runs[0].of) for e in plan.entries]
    return table("Calendar of bench hours", ("Day", "Begins", "Ends", "Treatment", "Mount"), rows)


def _difference(candidate: CandidateOutlook) -> str:
    if candidate.difference_K is None:
        return "no difference yet"
    if candidate.interval_K is None:
        return f"{candidate.difference_K:+.2f} K, no interval yet"
    low, high = candidate.interval_K
    return f"{candidate.difference_K:+.2f} K [{low:+.2f}, {high:+.2f}]"


def _mounts(n_mounts: int | None) -> str:
    return "more than 10000" if n_mounts is None else str(n_mounts)


def _pm(value: float | None, unit: str) -> str:
    return "no interval" if value is None else f"± {value:.2f} {unit}"


def _hundredths(value: float | None) -> str:
    return "" if value is None else f"{value:.2f}"


def trade(plan: Plan, before: Picture | None = None) -> Picture:
    """Draw what every split of the hours gives, and what every soak gives where the time constant is known.

    Parameters
    ----------
    plan : Plan
        A plan.
    before : Picture or None
        The picture of another plan, which is drawn over where it has as many parts: a moved control need not wait for
        new axes.

    Returns
    -------
    Picture
        Figure with its words.
    """
    from thermlab.reports.pictures import Picture, style  # noqa: PLC0415

    soaks, planned = plan.soaks, plan.split
    parts: list[tuple[Sequence[Split], list[float], str, list[float | None], float]] = [
        (
            plan.splits,
            [s.n_steps for s in plan.splits],
            " mounts",
            [s.throttle_half_width_W for s in plan.splits],
            planned.n_steps,
        ),
        (soaks, [s.times.soak_min for s in soaks], "", [s.left_K for s in soaks], planned.times.soak_min),
    ]
    parts = [part for part in parts if part[0]]
    same = before is not None and len(before.figure.axes) == 2 * len(parts)
    figure = before.figure if before is not None and same else _axes_of_trade(len(parts))
    with style():
        for part, (choices, at, mounts, second, chosen) in enumerate(parts):
            left, right = figure.axes[part], figure.axes[len(parts) + part]
            left.lines[0].set_xdata([chosen, chosen])
            _move_curve(left, at, [choice.difference_half_width_K for choice in choices], room=1.15)
            # The two curves have nearly the same shape: more room over the second keeps them apart.
            _move_curve(right, at, second, room=1.5)
            right.set_visible(any(height is not None for height in second))
            left.set_xticks(at, [f"{x:g}\n{choice.n_mounts}{mounts}" for x, choice in zip(at, choices, strict=True)])
            left.autoscale_view(scaley=False)
        figure.axes[0].lines[2].set_ydata([plan.request.margin_K] * 2)
    return Picture(figure, _words(plan))


_LABELS = (
    ("Half-widths (shaded: recommended, dashed: margin)", "power steps", "throttle power: ± W"),
    ("Soak (shaded: planned)", "soak in min", "left to extrapolate: K"),
)
"""Of each part: its title, what lies along it, and what stands beside the half-width of a difference."""


def _axes_of_trade(parts: int) -> Figure:
    """Return left axes with a band, a curve and in the first part a margin, then right axes with a curve: all at 0."""
    import seaborn as sns  # noqa: PLC0415 - a plan on the terminal draws nothing

    from thermlab.reports.pictures import DASHED, new_figure, quiet, stack  # noqa: PLC0415

    with new_figure(2.9 * parts + 0.2) as figure:
        lefts = stack(figure, [1.85] * parts, left=0.75, right=0.75, top=0.45, gap=1.05, share=False)
        for left, (title, along, second) in zip(lefts, _LABELS, strict=False):
            left.axvline(0, color=PAGE["band"], lw=12, zorder=0)
            left.set_title(title, loc="left", fontsize=11, y=1.0)
            below = f"{along}, and the mounts of each treatment for the same hours"
            look = (PAGE["link"], "one", "difference: ± K"), (PAGE["caution-edge"], "second", second)
            for own, (colour, marker, ylabel) in zip((left, left.twinx()), look, strict=True):
                own.set(xlabel=below, ylabel=ylabel)  # named before seaborn would make ticks to name them
                own.yaxis.label.set_color(colour)
                sns.lineplot(x=[0], y=[0], color=colour, marker=MARKER[marker], mec=colour, lw=1.5, ax=own)
                quiet(own, keep=("bottom", "left") if own is left else ("right",))
        lefts[0].axhline(0, color=PAGE["band-edge"], lw=1, ls=DASHED)
    return figure


def _move_curve(axes: Axes, at: Sequence[float], heights: Sequence[float | None], *, room: float) -> None:
    """Move the curve of axes to heights over zero, so that heights compare."""
    import numpy as np  # noqa: PLC0415 - a plan on the terminal draws nothing

    drawn = np.array(heights, dtype=float)
    axes.lines[min(1, len(axes.lines) - 1)].set_data(at, drawn)
    axes.relim()
    highest = np.fmax.reduce(drawn)
    axes.set_ylim(0, room * highest if highest > 0 else 1)


def _words(plan: Plan) -> str:
    def said(split: Split, name: str, second: str) -> str:
        return f"{name}: {split.n_mounts} mounts, difference {_pm(split.difference_half_width_K, 'K')}, {second}"

    steps = [said(s, f"{s.n_steps} steps", f"throttle power {_pm(s.throttle_half_width_W, 'W')}") for s in plan.splits]
    text = f"Half-widths for the same hours. {'; '.join(steps)}. Recommended: {plan.split.n_steps} steps."
    if plan.soaks:
        soaks = [said(s, f"{s.times.soak_min:g} min", f"{s.left_K:.2f} K left to extrapolate") for s in plan.soaks]
        text += f" Soak. {'; '.join(soaks)}. Planned: {plan.split.times.soak_min:g} min."
    return text
