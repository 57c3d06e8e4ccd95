"""Sentences: what was found, in plain words with the numbers, what to do next, and how the numbers were made.

Plain text throughout; :mod:`thermlab.reports.pages` escapes it.
"""

from collections.abc import Sequence
from typing import Any, NamedTuple

from thermlab.base.numbers import (
    Interval,
    counted,
    decimals_for,
    difference_words,
    interval_decimals,
    listed,
    number,
    percent,
    span_words,
    watt_decimals,
    watts,
    with_interval,
)
from thermlab.campaign.runsheet import NOT_MADE
from thermlab.compare.analysis import Analysis
from thermlab.compare.cautions import POWER
from thermlab.compare.records import Comparison, TreatmentComparison
from thermlab.reports.results import measured
from thermlab.runs.records import SETTLED_RISE, ReducedRun, rise_name


def file_notes(analysis: Analysis) -> list[tuple[str, str]]:
    """Return what was passed over in a file, as (file, note); it stands beside the checksums of the files."""
    notes = [caution for caution in analysis.caution_list if caution.about in analysis.sha256]
    return [(note.about, note.text.removeprefix(f"{note.about}: ")) for note in notes]


def throttle_cautions(analysis: Analysis) -> tuple[str, ...]:
    """Return the cautions that touch nothing but the throttle power."""
    found = () if analysis.throttle is None else analysis.throttle.caution_list
    alone = analysis.comparison is None
    return tuple(caution.text for caution in found if alone or caution.about in ("throttle power", POWER))


class Answer(NamedTuple):
    """The answer for one candidate.

    Attributes
    ----------
    treatment : str
        The candidate.
    verdict : str
        As in ``results.json``.
    claim, evidence : str
        One sentence in two parts: the verdict in words, and difference and interval behind it.
    """

    treatment: str
    verdict: str
    claim: str
    evidence: str

    @property
    def lead(self) -> str:
        """The whole sentence."""
        return self.claim + self.evidence


def answers(analysis: Analysis) -> tuple[Answer, ...]:
    """Say what was found about each candidate.

    Parameters
    ----------
    analysis : Analysis
        What was found.

    Returns
    -------
    tuple of Answer
        Candidates in the order of the campaign; empty without a comparison.
    """
    comparison = analysis.comparison
    if comparison is None:
        return ()
    each = comparison.treatments
    return tuple(Answer(item.treatment, item.verdict, *_lead(analysis, comparison, item)) for item in each)


def by_treatment(part: Any) -> dict[str, Any]:
    """Return the treatments of a comparison, a throttle power or a value by name; empty where there is none."""
    return {} if part is None else {item.treatment: item for item in part.treatments}


def headline_interval(item: TreatmentComparison) -> Interval:
    """Return the interval the verdict rests on: the simultaneous one where there are several candidates."""
    return item.simultaneous_interval_K or item.interval_K


def difference_read(item: TreatmentComparison | None) -> str:
    """Write the difference of a candidate with the interval the verdict rests on."""
    return "–" if item is None else with_interval(item.difference_K, headline_interval(item))


def _lead(  # noqa: PLR0911 - one sentence per verdict
    analysis: Analysis, comparison: Comparison, item: TreatmentComparison
) -> tuple[str, str]:
    name, base = item.treatment, comparison.baseline
    if item.verdict == "in doubt":
        read = "" if item.difference_K is None else f" As it stands it read {difference_words(item.difference_K, 1)}."
        return f"In doubt: nothing can be said of {name} against {base} yet", f": {item.verdict_note}.{read}"
    if item.n_mounts == 0 or comparison.baseline_n_mounts == 0:
        return f"No verdict on {name}", f": {name if item.n_mounts == 0 else base} has no mount that could be used."
    if item.difference_K is None:
        return f"No verdict on {name}", ": no difference can be had at the reference power."
    interval = headline_interval(item)
    decimals = interval_decimals(interval)
    margin = f"{settings_of(analysis)[0]:g} K"
    at = watts(comparison.reference_power_W)
    found = f"{difference_words(item.difference_K, decimals)} at {at}"
    by = f"by {number(abs(item.difference_K), decimals)} K at {at}"
    if item.verdict == "not replicated":
        why = f"with one mount each nothing tells {name} from how its mount happened to come out"
        return f"No verdict on {name}", f": it read {found}, but {why}."
    if interval is None:
        return f"Undecided on {name}", f": {found}, but no interval can be given (see the cautions)."
    span = f"({interval_name(comparison)} {span_words(interval, decimals)})"
    if item.verdict in ("cooler by more than the margin", "warmer by more than the margin"):
        claim = f"{name} runs {item.verdict.split()[0]} than {base} by more than the margin of {margin}"
        return claim, f": {by} {span}."
    if item.verdict == "equivalent within the margin":
        claim = f"{name} and {base} are equivalent within the margin of {margin}"
        return claim, f": {name} read {found} {span}.{_equivalence_words(analysis, item)}"
    if item.verdict in ("cooler", "warmer"):
        rest = f"whether by more than the margin of {margin} is still open."
        return f"{name} runs {item.verdict} than {base}", f", {by} {span}; {rest}"
    claim = f"Undecided: the mounts made so far do not tell whether {name} runs cooler or warmer than {base}"
    return claim, f": it read {found} {span}; the margin is {margin}."


