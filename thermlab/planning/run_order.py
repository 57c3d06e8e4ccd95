"""In which order to mount and run, what the bench does at which hour, and the two papers that say so.

Mounts are made in blocks, one of each treatment, in random order within the block, so that a drifting probe or room
does not favour one treatment. The order comes from a seed and can be made again. Before the first power step of every
mount the bench is soaked once more (the pre-soak): a step that starts from the cold sink is still several kelvin short
after a soak that is ample for the others.

The papers are ``runs.csv`` to fill in, and a sheet to print and tick off: one HTML file without script and without
network, in which every text that a user chose is escaped.
"""

from __future__ import annotations

import csv
import io
import math
from dataclasses import dataclass
from typing import TYPE_CHECKING, Literal

import numpy as np

from thermlab.base.errors import InputError, Problem
from thermlab.base.marks import PAGE
from thermlab.campaign.runsheet import NOT_MADE, OPTIONAL, REQUIRED
from thermlab.reports.pages import SAFETY, Block, escape, join, tag

if TYPE_CHECKING:
    from collections.abc import Iterable, Sequence

    from thermlab.planning.splits import BenchHours

StepOrder = Literal["ascending", "random"]
Activity = Literal["mount", "pre-soak", "run", "change-over"]
MOST_MOUNTS = 200


@dataclass(frozen=True, slots=True, kw_only=True)
class PlannedRun:
    """One run of the plan, a line of ``runs.csv``.

    Attributes
    ----------
    run : str
        Its name, unique in the campaign.
    treatment, mount : str
        The mount it belongs to.
    set_power_W : float
        Power step, W.
    block : int
        Block, from 1.
    pre_soak : bool
        Whether the bench is soaked once more before it.
    """

    run: str
    treatment: str
    mount: str
    set_power_W: float
    block: int
    pre_soak: bool


@dataclass(frozen=True, slots=True, kw_only=True)
class CalendarEntry:
    """What the bench does from one time to another.

    Attributes
    ----------
    day : int
        Bench day, from 1.
    start_h, end_h : float
        Hours since the day began, h.
    activity : {"mount", "pre-soak", "run", "change-over"}
        What is done.
    treatment, mount : str
        The mount.
    run : str
        The run; empty while mounting.
    set_power_W : float or None
        Power set, W; None while mounting.
    """

    day: int
    start_h: float
    end_h: float
    activity: Activity
    treatment: str
    mount: str
    run: str
    set_power_W: float | None


Piece = tuple[Activity, float, PlannedRun]


def plan_order(
    treatments: Sequence[str],
    *,
    n_mounts: int,
    steps_W: Sequence[float],
    n_ladder: int | None = None,
    reference_W: float | None = None,
    step_order: StepOrder = "ascending",
    seed: int = 1,
) -> tuple[PlannedRun, ...]:
    """Order mounts in randomised blocks, one mount of each treatment a block.

    Parameters
    ----------
    treatments : sequence of str
        Treatments; their order here plays no part.
    n_mounts : int
        Mounts of each treatment, which is also the number of blocks.
    steps_W : sequence of float
        Power steps of a ladder mount, W.
    n_ladder : int or None
        Ladder mounts of each treatment, in the first blocks, so that the curve is known early; None: all.
    reference_W : float or None
        The one step of the other mounts, W; None: the highest.
    step_order : {"ascending", "random"}
        Ascending needs the shortest soak; random spreads a drift over the steps.
    seed : int
        The same seed gives the same order.

    Returns
    -------
    tuple of PlannedRun
        In the order to be made.

    Raises
    ------
    InputError
        No treatment, a treatment twice, no step, a step that is not a positive number or stands twice, or a number of
        mounts outside 1 to 200.
    """
    _check(treatments, n_mounts, steps_W, step_order)
    rng = np.random.default_rng(seed)
    names = sorted(treatments)
    width = len(str(n_mounts))
    runs: list[PlannedRun] = []
    for block in range(1, n_mounts + 1):
        for index in rng.permutation(len(names)):
            treatment, mount = names[int(index)], f"{block:0{width}d}"
            steps = sorted(float(step) for step in steps_W)
            if n_ladder is not None and block > n_ladder:
                steps = [max(steps) if reference_W is None else float(reference_W)]
            if step_order == "random":
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


