"""One report: checked, executed, rendered and put in place, or left as it was with the reason beside it."""

from __future__ import annotations

import contextlib
import time
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Any

from thermlab.base.errors import InputError, ReportError, ThermlabError
from thermlab.base.files import FAILED, check_target, locked, publish, publish_failure
from thermlab.campaign.folder import load_campaign
from thermlab.campaign.parameters import apply_overrides
from thermlab.reports import execute as execution
from thermlab.reports.kernels import Kernels
from thermlab.reports.render import prepare
from thermlab.reports.report_files import (
    FILES,
    ReportJob,
    State,
    finished_files,
    notebook_bytes,
    status_bytes,
    without_paths,
)

if TYPE_CHECKING:
    from pathlib import Path


@dataclass(frozen=True, slots=True, kw_only=True)
class ReportOutcome:
    """What became of the report of one campaign.

    Attributes
    ----------
    campaign : Path
        The campaign folder.
    folder : Path
        Where the report is, or would have been.
    state : {"ok", "bad input", "failed", "died", "timeout"}
        As in ``status.json``.
    cell : int or None
        Cell that failed, from 0, where it is known.
    message : str
        What happened; every problem on a line of its own where the input was bad.
    seconds : float
        How long it took, s.
    error : ThermlabError or None
        The error itself.
    """

    campaign: Path
    folder: Path
    state: State
    cell: int | None = None
    message: str = ""
    seconds: float = 0.0
    error: ThermlabError | None = None

    @property
    def page(self) -> Path:
        """Path of the page."""
        return self.folder / "report.html"


def report_in_worker(job: ReportJob) -> ReportOutcome:
    """Make one report in a process that was started for reports."""
    execution.use_light_validation()
    with Kernels() as kernels:
        return report_one(job, kernels)


def report_one(job: ReportJob, kernels: Kernels, *, more: bool = False) -> ReportOutcome:
    """Make one report.

    Parameters
    ----------
    job : ReportJob
        What to make.
    kernels : Kernels
        Where the kernel comes from.
    more : bool
        Whether another report follows, whose kernel may start meanwhile.

    Returns
    -------
    ReportOutcome
        Whatever happened; nothing is raised but what ends the process.
    """
    began = time.monotonic()
    try:
        apply_overrides(load_campaign(job.campaign).settings, **job.parameters)
        check_target(job.folder, FILES)
        with locked(job.folder):
            outcome = _make(job, kernels, more=more)
    except InputError as error:
        outcome = _outcome(job, error, "bad input", None, str(error))
    except (ThermlabError, OSError) as error:
        outcome = _outcome(job, _as_ours(error), "failed", None, str(error))
    return replace(outcome, seconds=time.monotonic() - began)


def _make(job: ReportJob, kernels: Kernels, *, more: bool) -> ReportOutcome:
    """Execute, render and publish; on failure leave the old report and say why beside it."""
    notebook = None
    state: State = "failed"

    def meanwhile() -> None:
        prepare()
        if more:
            with contextlib.suppress(OSError, RuntimeError):  # said when it is needed
                kernels.begin()

    try:
        with contextlib.suppress(KeyError, OSError, RuntimeError):
            kernels.begin()  # it starts while we import what runs notebooks
        notebook = execution.execute_template(
            job.template,
            {"campaign": str(job.campaign.resolve()), **job.parameters, "anonymous": job.anonymous},
            cell_timeout_s=job.cell_timeout_s,
            progress=job.progress,
            meanwhile=meanwhile,
            kernels=kernels,
        )
        publish(job.folder, finished_files(job, notebook))
        return ReportOutcome(campaign=job.campaign, folder=job.folder, state="ok")
    except InputError as error:
        outcome = _outcome(job, error, "bad input", None, str(error))
    except execution.ExecutionFailedError as error:
        notebook, state = error.notebook, error.state
        outcome = _outcome(job, error, state, error.cell, error.message)
    except Exception as error:  # noqa: BLE001 - whatever it was, the other campaigns go on and this one says so
        outcome = _outcome(job, _as_ours(error), "failed", None, f"{type(error).__name__}: {error}")
    return _leave_failure(job, outcome, notebook)


def _leave_failure(job: ReportJob, outcome: ReportOutcome, notebook: Any) -> ReportOutcome:
    if outcome.state == "bad input" and not job.folder.is_dir():
        return outcome  # nothing was there, and bad input writes nothing
    try:
        files = {"status.json": status_bytes(outcome.state, outcome.cell, without_paths(job, outcome.message))}
        if notebook is not None:
            files["report.ipynb"] = notebook_bytes(job, notebook)
        publish_failure(job.folder, files)
    except OSError as error:
        return replace(outcome, message=f"{outcome.message}\nand {job.folder / FAILED} could not be written: {error}")
    return outcome


def _as_ours(error: Exception) -> ThermlabError:
    return (
        error if isinstance(error, ThermlabError) else ReportError("failed", None, f"{type(error).__name__}: {error}")
    )


def died(job: ReportJob, message: str) -> ReportOutcome:
    """Return the outcome of a report whose whole process was ended."""
    return _outcome(job, ReportError("died", None, message), "died", None, message)


def _outcome(job: ReportJob, error: ThermlabError, state: State, cell: int | None, message: str) -> ReportOutcome:
    return ReportOutcome(campaign=job.campaign, folder=job.folder, state=state, cell=cell, message=message, error=error)
