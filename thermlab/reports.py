"""From campaign folders to finished reports: each whole, or not at all.

The template notebook does the work in a fresh kernel and carries the results
as data; this module checks what can be checked before, takes the results out
of the executed notebook afterwards and puts the files in place.
"""

from __future__ import annotations

import contextlib
import sys
import time
from concurrent.futures import ProcessPoolExecutor, as_completed
from concurrent.futures.process import BrokenProcessPool
from dataclasses import dataclass, replace
from multiprocessing import get_context
from pathlib import Path
from typing import TYPE_CHECKING, Any

from thermlab import execution, outputs
from thermlab.campaign import load_campaign
from thermlab.errors import InputError, Problem, ReportError, ThermlabError
from thermlab.kernels import Kernels
from thermlab.overrides import apply_overrides
from thermlab.parameters import as_overrides, check_parameters
from thermlab.rendering import prepare
from thermlab.report_files import (
    FILES,
    ReportJob,
    State,
    finished_files,
    notebook_bytes,
    status_bytes,
    without_paths,
)

if TYPE_CHECKING:
    from collections.abc import Iterable, Mapping, Sequence


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


def report(
    campaigns: str | Path | Iterable[str | Path],
    *,
    parameters: Mapping[str, object] | None = None,
    out: str | Path | None = None,
    jobs: int = 1,
    anonymous: bool = False,
    template: str | Path | None = None,
    cell_timeout_s: int = execution.CELL_TIMEOUT_S,
    progress: bool = False,
) -> tuple[ReportOutcome, ...]:
    """Make the report of one or several campaigns.

    Parameters
    ----------
    campaigns : path or iterable of paths
        Campaign folders.
    parameters : mapping, optional
        What to try without touching the campaign: ``room_C``, ``temperature_C``, ``margin_K``,
        ``reference_power_W``, ``confidence_level``.
    out : path, optional
        Folder for the report; with several campaigns, for one folder per campaign. Default: ``report`` in each.
    jobs : int
        Reports that are made at the same time.
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
        A parameter is not allowed, or two campaigns would be written to one folder; nothing was done.
    """
    given = check_parameters(dict(parameters or {}))
    paths = [Path(campaigns)] if isinstance(campaigns, (str, Path)) else [Path(path) for path in campaigns]
    notebook = execution.template_path("comparison") if template is None else Path(template).resolve()
    work = [
        ReportJob(
            campaign=path,
            folder=folder,
            parameters=as_overrides(given),
            anonymous=anonymous or given.anonymous,
            template=notebook,
            cell_timeout_s=cell_timeout_s,
        )
        for path, folder in zip(paths, _folders(paths, out), strict=True)
    ]
    if jobs > 1 and len(work) > 1:
        return _side_by_side(work, jobs, progress)
    if progress:
        work = [replace(job, progress=job.campaign.name) for job in work]
    with Kernels() as kernels:
        return tuple(_report_one(job, kernels, more=job is not work[-1]) for job in work)


def exit_status(outcomes: Sequence[ReportOutcome]) -> int:
    """Return 0 when all are done, 2 when nothing was done because of bad input, else 1."""
    states = {outcome.state for outcome in outcomes}
    return 0 if states <= {"ok"} else 2 if states == {"bad input"} else 1


def _folders(paths: Sequence[Path], out: str | Path | None) -> list[Path]:
    if not paths:
        raise InputError([Problem("campaigns", "none", "one or more campaign folders")])
    if out is None:
        folders = [path.resolve() / "report" for path in paths]
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


def _side_by_side(work: Sequence[ReportJob], jobs: int, progress: bool) -> tuple[ReportOutcome, ...]:
    from tqdm import tqdm  # noqa: PLC0415

    done: dict[int, ReportOutcome] = {}
    with ProcessPoolExecutor(max_workers=jobs, mp_context=get_context("spawn")) as pool:
        waiting = {pool.submit(_report_in_worker, job): place for place, job in enumerate(work)}
        for future in tqdm(
            as_completed(waiting), total=len(work), unit="report", file=sys.stderr, disable=not progress
        ):
            place = waiting[future]
            try:
                done[place] = future.result()
            except BrokenProcessPool:
                died = ReportError("died", None, "the process that made this report, or one beside it, was ended")
                done[place] = _outcome(work[place], died, "died", None, died.message)
            except Exception as error:  # noqa: BLE001 - whatever it was, the other campaigns go on
                done[place] = _outcome(work[place], _as_ours(error), "failed", None, f"{type(error).__name__}: {error}")
    return tuple(done[place] for place in range(len(work)))


def _report_in_worker(job: ReportJob) -> ReportOutcome:
    execution.use_light_validation()
    with Kernels() as kernels:
        return _report_one(job, kernels)


def _report_one(job: ReportJob, kernels: Kernels, *, more: bool = False) -> ReportOutcome:
    began = time.monotonic()
    try:
        apply_overrides(load_campaign(job.campaign).settings, **job.parameters)
        outputs.check_target(job.folder, FILES)
        with outputs.locked(job.folder):
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
        outputs.publish(job.folder, finished_files(job, notebook))
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
        outputs.publish_failure(job.folder, files)
    except OSError as error:
        return replace(
            outcome, message=f"{outcome.message}\nand {job.folder / outputs.FAILED} could not be written: {error}"
        )
    return outcome


def _as_ours(error: Exception) -> ThermlabError:
    return (
        error if isinstance(error, ThermlabError) else ReportError("failed", None, f"{type(error).__name__}: {error}")
    )


def _outcome(job: ReportJob, error: ThermlabError, state: State, cell: int | None, message: str) -> ReportOutcome:
    return ReportOutcome(campaign=job.campaign, folder=job.folder, state=state, cell=cell, message=message, error=error)
