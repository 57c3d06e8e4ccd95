"""The campaign folder that a plan becomes: in which order to mount and run, at which hour, and the papers that say so.

Mounts are made in blocks, one of each treatment, in random order within the block, so that a drifting probe or room
does not favour one treatment. The order comes from a seed and can be made again. Before the first power step of every
mount the bench is soaked once more (the pre-soak): a step that starts from the cold sink is still several kelvin short
after a soak that is ample for the others.

The papers are ``campaign.yaml`` and ``runs.csv`` to fill in, and a sheet to print and tick off: one HTML file without
script and without network, in which every text that a user chose is escaped.
"""

import json
from collections.abc import Iterable
from dataclasses import replace
from functools import partial
from itertools import groupby
from operator import attrgetter
from pathlib import Path
from tempfile import TemporaryDirectory
from typing import Any

import numpy as np

from thermlab import __version__
from thermlab.base.errors import InputError, Problem
from thermlab.base.files import sync_folder
from thermlab.campaign.folder import load_campaign, write_new
from thermlab.campaign.runsheet import NOT_MADE
from thermlab.planning.records import BenchHours, CalendarEntry, Plan, PlannedRun, PlanRequest, Split
from thermlab.reports.pages import SAFETY
from thermlab.reports.render import plain_page
from thermlab.reports.results import plain

LOG_FOLDER = "logs"
SCHEMA = 1


def plan_order(request: PlanRequest, split: Split) -> tuple[PlannedRun, ...]:
    """Order mounts in randomised blocks, one mount of each treatment a block.

    Parameters
    ----------
    request : PlanRequest
        Treatments (their order plays no part), the order of steps, and the seed: the same gives the same order.
    split : Split
        Mounts of each treatment, which is also the number of blocks. The ladder mounts are in the first blocks, so
        that the curve is known early; the others run the reference step.

    Returns
    -------
    tuple of PlannedRun
        In the order to be made.
    """
    rng, names, width = np.random.default_rng(request.seed), sorted(request.treatments), len(str(split.n_mounts))
    runs: list[PlannedRun] = []
    for block in range(1, split.n_mounts + 1):
        for treatment in rng.permutation(names).tolist():
            steps = sorted(split.steps_W) if block <= split.n_ladder else [request.reference_W]
            if request.step_order == "random":
                steps = rng.permutation(steps).tolist()
            of = {"treatment": treatment, "mount": f"{block:0{width}d}", "block": block}
            for place, step in enumerate(steps):
                name = f"{treatment}-m{of['mount']}-{step:g}W"
                runs.append(PlannedRun(run=name, set_power_W=step, pre_soak=place == 0, **of))
    return tuple(runs)


def calendar(runs: Iterable[PlannedRun], times: BenchHours, *, day_h: float = 8.0) -> tuple[CalendarEntry, ...]:
    """Lay the runs out over bench days, an entry for each mount and day.

    A mount that does not fit into the rest of a day begins the next one, because a night without load would ask for
    another pre-soak. A mount longer than a whole day is interrupted between two steps and pre-soaked again.

    Parameters
    ----------
    runs : iterable of PlannedRun
        In the order to be made.
    times : BenchHours
        Soak, pre-soak, change from one step to the next (also after the last: save the log, cool down), re-mounting.
    day_h : float
        Bench hours in a day, h.

    Returns
    -------
    tuple of CalendarEntry
        In the order of time.

    Raises
    ------
    InputError
        A day too short for one mounting and one pre-soaked step.
    """
    shortest_h = times.mount_h(1)
    if day_h < shortest_h:
        found, allowed = f"{day_h:g} h", f"at least {shortest_h:.2f} h: one mounting, one pre-soak, one step"
        raise InputError([Problem("plan: day_h", found, allowed)])
    entries: list[CalendarEntry] = []
    day, now, step_h = 1, 0.0, (times.soak_min + times.change_over_min) / 60.0
    for _, of_mount in groupby(runs, attrgetter("of")):
        waiting, done = list(of_mount), list[PlannedRun]()
        if now > 0 and now + times.mount_h(len(waiting)) > day_h + 1e-9:
            day, now = day + 1, 0.0
        start, now = now, now + times.remount_min / 60.0
        for run in waiting:
            interrupted = bool(done) and now + step_h > day_h + 1e-9
            if interrupted:
                entries.append(CalendarEntry(day=day, start_h=start, end_h=now, runs=tuple(done)))
                day, start, now, done = day + 1, 0.0, 0.0, []
            now += step_h + (times.pre_soak_min / 60.0 if interrupted or run.pre_soak else 0.0)
            done.append(run)
        entries.append(CalendarEntry(day=day, start_h=start, end_h=now, runs=tuple(done)))
    return tuple(entries)


