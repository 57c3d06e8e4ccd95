"""What a reader has to know before any number, in sentences a builder can act on, the gravest first."""

import math
import re
from collections import defaultdict
from collections.abc import Collection, Iterable, Iterator, Sequence
from dataclasses import replace
from datetime import date
from itertools import pairwise
from typing import Any, Literal

import numpy as np

from thermlab.base.numbers import counted, decimals_for, interval_decimals, number
from thermlab.campaign.folder import Campaign
from thermlab.campaign.parameters import DECISION, LIMITS
from thermlab.campaign.runsheet import NOT_MADE
from thermlab.compare.mounts import MountTable, ReferenceRise, Scatter
from thermlab.compare.records import Caution, Comparison, LackOfFit, PriorUse, ThrottlePower, TreatmentComparison
from thermlab.compare.verdict import ROOMS_HIDE, some_of
from thermlab.runs.settled_runs import SettledRuns
from thermlab.runs.trace import Trace

_LARGEST_COUNT_RATIO = 2.0
_STRONG_ORDER_CORRELATION = 0.7
_PRIOR_CONTRADICTED = 0.05
# At 0.05 one good campaign in twenty would be told that its curve is wrong.
_CURVE_LEVEL = 0.01


def comparison_cautions(
    found: Comparison, table: MountTable, reference: ReferenceRise, scatter: Scatter, rooms_C: dict[str, list[float]]
) -> tuple[Caution, ...]:
    """Collect the cautions of a comparison.

    Parameters
    ----------
    found : Comparison
        All of it but its cautions.
    table : MountTable
        Used mounts.
    reference : ReferenceRise
        Their rises at the reference power; its cautions hold what the choice of method has to say.
    scatter : Scatter
        Scatter of these.
    rooms_C : dict of str to float
        Mean room of each mount by treatment, degC.

    Returns
    -------
    tuple of Caution
    """
    alpha = 1.0 - found.settings["confidence_level"]
    heard = [(item.treatment, item.witness) for item in found.treatments if item.witness is not None]
    return (
        *_about(
            "comparison",
            _prior(found.prior, scatter),
            _missing(found.treatments, scatter, reference),
            _rooms_apart(found, rooms_C),
            reference.cautions,
            _counts(table, found),
            _order(table, found.baseline),
            [f"{name}: {one.says}" for name, one in heard if one.agrees is False or "Screening" in one.says],
            _p_values(found.treatments, alpha),
        ),
        *_about("rise curve", _curve(found.lack_of_fit)),
        *_about("other estimands", _offset(found, alpha)),
        *_about("other estimands", _steps(table), weight="beside"),
        *_nulls(found, table, scatter),
    )


def throttle_cautions(
    found: ThrottlePower, tested_C: float, scatter: Scatter, fit: LackOfFit | None, common: float, asked: dict[str, Any]
) -> tuple[Caution, ...]:
    """Collect the cautions of a prediction.

    Parameters
    ----------
    found : ThrottlePower
        All of it but its cautions.
    tested_C : float
        Room of the bench on average, degC.
    scatter : Scatter
        Scatter of the throttle powers.
    fit : LackOfFit or None
        Test of the rise curve.
    common : float
        By how much logged and set power differ in all runs alike, as a fraction.
    asked : dict
        With ``cooling`` and ``measurand``.

    Returns
    -------
    tuple of Caution
    """
    beside = _no_throttle(found, scatter), _observed(found), _room_effect(found, tested_C, asked["cooling"])
    return (
        *_about("throttle power", _of_the_mean(found) if asked["measurand"] == "mean" else ()),
        *_about(POWER, _power(common)),
        *_about("throttle power", *beside, weight="beside"),
        *_about("rise curve", _curve(fit)),
    )


def _about(about: str, *sentences: Iterable[str], weight: Literal["headline", "beside"] = "headline") -> list[Caution]:
    return [Caution(text, about, weight) for some in sentences for text in some]


def _tally(counts: dict[str, int]) -> str:
    return ", ".join(f"{name} {count}" for name, count in counts.items())


