"""What an archive teaches about benches, treatments, lots, builds and age.

:func:`history` reads the results of every filed campaign and build and sums up: how much mounts scatter on each bench,
whether the bench stayed what it was, what one treatment gains on the whole, whether lots differ, whether builds came
out where they should, and what age does to a mount.

The mount SD is taken per watt, from the slopes of mounts about steps common to all, with the noise of single runs taken
out, and pooled over campaigns with their degrees of freedom. As a prior it counts with half of them, because benches
change between campaigns; the halving is done where the prior is used.

Single mounts over time are compared at one power step, the one that most campaigns have, because the resistance of a
passive sink changes with power.

The age of a run is read from the ``condition`` of the run sheet: a number with a word, such as ``day 42``, ``6 weeks``
or ``cycle 50``. Per mount a straight line is fitted to resistance against age, with a level of its own at each power
step; the mounts' slopes are then the units that are averaged. A rising resistance is what pump-out or drying looks
like, a falling one what curing or bedding in does.
"""

from __future__ import annotations

import math
import re
from collections import Counter, defaultdict
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np
from scipy.special import stdtrit

from thermlab.archives.filed_results import FiledCampaign, read_archive
from thermlab.base.errors import InputError, Problem, shown
from thermlab.compare.mounts import fit_common_steps, tabulate_mounts
from thermlab.histories.records import (
    AcrossCampaigns,
    AgedMount,
    AgedRun,
    AgeTrend,
    BaselineChart,
    BenchHistory,
    BuildPoint,
    CampaignScatter,
    History,
    LotSummary,
    MountPoint,
    Study,
)
from thermlab.stats.least_squares import NotEstimableError
from thermlab.stats.repeats import RandomEffects, combine, individuals_chart

if TYPE_CHECKING:
    from collections.abc import Iterable, Iterator, Sequence

    from thermlab.runs.records import ReducedRun


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


def bench_histories(campaigns: Sequence[FiledCampaign]) -> tuple[BenchHistory, ...]:
    """Pool the mount SD of each bench.

    Parameters
    ----------
    campaigns : sequence of FiledCampaign
        Oldest first.
    """
    scatters: dict[str, list[CampaignScatter]] = defaultdict(list)
    for campaign in campaigns:
        found = campaign_scatter(campaign)
        scatters[campaign.bench] += [] if found is None else [found]
    return tuple(_pool(bench, found) for bench, found in sorted(scatters.items()))


def campaign_scatter(campaign: FiledCampaign) -> CampaignScatter | None:
    """Return the scatter between the mounts of one campaign; None where no treatment has two mounts.

    Notes
    -----
    Slopes b of mounts about steps common to all; variance within treatments on N - T degrees of
    freedom, less the part that run noise has in a slope, s_e^2 / sum P^2.
    """
    table = tabulate_mounts(campaign.runs, sorted({run.treatment for run in campaign.runs}))
    counts = table.counts()
    dof = int((counts[counts > 0] - 1).sum())
    if dof < 1:
        return None
    try:
        fit = fit_common_steps(table)
    except NotEstimableError:
        return None
    slope, group = fit.slope_K_per_W, table.group
    squares = np.zeros(counts.size)
    np.add.at(squares, group, (slope - (np.bincount(group, slope) / np.maximum(counts, 1))[group]) ** 2)
    noise = 0.0
    if fit.run_noise_K is not None:
        noise = fit.run_noise_K**2 * float(np.mean(1.0 / (table.repeats * table.steps_W**2).sum(axis=1)))
    variance = float(squares.sum()) / dof - noise
    bench = campaign.results.get("bench") or {}
    return CampaignScatter(
        bag=campaign.bag,
        title=campaign.title,
        day=campaign.day,
        sd_K_per_W=math.sqrt(max(0.0, variance)),
        variance=variance,
        dof=dof,
        run_noise_K=fit.run_noise_K,
        by_treatment={
            name: math.sqrt(float(squares[i]) / (int(counts[i]) - 1))
            for i, name in enumerate(table.treatments)
            if counts[i] > 1
        },
        time_constant_min=bench.get("time_constant_min"),
    )


