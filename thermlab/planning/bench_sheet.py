"""The two papers of the bench: ``runs.csv`` to fill in, and a sheet to print and tick off.

The sheet is one HTML file without script and without network; every text that a user chose is escaped.
"""

from __future__ import annotations

import csv
import io
from typing import TYPE_CHECKING

from thermlab.base.marks import PAGE
from thermlab.campaign.runsheet import OPTIONAL, REQUIRED
from thermlab.reports.pages import SAFETY, Block, escape, join, tag

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence

    from thermlab.planning.run_order import CalendarEntry, PlannedRun

NOT_MADE = "not made yet"
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
    "First step of a mount: pre-soak one whole soak at its power, then begin the log of the run",
    "Same soak for every run, to half a minute",
    "Log saved under the name in the run sheet, the words 'not made yet' cleared there",
    "Anything odd (door, draught, bumped bench, fan) noted with its time",
)


def run_sheet_csv(runs: Sequence[PlannedRun], *, soak_min: float) -> str:
    """Return ``runs.csv`` with every run still to be made.

    Every line is excluded as ``not made yet``, so that the campaign can be checked and reported from the first log on;
    the reason is cleared when the log is there.

    Parameters
    ----------
    runs : sequence of PlannedRun
        In the order to be made.
    soak_min : float
        Soak of a step, min; named in the note on the pre-soak.

    Returns
    -------
    str
        Comma-separated, one line per run.
    """
    out = io.StringIO()
    writer = csv.DictWriter(out, [*REQUIRED, *OPTIONAL], restval="", lineterminator="\n")
    writer.writeheader()
    for run in runs:
        note = f"first step of the mount: pre-soak {soak_min:g} min at this power, then begin the log"
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
    *,
    title: str,
    soak_min: float,
    seed: int,
    treatments: Mapping[str, str],
) -> str:
    """Return the bench sheet: cautions, check lists and one line per mount.

    Parameters
    ----------
    runs : sequence of PlannedRun
        In the order to be made.
    entries : sequence of CalendarEntry
        The same laid out over bench days.
    title : str
        Title of the campaign.
    soak_min : float
        Soak of a step, min.
    seed : int
        Seed of the order.
    treatments : mapping of str to str
        Treatment and its description.

    Returns
    -------
    str
        A whole HTML page.
    """
    body = join(
        [
            tag("h1", f"Bench sheet: {title}"),
            tag("p", _overview(runs, entries, soak_min=soak_min, seed=seed)),
            *(tag("p", tag("b", name), f": {text}") for name, text in treatments.items() if text),
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


def _overview(runs: Sequence[PlannedRun], entries: Sequence[CalendarEntry], *, soak_min: float, seed: int) -> str:
    n_mounts = len({(run.treatment, run.mount) for run in runs})
    hours = sum(entry.end_h - entry.start_h for entry in entries)
    days = max(entry.day for entry in entries)
    return (
        f"{n_mounts} mounts, {len(runs)} runs of {soak_min:g} min, {hours:.1f} bench hours on {days} days. "
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
    heads = ("Begins", "Treatment", "Mount", "Steps in this order, W", "Lot, age", "Amount, torque", "Photo", "Notes")
    rows = [
        tag(
            "tr",
            tag("td", begins.get(mount, ""), class_="whole"),
            tag("th", mount[0], scope="row"),
            tag("td", mount[1]),
            tag("td", " ".join(listed)),
            *(tag("td", "", class_="write") for _ in range(2)),
            tag("td", "☐"),
            tag("td", "", class_="wide"),
        )
        for mount, listed in steps.items()
    ]
    head = tag("thead", tag("tr", *(tag("th", text, scope="col") for text in heads)))
    whole = tag("table", head, tag("tbody", *rows))
    return tag("div", whole, class_="scroll", role="region", tabindex="0", aria_label="Mounts in this order")


def clock(hours: float) -> str:
    """Return hours since the day began as hours and minutes, for example ``2 h 05``."""
    minutes = round(60 * hours)
    return f"{minutes // 60} h {minutes % 60:02d}"
