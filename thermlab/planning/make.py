"""Plan the bench time: the fewest hours that settle the question.

:func:`make_plan` puts together how many mounts the question needs, which power steps and which soak serve it best, the
order of the mounts and a calendar of bench hours. :func:`plan` writes that as a campaign folder that only waits for its
logs, all of it or nothing, or looks at a campaign that is under way and says what the next mount can still change.
"""

from __future__ import annotations

import json
import shutil
import tempfile
from pathlib import Path
from typing import TYPE_CHECKING, Any

from thermlab import __version__
from thermlab.base.errors import InputError, Problem
from thermlab.base.files import sync_folder, write_file
from thermlab.campaign.folder import load_campaign
from thermlab.planning.mount_sd import MountScatter, archive_scatter, given_scatter, pilot_scatter
from thermlab.planning.records import Plan, PlanRequest
from thermlab.planning.run_order import LOG_FOLDER, MOST_MOUNTS, bench_sheet_html, calendar, plan_order, run_sheet_csv
from thermlab.planning.splits import (
    DEFAULT_SOAK_MIN,
    SplitProblem,
    compare_soaks,
    compare_splits,
    fewest_steps,
    look_after_every_mount,
    mount_numbers,
    mounts_for_looking,
    one_mount_sd_K,
    recommend_split,
)
from thermlab.reports.results import plain
from thermlab.stats.curves import RiseCurve

if TYPE_CHECKING:
    from thermlab.planning.splits import Looking, Looks, MountNumber, Split
    from thermlab.planning.underway import NextMounts

LONG_CAMPAIGN_H = 100.0


