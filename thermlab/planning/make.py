"""Plan the bench time: the fewest hours that settle the question.

:func:`make_plan` puts together how many mounts the question needs, which power steps and which soak serve it best, the
order of the mounts and a calendar of bench hours. :func:`plan` writes that as a campaign folder that only waits for its
logs, all of it or nothing, or looks at a campaign that is under way and gives the numbers of the mounts to come.
"""

import math
from collections.abc import Callable, Sequence
from dataclasses import replace
from functools import partial
from pathlib import Path
from typing import Any

from thermlab.base.errors import InputError, Problem
from thermlab.campaign.yaml_files import Asked, read_model
from thermlab.planning.folder import calendar, plan_order, write_plan
from thermlab.planning.mount_sd import archive_scatter, given_scatter, pilot_scatter
from thermlab.planning.records import (
    MOST_MOUNTS,
    Goal,
    Looking,
    Looks,
    MountNumber,
    MountScatter,
    NextMounts,
    Plan,
    PlanRequest,
    Split,
)
from thermlab.planning.splits import (
    DEFAULT_SOAK_MIN,
    SplitProblem,
    compare_soaks,
    compare_splits,
    fewest_steps,
    half_width,
    recommend_split,
)
from thermlab.stats.power import equivalence_mounts_needed, mounts_needed, smallest
from thermlab.stats.sequential import chance_over_looks, look_rule

LONG_CAMPAIGN_H = 100.0
SMALL_DIFFERENCE = 0.3
"""True difference, as a share of the margin, that the second question of equivalence allows for."""
LOOK_PATHS = 10_000
MANY_LOOKS = 100


def plan(
    folder: str | Path | None = None, *, from_campaign: str | Path | None = None, **request: Any
) -> Plan | NextMounts:
    """Plan a campaign and write its folder, or look at one that is under way.

    Parameters
    ----------
    folder : str, Path or None
        New folder for the campaign; None works the plan out and writes nothing.
    from_campaign : str, Path or None
        A campaign with runs so far: what are the mounts still to come, and what can they change?
    **request
        Fields of :class:`PlanRequest`; with ``from_campaign`` only ``mounts`` and ``looks``.

    Returns
    -------
    Plan or NextMounts
        The plan, or the outlook of the campaign that is under way.

    Raises
    ------
    InputError
        Nothing was written; every problem is named.
    """
    if from_campaign is not None:
        from thermlab.compare.analysis import analyse  # noqa: PLC0415
        from thermlab.planning.underway import advise  # noqa: PLC0415

        others = sorted(set(request) - {"mounts", "looks"}) + (["a folder"] if folder is not None else [])
        if others:
            found = f"{', '.join(others)} together with a campaign under way"
            raise InputError([Problem("plan", found, "only mounts and looks: all else stands in the campaign")])
        return advise(analyse(from_campaign), **request)
    made = make_plan(request_of(**request))
    if folder is not None:
        write_plan(made, folder)
    return made


def request_of(**fields: Any) -> PlanRequest:
    """Return a checked request.

    Raises
    ------
    InputError
        Fields that are unknown, missing, of the wrong kind or out of range, all at once.
    """
    given = {name: value for name, value in fields.items() if value is not None}
    request, problems = read_model(PlanRequest, Asked("plan:", data=given))
    if request is None:
        raise InputError(map(_of_request, problems))
    return request


def _of_request(problem: Problem) -> Problem:
    if problem.allowed.startswith("required"):
        return Problem(problem.where, "nothing", "a value; it is required")
    return replace(problem, allowed=problem.allowed.removesuffix(problem.where.removeprefix("plan")))


def make_plan(request: PlanRequest) -> Plan:
    """Work out a campaign without writing anything.

    Parameters
    ----------
    request : PlanRequest
        What is asked for.

    Returns
    -------
    Plan
        Numbers, order and calendar.

    Raises
    ------
    InputError
        With every problem found.
    """
    problem = SplitProblem(request=request, scatter=_scatter(request))
    numbers = mount_numbers(problem)
    split, reason, looks, looking = _size(problem, numbers)
    runs = plan_order(request, split)
    entries = calendar(runs, split.times, day_h=request.day_h)
    same_hours = replace(problem, hours=request.hours or split.hours)
    return Plan(
        request=request,
        title=request.title or " or ".join(request.treatments),
        hours=sum(entry.end_h - entry.start_h for entry in entries),
        scatter=problem.scatter,
        numbers=numbers,
        looks=looks,
        looking=looking,
        splits=tuple(other if other.n_steps != split.n_steps else split for other in compare_splits(same_hours)),
        split=split,
        reason=reason,
        soaks=compare_soaks(same_hours, n_steps=split.n_steps),
        runs=runs,
        entries=entries,
        settings={
            "reference_power_W": request.reference_W,
            "throttle_power_W": problem.throttle_power_W(),
            "curve": problem.curve,
            "time_constant_min": problem.time_constant_min,
        },
        cautions=(*_caution_size(problem, numbers, split, looks, looking), *_cautions(problem)),
    )