def _counts(table: MountTable, found: Comparison) -> Iterator[str]:
    """Say what the numbers of mounts weaken."""
    counts = dict(zip(table.treatments, table.counts().tolist(), strict=True))
    filled = {name: count for name, count in counts.items() if count}
    planned = found.settings["mounts_planned"] or 0
    if short := {name: count for name, count in counts.items() if count < planned}:
        before = f"before the {planned} planned mounts of each treatment are in ({_tally(short)})"
        early = "looking early and stopping on a good result makes chance results more frequent than stated."
        yield f"This looks at the data {before}: {early}"
    if filled and max(filled.values()) > _LARGEST_COUNT_RATIO * min(filled.values()):
        narrow = "where the treatments scatter differently, the intervals may be too narrow. Equal numbers protect."
        yield f"Numbers of mounts differ by more than a factor of two ({_tally(filled)}): {narrow}"
    single = [name for name, count in filled.items() if count == 1]
    if single and sum(filled.values()) > len(filled) and found.variance == "pooled":
        yield f"There is one mount only of {', '.join(single)}: its scatter is borrowed from the other treatments."


def _order(table: MountTable, baseline: str) -> Iterator[str]:
    """Say where the order of the mounts is mixed up with the treatment."""
    groups = {name: table.order[table.group == index] for index, name in enumerate(table.treatments)}
    base = groups.pop(baseline)
    for name, own in groups.items():
        if not table.ordered or not own.size or not base.size or own.size + base.size < 3:
            continue
        apart = own.max() < base.min() or base.max() < own.min()
        ranks = np.argsort(np.argsort(np.concatenate([own, base])))
        correlation = float(np.corrcoef(ranks, np.repeat([1, 0], [own.size, base.size]))[0, 1])
        if apart or abs(correlation) >= _STRONG_ORDER_CORRELATION:
            how = "all mounts of one were made before the other" if apart else "one was mostly made before the other"
            yield (
                f"The order of the mounts is confounded with the treatment for {name} and {baseline} ({how}, rank "
                f"correlation {correlation:+.2f}): any drift of the bench or growing practice looks like a difference. "
                "Take turns, one mount of each treatment per round."
            )


def _prior(prior: PriorUse | None, scatter: Scatter) -> Iterator[str]:
    """Say how much rests on the prior, and whether it contradicts the data."""
    if prior is None:
        return
    share = prior.used_dof / (prior.used_dof + max(scatter.own_dof, 0.0))
    source, sd = f" ({prior.source})" if prior.source else "", f"{prior.mount_sd_K:.2g} K"
    wholly = f"the scatter of {sd} between mounts is taken wholly from earlier campaigns{source}."
    if scatter.own_dof <= 0.0:
        yield f"The answer rests on the prior: with one mount of each treatment {wholly}"
    else:
        yield f"A prior mount SD of {sd} at the reference power{source} carries {share:.0%} of the degrees of freedom."
    if not prior.run_noise_K > 0.0:
        yield "No run noise could be found from the ladders to add to the prior mount SD; it is taken as none."
    if prior.p_value is not None and prior.p_value < _PRIOR_CONTRADICTED:
        ratio = f"{prior.variance_ratio:.2g} times the prior one (F test p = {prior.p_value:.2g})"
        same = "It is used all the same; check that bench, method and procedure are the same."
        yield f"The prior contradicts the data: the variance between mounts here is {ratio}. {same}"


def _missing(items: Sequence[TreatmentComparison], scatter: Scatter, reference: ReferenceRise) -> Iterator[str]:
    """Say why an interval is missing."""
    without = [item for item in items if item.simultaneous_interval_K is None]
    yield from (f"No interval for {item.treatment}: {item.verdict_note}." for item in without)
    if scatter.no_scatter and reference.rise_K is not None:
        yield "The mounts of each treatment agree to the last digit: the readout hides the scatter between mounts."


def _rooms_apart(found: Comparison, rooms_C: dict[str, list[float]]) -> Iterator[str]:
    """Say that treatments stood in different rooms, and by how much their difference may be wrong for that."""
    for item in found.treatments:
        if item.room_effect_K is not None:
            low, high = item.room_effect_K
            most, reads = (high, "cooler") if high > -low else (-low, "warmer")
            own_C, base_C = (np.mean(rooms_C[name]) for name in (item.treatment, found.baseline))
            yield (
                f"{item.treatment} stood in {own_C:.1f} degC on average, {found.baseline} in {base_C:.1f} degC: for "
                f"that alone {item.treatment} may read between 0 and {most:.2g} K {reads} than it is. The "
                "intervals of the difference and of its throttle power hold that, those of other estimands do not. "
                "Make mounts of both in one room."
            )