def run_sheet_csv(plan: Plan) -> str:
    """Return ``runs.csv`` with every run still to be made.

    Every line is excluded as ``not made yet``, so that the campaign can be checked and reported from the first log on;
    the reason is cleared when the log is there.

    Parameters
    ----------
    plan : Plan
        What is to be made.
    """
    return _paper("runs.csv.j2", plan=plan, times=plan.split.times, not_made=NOT_MADE, folder=LOG_FOLDER)


def bench_sheet_html(plan: Plan) -> str:
    """Return the bench sheet as a whole HTML page: cautions, check lists, a line a run with room for start and end.

    Parameters
    ----------
    plan : Plan
        What is to be made.
    """
    begins = {e.runs[0].of: f"day {e.day}, {clock(e.start_h)}" for e in reversed(plan.entries)}
    mounts = [(begins.get(of, ""), list(runs)) for of, runs in groupby(plan.runs, attrgetter("of"))]
    body, style = _paper("bench_sheet.html", plan=plan, mounts=mounts, safety=SAFETY[:-1]), _paper("bench_sheet.css")
    return plain_page(body, title=f"Bench sheet: {plan.title}", kind="bench-sheet", style=style)


def _paper(name: str, **about: Any) -> str:
    """Fill in a template of the package; in HTML every text is escaped."""
    from jinja2 import Environment, PackageLoader, select_autoescape  # noqa: PLC0415 - a plan that writes nothing

    papers = Environment(
        loader=PackageLoader("thermlab.planning", ""), autoescape=select_autoescape(), keep_trailing_newline=True
    )
    papers.filters["quoted"] = partial(json.dumps, ensure_ascii=False)  # a JSON string is a YAML string
    return papers.get_template(name).render(about)


def clock(hours: float) -> str:
    """Return hours since the day began as hours and minutes, for example ``2 h 05``."""
    minutes = round(60 * hours)
    return f"{minutes // 60} h {minutes % 60:02d}"


def write_plan(plan: Plan, folder: str | Path) -> None:
    """Write ``campaign.yaml``, ``runs.csv``, ``bench_sheet.html`` and ``plan.json`` into a new folder.

    Parameters
    ----------
    plan : Plan
        What is to be made.
    folder : str or Path
        A folder that does not exist, or is empty. Nothing is ever overwritten.

    Raises
    ------
    InputError
        The folder holds something, or cannot be made.
    """
    target = Path(folder)
    if target.is_symlink() or (target.exists() and (not target.is_dir() or any(target.iterdir()))):
        raise InputError(
            [Problem(str(target), "a file, a link, or a folder that is not empty", "a new or an empty folder")]
        )
    papers = {
        "campaign.yaml": _paper("campaign.yaml", plan=plan, request=plan.request),
        "runs.csv": run_sheet_csv(plan),
        "bench_sheet.html": bench_sheet_html(plan),
        "plan.json": json.dumps(plan_results(plan), ensure_ascii=False, indent=1, allow_nan=False) + "\n",
    }
    target.parent.mkdir(parents=True, exist_ok=True)
    try:
        with TemporaryDirectory(prefix=f".{target.name}.", dir=target.parent) as place:
            staged = Path(place, "plan")
            write_new(staged, papers, subfolder=LOG_FOLDER)
            load_campaign(staged)  # what the kit writes, the kit can read
            sync_folder(staged)
            if target.exists():
                target.rmdir()  # empty, as checked; anything put there since makes this fail and stays
            staged.rename(target)
    except OSError as error:
        raise InputError([Problem(str(target), f"a folder that cannot be made ({error})", "a new folder")]) from error


def plan_results(plan: Plan) -> dict[str, Any]:
    """Return the plan as JSON-native data, with the request it was made from.

    Parameters
    ----------
    plan : Plan
        What is to be made.
    """
    sources = {"pilot": plan.request.pilot, "archive": plan.request.archive}
    named = {name: Path(path).name for name, path in sources.items() if path is not None}
    shown = replace(plan, request=plan.request.model_copy(update=named))
    return {"schema": SCHEMA, "thermlab_version": __version__, **plain(shown)}
