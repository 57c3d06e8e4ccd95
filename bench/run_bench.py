"""Measure thermlab beside what it is measured against, in turn in one run, and print ratios.

The measure is a ratio within one run, on one machine, in one environment: no absolute second is promised. Each case is
timed in turn, round by round; the best round of each is compared, since whatever else a machine does only adds time.
`make bench` keeps the table as docs/speed.md.
"""

import argparse
import hashlib
import json
import os
import platform
import resource
import shutil
import subprocess
import sys
import tempfile
import time
from collections.abc import Callable
from dataclasses import dataclass, field, replace
from importlib.metadata import version
from pathlib import Path

import numpy as np
import pandas as pd
from bench_campaigns import write_base

import thermlab
from thermlab.campaign.folder import Campaign, load_campaign
from thermlab.logs.log import read_log
from thermlab.runs.reading import read_campaign_logs
from thermlab.runs.settled_runs import settle_runs
from thermlab.simulate.ladders import SimulatedTreatment, simulate_campaign
from thermlab.simulate.logs import write_campaign
from thermlab.simulate.network import passive_bench
from thermlab.watching.engine import Watch

ROOT = Path(__file__).resolve().parents[1]
BIN = Path(sys.executable).parent
TABLE = ROOT / "docs" / "speed.md"
PACKAGES = ("numpy", "pandas", "scipy", "matplotlib", "papermill", "nbclient", "nbconvert", "ipykernel")
N_REPORTS = 4
EMPTY = {
    "cells": [],
    "metadata": {"kernelspec": {"display_name": "Python 3", "language": "python", "name": "python3"}},
    "nbformat": 4,
    "nbformat_minor": 5,
}


@dataclass(slots=True)
class Case:
    """One thing that is timed: seconds on the clock and of the processor, round by round."""

    do: Callable[[], object]
    clock_s: list[float] = field(default_factory=list)
    processor_s: list[float] = field(default_factory=list)

    def time(self) -> None:
        """Do it once."""
        processor, clock = _processor_s(), time.perf_counter()
        self.do()
        self.clock_s.append(time.perf_counter() - clock)
        self.processor_s.append(_processor_s() - processor)


@dataclass(frozen=True, slots=True)
class Row:
    """One line of the table: a ratio on the clock, by processor time, and what is aimed at."""

    what: str
    against: str
    clock: float
    processor: float
    target: float | None


def _processor_s() -> float:
    used = [resource.getrusage(who) for who in (resource.RUSAGE_SELF, resource.RUSAGE_CHILDREN)]
    return sum(one.ru_utime + one.ru_stime for one in used)


def ratio(case: Case, reference: Case, *, less: Case | None = None, times: int = 1) -> tuple[float, float]:
    """Return best over best, on the clock and by processor; less another case, shared among several."""
    found = []
    for name in ("clock_s", "processor_s"):
        own = min(getattr(case, name)) - (0.0 if less is None else min(getattr(less, name)))
        found.append(own / times / min(getattr(reference, name)))
    return found[0], found[1]


def run(*command: str | Path) -> None:
    """Run a command of this environment, quietly; its complaints are shown if it fails."""
    done = subprocess.run([str(part) for part in command], cwd=ROOT, capture_output=True, text=True, check=False)
    if done.returncode:
        sys.exit(f"{command}: exit status {done.returncode}\n{done.stdout}{done.stderr}")


def rounds_of(cases: dict[str, Case], rounds: int) -> None:
    """Time all cases in turn; a first round that fills caches does not count."""
    for case in cases.values():
        case.do()
    for _ in range(rounds):
        for case in cases.values():
            case.time()


def bare(campaign: Campaign) -> None:
    """Read what thermlab reads with pandas alone: the same columns, the times parsed, the file's checksum."""
    settings = campaign.settings.log
    for line in campaign.runs:
        path = campaign.folder / line.log
        hashlib.sha256(path.read_bytes()).hexdigest()
        frame = pd.read_csv(path)
        pd.to_datetime(frame["time"], format=settings.time.format)