def _equivalence_words(analysis: Analysis, item: TreatmentComparison) -> str:
    text, tested, interval = "", item.equivalence_interval_K, headline_interval(item)
    if tested is not None:
        level = percent(round(2.0 * settings_of(analysis)[1] - 1.0, 9))
        words = span_words(tested, interval_decimals(tested))
        text = f" The {level} interval of the equivalence test, {words}, lies inside the margin."
    if interval is not None and not interval[0] <= 0.0 <= interval[1]:
        text += f" It is {'cooler' if interval[1] < 0.0 else 'warmer'}, but by less than the margin."
    return text


def ends(interval: Interval, decimals: int, *, sign: bool = False) -> str:
    """Write an interval by its ends alone."""
    return "–" if interval is None else " to ".join(number(end, decimals, sign=sign) for end in interval)


def settings_of(analysis: Analysis) -> tuple[float, float]:
    """Return the margin in K and the confidence level as used, overrides included."""
    decision = analysis.settings["decision"]
    return float(decision["margin_K"]), float(decision["confidence_level"])


def interval_name(comparison: Comparison) -> str:
    """Name the interval the verdicts rest on."""
    several = sum(item.n_mounts > 0 for item in comparison.treatments) > 1
    level = percent(comparison.settings["confidence_level"])
    return f"{level} {'simultaneous ' if several else ''}confidence interval"


def throttle_sentence(analysis: Analysis, treatment: str) -> str:
    """Say at which power the machine would throttle with a treatment; empty where no limit was given."""
    throttle = analysis.throttle
    if throttle is None:
        return ""
    item = by_treatment(throttle).get(treatment)
    if item is None or item.throttle_power_W is None:
        text = f"No throttle power is given for {treatment}: "
        text += "see the cautions." if item is None or not item.reason else item.reason.rstrip(".") + "."
        if item is not None and item.directly_observed_W is not None:
            text += f" Runs that reached the limit held {item.directly_observed_W:.0f} W, moved to these conditions."
        return text
    decimals = watt_decimals(item.interval_W)
    text = f"With {treatment} the machine would throttle at about {number(item.throttle_power_W, decimals)} W "
    text += f"in a room at {throttle.room_C:g} °C"
    if item.interval_W is not None:
        level, future = percent(settings_of(analysis)[1]), item.future_mount_interval_W
        text += f" ({level} confidence interval for the mean of all mounts {ends(item.interval_W, decimals)} W"
        text += f"; prediction interval for one future mount {ends(future, decimals)} W" if future else ""
        text += ")"
    if item.difference_W is not None:
        gap = number(abs(item.difference_W), watt_decimals(item.difference_interval_W))
        more = "more" if item.difference_W >= 0.0 else "less"
        text += f", {gap} W {more} than with {analysis.campaign.settings.baseline}"
    return text + "."


def campaign_line(analysis: Analysis) -> str:
    """Say what the report is made from, in one line."""
    mounts = {(run.treatment, run.mount) for run in analysis.runs}
    used, steps = sum(run.used for run in analysis.runs), sorted({run.set_power_W for run in analysis.runs})
    treatments = counted(len({run.treatment for run in analysis.runs}), "treatment")
    made = f"{treatments}, {counted(len(mounts), 'mount')}, {len(analysis.runs)} runs ({used} used)"
    ladder = (
        f"{len(steps)} power steps from {steps[0]:g} to {steps[-1]:g} W" if steps[1:] else "".join(map(watts, steps))
    )
    return f"{made}, {ladder or 'no runs'}"


def measured_words(runs: Sequence[ReducedRun]) -> str:
    """Say in a sentence when runs were made; empty where their logs have no dates."""
    span = measured(runs)
    if span is None:
        return ""
    first, last = span["from"][:10], span["to"][:10]
    return f"Measured {first}. " if first == last else f"Measured from {first} to {last}. "


