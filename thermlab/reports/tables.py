"""The tables of a report.

Numbers are rounded to two significant digits of their uncertainty (GUM 7.2.6);
``results.json`` keeps all digits.
"""

from collections import defaultdict
from collections.abc import Callable, Iterator, Mapping, Sequence
from statistics import fmean
from typing import Any

from thermlab.base.marks import Mark
from thermlab.base.numbers import decimals_for, interval_decimals, number, percent, watt_decimals, with_interval
from thermlab.compare.analysis import Analysis
from thermlab.compare.records import Comparison
from thermlab.compare.uncertainty import combine_each
from thermlab.compare.value import TreatmentValue
from thermlab.reports.pages import (
    Block,
    Column,
    flag_names,
    folded,
    join,
    listing,
    marks_of,
    paragraph,
    remark,
    run_columns,
    signed,
    table,
    tag,
)
from thermlab.reports.wording import ends, settings_of
from thermlab.runs.records import SETTLED_RISE, ReducedRun, rise_name

_Rows = Sequence[tuple[str, Callable[[Any], object]]]


def _beside(analysis: Analysis, caption: str, each: Sequence[Any], rows: _Rows) -> Block:
    """Return a table with one column per treatment and one row per quantity: its name, and how a cell is made."""
    headings = ("quantity", *(signed(item.treatment, marks_of(analysis)) for item in each))
    return table(caption, headings, [(name, *map(cell, each)) for name, cell in rows], numeric=range(1, len(each) + 1))


def differences(analysis: Analysis) -> Block:
    """Return each candidate against the baseline with every interval, one column per candidate."""
    comparison = analysis.comparison
    if comparison is None:
        return remark("No comparison.")
    margin, level = settings_of(analysis)
    own, both = percent(level), percent(round(2.0 * level - 1.0, 9))

    def in_K(name: str, *, sign: bool = True) -> Callable[[Any], str]:
        return lambda item: number(getattr(item, name), interval_decimals(item.interval_K), sign=sign)

    rows: _Rows = [
        ("mounts used", lambda item: item.n_mounts),
        ("mean rise in K", in_K("mean_rise_K", sign=False)),
        ("difference in K", in_K("difference_K")),
        (f"{own} simultaneous interval (the verdict rests on it)", lambda item: _ends(item.simultaneous_interval_K)),
        (f"{own} interval of this candidate alone", lambda item: _ends(item.interval_K)),
        (f"{both} interval of the equivalence test", lambda item: _ends(item.equivalence_interval_K)),
        ("Welch interval (own scatter of each treatment)", lambda item: _ends(item.welch_interval_K)),
        ("adjusted p value of no difference (never sets the verdict)", lambda item: _p_value(item.p_value)),
        ("verdict", lambda item: item.verdict),
        ("note", lambda item: item.verdict_note or "–"),
        ("mounts needed per treatment, in total", lambda item: number(item.mounts_needed, 0)),
        ("difference with runs left out put back", in_K("without_exclusions_K")),
        ("second witness: the early rise", lambda item: "–" if item.witness is None else item.witness.says),
    ]
    at = "" if comparison.reference_power_W is None else f" at {comparison.reference_power_W:g} W"
    shown = _beside(analysis, f"Candidate minus baseline in K{at}; negative is cooler", comparison.treatments, rows)
    decimals = min((interval_decimals(item.interval_K) for item in comparison.treatments), default=1)
    base = f"mean rise {number(comparison.baseline_mean_rise_K, decimals)} K, {comparison.baseline_n_mounts} mounts"
    words = f"Baseline {comparison.baseline}: {base}. Margin {margin:g} K."
    return join([remark(words), folded("Every interval", shown)])


def _ends(interval: tuple[float, float] | None) -> str:
    return ends(interval, interval_decimals(interval), sign=True)


def _p_value(p: float | None) -> str:
    return "–" if p is None else "< 0.001" if p < 0.001 else f"{p:.3f}"


def _p_equals(p: float | None) -> str:
    return "p " + _p_value(p) if p is not None and p < 0.001 else "p = " + _p_value(p)


