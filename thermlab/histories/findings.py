"""What an archive teaches about benches, treatments, lots, builds and age.

:func:`history` reads the results of every filed campaign and build and sums up: how much mounts scatter on each bench,
whether the bench stayed what it was, what one treatment gains on the whole, whether lots differ, whether builds came
out where they should, and what age does to a mount.

The mount SD is taken per watt, from the slopes of mounts about steps common to all, with the noise of single runs taken
out, and pooled over campaigns with their degrees of freedom. As a prior it counts with half of them, because benches
change between campaigns; the halving is done where the prior is used.

Single mounts over time are compared at one power step, the one that most campaigns have, because the resistance of a
passive sink changes with power. They stand in the order measured, never in the order reported.

What several campaigns found about a treatment is combined with one mount SD for the whole bench, pooled over its
campaigns, because that of one campaign has two to four degrees of freedom and would make two campaigns say less than
one. How much campaigns truly differ can hardly be told from two or three: a half-normal prior says that it is some
tenths of a kelvin, and its effect is stated. Where no campaign repeats a mount, their scatter alone says how sure the
mean is.

The age of a run is read from the ``condition`` of the run sheet: a number with a word, such as ``day 42``, ``6 weeks``
or ``cycle 50``. Per mount a straight line is fitted to resistance against age, with a level of its own at each power
step; the mounts' slopes are then the units that are averaged. A rising resistance is what pump-out or drying looks
like, a falling one what curing or bedding in does.
"""

import math
import re
from collections import Counter, defaultdict
from collections.abc import Callable, Iterable, Sequence
from dataclasses import replace
from functools import partial
from itertools import groupby
from pathlib import Path
from statistics import fmean, stdev, variance
from typing import Any

import numpy as np

from thermlab.archives.filed_results import FiledCampaign, one_mount_scatter, read_archive
from thermlab.base.errors import InputError, Problem, shown
from thermlab.base.numbers import counted
from thermlab.compare.mounts import fit_common_steps, tabulate_mounts
from thermlab.histories import records
from thermlab.runs.records import ReducedRun
from thermlab.stats.dunnett import t_point
from thermlab.stats.least_squares import NotEstimableError, fit_linear
from thermlab.stats.repeats import Combined, combine_campaigns, individuals_chart, mean_of_campaigns, spread_between

SPREAD_SCALE_K = 0.4
"""Scale of the half-normal prior on the spread between campaigns (common practice, no source)."""
SENSITIVITY_K = (0.2, SPREAD_SCALE_K, 0.8)
# Falsely beyond it: 14 of 1000 sets of eight campaigns of three mounts, fewer of smaller ones (simulated).
_SURPRISE = 0.002


def history(archive: str | Path, *, confidence_level: float = 0.95, bench: str | None = None) -> records.History:
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
    return records.History(
        archive=Path(archive).resolve().name + ("" if bench is None else f", only the bench {bench}"),
        n_campaigns=len(campaigns),
        n_builds=len(builds),
        confidence_level=confidence_level,
        benches=bench_histories(campaigns),
        baselines=chart_baselines(campaigns),
        across=across_campaigns(campaigns, confidence_level=confidence_level),
        lots=compare_lots(campaigns),
        mounts=mounts_once(campaigns),
        builds=tuple(point for build in builds for point in build_points(build)),
        ageing=age_trends(campaigns, confidence_level=confidence_level),
        left_out=found.left_out,
    )


