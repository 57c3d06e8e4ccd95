"""The tables of a report.

Numbers are rounded to two significant digits of their uncertainty (GUM 7.2.6);
``results.json`` keeps all digits.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from typing import TYPE_CHECKING

from thermlab.base.phrases import decimals_for, interval_decimals, number, percent, watt_decimals, with_interval
from thermlab.compare.uncertainty import combine_each
from thermlab.reports.pages import Block, join, marks_of, remark, signed, table, tag
from thermlab.reports.wording import settings_of

if TYPE_CHECKING:
    from thermlab.compare.analysis import Analysis
    from thermlab.compare.records import Comparison
    from thermlab.compare.value import TreatmentValue
    from thermlab.runs.records import Flag, HeldPower, ReducedRun


def differences(analysis: Analysis) -> Block:
    """Return each candidate against the baseline with every interval, one column per candidate."""
    comparison = analysis.comparison
    if comparison is None:
        return remark("No comparison.")
    marks, (margin, level) = marks_of(analysis), settings_of(analysis)
    found = comparison.treatments
    both = percent(round(2.0 * level - 1.0, 9))
    rows: list[tuple[object, ...]] = [
        ("mounts used", *(item.n_mounts for item in found)),
        ("mean rise in K", *(number(item.mean_rise_K, interval_decimals(item.interval_K)) for item in found)),
        ("difference in K", *(number(i.difference_K, interval_decimals(i.interval_K), sign=True) for i in found)),
        (
            f"{percent(level)} simultaneous interval (the verdict rests on it)",
            *(_ends(i.simultaneous_interval_K) for i in found),
        ),
        (f"{percent(level)} interval of this candidate alone", *(_ends(item.interval_K) for item in found)),
        (f"{both} interval of the equivalence test", *(_ends(item.equivalence_interval_K) for item in found)),
        ("Welch interval (own scatter of each treatment)", *(_ends(item.welch_interval_K) for item in found)),
        ("adjusted p value of no difference (never sets the verdict)", *(_p_value(item.p_value) for item in found)),
        ("verdict", *(item.verdict for item in found)),
        ("note", *(item.verdict_note or "–" for item in found)),
        (
            "mounts needed per treatment, in total",
            *("–" if i.mounts_needed is None else i.mounts_needed for i in found),
        ),
        (
            "difference with runs left out put back",
            *(number(i.without_exclusions_K, interval_decimals(i.interval_K), sign=True) for i in found),
        ),
    ]
    at = "" if comparison.reference_power_W is None else f" at {comparison.reference_power_W:g} W"
    mean = number(comparison.baseline_mean_rise_K, min((interval_decimals(i.interval_K) for i in found), default=1))
    return join(
        [
            table(
                f"Candidate minus baseline in K{at}; negative is cooler",
                ("quantity", *(signed(item.treatment, marks) for item in found)),
                rows,
                numeric=range(1, len(found) + 1),
            ),
            remark(
                f"Baseline {comparison.baseline}: mean rise {mean} K, {comparison.baseline_n_mounts} mounts. "
                f"Margin {margin:g} K."
            ),
        ]
    )


def _ends(interval: tuple[float, float] | None) -> str:
    if interval is None:
        return "–"
    decimals = interval_decimals(interval)
    return " to ".join(number(end, decimals, sign=True) for end in interval)


def _p_value(p: float | None) -> str:
    return "–" if p is None else "< 0.001" if p < 0.001 else f"{p:.3f}"


def _p_equals(p: float | None) -> str:
    return "p " + _p_value(p) if p is not None and p < 0.001 else "p = " + _p_value(p)


def throttle(analysis: Analysis) -> Block:
    """Return throttle powers with their intervals and what was seen directly, one column per treatment."""
    found = analysis.throttle
    if found is None:
        return remark(
            "No throttle power: the campaign gives no limits, or no curve could be fitted (see the cautions)."
        )
    marks, (_, level) = marks_of(analysis), settings_of(analysis)
    each = found.treatments
    rows: list[tuple[object, ...]] = [
        ("throttle power in W", *(number(i.throttle_power_W, watt_decimals(i.interval_W)) for i in each)),
        (f"{percent(level)} confidence interval of the mean", *(_range(item.interval_W) for item in each)),
        (
            f"{percent(level)} prediction interval of one future mount",
            *(_range(item.future_mount_interval_W) for item in each),
        ),
        ("difference to the baseline in W", *(with_interval(i.difference_W, i.difference_interval_W) for i in each)),
        ("the same, simultaneous interval", *(_ends(item.simultaneous_difference_interval_W) for item in each)),
        (
            "above the highest step (−: below it)",
            *("–" if i.extrapolation is None else _percent_sign(i.extrapolation) for i in each),
        ),
        ("held at the limit, moved to these conditions, in W", *(number(item.directly_observed_W, 1) for item in each)),
        ("runs that reached the limit", *(_observed(item.observed) for item in each)),
    ]
    if any(item.reason for item in each):
        rows.append(("why there is none", *(item.reason or "–" for item in each)))
    caption = f"Power at which the device reaches {found.temperature_limit_C:g} °C in a room at {found.room_C:g} °C"
    spread = found.model_spread_W
    note = (
        Block("")
        if spread is None
        else remark(f"Other plausible curves move these powers by up to {number(spread, 1)} W.")
    )
    shown = table(
        caption,
        ("quantity", *(signed(item.treatment, marks) for item in each)),
        rows,
        numeric=range(1, len(each) + 1),
    )
    return join([shown, note])


def _range(interval: tuple[float, float] | None) -> str:
    if interval is None:
        return "–"
    return " to ".join(number(end, watt_decimals(interval)) for end in interval)


def _percent_sign(fraction: float) -> str:
    return f"{number(100.0 * fraction, 0, sign=True)} %"


def _observed(held: Sequence[HeldPower]) -> str:
    return ", ".join(f"{seen.run}: {seen.held_power_W:.1f} W at {seen.ambient_C:.1f} °C" for seen in held) or "–"


def value(analysis: Analysis) -> Block:
    """Return cost per mount, cost per K gained and handling."""
    if analysis.value is None:
        return remark("No prices were given.")
    settings, marks = analysis.campaign.settings, marks_of(analysis)
    currency = settings.currency or "currency not given"
    rows = []
    for item in analysis.value.treatments:
        treatment = settings.treatments.get(item.treatment)
        conducts = None if treatment is None else treatment.electrically_conductive
        described = "" if treatment is None else treatment.description
        name = signed(item.treatment, marks)
        rows.append(
            (
                join([name, tag("span", described, class_="under")]) if described else name,
                number(item.cost_per_mount, 2),
                _cost_per_K(item),
                {True: "not beaten", False: "another reads cooler and is no dearer", None: "–"}[item.not_beaten],
                {True: "yes", False: "no", None: "not stated"}[conducts],
                "" if treatment is None else treatment.handling,
            )
        )
    headings = (
        "treatment",
        f"cost per mount ({currency})",
        f"extra cost per K cooler ({currency})",
        "on rise and price together",
        "conducts electricity",
        "handling",
    )
    return table("What one mount costs, and how it handles", headings, rows, numeric=(1, 2))


def _cost_per_K(item: TreatmentValue) -> str:
    if item.cost_per_K is None:
        return "–"
    if item.cost_per_K_interval is None:
        return number(item.cost_per_K, 2)
    return with_interval(item.cost_per_K, item.cost_per_K_interval, sign=False)


def runs(analysis: Analysis) -> Block:
    """Return every run in the order made, with its numbers and flags, and below them what each flag found."""
    marks = marks_of(analysis)
    rows = [_run_row(run, signed(run.treatment, marks)) for run in analysis.runs]
    headings = (
        "run", "treatment", "mount", "step in W", "settled rise in K", "u in K", "still to come in K", "settled",
        "fate", "flags", "power in W", "room in °C", "end reading in °C", "end reading less room in K", "sensor",
        "soak in min", "lot, condition, note",
    )  # fmt: skip
    every = table(
        "All runs in the order they were made",
        headings,
        rows,
        numeric=(3, 4, 5, 6, 10, 11, 12, 13, 15),
        row_classes=["" if run.used else "unusable" for run in analysis.runs],
    )
    found = [
        (run.run, f"{flag.flag} ({flag.severity})", flag.reason, _evidence(flag))
        for run in analysis.runs
        for flag in run.flags
    ]
    if not found:
        return every
    heads = ("run", "flag", "what was found", "evidence")
    return join([every, table("What each flag found, with its evidence", heads, found, wide=(2, 3))])


def _run_row(run: ReducedRun, treatment: Block) -> tuple[object, ...]:
    decimals = decimals_for(run.u_rise_K)
    return (
        run.run,
        treatment,
        run.mount,
        f"{run.set_power_W:g}",
        number(run.rise_K, decimals),
        number(run.u_rise_K, decimals),
        number(run.drift_left_K, 2, sign=True),
        {True: "yes", False: "no", None: "–"}[run.settled],
        "used" if run.used else f"left out: {run.reason}",
        "; ".join(f"{flag.flag} ({flag.severity})" for flag in run.flags),
        number(run.power_W, 2),
        number(run.ambient_C, 2),
        number(run.end_reading_C, 1),
        number(run.end_rise_K, 1),
        run.sensor or "–",
        number(run.soak_min, 1),
        "; ".join(text for text in (run.lot, run.condition, run.note) if text),
    )


def _evidence(flag: Flag) -> str:
    return ", ".join(f"{name} {value:.3g}".replace(" -", " −") for name, value in flag.evidence.items())


def secondary(analysis: Analysis) -> Block:
    """Return the estimands that were declared besides the primary one."""
    comparison = analysis.comparison
    if comparison is None or not comparison.secondary:
        return remark("None.")
    marks, (_, level) = marks_of(analysis), settings_of(analysis)
    rows = [
        (item.estimand, signed(item.treatment, marks), with_interval(item.difference, item.interval), item.unit)
        for item in comparison.secondary
    ]
    headings = ("estimand", "candidate", f"difference to the baseline, {percent(level)} interval", "unit")
    shown = table("Declared besides the primary estimand; they never set a verdict", headings, rows, numeric=(2,))
    return join([shown, *(remark(text) for text in (_offset_words(comparison), _curve_words(comparison)) if text)])


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
    rows = [
        (
            _with_unit(line.quantity),
            line.input,
            line.evaluation,
            _significant(line.u),
            _significant(line.sensitivity),
            _significant(line.contribution),
            "∞" if line.dof is None else f"{line.dof:.3g}",
        )
        for line in analysis.budget
    ]
    headings = (
        "quantity",
        "input",
        "type",
        "standard uncertainty",
        "sensitivity",
        "contribution",
        "degrees of freedom",
    )
    lines = table("Where the uncertainty comes from (k = 1)", headings, rows, numeric=(3, 4, 5, 6))
    _, level = settings_of(analysis)
    together = [
        (
            _with_unit(quantity),
            _significant(found.u),
            "∞" if found.dof is None else f"{found.dof:.3g}",
            f"{found.coverage_factor:.2f}",
            _significant(found.expanded),
        )
        for quantity, found in combine_each(analysis.budget, confidence_level=level).items()
    ]
    headings_together = (
        "quantity",
        "combined standard uncertainty",
        "effective degrees of freedom",
        "coverage factor k",
        f"expanded uncertainty ({percent(level)})",
    )
    return join([lines, table("Combined", headings_together, together, numeric=(1, 2, 3, 4))])


def _with_unit(quantity: str) -> str:
    return f"{quantity} in {'W' if quantity == 'throttle power' else 'K'}"


def _significant(value: float | None) -> str:
    return number(value, decimals_for(None if value is None else abs(value), default=0))


def settings(analysis: Analysis) -> Block:
    """Return every setting and threshold that was used."""
    rows = [(name, _shown(name, text, analysis)) for name, text in _flat(analysis.settings)]
    return table("Every number and choice used, defaults included", ("setting", "value"), rows)


def _shown(name: str, text: str, analysis: Analysis) -> str:
    changed = analysis.overrides.get(name.rsplit(".", 1)[-1])
    return (
        text
        if changed is None or name.startswith(("checks", "uncertainty", "log"))
        else f"{text} (changed for this report)"
    )


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
