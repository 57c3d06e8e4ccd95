"""What an archive teaches about benches, treatments, lots and builds.

:func:`history` reads the results of every filed campaign and build and sums up:
how much mounts scatter on each bench, whether the bench stayed what it was, what
one treatment gains on the whole, whether lots differ, whether builds came out
where they should, and what age does to a mount.
"""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Any

from thermlab.archives.filed_results import FiledCampaign, read_archive
from thermlab.base.errors import InputError, Problem, shown
from thermlab.histories.ageing import age_trends
from thermlab.histories.benches import bench_histories
from thermlab.histories.mounts import chart_baselines, compare_lots
from thermlab.histories.records import AcrossCampaigns, BuildPoint, History, Study
from thermlab.stats.random_effects import RandomEffects, combine

if TYPE_CHECKING:
    from collections.abc import Sequence


def history(archive: str | Path, *, confidence_level: float = 0.95, bench: str | None = None) -> History:
    """Sum up what an archive teaches.

    Parameters
    ----------
    archive : str or Path
        An archive; it is only read.
    confidence_level : float
        Between 0 and 1.
    bench : str or None
        Only campaigns of this bench; None for all.

    Returns
    -------
    History

    Raises
    ------
    InputError
        The folder is no archive, the confidence level is not between 0 and 1, or the archive holds nothing of the
        bench.
    """
    if not 0.0 < confidence_level < 1.0:
        raise InputError([Problem("confidence level", f"{confidence_level}", "a fraction between 0 and 1")])
    found = read_archive(archive)
    campaigns = [one for one in found.campaigns if bench is None or one.bench == bench]
    builds = [one for one in found.builds if bench is None or one["build"].get("bench") == bench]
    if bench is not None and not campaigns and not builds:
        benches = {one.bench for one in found.campaigns} | {one["build"].get("bench") for one in found.builds}
        known = ", ".join(shown(name) for name in sorted(str(name) for name in benches if name)[:30])
        raise InputError([Problem("bench", shown(bench), f"a bench in the archive: {known or 'none is named'}")])
    return History(
        archive=Path(archive).resolve().name,
        n_campaigns=len(campaigns),
        n_builds=len(builds),
        confidence_level=confidence_level,
        benches=bench_histories(campaigns),
        baselines=chart_baselines(campaigns),
        across=across_campaigns(campaigns, confidence_level=confidence_level),
        lots=compare_lots(campaigns, confidence_level=confidence_level),
        builds=tuple(point for build in builds for point in build_points(build)),
        ageing=age_trends(campaigns, confidence_level=confidence_level),
        left_out=found.left_out,
    )


def across_campaigns(
    campaigns: Sequence[FiledCampaign], *, confidence_level: float = 0.95
) -> tuple[AcrossCampaigns, ...]:
    """Combine what several campaigns found about one treatment against one baseline.

    Parameters
    ----------
    campaigns : sequence of FiledCampaign
        Of any bench; the difference is taken per watt, as a resistance in series.
    confidence_level : float
        Of the intervals.
    """
    studies: dict[tuple[str, str], list[Study]] = {}
    for campaign in campaigns:
        comparison = campaign.results.get("comparison") or {}
        power = comparison.get("reference_power_W")
        for row in comparison.get("treatments") or ():
            difference = row.get("difference_K")
            if difference is None or not power:
                continue
            u = _standard_error(row, comparison, campaign.results)
            lots = {run.lot for run in campaign.runs if run.treatment == row["treatment"] and run.lot}
            study = Study(
                bag=campaign.bag,
                title=campaign.title,
                bench=campaign.bench,
                day=campaign.day,
                lots=tuple(sorted(lots)),
                difference_K_per_W=float(difference) / float(power),
                u_K_per_W=None if u is None else u / float(power),
            )
            studies.setdefault((str(row["treatment"]), campaign.baseline), []).append(study)
    return tuple(
        AcrossCampaigns(
            treatment=treatment,
            baseline=baseline,
            studies=tuple(found),
            combined=_combined(found, confidence_level),
        )
        for (treatment, baseline), found in sorted(studies.items())
    )


def _combined(studies: Sequence[Study], confidence_level: float) -> RandomEffects | None:
    known = [(study.difference_K_per_W, study.u_K_per_W) for study in studies if study.u_K_per_W is not None]
    return combine([value for value, _ in known], [u for _, u in known], confidence_level=confidence_level)


def _standard_error(row: dict[str, Any], comparison: dict[str, Any], results: dict[str, Any]) -> float | None:
    """Return the standard error of a difference in K; early files have it only in the width of the interval."""
    from scipy.special import stdtrit  # noqa: PLC0415

    if row.get("standard_error_K"):
        return float(row["standard_error_K"])
    interval, dof = row.get("interval_K"), row.get("dof") or comparison.get("dof")
    level = (results.get("settings") or {}).get("decision", {}).get("confidence_level")
    if interval is None or not dof or not level:
        return None
    half = (float(interval[1]) - float(interval[0])) / 2.0
    return half / float(stdtrit(float(dof), 0.5 + float(level) / 2.0)) if half > 0.0 else None


def build_points(build: dict[str, Any]) -> list[BuildPoint]:
    """Return the runs of a filed build against where a fresh mount was expected.

    Parameters
    ----------
    build : dict
        ``results.json`` of a build, with its ``bag``.
    """
    about = build["build"]
    return [
        BuildPoint(
            bag=str(build["bag"]),
            build=str(about.get("id") or build["bag"]),
            treatment=str(about.get("treatment") or ""),
            lot=str(about.get("lot") or ""),
            day=str(build.get("created") or "")[:10],
            verdict=str(build.get("verdict") or ""),
            power_W=float(row["set_power_W"]),
            rise_K=float(row["rise_K"]),
            expected_K=float(row["expected_rise_K"]),
            interval_K=None
            if row.get("interval_K") is None
            else (float(row["interval_K"][0]), float(row["interval_K"][1])),
        )
        for row in build.get("prediction") or ()
        if row.get("rise_K") is not None and row.get("expected_rise_K") is not None
    ]