def _check(treatments: Sequence[str], n_mounts: int, steps_W: Sequence[float], step_order: str) -> None:
    problems = []
    if not treatments or len(set(treatments)) != len(treatments):
        problems.append(Problem("plan: treatments", f"{list(treatments)}", "one or more names, each once"))
    if not 1 <= n_mounts <= MOST_MOUNTS:
        problems.append(Problem("plan: mounts", f"{n_mounts}", f"1 to {MOST_MOUNTS} mounts of each treatment"))
    usable = bool(steps_W) and all(math.isfinite(step) and step > 0 for step in steps_W)
    if not usable or len(set(steps_W)) != len(steps_W):
        problems.append(Problem("plan: power steps", f"{list(steps_W)}", "one or more powers above 0 W, each once"))
    if step_order not in ("ascending", "random"):
        problems.append(Problem("plan: order of the steps", f"{step_order!r}", "ascending or random"))
    if problems:
        raise InputError(problems)


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
        raise InputError([Problem("plan: bench hours in a day", found, allowed)])
    entries: list[CalendarEntry] = []
    day, now = 1, 0.0
    for mount_runs in _by_mount(runs):
        if now > 0 and now + times.mount_h(len(mount_runs)) > day_h + 1e-9:
            day, now = day + 1, 0.0
        pieces: list[Piece] = [("mount", times.remount_min, mount_runs[0])]
        for run in mount_runs:
            soaked_before = run.pre_soak and times.pre_soak_min > 0
            pre: list[Piece] = [("pre-soak", times.pre_soak_min, run)] if soaked_before else []
            step: list[Piece] = [("run", times.soak_min, run), ("change-over", times.change_over_min, run)]
            need = (sum(minutes for _, minutes, _ in [*pieces, *pre, *step])) / 60.0
            if now + need > day_h + 1e-9 and not pieces:
                day, now = day + 1, 0.0
                pre = [("pre-soak", times.pre_soak_min, run)]
            for activity, minutes, of in [*pieces, *pre, *step]:
                entries.append(_entry(day, now, minutes, activity, of))
                now = entries[-1].end_h
            pieces = []
    return tuple(entries)


def _by_mount(runs: Iterable[PlannedRun]) -> list[list[PlannedRun]]:
    mounts: dict[tuple[str, str], list[PlannedRun]] = {}
    for run in runs:
        mounts.setdefault((run.treatment, run.mount), []).append(run)
    return list(mounts.values())


def _entry(day: int, now: float, minutes: float, activity: Activity, run: PlannedRun) -> CalendarEntry:
    mounting = activity == "mount"
    return CalendarEntry(
        day=day,
        start_h=now,
        end_h=now + minutes / 60.0,
        activity=activity,
        treatment=run.treatment,
        mount=run.mount,
        run="" if mounting else run.run,
        set_power_W=None if mounting else run.set_power_W,
    )


LOG_FOLDER = "logs"
POLICY = "default-src 'none'; style-src 'unsafe-inline'; base-uri 'none'; form-action 'none'"
STYLE = """
@page { size: A4 portrait; margin: 9mm; }
body { font: 8.5pt/1.2 sans-serif; color: INK; background: SHEET; margin: 0 2mm; }
h1 { font-size: 13pt; margin: 0 0 1mm; }
h2 { font-size: 10pt; margin: 2.5mm 0 1mm; }
p { margin: 0 0 1mm; }
ul { margin: 0; padding-left: 4mm; columns: 2; column-gap: 8mm; }
ul.tick { list-style: none; padding-left: 4mm; text-indent: -4mm; }
table { border-collapse: collapse; width: 100%; }
th, td { border: 0.3pt solid MUTED; padding: 0.6mm 1.2mm; text-align: left; vertical-align: top; }
thead { display: table-header-group; }
tr { break-inside: avoid; }
.scroll { overflow-x: auto; }
@media print { .scroll { overflow: visible; } }
.write { min-width: 14mm; }
.wide { min-width: 32mm; }
.whole { white-space: nowrap; }
"""
for _name in ("ink", "sheet", "muted"):
    STYLE = STYLE.replace(_name.upper(), PAGE[_name])

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
    writer = csv.DictWriter(out, [*REQUIRED, *OPTIONAL], restval="", lineterminator="\n")
    writer.writeheader()
    soaked = f"pre-soak {times.pre_soak_min:g} min at this power, " if times.pre_soak_min else ""
    soak = f"{times.soak_min:g} min from start to end"
    note = f"first step of the mount: start the log before switching on, {soaked}then {soak}"
    for run in runs:
        writer.writerow(
            {
                "run": run.run,
                "treatment": run.treatment,
                "mount": run.mount,
                "set_power_W": f"{run.set_power_W:g}",
                "log": f"{LOG_FOLDER}/{run.run}.csv",
                "exclude": NOT_MADE,
                "note": note if run.pre_soak else "",
            }
        )
    return out.getvalue()


