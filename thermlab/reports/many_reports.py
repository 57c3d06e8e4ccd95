"""Several reports at the same time on this machine, each in a process of its own."""

from __future__ import annotations

import sys
from concurrent.futures import ProcessPoolExecutor, ThreadPoolExecutor, as_completed
from concurrent.futures.process import BrokenProcessPool
from multiprocessing import get_context
from typing import TYPE_CHECKING

from thermlab.reports.one_report import ReportOutcome, died, report_in_worker

if TYPE_CHECKING:
    from collections.abc import Sequence

    from thermlab.reports.report_files import ReportJob

ENDED = "the process that made this report was ended from outside, twice"


def report_side_by_side(work: Sequence[ReportJob], jobs: int, *, progress: bool = False) -> tuple[ReportOutcome, ...]:
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
            return died(job, ENDED)
