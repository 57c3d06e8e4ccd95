"""The verdict on a candidate: one rule, what puts a verdict in doubt before any rule is applied, what to do next.

The simultaneous interval decides what is shown; two one-sided tests decide
equivalence. The p value never sets a verdict. A number that chance does not
explain is no answer where the readings behind it are not trusted (copies,
doubtful runs on every mount, a reference far off); the verdict then is
``in doubt`` and its note says what to do.
"""

import math
from collections import Counter, defaultdict
from collections.abc import Sequence
from dataclasses import dataclass, replace
from statistics import median

from thermlab.base.numbers import listed, watts
from thermlab.campaign.runsheet import NOT_MADE, RunLine
from thermlab.campaign.settings import CampaignSettings
from thermlab.compare import records
from thermlab.compare.records import Advice, Comparison, Interval, OneMount, ThrottlePower, TreatmentComparison, Verdict
from thermlab.runs.records import ReducedRun
from thermlab.stats.dunnett import t_point
from thermlab.stats.sequential import look_back, look_rule

MOST_MOUNTS = 20
"""Of each treatment: weeks on the bench, and out of reach for a workshop."""
_WORTH_REPEATING = 0.10
_FARTHEST = f"{100.0 * records.FARTHEST_EXTRAPOLATION:g} %"
EARLY_SHARE = 0.1
"""Of the error, for all looks before the planned mounts are in."""
_EARLY_PATHS = 50_000


def is_equivalent(equivalence_interval: Interval, margin_K: float) -> bool:
    """Tell by two one-sided tests whether the interval lies inside the margin.

    Parameters
    ----------
    equivalence_interval : tuple of float
        ``D +- t(1 - alpha) SE``, K.
    margin_K : float
        Margin, > 0, K.

    Notes
    -----
    Schuirmann 1987, J. Pharmacokinet. Biopharm. 15:657.
    """
    return -margin_K < equivalence_interval[0] and equivalence_interval[1] < margin_K


def decide(simultaneous_interval: Interval, equivalent: bool, margin_K: float) -> tuple[Verdict, str]:
    """Name what an interval shows.

    Parameters
    ----------
    simultaneous_interval : tuple of float
        Interval [L, U] of candidate minus baseline, K; negative is cooler.
    equivalent : bool
        Outcome of :func:`is_equivalent`.
    margin_K : float
        Margin, > 0, K.

    Returns
    -------
    (verdict, note) : tuple of str
        The note says where an equivalent candidate is shown to differ, but by less.
    """
    low, high = simultaneous_interval
    ladder: tuple[tuple[bool, Verdict], ...] = (
        (high < -margin_K, "cooler by more than the margin"),
        (low > margin_K, "warmer by more than the margin"),
        (equivalent, "equivalent within the margin"),
        (high < 0.0, "cooler"),
        (low > 0.0, "warmer"),
        (True, "undecided"),
    )
    verdict = next(words for holds, words in ladder if holds)
    side = "cooler" if high < 0.0 else "warmer" if low > 0.0 else ""
    less = verdict == "equivalent within the margin" and side
    return verdict, f"{side}, but by less than the margin" if less else ""


@dataclass(frozen=True, slots=True)
class Doubt:
    """Why a treatment cannot be judged.

    Attributes
    ----------
    note : str
        What is wrong, and what to do.
    interval_stays : bool
        Whether the interval is still shown: the runs are doubtful, not somebody else's.
    """

    note: str
    interval_stays: bool


def doubts(runs: Sequence[ReducedRun], treatments: Sequence[str], reference_power_W: float | None) -> dict[str, Doubt]:
    """Find the treatments that cannot be judged.

    Parameters
    ----------
    runs : sequence of ReducedRun
        All runs of the campaign.
    treatments : sequence of str
        Baseline and candidates.
    reference_power_W : float or None
        Power at which they are compared, W.

    Returns
    -------
    dict of str to Doubt
        By treatment; those that can be judged are missing.
    """
    far, found = _far_off(runs, reference_power_W), {}
    for treatment in treatments:
        own = [run for run in runs if run.treatment == treatment]
        found[treatment] = _copied(own) or far or _doubtful(treatment, own, reference_power_W)
    return {treatment: doubt for treatment, doubt in found.items() if doubt is not None}


