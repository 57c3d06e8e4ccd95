"""The acceptance runs of a build, reduced with what its campaign knows of the bench.

One or two runs cannot fix a time constant of their own, so that of the campaign
is used, moved to the power of each run as for any run of the bench. The checks
of single runs are the campaign's, with its thresholds.
"""

from __future__ import annotations

import math
import re
from dataclasses import dataclass
from typing import TYPE_CHECKING

from thermlab.base.errors import InputError, Problem
from thermlab.campaign.folder import RunsToReduce, load_campaign
from thermlab.campaign.runsheet import RunLine
from thermlab.campaign.settings import BenchSettings, LogsAndRoom
from thermlab.compare.mounts import tabulate_mounts
from thermlab.compare.throttle import curves_of_mounts
from thermlab.runs.checks.between import check_readings, reading_marks, same_readings
from thermlab.runs.reading import read_campaign_logs
from thermlab.runs.settled_runs import BenchReduction, bench_curve, check_runs, reduce_runs, reduced_run, unread_run
from thermlab.runs.time_constant import SLOW_FROM, BenchTimeConstant
from thermlab.runs.trace import block_means
from thermlab.stats.curves import RiseCurve

if TYPE_CHECKING:
    from collections.abc import Sequence
    from pathlib import Path

    from thermlab.builds.references import Reference
    from thermlab.builds.settings import Build
    from thermlab.campaign.settings import CheckThresholds
    from thermlab.runs.records import ReducedRun
    from thermlab.runs.settled_rise import Estimate
    from thermlab.runs.trace import Trace

_SHEET_PLACE = re.compile(r"runs\.csv:(\d+)")


@dataclass(frozen=True, slots=True, kw_only=True)
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
    """

    runs: tuple[ReducedRun, ...]
    sha256: dict[str, str]
    notes: tuple[str, ...]


def reduce_build(build: Build, reference: Reference, *, campaign: Path | None = None) -> BuildRuns:
    """Read and reduce the acceptance runs of a build.

    Parameters
    ----------
    build : Build
        As written.
    reference : Reference
        The campaign it is judged by.
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
    bench = _reduce_bench(traces, to_reduce.settings, reference)
    left_out = {i for i, trace in enumerate(traces) if _excluded(to_reduce, trace)}
    shared = check_readings(traces, bench.estimates, to_reduce.settings.checks, left_out)
    flags = (own + more for own, more in zip(check_runs(to_reduce.settings, traces, bench), shared, strict=True))
    estimates = iter(bench.estimates)
    found = mean_curve(reference)
    curve = None if found is None else found[0]
    tau_s = None if bench.time_constant is None else bench.time_constant.time_constant_s
    runs = []
    for order, (line, trace) in enumerate(zip(to_reduce.runs, readings.traces, strict=True)):
        if trace is None:
            runs.append(unread_run(line, order))
            continue
        estimate = next(estimates)
        own = curve or _curve_of_one(trace, estimate, reference)
        runs.append(reduced_run(line, trace, estimate, next(flags), own, to_reduce.settings, order, tau_s))
    return BuildRuns(runs=tuple(runs), sha256=build.sha256 | readings.sha256, notes=readings.notes)


def _excluded(to_reduce: RunsToReduce, trace: Trace) -> bool:
    return any(line.run == trace.run and line.exclude for line in to_reduce.runs)


def _refuse_copies(traces: Sequence[Trace], campaign: Path, thresholds: CheckThresholds) -> None:
    """Refuse a build made of readings of its campaign: it would be held against itself."""
    try:
        theirs = [trace for trace in read_campaign_logs(load_campaign(campaign)).traces if trace is not None]
    except InputError:
        return  # what another version accepted; its report stands, and there is nothing to compare with
    marks = [reading_marks(trace) for trace in (*theirs, *traces)]
    same = same_readings(marks, share=thresholds.copied_percent / 100.0)
    problems = [
        Problem(
            f"build.yaml, run {j - len(theirs) + 1}",
            f"readings that are those of the campaign's run {theirs[i].run} ({share:.0%}, change by change)",
            "a log of the build itself",
        )
        for i, j, share in same
        if i < len(theirs) <= j
    ]
    if problems:
        raise InputError(problems)


def _to_reduce(build: Build, reference: Reference) -> RunsToReduce:
    """Take how runs are reduced and checked from the campaign, and all else from the build."""
    settings = build.settings
    bench = {name: getattr(settings, name) for name in LogsAndRoom.model_fields} | {
        "cooling": reference.cooling,
        "limits": settings.customer,
        "measurand": reference.settings.get("measurand") or "hottest",
        "checks": reference.checks,
    }
    lines = tuple(
        RunLine(
            **run.model_dump(),
            treatment=settings.treatment,
            mount=settings.build,
            lot=settings.lot,
            condition="",
            line=place,
        )
        for place, run in enumerate(settings.runs)
    )
    return RunsToReduce(build.folder, BenchSettings.model_validate(bench), lines, dict(build.sha256))


def _placed(problem: Problem) -> Problem:
    """Say where a problem lies in ``build.yaml`` instead of in a run sheet."""
    where = _SHEET_PLACE.sub(lambda match: f"build.yaml, run {int(match[1]) + 1}", problem.where)
    return Problem(where, problem.found, problem.allowed)


def _reduce_bench(traces: Sequence[Trace], settings: BenchSettings, reference: Reference) -> BenchReduction:
    """Reduce runs with the time constant that the campaign found."""
    constant = None
    if reference.time_constant_min is not None:
        tau_s = 60.0 * reference.time_constant_min
        found = reference.settings.get("fit_from_min")
        constant = BenchTimeConstant(
            time_constant_s=tau_s,
            u_time_constant_s=60.0 * (reference.u_time_constant_min or 0.0),
            fit_from_s=SLOW_FROM[reference.cooling] * tau_s if found is None else 60.0 * float(found),
        )
    blocks = [block_means(trace) for trace in traces]
    return reduce_runs(traces, blocks, settings, constant, highest_power_W=reference.highest_power_W)


def mean_curve(reference: Reference) -> tuple[RiseCurve, tuple[float, ...]] | None:
    """Return the mean rise curve of the campaign's mounts, and the bend of each; None where no mount has a curve."""
    fitted = curves_of_mounts(tabulate_mounts(reference.runs, reference.treatments))[0]
    curves = [curve.curve for curve in fitted if curve is not None]
    if not curves:
        return None
    mean = RiseCurve(
        b_K_per_W=math.fsum(curve.b_K_per_W for curve in curves) / len(curves),
        a=math.fsum(curve.a for curve in curves) / len(curves),
        lowest_W=min(curve.lowest_W for curve in curves),
        highest_W=max(curve.highest_W for curve in curves),
    )
    return mean, tuple(curve.a for curve in curves)


def _curve_of_one(trace: Trace, estimate: Estimate, reference: Reference) -> RiseCurve | None:
    if estimate.level_K is None:
        return None
    return bench_curve([trace.set_power_W], [estimate.level_K], cooling=reference.cooling)