def filed_mounts(campaigns: Iterable[FiledCampaign]) -> list[records.MountPoint]:
    """Return every used mount at every power step, repeats averaged, in the order measured.

    Parameters
    ----------
    campaigns : iterable of FiledCampaign
        In the order measured: it stands for mounts without a date of their own.
    """
    points = []
    for campaign in campaigns:
        cells: dict[tuple[str, str, float], list[ReducedRun]] = defaultdict(list)
        for run in campaign.runs:
            if run.used and run.rise_K is not None:
                cells[run.treatment, run.mount, run.set_power_W].append(run)
        for (treatment, mount, power), own in cells.items():
            measured = min((run.start for run in own if run.start and "T" in run.start), default="")
            points.append(
                records.MountPoint(
                    bag=campaign.bag,
                    campaign=campaign.title,
                    bench=campaign.bench,
                    treatment=treatment,
                    mount=mount,
                    lot=own[0].lot,
                    measured=measured,
                    day=measured[:10] or campaign.day,
                    set_power_W=power,
                    rise_K=fmean(run.rise_K or 0.0 for run in own),
                    lower_grade=any(run.by_hand for run in own),
                )
            )
    return sorted(points, key=lambda point: point.measured or point.day)


def _reference_W(campaign: FiledCampaign) -> float:
    """Return the reference power of a campaign, W; 0 where nothing was compared."""
    return float((campaign.results.get("comparison") or {}).get("reference_power_W") or 0.0)


def mounts_once(campaigns: Sequence[FiledCampaign]) -> tuple[records.MountPoint, ...]:
    """Return every used mount once: at the reference power of its campaign, or at its highest step."""
    reference = {campaign.bag: _reference_W(campaign) for campaign in campaigns}
    once: dict[tuple[str, str, str], records.MountPoint] = {}

    def rank(point: records.MountPoint) -> tuple[bool, float]:
        return point.set_power_W == reference[point.bag], point.set_power_W

    for point in sorted(filed_mounts(campaigns), key=rank):
        once[point.bag, point.treatment, point.mount] = point
    return tuple(sorted(once.values(), key=lambda point: point.measured or point.day))


_Pooled = dict[str, tuple[float, int]]
"""By bench: variance with the run noise that differences have as well, (K/W)^2, and its degrees of freedom."""


def _pooled_scatter(campaigns: Sequence[FiledCampaign]) -> _Pooled:
    """Pool the variance of mounts at the reference power over the campaigns of each bench that repeated mounts."""
    pooled = {}
    for bench, own in _grouped(mounts_once(campaigns), lambda point: point.bench).items():
        arms = _grouped(own, lambda point: (point.bag, point.treatment)).values()
        pooled[bench] = _within([point.resistance_K_per_W for point in arm] for arm in arms)
    return {bench: found for bench, found in pooled.items() if found[0] > 0.0}


def _grouped(found: Iterable[Any], key: Callable[[Any], Any]) -> dict[Any, list[Any]]:
    """Return what shares a key together: the keys in order, what has one as it stood."""
    return {one: list(own) for one, own in groupby(sorted(found, key=key), key=key)}


def _within(groups: Iterable[Sequence[float]]) -> tuple[float, int]:
    """Return the variance within groups and its degrees of freedom; 0 without any."""
    repeated = [values for values in groups if len(values) > 1]
    dof = sum(len(values) - 1 for values in repeated)
    return math.fsum((len(values) - 1) * variance(values) for values in repeated) / max(dof, 1), dof


def across_campaigns(
    campaigns: Sequence[FiledCampaign], *, confidence_level: float = 0.95
) -> tuple[records.AcrossCampaigns, ...]:
    """Combine what several campaigns found about one treatment against one baseline.

    Parameters
    ----------
    campaigns : sequence of FiledCampaign
        Of any bench, in the order measured.
    confidence_level : float
        Of the intervals.
    """
    pooled, once = _pooled_scatter(campaigns), mounts_once(campaigns)
    studies: dict[tuple[str, str], list[tuple[float, records.Study]]] = defaultdict(list)
    for campaign in campaigns:
        comparison, power = campaign.results.get("comparison") or {}, _reference_W(campaign)
        own = [point for point in once if point.bag == campaign.bag]
        base = [point for point in own if point.treatment == campaign.baseline]
        for row in comparison.get("treatments") or ():
            mounts = [point for point in own if point.treatment == row["treatment"]]
            if row.get("difference_K") is None or not power or not mounts or not base:
                continue
            error, dof = row.get("standard_error_K"), row.get("dof") or comparison.get("dof")
            if not error and campaign.bench in pooled:
                square, dof = pooled[campaign.bench]
                error = power * math.sqrt(square * (1.0 / len(mounts) + 1.0 / len(base)))
            half = t_point(0.5 + confidence_level / 2.0, float(dof)) * error / power if error and dof else None
            study = records.Study(
                title=campaign.title,
                bench=campaign.bench,
                day=campaign.day,
                n_mounts=len(mounts),
                n_baseline=len(base),
                n_readings=sum(point.lower_grade for point in (*mounts, *base)),
                difference_K_per_W=float(row["difference_K"]) / power,
                in_doubt=row.get("verdict") == "in doubt",
                half_K_per_W=half,
            )
            studies[str(row["treatment"]), campaign.baseline].append((power, study))
    return tuple(_across(pair, found, pooled, confidence_level) for pair, found in sorted(studies.items()))