def throttle(analysis: Analysis) -> Block:
    """Return throttle powers with their intervals and what was seen directly, one column per treatment."""
    found = analysis.throttle
    if found is None:
        why = "the campaign gives no limits, or no curve could be fitted (see the cautions)"
        return remark(f"No throttle power: {why}.")
    level = percent(settings_of(analysis)[1])
    rows: _Rows = [
        ("throttle power in W", lambda item: number(item.throttle_power_W, watt_decimals(item.interval_W))),
        (f"{level} confidence interval of the mean", lambda item: _range(item.interval_W)),
        (f"{level} prediction interval of one future mount", lambda item: _range(item.future_mount_interval_W)),
        ("difference to the baseline in W", lambda item: with_interval(item.difference_W, item.difference_interval_W)),
        ("the same, simultaneous interval", lambda item: _ends(item.simultaneous_difference_interval_W)),
        ("above the highest step (−: below it)", lambda item: _signed_percent(item.extrapolation)),
        ("held at the limit, moved to these conditions, in W", lambda item: number(item.directly_observed_W, 1)),
        ("runs that reached the limit", _observed),
    ]
    if any(item.reason for item in found.treatments):
        rows = [*rows, ("why there is none", lambda item: item.reason or "–")]
    caption = f"Power at which the device reaches {found.temperature_limit_C:g} °C in a room at {found.room_C:g} °C"
    shown = folded("Every throttle power with its intervals", _beside(analysis, caption, found.treatments, rows))
    if found.model_spread_W is None:
        return shown
    moved = f"Other plausible curves move these powers by up to {number(found.model_spread_W, 1)} W."
    return join([shown, remark(moved)])


def _range(interval: tuple[float, float] | None) -> str:
    return ends(interval, watt_decimals(interval))


def _signed_percent(fraction: float | None) -> str:
    return "–" if fraction is None else f"{number(100.0 * fraction, 0, sign=True)} %"


def _observed(item: Any) -> str:
    return ", ".join(f"{i.run}: {i.held_power_W:.1f} W at {i.ambient_C:.1f} °C" for i in item.observed) or "–"


def value(analysis: Analysis) -> Block:
    """Return cost per mount, cost per K gained and handling."""
    if analysis.value is None:
        return remark("No prices were given.")
    settings, marks = analysis.campaign.settings, marks_of(analysis)
    currency = settings.currency or "currency not given"

    def about(item: TreatmentValue, name: str, default: object) -> Any:
        return getattr(settings.treatments.get(item.treatment), name, default)

    def described(item: TreatmentValue) -> Block:
        words, name = about(item, "description", ""), signed(item.treatment, marks)
        return join([name, tag("span", words, class_="under")]) if words else name

    beaten = {True: "not beaten", False: "another reads cooler and is no dearer", None: "–"}
    conducts = {True: "yes", False: "no", None: "not stated"}
    columns: list[Column] = [
        ("treatment", "text", described),
        (f"cost per mount ({currency})", "number", lambda item: number(item.cost_per_mount, 2)),
        (
            f"extra cost per K cooler ({currency})",
            "number",
            lambda item: with_interval(item.cost_per_K, item.cost_per_K_interval, sign=False),
        ),
        ("on rise and price together", "text", lambda item: beaten[item.not_beaten]),
        ("conducts electricity", "text", lambda item: conducts[about(item, "electrically_conductive", None)]),
        ("handling", "text", lambda item: about(item, "handling", "")),
    ]
    return listing("What one mount costs, and how it handles", analysis.value.treatments, columns)


def rises(analysis: Analysis) -> Block:
    """Return the mean rise of every treatment by step, and folded what every sensor read of every mount."""
    used = [run for run in analysis.runs if run.used and run.rise_K is not None]
    if not used:
        return remark("No rise: no run could be used.")
    marks, steps = marks_of(analysis), sorted({run.set_power_W for run in used})
    found: dict[tuple[str, ...], dict[float, list[float]]] = defaultdict(lambda: defaultdict(list))
    for run in used:
        read = {(run.treatment, run.mount, sensor.name): sensor.rise_K for sensor in run.sensors}
        for key, rise_K in ({(run.treatment,): run.rise_K} | read).items():
            found[key][run.set_power_W] += [] if rise_K is None else [rise_K]

    def line(*key: str) -> list[object]:
        means = [number(fmean(found[key][step]), 1) if found[key][step] else "–" for step in steps]
        return [signed(key[0], marks), *key[1:], *means]

    heads, sensors = [f"{step:g} W" for step in steps], [key for key in found if len(key) > 1]
    rows = [line(name) for name in marks]
    shown = table(f"Mean {rise_name(used)} in K by step", ("treatment", *heads), rows, numeric=range(1, len(steps) + 1))
    heads = ["treatment", "mount", "sensor", *heads]
    each = table("Rise of every sensor in K", heads, [line(*key) for key in sensors], numeric=range(3, len(heads)))
    return join([shown, folded("Every sensor of every mount", each)]) if sensors else shown