def in_doubt(item: TreatmentComparison, baseline: str, found: dict[str, Doubt]) -> TreatmentComparison:
    """Return a candidate with its verdict put in doubt, where it or the baseline is.

    Parameters
    ----------
    item : TreatmentComparison
        As the rule of the verdict left it.
    baseline : str
        What it is compared with.
    found : dict of str to Doubt
        As from :func:`doubts`.

    Returns
    -------
    TreatmentComparison
    """
    known = [found[name] for name in (item.treatment, baseline) if name in found]
    if not known:
        return item
    notes = "; ".join(dict.fromkeys(doubt.note for doubt in known))
    if all(doubt.interval_stays for doubt in known):
        return replace(item, verdict="in doubt", verdict_note=notes, equivalent=None, p_value=None, mounts_needed=None)
    read = {name: getattr(item, name) for name in ("treatment", "n_mounts", "mean_rise_K", "difference_K")}
    return TreatmentComparison(**read, verdict="in doubt", verdict_note=notes)


def _copied(own: Sequence[ReducedRun]) -> Doubt | None:
    """The same readings under two runs; one that was excluded by hand is settled already."""
    copied = dict.fromkeys(f"{run.treatment} mount {run.mount}" for run in own if _is_copied(run))
    if not copied:
        return None
    remedy = "exclude the runs that were not made, or give them their own log"
    return Doubt(f"readings of {some_of(list(copied))} stand under another mount too: {remedy}", interval_stays=False)


def _is_copied(run: ReducedRun) -> bool:
    return any(flag.flag == "copied readings" for flag in run.flags)


def _far_off(runs: Sequence[ReducedRun], reference_power_W: float | None) -> Doubt | None:
    steps, power = [run.set_power_W for run in runs if run.used and run.rise_K is not None], reference_power_W
    low, high = records.trusted_range_W(steps)
    if power is None or not steps or low <= power <= high:
        return None
    far = f"more than {_FARTHEST} outside the steps used, {min(steps):g} to {max(steps):g} W"
    return Doubt(f"the reference of {power:g} W lies {far}: compare at a power that was run", interval_stays=False)


def _doubtful(treatment: str, own: Sequence[ReducedRun], reference_power_W: float | None) -> Doubt | None:
    """Every mount is touched: whatever is wrong is in the mean of all of them."""
    used = [run for run in own if run.used and run.rise_K is not None]
    touched: list[ReducedRun] = []
    for mount in dict.fromkeys(run.mount for run in used):
        members = [run for run in used if run.mount == mount]
        # What speaks for a mount: its runs at the reference, or all of them where it lacks that step.
        counted = [run for run in members if run.set_power_W == reference_power_W] or members
        if any(run.worst() != "doubtful" for run in counted):
            return None
        touched += counted
    if not touched:
        return None
    runs = some_of([run.run for run in touched])
    names = sorted({flag.flag for run in touched for flag in run.flags if flag.severity == "doubtful"})
    remedy = f"look at {runs}, mend what is wrong and run them again"
    return Doubt(f"every mount of {treatment} is doubtful ({some_of(names)}): {remedy}", interval_stays=True)


def some_of(names: Sequence[str], most: int = 4, *, separator: str = ", ") -> str:
    """Join names, and say how many more there are."""
    shown = separator.join(names[:most])
    return f"{shown} and {len(names) - most} more" if len(names) > most else shown