def _across(
    pair: tuple[str, str], found: Sequence[tuple[float, records.Study]], pooled: _Pooled, level: float
) -> records.AcrossCampaigns:
    power, studies = _commonest(power for power, _ in found) or 0.0, [study for _, study in found]
    values = [power * study.difference_K_per_W for study in studies]
    halves = [(power * study.half_K_per_W, study.title) for study in studies if study.half_K_per_W is not None]
    known = {study.bench: pooled[study.bench] for study in studies if study.bench in pooled}
    combined, method = None, "one mount each, once: no interval" if len(studies) == 1 else "no scatter: no interval"
    sensitivity: tuple[tuple[float, tuple[float, float]], ...] = ()
    cautions = []
    if len(studies) == 1 and halves:
        method, ends = "one campaign", (values[0] - halves[0][0], values[0] + halves[0][0])
        combined = Combined(mean=values[0], interval=ends, confidence_level=level)
    elif known:
        # A bench without a repeated mount borrows the scatter of the others; all are as uncertain as the least known.
        dof = min(dof for _, dof in known.values())
        common = sum(square * n for square, n in known.values()) / sum(n for _, n in known.values()), dof
        shares = [1.0 / study.n_mounts + 1.0 / study.n_baseline for study in studies]
        squares = [known.get(study.bench, common)[0] for study in studies]
        u = [power * math.sqrt(square * share) for square, share in zip(squares, shares, strict=True)]
        combining = partial(combine_campaigns, values, u, dof=dof, confidence_level=level)
        combined = combining(scale=SPREAD_SCALE_K)
        sensitivity = tuple((scale, combining(scale=scale).interval) for scale in SENSITIVITY_K)
        prior = f"half-normal prior with a scale of {SPREAD_SCALE_K:g} K on the spread between campaigns"
        method = f"mount SD pooled over the bench's campaigns with {counted(dof, 'degree')} of freedom, {prior}"
        if combined.p_value is not None and combined.p_value < _SURPRISE:
            cautions.append("The campaigns differ by far more than mounts and prior explain: look at them one by one.")
    elif len(studies) > 1 and len(set(values)) > 1:
        combined, method = mean_of_campaigns(values, confidence_level=level), "t interval over the campaigns"
    if combined is not None and halves:
        half, best = (combined.interval[1] - combined.interval[0]) / 2.0, min(halves)
        if half > best[0] * (1.0 + 1e-9):
            why = f"campaigns may truly differ by about {combined.spread:.1g} K" if combined.spread else "they differ"
            wider = f"This is wider than {best[1]!r} alone (± {best[0]:.2g} K)"
            cautions.append(f"{wider}: {why}, which no campaign alone can show.")
    doubted = ", ".join(repr(study.title) for study in studies if study.in_doubt)
    if doubted:
        cautions.append(f"In doubt by its own report: {doubted}.")
    readings = sum(study.n_readings for study in studies)
    if readings:
        cautions.append(f"{counted(readings, 'mount')} of these rest on readings without a log, the lower grade.")
    return records.AcrossCampaigns(*pair, power, tuple(studies), combined, method, sensitivity, tuple(cautions))


