"""A campaign that is under way, and what the next mount can still change: decide now, go on, or stop as hopeless.

The intervals are those of :mod:`thermlab.stats.sequential`, which allow a look after every mount. The chance of a
decision is the predictive power: mean SD and means of the treatments are drawn from what the mounts so far leave open,
the mounts still planned are simulated on, and the share of these futures that ends in a verdict is counted. Stopping
because there is no hope never makes a false claim more likely, so it needs no part of the error.

References
----------
Spiegelhalter, Freedman and Blackburn 1986, Controlled Clinical Trials 7, 8-17: predictive power (from memory).
"""

from __future__ import annotations

import dataclasses
import math
from collections import Counter
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Literal

import numpy as np

from thermlab.base.errors import InputError, Problem
from thermlab.campaign.runsheet import NOT_MADE
from thermlab.stats.sequential import LookRule, MountTally, RunningDecision, Variance, look_rule

if TYPE_CHECKING:
    from collections.abc import Sequence

    from thermlab.compare.analysis import Analysis
    from thermlab.compare.records import Advice as CampaignAdvice
    from thermlab.compare.records import Comparison, MountSummary

Advice = Literal["decide now", "go on", "stop as hopeless"]

HOPELESS_BELOW = 0.10
N_FUTURES = 4_000
FUTURE_SEED = 7
METHOD = (
    "group-sequential t intervals, error spent as the square of the share of the planned mounts "
    "(Kim and DeMets 1987), critical values from 200 000 simulated campaigns, intersected over the looks"
)


@dataclass(frozen=True, slots=True, kw_only=True)
class CandidateOutlook:
    """Where one candidate stands and what may become of it.

    Attributes
    ----------
    treatment : str
        Candidate.
    n_mounts : int
        Mounts of it so far.
    difference_K : float or None
        Candidate minus baseline, K.
    interval_K : tuple of float or None
        Interval that holds at every look, for all candidates at once, K.
    verdict : str
        As in the report; ``undecided`` where nothing is shown.
    decided_after : int or None
        Mounts (of all treatments) after which the verdict first stood.
    chance_after : tuple of float
        Chance that a verdict stands after 1, 2, 3 more mounts; shorter where fewer are planned, empty where no scatter
        is known.
    chance_at_end : float or None
        The same after all planned mounts.
    """

    treatment: str
    n_mounts: int
    difference_K: float | None
    interval_K: tuple[float, float] | None
    verdict: str
    decided_after: int | None
    chance_after: tuple[float, ...]
    chance_at_end: float | None


@dataclass(frozen=True, slots=True, kw_only=True)
class NextMounts:
    """What to do next on a campaign that is under way.

    Attributes
    ----------
    advice : {"decide now", "go on", "stop as hopeless"}
        What the numbers say.
    reason : str
        Why, in one sentence.
    n_mounts : dict of str to int
        Mounts so far by treatment.
    next_treatments : tuple of str
        Treatments of the mounts still planned, in order.
    candidates : tuple of CandidateOutlook
        Candidates in the order of the campaign.
    chance_after : tuple of float
        Chance that every candidate has a verdict after 1, 2, 3 more mounts.
    chance_at_end : float or None
        The same after all planned mounts.
    mount_sd_K, mount_sd_dof : float or None
        Pooled mount SD so far, K, and its degrees of freedom (with those of the prior as used).
    method : str
        The intervals.
    settings : dict
        Margin, confidence level, limit of hope, prior, number of futures.
    cautions : tuple of str
        What limits the answer.
    campaign : Advice or None
        What the report of the campaign says is to be done: it leads.
    """

    advice: Advice
    reason: str
    n_mounts: dict[str, int]
    next_treatments: tuple[str, ...]
    candidates: tuple[CandidateOutlook, ...]
    chance_after: tuple[float, ...]
    chance_at_end: float | None
    mount_sd_K: float | None
    mount_sd_dof: float
    method: str
    settings: dict[str, float | int | str | None]
    cautions: tuple[str, ...]
    campaign: CampaignAdvice | None = None

    @property
    def lead(self) -> tuple[str, ...]:
        """What to do as the report says it, and what looks after every mount say."""
        if self.campaign is None:
            return (f"{self.advice}. {self.reason}",)
        return (f"{self.campaign.state}. {self.campaign.text}", f"Looked at after every mount: {self.reason}")


