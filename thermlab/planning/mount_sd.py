"""How much mounts scatter, as far as it is known before the campaign: given, from a pilot, or from an archive.

An SD from a few mounts is itself uncertain: with 4 degrees of freedom the truth may be nearly three times as large.
Plans are made at its upper 80 % limit, so that four plans in five are ample. An SD pooled over earlier campaigns counts
with half its degrees of freedom: benches change between campaigns, and half the dof was safe in simulation up to a
coefficient of variation of 0.3 between their SDs (see the planning page of the documentation).
"""

import math
from collections import defaultdict
from collections.abc import Mapping, Sequence
from pathlib import Path
from statistics import fmean, median_high, variance
from typing import Any

from thermlab.archives.filed_results import filed_runs, one_mount_scatter, read_archive
from thermlab.base.errors import InputError, Problem
from thermlab.campaign.folder import campaign_folder
from thermlab.planning.records import MountScatter
from thermlab.reports.results import read_results, to_results
from thermlab.runs.records import ReducedRun
from thermlab.stats.curves import RiseCurve, fit_curve
from thermlab.stats.least_squares import NotEstimableError
from thermlab.stats.power import sd_upper_limit

UPPER_LIMIT = 0.80
PRIOR_SHARE = 0.5
ASSUMED_SD_K = 0.6


def given_scatter(sd_K: float | None, dof: float | None, *, run_noise_K: float) -> MountScatter:
    """Take a mount SD as given; without one assume 0.6 K and say so.

    Parameters
    ----------
    sd_K : float or None
        SD between mounts at the reference step, without run noise, K.
    dof : float or None
        Degrees of freedom behind it; None takes it as known.
    run_noise_K : float
        SD of one settled rise on one mount, K.
    """
    if sd_K is None:
        caution = (
            f"No mount SD was given: {ASSUMED_SD_K:g} K is assumed (0.3 to 1 K is common practice, no source). "
            "Make two mounts of each treatment, then plan again from them."
        )
        return _scatter(ASSUMED_SD_K, None, "assumed", run_noise_K=run_noise_K, cautions=(caution,))
    cautions = () if dof else ("The mount SD is taken as known exactly: its degrees of freedom were not given.",)
    return _scatter(sd_K, dof, "given", run_noise_K=run_noise_K, cautions=cautions)


def _scatter(sd_K: float, dof: float | None, source: str, *, run_noise_K: float = 0.0, **more: Any) -> MountScatter:
    planned = sd_K if dof is None else sd_upper_limit(sd_K, dof, UPPER_LIMIT)
    return MountScatter(sd_K=sd_K, dof=dof, planned_sd_K=planned, run_noise_K=run_noise_K, source=source, **more)


def pilot_scatter(pilot: str | Path, *, reference_power_W: float) -> MountScatter:
    """Take the mount SD, time constant and curve from a campaign or its ``results.json``.

    Parameters
    ----------
    pilot : str or Path
        Campaign folder (it is analysed) or a ``results.json``.
    reference_power_W : float
        Step the plan compares at, W; the SD is scaled by power.

    Raises
    ------
    InputError
        The pilot cannot be read or has no mount SD.
    """
    path = campaign_folder(pilot)
    if path.is_dir():
        from thermlab.compare.analysis import analyse  # noqa: PLC0415 - what reads logs, where there are any

        results: dict[str, Any] = to_results(analyse(path))
    else:
        results = read_results(path)
    try:
        runs = tuple(filed_runs(results))
        found = _own_sd(results, runs)
    except KeyError as missing:
        raise InputError([Problem(str(path), f"no {missing}", "the results of a campaign")]) from None
    if found is None:
        allowed = "a campaign with at least two mounts of one treatment"
        raise InputError([Problem(str(path), "no mount SD", allowed)])
    sd_per_W, dof, power_W = found
    scaled = f"The mount SD of the pilot, at {power_W:g} W, is scaled to {reference_power_W:g} W."
    return _scatter(
        sd_per_W * reference_power_W,
        dof,
        f"pilot campaign {results['campaign'].get('title') or path.name!r}",
        time_constant_min=_time_constant_min(results),
        curve=_curve(runs),
        cautions=() if reference_power_W == power_W else (scaled,),
    )