_MATTERS = {
    "in doubt": "in doubt",
    "not replicated": "not known yet",
    "equivalent within the margin": "no: within {margin}",
    "cooler": "cooler; whether by {margin} is open",
    "warmer": "warmer; whether by {margin} is open",
    "undecided": "not known yet",
}
_SHORT_STEPS = {
    "in doubt": "mend what is wrong first",
    "equivalent within the margin": "choose by price and handling",
    "cooler by more than the margin": "take it where it suits",
    "warmer by more than the margin": "leave it where heat decides",
    "cooler": "take it if any gain will do",
    "warmer": "keep the baseline",
    "undecided": "choose by price and handling",
}


def matters(analysis: Analysis, item: TreatmentComparison) -> str:
    """Say in a few words whether a difference matters."""
    margin = f"{settings_of(analysis)[0]:g} K"
    return _MATTERS.get(item.verdict, f"yes: {item.verdict.split()[0]} by more than {{margin}}").format(margin=margin)


def matters_from(item: TreatmentComparison) -> str:
    """Say from which power on a difference reaches the margin."""
    low, high = item.matters_interval_W or (None, None)
    if item.matters_interval_W is None or item.matters_note.startswith(("not up to", "at every")):
        return item.matters_note or "–"
    if item.matters_from_W is None or "no difference" in item.matters_note:
        return f"not below {low:.0f} W" if low is not None else "not known yet"
    ends = ("below the ladder" if low is None else f"{low:.0f}", "beyond the ladder" if high is None else f"{high:.0f}")
    return f"{item.matters_from_W:.0f} W [{', '.join(ends)}]"


def short_step(analysis: Analysis, treatment: str) -> str:
    """Say in a few words what to do next about a treatment."""
    advice, item = analysis.advice, by_treatment(analysis.comparison).get(treatment)
    again = sum(run.run in advice.repeats for run in analysis.runs if run.treatment == treatment)
    more = advice.mounts_more.get(treatment, 0)
    steps = [f"repeat {counted(again, 'run')}"] * bool(again) + [f"make {counted(more, 'more mount')}"] * bool(more)
    verdict, decision = ("", None) if item is None else (item.verdict, item.decision)
    early = verdict != "in doubt" and decision is not None and decision.text.startswith("No decision yet")
    return ", ".join(steps) or ("no decision yet" if early else _SHORT_STEPS.get(verdict, "–"))


def method_words(analysis: Analysis) -> tuple[str, ...]:
    """Say how the numbers were made, with what was used."""
    paragraphs = [_reduction_words(analysis)]
    if analysis.comparison is not None:
        paragraphs.append(_comparison_words(analysis, analysis.comparison))
    if analysis.bench.prior is not None:
        prior = "A prior standard deviation between mounts, from earlier campaigns, is pooled with this one"
        paragraphs.append(f"{prior}; its degrees of freedom were halved.")
    if analysis.throttle is not None:
        paragraphs.append(
            f"Throttle power: the rise is fitted by {analysis.throttle.model} and solved for the rise that is left "
            "between the customer's room and the limit of the device; the mounts of a treatment are then averaged. "
            "The confidence interval is for the mean of all mounts one could make, the wider prediction interval is "
            "where a single future mount is expected."
        )
    return tuple(paragraphs)


def _reduction_words(analysis: Analysis) -> str:
    bench = analysis.bench
    if rise_name(analysis.runs) != SETTLED_RISE:
        return (
            "Each run gives one number, the reading less the room, as it was written down, with its Type B uncertainty."
        )
    text = (
        "Each run gives one number, the settled rise: readings are averaged in blocks, the room temperature is taken "
        "as the slow sink feels it (low-passed with the time constant of the bench), and an exponential approach with "
        "that time constant gives the rise the run tends to, at the set power."
    )
    if any(run.by_hand for run in analysis.runs):
        text += " A reading without a log counts as it stands, less the room, with its Type B uncertainty."
    if bench.time_constant_min is not None:
        decimals, u = decimals_for(bench.u_time_constant_min), bench.u_time_constant_min
        known = "" if u is None else f" (standard uncertainty {number(u, decimals)} min)"
        text += f" Time constant of this bench: {number(bench.time_constant_min, decimals)} min{known}."
    return text


def _comparison_words(analysis: Analysis, comparison: Comparison) -> str:
    margin, level = settings_of(analysis)
    text = (
        "Comparison: the mount is the experimental unit; repeats on one mount are averaged. "
        f"Estimand: {comparison.estimand}. Method: {comparison.method}."
    )
    if comparison.mount_sd_K is not None:
        text += f" Standard deviation between mounts: {comparison.mount_sd_K:.2g} K."
    if comparison.dof is not None:
        text += f" Degrees of freedom: {comparison.dof:.3g}."
    if comparison.critical_value is not None:
        text += f" Critical value of the intervals: {comparison.critical_value:.3f}."
    return text + (
        f" Confidence level {percent(level)}. Equivalence is claimed where two one-sided tests, each at "
        f"{percent(round(1.0 - level, 9))}, both show the difference to be inside ± {margin:g} K. "
        "The p values never set a verdict."
    )


