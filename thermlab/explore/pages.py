"""An exploration as tables for a notebook: ranking, one run, runs side by side, leverage, with and without."""

from __future__ import annotations

from typing import TYPE_CHECKING, Literal

from thermlab.base.phrases import decimals_for, interval_decimals, listed, number, span_words, watts
from thermlab.explore.exploring import beside, campaigns, chosen, largest_residual_K
from thermlab.explore.notebook_view import view
from thermlab.reports.pages import Block, cautions_block, items, join, marks_of, paragraph, remark, signed, table, tag
from thermlab.reports.wording import answers, headline_interval

if TYPE_CHECKING:
    from collections.abc import Sequence
    from pathlib import Path

    from thermlab.compare.analysis import Analysis
    from thermlab.compare.records import TreatmentComparison
    from thermlab.explore.exploring import Doubt, Exploration, Influence, Trial
    from thermlab.runs.records import Flag

RANKED = 15


def campaign_list(folder: str | Path) -> Block:
    """Return the campaign folders below a folder."""
    found = campaigns(folder)
    if not found:
        return view(remark("No campaign folder here (a folder with campaign.yaml and runs.csv)."))
    return view(paragraph("Campaigns that can be looked at:"), items(tag("code", path.as_posix()) for path in found))


def overview(found: Exploration) -> Block:
    """Return what is looked at and its answer in short."""
    analysis = found.analysis
    left = [run.run for run in analysis.runs if not run.used]
    said = f"{len(analysis.runs)} runs, " + (f"left out: {listed(left)}." if left else "all of them used.")
    parts = [tag("h3", found.campaign.settings.title), paragraph(said), cautions_block(analysis.cautions)]
    parts += [paragraph(join([tag("strong", a.claim), a.evidence])) for a in answers(analysis)]
    return view(*parts)


def ranking(found: Exploration, first: int = RANKED) -> Block:
    """Return the runs ranked by doubt, the worst first.

    Parameters
    ----------
    found : Exploration
        A campaign that was reduced.
    first : int
        How many are shown.
    """
    marks = marks_of(found.analysis)
    rows = [
        (
            doubt.run.run,
            signed(doubt.run.treatment, marks),
            doubt.run.mount,
            f"{doubt.run.set_power_W:g}",
            "used" if doubt.run.used else "left out",
            ", ".join(f"{flag.flag} ({flag.severity})" for flag in doubt.run.flags) or "–",
            number(doubt.residual_K, 2, sign=True),
            _moves(doubt.influence),
        )
        for doubt in found.doubts[:first]
    ]
    headings = (
        "run",
        "treatment",
        "mount",
        "step in W",
        "fate",
        "flags",
        "largest 2 min residual in K",
        "the answer moves by, in K",
    )
    rest = len(found.doubts) - len(rows)
    words = (
        "Ranked by the worst flag, then by how many flags count, then by how far the run leaves its fitted approach. "
        "The last column says how far a candidate's difference moves when this run alone is left out, or put back "
        "where it is left out."
        + (f" {rest} more are less doubtful: first={len(found.doubts)} shows all." if rest > 0 else "")
    )
    classes = ["" if doubt.run.used else "unusable" for doubt in found.doubts[:first]]
    return view(
        table("Runs by doubt", headings, rows, numeric=(3, 6), wide=(5,), row_classes=classes),
        remark(words),
    )


def _moves(influence: Influence | None) -> str:
    if influence is None:
        return "no settled rise to weigh"
    shift = influence.largest_shift_K
    if influence.changes:
        names = listed([f"{name}: {influence.verdicts.get(name, 'no verdict')}" for name in influence.changes])
        return f"{number(shift, 2, sign=True)}; verdict on {names}"
    return number(shift, 2, sign=True)


def one_run(found: Exploration, run: str = "") -> Block:
    """Return one run with its numbers and the evidence of every flag; the most doubtful one without a name."""
    doubt = chosen(found, run)
    own = doubt.run
    fate = "used" if own.used else f"left out: {own.reason}"
    words = f"{own.treatment}, mount {own.mount}, {watts(own.set_power_W)}; {fate}."
    parts = [tag("h3", own.run), paragraph(words), _flags(own.flags), _numbers(doubt, found)]
    if own.note:
        parts.append(paragraph(f"Note in the run sheet: {own.note}"))
    return view(*parts)


