"""What a build is judged by: the results of its campaign where it has one, and its own acceptance runs.

Only the reported results of the campaign are used, from its folder or from its
bag in an archive, however old the version that wrote them. The record keeps
what it used, so that it can be recomputed without the campaign.

One or two runs cannot fix a time constant of their own, so that of the campaign
is used, moved to the power of each run as for any run of the bench. The checks
of single runs are the campaign's, with its thresholds. Without a campaign the
settings of the bench stand with the build, and its runs give what they can.
"""

import re
from collections.abc import Collection, Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

from thermlab.archives.bags import check_bag
from thermlab.archives.filed_results import filed_runs
from thermlab.archives.filing import inspect
from thermlab.archives.listing import CAMPAIGN
from thermlab.base.errors import InputError, Problem, ThermlabError, shown
from thermlab.base.files import sha256_file
from thermlab.builds.settings import Build, BuildSettings
from thermlab.campaign.folder import RunsToReduce, load_campaign
from thermlab.campaign.runsheet import RunLine
from thermlab.campaign.settings import BenchSettings, CheckThresholds
from thermlab.compare.mounts import tabulate_mounts
from thermlab.compare.throttle import curves_of_mounts, mean_curve
from thermlab.reports.results import read_results
from thermlab.runs.checks.between import check_readings, reading_marks, same_readings
from thermlab.runs.reading import read_campaign_logs
from thermlab.runs.records import ReducedRun
from thermlab.runs.settled_runs import (
    BenchReduction,
    bench_curve,
    check_runs,
    own_time_constant,
    reduce_bench,
    reduce_runs,
    reduced_run,
    unread_run,
)
from thermlab.runs.time_constant import COOLINGS, BenchTimeConstant
from thermlab.runs.trace import Trace
from thermlab.stats.curves import RiseCurve
from thermlab.stats.variances import Prior

_RUN_KEYS = ("run", "treatment", "mount", "set_power_W", "rise_K", "used", "lot", "condition", "flags")
_WRITTEN, _CAMPAIGN = ("results_sha256", "created", "thermlab_version"), ("title", "bench", "baseline")
_BENCH = ("time_constant_min", "u_time_constant_min")
_SETTINGS_KEYS = ("cooling", "radiated_share", "measurand", "decision", "analysis", "prior", "checks", "fit_from_min")


@dataclass(frozen=True, slots=True, kw_only=True)
class Reference:
    """What a campaign says that a build is held against; without runs where there is no campaign.

    Attributes
    ----------
    title, bench, baseline, created, thermlab_version : str
        Which campaign, and who made its report when.
    results_sha256 : str
        SHA-256 of its ``results.json``.
    runs : tuple of ReducedRun
        In the order made.
    time_constant_min, u_time_constant_min : float or None
        Of the bench, at its highest power step, min.
    settings : dict
        Its cooling, measurand, decision, analysis, prior and thresholds.
    """

    title: str = ""
    bench: str
    baseline: str
    created: str = ""
    thermlab_version: str = ""
    results_sha256: str = ""
    runs: tuple[ReducedRun, ...] = ()
    time_constant_min: float | None = None
    u_time_constant_min: float | None = None
    settings: dict[str, Any]

    @property
    def treatments(self) -> tuple[str, ...]:
        """Treatments with runs, baseline first."""
        present = dict.fromkeys(run.treatment for run in self.runs)
        return tuple(sorted(present, key=lambda name: name != self.baseline))

    @property
    def alone(self) -> bool:
        """Whether there is no campaign that says where a build should be."""
        return not self.runs

    @property
    def cooling(self) -> str:
        """Whether the bench is ``passive`` or ``forced``."""
        return str(self.settings.get("cooling") or "passive")

    @property
    def confidence_level(self) -> float:
        """Confidence level of the campaign, as a fraction."""
        return float(self.settings.get("decision", {}).get("confidence_level", 0.95))

    @property
    def variance(self) -> str:
        """How the campaign took the scatter of its treatments, as declared: auto, pooled or welch."""
        return str((self.settings.get("analysis") or {}).get("variance") or "auto")

    def asked(self) -> dict[str, Any]:
        """Return how its runs are compared, as arguments of the comparison and of the throttle power."""
        prior = None
        if given := self.settings.get("prior"):
            per_W = given.get("mount_sd_K_per_W") or float(given["mount_sd_K"]) / float(given["at_power_W"])
            prior = Prior(mount_sd_K_per_W=float(per_W), dof=float(given["dof"]), source=str(given.get("source")))
        return {
            "treatments": self.treatments,
            "baseline": self.treatments[0],
            "confidence_level": self.confidence_level,
            "variance": "welch" if self.variance == "welch" else "pooled",
            "prior": prior,
        }

    @property
    def checks(self) -> dict[str, Any]:
        """Thresholds of the run checks, as far as this version still has them."""
        filed = self.settings.get("checks") or {}
        return {name: value for name, value in filed.items() if name in CheckThresholds.model_fields}

    @property
    def dropped_checks(self) -> tuple[str, ...]:
        """Thresholds the campaign was judged by that this version no longer has."""
        return tuple(sorted(set(self.settings.get("checks") or {}) - set(CheckThresholds.model_fields)))

    def to_results(self) -> dict[str, Any] | None:
        """Return what was used, in the form of ``results.json``; None where there is no campaign."""
        if self.alone:
            return None
        return {
            **{name: getattr(self, name) for name in (*_WRITTEN, "settings")},
            "campaign": {name: getattr(self, name) for name in _CAMPAIGN},
            "bench": {name: getattr(self, name) for name in _BENCH},
            "runs": [{key: getattr(run, key) for key in _RUN_KEYS} for run in self.runs],
        }