def _p_values(items: Sequence[TreatmentComparison], alpha: float) -> Iterator[str]:
    """Say where p value and interval disagree."""
    for item in items:
        ends, p_value = item.simultaneous_interval_K, item.p_value
        if p_value is not None and ends is not None and (ends[0] > 0.0 or ends[1] < 0.0) != (p_value < alpha):
            disagree = f"{item.treatment} ({p_value:.3f}) and its interval disagree about zero"
            yield f"The adjusted p value of {disagree}: the interval sets the verdict ({item.verdict})."


def _curve(fit: LackOfFit | None) -> Iterator[str]:
    """Say where the rise curve fails the steps."""
    if fit is not None and fit.p_value < _CURVE_LEVEL:
        yield (
            f"The rise curve misses the mean rises at the steps by up to {fit.largest_K:.2g} K, more than the scatter "
            f"of single runs explains (lack of fit: F = {fit.F:.2f} with {fit.dof1} and {fit.dof2} degrees of freedom, "
            f"{_p_words(fit.p_value)}): throttle powers carry an error that their intervals do not show. Differences "
            "at a power step do not rest on the curve."
        )
    if fit is not None and (kink := fit.kink) is not None:
        jump = f"{_signed(kink.jump_K_per_W, kink.standard_error_K_per_W)} K/W"
        where = f"between {kink.below_W:g} W and {kink.above_W:g} W: did a fan change its speed?"
        yield f"The rise per watt changes by {jump} {where} Then no single curve runs through the ladder."


def _offset(found: Comparison, alpha: float) -> Iterator[str]:
    """Say where an offset between treatments is shown."""
    for test in found.offset_check.treatments if found.offset_check else ():
        if test.p_value < alpha:
            offset = f"{_signed(test.offset_K, test.standard_error_K)} K that does not grow with power"
            differs = f"{test.treatment} differs from the baseline by an offset of {offset} ({_p_words(test.p_value)})"
            yield f"{differs}: look for a moved probe or room sensor, and at the offset-proof slope."


def _steps(table: MountTable) -> Iterator[str]:
    """Say which steps the secondaries rest on where some mounts lack some steps."""
    common = table.steps_W[table.common]
    if table.names and not common.size:
        yield "No power step was used of every mount: there is no ladder mean, no offset and no offset-proof slope."
    elif common.size < table.steps_W.size:
        rest = "" if common.size > 1 else "; one step has no slope and no offset"
        which = f"the steps that every mount has: {', '.join(f'{step:g}' for step in common)} W{rest}."
        yield f"Ladder mean, upper steps, offset and offset-proof slope rest on {which}"


def _nulls(found: Comparison, table: MountTable, scatter: Scatter) -> Iterator[Caution]:
    """Say why anything else is missing, where the missing headline does not say it already."""
    items = found.treatments
    if not table.names and not items:
        return
    answered = {item.treatment: item for item in items if item.simultaneous_interval_K is not None}
    if scatter.sd is None and not items:
        yield Caution("The scatter between mounts is not known: there is one mount.", "comparison")
    if alone := ", ".join(name for name, item in answered.items() if item.welch_interval_K is None):
        words = "it takes two mounts of each and some scatter between them"
        yield Caution(f"No Welch interval beside the pooled one for {alone}: {words}.", "other estimands", "beside")
    lost = [item for item in answered.values() if item.verdict == "undecided" and item.mounts_needed is None]
    if endless := ", ".join(item.treatment for item in lost if item.verdict_note != ROOMS_HIDE):
        many = "it would take more than 10 000 of each to see a difference as small as the margin."
        yield Caution(f"No number of mounts that would settle {endless}: {many}", "comparison")
    silent: dict[str, list[str]] = {name: [] for name in answered}
    for effect in found.secondary:
        if effect.treatment in silent and effect.difference is not None and effect.interval is None:
            silent[effect.treatment].append(effect.estimand)
    no_scatter = "a prior mount SD says nothing of it, and one mount of each shows no scatter"
    why = no_scatter if scatter.own_dof <= 0.0 else "its numbers agree to the last digit"
    for name, estimands in silent.items():
        if estimands:
            yield Caution(f"No interval for {', '.join(estimands)} of {name}: {why}.", "other estimands")
    offset = "an offset between treatments (takes two steps that all mounts share, three with one mount each)"
    shape = "the shape of the rise curve (takes two mounts that share three steps)"
    no_offset = found.offset_check is None and any(item.n_mounts for item in items)
    if unseen := "; ".join([offset] * no_offset + [shape] * (found.lack_of_fit is None)):
        words = f"Not tested, for want of runs or of scatter between them: {unseen}."
        yield Caution(words, "other estimands", "beside")