def archive_scatter(archive: str | Path, *, reference_power_W: float, bench: str | None = None) -> MountScatter:
    """Pool the mount SDs of the archived campaigns of one bench, with half their degrees of freedom.

    Parameters
    ----------
    archive : str or Path
        An archive; campaigns that compare with the same mounts of the baseline count as one, as in a history.
    reference_power_W : float
        Step the plan compares at, W; SDs are pooled per watt.
    bench : str or None
        Name of the bench; None takes every campaign, as long as all name the same bench.

    Raises
    ------
    InputError
        No archive, no campaign with a mount SD, or several benches and none chosen.
    """
    filed = read_archive(archive)
    own = [one for one in filed.campaigns if bench in (None, one.bench)]
    benches = sorted({one.bench for one in own})
    if len(benches) > 1:
        several = f"campaigns of the benches {', '.join(map(repr, benches))}"
        raise InputError([Problem(str(archive), several, "one of them to be chosen")])
    cautions = [f"In the archive, {text}." for text in filed.left_out]
    known = [(one.title, *found) for one in own if (found := _own_sd(one.results, one.runs)) is not None]
    between = None if known else one_mount_scatter(one.results for one in own)
    if known:
        dof, sds = sum(own_dof for _, _, own_dof, _ in known), [sd for _, sd, _, _ in known]
        per_W = math.sqrt(sum(own_dof * sd**2 for _, sd, own_dof, _ in known) / dof)
        source = f"{len(known)} archived campaigns of bench {benches[0]!r}"
        cautions.append(
            f"The mount SD is pooled over {len(known)} campaigns with {dof:g} degrees of freedom, "
            f"of which half ({PRIOR_SHARE * dof:g}) count."
        )
        if max(sds) > 2 * min(sds):
            cautions.append("The campaigns' own mount SDs differ by more than a factor of two: look at each of them.")
    elif between is not None:
        per_W, dof = between
        source = f"{len(own)} archived campaigns with one mount of each on bench {benches[0]!r}"
        cautions.append(
            "The mount SD comes from the differences of campaigns with one mount of each treatment: run noise and what "
            f"changed between campaigns are in it. Half of its {dof} degrees of freedom count."
        )
    else:
        of_bench = f" of bench {bench!r}" if bench else ""
        raise InputError([Problem(str(archive), "no mount SD", f"campaigns{of_bench} with mounts that were repeated")])
    taus = [tau for one in own if (tau := _time_constant_min(one.results)) is not None]
    return _scatter(
        per_W * reference_power_W,
        PRIOR_SHARE * dof,
        source,
        time_constant_min=median_high(taus) if taus else None,
        curve=next((curve for one in reversed(own) if (curve := _curve(one.runs)) is not None), None),
        campaigns=tuple({"title": title, "sd_K_per_W": sd, "dof": own_dof} for title, sd, own_dof, _ in known),
        cautions=tuple(cautions),
    )


def _own_sd(results: Mapping[str, Any], runs: Sequence[ReducedRun]) -> tuple[float, float, float] | None:
    """Return a campaign's mount SD per watt (K/W), its dof and the reference power it was found at (W).

    Without the part of a prior: pooled again it would be counted twice.
    """
    power_W = (results.get("comparison") or {}).get("reference_power_W")
    mounts: dict[str, dict[str, list[float]]] = defaultdict(lambda: defaultdict(list))
    for run in runs:
        if run.used and run.rise_K is not None and run.set_power_W == power_W:
            mounts[run.treatment][run.mount].append(run.rise_K)
    repeated = [[fmean(rises) for rises in own.values()] for own in mounts.values() if len(own) > 1]
    dof = float(sum(len(arm) - 1 for arm in repeated))
    squares = math.fsum((len(arm) - 1) * variance(arm) for arm in repeated)
    return (math.sqrt(squares / dof) / power_W, dof, power_W) if power_W and squares > 0 else None


def _time_constant_min(results: Mapping[str, Any]) -> float | None:
    return (results.get("bench") or {}).get("time_constant_min")


def _curve(runs: Sequence[ReducedRun]) -> RiseCurve | None:
    """Return the curve through the used runs of all mounts."""
    used = [(run.set_power_W, run.rise_K) for run in runs if run.used and run.rise_K is not None]
    try:
        return fit_curve([power for power, _ in used], [rise for _, rise in used])
    except (NotEstimableError, ValueError):
        return None
