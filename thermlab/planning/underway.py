"""A campaign that is under way: its mounts so far and those still planned, for the outlook of the next mounts."""

from __future__ import annotations

import dataclasses
import math
from collections import Counter
from pathlib import Path
from typing import TYPE_CHECKING

from thermlab.base.errors import InputError, Problem
from thermlab.planning.bench_sheet import NOT_MADE
from thermlab.planning.next_mounts import NextMounts, look_ahead

if TYPE_CHECKING:
    from collections.abc import Sequence

    from thermlab.compare.analysis import Analysis

ASSUMED_MOUNTS = 6


def advise(campaign: str | Path | Analysis, *, mounts: int | None = None) -> NextMounts:
    """Say whether a campaign should be decided, go on or be stopped.

    Parameters
    ----------
    campaign : str, Path or Analysis
        Campaign folder, or its analysis.
    mounts : int or None
        Mounts of each treatment in all; None: the lines of the run sheet that are ``not made yet``, or
        ``decision.mounts_planned``.

    Returns
    -------
    NextMounts
        Advice, intervals that hold at every look, chances after 1, 2, 3 more mounts.

    Raises
    ------
    InputError
        The campaign cannot be read, or has no two treatments to compare.
    """
    if isinstance(campaign, (str, Path)):
        from thermlab.compare.analysis import analyse  # noqa: PLC0415

        analysis = analyse(campaign)
    else:
        analysis = campaign
    settings, comparison = analysis.campaign.settings, analysis.comparison
    where = str(analysis.campaign.folder)
    if comparison is None:
        raise InputError([Problem(where, "no comparison", "a campaign with a baseline and a candidate that have runs")])
    made = sorted(comparison.mounts, key=lambda mount: mount.order)
    if any(mount.rise_K is None for mount in made):
        found = "mounts without a rise at the reference power"
        raise InputError([Problem(where, found, "runs at a power step that all mounts share")])
    values = [(mount.treatment, mount.rise_K) for mount in made if mount.rise_K is not None]
    planned, cautions = _still_planned(analysis, [name for name, _ in values], mounts)
    prior = comparison.prior
    ahead = look_ahead(
        values,
        treatments=list(settings.treatments),
        baseline=settings.baseline,
        margin_K=settings.decision.margin_K,
        still_planned=planned,
        confidence_level=settings.decision.confidence_level,
        prior_sd_K=None if prior is None else math.hypot(prior.mount_sd_K, prior.run_noise_K),
        prior_dof=0.0 if prior is None else prior.used_dof,
    )
    return dataclasses.replace(ahead, cautions=(*cautions, *ahead.cautions))


def _still_planned(analysis: Analysis, made: Sequence[str], mounts: int | None) -> tuple[list[str], list[str]]:
    """Return treatments of the mounts still planned, in order, and what has to be said about the plan."""
    settings = analysis.campaign.settings
    names = list(settings.treatments)
    listed = _listed(analysis)
    said: list[str] = []
    if mounts is None and listed:
        return listed, said
    total = mounts if mounts is not None else settings.decision.mounts_planned
    if total is None:
        total = ASSUMED_MOUNTS
        said.append(
            f"The campaign names no number of planned mounts: {ASSUMED_MOUNTS} of each treatment are assumed. "
            "Write decision.mounts_planned before the next look."
        )
    elif mounts is not None and mounts != settings.decision.mounts_planned:
        said.append(
            "The number of planned mounts is not the one in the campaign. "
            "Changed after the data were seen, it lets the error rate grow."
        )
    counts = Counter(made)
    planned: list[str] = []
    while any(counts[name] < total for name in names):
        fewest = min(names, key=lambda name: (counts[name], names.index(name)))
        counts[fewest] += 1
        planned.append(fewest)
    if len(made) > total * len(names) or any(count > total for count in counts.values()):
        said.append("More mounts were made than planned: the error that may be spent had all been spent before.")
    return planned, said


def _listed(analysis: Analysis) -> list[str]:
    """Return treatments of the mounts that the run sheet lists as not made yet, in its order."""
    begun = {(line.treatment, line.mount) for line in analysis.campaign.runs if line.exclude != NOT_MADE}
    waiting = dict.fromkeys((line.treatment, line.mount) for line in analysis.campaign.runs)
    return [treatment for treatment, mount in waiting if (treatment, mount) not in begun]