def build_points(build: dict[str, Any]) -> list[records.BuildPoint]:
    """Return the runs of a filed build against where a fresh mount was expected.

    Parameters
    ----------
    build : dict
        ``results.json`` of a build, with its ``bag`` and its ``day``.
    """
    about = build["build"]
    return [
        records.BuildPoint(
            build=str(about.get("id") or build["bag"]),
            day=build["day"],
            power_W=float(row["set_power_W"]),
            rise_K=float(row["rise_K"]),
            expected_K=float(row["expected_rise_K"]),
            interval_K=row.get("interval_K") and (float(row["interval_K"][0]), float(row["interval_K"][1])),
        )
        for row in build.get("prediction") or ()
        if row.get("rise_K") is not None and row.get("expected_rise_K") is not None
    ]


def bench_histories(campaigns: Sequence[FiledCampaign]) -> tuple[records.BenchHistory, ...]:
    """Pool the mount SD of each bench.

    Parameters
    ----------
    campaigns : sequence of FiledCampaign
        Oldest first.
    """
    return tuple(_pool(bench, own) for bench, own in _grouped(campaigns, lambda one: one.bench).items())


def campaign_scatter(campaign: FiledCampaign) -> records.CampaignScatter | None:
    """Return the scatter between the mounts of one campaign; None where no treatment has two mounts.

    Notes
    -----
    Slopes b of mounts about steps common to all; variance within treatments on N - T degrees of
    freedom, less the part that run noise has in a slope, s_e^2 / sum P^2.
    """
    table = tabulate_mounts(campaign.runs, sorted({run.treatment for run in campaign.runs}))
    try:
        fit = fit_common_steps(table)
    except NotEstimableError:
        return None
    square, dof = _within(fit.slope_K_per_W[table.group == i].tolist() for i in range(len(table.treatments)))
    if dof < 1:
        return None
    if fit.run_noise_K is not None:
        square -= fit.run_noise_K**2 * float(np.mean(1.0 / (table.repeats * table.steps_W**2).sum(axis=1)))
    return records.CampaignScatter(
        title=campaign.title,
        day=campaign.day,
        sd_K_per_W=math.sqrt(max(0.0, square)),
        variance=square,
        dof=dof,
        run_noise_K=fit.run_noise_K,
        time_constant_min=(campaign.results.get("bench") or {}).get("time_constant_min"),
    )


_NO_PAIR = "No campaign has two mounts of one treatment"


def _pool(bench: str, own: Sequence[FiledCampaign]) -> records.BenchHistory:
    campaigns = [found for found in map(campaign_scatter, own) if found is not None]
    dof, count = sum(found.dof for found in campaigns), len(campaigns)
    cautions, sd, alone = [], None, ""
    if dof:
        pooled = math.fsum(found.dof * found.variance for found in campaigns) / dof
        sd = math.sqrt(pooled) if pooled > 0.0 else None
        if sd is None:
            cautions.append("The scatter between mounts is no larger than the noise of single runs.")
    elif (between := one_mount_scatter(campaign.results for campaign in own)) is not None:
        (sd, dof), count, alone = between, len(own), " with one mount of each"
        why = "Run noise and what changed between campaigns are in it, so that it is hardly larger."
        cautions.append(f"{_NO_PAIR}: the mount SD comes from the differences of the campaigns. {why}")
    else:
        cautions.append(f"{_NO_PAIR}: the scatter between mounts is not known.")
    if any(found.run_noise_K is None for found in campaigns):
        cautions.append("Campaigns with a single power step do not tell run noise from mount scatter; it is left in.")
    sds = [found.sd_K_per_W for found in campaigns if found.dof > 1]
    if len(sds) > 1 and max(sds) > 2.0 * min(sds):
        cautions.append("The mount SDs of the campaigns differ by more than a factor of two: look at them one by one.")
    prior = None
    if sd is not None:
        source = f"{counted(count, 'archived campaign')}{alone} on {bench or 'a bench without a name'}"
        prior = f"prior: {{mount_sd_K_per_W: {sd:.3g}, dof: {dof}, source: {_quoted(source)}}}"
    power_W = _commonest(power for power in map(_reference_W, own) if power)
    return records.BenchHistory(bench, power_W, tuple(campaigns), sd, dof, prior, tuple(cautions))


