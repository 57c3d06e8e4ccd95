"""From campaign folders to finished reports: each whole, or not at all.

The template notebook does the work in a fresh kernel and carries the results
as data. One report is a :mod:`thermlab.reports.job`; here several are made, one after the
other or side by side on this machine; :mod:`thermlab.reports.cluster` makes them on several.
"""

from __future__ import annotations

import sys
from concurrent.futures import ProcessPoolExecutor, ThreadPoolExecutor, as_completed
from concurrent.futures.process import BrokenProcessPool
from dataclasses import replace
from multiprocessing import get_context
from pathlib import Path
from typing import TYPE_CHECKING

from thermlab.base.errors import InputError, Problem
from thermlab.campaign.folder import campaign_folder
from thermlab.campaign.parameters import as_overrides, check_parameters
from thermlab.reports import execute as execution
from thermlab.reports.job import ReportJob, ReportOutcome, report_in_worker, report_one

if TYPE_CHECKING:
    from collections.abc import Iterable, Mapping, Sequence

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
        from thermlab.reports.cluster import report_on_cluster  # noqa: PLC0415

        return report_on_cluster(work, cluster, own_template=template is not None, progress=progress)
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