def _p_words(p_value: float) -> str:
    """Write a p value; below a thousandth its digits say nothing."""
    return "p < 0.001" if p_value < 0.001 else f"p = {p_value:.2g}"


def _signed(value: float, u: float) -> str:
    """Write a value with its sign, to the digits of its uncertainty."""
    return number(value, decimals_for(u), sign=True)


def _of_the_mean(found: ThrottlePower) -> Iterator[str]:
    """Say that the throttle power of the mean of the sensors is not where the device throttles."""
    items = [item for item in found.treatments if item.throttle_power_W is not None]
    above_K = max((item.hottest_above_K or 0.0 for item in items), default=0.0)
    less_W = max((item.hottest_less_W or 0.0 for item in items), default=0.0)
    words = "the hottest reaches the limit at less power."
    if above_K and less_W:
        less = f"so that the device throttles at about {less_W:.2g} W less."
        words = f"the hottest was up to {above_K:.1f} K above it, {less}"
    if items:
        yield f"The throttle power is that of the mean of the sensors (measurand: mean); {words}"


def _no_throttle(found: ThrottlePower, scatter: Scatter) -> Iterator[str]:
    """Say why a treatment has no throttle power, or one without an interval."""
    base, *rest = found.treatments
    yield from (f"No throttle power for {item.treatment}: {item.reason}." for item in found.treatments if item.reason)
    if base.reason and any(not item.reason for item in rest):
        yield f"No difference of throttle powers: {base.treatment}, the baseline, has none."
    items = [item for item in found.treatments if item.throttle_power_W is not None]
    without = [item.treatment for item in items if item.interval_W is None]
    if without:
        digits, one = "the mounts agree to the last digit", "one mount cannot show how far the next would differ"
        why = digits if scatter.no_scatter else one
        yield f"No interval for the throttle power of {', '.join(without)}: {why}."
    apart = [i.treatment for i in items if i.difference_W is not None and i.difference_interval_W is None]
    if names := ", ".join(name for name in apart if name not in without):
        # Under Welch a treatment of one mount takes the interval from its difference alone.
        why = "the mounts of one of the two cannot show their scatter."
        yield f"No interval for the difference of throttle powers of {names}: {why}"


def _observed(found: ThrottlePower) -> Iterator[str]:
    """Say where runs that shed power disagree with the prediction."""
    for item in found.treatments:
        seen, band = item.directly_observed_W, item.future_mount_interval_W
        if seen is not None and band is not None and not band[0] <= seen <= band[1]:
            point, low, high = (number(value, interval_decimals(band)) for value in (seen, *band))
            outside = f"outside the {low} to {high} W predicted for one mount"
            what = f"Runs of {item.treatment} that shed power at the limit point to {point} W, {outside}"
            yield f"{what}: believe the observation and look for the reason."
        if item.observed and seen is None:
            why = "no curve rises there, or it would lie more than 20 % outside the ladder."
            held = "the power they held cannot be moved to the customer's room and limit"
            yield f"Runs of {item.treatment} shed power at the limit, but {held}: {why}"


POWER = "power meter"
"""What the gravest caution on a throttle power is about: it comes first of all."""
# Beyond a common difference of this fraction a meter or a setting is wrong, not merely uncertain (common practice,
# no source).
TRUSTED_POWER = 0.025


def _power(common: float) -> Iterator[str]:
    """Say that logged and set power disagree throughout, and what that does to the throttle power."""
    read, true = ("above", "lower") if common > 0.0 else ("below", "higher")
    by, then = 100.0 * abs(common), f"{100.0 * abs(1.0 / (1.0 + common) - 1.0):.1f} % {true}"
    if abs(common) > TRUSTED_POWER:
        yield (
            f"The logged power is {by:.1f} % {read} the set power in all runs alike: the meter or the setting is "
            f"wrong. The throttle powers take the meter for true; where the setting is, they are {then}, and their "
            "intervals reach that far. Check the power against a second meter."
        )


