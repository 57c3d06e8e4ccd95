"""From campaign folders to finished reports: each whole, or not at all.

The template notebook does the work in a fresh kernel and carries the results
as data. One :class:`ReportJob` is the page of a campaign or a build: checked, executed, rendered and put in place, or
left as it was with the reason. Several are made one after the other or side by side on this machine, or by the workers
of a Dask cluster (the optional extra ``thermlab[cluster]`` brings what that needs).
"""

import contextlib
import hashlib
import json
import sys
import threading
import time
from collections.abc import Callable, Iterable, Mapping, Sequence
from concurrent.futures import Executor, ProcessPoolExecutor, ThreadPoolExecutor, as_completed
from concurrent.futures.process import BrokenProcessPool
from dataclasses import dataclass, field, replace
from functools import cache
from multiprocessing import get_context
from pathlib import Path
from typing import Any, ClassVar, Literal

from pydantic import BaseModel

from thermlab import __version__
from thermlab.base.errors import InputError, Problem, ReportError, ThermlabError, shown
from thermlab.base.files import FAILED, check_target, locked, publish, publish_failure
from thermlab.campaign.folder import campaign_folder, load_campaign
from thermlab.campaign.parameters import ReportParameters, apply_overrides, as_overrides, check_parameters
from thermlab.reports import execute as execution
from thermlab.reports.render import drawings, prepare, render_page
from thermlab.reports.results import MIME, read_json, results_json, runs_reduced_csv

_DECLARED = ("campaign.yaml", "runs.csv")
State = Literal["ok", "bad input", "failed", "died", "timeout"]
PAGE_FILES = ("picture*.svg", "customer.html")
"""What the folder of a page may hold besides: its pictures as files, and the customer's sheet."""
CONNECT_TIMEOUT_S = 15
# A notebook is run with an event loop and a progress of its own: one at a time in a process.
_ONE_AT_A_TIME = threading.Lock()


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
    """

    source: Path
    page: Path
    state: State
    verdict: str | None = None
    cell: int | None = None
    message: str = ""
    seconds: float = 0.0

    @property
    def folder(self) -> Path:
        """Folder of the page."""
        return self.page.parent


@dataclass(frozen=True, slots=True, kw_only=True)
class ReportJob:
    """One report to be made: from which campaign, into which folder, how. A build's record differs in a few answers.

    Attributes
    ----------
    source, folder : Path
        Campaign folder, folder of the report.
    template : Path or None
        Notebook to run; None: that of the package.
    asked : ReportParameters
        What is tried, left out and written beside.
    cell_timeout_s : int
        Longest time for one cell, s.
    progress : str or None
        Label of a progress bar, None for no bar.
    """

    source: Path
    folder: Path
    template: Path | None = None
    asked: ReportParameters = field(default_factory=ReportParameters)
    cell_timeout_s: int = execution.CELL_TIMEOUT_S
    progress: str | None = None

    kind: ClassVar[str] = "campaign"
    """What the source is, and the template's parameter for it."""
    packaged: ClassVar[str] = "comparison"
    """Name of the template of the package."""
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
        apply_overrides(load_campaign(self.source).settings, **as_overrides(self.asked))

    def given(self) -> dict[str, Any]:
        """Return the template's parameters beside the source."""
        return self.asked.model_dump(exclude_none=True)

    def page(self, notebook: Any, results: Mapping[str, Any]) -> str:
        """Return the page."""
        short = results["advice"]["state"] == "nothing measured"
        title = f"{results['campaign']['title']} – thermlab report"
        return render_page(notebook, title=title, written=results["created"][:10], short=short)

    def beside(self, notebook: Any, results: Mapping[str, Any]) -> dict[str, bytes]:
        """Return the files beside page, notebook, results and status."""
        found = {"runs_reduced.csv": runs_reduced_csv(results).encode()}
        if self.asked.sheet is not None:
            title = results["campaign"]["title"]
            sheet = render_page(notebook, title=title, written=results["created"][:10], sheet=True)
            found[f"{self.asked.sheet}.html"] = sheet.encode()
        return found

    def outcome(self, state: State, message: str = "", **more: Any) -> ReportOutcome:
        """Return what became of it."""
        page = self.folder / f"{self.output}.html"
        return ReportOutcome(source=self.source, page=page, state=state, message=message, **more)


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
        check_target(job.folder, (*job.files, *PAGE_FILES))
        with locked(job.folder):
            outcome = _make(job, kernels, more=more)
    except (ThermlabError, OSError) as error:
        outcome = _what_happened(job, error)
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
            job.template or execution.template_path(job.packaged),
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
            return job.outcome("bad input", str(foreign))  # nor is a failure left in another's folder
        publish(job.folder, files)
        return job.outcome("ok", results.get("verdict_reason", ""), verdict=results.get("verdict"))
    except Exception as error:  # noqa: BLE001 - whatever it was, the others go on and this one says so
        return _leave_failure(job, _what_happened(job, error), getattr(error, "notebook", notebook))