def _quoted(text: str) -> str:
    """Return text as a double-quoted YAML scalar on one line."""
    plain = "".join(c if c.isprintable() else " " for c in text)
    return '"' + plain.replace("\\", "\\\\").replace('"', '\\"') + '"'


def _common_step(points: Iterable[records.MountPoint]) -> float | None:
    """Return the step that most campaigns have, the highest of these."""
    return _commonest(step for _, step in {(point.bag, point.set_power_W) for point in points})


def _commonest(steps: Iterable[float]) -> float | None:
    counts = Counter(steps)
    return max(counts, key=lambda step: (counts[step], step), default=None)


def chart_baselines(campaigns: Sequence[FiledCampaign]) -> tuple[records.BaselineChart, ...]:
    """Chart the resistance of each bench's baselines over time.

    Parameters
    ----------
    campaigns : sequence of FiledCampaign
        Oldest first.
    """
    charts = []
    for (bench, treatment), own in _grouped(campaigns, lambda one: (one.bench, one.baseline)).items():
        points = [point for point in filed_mounts(own) if point.treatment == treatment]
        power = _common_step(points)
        if power is None:
            continue
        points = [point for point in points if point.set_power_W == power]
        present, chart = {point.bag for point in points}, individuals_chart([p.resistance_K_per_W for p in points])
        others = tuple(campaign.title for campaign in own if campaign.bag not in present)
        charts.append(records.BaselineChart(bench, treatment, power, tuple(points), chart, others))
    return tuple(charts)


def compare_lots(campaigns: Sequence[FiledCampaign]) -> tuple[records.LotSummary, ...]:
    """Compare the lots of each treatment on each bench.

    Parameters
    ----------
    campaigns : sequence of FiledCampaign
        With lots in their run sheets.
    """
    pooled, found = _pooled_scatter(campaigns), []
    named = [point for point in filed_mounts(campaigns) if point.lot]
    for (bench, treatment), own in _grouped(named, lambda point: (point.bench, point.treatment)).items():
        power = _common_step(own) or 0.0
        points = [point for point in own if point.set_power_W == power]
        lots: dict[str, list[float]] = defaultdict(list)
        for point in points:
            lots[point.lot].append(point.resistance_K_per_W)
        square, dof = _within(lots.values())
        cautions = []
        if dof < 1 and bench in pooled:  # a mount of each lot, as campaigns with one mount each have them
            square = pooled[bench][0]
            cautions.append("One mount of each lot: their scatter is that of other mounts on this bench.")
        if len({(point.bag, point.lot) for point in points}) == len({point.bag for point in points}):
            like = "a change of the bench would look like a difference of lots."
            cautions.append(f"Lots were run in different campaigns: {like}")
        rows = tuple((lot, len(values), fmean(values), math.sqrt(square / len(values))) for lot, values in lots.items())
        means, u = [row[2] for row in rows], [row[3] for row in rows]
        if len(rows) > 1 and square > 0.0:
            found.append(records.LotSummary(bench, treatment, power, rows, *spread_between(means, u), tuple(cautions)))
    return tuple(found)


_AGE = re.compile(r"(?P<before>[^\W\d_]*)\s*(?P<number>\d+(?:\.\d+)?)\s*(?P<after>[^\W\d_]*)\s*\Z")
_APART = "a mount each"


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