def _pool(bench: str, campaigns: Sequence[CampaignScatter]) -> BenchHistory:
    dof = sum(found.dof for found in campaigns)
    cautions = []
    sd = None
    if dof:
        variance = math.fsum(found.dof * found.variance for found in campaigns) / dof
        sd = math.sqrt(variance) if variance > 0.0 else None
        if sd is None:
            cautions.append("The scatter between mounts is no larger than the noise of single runs.")
    else:
        cautions.append("No campaign has two mounts of one treatment: the scatter between mounts is not known.")
    if any(found.run_noise_K is None for found in campaigns):
        cautions.append("Campaigns with a single power step do not tell run noise from mount scatter; it is left in.")
    sds = [found.sd_K_per_W for found in campaigns if found.dof > 1]
    if len(sds) > 1 and max(sds) > 2.0 * min(sds):
        cautions.append("The mount SDs of the campaigns differ by more than a factor of two: look at them one by one.")
    prior = None
    if sd is not None:
        count = f"{len(campaigns)} archived campaign{'s' if len(campaigns) > 1 else ''}"
        source = f"{count} on {bench or 'a bench without a name'}"
        prior = f"prior: {{mount_sd_K_per_W: {sd:.3g}, dof: {dof}, source: {_quoted(source)}}}"
    return BenchHistory(
        bench=bench,
        campaigns=tuple(campaigns),
        mount_sd_K_per_W=sd,
        dof=dof,
        prior=prior,
        cautions=tuple(cautions),
    )


def _quoted(text: str) -> str:
    """Return text as a double-quoted YAML scalar on one line."""
    plain = "".join(c if c.isprintable() else " " for c in text)
    return '"' + plain.replace("\\", "\\\\").replace('"', '\\"') + '"'


def _usable(campaign: FiledCampaign, treatment: str) -> Iterator[tuple[ReducedRun, float]]:
    """Yield the used runs of a treatment, each with its resistance, K/W."""
    for run in campaign.runs:
        if run.treatment == treatment and run.used and run.rise_K is not None:
            yield run, run.rise_K / run.set_power_W


def _points(campaigns: Sequence[FiledCampaign], treatment: str, power_W: float) -> list[MountPoint]:
    """Return the mounts of a treatment at a step, in the order made, repeats averaged."""
    points = []
    for campaign in campaigns:
        mounts: dict[str, list[tuple[ReducedRun, float]]] = defaultdict(list)
        for run, resistance in _usable(campaign, treatment):
            if run.set_power_W == power_W:
                mounts[run.mount].append((run, resistance))
        points += [
            MountPoint(
                bag=campaign.bag,
                title=campaign.title,
                day=campaign.day,
                mount=mount,
                lot=own[0][0].lot,
                resistance_K_per_W=math.fsum(resistance for _, resistance in own) / len(own),
            )
            for mount, own in mounts.items()
        ]
    return points


def _common_step(campaigns: Sequence[FiledCampaign], treatment: str) -> float | None:
    """Return the step at which most campaigns have the treatment, the highest of these."""
    counts: Counter[float] = Counter()
    for campaign in campaigns:
        counts.update({run.set_power_W for run, _ in _usable(campaign, treatment)})
    return max(counts, key=lambda step: (counts[step], step)) if counts else None