def _what_happened(job: ReportJob, error: Exception) -> ReportOutcome:
    if isinstance(error, InputError):
        return job.outcome("bad input", str(error))
    if isinstance(error, ReportError):
        return job.outcome(error.state, error.message, cell=error.cell)
    said = str(error) if isinstance(error, ThermlabError) else f"{type(error).__name__}: {error}"
    return job.outcome("failed", said + execution.too_few_files())


def _foreign(job: ReportJob, results: Mapping[str, Any]) -> Problem | None:
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
        empty = title == ours["title"] and len(before) <= len(_DECLARED)
        same = empty or not {*before.values()}.isdisjoint(now.values())
    except (InputError, KeyError, TypeError, AttributeError):
        same, title = False, "something that cannot be read"
    if same:
        return None
    allowed = f"a new folder, or that of an earlier {job.output} of the same"
    return Problem(str(job.folder), f"the {job.output} of {shown(title)}", allowed)


def _leave_failure(job: ReportJob, outcome: ReportOutcome, notebook: Any) -> ReportOutcome:
    if outcome.state == "bad input" and not job.folder.is_dir():
        return outcome  # nothing was there, and bad input writes nothing
    try:
        message = execution.replaced(outcome.message, _paths(job))
        files = {"status.json": _status_bytes(outcome.state, outcome.cell, message)}
        if notebook is not None:
            files[f"{job.output}.ipynb"] = _notebook_bytes(job, notebook)
        publish_failure(job.folder, files)
    except OSError as error:
        return replace(outcome, message=f"{outcome.message}\nand {job.folder / FAILED} could not be written: {error}")
    return outcome


def finished_files(job: ReportJob, notebook: Any) -> dict[str, bytes]:
    """Return every file of a finished report by its name, taken from the executed notebook."""
    results = carried_results(notebook)
    return {
        f"{job.output}.html": job.page(notebook, results).encode(),
        f"{job.output}.ipynb": _notebook_bytes(job, notebook),
        "results.json": results_json(results).encode(),
        **job.beside(notebook, results),
        **_pictures(notebook),
        "status.json": _status_bytes("ok", None, ""),
    }


def _pictures(notebook: Any) -> dict[str, bytes]:
    """Return the pictures of an executed notebook as files, named as their cells are."""
    found: dict[str, bytes] = {}
    for cell in notebook["cells"]:
        shown = "".join(output.get("data", {}).get("text/html", "") for output in cell.get("outputs", []))
        drawn = drawings(shown)
        for place, svg in enumerate(drawn, start=1):
            stem = cell["id"] if cell["id"].startswith("picture") else f"picture-{cell['id']}"
            found[f"{stem}{f'-{place}' if len(drawn) > 1 else ''}.svg"] = svg
    return found


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
    given = {
        name: value for name, value in job.given().items() if not isinstance(value, Mapping)
    }  # the results have it
    shown = {job.kind: ".." if inside else _spoken(job), **given}
    plain = execution.normalise(notebook, parameters=shown, paths=_paths(job))
    text: str = nbformat.writes(plain)  # type: ignore[no-untyped-call]
    return (text + "\n").encode()


def _paths(job: ReportJob) -> dict[str, str]:
    """Return paths of this machine, each with the name that stands for it."""
    ours = {str(Path(sys.prefix)): "python", str(Path(__file__).parents[1]): "thermlab"}
    return {str(job.source.resolve()): _spoken(job)} | ours


def _spoken(job: ReportJob) -> str:
    return job.kind if job.asked.anonymous else job.source.resolve().name


def _status_bytes(state: State, cell: int | None, message: str) -> bytes:
    status = {"state": state, "cell": cell, "message": message, "version": __version__}
    return (json.dumps(status, ensure_ascii=False, indent=1) + "\n").encode()


# Several reports --------------------------------------------------------------------------------------------------