def measure_logs(folder: Path, rounds: int) -> list[Row]:
    """Reading, and reading with reduction, of 45 logs of 40 min at 1 Hz with 20 columns."""
    campaign = load_campaign(write_base(folder))
    settings = campaign.settings.log

    def read() -> None:
        for line in campaign.runs:
            read_log(campaign.folder / line.log, settings, name=line.log)

    cases = {
        "bare": Case(lambda: bare(campaign)),
        "read": Case(read),
        "reduce": Case(lambda: settle_runs(campaign, read_campaign_logs(campaign).traces)),
    }
    rounds_of(cases, rounds)
    against = "`pandas.read_csv`, `to_datetime`, sha256"
    return [
        Row("reading 45 logs", against, *ratio(cases["read"], cases["bare"]), 1.5),
        Row("reading and reducing 45 logs", against, *ratio(cases["reduce"], cases["bare"]), 4.0),
    ]


def measure_watch(folder: Path, rounds: int) -> list[Row]:
    """One look at a log of eight hours at 1 Hz that grows by ten rows a look, against reading all of it."""
    bench, treatments = passive_bench(), (SimulatedTreatment(name="a", resistance_K_per_W=0.15),)
    made = {"steps_W": (60.0, 80.0, 90.0, 100.0, 110.0, 120.0), "n_mounts": 1, "soak_min": 70.0, "interval_s": 1.0}
    simulated = simulate_campaign(bench, treatments, rng=np.random.default_rng(1), **made)
    campaign = load_campaign(write_campaign(folder, simulated))
    path = campaign.folder / campaign.runs[0].log
    lines = path.read_text(encoding="utf-8").splitlines(keepends=True)
    grown = len(lines) - 10 * (rounds + 2)
    path.write_text("".join(lines[:grown]), encoding="utf-8")
    watched = Watch(folder)
    watched.look()

    def look() -> None:
        nonlocal grown
        with path.open("a", encoding="utf-8") as stream:
            stream.write("".join(lines[grown : grown + 10]))
        grown += 10
        watched.look()

    cases = {"bare": Case(lambda: bare(replace(campaign, runs=campaign.runs[:1]))), "look": Case(look)}
    rounds_of(cases, rounds)
    print(f"one look at {len(lines)} rows: {1e3 * min(cases['look'].clock_s):.0f} ms")
    against = "`pandas.read_csv`, `to_datetime`, sha256 of the log"
    return [Row("a look at a growing log of eight hours", against, *ratio(cases["look"], cases["bare"]), None)]


def measure_reports(folder: Path, rounds: int) -> list[Row]:
    """Reports of the demo against its cells in one plain process, and against an empty notebook."""
    run(sys.executable, ROOT / "demo" / "make_logs.py")
    demo = ROOT / "demo" / "chart-table"
    without = shutil.ignore_patterns("report", ".failed")
    campaigns = [Path(shutil.copytree(demo, folder / f"campaign-{n}", ignore=without)) for n in range(N_REPORTS)]
    (folder / "empty.ipynb").write_text(json.dumps(EMPTY), encoding="utf-8")

    def floor() -> None:
        run(sys.executable, ROOT / "bench" / "plain_report.py", campaigns[0])

    def report(n: int) -> Callable[[], None]:
        def make() -> None:
            run(BIN / "thermlab", "report", *campaigns[:n])

        return make

    def empty() -> None:
        run(BIN / "papermill", folder / "empty.ipynb", folder / "done.ipynb")
        run(BIN / "jupyter", "nbconvert", "--to", "html", "--output-dir", folder, folder / "done.ipynb")

    cases = {
        "floor": Case(floor),
        "first": Case(report(1)),
        "all": Case(report(N_REPORTS)),
        "empty": Case(empty),
    }
    rounds_of(cases, rounds)
    against = "its cells in one plain process, no Jupyter"
    further = ratio(cases["all"], cases["floor"], less=cases["first"], times=N_REPORTS - 1)
    return [
        Row("first report", against, *ratio(cases["first"], cases["floor"]), None),
        Row("each further report in the same call", against, *further, None),
        Row(
            "first report",
            "an empty notebook through papermill and nbconvert",
            *ratio(cases["first"], cases["empty"]),
            0.8,
        ),
    ]


def measure_help(rounds: int) -> list[Row]:
    """Start-up of the command line."""
    cases = {
        "nothing": Case(lambda: run(sys.executable, "-c", "pass")),
        "help": Case(lambda: run(BIN / "thermlab", "--help")),
    }
    rounds_of(cases, 4 * rounds)
    return [Row("`thermlab --help`", "`python -c pass`", *ratio(cases["help"], cases["nothing"]), 6.0)]


