"""The record of a finished machine: assessed, shown on one page, whole or not at all."""

from __future__ import annotations

import json
import sys
from dataclasses import dataclass, replace
from datetime import UTC, datetime
from pathlib import Path
from typing import TYPE_CHECKING, Any, Literal

from thermlab import __version__
from thermlab.archives.filing import BUILD
from thermlab.base.errors import InputError, Problem, ReportError, ThermlabError, shown
from thermlab.base.files import FAILED, check_target, locked, publish, publish_failure
from thermlab.builds.settings import Build, load_build
from thermlab.reports import execute as execution

if TYPE_CHECKING:
    from thermlab.builds.assess import BuildAssessment
    from thermlab.reports.results import Results

State = Literal["ok", "bad input", "failed", "died", "timeout"]


@dataclass(frozen=True, slots=True, kw_only=True)
class RecordOutcome:
    """What became of the record of one build.

    Attributes
    ----------
    build : Path
        The build folder.
    folder : Path
        Where the record is, or would have been.
    state : {"ok", "bad input", "failed", "died", "timeout"}
        As in ``status.json``.
    verdict : str or None
        ``pass``, ``refer`` or ``fail``; None where there is no record.
    cell : int or None
        Cell that failed, from 0, where it is known.
    message : str
        What happened, or why the verdict is what it is.
    error : ThermlabError or None
        The error itself.
    """

    build: Path
    folder: Path
    state: State
    verdict: str | None = None
    cell: int | None = None
    message: str = ""
    error: ThermlabError | None = None

    @property
    def page(self) -> Path:
        """Path of the page."""
        return self.folder / BUILD.page


def assess_build(folder: str | Path, *, reference: dict[str, Any] | None = None) -> BuildAssessment:
    """Read a build folder and assess the build.

    Parameters
    ----------
    folder : str or Path
        A folder with ``build.yaml``.
    reference : dict, optional
        What an earlier record kept of its campaign; default: the campaign that ``build.yaml`` names.

    Returns
    -------
    BuildAssessment

    Raises
    ------
    InputError
        With every problem of ``build.yaml``, the campaign, the logs and the photos.
    """
    from thermlab.builds.assess import assess  # noqa: PLC0415
    from thermlab.builds.references import load_reference, reference_from_results  # noqa: PLC0415 - numpy behind it
    from thermlab.builds.runs import reduce_build  # noqa: PLC0415
    from thermlab.reports.photos import read_photos  # noqa: PLC0415

    build = load_build(folder)
    if reference is None:
        found = load_reference(_campaign_folder(build), where="build.yaml (campaign)")
    else:
        found = reference_from_results(reference, results_sha256=str(reference.get("results_sha256") or ""))
    if build.settings.treatment not in found.treatments:
        known = ", ".join(map(repr, found.treatments))
        where = "build.yaml (treatment)"
        raise InputError(
            [Problem(where, shown(build.settings.treatment), f"a treatment with runs in the campaign: {known}")]
        )
    reduced = reduce_build(build, found)
    photos = read_photos(build.folder, [(photo.file, photo.shows) for photo in build.settings.photos])
    return assess(build, found, reduced, photos)


def _campaign_folder(build: Build) -> Path:
    # The campaign lies beside the build or in an archive: the one path that may lead out of the build folder.
    return Path(build.folder, build.settings.campaign)


def record_results(assessment: BuildAssessment, *, created: datetime | None = None) -> Results:
    """Put an assessment into the form of ``results.json``.

    Parameters
    ----------
    assessment : BuildAssessment
        What was found.
    created : datetime or None
        Time stamp; None for now.

    Returns
    -------
    Results
        JSON-native, schema 1, kind ``build``.
    """
    from thermlab.builds.assess import numbers  # noqa: PLC0415
    from thermlab.reports.results import SCHEMA, Results, plain  # noqa: PLC0415

    settings, reference = assessment.build.settings, assessment.reference
    return Results(
        schema=SCHEMA,
        kind="build",
        thermlab_version=__version__,
        created=(created or datetime.now(UTC)).isoformat(timespec="seconds"),
        build={
            "id": settings.build,
            "title": settings.title,
            "bench": reference.bench,
            "treatment": settings.treatment,
            "lot": settings.lot,
            "notes": settings.notes,
            "photos": [photo.model_dump() for photo in settings.photos],
            "sha256": dict(assessment.sha256),
        },
        verdict=assessment.verdict,
        verdict_reason=assessment.verdict_reason,
        prediction=plain(assessment.rises),
        throttle=plain(assessment.throttle),
        runs=plain(assessment.runs),
        settings=plain(numbers(assessment)),
        reference=plain(reference.to_results()),
        cautions=list(assessment.cautions),
    )