def age_trends(campaigns: Iterable[FiledCampaign], *, confidence_level: float = 0.95) -> tuple[records.AgeTrend, ...]:
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
        By bench, treatment and unit of age. Where no mount was run at several ages, the ages are those of different
        mounts: of campaigns with one mount each, for instance.
    """
    groups: dict[tuple[str, str, str], list[records.AgedMount]] = defaultdict(list)
    single: dict[tuple[str, str, str], dict[float, list[records.AgedRun]]] = defaultdict(lambda: defaultdict(list))
    for campaign in campaigns:
        found: dict[tuple[str, str, str], list[records.AgedRun]] = defaultdict(list)
        for run in campaign.runs:
            age = parse_age(run.condition)
            if age is None or not run.used or run.rise_K is None:
                continue
            aged = records.AgedRun(age=age[0], power_W=run.set_power_W, resistance_K_per_W=run.rise_K / run.set_power_W)
            found[run.treatment, run.mount, age[1]].append(aged)
        for (treatment, mount, unit), runs in found.items():
            key = campaign.bench, treatment, unit
            aged_mount = _aged_mount(campaign.title, mount, runs)
            if aged_mount is not None:
                groups[key].append(aged_mount)
            for step in {run.power_W for run in runs if aged_mount is None}:
                repeats = [run for run in runs if run.power_W == step]
                level = fmean(run.resistance_K_per_W for run in repeats)
                single[key][step].append(replace(repeats[0], resistance_K_per_W=level))
    for key, steps in single.items():
        apart = max(steps.values(), key=lambda runs: (len(runs), runs[0].power_W))
        together = _aged_mount("", _APART, apart) if key not in groups and len(apart) > 2 else None
        groups[key] += [] if together is None else [together]
    return tuple(_trend(key, mounts, confidence_level) for key, mounts in sorted(groups.items()) if mounts)


def _aged_mount(campaign: str, mount: str, runs: Sequence[records.AgedRun]) -> records.AgedMount | None:
    """Fit a line to resistance against age, with a level of its own at each step; None with a single age."""
    steps = sorted({run.power_W for run in runs})
    design = np.array([[run.age, *(run.power_W == step for step in steps)] for run in runs], dtype=float)
    try:
        fit = fit_linear(design, np.array([run.resistance_K_per_W for run in runs]))
    except NotEstimableError:
        return None
    return records.AgedMount(
        campaign=campaign,
        mount=mount,
        runs=tuple(sorted(runs, key=lambda run: (run.age, run.power_W))),
        slope_K_per_W=float(fit.coefficients[0]),
        u_K_per_W=0.0 if fit.standard_errors is None else float(fit.standard_errors[0]),
        dof=fit.dof,
    )


def _trend(key: tuple[str, str, str], mounts: Sequence[records.AgedMount], confidence_level: float) -> records.AgeTrend:
    bench, treatment, unit = key
    slopes = [mount.slope_K_per_W for mount in mounts]
    mean = math.fsum(slopes) / len(slopes)
    dof, u, cautions = mounts[0].dof, mounts[0].u_K_per_W, []
    if len(mounts) > 1:
        dof, u = len(mounts) - 1, stdev(slopes) / math.sqrt(len(mounts))
    elif mounts[0].mount == _APART:
        cautions.append("Each age is another mount: what else changed between them would look like age.")
    else:
        cautions.append("One mount only: the interval is that of this mount and says nothing of others.")
    interval, finding = None, "not settled"
    if dof > 0 and u > 0.0:
        half, finding = t_point(0.5 + confidence_level / 2.0, dof) * u, "no trend is shown"
        interval = (mean - half, mean + half)
        if interval[0] > 0.0:
            finding = "the resistance rises with age, as with pump-out or drying"
        elif interval[1] < 0.0:
            finding = "the resistance falls with age, as with curing or bedding in"
    else:
        cautions.append("Too few runs for an interval: one repeat more, or one mount more, would give one.")
    return records.AgeTrend(
        bench=bench,
        treatment=treatment,
        unit=unit,
        mounts=tuple(mounts),
        slope_K_per_W=mean,
        interval_K_per_W=interval,
        power_W=max(run.power_W for mount in mounts for run in mount.runs),
        finding=finding,
        cautions=tuple(cautions),
    )
