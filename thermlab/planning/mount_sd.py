"""How much mounts scatter, as far as it is known before the campaign: given, from a pilot, or from an archive.

An SD from a few mounts is itself uncertain: with 4 degrees of freedom the truth may be nearly three times as large.
Plans are made at its upper 80 % limit, so that four plans in five are ample. An SD pooled over earlier campaigns counts
with half its degrees of freedom: benches change between campaigns, and half the dof was safe in simulation up to a
coefficient of variation of 0.3 between their SDs (see the planning page of the documentation).
"""

import math
from collections.abc import Iterable, Mapping
from pathlib import Path
from statistics import median_high, variance
from typing import Any

from thermlab.archives.filed_results import one_mount_scatter
from thermlab.base.errors import InputError, Problem
from thermlab.campaign.folder import campaign_folder
from thermlab.planning.records import FEWEST_DOF, MountScatter
from thermlab.reports.results import read_results, to_results
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
    if dof is not None and not FEWEST_DOF <= dof < math.inf:
        allowed = f"at least {FEWEST_DOF:g}"
        raise InputError([Problem("plan: mount_sd_dof", f"{dof}", allowed)])
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
    results: Mapping[str, Any]
    if path.is_dir():
        from thermlab.compare.analysis import analyse  # noqa: PLC0415 - what reads logs, where there are any

        results = to_results(analyse(path))
    else:
        results = read_results(path)
    found = _mount_sd(results)
    if found is None:
        allowed = "a campaign with at least two mounts of one treatment"
        raise InputError([Problem(str(path), "no mount SD", allowed)])
    sd_per_W, dof, power_W = found
    scaled = f"The mount SD of the pilot, at {power_W:g} W, is scaled to {reference_power_W:g} W."
    return _scatter(
        sd_per_W * reference_power_W,
        dof,
        f"pilot campaign {results['campaign'].get('title') or path.name!r}",
        time_constant_min=(results.get("bench") or {}).get("time_constant_min"),
        curve=_curve(results),
        cautions=() if reference_power_W == power_W else (scaled,),
    )


def archive_scatter(archive: str | Path, *, reference_power_W: float, bench: str | None = None) -> MountScatter:
    """Pool the mount SDs of the archived campaigns of one bench, with half their degrees of freedom.

    Parameters
    ----------
    archive : str or Path
        Folder under which ``results.json`` files lie.
    reference_power_W : float
        Step the plan compares at, W; SDs are pooled per watt.
    bench : str or None
        Name of the bench; None takes every campaign, as long as all name the same bench.

    Raises
    ------
    InputError
        Not a folder, no campaign with a mount SD, or several benches and none chosen.
    """
    folder = Path(archive)
    if not folder.is_dir():
        raise InputError(
            [Problem(str(folder), "no folder", "an archive, or a folder with results.json files below it")]
        )
    campaigns, cautions, single = _collect(folder, bench)
    benches = sorted({str(results["campaign"].get("bench")) for results in single})
    if not campaigns and len(benches) == 1 and (between := one_mount_scatter(single)) is not None:
        cautions.append(
            "The mount SD comes from the differences of campaigns with one mount of each treatment: run noise and what "
            f"changed between campaigns are in it. Half of its {between[1]} degrees of freedom count."
        )
        return _scatter(
            between[0] * reference_power_W,
            PRIOR_SHARE * between[1],
            f"{len(single)} archived campaigns with one mount of each on bench {benches[0]!r}",
            curve=_curve(single[-1]),
            cautions=tuple(cautions),
        )
    benches = sorted({campaign["bench"] for campaign in campaigns})
    if not campaigns or len(benches) > 1:
        found, allowed = "no campaign with a mount SD", "results.json files" + (f" of bench {bench!r}" if bench else "")
        if campaigns:
            found = f"campaigns of the benches {', '.join(map(repr, benches))}"
            allowed = "one of them to be chosen"
        raise InputError([Problem(str(folder), found, allowed)])
    dof = sum(campaign["dof"] for campaign in campaigns)
    per_W = math.sqrt(sum(c["dof"] * c["sd_K_per_W"] ** 2 for c in campaigns) / dof)
    sds = [campaign["sd_K_per_W"] for campaign in campaigns]
    cautions.append(
        f"The mount SD is pooled over {len(campaigns)} campaigns with {dof:g} degrees of freedom, "
        f"of which half ({PRIOR_SHARE * dof:g}) count."
    )
    if max(sds) > 2 * min(sds):
        cautions.append("The campaigns' own mount SDs differ by more than a factor of two: look at them one by one.")
    curves = [curve for c in campaigns if (curve := c.pop("curve")) is not None]
    return _scatter(
        per_W * reference_power_W,
        PRIOR_SHARE * dof,
        f"{len(campaigns)} archived campaigns of bench {benches[0]!r}",
        time_constant_min=median_high([c["time_constant_min"] for c in campaigns if c["time_constant_min"]] or [None]),
        curve=curves[0] if curves else None,
        campaigns=tuple(campaigns),
        cautions=tuple(cautions),
    )


