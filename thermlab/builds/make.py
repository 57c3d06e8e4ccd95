"""The record of a finished machine: assessed, shown on one page, whole or not at all."""

from collections.abc import Mapping
from dataclasses import dataclass
from datetime import datetime
from pathlib import Path
from typing import Any, ClassVar

from thermlab.archives.listing import BUILD, CAMPAIGN
from thermlab.base.errors import InputError, Problem, shown
from thermlab.builds.assess import BuildAssessment, assess, numbers
from thermlab.builds.evidence import load_reference, reduce_build, reference_from_results, reference_of
from thermlab.builds.settings import load_build
from thermlab.campaign.folder import campaign_folder
from thermlab.reports import execute as execution
from thermlab.reports.make import ReportJob, ReportOutcome, report_one
from thermlab.reports.photos import read_photos
from thermlab.reports.render import render_page
from thermlab.reports.results import Results, plain, written


@dataclass(frozen=True, slots=True, kw_only=True)
class RecordJob(ReportJob):
    """One record to be made: from which build, into which folder, how.

    Attributes
    ----------
    reference : mapping or None
        What an earlier record kept of its campaign; None for the campaign that ``build.yaml`` names.
    """

    reference: Mapping[str, Any] | None = None

    kind: ClassVar[str] = BUILD.name
    output: ClassVar[str] = BUILD.output
    packaged: ClassVar[str] = "build_record"
    files: ClassVar[tuple[str, ...]] = BUILD.files

    def check(self) -> None:
        """Read ``build.yaml``, before a kernel starts."""
        load_build(self.source)

    def given(self) -> dict[str, Any]:
        """Return the template's parameters beside the build."""
        return {} if self.reference is None else {"reference": dict(self.reference)}

    def page(self, notebook: Any, results: Mapping[str, Any]) -> str:
        """Return the page."""
        build = results["build"]
        title = f"{build['id']}: {build['title']} – record of a finished machine"
        return render_page(notebook, title=title, kind="Record", written=results["created"][:10])

    def beside(self, notebook: Any, results: Mapping[str, Any]) -> dict[str, bytes]:  # noqa: ARG002 - as for a campaign
        """Return the files beside page, notebook, results and status: none."""
        return {}


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
    build = load_build(folder)
    campaign = None
    if build.settings.campaign is None:
        found = reference_of(build.settings)
    elif reference is None:
        # It lies beside the build or in an archive: the one path that may lead out of the build folder.
        campaign = campaign_folder(Path(build.folder, build.settings.campaign))
        found = load_reference(campaign, where="build.yaml (campaign)")
        filed = campaign / "data" / CAMPAIGN.name
        campaign = filed if filed.is_dir() else campaign
    else:
        found = reference_from_results(reference)
    if found.runs and build.settings.treatment not in found.treatments:
        allowed = f"a treatment with runs in the campaign: {', '.join(map(repr, found.treatments))}"
        raise InputError([Problem("build.yaml (treatment)", shown(build.settings.treatment), allowed)])
    reduced = reduce_build(build, found, campaign=campaign)
    photos = read_photos(build.folder, [(photo.file, photo.shows) for photo in build.settings.photos])
    return assess(build, found, reduced, photos)


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
    settings, reference = assessment.build.settings, assessment.reference
    return written(
        created=created,
        kind="build",
        build={
            "id": settings.build,
            "bench": reference.bench,
            **plain(settings.model_dump(include={"title", "treatment", "lot", "notes", "photos"})),
            "sha256": assessment.reduced.sha256,
        },
        verdict=assessment.verdict,
        verdict_reason=assessment.verdict_reason,
        prediction=plain(assessment.rises),
        throttle=plain(assessment.throttle),
        runs=plain(assessment.reduced.runs),
        settings=plain(numbers(assessment)),
        reference=plain(reference.to_results()),
        cautions=list(assessment.cautions),
    )


def record(
    build: str | Path,
    *,
    reference: Mapping[str, Any] | None = None,
    out: str | Path | None = None,
    progress: bool = False,
) -> ReportOutcome:
    """Make the record of a finished machine.

    Parameters
    ----------
    build : str or Path
        A folder with ``build.yaml``, or the path of that file.
    reference : mapping, optional
        What an earlier record kept of its campaign; default: the campaign that ``build.yaml`` names.
    out : path, optional
        Folder of the record. Default: ``record`` in the build folder.
    progress : bool
        Show a bar on standard error.

    Returns
    -------
    ReportOutcome
        ``record.html``, ``record.ipynb``, ``results.json`` and ``status.json``, all or none; on failure the old
        record stays and ``.failed`` beside it says why.
    """
    place = campaign_folder(build)
    job = RecordJob(
        source=place,
        folder=place.resolve() / BUILD.output if out is None else Path(out).resolve(),
        reference=reference,
        progress=place.name if progress else None,
    )
    with execution.Kernels() as kernels:
        return report_one(job, kernels)