def _flags(flags: Sequence[Flag]) -> Block:
    if not flags:
        return paragraph("No check found anything.")
    rows = [
        (
            flag.flag,
            flag.severity,
            flag.reason,
            "; ".join(f"{name} = {value:.4g}" for name, value in flag.evidence.items()),
        )
        for flag in flags
    ]
    return table("What the checks found", ("flag", "severity", "in words", "evidence"), rows, wide=(2, 3))


def _numbers(doubt: Doubt, found: Exploration) -> Block:
    run, estimate, trace = doubt.run, found.estimates.get(doubt.run.run), found.traces.get(doubt.run.run)
    decimals = decimals_for(run.u_rise_K)
    window = "–" if run.window_min is None else f"{run.window_min[0]:.1f} to {run.window_min[1]:.1f} min of the soak"
    constant = None if estimate is None or estimate.time_constant_s is None else estimate.time_constant_s / 60.0
    rows = [
        ("settled rise at set power", f"{number(run.rise_K, decimals)} K (u = {number(run.u_rise_K, decimals)} K)"),
        ("still to come at the end", f"{number(run.drift_left_K, 2, sign=True)} K"),
        ("fitted in", window),
        ("time constant used", f"{number(constant, 1)} min"),
        ("largest 2 min mean residual", f"{number(doubt.residual_K, 2, sign=True)} K"),
        ("sensor", run.sensor or "–"),
        ("customary reading at the end", f"{number(run.end_reading_C, 1)} °C"),
        ("less the room", f"{number(run.end_rise_K, 1)} K"),
        ("mean power in the window", f"{number(run.power_W, 2)} W"),
        ("mean room in the window", f"{number(run.ambient_C, 2)} °C"),
        ("soak", f"{number(run.soak_min, 1)} min"),
        ("readings", "–" if trace is None else f"{trace.time_s.size}, one each {trace.interval_s:g} s"),
        ("answer with its fate changed", "–" if doubt.influence is None else _influence_words(doubt.influence)),
    ]
    return table("In numbers", ("quantity", "value"), rows, wide=(1,))


def _influence_words(influence: Influence) -> str:
    shifts = [
        f"{name} {number(difference, 2, sign=True)} K ({number(influence.shift_K[name], 2, sign=True)} K)"
        + (f", then {influence.verdicts.get(name, 'no verdict')}" if name in influence.changes else "")
        for name, difference in influence.difference_K.items()
    ]
    return f"{influence.fate}: " + "; ".join(shifts) if shifts else "no comparison"


def side_by_side(found: Exploration, run: str = "", *, by: Literal["mount", "step"] = "mount") -> Block:
    """Return the runs of the same mount, or of the same power step, beside each other."""
    marks, own = marks_of(found.analysis), chosen(found, run).run
    runs = beside(found, run, by=by)
    caption = f"Runs of {own.treatment}, mount {own.mount}" if by == "mount" else f"Runs at {watts(own.set_power_W)}"
    headings = ("run", "treatment", "mount", "step in W", "settled rise in K", "still to come in K",
                "largest 2 min residual in K", "room in °C", "power in W", "fate", "flags")  # fmt: skip
    rows = [
        (
            join([tag("strong", r.run)]) if r.run == own.run else r.run,
            signed(r.treatment, marks),
            r.mount,
            f"{r.set_power_W:g}",
            number(r.rise_K, 2),
            number(r.drift_left_K, 2, sign=True),
            number(largest_residual_K(found.estimates.get(r.run)), 2, sign=True),
            number(r.ambient_C, 1),
            number(r.power_W, 1),
            "used" if r.used else "left out",
            ", ".join(flag.flag for flag in r.flags) or "–",
        )
        for r in runs
    ]
    return view(table(caption, headings, rows, numeric=(3, 4, 5, 6, 7, 8), wide=(10,)))


