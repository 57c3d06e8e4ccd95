"""Single mounts over time: whether a bench stayed what it was, and whether lots differ.

Mounts are compared at one power step, the one that most campaigns have, because
the resistance of a passive sink changes with power.
"""

from __future__ import annotations

import math
from collections import Counter, defaultdict
from dataclasses import dataclass
from typing import TYPE_CHECKING

from thermlab.stats.control_charts import IndividualsChart, individuals_chart
from thermlab.stats.random_effects import RandomEffects, combine

if TYPE_CHECKING:
    from collections.abc import Sequence

    from thermlab.archives.filed_results import FiledCampaign


@dataclass(frozen=True, slots=True, kw_only=True)
class MountPoint:
    """Resistance of one mount at one power step.

    Attributes
    ----------
    bag, title, day, mount, lot : str
        Which mount.
    resistance_K_per_W : float
        Settled rise over set power, K/W.
    """

    bag: str
    title: str
    day: str
    mount: str
    lot: str
    resistance_K_per_W: float


@dataclass(frozen=True, slots=True, kw_only=True)
class BaselineChart:
    """Resistance of a baseline on one bench, mount by mount.

    Attributes
    ----------
    bench, treatment : str
        Where and what.
    power_W : float
        The step that most campaigns have; the highest of these, W.
    points : tuple of MountPoint
        In the order made.
    chart : IndividualsChart or None
        In K/W; None with fewer than three mounts.
    not_at_step : tuple of str
        Titles of campaigns without that step.
    """

    bench: str
    treatment: str
    power_W: float
    points: tuple[MountPoint, ...]
    chart: IndividualsChart | None
    not_at_step: tuple[str, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class LotSummary:
    """Lots of one treatment on one bench.

    Attributes
    ----------
    bench, treatment : str
        Where and what.
    power_W : float
        Power step, W.
    lots : tuple of (lot, n_mounts, mean, u)
        Mean resistance of each lot and its standard uncertainty, K/W.
    combined : RandomEffects
        In K/W; its tau is the standard deviation between lots.
    cautions : tuple of str
        What limits it.
    """

    bench: str
    treatment: str
    power_W: float
    lots: tuple[tuple[str, int, float, float], ...]
    combined: RandomEffects
    cautions: tuple[str, ...]


def _points(campaigns: Sequence[FiledCampaign], treatment: str, power_W: float) -> list[MountPoint]:
    """Return the mounts of a treatment at a step, in the order made, repeats averaged."""
    points = []
    for campaign in campaigns:
        mounts: dict[str, list[float]] = {}
        lots: dict[str, str] = {}
        for run in campaign.runs:
            if run.treatment == treatment and run.used and run.rise_K is not None and run.set_power_W == power_W:
                mounts.setdefault(run.mount, []).append(run.rise_K / power_W)
                lots.setdefault(run.mount, run.lot)
        points += [
            MountPoint(
                bag=campaign.bag,
                title=campaign.title,
                day=campaign.day,
                mount=mount,
                lot=lots[mount],
                resistance_K_per_W=math.fsum(values) / len(values),
            )
            for mount, values in mounts.items()
        ]
    return points


def _common_step(campaigns: Sequence[FiledCampaign], treatment: str) -> float | None:
    """Return the step at which most campaigns have the treatment, the highest of these."""
    counts: Counter[float] = Counter()
    for campaign in campaigns:
        counts.update(
            {
                run.set_power_W
                for run in campaign.runs
                if run.treatment == treatment and run.used and run.rise_K is not None
            }
        )
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
