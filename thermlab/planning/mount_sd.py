"""How much mounts scatter, as far as it is known before the campaign: given, from a pilot, or from an archive.

An SD from a few mounts is itself uncertain: with 4 degrees of freedom the truth may be nearly three times as large.
Plans are made at its upper 80 % limit, so that four plans in five are ample. An SD pooled over earlier campaigns counts
with half its degrees of freedom: benches change between campaigns, and half the dof was safe in simulation up to a
coefficient of variation of 0.3 between their SDs (see the planning page of the documentation).
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any

from thermlab.base.errors import InputError, Problem
from thermlab.campaign.folder import campaign_folder
from thermlab.stats.curves import RiseCurve, fit_curve
from thermlab.stats.least_squares import NotEstimableError
from thermlab.stats.power import sd_upper_limit

if TYPE_CHECKING:
    from collections.abc import Iterable, Mapping

UPPER_LIMIT = 0.80
# Half of one, as is left of a prior with one.
FEWEST_DOF = 0.5
PRIOR_SHARE = 0.5
RESULTS = "results.json"
ASSUMED_SD_K = 0.6
RUN_NOISE_K = 0.2


@dataclass(frozen=True, slots=True, kw_only=True)
class MountScatter:
    """Mount SD to plan with.

    Attributes
    ----------
    sd_K : float
        Estimate at the reference step, K.
    dof : float or None
        Its degrees of freedom as used; None where it is taken as known.
    planned_sd_K : float
        What the plan uses: the upper 80 % limit, or the estimate where it is taken as known, K.
    run_noise_K : float
        Run noise still to be added, K; 0 where the estimate holds it already.
    source : str
        Where it comes from.
    time_constant_min : float or None
        Time constant of the bench, where the source says so, min.
    curve : RiseCurve or None
        Rise against power of the bench, where the source says so.
    campaigns : tuple of dict
        Of a pooled SD: title, mount SD per watt and dof of each campaign.
    cautions : tuple of str
        What limits it.
    """

    sd_K: float
    dof: float | None
    planned_sd_K: float
    run_noise_K: float
    source: str
    time_constant_min: float | None = None
    curve: RiseCurve | None = None
    campaigns: tuple[dict[str, Any], ...] = ()
    cautions: tuple[str, ...] = ()


def given_scatter(sd_K: float | None, dof: float | None, *, run_noise_K: float = RUN_NOISE_K) -> MountScatter:
    """Take a mount SD as given; without one assume 0.6 K and say so.

    Parameters
    ----------
    sd_K : float or None
        SD between mounts at the reference step, without run noise, K.
    dof : float or None
        Degrees of freedom behind it; None takes it as known.
    run_noise_K : float
        SD of one settled rise on one mount, K.

    Raises
    ------
    InputError
        An SD that is not above 0, fewer degrees of freedom than half of one, a noise below 0.
    """
    problems = []
    if sd_K is not None and not (math.isfinite(sd_K) and sd_K > 0):
        problems.append(Problem("plan: mount SD", f"{sd_K} K", "above 0 K"))
    if dof is not None and not (math.isfinite(dof) and dof >= FEWEST_DOF):
        problems.append(_too_few(dof))
    if dof is not None and sd_K is None:
        problems.append(
            Problem("plan: degrees of freedom of the mount SD", f"{dof} without a mount SD", "both or none")
        )
    if not (math.isfinite(run_noise_K) and run_noise_K >= 0):
        problems.append(Problem("plan: run noise", f"{run_noise_K} K", "0 K or more"))
    if problems:
        raise InputError(problems)
    if sd_K is None:
        caution = (
            f"No mount SD was given: {ASSUMED_SD_K:g} K is assumed (0.3 to 1 K is common practice, no source). "
            "Make two mounts of each treatment, then plan again from them."
        )
        return _scatter(ASSUMED_SD_K, None, run_noise_K, "assumed", cautions=(caution,))
    cautions = () if dof else ("The mount SD is taken as known exactly: its degrees of freedom were not given.",)
    return _scatter(sd_K, dof, run_noise_K, "given", cautions=cautions)


def _too_few(dof: float) -> Problem:
    return Problem("plan: degrees of freedom of the mount SD", f"{dof}", f"at least {FEWEST_DOF:g}")


def _scatter(sd_K: float, dof: float | None, run_noise_K: float, source: str, **more: Any) -> MountScatter:
    if dof is not None and not dof >= FEWEST_DOF:
        raise InputError([_too_few(dof)])
    planned = sd_K if dof is None else sd_upper_limit(sd_K, dof, UPPER_LIMIT)
    return MountScatter(sd_K=sd_K, dof=dof, planned_sd_K=planned, run_noise_K=run_noise_K, source=source, **more)


def pilot_scatter(pilot: str | Path, *, reference_power_W: float | None = None) -> MountScatter:
    """Take the mount SD, time constant and curve from a campaign or its ``results.json``.

    Parameters
    ----------
    pilot : str or Path
        Campaign folder (it is analysed) or a ``results.json``.
    reference_power_W : float or None
        Step the plan compares at, W; the SD is scaled by power. None: as in the pilot.

    Raises
    ------
    InputError
        The pilot cannot be read or has no mount SD.
    """
    path = campaign_folder(pilot)
    results = _results_of(path)
    found = _mount_sd(results)
    if found is None:
        allowed = "a campaign with at least two mounts of one treatment"
        raise InputError([Problem(str(path), "no mount SD", allowed)])
    sd_per_W, dof, power_W = found
    at = power_W if reference_power_W is None else reference_power_W
    cautions = () if at == power_W else (f"The mount SD of the pilot, at {power_W:g} W, is scaled to {at:g} W.",)
    return _scatter(
        sd_per_W * at,
        dof,
        0.0,
        f"pilot campaign {results['campaign'].get('title') or path.name!r}",
        time_constant_min=(results.get("bench") or {}).get("time_constant_min"),
        curve=_curve(results),
        cautions=cautions,
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
    campaigns, cautions = _collect(folder, bench)
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
    constants = [c["time_constant_min"] for c in campaigns if c["time_constant_min"] is not None]
    curves = [c.pop("curve") for c in campaigns]
    return _scatter(
        per_W * reference_power_W,
        PRIOR_SHARE * dof,
        0.0,
        f"{len(campaigns)} archived campaigns of bench {benches[0]!r}",
        time_constant_min=sorted(constants)[len(constants) // 2] if constants else None,
        curve=next((curve for curve in curves if curve is not None), None),
        campaigns=tuple(campaigns),
        cautions=tuple(cautions),
    )


def _collect(folder: Path, bench: str | None) -> tuple[list[dict[str, Any]], list[str]]:
    from thermlab.reports.results import read_results  # noqa: PLC0415

    cautions: list[str] = []
    campaigns: dict[tuple[tuple[str, str], ...], dict[str, Any]] = {}
    for path in sorted(folder.rglob(RESULTS)):
        try:
            results = read_results(path)
        except InputError as error:
            cautions.append(f"Left out: {error}")
            continue
        if results.get("kind") == "build" or not isinstance(results.get("campaign"), dict):
            continue
        about = results["campaign"]
        found = _mount_sd(results)
        if found is None or (bench is not None and about.get("bench") != bench):
            continue
        per_W, dof, _ = found
        # The same campaign filed twice is one campaign: its input files have the same sums.
        key = tuple(sorted((about.get("sha256") or {str(path): ""}).items()))
        campaigns[key] = {
            "title": about.get("title"),
            "bench": about.get("bench"),
            "sd_K_per_W": per_W,
            "dof": dof,
            "time_constant_min": (results.get("bench") or {}).get("time_constant_min"),
            "curve": _curve(results),
        }
    return list(campaigns.values()), cautions


def _results_of(path: Path) -> dict[str, Any]:
    if path.is_dir():
        from thermlab.compare.analysis import analyse  # noqa: PLC0415
        from thermlab.reports.results import to_results  # noqa: PLC0415

        return dict(to_results(analyse(path)))
    from thermlab.reports.results import read_results  # noqa: PLC0415

    return read_results(path)


def _mount_sd(results: Mapping[str, Any]) -> tuple[float, float, float] | None:
    """Return the campaign's own mount SD per watt (K/W), its dof and the power it was found at (W).

    Without the part of a prior: pooled again it would be counted twice.
    """
    comparison, bench = results.get("comparison") or {}, results.get("bench") or {}
    power = _positive(comparison.get("reference_power_W"))
    if comparison.get("mounts"):
        sd, dof = _own_sd(comparison["mounts"])
    elif bench.get("prior") is None:
        sd = _positive(comparison.get("mount_sd_K")) or _positive(bench.get("mount_sd_K"))
        dof = _positive(comparison.get("mount_sd_dof")) or _positive(bench.get("mount_sd_dof"))
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
    squares = sum(sum((rise - sum(of_one) / len(of_one)) ** 2 for rise in of_one) for of_one in rises.values())
    return (math.sqrt(squares / dof), float(dof)) if dof > 0 else (None, None)


def _positive(value: object) -> float | None:
    usable = isinstance(value, (int, float)) and math.isfinite(value) and value > 0
    return float(value) if usable and isinstance(value, (int, float)) else None


def _curve(results: Mapping[str, Any]) -> RiseCurve | None:
    """Return the curve through the used runs of all mounts."""
    runs = [run for run in results.get("runs") or () if run.get("used") and run.get("rise_K") is not None]
    try:
        return fit_curve([run["set_power_W"] for run in runs], [run["rise_K"] for run in runs])
    except (NotEstimableError, ValueError):
        return None
