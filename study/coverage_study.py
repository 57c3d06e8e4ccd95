"""The coverage study: how often the intervals of the kit hold the truth; writes ``docs/coverage.md``.

Run as ``python study/coverage_study.py`` (``make study``): 10 000 campaigns in each cell at run-table level and 1 000
in each cell from raw logs, within an hour on two cores. ``--tables`` and ``--traces`` ask for other numbers; 0 leaves a
part out. Seeds depend on the cell alone, so that neither the number of processes nor the other cells change a result.
"""

from __future__ import annotations

import argparse
import multiprocessing
import os
import platform
import sys
import time
import zlib
from pathlib import Path

# One thread per process: the processes themselves use the cores.
for _name in ("OMP_NUM_THREADS", "OPENBLAS_NUM_THREADS", "MKL_NUM_THREADS"):
    os.environ.setdefault(_name, "1")
ROOT = Path(__file__).resolve().parents[1]
sys.path[:0] = [str(Path(__file__).resolve().parent), str(ROOT)]

import numpy as np  # noqa: E402
import scipy  # noqa: E402
from coverage_page import held_to, write_page  # noqa: E402
from mount_level_cells import TABLE_CELLS, count_cell  # noqa: E402
from other_ways import other_ways  # noqa: E402
from reduction_rules import room_errors_K, settled_shares  # noqa: E402
from trace_level import AT_ONCE, TRACE_CELLS, simulate_cell, summarise_cell  # noqa: E402

import thermlab  # noqa: E402

CHUNK = 4 * AT_ONCE


def seed_of(name: str, chunk: int, seed: int) -> np.random.SeedSequence:
    """Return the seed of a chunk of a cell."""
    return np.random.SeedSequence([seed, zlib.crc32(name.encode()), chunk])


def work(task: tuple[str, str, int, int, int]) -> tuple[tuple[str, str, int, int, int], dict[str, object]]:
    """Do one task: (part, cell, campaigns, chunk, seed)."""
    part, name, n, chunk, seed = task
    source = seed_of(name, chunk, seed)
    if part == "tables":
        return task, dict(count_cell(name, n, source))
    if part == "settled":
        return task, dict(settled_shares(n, source))
    return task, dict(simulate_cell(name, n, source))


def study(
    *, tables: int, traces: int, settled: int, jobs: int, seed: int = 1, cells: tuple[str, ...] = ()
) -> tuple[dict[str, dict[str, float]], dict[str, dict[str, float]], dict[str, float]]:
    """Run the study.

    Parameters
    ----------
    tables, traces, settled : int
        Campaigns in each cell of the two parts, and runs for the settled rule; 0 leaves a part out.
    jobs : int
        Processes.
    seed : int
        Of everything random.
    cells : tuple of str
        Only these cells; all where empty.

    Returns
    -------
    tuple of dict
        Results by cell of both parts, and shares of the settled rule.
    """
    wanted = set(cells) or {*TABLE_CELLS, *TRACE_CELLS}
    tasks: list[tuple[str, str, int, int, int]] = []
    if traces:
        sizes = [min(CHUNK, traces - begin) for begin in range(0, traces, CHUNK)]
        tasks += [
            ("traces", name, size, chunk, seed)
            for name in TRACE_CELLS
            if name in wanted
            for chunk, size in enumerate(sizes)
        ]
    if settled:
        tasks.append(("settled", "settled", settled, 0, seed))
    if tables:
        tasks += [("tables", name, tables, 0, seed) for name in TABLE_CELLS if name in wanted]
    done: dict[tuple[str, str, int, int, int], dict[str, object]] = {}
    if jobs > 1:
        with multiprocessing.get_context("spawn").Pool(jobs) as pool:
            for task, outcome in pool.imap_unordered(work, tasks):
                done[task] = outcome
                print(f"{len(done)} of {len(tasks)}: {task[1]}", file=sys.stderr, flush=True)
    else:
        for task in tasks:
            done[task] = work(task)[1]
    found_tables = {task[1]: dict(done[task]) for task in tasks if task[0] == "tables"}
    found_traces = {}
    for name in TRACE_CELLS:
        own = [done[task] for task in tasks if task[:2] == ("traces", name)]
        if own:
            found_traces[name] = summarise_cell({key: np.concatenate([one[key] for one in own]) for key in own[0]})
    found_settled = next((dict(done[task]) for task in tasks if task[0] == "settled"), {})
    return found_tables, found_traces, found_settled


def main() -> int:
    """Run the study as the command line asks and write the page."""
    parser = argparse.ArgumentParser(description=__doc__.split("\n\n", maxsplit=1)[0])
    parser.add_argument("--tables", type=int, default=10_000, help="campaigns in each cell of the run tables")
    parser.add_argument("--traces", type=int, default=1_000, help="campaigns in each cell from raw logs")
    parser.add_argument("--settled", type=int, default=5_000, help="runs for each entry of the settled rule")
    parser.add_argument("--jobs", type=int, default=2, help="processes")
    parser.add_argument("--seed", type=int, default=1, help="of everything random")
    parser.add_argument("--out", type=Path, default=ROOT / "docs" / "coverage.md", help="page to write")
    asked = parser.parse_args()
    began = time.perf_counter()
    found = study(tables=asked.tables, traces=asked.traces, settled=asked.settled, jobs=asked.jobs, seed=asked.seed)
    room = room_errors_K()
    others = other_ways(asked.tables, seed_of("other ways", 0, asked.seed)) if asked.tables else {}
    versions = (
        f"thermlab {thermlab.__version__}, Python {platform.python_version()}, numpy {np.__version__}, "
        f"scipy {scipy.__version__}, seed {asked.seed}"
    )
    command = (
        f"python study/coverage_study.py --tables {asked.tables} --traces {asked.traces} --settled {asked.settled}"
    )
    page = write_page(
        *found,
        room,
        others,
        versions=versions,
        command=command,
        minutes=(time.perf_counter() - began) / 60.0,
        n_settled=asked.settled,
    )
    asked.out.write_text(page.rstrip() + "\n", encoding="utf-8")
    for row in held_to(*found, room):
        print(f"{'met' if row.met else 'NOT MET'}: {row.what}: {row.least:.3f} to {row.largest:.3f} ({row.where})")
    return 0


if __name__ == "__main__":
    sys.exit(main())