def _room_effect(found: ThrottlePower, tested_C: float, cooling: str) -> Iterator[str]:
    """Say what testing in another room than the customer's does to this bench."""
    effects = [item.room_effect_W for item in found.treatments if item.room_effect_W is not None]
    warmer = found.room_C - tested_C
    if not effects or abs(warmer) < 1.0:
        return
    low, high = max(effects, key=lambda ends: max(map(abs, ends)))
    most = max(low, high, key=abs)
    side = "low (safe)" if most > 0.0 else "high (not safe)"
    read = f"about {abs(most):.2g} W too {side}, which their intervals hold"
    passive = "A passive sink rises the less in a warmer room the more it radiates: from none to a third of the heat"
    effect = f"{passive}, the throttle powers are read between 0 and {read}"
    if cooling == "forced":
        thin = "Fans at constant speed move less mass of warm, thin air"
        effect = f"{thin}: the throttle powers are read up to {read}"
    elif low == high:
        effect = f"With the radiated share declared, {most:+.2g} W are added to the throttle powers for it"
    stood = f"The bench stood in {tested_C:.1f} degC on average, the customer's room is {found.room_C:g} degC"
    yield f"{stood}. {effect}."


# Rooms in which a workshop has its bench, degC (common practice, no source).
LIKELY_ROOM_C = (0.0, 45.0)
# Two standard uncertainties of a difference, about 95 %, and half of what is worth acting on.
REPEATS_DIFFER, REPEATS_DIFFER_K = 2.0, 0.5
# A room read by hand and the logged one of the same run (common practice, no source).
ROOMS_DIFFER_K = 1.0

# Days between runs of one campaign that make an exchange of day and month likely (common practice, no source).
WEEKS_APART_DAYS = 25

_NO_LIMITS = "No temperature limit and customer's room are given, so no throttle power can be predicted."


def campaign_cautions(
    campaign: Campaign,
    settled: SettledRuns,
    comparison: Comparison | None,
    throttle: ThrottlePower | None,
    overrides: dict[str, tuple[Any, Any]],
    notes: tuple[str, ...],
    *,
    files: Collection[str],
) -> tuple[Caution, ...]:
    """Collect every caution of a campaign.

    Parameters
    ----------
    campaign : Campaign
        Settings and run sheet.
    settled : SettledRuns
        Its reduced runs.
    comparison : Comparison or None
        None without any usable run.
    throttle : ThrottlePower or None
        None where it was not asked for.
    overrides : dict
        What differs from the campaign as written.
    notes : tuple of str
        What the log reader passed over.
    files : collection of str
        Names of the campaign's files, by which a note tells what it is on.

    Returns
    -------
    tuple of Caution
        Without repetition.
    """
    alone, none = len(campaign.settings.treatments) == 1, comparison is None
    changed = [
        *_overridden(overrides, DECISION, "was changed after the data were seen"),
        *_overridden(overrides, LIMITS, "is not the one written in the campaign"),
        *["There is one treatment only, so there is nothing to compare it with."] * alone,
        *["No run can be used: there is no result to give."] * none,
    ]
    on_throttle = () if throttle is None else throttle.caution_list
    found = [
        *_about("runs", _two_rooms(settled), _by_hand(settled)),
        *_about("campaign", changed),
        *(caution for caution in on_throttle if caution.about == POWER),
        *(() if comparison is None else comparison.caution_list),
        *_about_files(campaign.cautions, files, "campaign"),
        *(replace(caution, weight="headline") if alone or none else caution for caution in on_throttle),
        *_about("throttle power", [_NO_LIMITS] * (campaign.settings.limits is None)),
        *_about("bench", _bench(settled), _room(campaign, settled)),
        *_stops_early(campaign, settled),
        *_about("runs", _repeats(settled), _left_out(settled), _days_exchanged(campaign, settled)),
        *_about_files(notes, files, "runs"),
    ]
    texts = [caution.text for caution in found]
    return tuple(caution for place, caution in enumerate(found) if caution.text not in texts[:place])