def from_which_power(
    item: TreatmentComparison, reference_power_W: float | None, margin_K: float, steps_W: Sequence[float]
) -> TreatmentComparison:
    """Return a candidate with the power from which its difference reaches the margin.

    The difference of two interfaces in one heat path is a difference of resistances, so it grows as the power does.

    Parameters
    ----------
    item : TreatmentComparison
        With its verdict.
    reference_power_W : float or None
        Power of the comparison, W.
    margin_K : float
        Margin, K.
    steps_W : sequence of float
        Power steps used; as for a throttle power, nothing is said more than 20 % outside them.

    Returns
    -------
    TreatmentComparison
        As it was where nothing is shown, or in doubt.
    """
    interval = item.simultaneous_interval_K
    if reference_power_W is None or not item.difference_K or interval is None or item.verdict == "in doubt":
        return item
    reach = margin_K * reference_power_W
    lowest, highest = records.trusted_range_W(steps_W)

    def said(power: float) -> float | None:
        return power if lowest <= power <= highest else None

    ends, shown = sorted(map(abs, interval)), interval[0] > 0.0 or interval[1] < 0.0
    low, high = reach / ends[1], reach / ends[0] if shown else math.inf
    side = f"end lies more than {_FARTHEST}"
    open_ends = (
        (low < lowest, f"its lower {side} below the steps used"),
        (not shown, "no difference is shown"),
        (shown and high > highest, f"its upper {side} above the steps used"),
    )
    note = "; ".join(text for holds, text in open_ends if holds)
    if low > highest or high < lowest:
        note = f"not up to {highest:.0f} W" if low > highest else f"at every power down to {lowest:.0f} W"
    from_W, both = said(reach / abs(item.difference_K)), (said(low), said(high))
    return replace(item, matters_from_W=from_W, matters_interval_W=both, matters_note=note)


_SUPPOSED_SD_K = (0.3, 0.6, 1.0)


def what_one_mount_shows(comparison: Comparison, throttle: ThrottlePower | None) -> tuple[OneMount, ...]:
    """Say what one mount of each could have shown at scatters that benches have; empty where the scatter is known.

    Parameters
    ----------
    comparison : Comparison
        As found.
    throttle : ThrottlePower or None
        For the half-width of a throttle power.

    Returns
    -------
    tuple of OneMount
        Error shared among the candidates, scatter in proportion to power.
    """
    if comparison.mount_sd_K is not None or not comparison.mounts or comparison.reference_power_W is None:
        return ()
    alpha = 1.0 - comparison.settings["confidence_level"]
    apart = t_point(1.0 - 0.5 * alpha / max(1, len(comparison.treatments)), math.inf)
    alone = t_point(1.0 - 0.5 * alpha, math.inf)
    known = [(i.throttle_power_W, i.slope_K_per_W) for i in (throttle.treatments if throttle else ())]
    watts_per_K = [p / comparison.reference_power_W / slope for p, slope in known if p is not None and slope]
    half_W = alone * max(watts_per_K) if watts_per_K else None
    return tuple(OneMount(sd, apart * math.sqrt(2.0) * sd, half_W and half_W * sd) for sd in _SUPPOSED_SD_K)


def advise_next(
    settings: CampaignSettings, lines: Sequence[RunLine], runs: Sequence[ReducedRun], comparison: Comparison | None
) -> Advice:
    """Say what to do next with a campaign.

    Parameters
    ----------
    settings : CampaignSettings
        As used.
    lines : sequence of RunLine
        The run sheet, with what is still planned.
    runs : sequence of ReducedRun
        All runs.
    comparison : Comparison or None
        None with one treatment, or where no run could be used.

    Returns
    -------
    Advice
        A repeat is proposed only where it would change a verdict or narrow an interval by more than a tenth.
    """
    mounts = count_mounts(settings, lines, runs, comparison)
    repeats, keep = _repeats(runs, comparison, settings.decision.margin_K)
    state, more, steps = _state(settings, mounts, comparison)
    if state == "stop: out of reach":
        repeats, keep = (), tuple(run.run for run in runs if run.run in (*repeats, *keep))
    per_mount = _hours_per_mount(runs)
    soaks = [(run.soak_min or 0.0) / 60.0 for run in runs if run.run in repeats]
    hours = None if per_mount is None else sum(more.values()) * per_mount + sum(soaks)
    if repeats:
        steps = (f"Repeat {_runs_named(runs, repeats)}.", *steps)
    if state == "go on" and hours and comparison is not None and comparison.treatments and more:
        steps = (*steps, f"Still to make: {counted_mounts(more)}, about {hours:.2g} h of soaking.")
    return Advice(state=state, steps=steps, mounts_more=more, bench_hours=hours, repeats=repeats, keep=keep)


_Stand = tuple[records.State, dict[str, int], tuple[str, ...]]