def plan(
    folder: str | Path | None = None, *, from_campaign: str | Path | None = None, **request: Any
) -> Plan | NextMounts:
    """Plan a campaign and write its folder, or look at one that is under way.

    Parameters
    ----------
    folder : str, Path or None
        New folder for the campaign; None works the plan out and writes nothing.
    from_campaign : str, Path or None
        A campaign with runs so far: what can the next mount still change?
    **request
        Fields of :class:`PlanRequest`; with ``from_campaign`` only ``mounts``.

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
        from thermlab.planning.underway import advise  # noqa: PLC0415

        others = sorted(set(request) - {"mounts"}) + (["a folder"] if folder is not None else [])
        if others:
            found = f"{', '.join(others)} together with a campaign under way"
            raise InputError([Problem("plan", found, "only mounts: all else stands in the campaign")])
        return advise(from_campaign, **request)
    made = make_plan(request_of(**request))
    if folder is not None:
        write_plan(made, folder)
    return made


def request_of(**fields: Any) -> PlanRequest:
    """Return a request; lists become tuples, unknown or missing fields are named.

    Raises
    ------
    InputError
        An unknown field, or one of margin, treatments and baseline is missing.
    """
    known = PlanRequest.__dataclass_fields__
    missing = [name for name in ("treatments", "baseline", "margin_K") if fields.get(name) is None]
    problems = [Problem("plan", f"no {name}", "treatments, baseline and margin_K") for name in missing]
    problems += [Problem("plan", repr(name), ", ".join(known)) for name in fields if name not in known]
    if problems:
        raise InputError(problems)
    for name in ("treatments", "steps_W"):
        if isinstance(fields.get(name), list):
            fields[name] = tuple(fields[name])
    return PlanRequest(**fields)


def listed(text: str, *, numbers: bool) -> tuple[Any, ...]:
    """Return what a comma-separated text lists.

    Parameters
    ----------
    text : str
        Names, or powers in W.
    numbers : bool
        Whether they are numbers.

    Raises
    ------
    InputError
        Something in it is no number.
    """
    parts = [part.strip() for part in text.split(",") if part.strip()]
    if not numbers:
        return tuple(parts)
    try:
        return tuple(float(part) for part in parts)
    except ValueError:
        raise InputError([Problem("plan: power steps", repr(text), "powers in W, separated by commas")]) from None


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
    request.check()
    scatter = _scatter(request)
    tau = scatter.time_constant_min if request.time_constant_min is None else request.time_constant_min
    problem = _problem(request, scatter, tau)
    steps_W = problem.choose_steps(fewest_steps(problem), problem.soaks_min()[0])
    numbers = mount_numbers(
        problem, steps_W=steps_W, estimand=request.estimand, powers=sorted({0.80, 0.90, request.power})
    )
    sd_K = one_mount_sd_K(problem.mount_sd_K, problem.run_noise_K, steps_W=steps_W, estimand=request.estimand)
    split, reason, looks, looking = _size(request, problem, numbers, sd_K)
    runs = plan_order(
        request.treatments,
        n_mounts=split.n_mounts,
        n_ladder=split.n_ladder,
        steps_W=split.steps_W,
        reference_W=request.reference_W,
        step_order=request.step_order,
        seed=request.seed,
    )
    entries = calendar(runs, split.times, day_h=request.day_h)
    hours = sum(entry.end_h - entry.start_h for entry in entries)
    budget = split.hours if request.hours is None else request.hours
    splits = (other if other.n_steps != split.n_steps else split for other in compare_splits(problem, hours=budget))
    return Plan(
        request=request,
        title=request.title or " or ".join(request.treatments),
        n_mounts=split.n_mounts,
        n_ladder=split.n_ladder,
        steps_W=split.steps_W,
        hours=hours,
        times=split.times,
        scatter=scatter,
        numbers=numbers,
        looks=looks,
        looking=looking,
        splits=tuple(splits),
        split=split,
        reason=reason,
        soaks=compare_soaks(problem, budget, n_steps=split.n_steps),
        runs=runs,
        entries=entries,
        settings=_settings(request, problem, scatter, tau),
        cautions=(
            *_caution_size(request, problem, numbers, split, looks, looking, sd_K),
            *_cautions(request, scatter, tau),
        ),
    )


def assumed_curve() -> RiseCurve:
    """Return the curve assumed while the bench is unknown: 18 K interface and 45 K sink at 120 W."""
    return RiseCurve(b_K_per_W=0.15, a=45.0 / 120.0**0.8, lowest_W=40.0, highest_W=120.0)


def _scatter(request: PlanRequest) -> MountScatter:
    if request.pilot is not None:
        return pilot_scatter(request.pilot, reference_power_W=request.reference_W)
    if request.archive is not None:
        return archive_scatter(request.archive, reference_power_W=request.reference_W, bench=request.bench)
    return given_scatter(request.mount_sd_K, request.mount_sd_dof, run_noise_K=request.run_noise_K)


def _problem(request: PlanRequest, scatter: MountScatter, time_constant_min: float | None) -> SplitProblem:
    return SplitProblem(
        ladder_W=request.ladder_W,
        reference_power_W=request.reference_W,
        mount_sd_K=scatter.planned_sd_K,
        run_noise_K=scatter.run_noise_K,
        margin_K=request.margin_K,
        n_treatments=len(request.treatments),
        confidence_level=request.confidence_level,
        curve=scatter.curve or assumed_curve(),
        curve_known=scatter.curve is not None,
        limit_rise_K=request.limit_C - request.customers_room_C if request.throttle else None,
        time_constant_min=time_constant_min,
        soak_min=request.soak_min,
        change_over_min=request.change_over_min,
        remount_min=request.remount_min,
        whole_ladders=request.estimand == "through origin",
    )


def _size(
    request: PlanRequest, problem: SplitProblem, numbers: tuple[MountNumber, ...], sd_K: float
) -> tuple[Split, str, Looks, Looking | None]:
    """Return the recommended split, why, the way of looking, and what looking after every mount takes."""
    needed = _asked(request, numbers).n_mounts
    looking = None
    if needed is not None and needed <= MOST_MOUNTS:
        looking = mounts_for_looking(problem, needed, MOST_MOUNTS, power=request.power, sd_K=sd_K, goal=request.goal)
    n_mounts = needed if request.mounts is None else request.mounts
    if request.hours is not None:
        split, reason = recommend_split(problem, compare_splits(problem, hours=request.hours))
        return split, reason, request.looks or "end", looking
    if n_mounts is None or n_mounts > MOST_MOUNTS:
        found = f"{request.margin_K:g} K, which needs {n_mounts or 'more than 10000'} mounts of each treatment"
        allowed = f"a margin that at most {MOST_MOUNTS} mounts settle at a mount SD of {problem.mount_sd_K:.2g} K"
        raise InputError([Problem("plan: margin", found, allowed)])
    split, reason = recommend_split(problem, compare_splits(problem, n_mounts=n_mounts), n_mounts=n_mounts)
    looks: Looks = request.looks or ("every mount" if split.hours > LONG_CAMPAIGN_H and looking else "end")
    if looks == "every mount" and request.mounts is None:
        if looking is None:
            allowed = f"a margin that at most {MOST_MOUNTS} mounts settle, or one look at the end"
            raise InputError([Problem("plan: looks", f"{looks}, for a margin of {request.margin_K:g} K", allowed)])
        n_mounts = looking.n_mounts
        split, reason = recommend_split(problem, compare_splits(problem, n_mounts=n_mounts), n_mounts=n_mounts)
    return split, reason, looks, looking


def _asked(request: PlanRequest, numbers: tuple[MountNumber, ...]) -> MountNumber:
    return next(row for row in numbers if row.goal == request.goal and row.power == request.power)


def _settings(request: PlanRequest, problem: SplitProblem, scatter: MountScatter, tau: float | None) -> dict[str, Any]:
    return {
        "ladder_W": request.ladder_W,
        "reference_power_W": request.reference_W,
        "temperature_C": request.limit_C if request.throttle else None,
        "room_C": request.customers_room_C if request.throttle else None,
        "throttle_power_W": problem.throttle_power_W(),
        "curve": problem.curve,
        "time_constant_min": tau,
        "mount_sd_K": scatter.sd_K,
        "mount_sd_dof": scatter.dof,
        "planned_mount_sd_K": scatter.planned_sd_K,
        "run_noise_K": scatter.run_noise_K,
    }


def _caution_size(
    request: PlanRequest,
    problem: SplitProblem,
    numbers: tuple[MountNumber, ...],
    split: Split,
    looks: Looks,
    looking: Looking | None,
    sd_K: float,
) -> tuple[str, ...]:
    """Say when the mounts that the hours buy, or that were asked for, are fewer than the question needs."""
    if split.n_mounts == 1:
        return ("One mount of each treatment cannot tell material from mounting: there will be no interval.",)
    row = _asked(request, numbers)
    needed, each = row.n_mounts, looks == "every mount"
    if each:
        needed = None if looking is None else looking.n_mounts
    if needed is not None and split.n_mounts >= needed:
        return ()
    chance = split.power_at_margin if request.goal == "difference" else split.equivalence_power
    if each:
        chance = look_after_every_mount(problem, split.n_mounts, sd_K=sd_K, goal=request.goal).chance
    reached = f": it is {chance:.2f}" if chance is not None and request.estimand == "reference" else ""
    many = MOST_MOUNTS if each else "10000"
    short = f"{split.n_mounts} mounts of each treatment are fewer than the {needed or f'more than {many}'} it takes"
    how = " and looks after every mount" if each else ""
    return (f"{short} to {row.question} with a chance of {request.power:.2f}{how}{reached}.",)


def _cautions(request: PlanRequest, scatter: MountScatter, tau: float | None) -> list[str]:
    cautions = list(scatter.cautions)
    if scatter.dof is not None:
        cautions.insert(
            0,
            f"Planned at the upper 80 % limit of the mount SD, {scatter.planned_sd_K:.2g} K, "
            f"not at its estimate {scatter.sd_K:.2g} K with {scatter.dof:g} degrees of freedom.",
        )
    assumed = [
        ("the power steps", not request.steps_W),
        ("the curve of rise against power", scatter.curve is None and request.throttle),
        ("the temperature limit of 95 degC", request.temperature_C is None and request.throttle),
        ("the customer's room of 35 degC", request.room_C is None and request.throttle),
        (f"the soak of {DEFAULT_SOAK_MIN:g} min", tau is None and request.soak_min is None),
    ]
    names = [name for name, holds in assumed if holds]
    if names:
        cautions.append(f"Assumed, not known from your bench: {', '.join(names)}.")
    if tau is None:
        cautions.append(
            "The time constant of the bench is not known: it can be read off the first report, "
            "and the soak may then be cut to two of them, or a little more after large steps."
        )
    return cautions


SCHEMA = 1


def write_plan(plan: Plan, folder: str | Path) -> Path:
    """Write ``campaign.yaml``, ``runs.csv``, ``bench_sheet.html`` and ``plan.json`` into a new folder.

    Parameters
    ----------
    plan : Plan
        What is to be made.
    folder : str or Path
        A folder that does not exist, or is empty. Nothing is ever overwritten.

    Returns
    -------
    Path
        The folder.

    Raises
    ------
    InputError
        The folder holds something, or cannot be made.
    """
    target = Path(folder)
    _check_target(target)
    files = {
        "campaign.yaml": campaign_yaml(plan),
        "runs.csv": run_sheet_csv(plan.runs, plan.times),
        "bench_sheet.html": bench_sheet_html(
            plan.runs,
            plan.entries,
            plan.times,
            title=plan.title,
            seed=plan.request.seed,
        ),
        "plan.json": json.dumps(plan_results(plan), ensure_ascii=False, indent=1, allow_nan=False) + "\n",
    }
    target.parent.mkdir(parents=True, exist_ok=True)
    staged = Path(tempfile.mkdtemp(prefix=f".{target.name}.", dir=target.parent))
    try:
        staged.chmod(0o755)
        (staged / LOG_FOLDER).mkdir()
        for name, text in files.items():
            write_file(staged / name, text.encode())
        load_campaign(staged)  # what the kit writes, the kit can read
        sync_folder(staged)
        if target.exists():
            target.rmdir()  # empty, as checked; anything put there since makes this fail and stays
        staged.rename(target)
    except OSError as error:
        raise InputError([Problem(str(target), f"a folder that cannot be made ({error})", "a new folder")]) from error
    finally:
        shutil.rmtree(staged, ignore_errors=True)
    return target


def _check_target(target: Path) -> None:
    if target.is_symlink() or (target.exists() and not target.is_dir()):
        raise InputError([Problem(str(target), "a file or a link", "a new or an empty folder")])
    if target.is_dir() and any(target.iterdir()):
        raise InputError([Problem(str(target), "a folder that is not empty", "a new or an empty folder")])


def plan_results(plan: Plan) -> dict[str, Any]:
    """Return the plan as JSON-native data, with the request it was made from.

    Parameters
    ----------
    plan : Plan
        What is to be made.
    """
    data: dict[str, Any] = plain(plan)
    request = data["request"]
    for name in ("pilot", "archive"):
        request[name] = None if request[name] is None else Path(request[name]).name
    return {"schema": SCHEMA, "thermlab_version": __version__, **data}


def campaign_yaml(plan: Plan) -> str:
    """Return ``campaign.yaml`` with the decision, limits and soak of the plan; the log columns are a start to edit.

    Parameters
    ----------
    plan : Plan
        What is to be made.
    """
    request = plan.request
    lines = [
        "# Written by thermlab plan. Lines marked EDIT are guesses: set them to what your logger writes.",
        f"title: {_quoted(plan.title)}",
        f"bench: {_quoted(request.bench or 'bench-1')}               # EDIT: name of the bench; one name, one bench",
        "cooling: passive               # EDIT: passive | forced (fixed fans)",
        f"baseline: {_quoted(request.baseline)}",
        "currency: EUR                  # EDIT",
        "treatments:",
    ]
    for name in request.treatments:
        lines += [
            f"  {_quoted(name)}:",
            '    description: ""            # EDIT: material, amount, spreading, torque, frame',
            '    handling: ""               # EDIT; price as pack_price with uses_per_pack, or with pack_g and use_g',
        ]
    lines += [
        "decision:                      # set before the data are seen; a report shows every later change",
        f"  margin_K: {_number(request.margin_K)}",
        f"  reference_power_W: {_number(request.reference_W)}",
        f"  confidence_level: {_number(request.confidence_level)}",
        f"  mounts_planned: {plan.n_mounts}",
    ]
    if request.throttle:
        lines += [
            "limits:",
            f"  temperature_C: {_number(request.limit_C)}        # where the device throttles",
            f"  room_C: {_number(request.customers_room_C)}               # the customer's room",
        ]
    lines += [
        "soak:",
        f"  minutes: {_number(plan.times.soak_min)}",
        "log:                           # EDIT: how the sensor logs are written; nothing is guessed",
        '  delimiter: ","',
        '  decimal: "."',
        "  encoding: utf-8",
        '  time: {columns: [time], format: "%Y-%m-%d %H:%M:%S"}',
        '  temperature: {columns: ["die * [degC]"], unit: degC}',
        '  power: {columns: ["heater power [W]"], unit: W}',
        '  ambient: {columns: ["room [degC]"], unit: degC}',
    ]
    return "\n".join(lines) + "\n"


def _quoted(text: str) -> str:
    # A JSON string is a YAML string.
    return json.dumps(text, ensure_ascii=False)


def _number(value: float) -> str:
    # YAML 1.1 takes 1e-05 for text.
    text = f"{value:.12g}"
    return f"{value:.15f}".rstrip("0") if "e" in text else text