def _collect(folder: Path, bench: str | None) -> tuple[list[dict[str, Any]], list[str], list[dict[str, Any]]]:
    """Return the campaigns with a mount SD, what is left out, and the results of those without one."""
    cautions: list[str] = []
    campaigns: dict[tuple[tuple[str, str], ...], dict[str, Any]] = {}
    single: dict[tuple[tuple[str, str], ...], dict[str, Any]] = {}
    for path in sorted(folder.rglob("results.json")):
        try:
            results = read_results(path)
        except InputError as error:
            cautions.append(f"Left out: {error}")
            continue
        about = results.get("campaign")
        if results.get("kind") == "build" or not isinstance(about, dict):
            continue
        found = _mount_sd(results)
        if bench is not None and about.get("bench") != bench:
            continue
        # The same campaign filed twice is one campaign: its input files have the same sums.
        key = tuple(sorted((about.get("sha256") or {str(path): ""}).items()))
        if found is None:
            single[key] = results
            continue
        campaigns[key] = {
            "title": about.get("title"),
            "bench": about.get("bench"),
            "sd_K_per_W": found[0],
            "dof": found[1],
            "time_constant_min": (results.get("bench") or {}).get("time_constant_min"),
            "curve": _curve(results),
        }
    return list(campaigns.values()), cautions, list(single.values())


def _mount_sd(results: Mapping[str, Any]) -> tuple[float, float, float] | None:
    """Return the campaign's own mount SD per watt (K/W), its dof and the power it was found at (W).

    Without the part of a prior: pooled again it would be counted twice.
    """
    comparison, bench = results.get("comparison") or {}, results.get("bench") or {}
    power = _positive(comparison.get("reference_power_W"))
    if comparison.get("mounts"):
        sd, dof = _own_sd(comparison["mounts"])
    elif bench.get("prior") is None:
        sd, dof = (
            _positive(comparison.get(name)) or _positive(bench.get(name)) for name in ("mount_sd_K", "mount_sd_dof")
        )
    else:
        return None
    return (sd / power, dof, power) if sd and dof and power else None


def _own_sd(mounts: Iterable[Mapping[str, Any]]) -> tuple[float | None, float | None]:
    rises: dict[str, list[float]] = {}
    for mount in mounts:
        rise = mount.get("rise_K")
        if isinstance(rise, (int, float)) and math.isfinite(rise):
            rises.setdefault(str(mount.get("treatment")), []).append(float(rise))
    dof = sum(len(of_one) - 1 for of_one in rises.values())
    squares = sum((len(of_one) - 1) * variance(of_one) for of_one in rises.values() if len(of_one) > 1)
    return (math.sqrt(squares / dof), float(dof)) if dof > 0 else (None, None)


def _positive(value: object) -> float | None:
    return float(value) if isinstance(value, (int, float)) and math.isfinite(value) and value > 0 else None


def _curve(results: Mapping[str, Any]) -> RiseCurve | None:
    """Return the curve through the used runs of all mounts."""
    runs = [run for run in results.get("runs") or () if run.get("used") and run.get("rise_K") is not None]
    try:
        return fit_curve([run["set_power_W"] for run in runs], [run["rise_K"] for run in runs])
    except (NotEstimableError, ValueError):
        return None