def _state(settings: CampaignSettings, counted: "MountCount", comparison: Comparison | None) -> _Stand:
    made, waiting, names = counted.made, counted.waiting, listed(list(counted.made))
    if not any(made.values()):
        more = waiting or dict.fromkeys(made, 2)
        step = f"Nothing that can be used has been measured: make {counted_mounts(more)}, taking turns."
        return "nothing measured", more, (step,)
    if comparison is None or not comparison.treatments:
        more = waiting or {name: 1 for name, count in made.items() if count < 2}
        scatter = f"To know the scatter between mounts, make {counted_mounts(more)}"
        if more:
            return "go on", more, (f"{_planned_first(waiting) if waiting else scatter}.",)
        return "decide", {}, (f"There is nothing to compare {names} with: what was measured stands as it is.",)
    if set(made.values()) == {1} and comparison.mount_sd_K is None:
        why = "with one mount each nothing tells a material from how its mount happened to come out."
        step = f"Make a second mount of each of {names}, {_cheapest(settings)} first: {why}"
        return "one mount each", waiting or dict.fromkeys(made, 1), (*_mend(comparison.treatments), step)
    first = mounts_first(settings, comparison, counted)
    state, more, steps = _judged(settings, made, first, comparison)
    if waiting and not first:
        spared = f"The mounts still planned ({counted_mounts(waiting)}) need not be made"
        steps = (*steps, f"{spared}: the verdict holds at every look.")
    return state, more, steps


def _planned_first(waiting: dict[str, int]) -> str:
    return f"Make the mounts that are still planned first ({counted_mounts(waiting)})"


def _judged(settings: CampaignSettings, made: dict[str, int], first: dict[str, int], comparison: Comparison) -> _Stand:
    if first:
        # What more mounts than planned would show is asked when the planned ones are in.
        stands = listed([f"{item.treatment} is {item.verdict}" for item in comparison.treatments])
        return "go on", first, (*_mend(comparison.treatments), f"{_planned_first(first)}; as it stands: {stands}.")
    steps = _steps_of_verdicts(comparison, settings.decision.margin_K)
    unsettled = [item for item in comparison.treatments if _is_open(item) or _single(comparison, item)]
    if not unsettled:
        return "decide", {}, steps
    stop = all(item.verdict == "undecided" and _out_of_reach(item) for item in unsettled)
    if stop and not any(_is_doubted(item) or _single(comparison, item) for item in unsettled):
        return "stop: out of reach", {}, steps
    return "go on", _mounts_more(unsettled, made, comparison.baseline), steps


def _is_open(item: TreatmentComparison) -> bool:
    return _is_doubted(item) or (item.verdict in ("undecided", "not replicated") and item.verdict_note != ALL_IN)


def _single(comparison: Comparison, item: TreatmentComparison) -> tuple[str, ...]:
    """Candidate and baseline, those that have one mount."""
    counts = {comparison.baseline: comparison.baseline_n_mounts, item.treatment: item.n_mounts}
    return tuple(name for name, count in counts.items() if count == 1)


def _is_doubted(item: TreatmentComparison) -> bool:
    """Whether something has to be mended or looked for before anything is said of a candidate."""
    return item.verdict == "in doubt" or (item.witness is not None and item.witness.agrees is False)


def _mend(items: Sequence[TreatmentComparison]) -> tuple[str, ...]:
    """Say what has to be mended or looked for; nothing where no candidate is doubted."""
    doubted = [item for item in items if _is_doubted(item)]
    why = [i.witness.says if i.witness and i.verdict != "in doubt" else i.verdict_note for i in doubted]
    names = listed([item.treatment for item in doubted]) if doubted else ""
    return (f"Before anything is said of {names}: {'; '.join(dict.fromkeys(why)).rstrip('.')}.",) if doubted else ()


ALL_IN = "as many mounts as a difference of one margin takes are in: it is smaller, or chance hides it"
ROOMS_HIDE = "what their different rooms do to a rise hides the difference"