def reference_from_results(results: dict[str, Any]) -> Reference:
    """Take what is needed out of the results of a campaign.

    Parameters
    ----------
    results : dict
        Of schema 1 with the ``results_sha256`` of their file, or what :meth:`Reference.to_results` made.

    Raises
    ------
    InputError
        They are not the results of a campaign with runs.
    """
    where, allowed = "results.json of the campaign", "the results of a campaign as thermlab writes them"
    try:
        about, bench, settings = results["campaign"], results.get("bench") or {}, results["settings"]
        said: dict[str, Any] = {name: str(about.get(name) or "") for name in _CAMPAIGN}
        said |= {name: str(results.get(name) or "") for name in _WRITTEN} | {name: bench.get(name) for name in _BENCH}
        said["settings"] = {key: settings.get(key) for key in _SETTINGS_KEYS}
        reference = Reference(**said, runs=tuple(filed_runs(results)))
    except (KeyError, TypeError, ValueError, AttributeError) as error:
        found = f"results that cannot be read ({type(error).__name__}: {error})"
        raise InputError([Problem(where, found, allowed)]) from error
    if not reference.runs:
        raise InputError([Problem(where, "no runs", allowed)])
    return reference


def load_reference(folder: Path, *, where: str) -> Reference:
    """Read the campaign a build refers to.

    Parameters
    ----------
    folder : Path
        A campaign with a finished report of its present inputs, or a bag.
    where : str
        What problems call the place it was named, such as ``build.yaml:5 (campaign)``.

    Raises
    ------
    InputError
        There is no such campaign, its report is missing or older than its inputs, or the bag is damaged.
    """
    bagged = (folder / "bagit.txt").is_file()
    path = CAMPAIGN.results(folder / "data" if bagged else folder)
    if bagged:
        check = check_bag(folder)
        if not check.ok:
            found = f"a damaged bag: {' / '.join(check.summary().splitlines())}"
            raise InputError([Problem(where, found, "a whole bag")])
    elif not (folder / CAMPAIGN.settings).is_file():
        found = f"{shown(folder, limit=300)}, which is neither a campaign nor a bag"
        raise InputError([Problem(where, found, "the folder of a campaign, or of its bag in an archive")])
    else:
        try:
            inspect(folder)
        except InputError as error:
            raise InputError(Problem(f"{where}: {e.where}", e.found, e.allowed) for e in error.problems) from None
    try:
        return reference_from_results(read_results(path) | {"results_sha256": sha256_file(path)[0]})
    except OSError as error:
        raise ThermlabError(f"{where}: {error}") from error


def reference_of(settings: BuildSettings) -> Reference:
    """Return what stands in place of a campaign: the settings of the bench that ``build.yaml`` gives."""
    said = settings.model_dump(include={"cooling", "radiated_share", "measurand", "checks"})
    return Reference(bench=settings.bench, baseline=settings.treatment, settings=said)


_SHEET_PLACE = re.compile(r"runs\.csv:(\d+)")


@dataclass(frozen=True, slots=True)
class BuildRuns:
    """The acceptance runs, reduced.

    Attributes
    ----------
    runs : tuple of ReducedRun
        In the order of ``build.yaml``; the mount is the build.
    sha256 : dict of str to str
        Checksum of every file read.
    notes : tuple of str
        What the reader passed over.
    time_constant_min : float or None
        Of the bench at the highest power step, from the campaign or else from these runs, min.
    """

    runs: tuple[ReducedRun, ...]
    sha256: dict[str, str]
    notes: tuple[str, ...]
    time_constant_min: float | None


