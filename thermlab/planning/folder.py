"""The campaign folder that a plan becomes: in which order to mount and run, at which hour, and the papers that say so.

Mounts are made in blocks, one of each treatment, in random order within the block, so that a drifting probe or room
does not favour one treatment. The order comes from a seed and can be made again. Before the first power step of every
mount the bench is soaked once more (the pre-soak): a step that starts from the cold sink is still several kelvin short
after a soak that is ample for the others.

The papers are ``campaign.yaml`` and ``runs.csv`` to fill in, and a sheet to print and tick off: one HTML file without
script and without network, in which every text that a user chose is escaped.
"""

import csv
import io
import json
import shutil
import tempfile
from collections.abc import Iterable, Sequence
from dataclasses import asdict, replace
from importlib.resources import files
from pathlib import Path
from string import Template
from typing import Any

import numpy as np

from thermlab import __version__
from thermlab.base.errors import InputError, Problem
from thermlab.base.files import sync_folder
from thermlab.campaign.folder import load_campaign, write_new
from thermlab.campaign.runsheet import NOT_MADE, OPTIONAL, REQUIRED
from thermlab.planning.records import Activity, BenchHours, CalendarEntry, Plan, PlannedRun, PlanRequest, Split
from thermlab.reports.pages import SAFETY, Block, join, tag
from thermlab.reports.render import plain_page
from thermlab.reports.results import plain

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
    rng = np.random.default_rng(request.seed)
    names = sorted(request.treatments)
    width = len(str(split.n_mounts))
    runs: list[PlannedRun] = []
    for block in range(1, split.n_mounts + 1):
        for index in rng.permutation(len(names)):
            treatment, mount = names[int(index)], f"{block:0{width}d}"
            steps = sorted(split.steps_W) if block <= split.n_ladder else [request.reference_W]
            if request.step_order == "random":
                steps = [steps[int(i)] for i in rng.permutation(len(steps))]
            runs.extend(
                PlannedRun(
                    run=f"{treatment}-m{mount}-{step:g}W",
                    treatment=treatment,
                    mount=mount,
                    set_power_W=step,
                    block=block,
                    pre_soak=place == 0,
                )
                for place, step in enumerate(steps)
            )
    return tuple(runs)