def runs(analysis: Analysis) -> Block:
    """Return every run in the order made, with its numbers and flags, and below them what each flag found."""
    every = run_table("All runs in the order they were made", analysis.runs, marks_of(analysis))
    what = "What each flag found, with its evidence"
    return join([folded("Every run with its numbers", every), folded(what, found_by_checks(what, analysis.runs))])


def run_table(caption: str, runs: Sequence[ReducedRun], marks: Mapping[str, Mark]) -> Block:
    """Return runs with their numbers and flags."""

    def rise(value: float | None, run: ReducedRun) -> str:
        return number(value, decimals_for(run.u_rise_K))

    kind = rise_name(runs)
    approach: list[Column] = [
        ("still to come in K", "number", lambda run: number(run.drift_left_K, 2, sign=True)),
        ("settled", "text", lambda run: {True: "yes", False: "no", None: "–"}[run.settled]),
    ]
    columns: list[Column] = [
        *run_columns(lambda run: run, marks),
        (f"{kind} in K", "number", lambda run: rise(run.rise_K, run)),
        ("u in K", "number", lambda run: rise(run.u_rise_K, run)),
        *(approach if kind == SETTLED_RISE else ()),
        ("fate", "text", lambda run: "used" if run.used else f"left out: {run.reason}"),
        ("flags", "text", lambda run: flag_names(run, "; ")),
        ("power in W", "number", lambda run: number(run.power_W, 2)),
        ("room in °C", "number", lambda run: number(run.ambient_C, 2)),
        ("end reading in °C", "number", lambda run: number(run.end_reading_C, 1)),
        ("end reading less room in K", "number", lambda run: number(run.end_rise_K, 1)),
        ("sensor", "text", lambda run: run.sensor or "–"),
        ("soak in min", "number", lambda run: number(run.soak_min, 1)),
        ("lot, condition, note", "text", lambda run: "; ".join(filter(None, (run.lot, run.condition, run.note)))),
    ]
    return listing(caption, runs, columns, left_out=lambda run: not run.used)


def found_by_checks(caption: str, runs: Sequence[ReducedRun]) -> Block:
    """Return every flag of some runs with its reason and evidence."""
    found = [(run.run, flag) for run in runs for flag in run.flags]
    columns: list[Column] = [
        ("run", "text", lambda pair: pair[0]),
        ("flag", "text", lambda pair: f"{pair[1].flag} ({pair[1].severity})"),
        ("what was found", "wide", lambda pair: pair[1].reason),
        ("evidence", "wide", lambda pair: _evidence(pair[1].evidence)),
    ]
    return listing(caption, found, columns) if found else paragraph("No check found anything.")


def _evidence(evidence: Mapping[str, float]) -> str:
    return ", ".join(f"{name} {value:.3g}".replace(" -", " −") for name, value in evidence.items())


def secondary(analysis: Analysis) -> Block:
    """Return the estimands that were declared besides the primary one."""
    comparison = analysis.comparison
    if comparison is None or not comparison.secondary:
        return remark("None.")
    marks, level = marks_of(analysis), percent(settings_of(analysis)[1])
    apart = f"difference to the baseline, {level} interval"
    columns: list[Column] = [
        ("estimand", "text", lambda item: item.estimand),
        ("candidate", "text", lambda item: signed(item.treatment, marks)),
        (apart, "number", lambda item: with_interval(item.difference, item.interval)),
        ("unit", "text", lambda item: item.unit),
    ]
    shown = listing("Declared besides the primary estimand; they never set a verdict", comparison.secondary, columns)
    words = [remark(text) for text in (_offset_words(comparison), _curve_words(comparison)) if text]
    return folded("Other estimands, offset and curve", shown, *words)