def reduce_build(build: Build, reference: Reference, *, campaign: Path | None = None) -> BuildRuns:
    """Read and reduce the acceptance runs of a build.

    Parameters
    ----------
    build : Build
        As written.
    reference : Reference
        The campaign it is judged by, if any.
    campaign : Path, optional
        Folder of its inputs: no readings of the build may be readings of it.

    Returns
    -------
    BuildRuns

    Raises
    ------
    InputError
        With every problem of every log, and where its readings are those of a run of the campaign.
    """
    to_reduce = _to_reduce(build, reference)
    try:
        readings = read_campaign_logs(to_reduce)
    except InputError as error:
        raise InputError([_placed(problem) for problem in error.problems]) from None
    traces = [trace for trace in readings.traces if trace is not None]
    if campaign is not None:
        _refuse_copies(traces, campaign, to_reduce.settings.checks)
    excluded = {line.run for line in to_reduce.runs if line.exclude}
    left_out = {i for i, trace in enumerate(traces) if trace.run in excluded}
    bench = _reduce_bench(traces, to_reduce.settings, reference, left_out)
    shared = check_readings(bench.estimates, to_reduce.settings.checks, left_out)
    flags = (own + more for own, more in zip(check_runs(bench), shared, strict=True))
    estimates = iter(bench.estimates)
    curve, _ = curve_and_bends(reference)
    runs = []
    for order, (line, trace) in enumerate(zip(to_reduce.runs, readings.traces, strict=True)):
        if trace is None:
            runs.append(unread_run(line, order))
            continue
        estimate, own = next(estimates), curve
        if own is None and estimate.level_K is not None:
            own = bench_curve([trace.set_power_W], [estimate.level_K], cooling=reference.cooling)
        runs.append(reduced_run(line, order, estimate, next(flags), bench, own))
    tau_min = bench.time_constant_s and bench.time_constant_s / 60.0
    return BuildRuns(tuple(runs), build.sha256 | readings.sha256, readings.notes, tau_min)


def _refuse_copies(traces: Sequence[Trace], campaign: Path, thresholds: CheckThresholds) -> None:
    """Refuse a build made of readings of its campaign: it would be held against itself."""
    try:
        theirs = [trace for trace in read_campaign_logs(load_campaign(campaign)).traces if trace is not None]
    except InputError:
        return  # what another version accepted; its report stands, and there is nothing to compare with
    marks = [reading_marks(trace) for trace in (*theirs, *traces)]
    same = same_readings(marks, share=thresholds.copied_percent / 100.0)
    found = "readings that are those of the campaign's run {} ({:.0%}, change by change)".format
    problems = [
        Problem(f"build.yaml, run {j - len(theirs) + 1}", found(theirs[i].run, share), "a log of the build itself")
        for i, j, share in same
        if i < len(theirs) <= j
    ]
    if problems:
        raise InputError(problems)


def _to_reduce(build: Build, reference: Reference) -> RunsToReduce:
    """Take how runs are reduced and checked from the campaign, and all else from the build."""
    settings = build.settings
    of_the_campaign = {
        "cooling": reference.cooling,
        "limits": settings.keeps,
        "measurand": reference.settings.get("measurand") or "hottest",
        "checks": CheckThresholds.model_validate(reference.checks),
    }
    of_the_build: dict[str, Any] = {"treatment": settings.treatment, "mount": settings.build, "lot": settings.lot}
    lines = (RunLine(**run.model_dump(), **of_the_build, line=place) for place, run in enumerate(settings.runs))
    return RunsToReduce(build.folder, settings.model_copy(update=of_the_campaign), tuple(lines), dict(build.sha256))


def _placed(problem: Problem) -> Problem:
    """Say where a problem lies in ``build.yaml`` instead of in a run sheet."""
    return replace(problem, where=_SHEET_PLACE.sub(lambda m: f"build.yaml, run {int(m[1]) + 1}", problem.where))


def _reduce_bench(
    traces: Sequence[Trace], settings: BenchSettings, reference: Reference, left_out: Collection[int]
) -> BenchReduction:
    """Reduce runs with the time constant that the campaign found; without a campaign with their own."""
    constant, tau_min = None, reference.time_constant_min
    if reference.alone:
        own = reduce_bench(traces, settings, leave_out=left_out)
        constant = own.time_constant and own_time_constant(own.time_constant)
        return reduce_runs(replace(own, time_constant=constant), traces)
    if tau_min is not None:
        fit_from_min = reference.settings.get("fit_from_min")
        constant = BenchTimeConstant(
            time_constant_s=60.0 * tau_min,
            u_time_constant_s=60.0 * (reference.u_time_constant_min or 0.0),
            fit_from_s=60.0
            * (COOLINGS[reference.cooling].slow_from * tau_min if fit_from_min is None else fit_from_min),
        )
    highest_W = max(run.set_power_W for run in reference.runs)  # which the time constant refers to
    bench = BenchReduction(settings=settings, time_constant=constant, highest_power_W=highest_W)
    return reduce_runs(bench, traces)


def curve_and_bends(reference: Reference) -> tuple[RiseCurve | None, tuple[float, ...]]:
    """Return the mean rise curve of the campaign's mounts, None where no mount has one, and the bend of each."""
    fitted = curves_of_mounts(tabulate_mounts(reference.runs, reference.treatments))[0]
    curves = [curve.curve for curve in fitted]
    return mean_curve(curves), tuple(curve.a for curve in curves)