def chart_baselines(campaigns: Sequence[FiledCampaign]) -> tuple[BaselineChart, ...]:
    """Chart the resistance of each bench's baselines over time.

    Parameters
    ----------
    campaigns : sequence of FiledCampaign
        Oldest first.
    """
    groups: dict[tuple[str, str], list[FiledCampaign]] = defaultdict(list)
    for campaign in campaigns:
        groups[campaign.bench, campaign.baseline].append(campaign)
    charts = []
    for (bench, treatment), own in sorted(groups.items()):
        power = _common_step(own, treatment)
        if power is None:
            continue
        points = _points(own, treatment, power)
        present = {point.bag for point in points}
        charts.append(
            BaselineChart(
                bench=bench,
                treatment=treatment,
                power_W=power,
                points=tuple(points),
                chart=individuals_chart([point.resistance_K_per_W for point in points]),
                not_at_step=tuple(campaign.title for campaign in own if campaign.bag not in present),
            )
        )
    return tuple(charts)


def compare_lots(campaigns: Sequence[FiledCampaign], *, confidence_level: float = 0.95) -> tuple[LotSummary, ...]:
    """Compare the lots of each treatment on each bench.

    Parameters
    ----------
    campaigns : sequence of FiledCampaign
        With lots in their run sheets.
    confidence_level : float
        Of the intervals.
    """
    groups: dict[tuple[str, str], list[FiledCampaign]] = defaultdict(list)
    for campaign in campaigns:
        for treatment in {run.treatment for run in campaign.runs if run.lot}:
            groups[campaign.bench, treatment].append(campaign)
    found = []
    for (bench, treatment), own in sorted(groups.items()):
        power = _common_step(own, treatment)
        points = _points(own, treatment, power) if power is not None else []
        summary = _lots(bench, treatment, power or 0.0, [point for point in points if point.lot], confidence_level)
        if summary is not None:
            found.append(summary)
    return tuple(found)


def _lots(
    bench: str, treatment: str, power_W: float, points: Sequence[MountPoint], confidence_level: float
) -> LotSummary | None:
    lots: dict[str, list[float]] = defaultdict(list)
    for point in points:
        lots[point.lot].append(point.resistance_K_per_W)
    means = {lot: math.fsum(values) / len(values) for lot, values in lots.items()}
    dof = sum(len(values) - 1 for values in lots.values())
    squares = math.fsum((value - means[lot]) ** 2 for lot, values in lots.items() for value in values)
    if dof < 1 or not squares > 0.0:
        return None
    sd = math.sqrt(squares / dof)
    rows = tuple((lot, len(values), means[lot], sd / math.sqrt(len(values))) for lot, values in lots.items())
    combined = combine([row[2] for row in rows], [row[3] for row in rows], confidence_level=confidence_level)
    if combined is None:  # one lot
        return None
    cautions = []
    together: dict[str, set[str]] = defaultdict(set)
    for point in points:
        together[point.bag].add(point.lot)
    if all(len(found) == 1 for found in together.values()):
        cautions.append(
            "Lots were run in different campaigns: a change of the bench would look like a difference of lots."
        )
    return LotSummary(
        bench=bench, treatment=treatment, power_W=power_W, lots=rows, combined=combined, cautions=tuple(cautions)
    )


_AGE = re.compile(r"(?P<before>[^\W\d_]*)\s*(?P<number>\d+(?:\.\d+)?)\s*(?P<after>[^\W\d_]*)\s*\Z")


def parse_age(condition: str) -> tuple[float, str] | None:
    """Read an age from a condition.

    Examples
    --------
    >>> parse_age("day 42"), parse_age("6 weeks"), parse_age("Cycle 50"), parse_age("as new")
    ((42.0, 'day'), (6.0, 'week'), (50.0, 'cycle'), None)
    """
    match = _AGE.match(condition.strip())
    if match is None or bool(match["before"]) == bool(match["after"]):
        return None
    word = (match["before"] or match["after"]).casefold()
    return float(match["number"]), word[:-1] if word.endswith("s") and len(word) > 2 else word


