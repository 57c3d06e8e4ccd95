"""A campaign that is under way: the advice of its report, and the numbers of the mounts still to come.

What to do is said in one place, :mod:`thermlab.compare.verdict`; here are the order of the mounts to come, intervals
that allow a look after every mount (:mod:`thermlab.stats.sequential`), and the chance that the next mounts bring a
verdict. That is the predictive power: mean SD and means of the treatments are drawn from what the mounts so far leave
open, the mounts still planned are simulated on, and the share of these futures that ends in a verdict is counted.

References
----------
Spiegelhalter, Freedman and Blackburn 1986, Controlled Clinical Trials 7, 8-17: predictive power (from memory).
"""

import copy
import math
from collections import Counter
from collections.abc import Mapping, Sequence
from typing import Literal

import numpy as np

from thermlab.base.errors import InputError, Problem
from thermlab.compare.analysis import Analysis, compare_campaign
from thermlab.compare.records import Comparison, Interval
from thermlab.compare.verdict import MountCount, count_mounts, decide
from thermlab.planning.records import CandidateOutlook, Looks, NextMounts
from thermlab.stats.sequential import (
    FEWEST_TO_POOL,
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
    prior_sd_K: float = 0.0,
    prior_dof: float = 0.0,
    variance: Variance | Literal["auto"] = "pooled",
    halfway: bool = False,
    n_futures: int = N_FUTURES,
    rooms_K: Mapping[str, Interval] | None = None,
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
    prior_sd_K, prior_dof : float
        Mount SD from earlier campaigns at the same power, run noise included, K, and its degrees of freedom as used
        (half the pooled ones); 0 without.
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
    order = tuple(names.index(name) for name in [*(name for name, _ in mounts), *still_planned])
    rule = look_rule(
        order,
        margin_K=margin_K,
        alpha=1 - confidence_level,
        prior_dof=prior_dof,
        variance=variance,
        halfway=halfway,
    )
    rises = zip(order, (rise_K for _, rise_K in mounts), strict=False)
    tally, decision = look_back(rule, rises, prior_sd_K=prior_sd_K, prior_dof=prior_dof)
    futures = _futures(tally, decision, made=len(mounts), n_futures=n_futures)
    outlooks = (_outlook(name, i, tally, decision, futures, (rooms_K or {}).get(name)) for i, name in enumerate(names))
    return tuple(outlooks)[1:], _cautions(names, tally, decision, prior_sd_K, halfway)


def _futures(tally: MountTally, decision: RunningDecision, *, made: int, n_futures: int) -> np.ndarray | None:
    """Return where a verdict stands after each mount to come, shape (to come, n_treatments, n_futures)."""
    rule, counts = decision.rule, tally.counts
    if made == len(rule.order) or tally.dof <= 0 or not tally.sum_squares[0] > 0 or not all(counts):
        return None
    seen = rule.apart is not None and min(counts) >= FEWEST_TO_POOL
    welch = rule.variance == "welch" or (seen and bool(tally.scatters_apart()[0]))
    if welch and min(counts) < 2:
        return None
    rng = np.random.default_rng(FUTURE_SEED)
    pooled = np.sqrt(tally.sum_squares[0] / rng.chisquare(tally.dof, n_futures))
    sds = [pooled] * len(counts)
    if welch:
        pairs = zip(tally.own_squares[:, 0], counts, strict=True)
        sds = [np.sqrt(squares / rng.chisquare(count - 1, n_futures)) for squares, count in pairs]
    # Every future begins where the campaign stands.
    many, running, same = copy.copy(tally), copy.copy(decision), np.zeros(n_futures, dtype=int)
    many.counts, many.sum_squares = list(counts), tally.sum_squares[same]
    many.means, many.own_squares = tally.means[:, same], tally.own_squares[:, same]
    running.low, running.high = decision.low[:, same], decision.high[:, same]
    running.equivalent = decision.equivalent[:, same]
    truth = [
        mean + sd / np.sqrt(count) * rng.standard_normal(n_futures)
        for mean, count, sd in zip(tally.means[:, 0], counts, sds, strict=True)
    ]
    decided = []
    for look, treatment in enumerate(rule.order[made:], start=made):
        many.add(treatment, truth[treatment] + sds[treatment] * rng.standard_normal(n_futures))
        running.look(many, look)
        decided.append(running.decided())
    return np.array(decided)


def _outlook(
    name: str, i: int, tally: MountTally, decision: RunningDecision, futures: np.ndarray | None, room_K: Interval | None
) -> CandidateOutlook:
    low, high = float(decision.low[i, 0]), float(decision.high[i, 0])
    if room_K is not None and low <= high:
        low, high, futures = low + room_K[0], high + room_K[1], None
    both = tally.counts[0] > 0 and tally.counts[i] > 0
    chances = () if futures is None else tuple(futures[:, i].mean(axis=1).tolist())
    verdict = "undecided"
    if low <= high:
        verdict, _ = decide((low, high), bool(decision.equivalent[i, 0]) and room_K is None, decision.rule.margin_K)
    return CandidateOutlook(
        treatment=name,
        difference_K=float(tally.means[i, 0] - tally.means[0, 0]) if both else None,
        interval_K=(low, high) if np.isfinite([low, high]).all() and low <= high else None,
        verdict=verdict,
        chance_after=chances[:3],
        chance_at_end=chances[-1] if chances else None,
    )


def _cautions(
    names: Sequence[str], tally: MountTally, decision: RunningDecision, prior_sd_K: float, halfway: bool
) -> tuple[str, ...]:
    own = tally.variance == "welch"
    scatter = "take each treatment's own scatter, as the report does" if own else "pool the scatter"
    if decision.rule.apart is not None:
        scatter += " where the treatments scatter alike, and else hold each one's own beside it"
    looks = "looks halfway and at the end alone" if halfway else "a look after every mount"
    cautions = [f"These intervals allow {looks} and {scatter}; the report's are for one look at the end."]
    if prior_sd_K:
        cautions.insert(0, f"The scatter rests in part on a mount SD of {prior_sd_K:.2g} K from earlier campaigns.")
    if tally.dof > 0 and not tally.sum_squares[0] > 0:
        cautions.append("The mounts do not scatter at all: the readout hides the scatter, and no chance can be given.")
    cautions.extend(
        f"The intervals of {name} from different looks exclude each other: something changed on the way."
        for name, low, high in zip(names, decision.low[:, 0], decision.high[:, 0], strict=True)
        if low > high
    )
    cautions.extend(f"{name} has no mount yet." for name, count in zip(names, tally.counts, strict=True) if count == 0)
    return tuple(cautions)


def advise(analysis: Analysis, *, mounts: int | None = None, looks: Looks = "every mount") -> NextMounts:
    """Return the advice of a campaign under way and the numbers of its mounts to come.

    Parameters
    ----------
    analysis : Analysis
        Of the campaign so far.
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
        ``mounts`` or ``looks`` cannot be had.
    """
    now = "halfway or every mount; the report has the interval of one look at the end"
    wrong = [Problem("plan: mounts", str(mounts), "1 or more")] if mounts is not None and mounts < 1 else []
    wrong += [Problem("plan: looks", looks, now)] if looks not in ("every mount", "halfway") else []
    if wrong:
        raise InputError(wrong)
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
            prior_sd_K=0.0 if prior is None else math.hypot(prior.mount_sd_K, prior.run_noise_K),
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
