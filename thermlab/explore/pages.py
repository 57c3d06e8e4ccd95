"""An exploration as tables for a notebook: ranking, one run, leverage, with and without."""

from pathlib import Path

from thermlab.base.numbers import interval_decimals, listed, number
from thermlab.compare.analysis import Analysis
from thermlab.compare.records import TreatmentComparison
from thermlab.explore.exploring import Exploration, Influence, Trial, campaigns, chosen, heaviest_first
from thermlab.reports import pages as html
from thermlab.reports.pages import Block
from thermlab.reports.tables import found_by_checks, run_table
from thermlab.reports.wording import by_treatment, difference_read
from thermlab.runs.records import ReducedRun


def campaign_list(folder: str | Path) -> Block:
    """Return the campaign folders below a folder."""
    found = campaigns(folder)
    if not found:
        return html.view(html.remark("No campaign folder here (a folder with campaign.yaml and runs.csv)."))
    paths = html.items(html.tag("code", path.as_posix()) for path in found)
    return html.view(html.paragraph("Campaigns that can be looked at:"), paths)


def overview(found: Exploration) -> Block:
    """Return what is looked at and its answer."""
    return html.view(html.opening(found.analysis))


def ranking(found: Exploration, first: int = 15) -> Block:
    """Return the runs ranked by doubt, the worst first.

    Parameters
    ----------
    found : Exploration
        A campaign that was reduced.
    first : int
        How many are shown.
    """
    marks = html.marks_of(found.analysis)
    shown, rest = found.doubts[:first], len(found.doubts) - first
    columns: list[html.Column] = [
        *html.run_columns(lambda doubt: doubt.run, marks),
        ("fate", "text", lambda doubt: "used" if doubt.run.used else "left out"),
        ("flags", "wide", lambda doubt: html.flag_names(doubt.run) or "–"),
        ("largest 2 min residual in K", "number", lambda doubt: _shift(doubt.residual_K)),
        ("the answer moves by, in K", "text", lambda doubt: _moves(doubt.influence)),
    ]
    ranked = html.listing("Runs by doubt", shown, columns, left_out=lambda doubt: not doubt.run.used)
    words = (
        "Ranked by the worst flag, then by how many flags count, then by how far the run leaves its fitted approach. "
        "The last column says how far a candidate's difference moves when this run alone is left out, or put back "
        "where it is left out."
    )
    more = f" {rest} more are less doubtful: first={len(found.doubts)} shows all." if rest > 0 else ""
    return html.view(ranked, html.remark(words + more))


def _shift(value_K: float | None) -> str:
    return number(value_K, 2, sign=True)


def _moves(influence: Influence | None) -> str:
    if influence is None:
        return "no settled rise to weigh"
    shown = _shift(influence.largest_shift_K)
    return f"{shown}; verdict on {listed(_then(influence))}" if influence.changes else shown


def _then(influence: Influence) -> list[str]:
    """Say which verdicts change, and to what."""
    return [f"{name}: {influence.verdicts.get(name, 'no verdict')}" for name in influence.changes]


def one_run(found: Exploration, run: str = "") -> Block:
    """Return one run with its numbers and the evidence of every flag; the most doubtful one without a name."""
    doubt = chosen(found, run)
    own, estimate = doubt.run, found.estimates.get(doubt.run.run)
    said = f"Largest 2 min mean residual {_shift(doubt.residual_K)} K."
    if own.window_min is not None:
        said += " Fitted from {:.1f} to {:.1f} min of the soak.".format(*own.window_min)
    if estimate is not None:
        constant, trace = estimate.time_constant_s, estimate.trace
        said += f" Time constant used: {number(constant and constant / 60.0, 1)} min. "
        said += f"{trace.time_s.size} readings, one each {trace.interval_s:g} s."
    said += f" The answer moves with its fate changed, in K: {_moves(doubt.influence)}."
    numbers = run_table("In numbers", [own], html.marks_of(found.analysis))
    return html.view(html.tag("h3", own.run), numbers, html.paragraph(said), _flags(own))


def fate_and_flags(found: Exploration, run: str) -> Block:
    """Return what became of one run and what the checks found in it."""
    own = chosen(found, run).run
    fate = "used" if own.used else f"left out: {own.reason}"
    return html.view(html.paragraph(f"{own.run}: {fate}."), _flags(own))