def report(
    campaigns: str | Path | Iterable[str | Path],
    *,
    parameters: Mapping[str, object] | None = None,
    out: str | Path | None = None,
    jobs: int = 1,
    cluster: str | None = None,
    anonymous: bool = False,
    sheet: str | None = None,
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
    sheet : {"customer"}, optional
        Write ``customer.html`` as well: two pages in plain words.
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
    asked = check_parameters({"sheet": sheet} | dict(parameters or {}) | ({"anonymous": True} if anonymous else {}))
    given_paths = [campaigns] if isinstance(campaigns, (str, Path)) else campaigns
    paths = [campaign_folder(path) for path in given_paths]
    work = [
        ReportJob(
            source=path,
            folder=folder,
            asked=asked,
            template=None if template is None else Path(template).resolve(),
            cell_timeout_s=cell_timeout_s,
        )
        for path, folder in zip(paths, _folders(paths, out), strict=True)
    ]
    if cluster is not None:
        return _on_cluster(work, cluster, progress=progress)
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
    with tqdm(total=len(work), unit="report", file=sys.stderr, disable=not progress) as bar:

        def gather(pool: Executor, make: Callable[[ReportJob], ReportOutcome]) -> None:
            waiting = {pool.submit(make, job): place for place, job in enumerate(work) if place not in done}
            for future in as_completed(waiting):
                with contextlib.suppress(BrokenProcessPool):
                    done[waiting[future]] = future.result()
                    bar.update()

        jobs = min(jobs, len(work))
        with ProcessPoolExecutor(max_workers=jobs, mp_context=get_context("spawn")) as pool:
            gather(pool, report_in_worker)
        with ThreadPoolExecutor(max_workers=jobs) as threads:
            gather(threads, _alone)
    return tuple(done[place] for place in range(len(work)))


def _alone(job: ReportJob) -> ReportOutcome:
    with ProcessPoolExecutor(max_workers=1, mp_context=get_context("spawn")) as pool:
        try:
            return pool.submit(report_in_worker, job).result()
        except BrokenProcessPool:
            return job.outcome("died", "the process that made this report was ended from outside, twice")


def _on_cluster(work: Sequence[ReportJob], address: str, *, progress: bool) -> tuple[ReportOutcome, ...]:
    """Make reports on a Dask cluster, whose machines share the storage the files are on.

    A worker that is ended costs a retry: its report is made again by another one.

    Parameters
    ----------
    work : sequence of ReportJob
        What to make; folders and templates of a user's own must have the same paths on every machine.
    address : str
        Of the scheduler, such as ``tcp://host:8786``.
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
            client.submit(report_on_worker, job, _stamp(), pure=False): place for place, job in enumerate(shared)
        }
        for future in tqdm(finished(waiting), total=len(work), unit="report", file=sys.stderr, disable=not progress):
            place = waiting[future]
            try:
                done[place] = read_outcome(work[place], future.result())
            except Exception as error:  # noqa: BLE001 - whatever the cluster says of one report, the others go on
                message = f"the cluster gave this report up: {type(error).__name__}: {error}"
                done[place] = work[place].outcome("died", message)
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
        allowed = "the address of a scheduler that answers: tcp://HOST:PORT"
        raise InputError([Problem("--cluster", f"{address!r} ({reason})", allowed)]) from None


@cache
def _stamp() -> str:
    """Return the version of thermlab and a digest of its source: a worker with another one refuses the work."""
    sources = (path.read_bytes() for path in sorted(Path(__file__).parents[1].rglob("*.py")))
    return f"{__version__} ({hashlib.sha256(b''.join(sources)).hexdigest()[:16]})"


def report_on_worker(job: ReportJob, stamp: str) -> str:
    """Make one report on a worker, if it runs the same thermlab as whoever asks; return what became of it as JSON."""
    if stamp != _stamp():
        message = f"the worker runs thermlab {_stamp()}, this machine {stamp}: install the same on all"
        return told(job.outcome("died", message))
    with _ONE_AT_A_TIME:
        return told(report_in_worker(job))


class _Told(BaseModel):
    """What a worker says of a report."""

    state: State
    verdict: str | None
    cell: int | None
    message: str
    seconds: float


def told(outcome: ReportOutcome) -> str:
    """Return what became of a report as plain text."""
    return _Told.model_validate(outcome, from_attributes=True).model_dump_json()


def read_outcome(job: ReportJob, text: str) -> ReportOutcome:
    """Return what a worker says of a job.

    Raises
    ------
    ValueError
        It is not said as a worker of ours says it.
    """
    return job.outcome(**dict(_Told.model_validate_json(text)))


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
    if twice := sorted({str(folder) for folder in folders if folders.count(folder) > 1}):
        found, allowed = "two reports for one folder", "campaigns of different names"
        raise InputError([Problem(folder, found, allowed) for folder in twice])
    return folders