def mounts_first(settings: CampaignSettings, comparison: Comparison, counted: "MountCount") -> dict[str, int]:
    """Return the mounts that come before any decision: those that wait, but none where every verdict stands early.

    A tenth of the error is spent on looks after every mount but the last, all of it on the look at the planned end, so
    that over all looks it is at most 1.1 times as large, whenever and however often one looks.
    """
    decision, prior, items, waiting = settings.decision, comparison.prior, comparison.treatments, counted.waiting
    names = [comparison.baseline, *(item.treatment for item in items)]
    mounts = sorted(comparison.mounts, key=lambda mount: mount.order)
    made = [(names.index(mount.treatment), mount.rise_K) for mount in mounts if mount.rise_K is not None]
    open_items = [item for item in items if _is_open(item) or _single(comparison, item) or item.verdict == "undecided"]
    if not waiting or open_items or counted.half or len(made) < len(mounts) or settings.analysis.order_covariate:
        return waiting
    turns = range(max(waiting.values()))
    to_come = [place for turn in turns for place, name in enumerate(names) if turn < waiting.get(name, 0)]
    dof, alpha = 0.0 if prior is None else prior.used_dof, EARLY_SHARE * (1.0 - decision.confidence_level)
    rule = look_rule(
        (*(place for place, _ in made), *to_come),
        margin_K=decision.margin_K,
        alpha=alpha,
        prior_dof=dof,
        variance=settings.analysis.variance,
        n_paths=_EARLY_PATHS,
    )
    prior_sd_K = 0.0 if prior is None else math.hypot(prior.mount_sd_K, prior.run_noise_K)
    _, seen = look_back(rule, made, prior_dof=dof, prior_sd_K=prior_sd_K)
    ends = zip(seen.low[1:, 0].tolist(), seen.high[1:, 0].tolist(), seen.equivalent[1:, 0].tolist(), strict=True)
    for item, (low, high, alike) in zip(items, ends, strict=True):
        room = item.room_effect_K or (0.0, 0.0)
        verdict, _ = decide((low + room[0], high + room[1]), alike and item.room_effect_K is None, decision.margin_K)
        if verdict != item.verdict:
            return waiting
    return {}


def _out_of_reach(item: TreatmentComparison) -> bool:
    known = item.simultaneous_interval_K is not None and item.verdict_note != ROOMS_HIDE
    return known and (item.mounts_needed is None or item.mounts_needed > MOST_MOUNTS)


def _mounts_more(items: Sequence[TreatmentComparison], made: dict[str, int], baseline: str) -> dict[str, int]:
    wanted = dict.fromkeys(made, 0)
    for item in items:
        fewest = min(made[item.treatment], made[baseline])
        within = item.verdict == "undecided" and not _out_of_reach(item)
        total = max(2, item.mounts_needed or fewest + 1) if within else 2
        for name in (item.treatment, baseline):
            wanted[name] = max(wanted[name], total - made[name])
    return {name: count for name, count in wanted.items() if count > 0}


def counted_mounts(mounts: dict[str, int]) -> str:
    """Say how many mounts of each treatment."""
    each = [f"{count} mount{'s' if count > 1 else ''} of {name}" for name, count in mounts.items()]
    return listed(each) if each else "none"


def _cheapest(settings: CampaignSettings) -> str:
    """Return the treatment whose next mount costs least; where nothing is known the baseline, every difference's."""
    names = sorted(settings.treatments, key=lambda name: name != settings.baseline)
    cost = {name: settings.treatments[name].cost_per_mount for name in names}
    return min(names, key=lambda name: known if (known := cost[name]) is not None else float("inf"))


@dataclass(frozen=True, slots=True)
class MountCount:
    """How many mounts a campaign has made, and which it still has before it.

    Attributes
    ----------
    made, waiting : dict of str to int
        Whole mounts so far; and those still planned, without treatments that have none: as many as the run sheet lists
        or ``decision.mounts_planned`` leaves, whichever is more.
    half : frozenset of (str, str)
        Treatment and mount of those that lack the reference step which others have: they count as not made.
    listed : tuple of str
        Treatments of the mounts that the run sheet lists as not made, or half made, in its order.
    """

    made: dict[str, int]
    waiting: dict[str, int]
    half: frozenset[tuple[str, str]]
    listed: tuple[str, ...]