# The customer's sheet: no word of statistics in it -------------------------------------------------------------------

_PLAIN = {
    "cooler by more than the margin": "with {name} the machine runs cooler than with {base}, by enough to matter",
    "warmer by more than the margin": "with {name} the machine runs warmer than with {base}, by enough to matter",
    "equivalent within the margin": "between {name} and {base} there is no difference that is enough to matter",
    "cooler": "with {name} the machine runs cooler than with {base}; whether by enough to matter is still open",
    "warmer": "with {name} the machine runs warmer than with {base}; whether by enough to matter is still open",
    "undecided": "whether the machine runs cooler with {name} or with {base} is still open",
    "not replicated": "which is better, {name} or {base}, cannot be said: each was put on too few times",
    "in doubt": "nothing can be said of {name} yet: some of the test runs have to be made again",
}


def plain_answer(comparison: Comparison, item: TreatmentComparison) -> tuple[str, str]:
    """Say what was found about a candidate as a customer reads it: the answer, and what was read."""
    answer = _PLAIN[item.verdict].format(name=item.treatment, base=comparison.baseline)
    answer, interval = f"{answer[:1].upper()}{answer[1:]}.", headline_interval(item)
    if item.difference_K is None or item.verdict == "in doubt":
        return answer, ""
    read = f" On the bench it read {difference_words(item.difference_K, 1)} at {watts(comparison.reference_power_W)}"
    if interval is not None:
        span = span_words(interval, 1)
        read += f"; as far as our tests tell, it is anywhere {'' if span.startswith('from') else 'from '}{span}"
    return answer, read.replace(" K", " °C") + "."


def slows_at(analysis: Analysis, treatment: str) -> str:
    """Say at which power the machine slows itself down, for a customer."""
    item = by_treatment(analysis.throttle).get(treatment)
    if item is None or item.throttle_power_W is None:
        return "cannot be said from these tests"
    span, near = item.future_mount_interval_W or item.interval_W, f"about {item.throttle_power_W:.0f} W"
    return near if span is None else f"{near}; a single machine from {span[0]:.0f} to {span[1]:.0f} W"


def plain_cautions(analysis: Analysis) -> list[str]:
    """Return what a customer has to know, in plain words."""
    runs = [run for run in analysis.runs if run.reason != NOT_MADE]
    settings, used = analysis.campaign.settings, {(run.treatment, run.mount) for run in runs if run.used}
    put_on = {name: sum(treatment == name for treatment, _ in used) for name in settings.treatments}
    times = "; ".join(f"{name}: {counted(count, 'time')}" for name, count in put_on.items())
    said = [
        "These are readings of one test bench: dust, sun or a cupboard make a machine in use warmer.",
        f"How well a material sits differs a little each time it is put on. Put on here: {times}.",
    ]
    planned = settings.decision.mounts_planned
    if planned is not None and min(put_on.values()) < planned:
        said.append(f"The tests are not finished: each material is to be put on {counted(planned, 'time')}.")
    if by_hand := sum(run.by_hand for run in runs if run.used):
        whole = f"{by_hand} of {counted(len(runs), 'test run')}"
        said.append(f"{whole} left a written reading alone, no record of how the machine heated: they are less sure.")
    if out := sum(not run.used for run in runs):
        said.append(f"{out} of {len(runs)} test runs were left out, because something was wrong with them.")
    verdicts = {item.verdict for item in by_treatment(analysis.comparison).values()}
    if verdicts & {"undecided", "not replicated", "in doubt"}:
        said.append("What is called open above is open: do not choose by it before more tests are made.")
    beyond = [one.treatment for one in by_treatment(analysis.throttle).values() if (one.extrapolation or 0.0) > 0.0]
    if beyond:
        said.append(f"Where it slows down is reckoned, not seen, with {listed(beyond)}: no test went so high.")
    apart = [
        (i.hottest_above_K, i.hottest_less_W) for i in by_treatment(analysis.throttle).values() if i.hottest_less_W
    ]
    if apart:
        above, less = (max(each) for each in zip(*apart, strict=True))
        hottest = f"the hottest part is up to {above:.0f} °C hotter, and the machine slows itself down at"
        said.append(f"Temperatures and powers here are of all parts on average: {hottest} about {less:.2g} W less.")
    if analysis.overrides:
        said.append("Some of the conditions on this sheet were chosen after the tests were made.")
    conducting = [name for name, each in settings.treatments.items() if each.electrically_conductive]
    return said + [f"{name} conducts electricity: keep it off contacts." for name in conducting]
