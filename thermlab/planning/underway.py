"""A campaign that is under way: the advice of its report, and the numbers of the mounts still to come.

What to do is said in one place, :mod:`thermlab.compare.verdict`; here are the order of the mounts to come, intervals
that allow a look after every mount (:mod:`thermlab.stats.sequential`), and the chance that the next mounts bring a
verdict. That is the predictive power: mean SD and means of the treatments are drawn from what the mounts so far leave
open, the mounts still planned are simulated on, and the share of these futures that ends in a verdict is counted.

References
----------
Spiegelhalter, Freedman and Blackburn 1986, Controlled Clinical Trials 7, 8-17: predictive power (from memory).
"""

import math
from collections import Counter
from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import Any, Literal

import numpy as np

from thermlab.base.errors import InputError, Problem
from thermlab.compare.analysis import Analysis
from thermlab.compare.records import Comparison
from thermlab.compare.verdict import MountCount, count_mounts, decide
from thermlab.planning.records import CandidateOutlook, Looks, NextMounts
from thermlab.stats.sequential import (
    FEWEST_TO_POOL,
    LookRule,
    MountTally,
    RunningDecision,
    Variance,
    look_back,
    look_rule,
)

N_FUTURES = 4_000
FUTURE_SEED = 7
STOP_AT_LOOKS = (
    "Every candidate has a verdict at these looks: a campaign judged at such looks alone, the last one too, may "
    "stop. One that is judged by its report at the end goes on: to stop at either errs in up to 6.6 % of campaigns."
)


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
    variance: Variance | Literal["auto"] = "pooled",
    halfway: bool = False,
    n_futures: int = N_FUTURES,
    rooms_K: Mapping[str, tuple[float, float]] | None = None,
) -> tuple[tuple[CandidateOutlook, ...], tuple[str, ...]]:
    """Return where each candidate stands, what the mounts still planned may bring, and what limits that.

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
    variance : {"pooled", "welch", "auto"}
        As declared; auto judges the scatter at each look.
    halfway : bool
        Looks when half of the blocks are made and at the end alone.
    n_futures : int
        Futures simulated.
    rooms_K : mapping of str to (float, float) or None
        What the difference of a candidate may lack for the rooms, as in the report, K: its interval holds it.
    """
    names = [baseline, *(name for name in treatments if name != baseline)]
    number = {name: index for index, name in enumerate(names)}
    order = tuple(number[name] for name in [*(name for name, _ in mounts), *still_planned])
    given: dict[str, Any] = {"prior_dof": prior_dof if prior_sd_K else 0.0}
    asked: dict[str, Any] = {"margin_K": margin_K, "alpha": 1 - confidence_level, "halfway": halfway, **given}
    rule = look_rule(order, n_treatments=len(names), variance=variance, **asked)
    made = [(number[name], rise_K) for name, rise_K in mounts]
    tally, decision = look_back(rule, made, prior_sd_K=prior_sd_K or 0.0, **given)
    futures = _futures(rule, tally, decision, made=len(mounts), n_futures=n_futures)
    rooms = rooms_K or {}
    outlooks = tuple(_outlook(names, i, tally, decision, futures, rooms.get(names[i])) for i in range(1, len(names)))
    return outlooks, _cautions(names, tally, decision, prior_sd_K, halfway)


def _futures(
    rule: LookRule, tally: MountTally, decision: RunningDecision, *, made: int, n_futures: int
) -> np.ndarray | None:
    """Return where a verdict stands after each mount to come, shape (to come, n_treatments, n_futures)."""
    to_come = rule.order[made:]
    if not to_come or tally.dof <= 0 or not tally.sum_squares[0] > 0 or not all(tally.counts):
        return None
    seen = rule.apart is not None and min(tally.counts) >= FEWEST_TO_POOL
    welch = rule.variance == "welch" or (seen and bool(tally.scatters_apart()[0]))
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
    futures: np.ndarray | None,
    room_K: tuple[float, float] | None,
) -> CandidateOutlook:
    low, high = float(decision.low[index, 0]), float(decision.high[index, 0])
    if room_K is not None and low <= high:
        low, high, futures = low + room_K[0], high + room_K[1], None
    both = tally.counts[0] > 0 and tally.counts[index] > 0
    chances = () if futures is None else tuple(futures[:, index].mean(axis=1).tolist())
    verdict = "undecided"
    if low <= high:
        verdict, _ = decide((low, high), bool(decision.equivalent[index, 0]) and room_K is None, decision.rule.margin_K)
    return CandidateOutlook(
        treatment=names[index],
        n_mounts=tally.counts[index],
        difference_K=float(tally.means[index, 0] - tally.means[0, 0]) if both else None,
        interval_K=(low, high) if np.isfinite([low, high]).all() and low <= high else None,
        verdict=verdict,
        chance_after=chances[:3],
        chance_at_end=chances[-1] if chances else None,
    )


