"""From campaign folders to finished reports: each whole, or not at all.

The template notebook does the work in a fresh kernel and carries the results
as data. One report is a :mod:`thermlab.reports.job`; here several are made, one after the
other or side by side on this machine, or by the workers of a Dask cluster (the optional extra
``thermlab[cluster]`` brings what that needs).
"""

from __future__ import annotations

import hashlib
import json
import sys
import threading
from concurrent.futures import ProcessPoolExecutor, ThreadPoolExecutor, as_completed
from concurrent.futures.process import BrokenProcessPool
from dataclasses import replace
from functools import cache
from multiprocessing import get_context
from pathlib import Path
from typing import TYPE_CHECKING, Any, get_args

from thermlab import __version__
from thermlab.base.errors import InputError, Problem, ReportError, shown
from thermlab.campaign.folder import campaign_folder
from thermlab.campaign.parameters import as_overrides, check_parameters
from thermlab.reports import execute as execution
from thermlab.reports.job import ReportJob, ReportOutcome, State, report_in_worker, report_one

if TYPE_CHECKING:
    from collections.abc import Iterable, Mapping, Sequence

CONNECT_TIMEOUT_S = 15
# A notebook is run with an event loop and a progress of its own: one at a time in a process.
_ONE_AT_A_TIME = threading.Lock()
_ENDED = "the process that made this report was ended from outside, twice"


def report(
    campaigns: str | Path | Iterable[str | Path],
    *,
    parameters: Mapping[str, object] | None = None,
    out: str | Path | None = None,
    jobs: int = 1,
    cluster: str | None = None,
    anonymous: bool = False,
    template: str | Path | None = None,
    cell_timeout_s: int = execution.CELL_TIMEOUT_S,
    progress: bool = False,
) -> tuple[ReportOutcome, ...]:
    """Make the report of one or several campaigns.

    Parameters
    ----------
    campaigns : path or iterable of paths
        Campaign folders, or paths of their ``campaign.yaml``.
    parameters : mapping, optional
        What to try without touching the campaign: ``room_C``, ``temperature_C``, ``margin_K``,
        ``reference_power_W``, ``confidence_level``.
    out : path, optional
        Folder for the report; with several campaigns, for one folder per campaign. Default: ``report`` in each.
    jobs : int
        Reports that are made at the same time, each in a process of its own.
    cluster : str, optional
        Address of a Dask scheduler whose workers make the reports instead; they must see the same folders.
    anonymous : bool
        Leave out notes, photos, paths and names of files.
    template : path, optional
        Another notebook with the same parameters.
    cell_timeout_s : int
        Longest time for one cell, s.
    progress : bool
        Show a bar on standard error.

    Returns
    -------
    tuple of ReportOutcome
        One per campaign, in the order given. A campaign that fails never stops the others.

    Raises
    ------
    InputError
        A parameter is not allowed, two campaigns would be written to one folder, or the cluster does not answer;
        nothing was done.
    """
    given = check_parameters(dict(parameters or {}))
    given_paths = [campaigns] if isinstance(campaigns, (str, Path)) else campaigns
    paths = [campaign_folder(path) for path in given_paths]
    notebook = execution.template_path("comparison") if template is None else Path(template).resolve()
    work = [
        ReportJob(
            source=path,
            folder=folder,
            parameters=as_overrides(given),
            anonymous=anonymous or given.anonymous,
            template=notebook,
            cell_timeout_s=cell_timeout_s,
        )
        for path, folder in zip(paths, _folders(paths, out), strict=True)
    ]
    if cluster is not None:
        return _on_cluster(work, cluster, own_template=template is not None, progress=progress)
    if jobs > 1 and len(work) > 1:
        return _side_by_side(work, jobs, progress=progress)
    if progress:
        work = [replace(job, progress=job.source.name) for job in work]
    with execution.Kernels() as kernels:
        return tuple(report_one(job, kernels, more=job is not work[-1]) for job in work)


def _side_by_side(work: Sequence[ReportJob], jobs: int, *, progress: bool = False) -> tuple[ReportOutcome, ...]:
    """Make reports in several processes.

    When a process is ended from outside the system takes down its whole group; every report of the group that was
    not finished is then made again in a process that it shares with no other.

    Parameters
    ----------
    work : sequence of ReportJob
        What to make.
    jobs : int
        Processes at the same time.
    progress : bool
        Show a bar of reports on standard error.

    Returns
    -------
    tuple of ReportOutcome
        In the order given.
    """
    from tqdm import tqdm  # noqa: PLC0415

    done: dict[int, ReportOutcome] = {}
    jobs = min(jobs, len(work))
    with tqdm(total=len(work), unit="report", file=sys.stderr, disable=not progress) as bar:
        with ProcessPoolExecutor(max_workers=jobs, mp_context=get_context("spawn")) as pool:
            waiting = {pool.submit(report_in_worker, job): place for place, job in enumerate(work)}
            for future in as_completed(waiting):
                try:
                    done[waiting[future]] = future.result()
                    bar.update()
                except BrokenProcessPool:
                    continue
        again = [place for place in range(len(work)) if place not in done]
        with ThreadPoolExecutor(max_workers=jobs) as threads:
            waiting_again = {threads.submit(_alone, work[place]): place for place in again}
            for finished in as_completed(waiting_again):
                done[waiting_again[finished]] = finished.result()
                bar.update()
    return tuple(done[place] for place in range(len(work)))


def _alone(job: ReportJob) -> ReportOutcome:
    with ProcessPoolExecutor(max_workers=1, mp_context=get_context("spawn")) as pool:
        try:
            return pool.submit(report_in_worker, job).result()
        except BrokenProcessPool:
            return job.died(_ENDED)


def _on_cluster(
    work: Sequence[ReportJob], address: str, *, own_template: bool = False, progress: bool = False
) -> tuple[ReportOutcome, ...]:
    """Make reports on a Dask cluster, whose machines share the storage the files are on.

    A worker that is ended costs a retry: its report is made again by another one.

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

    client, finished = _connect(address)
    done: dict[int, ReportOutcome] = {}
    with client:
        shared = [replace(job, source=job.source.resolve()) for job in work]
        waiting = {
            client.submit(report_on_worker, job, _stamp(), own_template=own_template, pure=False): place
            for place, job in enumerate(shared)
        }
        for future in tqdm(finished(waiting), total=len(work), unit="report", file=sys.stderr, disable=not progress):
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


def exit_status(outcomes: Sequence[ReportOutcome]) -> int:
    """Return 0 when all are done, 2 when nothing was done because of bad input, else 1."""
    states = {outcome.state for outcome in outcomes}
    return 0 if states <= {"ok"} else 2 if states == {"bad input"} else 1


def _folders(paths: Sequence[Path], out: str | Path | None) -> list[Path]:
    if not paths:
        raise InputError([Problem("campaigns", "none", "one or more campaign folders")])
    if out is None:
        folders = [path.resolve() / ReportJob.output for path in paths]
    elif len(paths) == 1:
        folders = [Path(out).resolve()]
    else:
        folders = [Path(out).resolve() / path.resolve().name for path in paths]
    twice = sorted({str(folder) for folder in folders if folders.count(folder) > 1})
    if twice:
        raise InputError(
            [Problem(folder, "two reports for one folder", "campaigns of different names") for folder in twice]
        )
    return folders