def look_ahead(
    mounts: Sequence[tuple[str, float]],
    *,
    treatments: Sequence[str],
    baseline: str,
    margin_K: float,
    still_planned: Sequence[str],
    confidence_level: float = 0.95,
    prior_sd_K: float | None = None,
    prior_dof: float = 0.0,
    variance: Variance = "pooled",
    hopeless_below: float = HOPELESS_BELOW,
    n_futures: int = N_FUTURES,
) -> NextMounts:
    """Say whether to decide, to go on or to stop.

    Parameters
    ----------
    mounts : sequence of (str, float)
        Treatment and rise (K) of each mount so far, in the order made.
    treatments : sequence of str
        All treatments.
    baseline : str
        One of them.
    margin_K : float
        Margin, K.
    still_planned : sequence of str
        Treatments of the mounts still to be made, in order.
    confidence_level : float
        As a fraction.
    prior_sd_K : float or None
        Mount SD from earlier campaigns at the same power, run noise included, K.
    prior_dof : float
        Its degrees of freedom as used (half the pooled ones).
    variance : {"pooled", "welch"}
        As the report's comparison chose it.
    hopeless_below : float
        Chance at the end below which going on is called hopeless.
    n_futures : int
        Futures simulated.

    Returns
    -------
    NextMounts
        Advice with its numbers.

    Raises
    ------
    InputError
        An unknown treatment, no candidate, a margin that is not above 0.
    """
    names = [baseline, *(name for name in treatments if name != baseline)]
    _check(mounts, names, still_planned, margin_K)
    number = {name: index for index, name in enumerate(names)}
    order = tuple(number[name] for name in [*(name for name, _ in mounts), *still_planned])
    prior_dof = prior_dof if prior_sd_K else 0.0
    rule = look_rule(
        order,
        n_treatments=len(names),
        margin_K=margin_K,
        alpha=1 - confidence_level,
        prior_dof=prior_dof,
        variance=variance,
    )
    prior_variance = (prior_sd_K or 0.0) ** 2
    tally = MountTally(1, len(names), prior_dof=prior_dof, prior_variance=prior_variance, variance=variance)
    decision = RunningDecision(rule, 1, len(names))
    first: dict[int, int] = {}
    for look, (treatment, rise_K) in enumerate(mounts):
        tally.add(number[treatment], np.array([rise_K]))
        decision.look(tally, look)
        for candidate in np.flatnonzero(decision.decided()[:, 0]):
            first.setdefault(int(candidate), look + 1)
    futures = _futures(rule, tally, decision, made=len(mounts), n_futures=n_futures)
    candidates = tuple(
        _outlook(names, index, tally, decision, first=first.get(index), futures=futures)
        for index in range(1, len(names))
    )
    together = futures.all(axis=1).mean(axis=1) if futures is not None else np.empty(0)
    at_end = float(together[-1]) if together.size else None
    advice, reason = _advice(candidates, bool(still_planned), tally.dof, hopeless_below)
    sd = float(np.sqrt(tally.sum_squares[0] / tally.dof)) if tally.dof > 0 else None
    return NextMounts(
        advice=advice,
        reason=reason,
        n_mounts={name: tally.counts[number[name]] for name in treatments},
        next_treatments=tuple(still_planned),
        candidates=candidates,
        chance_after=tuple(float(chance) for chance in together[:3]),
        chance_at_end=at_end,
        mount_sd_K=sd,
        mount_sd_dof=tally.dof,
        method=f"{METHOD}; {variance} variance",
        settings={
            "margin_K": margin_K,
            "confidence_level": confidence_level,
            "hopeless_below": hopeless_below,
            "prior_sd_K": prior_sd_K,
            "prior_dof": prior_dof,
            "variance": variance,
            "n_futures": n_futures,
            "mounts_planned": len(order),
        },
        cautions=_cautions(names, tally, decision, prior_sd_K, sd),
    )