def _cautions(
    names: Sequence[str], tally: MountTally, decision: RunningDecision, prior_sd_K: float | None, halfway: bool
) -> tuple[str, ...]:
    scatter = (
        "pool the scatter" if tally.variance == "pooled" else "take each treatment's own scatter, as the report does"
    )
    if decision.rule.apart is not None:
        scatter += " where the treatments scatter alike, and else hold each one's own beside it"
    looks = "looks halfway and at the end alone" if halfway else "a look after every mount"
    cautions = [f"These intervals allow {looks} and {scatter}; the report's are for one look at the end."]
    if prior_sd_K:
        cautions.insert(0, f"The scatter rests in part on a mount SD of {prior_sd_K:.2g} K from earlier campaigns.")
    if tally.dof > 0 and not tally.sum_squares[0] > 0:
        cautions.append("The mounts do not scatter at all: the readout hides the scatter, and no chance can be given.")
    cautions.extend(
        f"The intervals of {names[index]} from different looks exclude each other: something changed on the way."
        for index in range(1, len(names))
        if decision.low[index, 0] > decision.high[index, 0]
    )
    cautions.extend(f"{names[index]} has no mount yet." for index, count in enumerate(tally.counts) if count == 0)
    return tuple(cautions)


def advise(campaign: str | Path | Analysis, *, mounts: int | None = None, looks: Looks = "every mount") -> NextMounts:
    """Return the advice of a campaign under way and the numbers of its mounts to come.

    Parameters
    ----------
    campaign : str, Path or Analysis
        Campaign folder, or its analysis.
    mounts : int or None
        Mounts of each treatment in all, 1 or more; None: the lines of the run sheet that are ``not made yet`` or
        ``decision.mounts_planned``, whichever is more, or as many more as the advice asks for.
    looks : {"every mount", "halfway"}
        When the campaign is looked at, as it was planned.

    Returns
    -------
    NextMounts
        Advice, order, intervals that hold at every look, chances after 1, 2, 3 more mounts.

    Raises
    ------
    InputError
        The campaign cannot be read, or ``mounts`` or ``looks`` cannot be had.
    """
    now = "halfway or every mount; the report has the interval of one look at the end"
    wrong = [Problem("plan: mounts", str(mounts), "1 or more")] if mounts is not None and mounts < 1 else []
    wrong += [Problem("plan: looks", looks, now)] if looks not in ("every mount", "halfway") else []
    if wrong:
        raise InputError(wrong)
    if isinstance(campaign, (str, Path)):
        from thermlab.compare.analysis import analyse  # noqa: PLC0415

        analysis = analyse(campaign)
    else:
        analysis = campaign
    settings = analysis.campaign.settings
    counted = count_mounts(settings, analysis.campaign.runs, analysis.runs, analysis.comparison)
    comparison = _of_whole_mounts(analysis, counted.half)
    made = [] if comparison is None else sorted(comparison.mounts, key=lambda mount: mount.order)
    planned, beyond, cautions = _still_planned(analysis, counted, mounts)
    candidates: tuple[CandidateOutlook, ...] = ()
    values = [(mount.treatment, mount.rise_K) for mount in made if mount.rise_K is not None]
    if len(values) < len(made):
        cautions.append("No intervals: mounts without a rise at the reference power; make a step that all share.")
    elif comparison is not None and comparison.treatments:
        prior = comparison.prior
        candidates, more = look_ahead(
            values,
            treatments=list(settings.treatments),
            baseline=settings.baseline,
            margin_K=settings.decision.margin_K,
            still_planned=planned,
            confidence_level=settings.decision.confidence_level,
            prior_sd_K=None if prior is None else math.hypot(prior.mount_sd_K, prior.run_noise_K),
            prior_dof=0.0 if prior is None else prior.used_dof,
            variance="auto" if settings.analysis.variance == "auto" else comparison.variance,
            halfway=looks == "halfway",
            rooms_K={i.treatment: i.room_effect_K for i in comparison.treatments if i.room_effect_K is not None},
        )
        cautions += more
        if planned and analysis.advice.state == "go on" and all(one.verdict != "undecided" for one in candidates):
            cautions.append(STOP_AT_LOOKS)
    return NextMounts(
        advice=analysis.advice,
        n_mounts=counted.made,
        next_treatments=() if mounts is None and analysis.advice.state == "decide" else (*planned, *beyond),
        candidates=candidates,
        cautions=tuple(cautions),
    )