def calendar(runs: Iterable[PlannedRun], times: BenchHours, *, day_h: float = 8.0) -> tuple[CalendarEntry, ...]:
    """Lay the runs out over bench days.

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
    mounts: dict[tuple[str, str], list[PlannedRun]] = {}
    for run in runs:
        mounts.setdefault(run.of, []).append(run)
    entries: list[CalendarEntry] = []
    day, now = 1, 0.0
    for mount_runs in mounts.values():
        if now > 0 and now + times.mount_h(len(mount_runs)) > day_h + 1e-9:
            day, now = day + 1, 0.0
        pieces: list[tuple[Activity, float]] = [("mount", times.remount_min)]
        for run in mount_runs:
            step: list[tuple[Activity, float]] = [("run", times.soak_min), ("change-over", times.change_over_min)]
            begins = not pieces and now + sum(minutes for _, minutes in step) / 60.0 > day_h + 1e-9
            if begins:
                day, now = day + 1, 0.0
            if begins or (run.pre_soak and times.pre_soak_min > 0):
                pieces.append(("pre-soak", times.pre_soak_min))
            for activity, minutes in (*pieces, *step):
                end = now + minutes / 60.0
                entries.append(CalendarEntry(day=day, start_h=now, end_h=end, activity=activity, run=run))
                now = end
            pieces = []
    return tuple(entries)


LOG_FOLDER = "logs"
BEFORE = (
    "Both power limits of the device set to the same value; clocks fixed where possible; background work stopped",
    "Power of every step checked on the meter, not only set",
    "Room probe out of the plume of the sink, out of the sun and draughts; its log runs",
    "Cooler, fans and their speed as in every other mount",
    "Clock of the logger right; a test log opened and read",
)
EACH_MOUNT = (
    "Old compound removed, both faces cleaned with the same solvent and dried",
    "Amount weighed or metered; spread as the description of the treatment says",
    "Screws in the same order to the same torque; contact frame or spring as described",
    "Lot and age of the compound written down",
    "Photo of the face before mounting and of the print after taking apart",
    "Heat cycles, where the compound needs them, before the first step",
)
EACH_RUN = (
    "Start the log before switching on: a minute of the cold bench shows where the rise begins",
    "First step of a mount: pre-soak at its power; the soak begins after it. Same soak for every run, to half a minute",
    "Start and end of the soak written below, in the log's own time, and into the run sheet",
    "Log saved under the name in the run sheet, the words 'not made yet' cleared there",
    "Anything odd (door, draught, bumped bench, fan) noted with its time",
)


def run_sheet_csv(runs: Sequence[PlannedRun], times: BenchHours) -> str:
    """Return ``runs.csv`` with every run still to be made.

    Every line is excluded as ``not made yet``, so that the campaign can be checked and reported from the first log on;
    the reason is cleared when the log is there.

    Parameters
    ----------
    runs : sequence of PlannedRun
        In the order to be made.
    times : BenchHours
        Soak and pre-soak, named in the notes.

    Returns
    -------
    str
        Comma-separated, one line per run.
    """
    out = io.StringIO()
    writer = csv.DictWriter(out, [*REQUIRED, *OPTIONAL], restval="", extrasaction="ignore", lineterminator="\n")
    writer.writeheader()
    soaked = f"pre-soak {times.pre_soak_min:g} min at this power, " if times.pre_soak_min else ""
    soak = f"{times.soak_min:g} min from start to end"
    note = f"first step of the mount: start the log before switching on, {soaked}then {soak}"
    for run in runs:
        own = {"set_power_W": f"{run.set_power_W:g}", "log": f"{LOG_FOLDER}/{run.run}.csv", "exclude": NOT_MADE}
        writer.writerow(asdict(run) | own | {"note": note if run.pre_soak else ""})
    return out.getvalue()


def bench_sheet_html(plan: Plan) -> str:
    """Return the bench sheet as a whole HTML page: cautions, check lists, a line a run with room for start and end.

    Parameters
    ----------
    plan : Plan
        What is to be made.
    """
    title = f"Bench sheet: {plan.title}"
    body = join(
        [
            tag("h1", title),
            tag("p", _overview(plan)),
            tag("h2", "Cautions"),
            tag("ul", *(tag("li", text) for text in (*SAFETY[:-1], "This sheet gives no safety clearance."))),
            _ticks("Before the first mount", BEFORE),
            _ticks("At every mount", EACH_MOUNT),
            _ticks("At every run", EACH_RUN),
            tag("h2", "Mounts in this order"),
            _mounts(plan.runs, plan.entries),
        ]
    )
    return plain_page(body.html, title=title, kind="bench-sheet", style=_packaged("bench_sheet.css"))


def _packaged(name: str) -> str:
    return (files("thermlab.planning") / name).read_text(encoding="utf-8")


def _overview(plan: Plan) -> str:
    times, n_mounts = plan.split.times, len({run.of for run in plan.runs})
    return (
        f"{n_mounts} mounts, {len(plan.runs)} runs of {times.soak_min:g} min, pre-soak {times.pre_soak_min:g} min, "
        f"{plan.hours:.1f} bench hours on {plan.entries[-1].day} days. "
        f"Order drawn with seed {plan.request.seed}; keep to it, also where another would be handier."
    )


def _ticks(heading: str, texts: Sequence[str]) -> Block:
    return join([tag("h2", heading), tag("ul", *(tag("li", f"☐ {text}") for text in texts), class_="tick")])


def _mounts(runs: Sequence[PlannedRun], entries: Sequence[CalendarEntry]) -> Block:
    begins: dict[tuple[str, str], str] = {}
    for entry in entries:
        begins.setdefault(entry.run.of, f"day {entry.day}, {clock(entry.start_h)}")
    steps: dict[tuple[str, str], list[str]] = {}
    for run in runs:
        before = "☐ pre-soak " if run.pre_soak else ""
        steps.setdefault(run.of, []).append(f"{before}☐\N{NO-BREAK SPACE}{run.set_power_W:g}")
    heads = ("Begins", "Treatment", "Mount", "Step, W", "Start", "End", "Lot, age; amount, torque", "Photo", "Notes")
    rows = []
    for mount, listed in steps.items():
        first = (
            tag("td", begins.get(mount, ""), class_="whole"),
            tag("th", mount[0], scope="row"),
            tag("td", mount[1]),
        )
        for place, step in enumerate(listed):
            named = first if place == 0 else [tag("td", "")] * 3
            written = [tag("td", "", class_="write")] * 3
            photo, note = tag("td", "☐" if place == 0 else ""), tag("td", "", class_="note")
            rows.append(tag("tr", *named, tag("td", step, class_="whole"), *written, photo, note))
    head = tag("thead", tag("tr", *(tag("th", text, scope="col") for text in heads)))
    whole = tag("table", head, tag("tbody", *rows))
    return tag("div", whole, class_="scroll", role="region", tabindex="0", aria_label="Mounts in this order")


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
    if target.is_symlink() or (target.exists() and not (target.is_dir() and not any(target.iterdir()))):
        raise InputError(
            [Problem(str(target), "a file, a link, or a folder that is not empty", "a new or an empty folder")]
        )
    papers = {
        "campaign.yaml": campaign_yaml(plan),
        "runs.csv": run_sheet_csv(plan.runs, plan.split.times),
        "bench_sheet.html": bench_sheet_html(plan),
        "plan.json": json.dumps(plan_results(plan), ensure_ascii=False, indent=1, allow_nan=False) + "\n",
    }
    target.parent.mkdir(parents=True, exist_ok=True)
    staged = Path(tempfile.mkdtemp(prefix=f".{target.name}.", dir=target.parent))
    try:
        staged.chmod(0o755)
        write_new(staged, papers, subfolder=LOG_FOLDER)
        load_campaign(staged)  # what the kit writes, the kit can read
        sync_folder(staged)
        if target.exists():
            target.rmdir()  # empty, as checked; anything put there since makes this fail and stays
        staged.rename(target)
    except OSError as error:
        raise InputError([Problem(str(target), f"a folder that cannot be made ({error})", "a new folder")]) from error
    finally:
        shutil.rmtree(staged, ignore_errors=True)


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


def campaign_yaml(plan: Plan) -> str:
    """Return ``campaign.yaml`` with the decision, limits and soak of the plan; the log columns are a start to edit.

    Parameters
    ----------
    plan : Plan
        What is to be made.
    """
    request = plan.request
    treatment = (
        '  {}:\n    description: ""            # EDIT: material, amount, spreading, torque, frame\n'
        '    handling: ""               # EDIT; price as pack_price with uses_per_pack, or with pack_g and use_g'
    )
    limits = (
        f"limits:\n  temperature_C: {_number(request.limit_C)}        # where the device throttles\n"
        f"  room_C: {_number(request.customers_room_C)}               # the customer's room\n"
    )
    return Template(_packaged("campaign.yaml")).substitute(
        title=_quoted(plan.title),
        bench=_quoted(request.bench or "bench-1"),
        baseline=_quoted(request.baseline),
        treatments="\n".join(treatment.format(_quoted(name)) for name in request.treatments),
        margin_K=_number(request.margin_K),
        reference_W=_number(request.reference_W),
        confidence_level=_number(request.confidence_level),
        n_mounts=plan.split.n_mounts,
        limits=limits if request.throttle else "",
        soak_min=_number(plan.split.times.soak_min),
    )


def _quoted(text: str) -> str:
    # A JSON string is a YAML string.
    return json.dumps(text, ensure_ascii=False)


def _number(value: float) -> str:
    # YAML 1.1 takes 1e-05 for text.
    text = f"{value:.12g}"
    return f"{value:.15f}".rstrip("0") if "e" in text else text