def count_mounts(
    settings: CampaignSettings, lines: Sequence[RunLine], runs: Sequence[ReducedRun], comparison: Comparison | None
) -> MountCount:
    """Count the mounts of a campaign, the same for its advice, its decisions and the mounts to come."""
    mounts = {(run.treatment, run.mount) for run in runs if run.used and run.rise_K is not None}
    half: set[tuple[str, str]] = set()
    if comparison is not None:
        mounts, power = {(mount.treatment, mount.mount) for mount in comparison.mounts}, comparison.reference_power_W
        has_step = [any(abs(step - (power or 0.0)) <= 1e-6 for step in mount.steps_W) for mount in comparison.mounts]
        pairs = zip(comparison.mounts, has_step, strict=True)
        half = {(mount.treatment, mount.mount) for mount, has in pairs if any(has_step) and not has}
    counts = Counter(treatment for treatment, _ in mounts - half)
    made, planned = {name: counts[name] for name in settings.treatments}, settings.decision.mounts_planned or 0
    begun = {(line.treatment, line.mount) for line in lines if line.exclude != NOT_MADE} - half
    sheet = dict.fromkeys((line.treatment, line.mount) for line in lines)
    any_waits = any(line.exclude == NOT_MADE for line in lines)
    lists = tuple(mount[0] for mount in sheet if any_waits and mount not in begun)
    waiting = {name: max(lists.count(name), planned - count) for name, count in made.items()}
    return MountCount(made, {name: n for name, n in waiting.items() if n > 0}, frozenset(half), lists)


def _hours_per_mount(runs: Sequence[ReducedRun]) -> float | None:
    soaked: dict[tuple[str, str], float] = defaultdict(float)
    for run in runs:
        if run.soak_min is not None:
            soaked[run.treatment, run.mount] += run.soak_min / 60.0
    return median(soaked.values()) if soaked else None


def _repeats(
    runs: Sequence[ReducedRun], comparison: Comparison | None, margin_K: float
) -> tuple[tuple[str, ...], tuple[str, ...]]:
    """Sort the runs that went wrong into those to make again and those whose repeat would change nothing."""
    made = [run for run in runs if not run.held and run.reason != NOT_MADE]
    wrong = [run for run in made if not run.used or run.worst() in ("doubtful", "unusable")]
    wrong.sort(key=lambda run: run.order)
    items = () if comparison is None else comparison.treatments
    doubted = {item.treatment for item in items if item.verdict == "in doubt"}
    if comparison is not None and doubted:
        doubted.add(comparison.baseline)
    present = {(mount.treatment, mount.mount) for mount in comparison.mounts} if comparison is not None else set()
    repeats: list[str] = []
    for run in wrong:
        mount = run.treatment, run.mount
        again = _is_copied(run) or (run.treatment in doubted and run.worst() == "doubtful")
        if comparison is not None and not run.used and mount not in present and not again:
            # One run at the highest step brings back a mount that has no run left.
            highest = max(one.set_power_W for one in wrong if (one.treatment, one.mount) == mount)
            again = run.set_power_W == highest and _one_mount_more(comparison, run.treatment, margin_K)
        if again:
            present.add(mount)
            repeats.append(run.run)
    return tuple(repeats), tuple(run.run for run in wrong if run.run not in repeats)


def _one_mount_more(comparison: Comparison, treatment: str, margin_K: float) -> bool:
    """Tell whether one more mount of a treatment would change a verdict or narrow an interval by a tenth."""
    upper, base = 0.5 + 0.5 * comparison.settings["confidence_level"], comparison.baseline
    for item in (one for one in comparison.treatments if treatment in (one.treatment, base)):
        interval, middle = item.simultaneous_interval_K, item.difference_K
        now = item.n_mounts, comparison.baseline_n_mounts
        if interval is None or not item.dof or middle is None:
            return True
        then = now[0] + (treatment == item.treatment), now[1] + (treatment == base)
        share = (1 / then[0] + 1 / then[1]) / (1 / now[0] + 1 / now[1])
        narrower = t_point(upper, item.dof + 1) / t_point(upper, item.dof) * share**0.5
        both = interval, item.equivalence_interval_K or interval
        ends, inner = ((middle + narrower * (a - middle), middle + narrower * (b - middle)) for a, b in both)
        verdict, _ = decide(ends, is_equivalent(inner, margin_K), margin_K)
        if narrower < 1.0 - _WORTH_REPEATING or verdict != item.verdict:
            return True
    return False