def record(
    build: str | Path,
    *,
    out: str | Path | None = None,
    template: str | Path | None = None,
    cell_timeout_s: int = execution.CELL_TIMEOUT_S,
    progress: bool = False,
) -> RecordOutcome:
    """Make the record of a finished machine.

    Parameters
    ----------
    build : str or Path
        A folder with ``build.yaml``.
    out : path, optional
        Folder of the record. Default: ``record`` in the build folder.
    template : path, optional
        Another notebook with the same parameter.
    cell_timeout_s : int
        Longest time for one cell, s.
    progress : bool
        Show a bar on standard error.

    Returns
    -------
    RecordOutcome
        ``record.html``, ``record.ipynb``, ``results.json`` and ``status.json``, all or none; on failure the old
        record stays and ``.failed`` beside it says why.
    """
    place = Path(build)
    folder = place.resolve() / BUILD.output if out is None else Path(out).resolve()
    try:
        loaded = load_build(place)
        check_target(folder, BUILD.files)
        with locked(folder):
            return _make(loaded, folder, template, cell_timeout_s, place.name if progress else None)
    except InputError as error:
        return RecordOutcome(build=place, folder=folder, state="bad input", message=str(error), error=error)
    except (ThermlabError, OSError) as error:
        return RecordOutcome(build=place, folder=folder, state="failed", message=str(error), error=_as_ours(error))


def _make(
    build: Build, folder: Path, template: str | Path | None, cell_timeout_s: int, progress: str | None
) -> RecordOutcome:
    from thermlab.reports.render import prepare  # noqa: PLC0415
    from thermlab.reports.report_files import carried_results  # noqa: PLC0415

    notebook: Any = None
    try:
        notebook = execution.execute_template(
            execution.template_path("build_record") if template is None else Path(template).resolve(),
            {"build": str(build.folder)},
            cell_timeout_s=cell_timeout_s,
            progress=progress,
            meanwhile=prepare,
        )
        results = carried_results(notebook)
        publish(folder, _files(build, folder, notebook, results))
        return RecordOutcome(
            build=build.folder,
            folder=folder,
            state="ok",
            verdict=results["verdict"],
            message=results["verdict_reason"],
        )
    except InputError as error:
        outcome = RecordOutcome(build=build.folder, folder=folder, state="bad input", message=str(error), error=error)
    except execution.ExecutionFailedError as error:
        notebook = error.notebook
        outcome = RecordOutcome(
            build=build.folder, folder=folder, state=error.state, cell=error.cell, message=error.message, error=error
        )
    except Exception as error:  # noqa: BLE001 - whatever it was, the old record stays and status.json says why
        message = f"{type(error).__name__}: {error}"
        outcome = RecordOutcome(
            build=build.folder, folder=folder, state="failed", message=message, error=_as_ours(error)
        )
    return _leave_failure(build, outcome, notebook)


def _leave_failure(build: Build, outcome: RecordOutcome, notebook: Any) -> RecordOutcome:
    if outcome.state == "bad input" and not outcome.folder.is_dir():
        return outcome  # nothing was there, and bad input writes nothing
    message = outcome.message.replace(str(build.folder), build.folder.name)
    files = {"status.json": _status(outcome.state, outcome.cell, message)}
    if notebook is not None:
        files["record.ipynb"] = _notebook_bytes(build, outcome.folder, notebook)
    try:
        publish_failure(outcome.folder, files)
    except OSError as error:
        place = outcome.folder / FAILED
        return replace(outcome, message=f"{outcome.message}\nand {place} could not be written: {error}")
    return outcome


def _files(build: Build, folder: Path, notebook: Any, results: dict[str, Any]) -> dict[str, bytes]:
    from thermlab.reports.render import render_page  # noqa: PLC0415
    from thermlab.reports.results import results_json  # noqa: PLC0415

    settings = build.settings
    page = render_page(
        notebook, title=f"{settings.build}: {settings.title} – record of a finished machine", kind="Record"
    )
    return {
        "record.html": page.encode(),
        "record.ipynb": _notebook_bytes(build, folder, notebook),
        "results.json": results_json(results).encode(),
        "status.json": _status("ok", None, ""),
    }


def _notebook_bytes(build: Build, folder: Path, notebook: Any) -> bytes:
    import nbformat  # noqa: PLC0415

    paths = {
        str(build.folder): build.folder.name,
        str(Path(sys.prefix)): "python",
        str(Path(__file__).parents[1]): "thermlab",
    }
    inside = folder == build.folder / BUILD.output
    plain = execution.normalise(notebook, parameters={"build": ".." if inside else build.folder.name}, paths=paths)
    return (str(nbformat.writes(plain)) + "\n").encode()  # type: ignore[no-untyped-call]


def _status(state: State, cell: int | None, message: str) -> bytes:
    status = {"state": state, "cell": cell, "message": message, "version": __version__}
    return (json.dumps(status, ensure_ascii=False, indent=1) + "\n").encode()


def _as_ours(error: Exception) -> ThermlabError:
    if isinstance(error, ThermlabError):
        return error
    return ReportError("failed", None, f"{type(error).__name__}: {error}")
