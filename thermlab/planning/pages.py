"""A plan, and the outlook of a campaign under way, as tables for a notebook and sentences for a terminal."""

from __future__ import annotations

from functools import partial
from typing import TYPE_CHECKING

from thermlab.planning.run_order import MOST_MOUNTS, clock
from thermlab.reports.pages import Block, Column, cautions_block, join, listing, paragraph, table

if TYPE_CHECKING:
    from pathlib import Path

    from thermlab.planning.records import Plan
    from thermlab.planning.underway import CandidateOutlook, NextMounts

ORDINALS = ("1 more mount", "2 more mounts", "3 more mounts")


def plan_sentences(plan: Plan) -> tuple[str, ...]:
    """Return a plan in a few sentences, cautions first.

    Parameters
    ----------
    plan : Plan
        A plan.
    """
    request = plan.request
    days = max(entry.day for entry in plan.entries)
    sentences = [f"caution: {caution}" for caution in plan.cautions]
    sentences.append(
        f"{plan.n_mounts} mounts of each of {len(request.treatments)} treatments, {_who_runs(plan)}, "
        f"pre-soak {plan.times.pre_soak_min:g} min, soak {plan.times.soak_min:g} min: "
        f"{plan.hours:.1f} bench hours on {days} days."
    )
    for row in plan.numbers:
        if row.power != request.power:
            continue
        others = "".join(
            f"; for a chance of {other.power:.2f}, {_mounts(other.n_mounts)} mounts"
            for other in plan.numbers
            if other.question == row.question and other.power != row.power
        )
        sentences.append(
            f"To {row.question} with a chance of {row.power:.2f}: {_mounts(row.n_mounts)} mounts of each "
            f"treatment, difference to {_pm(row.difference_half_width_K, 'K')}, "
            f"throttle power to {_pm(row.throttle_half_width_W, 'W')}{others}."
        )
    sentences += [_looks(plan), plan.reason]
    return tuple(sentences)


def _who_runs(plan: Plan) -> str:
    steps = ", ".join(f"{step:g}" for step in plan.steps_W)
    if plan.n_ladder == plan.n_mounts:
        return f"power steps {steps} W"
    return f"power steps {steps} W on the first {plan.n_ladder}, {plan.request.reference_W:g} W alone on the others"


def _looks(plan: Plan) -> str:
    """Say which way of looking the plan is made for, and what the other takes."""
    found, request = plan.looking, plan.request
    takes = f"more than {MOST_MOUNTS} mounts of each treatment"
    if found is not None:
        true = f"{request.margin_K:g} K are true" if request.goal == "difference" else "nothing differs"
        takes = (
            f"{found.n_mounts} mounts of each treatment for a chance of {found.chance:.2f}, "
            f"of which {found.mean_mounts:.1f} in all are made on average where {true}"
        )
    if plan.looks == "end":
        return f"Look once, when all mounts are made. Looking after every mount (thermlab plan --from) takes {takes}."
    return f"Look after every mount (thermlab plan --from) and stop at the verdict: that takes {takes}."


def outlook_sentences(ahead: NextMounts) -> tuple[str, ...]:
    """Return the outlook of a campaign under way in a few sentences, cautions first.

    Parameters
    ----------
    ahead : NextMounts
        The outlook.
    """
    made = ", ".join(f"{name} {count}" for name, count in ahead.n_mounts.items())
    sentences = [f"caution: {caution}" for caution in ahead.cautions]
    sentences.extend(ahead.lead)
    planned = ", ".join(ahead.next_treatments[:3])
    lead = "Next" if ahead.advice == "go on" else "Still planned"
    to_come = f"{lead}: {planned}"
    if not ahead.next_treatments:
        to_come = "No more are planned"
    sentences.append(f"Mounts so far: {made}. {to_come}.")
    for candidate in ahead.candidates:
        text = f"{candidate.treatment}: {candidate.verdict}, {_difference(candidate)}"
        chances = [
            f"{chance:.2f} after {words}" for chance, words in zip(candidate.chance_after, ORDINALS, strict=False)
        ]
        if chances and candidate.verdict == "undecided":
            text += f"; chance of a verdict {', '.join(chances)}, {candidate.chance_at_end:.2f} at the end"
        sentences.append(f"{text}.")
    return tuple(sentences)