def _runs_named(runs: Sequence[ReducedRun], names: Sequence[str]) -> str:
    shown = [run for run in runs if run.run in names][:6]
    each = [f"{run.run} ({run.treatment}, mount {run.mount}, {watts(run.set_power_W)})" for run in shown]
    return listed(each) + (f", and {len(names) - 6} more" if len(names) > 6 else "")


def _steps_of_verdicts(comparison: Comparison, margin_K: float) -> tuple[str, ...]:
    groups: dict[tuple[object, ...], list[TreatmentComparison]] = defaultdict(list)
    for item in comparison.treatments:
        alike = item.verdict, item.mounts_needed is None, item.verdict_note in (ALL_IN, ROOMS_HIDE), _is_doubted(item)
        groups[*alike, *_single(comparison, item)].append(item)
    return tuple(dict.fromkeys(_step(comparison, items, f"{margin_K:g} K") for items in groups.values()))


def _step(comparison: Comparison, items: Sequence[TreatmentComparison], margin: str) -> str:
    """Say what to do about candidates that share a verdict."""
    verdict, base, names = items[0].verdict, comparison.baseline, [item.treatment for item in items]
    if _is_doubted(items[0]):
        return _mend(items)[0]
    if verdict != "not replicated" and (single := _single(comparison, items[0])):
        return f"Make a second mount of {listed(single)}: until then its own scatter is not known."
    if verdict == "undecided":
        return _settle(comparison, items, margin)
    take, everything = listed(names, last="or"), listed([*names, base])
    more = f"make more mounts of {'both' if len(items) == 1 else 'all'}"
    others = "" if len(items) == 1 else f" Each was compared with {base}, not with the others."
    return {
        "not replicated": f"Make two or more mounts each of {everything}, taking turns, to know the scatter.",
        "equivalent within the margin": f"Choose between {everything} by price and handling.",
        "cooler by more than the margin": f"Take {take} where its price and handling suit.{others}",
        "warmer by more than the margin": f"Keep {base} rather than {take} where heat decides.",
        "cooler": f"Take {take} if any gain will do; if only a gain of {margin} is worth it, {more}.",
        "warmer": f"Keep {base} unless {take} suits for other reasons; to know whether it costs {margin}, {more}.",
    }[verdict]


def _settle(comparison: Comparison, items: Sequence[TreatmentComparison], margin: str) -> str:
    """Say how many mounts would settle what is undecided, or that no workshop will make so many."""
    base, names = comparison.baseline, listed([item.treatment for item in items])
    needed = max((item.mounts_needed for item in items if item.mounts_needed is not None), default=None)
    if items[0].simultaneous_interval_K is None:
        return f"More mounts of {names} and {base} are needed, read to more digits, before anything can be said."
    has = ", ".join(f"{item.treatment} {'has ' if i == 0 else ''}{item.n_mounts}" for i, item in enumerate(items))
    if items[0].verdict_note == ROOMS_HIDE:
        return f"Make mounts of {names} and {base} in one room: {ROOMS_HIDE}."
    if items[0].verdict_note == ALL_IN:
        return f"{ALL_IN[0].upper()}{ALL_IN[1:]}. Choose between {names} and {base} by price and handling."
    if needed is None or needed > MOST_MOUNTS:
        count = "more than 10 000" if needed is None else f"about {needed}"
        return (
            f"Stop comparing {names} with {base} by more mounts: with this scatter a difference of {margin} takes "
            f"{count} mounts of each ({has}, {base} {comparison.baseline_n_mounts}). Choose by price and handling, or "
            "find a way of mounting that scatters less."
        )
    which = "" if len(items) == 1 else f" between {base} and {names}"
    plan = f"plan about {needed} mounts of each treatment in total ({has}, {base} {comparison.baseline_n_mounts})."
    return f"To settle a difference of {margin}{which}, {plan}"