def _scatter(request: PlanRequest) -> MountScatter:
    if request.pilot is not None:
        return pilot_scatter(request.pilot, reference_power_W=request.reference_W)
    if request.archive is not None:
        return archive_scatter(request.archive, reference_power_W=request.reference_W, bench=request.bench)
    return given_scatter(request.mount_sd_K, request.mount_sd_dof, run_noise_K=request.run_noise_K)


def _size(
    problem: SplitProblem, numbers: tuple[MountNumber, ...]
) -> tuple[Split, str, Looks, dict[str, Looking | None]]:
    """Return the recommended split, why, the way of looking, and what looking before the end takes."""
    request = problem.request
    needed = _asked(request, numbers).n_mounts
    looking: dict[str, Looking | None] = dict.fromkeys(("halfway", "every mount"))
    if needed is not None and needed <= MOST_MOUNTS:
        looking = {way: mounts_for_looking(problem, needed, halfway=way == "halfway") for way in looking}
    if request.hours is not None:
        split, reason = recommend_split(replace(problem, hours=request.hours))
        if split.n_mounts > MOST_MOUNTS:
            found = f"{request.hours:g} h, which buy {split.n_mounts} mounts of each treatment"
            raise InputError([Problem("plan: hours", found, f"hours for at most {MOST_MOUNTS}")])
        return split, reason, request.looks or "end", looking
    n_mounts = request.mounts or needed
    if n_mounts is None or n_mounts > MOST_MOUNTS:
        found = f"{request.margin_K:g} K, which needs {n_mounts or 'more than 10000'} mounts of each treatment"
        sd_K = problem.scatter.planned_sd_K
        allowed = f"a margin that at most {MOST_MOUNTS} mounts settle at a mount SD of {sd_K:.2g} K"
        raise InputError([Problem("plan: margin_K", found, allowed)])
    split, reason = recommend_split(replace(problem, n_mounts=n_mounts))
    long = split.hours > LONG_CAMPAIGN_H and looking["every mount"]
    looks: Looks = request.looks or ("every mount" if long else "end")
    if looks != "end" and request.mounts is None:
        taken = looking[looks]
        if taken is None:
            allowed = f"a margin that at most {MOST_MOUNTS} mounts settle, or one look at the end"
            raise InputError([Problem("plan: looks", f"{looks}, for a margin of {request.margin_K:g} K", allowed)])
        split, reason = recommend_split(replace(problem, n_mounts=taken.n_mounts))
    return split, reason, looks, looking


def _asked(request: PlanRequest, numbers: Sequence[MountNumber]) -> MountNumber:
    return next(row for row in numbers if row.goal == request.goal and row.power == request.power)


def one_mount_sd_K(problem: SplitProblem, steps_W: tuple[float, ...] = ()) -> float:
    """Return the SD of the value of one mount, K at the reference step.

    The estimand through the origin uses all the steps of a ladder mount (those given, or the fewest that answer what
    is asked), and so averages their run noise.
    """
    share, steps_W = 1.0, steps_W or _fewest_steps_W(problem)
    if problem.request.estimand == "through origin":
        share = max(steps_W) ** 2 / sum(step * step for step in steps_W)
    return math.hypot(problem.scatter.planned_sd_K, math.sqrt(share) * problem.scatter.run_noise_K)


def _fewest_steps_W(problem: SplitProblem) -> tuple[float, ...]:
    return problem.choose_steps(fewest_steps(problem), problem.soaks_min()[0])


def mount_numbers(problem: SplitProblem, steps_W: tuple[float, ...] = ()) -> tuple[MountNumber, ...]:
    """Return the mounts that each question needs at one look, for chances of 0.80, 0.90 and as asked.

    Parameters
    ----------
    problem : SplitProblem
        Bench, scatter and margin; several candidates take Dunnett's point.
    steps_W : tuple of float
        Steps of a ladder mount, W; without any the fewest that answer what is asked.
    """
    steps_W = steps_W or _fewest_steps_W(problem)
    request, margin_K, treatments = problem.request, problem.request.margin_K, problem.n_treatments
    sd_K, small_K, level = one_mount_sd_K(problem, steps_W), SMALL_DIFFERENCE * margin_K, request.confidence_level
    given: dict[str, Any] = {"alpha": 1 - level, "n_treatments": treatments}
    shown = partial(mounts_needed, margin_K, sd_K, n_candidates=treatments - 1, **given)
    equal = partial(equivalence_mounts_needed, margin_K, sd_K, **given)
    within = f"show equivalence within {margin_K:g} K where"
    questions: tuple[tuple[str, Goal, float, Callable[..., int | None]], ...] = (
        (f"show a difference of {margin_K:g} K", "difference", margin_K, shown),
        (f"{within} nothing differs", "equivalence", 0.0, equal),
        (f"{within} {small_K:.2g} K differ", "equivalence", small_K, partial(equal, difference_K=small_K)),
    )
    rows = []
    for question, goal, true_K, needed in questions:
        for power in sorted({0.80, 0.90, request.power}):
            number = needed(power=power)
            width = number and half_width(sd_K, number, treatments, level=level)
            throttle = number and problem.throttle_half_width_W(steps_W, number, 1)
            rows.append(MountNumber(question, goal, true_K, power, number, width, throttle))
    return tuple(rows)