MEMORY = """
import resource, sys
from pathlib import Path
from thermlab.campaign.folder import load_campaign
from thermlab.runs.reading import read_campaign_logs
from thermlab.runs.settled_runs import settle_runs
for _ in range(int(sys.argv[2])):
    campaign = load_campaign(Path(sys.argv[1]))
    settle_runs(campaign, read_campaign_logs(campaign).traces)
print(resource.getrusage(resource.RUSAGE_SELF).ru_maxrss)
"""


def measure_memory(folder: Path) -> list[Row]:
    """Most memory of a process against the number of logs it reads."""
    if not (folder / "campaign.yaml").exists():
        write_base(folder)
    peaks = []
    for n in (1, 10):
        command = [sys.executable, "-c", MEMORY, str(folder), str(n)]
        peaks.append(float(subprocess.run(command, capture_output=True, text=True, check=True).stdout))
    grown = peaks[1] / peaks[0]
    return [Row("memory for 450 logs", "memory for 45 logs", grown, grown, None)]


def as_table(rows: list[Row]) -> str:
    """Return the rows as a table in Markdown."""
    lines = ["| what | against | on the clock | by processor time | aim |", "| --- | --- | --: | --: | --: |"]
    for row in rows:
        aim = "" if row.target is None else f"at most {row.target:g}"
        lines.append(f"| {row.what} | {row.against} | {row.clock:.2f} | {row.processor:.2f} | {aim} |")
    return "\n".join(lines) + "\n"


PAGE = """\
# Speed

Written by `make bench`. Every number is a ratio: both sides were run in turn on one machine in one environment,
{rounds} rounds, best against best. No absolute time is promised, and ratios differ between machines. Where other work
runs on the machine, the ratio of processor times is the steadier one; what overlaps (the kernel of the next report
starts while this one is computed) shows on the clock alone, and only where a second core is free.

{table}
Python {python}, {machine}, {cores} cores, mean load before the run {load:.1f}; {versions}.

- Logs: 45 of 40 min at one reading a second, 20 columns all of which are declared (`bench/bench_campaigns.py`).
- Reports: the demo, 45 runs in nine logs. The plain process runs the cells of the same notebook and draws the same
  pictures (`bench/plain_report.py`); it makes no page.
- Memory: most memory of a process that reduces ten campaigns of 45 runs one after the other, against one.
- How time and memory grow with the number of runs: [scale](scale.md). Many at once: [many](many.md).
"""


def page(rows: list[Row], rounds: int, load: float) -> str:
    """Return docs/speed.md."""
    return PAGE.format(
        rounds=rounds,
        table=as_table(rows),
        python=platform.python_version(),
        machine=platform.machine(),
        cores=os.cpu_count(),
        load=load,
        versions=", ".join([f"thermlab {thermlab.__version__}", *(f"{name} {version(name)}" for name in PACKAGES)]),
    )


def main() -> None:
    """Measure everything and print the table."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--rounds", type=int, default=5, help="rounds, default 5")
    parser.add_argument(
        "--only", choices=["logs", "watch", "reports", "help"], help="measure one part, and print it only"
    )
    chosen = parser.parse_args()
    load = os.getloadavg()[0] if hasattr(os, "getloadavg") else float("nan")
    rows: list[Row] = []
    with tempfile.TemporaryDirectory(prefix="thermlab-bench-") as scratch:
        if chosen.only in (None, "logs"):
            rows += measure_logs(Path(scratch) / "logs", chosen.rounds)
            rows += measure_memory(Path(scratch) / "logs")
        if chosen.only in (None, "watch"):
            rows += measure_watch(Path(scratch) / "watch", chosen.rounds)
        if chosen.only in (None, "reports"):
            (Path(scratch) / "reports").mkdir()
            rows += measure_reports(Path(scratch) / "reports", chosen.rounds)
        if chosen.only in (None, "help"):
            rows += measure_help(chosen.rounds)
    print(as_table(rows))
    missed = [
        f"{row.what}: {row.clock:.2f}, aim {row.target:g}" for row in rows if row.target and row.clock > row.target
    ]
    print("\n".join(missed) if missed else "every aim reached")
    if chosen.only is None:
        TABLE.write_text(page(rows, chosen.rounds, load), encoding="utf-8")
        print(f"kept in {TABLE.relative_to(ROOT)}")


if __name__ == "__main__":
    main()