def _check(mounts: Sequence[tuple[str, float]], names: Sequence[str], planned: Sequence[str], margin_K: float) -> None:
    problems = [
        Problem("plan: mounts", f"treatment {name!r}", f"one of {', '.join(names)}")
        for name in dict.fromkeys([*(name for name, _ in mounts), *planned])
        if name not in names
    ]
    if len(names) < 2:
        problems.append(Problem("plan: treatments", f"{len(names)} treatment", "a baseline and at least one candidate"))
    if not margin_K > 0:
        problems.append(Problem("plan: margin", f"{margin_K} K", "above 0 K"))
    if not mounts and not planned:
        problems.append(Problem("plan: mounts", "no mount made and none planned", "at least one"))
    if problems:
        raise InputError(problems)


def _futures(
    rule: LookRule, tally: MountTally, decision: RunningDecision, *, made: int, n_futures: int
) -> np.ndarray | None:
    """Return where a verdict stands after each mount to come, shape (to come, n_treatments, n_futures)."""
    to_come = rule.order[made:]
    if not to_come or tally.dof <= 0 or not tally.sum_squares[0] > 0 or not all(tally.counts):
        return None
    welch = rule.variance == "welch"
    if welch and min(tally.counts) < 2:
        return None
    rng = np.random.default_rng(FUTURE_SEED)
    pooled = np.sqrt(tally.sum_squares[0] / rng.chisquare(tally.dof, n_futures))
    sds = [pooled] * len(tally.counts)
    if welch:
        pairs = zip(tally.own_squares[:, 0], tally.counts, strict=True)
        sds = [np.sqrt(squares / rng.chisquare(count - 1, n_futures)) for squares, count in pairs]
    many = MountTally(n_futures, len(tally.counts), prior_dof=tally.prior_dof, variance=rule.variance)
    many.counts = list(tally.counts)
    many.means = np.repeat(tally.means, n_futures, axis=1)
    many.sum_squares = np.repeat(tally.sum_squares, n_futures)
    many.own_squares = np.repeat(tally.own_squares, n_futures, axis=1)
    running = RunningDecision(rule, n_futures, len(tally.counts))
    running.low = np.repeat(decision.low, n_futures, axis=1)
    running.high = np.repeat(decision.high, n_futures, axis=1)
    running.equivalent = np.repeat(decision.equivalent, n_futures, axis=1)
    truth = [
        mean + sd / np.sqrt(count) * rng.standard_normal(n_futures)
        for mean, count, sd in zip(tally.means[:, 0], tally.counts, sds, strict=True)
    ]
    decided = []
    for look, treatment in enumerate(to_come, start=made):
        many.add(treatment, truth[treatment] + sds[treatment] * rng.standard_normal(n_futures))
        running.look(many, look)
        decided.append(running.decided())
    return np.array(decided)


def _outlook(
    names: Sequence[str],
    index: int,
    tally: MountTally,
    decision: RunningDecision,
    *,
    first: int | None,
    futures: np.ndarray | None,
) -> CandidateOutlook:
    both = tally.counts[0] > 0 and tally.counts[index] > 0
    low, high = float(decision.low[index, 0]), float(decision.high[index, 0])
    chances = () if futures is None else tuple(float(chance) for chance in futures[:, index].mean(axis=1))
    verdict = decision.verdict(index)
    return CandidateOutlook(
        treatment=names[index],
        n_mounts=tally.counts[index],
        difference_K=float(tally.means[index, 0] - tally.means[0, 0]) if both else None,
        interval_K=(low, high) if np.isfinite([low, high]).all() and low <= high else None,
        verdict=verdict,
        decided_after=first if verdict != "undecided" else None,
        chance_after=chances[:3],
        chance_at_end=chances[-1] if chances else None,
    )