def _offset_words(comparison: Comparison) -> str:
    """Say what the check for an offset found, and how little a clean one means."""
    check = comparison.offset_check
    if check is None:
        return ""
    each = "; ".join(
        f"{test.treatment} {with_interval(test.offset_K, test.interval_K)} K ({_p_equals(test.p_value)}, "
        f"{percent(check.power)} chance to find {_significant(test.detectable_K)} K)"
        for test in check.treatments
    )
    return f"Offset that does not grow with power, judged {check.level}: {each}. {check.note}"


def _curve_words(comparison: Comparison) -> str:
    """Say how well the rise curve fits the steps, and how much the mounts of each treatment scatter."""
    fit = comparison.lack_of_fit
    own = [f"{name} {_significant(sd)} K" for name, sd in comparison.mount_sd_by_treatment.items() if sd is not None]
    text = f"Standard deviation between the mounts of each treatment: {', '.join(own)}." if own else ""
    if comparison.cochran_c is not None and comparison.cochran_critical is not None:
        text += f" Cochran's C: {comparison.cochran_c:.3f} (5 % point {comparison.cochran_critical:.3f})."
    if fit is not None:
        text += (
            f" Lack of fit of the rise curve: up to {_significant(fit.largest_K)} K, F = {fit.F:.2f} with {fit.dof1} "
            f"and {fit.dof2} degrees of freedom, {_p_equals(fit.p_value)}."
        )
    return text.strip()


def budget(analysis: Analysis) -> Block:
    """Return the uncertainty budgets."""
    if not analysis.budget:
        return remark("No budget: there is no run that could be used.")
    level = settings_of(analysis)[1]
    columns: list[Column] = [
        ("quantity", "text", lambda line: _with_unit(line.quantity)),
        ("input", "text", lambda line: line.input),
        ("type", "text", lambda line: line.evaluation),
        ("standard uncertainty", "number", lambda line: _significant(line.u)),
        ("sensitivity", "number", lambda line: _significant(line.sensitivity)),
        ("contribution", "number", lambda line: _significant(line.contribution)),
        ("degrees of freedom", "number", lambda line: _dof(line.dof)),
    ]
    lines = listing("Where the uncertainty comes from (k = 1)", analysis.budget, columns)
    combined: list[Column] = [
        ("quantity", "text", lambda pair: _with_unit(pair[0])),
        ("combined standard uncertainty", "number", lambda pair: _significant(pair[1].u)),
        ("effective degrees of freedom", "number", lambda pair: _dof(pair[1].dof)),
        ("coverage factor k", "number", lambda pair: f"{pair[1].coverage_factor:.2f}"),
        (f"expanded uncertainty ({percent(level)})", "number", lambda pair: _significant(pair[1].expanded)),
    ]
    together = listing("Combined", combine_each(analysis.budget, confidence_level=level).items(), combined)
    return join([together, folded("Where the uncertainty comes from", lines)])


def _with_unit(quantity: str) -> str:
    return f"{quantity} in {'W' if quantity == 'throttle power' else 'K'}"


def _dof(dof: float | None) -> str:
    return "∞" if dof is None else f"{dof:.3g}"


def _significant(value: float | None) -> str:
    return number(value, decimals_for(None if value is None else abs(value), default=0))


def settings(analysis: Analysis) -> Block:
    """Return every setting and threshold that was used."""
    rows = [(name, text + _changed(name, analysis)) for name, text in _flat(analysis.settings)]
    shown = table("Every number and choice used, defaults included", ("setting", "value"), rows)
    return folded("Every setting and threshold", shown)


def _changed(name: str, analysis: Analysis) -> str:
    changed = name.rsplit(".", 1)[-1] in analysis.overrides and not name.startswith(("checks", "uncertainty", "log"))
    return " (changed for this report)" if changed else ""


def _flat(settings: Mapping[str, object], prefix: str = "") -> Iterator[tuple[str, str]]:
    for name, value in settings.items():
        if isinstance(value, Mapping) and value:
            yield from _flat(value, f"{prefix}{name}.")
        elif isinstance(value, (list, tuple)):
            yield f"{prefix}{name}", ", ".join(map(str, value)) or "none"
        else:
            yield f"{prefix}{name}", _setting(value)


def _setting(value: object) -> str:
    if value is None or isinstance(value, bool):
        return {None: "not given", True: "yes", False: "no"}[value]
    return f"{value:g}" if isinstance(value, float) else str(value)