def _of_whole_mounts(analysis: Analysis, half: frozenset[tuple[str, str]]) -> Comparison | None:
    """Return the comparison without half mounts: their rise at the reference would rest on the curve, a guess."""
    if not half or analysis.comparison is None:
        return analysis.comparison
    from thermlab.compare.analysis import compare_campaign  # noqa: PLC0415

    whole = tuple(run for run in analysis.runs if (run.treatment, run.mount) not in half)
    power_W = analysis.comparison.reference_power_W
    return compare_campaign(analysis.campaign.settings, whole, reference_power_W=power_W)


def _still_planned(
    analysis: Analysis, counted: MountCount, mounts: int | None
) -> tuple[list[str], list[str], list[str]]:
    """Return treatments of the mounts still planned, in order, of those beyond the plan, and what has to be said."""
    planned, made, listed = analysis.campaign.settings.decision.mounts_planned, counted.made, counted.listed
    said: list[str] = []
    if counted.half:
        lacking = ", ".join(" ".join(mount) for mount in sorted(counted.half))
        said.append(f"Counted as not made, for want of the reference step: {lacking}.")
    more = {name: count + analysis.advice.mounts_more.get(name, 0) for name, count in made.items()}
    if mounts is None and planned is None and not listed:
        said.append(
            "The campaign names no number of planned mounts: as many more as the advice asks for are taken. "
            "Write decision.mounts_planned before the next look."
        )
        return _in_turns(Counter(made), more), [], said
    if mounts is not None and mounts != planned:
        said.append(
            "The number of planned mounts is not the one in the campaign. "
            "Changed after the data were seen, it lets the error rate grow."
        )
    if mounts is None and planned is not None and listed:
        lists = {name: count + listed.count(name) for name, count in made.items()}
        if any(total != max(planned, made[name]) for name, total in lists.items()):
            says = ", ".join(f"{name} {total}" for name, total in lists.items())
            said.append(
                f"decision.mounts_planned says {planned} mounts of each, made and listed in the run sheet are {says}: "
                "the larger number counts as planned. Make the two agree before the next look."
            )
    total = mounts or planned or 0
    if any(count > total for count in made.values()) and (mounts or planned):
        said.append("More mounts were made than planned: the error that may be spent had all been spent before.")
    to_come = [] if mounts else list(listed)
    to_come += _in_turns(Counter(made) + Counter(to_come), dict.fromkeys(made, total))
    beyond = [] if to_come or mounts is not None else _in_turns(Counter(made), more)
    if beyond:
        said.append(
            "All planned mounts are made. For more, planned after the data were seen, no interval holds at every look, "
            "and no chance is given."
        )
    return to_come, beyond, said


def _in_turns(made: Counter[str], totals: dict[str, int]) -> list[str]:
    counts, order = Counter(made), []
    while waiting := [name for name in totals if counts[name] < totals[name]]:
        order.append(min(waiting, key=lambda name: counts[name]))
        counts[order[-1]] += 1
    return order