def numbers(plan: Plan) -> Block:
    """Return the mounts that each question needs."""
    columns: list[Column] = [
        ("Question", "text", lambda row: row.question),
        ("Chance", "number", lambda row: f"{row.power:.2f}"),
        ("Mounts of each treatment", "number", lambda row: _mounts(row.n_mounts)),
        ("Difference", "number", lambda row: _pm(row.difference_half_width_K, "K")),
        ("Throttle power", "number", lambda row: _pm(row.throttle_half_width_W, "W")),
        ("Difference of throttle powers", "number", lambda row: _pm(row.throttle_difference_half_width_W, "W")),
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
        ("Remark", "text", lambda split: split.note),
    ]
    return listing("What the same bench hours give", plan.splits, columns)


def soaks(plan: Plan) -> Block:
    """Return what other soaks give; a remark where the time constant is unknown."""
    if not plan.soaks:
        return paragraph("The time constant of the bench is not known, so soaks cannot be compared.")
    wrong = "Error of the rise where the time constant is 5 % wrong, K"
    columns: list[Column] = [
        (
            "Soak, min",
            "text",
            lambda soak: f"{soak.soak_min:g}{' (planned)' if soak.soak_min == plan.times.soak_min else ''}",
        ),
        ("Time constants", "number", lambda soak: f"{soak.soak_time_constants:.1f}"),
        ("Mounts of each treatment", "number", lambda soak: soak.n_mounts),
        ("Difference", "number", lambda soak: _pm(soak.difference_half_width_K, "K")),
        ("Left to extrapolate, K", "number", lambda soak: _hundredths(soak.left_K)),
        (wrong, "number", lambda soak: _hundredths(soak.rise_error_K)),
        ("Error of the throttle power, W", "number", lambda soak: _hundredths(soak.throttle_error_W)),
        ("Remark", "text", lambda soak: soak.note),
    ]
    return listing("What a soak costs and leaves, for the same hours", plan.soaks, columns)


def bench_hours(plan: Plan) -> Block:
    """Return the calendar, one line per mount."""
    lines: dict[tuple[str, str, int], list[float]] = {}
    for entry in plan.entries:
        lines.setdefault((entry.treatment, entry.mount, entry.day), []).extend((entry.start_h, entry.end_h))
    rows = [
        (f"day {day}", clock(min(hours)), clock(max(hours)), treatment, mount)
        for (treatment, mount, day), hours in lines.items()
    ]
    return table("Calendar of bench hours", ("Day", "Begins", "Ends", "Treatment", "Mount"), rows)


def plan_cautions(plan: Plan) -> Block:
    """Return what the plan assumed."""
    return cautions_block(plan.cautions)


def under_way(campaign: str | Path | None) -> Block:
    """Return the outlook of a campaign under way; a remark where none is named.

    Parameters
    ----------
    campaign : str, Path or None
        Campaign folder with runs so far.
    """
    if campaign is None:
        return paragraph("No campaign under way was named.")
    from thermlab.planning.underway import advise  # noqa: PLC0415

    return outlook(advise(campaign))


def outlook(ahead: NextMounts) -> Block:
    """Return what the next mount can still change."""
    columns: list[Column] = [
        ("Candidate", "text", lambda one: one.treatment),
        ("Mounts", "number", lambda one: one.n_mounts),
        ("Difference, intervals that allow every look", "text", _difference),
        ("Verdict", "text", lambda one: one.verdict),
        *((words, "number", partial(_chance_after, i)) for i, words in enumerate(ORDINALS)),
        ("All planned", "number", lambda one: _hundredths(one.chance_at_end)),
    ]
    return join(
        [
            *map(paragraph, ahead.lead),
            cautions_block(ahead.cautions),
            listing("Chance of a verdict after the next mounts", ahead.candidates, columns),
        ]
    )


def _chance_after(place: int, candidate: CandidateOutlook) -> str:
    return _hundredths(candidate.chance_after[place] if place < len(candidate.chance_after) else None)


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