def look_on_the_way(problem: SplitProblem, n_mounts: int, *, halfway: bool = False) -> Looking:
    """Return the chance of an answer where the campaign is looked at before its end, by simulation.

    Parameters
    ----------
    problem : SplitProblem
        The answer is a difference of the margin where that is true, or equivalence where nothing differs.
    n_mounts : int
        Mounts of each treatment.
    halfway : bool
        One look when half of the mounts are made, in place of one after every mount.
    """
    request, equivalence = problem.request, problem.request.goal == "equivalence"
    order = tuple(range(problem.n_treatments)) * n_mounts
    rule = look_rule(
        order,
        margin_K=request.margin_K,
        alpha=1 - request.confidence_level,
        variance="auto",
        halfway=halfway,
        only=request.goal,
        n_paths=LOOK_PATHS if len(order) <= MANY_LOOKS else LOOK_PATHS // 4,
    )
    true_K, sd_K = 0.0 if equivalence else request.margin_K, one_mount_sd_K(problem)
    chance, mean_mounts = chance_over_looks(rule, true_K, sd_K, equivalence=equivalence, n_paths=LOOK_PATHS)
    return Looking(n_mounts=n_mounts, chance=chance, mean_mounts=mean_mounts)


def mounts_for_looking(problem: SplitProblem, fewest: int, *, halfway: bool = False) -> Looking | None:
    """Return how many mounts keep the chance asked for where one looks before the end; None beyond 200.

    Parameters
    ----------
    problem, halfway
        As for :func:`look_on_the_way`.
    fewest : int
        Mounts of each treatment that one look needs.
    """
    look = partial(look_on_the_way, problem, halfway=halfway)
    number = smallest(lambda n_mounts: look(n_mounts).chance >= problem.request.power, fewest, MOST_MOUNTS)
    return None if number is None else look(number)


def _caution_size(
    problem: SplitProblem,
    numbers: tuple[MountNumber, ...],
    split: Split,
    looks: Looks,
    looking: dict[str, Looking | None],
) -> tuple[str, ...]:
    """Say when the mounts that the hours buy, or that were asked for, are fewer than the question needs."""
    if split.n_mounts == 1:
        return ("One mount of each treatment cannot tell material from mounting: there will be no interval.",)
    request, row = problem.request, _asked(problem.request, numbers)
    needed, most, how = row.n_mounts, "10000", ""
    chance = split.power_at_margin if request.goal == "difference" else split.equivalence_power
    if looks != "end":
        taken, most = looking[looks], str(MOST_MOUNTS)
        needed = taken.n_mounts if taken else None
        how = " and a look halfway" if looks == "halfway" else " and looks after every mount"
    if needed is not None and split.n_mounts >= needed:
        return ()
    if looks != "end":
        chance = look_on_the_way(problem, split.n_mounts, halfway=looks == "halfway").chance
    reached = f": it is {chance:.2f}" if chance is not None and request.estimand == "reference" else ""
    short = f"{split.n_mounts} mounts of each treatment are fewer than the {needed or f'more than {most}'} it takes"
    return (f"{short} to {row.question} with a chance of {request.power:.2f}{how}{reached}.",)


def _cautions(problem: SplitProblem) -> list[str]:
    request, scatter, tau = problem.request, problem.scatter, problem.time_constant_min
    cautions, said = list(scatter.cautions), request.model_fields_set
    if scatter.dof is not None:
        cautions.insert(
            0,
            f"Planned at the upper 80 % limit of the mount SD, {scatter.planned_sd_K:.2g} K, "
            f"not at its estimate {scatter.sd_K:.2g} K with {scatter.dof:g} degrees of freedom.",
        )
    assumed = {
        "the power steps": "steps_W" not in said,
        "the curve of rise against power": scatter.curve is None and request.throttle,
        "the temperature limit of 95 degC": "temperature_C" not in said and request.throttle,
        "the customer's room of 35 degC": "room_C" not in said and request.throttle,
        f"the soak of {DEFAULT_SOAK_MIN:g} min": tau is None and request.soak_min is None,
    }
    if any(assumed.values()):
        names = ", ".join(name for name, holds in assumed.items() if holds)
        cautions.append(f"Assumed, not known from your bench: {names}.")
    if tau is None:
        cautions.append(
            "The time constant of the bench is not known: it can be read off the first report, "
            "and the soak may then be cut to two of them, or a little more after large steps."
        )
    return cautions
