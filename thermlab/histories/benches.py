"""How much the mounts of each bench scatter, pooled over its campaigns.

The mount SD is taken per watt, from the slopes of mounts about steps common to
all, with the noise of single runs taken out, and pooled over campaigns with
their degrees of freedom. As a prior it counts with half of them, because benches
change between campaigns; the halving is done where the prior is used.
"""

from __future__ import annotations

import math
from collections import defaultdict
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from thermlab.compare.mounts import fit_common_steps, tabulate_mounts
from thermlab.stats.least_squares import NotEstimableError

if TYPE_CHECKING:
    from collections.abc import Sequence

    from thermlab.archives.filed_results import FiledCampaign


@dataclass(frozen=True, slots=True, kw_only=True)
class CampaignScatter:
    """Scatter between the mounts of one campaign.

    Attributes
    ----------
    bag, title, day : str
        The campaign.
    sd_K_per_W : float
        Standard deviation between mounts of one treatment, run noise taken out, K/W; 0 where noise explains it all.
    variance : float
        Its square before it is kept from being negative, (K/W)^2.
    dof : int
        Used mounts less treatments.
    run_noise_K : float or None
        Standard deviation of one settled rise, K.
    by_treatment : dict of str to float
        Standard deviation of each treatment with two mounts or more, run noise left in, K/W.
    time_constant_min : float or None
        Of the bench in this campaign, min.
    """

    bag: str
    title: str
    day: str
    sd_K_per_W: float
    variance: float
    dof: int
    run_noise_K: float | None
    by_treatment: dict[str, float]
    time_constant_min: float | None


@dataclass(frozen=True, slots=True, kw_only=True)
class BenchHistory:
    """Mount SD of one bench, pooled over campaigns.

    Attributes
    ----------
    bench : str
        Its name.
    campaigns : tuple of CampaignScatter
        Oldest first; only those with two mounts of one treatment.
    mount_sd_K_per_W : float or None
        Pooled, run noise taken out, K/W; None where noise explains all scatter, or nothing is replicated.
    dof : int
        Pooled degrees of freedom, in full.
    prior : str or None
        A block for ``campaign.yaml``.
    cautions : tuple of str
        What limits it.
    """

    bench: str
    campaigns: tuple[CampaignScatter, ...]
    mount_sd_K_per_W: float | None
    dof: int
    prior: str | None
    cautions: tuple[str, ...]


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