def leverage(found: Exploration, first: int = 10) -> Block:
    """Return what each mount and each run weighs in the verdict, the heaviest first."""
    if found.analysis.comparison is None:
        return view(remark("No comparison, so nothing can weigh in it."))
    marks = marks_of(found.analysis)
    now = {item.treatment: item for item in found.analysis.comparison.treatments}
    runs = [doubt.influence for doubt in found.doubts if doubt.influence is not None]
    headings = ("changed", *(signed(name, marks) for name in now), "verdicts that change")

    def row(name: str, influence: Influence) -> tuple[object, ...]:
        cells = [
            f"{number(influence.difference_K[c], 2, sign=True)} ({number(influence.shift_K[c], 2, sign=True)})"
            for c in now
        ]
        changed = [f"{c}: {influence.verdicts.get(c, 'no verdict')}" for c in influence.changes]
        return (name, *cells, "; ".join(changed) or "–")

    rows: list[tuple[object, ...]] = [
        ("as it is", *(number(item.difference_K, 2, sign=True) for item in now.values()),
         "; ".join(f"{name}: {item.verdict}" for name, item in now.items()))
    ]  # fmt: skip
    heavy = sorted(found.mounts, key=_weight)[:first]
    rows += [row(f"without {influence.name}", influence) for influence in heavy]
    heavy = [one for one in sorted(runs, key=_weight)[:first] if one.largest_shift_K]
    rows += [row(f"{influence.name} {influence.fate}", influence) for influence in heavy]
    words = (
        "The difference in K, candidate minus baseline, and in brackets how far it moves. A mount weighs more than any "
        "of its runs: it is what the comparison counts. A run that weighs a lot is not wrong for that. Where a mount "
        "then lacks the reference step, all mounts are compared through their fitted curves: another method."
    )
    return view(
        table("Leverage on the answer", headings, rows, numeric=range(1, len(now) + 1), wide=(len(now) + 1,)),
        remark(words),
    )


def _weight(influence: Influence) -> tuple[bool, float]:
    return not influence.changes, -abs(influence.largest_shift_K or 0.0)


def with_and_without(trial: Trial) -> Block:
    """Return the answer as it is beside the answer with other runs."""
    before, after = trial.before, trial.after
    tried = [f"left out: {listed(trial.left_out)}" if trial.left_out else ""]
    tried.append(f"put back: {listed(trial.put_back)}" if trial.put_back else "")
    said = "; ".join(filter(None, tried)) or "nothing changed"
    if before.comparison is None:
        return view(paragraph(f"Tried: {said}."), remark("No comparison."))
    then = {} if after.comparison is None else {item.treatment: item for item in after.comparison.treatments}
    marks = marks_of(before)
    rows: list[tuple[object, ...]] = []
    for item in before.comparison.treatments:
        other = then.get(item.treatment)
        rows += [
            (join([signed(item.treatment, marks), ": difference in K"]), _difference(item), _difference(other)),
            (join([signed(item.treatment, marks), ": verdict"]), item.verdict, _verdict(item, other)),
        ]
    for treatment in (t.treatment for t in (before.throttle.treatments if before.throttle else ())):
        label = join([signed(treatment, marks), ": throttle power in W"])
        rows.append((label, _throttle(before, treatment), _throttle(after, treatment)))
    rows.append(("mount SD in K", number(before.bench.mount_sd_K, 2), number(after.bench.mount_sd_K, 2)))
    advice = (
        "Nothing was written. Leave a run out for what went wrong on the bench, never for what it does to the answer: "
        "the reason has to hold without it. The runs keep their settled rises here; once the exclusion stands in "
        "runs.csv, time constant and curve of the bench are found without the run too, and the last digit may move."
    )
    return view(
        paragraph(f"Tried: {said}."),
        table("The answer, with and without", ("quantity", "as it is", "tried"), rows, wide=(1, 2)),
        remark(advice),
    )


def _difference(item: TreatmentComparison | None) -> str:
    if item is None or item.difference_K is None:
        return "–"
    interval = headline_interval(item)
    shown = number(item.difference_K, interval_decimals(interval, default=2), sign=True)
    return shown if interval is None else f"{shown} ({span_words(interval, interval_decimals(interval))})"


def _verdict(item: TreatmentComparison, other: TreatmentComparison | None) -> Block | str:
    if other is None:
        return "no verdict"
    return other.verdict if other.verdict == item.verdict else tag("strong", f"{other.verdict} (changed)")


def _throttle(analysis: Analysis, treatment: str) -> str:
    found = {} if analysis.throttle is None else {item.treatment: item for item in analysis.throttle.treatments}
    item = found.get(treatment)
    return "–" if item is None else number(item.throttle_power_W, interval_decimals(item.interval_W))