def _shares(by_hand: Sequence[tuple[str, bool]]) -> str:
    """Say of each treatment how many of its runs were read by hand."""
    own = {name: [hand for other, hand in by_hand if other == name] for name, _ in by_hand}
    return ", ".join(f"{name} {sum(hands)} of {len(hands)} runs" for name, hands in own.items())


def _by_hand(settled: SettledRuns) -> Iterator[str]:
    """Say how many runs are readings without a log, first of all where they stand beside settled rises."""
    runs = [(run.treatment, run.by_hand) for run in settled.runs if run.used and run.rise_K is not None]
    by_hand = sum(hand for _, hand in runs)
    if 0 < by_hand < len(runs):
        low = "one taken before the bench had settled is too low, and makes its treatment look cooler than it is."
        yield f"Readings without a log are mixed with settled rises ({_shares(runs)}): {low}"
    if by_hand:
        what = "readings without a log, whose rise is the reading less the room; nothing shows that they had settled."
        yield f"{by_hand} of {len(runs)} runs are of the lower grade: {what}"


def _about_files(notes: Sequence[str], files: Collection[str], else_about: str) -> list[Caution]:
    """Notes that begin with the name of a file are about it; it is said beside the checksum of the file."""
    on_file = {note: name for note in notes if (name := note.partition(": ")[0]) != note and name in files}
    return [Caution(n, on_file[n], "beside") if n in on_file else Caution(n, else_about) for n in notes]


def _overridden(overrides: dict[str, tuple[Any, Any]], names: tuple[str, ...], what: str) -> list[str]:
    def shown(value: Any) -> str:
        return "not set" if value is None else f"{value:g}"

    changed = {name: tuple(map(shown, overrides[name])) for name in names if name in overrides}
    return [f"{name} {what}: {written} as written, {used} used here." for name, (written, used) in changed.items()]


def _bench(settled: SettledRuns) -> Iterator[str]:
    """No time constant, or one of its own for each treatment."""
    factors, constant = settled.bench.factors, settled.bench.time_constant
    if factors and constant is not None:
        tau_min = constant.time_constant_s / 60.0
        listed = ", ".join(f"{name} {factor * tau_min:.1f} min" for name, factor in factors.items())
        own = "each was reduced with its own time constant, so an equal soak leaves different amounts to come."
        yield f"The treatments settle at different speeds ({listed}), as different heat sinks do: {own}"
    if constant is None and any(run.reason != NOT_MADE and not run.by_hand for run in settled.runs):
        only = "only runs that are steady at their end have a settled rise, and it is their mean."
        yield f"The runs do not determine the time constant of the bench; {only}"


def _stops_early(campaign: Campaign, settled: SettledRuns) -> list[Caution]:
    """Say once, for the bench, what soaks as planned left to come; where one run is unlike the others it has a flag."""
    tau_s = {one.trace.run: one.time_constant_s for one in settled.bench.estimates if one.time_constant_s}
    ending = [
        (abs(run.drift_left_K), 60.0 * (run.soak_min or 0.0) / tau_s[run.run])
        for run in settled.runs
        if run.used and run.settled is False and run.run in tau_s and run.drift_left_K is not None
        if abs(run.drift_left_K) > campaign.settings.checks.least_left_K
        if not any(flag.flag == "not settled" for flag in run.flags)
    ]
    if not ending:
        return []
    left, soaked = zip(*ending, strict=True)
    after = " to ".join(dict.fromkeys(number(count, 1) for count in (min(soaked), max(soaked))))
    had = f"{len(ending)} of {len(settled.runs)} runs had up to {number(max(left), 1)} K still to come"
    words = f"The soaks end before the bench has settled, as planned: {had}, after {after} time constants."
    return [Caution(f"{words} Every settled rise includes what was still to come.", "bench", "beside")]


def _used_traces(settled: SettledRuns) -> list[Trace]:
    used = {run.run for run in settled.runs if run.used}
    return [estimate.trace for estimate in settled.bench.estimates if estimate.trace.run in used]


