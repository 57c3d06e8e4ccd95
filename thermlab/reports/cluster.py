"""Reports made by the workers of a Dask cluster; files are on storage that all of its machines share.

The optional extra ``thermlab[cluster]`` brings what this module needs. A
worker that is ended costs a retry: its report is made again by another one,
and a report is put in place whole or not at all.
"""

from __future__ import annotations

import hashlib
import json
import sys
import threading
from dataclasses import replace
from functools import cache
from pathlib import Path
from typing import TYPE_CHECKING, Any, get_args

from thermlab import __version__
from thermlab.base.errors import InputError, Problem, ReportError, shown
from thermlab.reports import execute as execution
from thermlab.reports.job import ReportJob, ReportOutcome, State, report_in_worker

if TYPE_CHECKING:
    from collections.abc import Sequence

CONNECT_TIMEOUT_S = 15
# A notebook is run with an event loop and a progress of its own: one at a time in a process.
_ONE_AT_A_TIME = threading.Lock()


def report_on_cluster(
    work: Sequence[ReportJob], address: str, *, own_template: bool = False, progress: bool = False
) -> tuple[ReportOutcome, ...]:
    """Make reports on a Dask cluster.

    Parameters
    ----------
    work : sequence of ReportJob
        What to make; the folders must have the same paths on every machine.
    address : str
        Of the scheduler, such as ``tcp://host:8786``.
    own_template : bool
        Whether the jobs name a template of the user's, which is then on the shared storage too.
    progress : bool
        Show a bar of reports on standard error.

    Returns
    -------
    tuple of ReportOutcome
        In the order given; the same as on one machine.

    Raises
    ------
    InputError
        The extra is not installed, or no scheduler answers at this address.
    """
    from tqdm import tqdm  # noqa: PLC0415

    client, as_completed = _connect(address)
    done: dict[int, ReportOutcome] = {}
    with client:
        shared = [replace(job, source=job.source.resolve()) for job in work]
        waiting = {
            client.submit(report_on_worker, job, _stamp(), own_template=own_template, pure=False): place
            for place, job in enumerate(shared)
        }
        for future in tqdm(
            as_completed(waiting), total=len(work), unit="report", file=sys.stderr, disable=not progress
        ):
            place = waiting[future]
            try:
                done[place] = read_outcome(work[place], future.result())
            except Exception as error:  # noqa: BLE001 - whatever the cluster says of one report, the others go on
                done[place] = work[place].died(f"the cluster gave this report up: {type(error).__name__}: {error}")
    return tuple(done[place] for place in range(len(work)))


def _connect(address: str) -> tuple[Any, Any]:
    try:
        from distributed import Client, as_completed  # noqa: PLC0415
    except ImportError:
        found = "an installation without dask.distributed"
        raise InputError([Problem("--cluster", found, "one with it: pip install 'thermlab[cluster]'")]) from None
    try:
        return Client(address, timeout=CONNECT_TIMEOUT_S), as_completed  # type: ignore[no-untyped-call]
    except (OSError, TimeoutError, ValueError) as error:
        reason = str(error).splitlines()[0] if str(error) else type(error).__name__
        raise InputError(
            [
                Problem(
                    "--cluster", f"{address!r} ({reason})", "the address of a scheduler that answers: tcp://HOST:PORT"
                )
            ]
        ) from None


@cache
def _stamp() -> tuple[str, str]:
    """Return the version of thermlab and a digest of its source: a worker with another one refuses the work."""
    digest = hashlib.sha256()
    for path in sorted(Path(__file__).parents[1].rglob("*.py")):
        digest.update(path.name.encode() + b"\0" + path.read_bytes() + b"\0")
    return __version__, digest.hexdigest()


def report_on_worker(job: ReportJob, stamp: tuple[str, str], *, own_template: bool) -> str:
    """Make one report on a worker, if it runs the same thermlab as whoever asks; return what became of it as JSON."""
    if _stamp() != stamp:
        theirs, ours = (f"{version} ({digest[:12]})" for version, digest in (_stamp(), stamp))
        return _spoken(job.died(f"the worker runs thermlab {theirs}, this machine {ours}: install the same on all"))
    if not own_template:
        job = replace(job, template=execution.template_path(job.template.stem))
    with _ONE_AT_A_TIME:
        return _spoken(report_in_worker(job))


def _spoken(outcome: ReportOutcome) -> str:
    problems = outcome.error.problems if isinstance(outcome.error, InputError) else ()
    plain = {name: getattr(outcome, name) for name in ("state", "verdict", "cell", "message", "seconds")}
    return json.dumps(plain | {"problems": [(each.where, each.found, each.allowed) for each in problems]})


def read_outcome(job: ReportJob, text: object) -> ReportOutcome:
    """Return what a worker says of a job; whatever is not as a worker of ours says it, is an error.

    Raises
    ------
    ValueError
        With what is wrong.
    """
    said = json.loads(str(text))
    problems = [Problem(*map(str, each)) for each in said["problems"]]
    state, cell, message = said["state"], said["cell"], str(said["message"])
    if state not in get_args(State) or not (cell is None or isinstance(cell, int)):
        raise ValueError(f"state {shown(state)} in cell {shown(cell)}")
    verdict = None if said["verdict"] is None else str(said["verdict"])
    error = None if state == "ok" else InputError(problems) if problems else ReportError("failed", cell, message)
    return job.outcome(state, message, verdict=verdict, cell=cell, seconds=float(said["seconds"]), error=error)
