"""One page of a campaign or a build: checked, executed, rendered and put in place, or left as it was with the reason.

The template notebook does the work in a fresh kernel and carries the results as data.
"""

from __future__ import annotations

import contextlib
import json
import sys
import time
from dataclasses import dataclass, replace
from pathlib import Path
from typing import TYPE_CHECKING, Any, ClassVar, Literal

from thermlab import __version__
from thermlab.base.errors import InputError, Problem, ReportError, ThermlabError, shown
from thermlab.base.files import FAILED, check_target, locked, publish, publish_failure
from thermlab.campaign.folder import load_campaign
from thermlab.campaign.parameters import apply_overrides
from thermlab.reports import execute as execution
from thermlab.reports.render import prepare, render_page
from thermlab.reports.results import MIME, read_json, results_json, runs_reduced_csv

if TYPE_CHECKING:
    from collections.abc import Mapping

_DECLARED = ("campaign.yaml", "runs.csv")
State = Literal["ok", "bad input", "failed", "died", "timeout"]


@dataclass(frozen=True, slots=True, kw_only=True)
class ReportOutcome:
    """What became of the page of one campaign or build.

    Attributes
    ----------
    source : Path
        The campaign or build folder.
    page : Path
        The page, in the folder where it is or would have been.
    state : {"ok", "bad input", "failed", "died", "timeout"}
        As in ``status.json``.
    verdict : str or None
        Of a build: ``pass``, ``refer`` or ``fail``; None where there is no record.
    cell : int or None
        Cell that failed, from 0, where it is known.
    message : str
        What happened, every problem on a line of its own where the input was bad; of a finished build, why the verdict
        is what it is.
    seconds : float
        How long it took, s.
    error : ThermlabError or None
        The error itself.
    """

    source: Path
    page: Path
    state: State
    verdict: str | None = None
    cell: int | None = None
    message: str = ""
    seconds: float = 0.0
    error: ThermlabError | None = None

    @property
    def folder(self) -> Path:
        """Folder of the page."""
        return self.page.parent


@dataclass(frozen=True, slots=True, kw_only=True)
class ReportJob:
    """One report to be made: from which campaign, into which folder, how. A build's record differs in a few answers.

    Attributes
    ----------
    source, folder, template : Path
        Campaign folder, folder of the report, notebook to run.
    parameters : mapping
        Checked overrides.
    anonymous : bool
        Leave out notes, photos, paths and names of files.
    cell_timeout_s : int
        Longest time for one cell, s.
    progress : str or None
        Label of a progress bar, None for no bar.
    """

    source: Path
    folder: Path
    template: Path
    parameters: Mapping[str, Any]
    anonymous: bool = False
    cell_timeout_s: int = execution.CELL_TIMEOUT_S
    progress: str | None = None

    kind: ClassVar[str] = "campaign"
    """What the source is, and the template's parameter for it."""
    output: ClassVar[str] = "report"
    """Name of the page and the notebook, and of their folder in the source."""
    files: ClassVar[tuple[str, ...]] = (
        "report.html", "report.ipynb", "results.json", "runs_reduced.csv", "status.json",
    )  # fmt: skip

    def check(self) -> None:
        """Read what is declared, before a kernel starts.

        Raises
        ------
        InputError
            With every problem of it.
        """
        apply_overrides(load_campaign(self.source).settings, **self.parameters)

    def given(self) -> dict[str, Any]:
        """Return the template's parameters beside the source."""
        return {**self.parameters, "anonymous": self.anonymous}

    def spoken(self) -> dict[str, Any]:
        """Return the parameters that the notebook shows beside the source."""
        return self.given()

    def page(self, notebook: Any, results: Mapping[str, Any]) -> str:
        """Return the page."""
        short = results["advice"]["state"] == "nothing measured"
        title = f"{results['campaign']['title']} – thermlab report"
        return render_page(notebook, title=title, written=results["created"][:10], short=short)

    def tables(self, results: Mapping[str, Any]) -> dict[str, bytes]:
        """Return the files beside page, notebook, results and status."""
        return {"runs_reduced.csv": runs_reduced_csv(results).encode()}

    def outcome(self, state: State, message: str = "", **more: Any) -> ReportOutcome:
        """Return what became of it."""
        page = self.folder / f"{self.output}.html"
        return ReportOutcome(source=self.source, page=page, state=state, message=message, **more)

    def died(self, message: str) -> ReportOutcome:
        """Return the outcome where the whole process was ended."""
        return self.outcome("died", message, error=ReportError("died", None, message))


def report_in_worker(job: ReportJob) -> ReportOutcome:
    """Make one report in a process that was started for reports."""
    execution.use_light_validation()
    with execution.Kernels() as kernels:
        return report_one(job, kernels)