def _advice(
    candidates: Sequence[CandidateOutlook], more: bool, dof: float, hopeless_below: float
) -> tuple[Advice, str]:
    waiting = [candidate for candidate in candidates if candidate.verdict == "undecided"]
    names = ", ".join(candidate.treatment for candidate in waiting)
    if not waiting:
        return "decide now", "Every candidate has a verdict that more mounts need not be spent on."
    if not more:
        return "stop as hopeless", f"All planned mounts are made and {names} stays undecided: more would be a new plan."
    chances = [candidate.chance_at_end for candidate in waiting if candidate.chance_at_end is not None]
    if dof <= 0 or not chances:
        return "go on", "The scatter between mounts is not known yet, so no chance can be given."
    listed = ", ".join(
        f"{candidate.treatment} {chance:.2f}" for candidate, chance in zip(waiting, chances, strict=True)
    )
    text = f"Chance of a verdict with all planned mounts made: {listed}"
    if max(chances) < hopeless_below:
        return "stop as hopeless", f"{text}; below {hopeless_below:g} going on is not worth the hours."
    return "go on", f"{text}."


def _cautions(
    names: Sequence[str], tally: MountTally, decision: RunningDecision, prior_sd_K: float | None, sd_K: float | None
) -> tuple[str, ...]:
    scatter = (
        "pool the scatter" if tally.variance == "pooled" else "take each treatment's own scatter, as the report does"
    )
    cautions = [
        f"These intervals allow a look after every mount and {scatter}; the report's are for one look at the end."
    ]
    if prior_sd_K:
        cautions.insert(0, f"The scatter rests in part on a mount SD of {prior_sd_K:.2g} K from earlier campaigns.")
    if sd_K == 0:
        cautions.append("The mounts do not scatter at all: the readout hides the scatter, and no chance can be given.")
    cautions.extend(
        f"The intervals of {names[index]} from different looks exclude each other: something changed on the way."
        for index in range(1, len(names))
        if decision.low[index, 0] > decision.high[index, 0]
    )
    cautions.extend(f"{names[index]} has no mount yet." for index, count in enumerate(tally.counts) if count == 0)
    return tuple(cautions)


ASSUMED_MOUNTS = 6


def advise(campaign: str | Path | Analysis, *, mounts: int | None = None) -> NextMounts:
    """Say whether a campaign should be decided, go on or be stopped.

    Parameters
    ----------
    campaign : str, Path or Analysis
        Campaign folder, or its analysis.
    mounts : int or None
        Mounts of each treatment in all; None: the lines of the run sheet that are ``not made yet``, or
        ``decision.mounts_planned``.

    Returns
    -------
    NextMounts
        Advice, intervals that hold at every look, chances after 1, 2, 3 more mounts.

    Raises
    ------
    InputError
        The campaign cannot be read, or has no two treatments to compare.
    """
    if isinstance(campaign, (str, Path)):
        from thermlab.compare.analysis import analyse  # noqa: PLC0415

        analysis = analyse(campaign)
    else:
        analysis = campaign
    settings, comparison = analysis.campaign.settings, analysis.comparison
    where = str(analysis.campaign.folder)
    if comparison is None:
        raise InputError([Problem(where, "no comparison", "a campaign with a baseline and a candidate that have runs")])
    comparison, half = _whole_mounts(analysis, comparison)
    made = sorted(comparison.mounts, key=lambda mount: mount.order)
    if any(mount.rise_K is None for mount in made):
        found = "mounts without a rise at the reference power"
        raise InputError([Problem(where, found, "runs at a power step that all mounts share")])
    values = [(mount.treatment, mount.rise_K) for mount in made if mount.rise_K is not None]
    planned, cautions = _still_planned(analysis, made, half, mounts)
    prior = comparison.prior
    ahead = look_ahead(
        values,
        treatments=list(settings.treatments),
        baseline=settings.baseline,
        margin_K=settings.decision.margin_K,
        still_planned=planned,
        confidence_level=settings.decision.confidence_level,
        prior_sd_K=None if prior is None else math.hypot(prior.mount_sd_K, prior.run_noise_K),
        prior_dof=0.0 if prior is None else prior.used_dof,
        variance=comparison.variance,
    )
    return dataclasses.replace(ahead, cautions=(*cautions, *ahead.cautions), campaign=analysis.advice)


