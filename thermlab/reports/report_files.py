"""What a finished report consists of, as bytes, taken from the executed notebook."""

from __future__ import annotations

import json
import sys
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any, Literal

from thermlab import __version__
from thermlab.base.errors import ThermlabError
from thermlab.reports import execute as execution
from thermlab.reports.render import render_page
from thermlab.reports.results import MIME, results_json, runs_reduced_csv

if TYPE_CHECKING:
    from collections.abc import Mapping

FILES = ("report.html", "report.ipynb", "results.json", "runs_reduced.csv", "status.json")
State = Literal["ok", "bad input", "failed", "died", "timeout"]


@dataclass(frozen=True, slots=True, kw_only=True)
class ReportJob:
    """One report to be made: from which campaign, into which folder, how.

    Attributes
    ----------
    campaign, folder, template : Path
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

    campaign: Path
    folder: Path
    parameters: Mapping[str, Any]
    anonymous: bool
    template: Path
    cell_timeout_s: int
    progress: str | None = None


def finished_files(job: ReportJob, notebook: Any) -> dict[str, bytes]:
    """Return every file of a finished report by its name."""
    results = carried_results(notebook)
    page = render_page(notebook, title=f"{results['campaign']['title']} – thermlab report")
    return {
        "report.html": page.encode(),
        "report.ipynb": notebook_bytes(job, notebook),
        "results.json": results_json(results).encode(),
        "runs_reduced.csv": runs_reduced_csv(results).encode(),
        "status.json": status_bytes("ok", None, ""),
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


def notebook_bytes(job: ReportJob, notebook: Any) -> bytes:
    """Return an executed notebook without what only tells where and when it ran."""
    import nbformat  # noqa: PLC0415

    name = "campaign" if job.anonymous else job.campaign.resolve().name
    inside = job.folder == job.campaign.resolve() / "report"
    shown = {"campaign": ".." if inside else name, **job.parameters, "anonymous": job.anonymous}
    plain = execution.normalise(notebook, parameters=shown, paths=_paths(job))
    text: str = nbformat.writes(plain)  # type: ignore[no-untyped-call]
    return (text + "\n").encode()


def _paths(job: ReportJob) -> dict[str, str]:
    name = "campaign" if job.anonymous else job.campaign.resolve().name
    return {
        str(job.campaign.resolve()): name,
        str(Path(sys.prefix)): "python",
        str(Path(__file__).parents[1]): "thermlab",
    }


def without_paths(job: ReportJob, text: str) -> str:
    """Return a text with the paths of this machine replaced by names."""
    for path, name in _paths(job).items():
        text = text.replace(path, name)
    return text


def status_bytes(state: State, cell: int | None, message: str) -> bytes:
    """Return ``status.json``."""
    status = {"state": state, "cell": cell, "message": message, "version": __version__}
    return (json.dumps(status, ensure_ascii=False, indent=1) + "\n").encode()