def _two_rooms(settled: SettledRuns) -> Iterator[str]:
    """Say where a room written down by hand went before a logged one that says otherwise."""
    off = [
        f"{trace.run} {trace.ambient_C[0]:.1f} by hand and {trace.logged_room_C:.1f} in the log"
        for trace in _used_traces(settled)
        if trace.room_by_hand and abs(trace.ambient_C[0] - trace.logged_room_C) > ROOMS_DIFFER_K
    ]
    if off:
        runs = f"{counted(len(off), 'run')}, in degC: {some_of(off, 6, separator='; ')}"
        wrong = "if it is wrong, these rises are wrong by as much. Clear room_C to use the log."
        yield f"The room written by hand (room_C) is not the logged one in {runs}. The one by hand was used: {wrong}"


def _room(campaign: Campaign, settled: SettledRuns) -> Iterator[str]:
    constant, (low, high) = campaign.settings.ambient_constant, LIKELY_ROOM_C
    moved = "A room that moved is in the rises."
    if constant is not None:
        u = f"with a standard uncertainty of {constant.u_K:g} K"
        yield f"The room was not logged: {constant.value_C:g} degC was read off a thermometer, {u}. {moved}"
        return
    hands = [(trace.treatment, trace.room_by_hand) for trace in _used_traces(settled)]
    if hands and all(hand for _, hand in hands):
        yield f"The room was not logged, or its log not used: room_C of every run was read off a thermometer. {moved}"
    elif any(hand for _, hand in hands):
        beside = f"Rooms read off a thermometer (room_C) stand beside logged ones ({_shares(hands)})"
        yield f"{beside}: what the two differ by is in the rises. {moved}"
    odd = [run for run in settled.runs if run.ambient_C is not None and not low < run.ambient_C <= high]
    if odd:
        read = f"was read as {odd[0].ambient_C:.0f} degC or the like ({odd[0].run})"
        yield f"The room of {len(odd)} runs {read}: are the unit and the column of the room right?"


def _days_exchanged(campaign: Campaign, settled: SettledRuns) -> Iterator[str]:
    """Say so where the dates read either way round and only the declared way leaves weeks between the runs."""
    log = campaign.settings.log
    written = (log.time.format if log is not None else None) or ""
    days = sorted({date.fromisoformat(run.start[:10]) for run in settled.runs if run.start and "-" in run.start[:10]})
    if not {"%d", "%m"} <= set(re.findall("%.", written)) or len(days) < 2 or any(day.day > 12 for day in days):
        return
    other = sorted(date(day.year, day.day, day.month) for day in days)
    apart, otherwise = (max((b - a).days for a, b in pairwise(some)) for some in (days, other))
    if otherwise < WEEKS_APART_DAYS <= apart:
        yield (
            f"Day and month may be exchanged: as {written!r} says, {apart} days lie between one run and the next; the "
            f"other way round never more than {otherwise}. Is log.time.format right? Times of day and rises are the "
            "same either way, the order of the runs is not."
        )


def _repeats(settled: SettledRuns) -> Iterator[str]:
    """Repeats of a step on one mount that differ by more than their own scatter allows."""
    groups: dict[tuple[str, str, float], list[tuple[float, float, str]]] = defaultdict(list)
    for run in settled.runs:
        if run.used and run.rise_K is not None and run.u_rise_a_K:
            groups[run.treatment, run.mount, run.set_power_W].append((run.rise_K, run.u_rise_a_K, run.run))
    for (treatment, mount, power), repeats in groups.items():
        low, high = min(repeats), max(repeats)
        spread, u = high[0] - low[0], math.hypot(low[1], high[1])
        if spread > max(REPEATS_DIFFER * u, REPEATS_DIFFER_K):
            which = f"The repeats {low[2]} and {high[2]} of {treatment} mount {mount} at {power:g} W"
            by = f"{spread:.1f} K, {spread / u:.1f} times what their own scatter explains"
            yield f"{which} differ by {by}: something changed between them that was not logged (air, room, contact)."


def _left_out(settled: SettledRuns) -> Iterator[str]:
    out = [run for run in settled.runs if not run.used]
    gone = [f"{run.run} ({run.reason})" for run in out if not run.held and run.reason != NOT_MADE]
    held = [run.run for run in out if run.held]
    if gone:
        yield f"Left out of the answer: {some_of(gone, 12, separator='; ')}."
    if held:
        seen = "Shed power at the limit and so not in the fits at set power, but an observation of the throttle power"
        yield f"{seen}: {some_of(held, 12)}."