def _whole_mounts(analysis: Analysis, comparison: Comparison) -> tuple[Comparison, set[tuple[str, str]]]:
    """Return the comparison of the mounts that have their reference step, and the mounts that lack it.

    Half a mount counts as not made: its rise at the reference would rest on the curve, and a verdict on a guess. Where
    no mount has the step, the comparison stays as it is.
    """
    power = comparison.reference_power_W
    half = {
        (mount.treatment, mount.mount)
        for mount in comparison.mounts
        if power is None or not any(abs(step - power) <= 1e-6 for step in mount.steps_W)
    }
    if not half or len(half) == len(comparison.mounts):
        return comparison, set()
    from thermlab.compare.analysis import compare_campaign  # noqa: PLC0415

    whole = tuple(run for run in analysis.runs if (run.treatment, run.mount) not in half)
    found = compare_campaign(analysis.campaign.settings, whole, reference_power_W=power)
    return (comparison, set()) if found is None else (found, half)


def _still_planned(
    analysis: Analysis, mounts_made: Sequence[MountSummary], half: set[tuple[str, str]], mounts: int | None
) -> tuple[list[str], list[str]]:
    """Return treatments of the mounts still planned, in order, and what has to be said about the plan."""
    settings = analysis.campaign.settings
    names = list(settings.treatments)
    made = [mount.treatment for mount in mounts_made]
    listed = _listed(analysis, half)
    said: list[str] = []
    if half:
        lacking = ", ".join(" ".join(mount) for mount in sorted(half))
        said.append(f"Counted as not made, for want of the reference step: {lacking}.")
    if mounts is None and listed:
        return listed, said
    total = mounts if mounts is not None else settings.decision.mounts_planned
    if total is None:
        total = ASSUMED_MOUNTS
        said.append(
            f"The campaign names no number of planned mounts: {ASSUMED_MOUNTS} of each treatment are assumed. "
            "Write decision.mounts_planned before the next look."
        )
    elif mounts is not None and mounts != settings.decision.mounts_planned:
        said.append(
            "The number of planned mounts is not the one in the campaign. "
            "Changed after the data were seen, it lets the error rate grow."
        )
    counts = Counter(made)
    planned: list[str] = []
    while any(counts[name] < total for name in names):
        fewest = min(names, key=lambda name: (counts[name], names.index(name)))
        counts[fewest] += 1
        planned.append(fewest)
    if len(made) > total * len(names) or any(count > total for count in counts.values()):
        said.append("More mounts were made than planned: the error that may be spent had all been spent before.")
    return planned, said


def _listed(analysis: Analysis, half: set[tuple[str, str]]) -> list[str]:
    """Return treatments of the mounts that the run sheet lists as not made yet, or as half made, in its order."""
    begun = {(line.treatment, line.mount) for line in analysis.campaign.runs if line.exclude != NOT_MADE}
    if all(line.exclude != NOT_MADE for line in analysis.campaign.runs):
        return []
    waiting = dict.fromkeys((line.treatment, line.mount) for line in analysis.campaign.runs)
    return [mount[0] for mount in waiting if mount not in begun or mount in half]