def _flags(run: ReducedRun) -> Block:
    return found_by_checks("What the checks found", [run])


def leverage(found: Exploration, first: int = 10) -> Block:
    """Return what each mount and each run weighs in the verdict, the heaviest first."""
    if found.analysis.comparison is None:
        return html.view(html.remark("No comparison, so nothing can weigh in it."))
    marks = html.marks_of(found.analysis)
    now = by_treatment(found.analysis.comparison)
    runs = [one for doubt in found.doubts if (one := doubt.influence) is not None and one.largest_shift_K]

    def row(name: str, influence: Influence) -> tuple[object, ...]:
        cells = (f"{_shift(influence.difference_K[c])} ({_shift(influence.shift_K[c])})" for c in now)
        return (name, *cells, "; ".join(_then(influence)) or "–")

    verdicts = "; ".join(f"{name}: {item.verdict}" for name, item in now.items())
    rows: list[tuple[object, ...]] = [("as it is", *(_shift(item.difference_K) for item in now.values()), verdicts)]
    rows += [row(f"without {one.name}", one) for one in heaviest_first(found.mounts)[:first]]
    rows += [row(f"{one.name} {one.fate}", one) for one in heaviest_first(runs)[:first]]
    headings = ("changed", *(html.signed(name, marks) for name in now), "verdicts that change")
    words = (
        "The difference in K, candidate minus baseline, and in brackets how far it moves. A mount weighs more than any "
        "of its runs: it is what the comparison counts. A run that weighs a lot is not wrong for that. Where a mount "
        "then lacks the reference step, all mounts are compared through their fitted curves: another method."
    )
    numeric, wide = range(1, len(now) + 1), (len(now) + 1,)
    weighed = html.table("Leverage on the answer", headings, rows, numeric=numeric, wide=wide)
    return html.view(weighed, html.remark(words))


def with_and_without(trial: Trial, *, advice: bool = True) -> Block:
    """Return the answer as it is beside the answer with other runs, and what to mind when leaving runs out."""
    before, after = trial.before, trial.after
    tried = [f"left out: {listed(trial.left_out)}" if trial.left_out else ""]
    tried.append(f"put back: {listed(trial.put_back)}" if trial.put_back else "")
    tried += [f"{name} {after:g} in place of {before:g}" for name, (before, after) in trial.settings.items()]
    said = "; ".join(filter(None, tried)) or "nothing changed"
    if before.comparison is None:
        return html.view(html.paragraph(f"Tried: {said}."), html.remark("No comparison."))
    then = by_treatment(after.comparison)
    marks = html.marks_of(before)
    rows: list[tuple[object, ...]] = []
    for item in before.comparison.treatments:
        name, other = html.signed(item.treatment, marks), then.get(item.treatment)
        rows.append((html.join([name, ": difference in K"]), difference_read(item), difference_read(other)))
        rows.append((html.join([name, ": verdict"]), item.verdict, _verdict(item, other)))
    for treatment in by_treatment(before.throttle):
        label = html.join([html.signed(treatment, marks), ": throttle power in W"])
        rows.append((label, _throttle(before, treatment), _throttle(after, treatment)))
    rows.append(("mount SD in K", number(before.bench.mount_sd_K, 2), number(after.bench.mount_sd_K, 2)))
    words = (
        "Nothing was written. Leave a run out for what went wrong on the bench, never for what it does to the answer: "
        "the reason has to hold without it. The runs keep their settled rises here; once the exclusion stands in "
        "runs.csv, time constant and curve of the bench are found without the run too, and the last digit may move."
    )
    shown = html.table("The answer, with and without", ("quantity", "as it is", "tried"), rows, wide=(1, 2))
    return html.view(html.paragraph(f"Tried: {said}."), shown, html.remark(words) if advice else "")


def _verdict(item: TreatmentComparison, other: TreatmentComparison | None) -> Block | str:
    if other is None:
        return "no verdict"
    return other.verdict if other.verdict == item.verdict else html.tag("strong", f"{other.verdict} (changed)")


def _throttle(analysis: Analysis, treatment: str) -> str:
    item = by_treatment(analysis.throttle).get(treatment)
    return "–" if item is None else number(item.throttle_power_W, interval_decimals(item.interval_W))