def bench_sheet_html(
    runs: Sequence[PlannedRun],
    entries: Sequence[CalendarEntry],
    times: BenchHours,
    *,
    title: str,
    seed: int,
) -> str:
    """Return the bench sheet: cautions, check lists and one line per run, with room for its start and end.

    Parameters
    ----------
    runs : sequence of PlannedRun
        In the order to be made.
    entries : sequence of CalendarEntry
        The same laid out over bench days.
    times : BenchHours
        Soak and pre-soak.
    title : str
        Title of the campaign.
    seed : int
        Seed of the order.

    Returns
    -------
    str
        A whole HTML page.
    """
    body = join(
        [
            tag("h1", f"Bench sheet: {title}"),
            tag("p", _overview(runs, entries, times, seed=seed)),
            tag("h2", "Cautions"),
            tag("ul", *(tag("li", text) for text in (*SAFETY[:-1], "This sheet gives no safety clearance."))),
            _ticks("Before the first mount", BEFORE),
            _ticks("At every mount", EACH_MOUNT),
            _ticks("At every run", EACH_RUN),
            tag("h2", "Mounts in this order"),
            _mounts(runs, entries),
        ]
    )
    head = (
        '<!doctype html>\n<html lang="en">\n<head>\n<meta charset="utf-8">\n'
        f'<meta http-equiv="Content-Security-Policy" content="{POLICY}">\n'
        '<meta name="viewport" content="width=device-width">\n'
        f"<title>{escape(f'Bench sheet: {title}')}</title>\n<style>{STYLE}</style>\n</head>\n"
    )
    return f"{head}<body>\n<main>\n{body.html}\n</main>\n</body>\n</html>\n"


def _overview(runs: Sequence[PlannedRun], entries: Sequence[CalendarEntry], times: BenchHours, *, seed: int) -> str:
    n_mounts = len({(run.treatment, run.mount) for run in runs})
    hours = sum(entry.end_h - entry.start_h for entry in entries)
    days = max(entry.day for entry in entries)
    return (
        f"{n_mounts} mounts, {len(runs)} runs of {times.soak_min:g} min, pre-soak {times.pre_soak_min:g} min, "
        f"{hours:.1f} bench hours on {days} days. "
        f"Order drawn with seed {seed}; keep to it, also where another would be handier."
    )


def _ticks(heading: str, texts: Sequence[str]) -> Block:
    return join([tag("h2", heading), tag("ul", *(tag("li", f"☐ {text}") for text in texts), class_="tick")])


def _mounts(runs: Sequence[PlannedRun], entries: Sequence[CalendarEntry]) -> Block:
    begins: dict[tuple[str, str], str] = {}
    for entry in entries:
        begins.setdefault((entry.treatment, entry.mount), f"day {entry.day}, {clock(entry.start_h)}")
    steps: dict[tuple[str, str], list[str]] = {}
    for run in runs:
        before = "☐ pre-soak " if run.pre_soak else ""
        steps.setdefault((run.treatment, run.mount), []).append(f"{before}☐\N{NO-BREAK SPACE}{run.set_power_W:g}")
    heads = ("Begins", "Treatment", "Mount", "Step, W", "Start", "End", "Lot, age; amount, torque", "Photo", "Notes")
    rows = [
        tag(
            "tr",
            tag("td", begins.get(mount, "") if place == 0 else "", class_="whole"),
            tag("th", mount[0], scope="row") if place == 0 else tag("td", ""),
            tag("td", mount[1] if place == 0 else ""),
            tag("td", step, class_="whole"),
            *(tag("td", "", class_="write") for _ in range(3)),
            tag("td", "☐" if place == 0 else ""),
            tag("td", "", class_="wide"),
        )
        for mount, listed in steps.items()
        for place, step in enumerate(listed)
    ]
    head = tag("thead", tag("tr", *(tag("th", text, scope="col") for text in heads)))
    whole = tag("table", head, tag("tbody", *rows))
    return tag("div", whole, class_="scroll", role="region", tabindex="0", aria_label="Mounts in this order")


def clock(hours: float) -> str:
    """Return hours since the day began as hours and minutes, for example ``2 h 05``."""
    minutes = round(60 * hours)
    return f"{minutes // 60} h {minutes % 60:02d}"