def report_one(job: ReportJob, kernels: execution.Kernels, *, more: bool = False) -> ReportOutcome:
    """Make one report or record.

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
        job.check()
        check_target(job.folder, job.files)
        with locked(job.folder):
            outcome = _make(job, kernels, more=more)
    except InputError as error:
        outcome = job.outcome("bad input", str(error), error=error)
    except (ThermlabError, OSError) as error:
        outcome = job.outcome("failed", str(error), error=_as_ours(error))
    return replace(outcome, seconds=time.monotonic() - began)


def _make(job: ReportJob, kernels: execution.Kernels, *, more: bool) -> ReportOutcome:
    """Execute, render and publish; on failure leave the old report and say why beside it."""
    notebook = None

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
            {job.kind: str(job.source.resolve()), **job.given()},
            cell_timeout_s=job.cell_timeout_s,
            progress=job.progress,
            meanwhile=meanwhile,
            kernels=kernels,
        )
        files = finished_files(job, notebook)
        results = json.loads(files["results.json"])
        foreign = _foreign(job, results)
        if foreign is not None:
            return job.outcome("bad input", str(foreign), error=foreign)  # nor is a failure left in another's folder
        publish(job.folder, files)
        return job.outcome("ok", results.get("verdict_reason", ""), verdict=results.get("verdict"))
    except InputError as error:
        outcome = job.outcome("bad input", str(error), error=error)
    except execution.ExecutionFailedError as error:
        notebook = error.notebook
        outcome = job.outcome(error.state, error.message, cell=error.cell, error=error)
    except Exception as error:  # noqa: BLE001 - whatever it was, the others go on and this one says so
        message = f"{type(error).__name__}: {error}{execution.too_few_files()}"
        outcome = job.outcome("failed", message, error=_as_ours(error))
    return _leave_failure(job, outcome, notebook)


def _foreign(job: ReportJob, results: Mapping[str, Any]) -> InputError | None:
    """Tell whether the folder holds a page of another campaign or build: one that shares no input with this one."""
    place = job.folder / "results.json"
    if not place.is_file() or job.folder == job.source.resolve() / job.output:
        return None
    try:
        about: Any = read_json(place)
        theirs, ours = about[job.kind], results[job.kind]
        before, now = theirs["sha256"], ours["sha256"]
        title = theirs["title"]
        # Before the first log there is nothing but the title to know a campaign by.
        same = not {*before.values()}.isdisjoint(now.values()) or (
            title == ours["title"] and len(before) <= len(_DECLARED)
        )
    except (InputError, KeyError, TypeError, AttributeError):
        same, title = False, "something that cannot be read"
    if same:
        return None
    found, allowed = (
        f"the {job.output} of {shown(title)}",
        f"a new folder, or that of an earlier {job.output} of the same",
    )
    return InputError([Problem(str(job.folder), found, allowed)])


def _leave_failure(job: ReportJob, outcome: ReportOutcome, notebook: Any) -> ReportOutcome:
    if outcome.state == "bad input" and not job.folder.is_dir():
        return outcome  # nothing was there, and bad input writes nothing
    message = outcome.message
    for path, name in _paths(job).items():
        message = message.replace(path, name)
    try:
        files = {"status.json": _status_bytes(outcome.state, outcome.cell, message)}
        if notebook is not None:
            files[f"{job.output}.ipynb"] = _notebook_bytes(job, notebook)
        publish_failure(job.folder, files)
    except OSError as error:
        return replace(outcome, message=f"{outcome.message}\nand {job.folder / FAILED} could not be written: {error}")
    return outcome


def _as_ours(error: Exception) -> ThermlabError:
    if isinstance(error, ThermlabError):
        return error
    return ReportError("failed", None, f"{type(error).__name__}: {error}")


def finished_files(job: ReportJob, notebook: Any) -> dict[str, bytes]:
    """Return every file of a finished report by its name, taken from the executed notebook."""
    results = carried_results(notebook)
    return {
        f"{job.output}.html": job.page(notebook, results).encode(),
        f"{job.output}.ipynb": _notebook_bytes(job, notebook),
        "results.json": results_json(results).encode(),
        **job.tables(results),
        "status.json": _status_bytes("ok", None, ""),
    }


def carried_results(notebook: Any) -> dict[str, Any]:
    """Take the results out of an executed report notebook.

    Parameters
    ----------
    notebook : NotebookNode or dict
        As executed.

    Returns
    -------
    dict
        As in ``results.json``.

    Raises
    ------
    ThermlabError
        The notebook carries none.
    """
    for cell in notebook["cells"]:
        for output in cell.get("outputs", []):
            if MIME in output.get("data", {}):
                results: dict[str, Any] = json.loads(json.dumps(output["data"][MIME]))
                return results
    raise ThermlabError("the notebook carries no results: has its last cell run?")


def _notebook_bytes(job: ReportJob, notebook: Any) -> bytes:
    """Return an executed notebook without what only tells where and when it ran."""
    import nbformat  # noqa: PLC0415

    inside = job.folder == job.source.resolve() / job.output
    shown = {job.kind: ".." if inside else _spoken(job), **job.spoken()}
    plain = execution.normalise(notebook, parameters=shown, paths=_paths(job))
    text: str = nbformat.writes(plain)  # type: ignore[no-untyped-call]
    return (text + "\n").encode()


def _paths(job: ReportJob) -> dict[str, str]:
    """Return paths of this machine, each with the name that stands for it."""
    return {
        str(job.source.resolve()): _spoken(job),
        str(Path(sys.prefix)): "python",
        str(Path(__file__).parents[1]): "thermlab",
    }


def _spoken(job: ReportJob) -> str:
    return job.kind if job.anonymous else job.source.resolve().name


def _status_bytes(state: State, cell: int | None, message: str) -> bytes:
    status = {"state": state, "cell": cell, "message": message, "version": __version__}
    return (json.dumps(status, ensure_ascii=False, indent=1) + "\n").encode()