def age_trends(campaigns: Iterable[FiledCampaign], *, confidence_level: float = 0.95) -> tuple[AgeTrend, ...]:
    """Find every treatment with mounts that were run at several ages.

    Parameters
    ----------
    campaigns : iterable of FiledCampaign
        With runs whose ``condition`` gives an age.
    confidence_level : float
        Of the intervals.

    Returns
    -------
    tuple of AgeTrend
        By bench, treatment and unit of age.
    """
    groups: dict[tuple[str, str, str], list[AgedMount]] = defaultdict(list)
    for campaign in campaigns:
        found: dict[tuple[str, str, str], list[AgedRun]] = defaultdict(list)
        for run in campaign.runs:
            age = parse_age(run.condition)
            if age is None or not run.used or run.rise_K is None:
                continue
            aged = AgedRun(age=age[0], power_W=run.set_power_W, resistance_K_per_W=run.rise_K / run.set_power_W)
            found[run.treatment, run.mount, age[1]].append(aged)
        for (treatment, mount, unit), runs in found.items():
            slope = _slope(runs)
            if slope is not None:
                ordered = tuple(sorted(runs, key=lambda run: (run.age, run.power_W)))
                groups[campaign.bench, treatment, unit].append(
                    AgedMount(campaign=campaign.title, mount=mount, runs=ordered, slope_K_per_W=slope)
                )
    return tuple(_trend(key, mounts, confidence_level) for key, mounts in sorted(groups.items()))


def _centred(runs: Sequence[AgedRun]) -> tuple[list[tuple[float, float]], int]:
    """Return ages and resistances less their means at each step, and the number of steps."""
    steps: dict[float, list[AgedRun]] = defaultdict(list)
    for run in runs:
        steps[run.power_W].append(run)
    pairs = []
    for own in steps.values():
        age = math.fsum(run.age for run in own) / len(own)
        level = math.fsum(run.resistance_K_per_W for run in own) / len(own)
        pairs += [(run.age - age, run.resistance_K_per_W - level) for run in own]
    return pairs, len(steps)


def _slope(runs: Sequence[AgedRun]) -> float | None:
    pairs, _ = _centred(runs)
    spread = math.fsum(x * x for x, _ in pairs)
    return math.fsum(x * y for x, y in pairs) / spread if spread > 0.0 else None


def _trend(key: tuple[str, str, str], mounts: Sequence[AgedMount], confidence_level: float) -> AgeTrend:
    bench, treatment, unit = key
    slopes = [mount.slope_K_per_W for mount in mounts]
    mean = math.fsum(slopes) / len(slopes)
    cautions = []
    if len(mounts) > 1:
        dof = len(mounts) - 1
        u = math.sqrt(math.fsum((slope - mean) ** 2 for slope in slopes) / dof / len(mounts))
    else:
        dof, u = _own_error(mounts[0])
        cautions.append("One mount only: the interval is that of this mount and says nothing of others.")
    interval = None
    if dof > 0 and u > 0.0:
        half = float(stdtrit(dof, 0.5 + confidence_level / 2.0)) * u
        interval = (mean - half, mean + half)
    else:
        cautions.append("Too few runs for an interval: one repeat more, or one mount more, would give one.")
    power = max(run.power_W for mount in mounts for run in mount.runs)
    return AgeTrend(
        bench=bench,
        treatment=treatment,
        unit=unit,
        mounts=tuple(mounts),
        slope_K_per_W=mean,
        interval_K_per_W=interval,
        power_W=power,
        finding=_words(interval),
        cautions=tuple(cautions),
    )


def _own_error(mount: AgedMount) -> tuple[int, float]:
    pairs, n_steps = _centred(mount.runs)
    dof = len(pairs) - n_steps - 1
    if dof <= 0:
        return 0, 0.0
    left = math.fsum((y - mount.slope_K_per_W * x) ** 2 for x, y in pairs)
    return dof, math.sqrt(left / dof / math.fsum(x * x for x, _ in pairs))


def _words(interval: tuple[float, float] | None) -> str:
    if interval is None:
        return "not settled"
    if interval[0] > 0.0:
        return "the resistance rises with age, as with pump-out or drying"
    if interval[1] < 0.0:
        return "the resistance falls with age, as with curing or bedding in"
    return "no trend is shown"
