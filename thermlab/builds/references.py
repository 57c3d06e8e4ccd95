"""The campaign a build is judged by, as far as its judgement needs it.

Only the reported results of the campaign are used, from its folder or from its
bag in an archive, however old the version that wrote them. The record keeps
what it used, so that it can be recomputed without the campaign.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

from thermlab.archives.bags import check_bag
from thermlab.archives.filed_results import filed_runs
from thermlab.archives.filing import inspect
from thermlab.archives.listing import CAMPAIGN
from thermlab.base.errors import InputError, Problem, ThermlabError, shown
from thermlab.base.files import sha256_file
from thermlab.campaign.settings import CheckThresholds
from thermlab.reports.results import read_results

if TYPE_CHECKING:
    from pathlib import Path

    from thermlab.runs.records import ReducedRun

_RUN_KEYS = ("run", "treatment", "mount", "set_power_W", "rise_K", "used", "lot", "condition", "flags")
_SETTINGS_KEYS = ("cooling", "measurand", "decision", "analysis", "prior", "checks", "fit_from_min")


@dataclass(frozen=True, slots=True, kw_only=True)
class Reference:
    """What a campaign says that a build is held against.

    Attributes
    ----------
    title, bench, baseline, created, thermlab_version : str
        Which campaign, and who made its report when.
    results_sha256 : str
        SHA-256 of its ``results.json``.
    runs : tuple of ReducedRun
        In the order made.
    time_constant_min, u_time_constant_min : float or None
        Of the bench, at its highest power step, min.
    settings : dict
        Its cooling, measurand, decision, analysis, prior and thresholds.
    """

    title: str
    bench: str
    baseline: str
    created: str
    thermlab_version: str
    results_sha256: str
    runs: tuple[ReducedRun, ...]
    time_constant_min: float | None
    u_time_constant_min: float | None
    settings: dict[str, Any]

    @property
    def treatments(self) -> tuple[str, ...]:
        """Treatments with runs, baseline first."""
        names = dict.fromkeys([self.baseline, *(run.treatment for run in self.runs)])
        present = {run.treatment for run in self.runs}
        return tuple(name for name in names if name in present)

    @property
    def highest_power_W(self) -> float:
        """Power step the time constant refers to, W."""
        return max(run.set_power_W for run in self.runs)

    @property
    def cooling(self) -> str:
        """Whether the bench is ``passive`` or ``forced``."""
        return str(self.settings.get("cooling") or "passive")

    @property
    def confidence_level(self) -> float:
        """Confidence level of the campaign, as a fraction."""
        return float(self.settings.get("decision", {}).get("confidence_level", 0.95))

    @property
    def checks(self) -> dict[str, Any]:
        """Thresholds of the run checks, as far as this version still has them."""
        filed = self.settings.get("checks") or {}
        return {name: value for name, value in filed.items() if name in CheckThresholds.model_fields}

    @property
    def dropped_checks(self) -> tuple[str, ...]:
        """Thresholds the campaign was judged by that this version no longer has."""
        return tuple(sorted(set(self.settings.get("checks") or {}) - set(CheckThresholds.model_fields)))

    def to_results(self) -> dict[str, Any]:
        """Return what was used, in the form of ``results.json``."""
        return {
            "results_sha256": self.results_sha256,
            "created": self.created,
            "thermlab_version": self.thermlab_version,
            "campaign": {"title": self.title, "bench": self.bench, "baseline": self.baseline},
            "settings": self.settings,
            "bench": {"time_constant_min": self.time_constant_min, "u_time_constant_min": self.u_time_constant_min},
            "runs": [{key: getattr(run, key) for key in _RUN_KEYS} for run in self.runs],
        }


def reference_from_results(results: dict[str, Any], *, results_sha256: str) -> Reference:
    """Take what is needed out of the results of a campaign.

    Parameters
    ----------
    results : dict
        Of schema 1, or what :meth:`Reference.to_results` made.
    results_sha256 : str
        SHA-256 of the file they come from.

    Raises
    ------
    InputError
        They are not the results of a campaign with runs.
    """
    allowed = "the results of a campaign as thermlab writes them"
    try:
        about, bench, settings = results["campaign"], results.get("bench") or {}, results["settings"]
        reference = Reference(
            title=str(about.get("title") or ""),
            bench=str(about.get("bench") or ""),
            baseline=str(about["baseline"]),
            created=str(results.get("created") or ""),
            thermlab_version=str(results.get("thermlab_version") or ""),
            results_sha256=results_sha256,
            runs=tuple(filed_runs(results)),
            time_constant_min=bench.get("time_constant_min"),
            u_time_constant_min=bench.get("u_time_constant_min"),
            settings={key: settings.get(key) for key in _SETTINGS_KEYS},
        )
    except (KeyError, TypeError, ValueError, AttributeError) as error:
        found = f"results that cannot be read ({type(error).__name__}: {error})"
        raise InputError([Problem("results.json of the campaign", found, allowed)]) from error
    if not reference.runs:
        raise InputError([Problem("results.json of the campaign", "no runs", allowed)])
    return reference


def load_reference(folder: Path, *, where: str) -> Reference:
    """Read the campaign a build refers to.

    Parameters
    ----------
    folder : Path
        A campaign with a finished report of its present inputs, or a bag.
    where : str
        What problems call the place it was named, such as ``build.yaml:5 (campaign)``.

    Raises
    ------
    InputError
        There is no such campaign, its report is missing or older than its inputs, or the bag is damaged.
    """
    if (folder / "bagit.txt").is_file():
        check = check_bag(folder)
        if not check.ok:
            raise InputError(
                [Problem(where, f"a damaged bag: {' / '.join(check.summary().splitlines())}", "a whole bag")]
            )
        path = folder / "data" / CAMPAIGN.output / "results.json"
    elif (folder / CAMPAIGN.settings).is_file():
        try:
            inspect(folder)
        except InputError as error:
            raise InputError(
                [Problem(f"{where}: {one.where}", one.found, one.allowed) for one in error.problems]
            ) from None
        path = folder / CAMPAIGN.output / "results.json"
    else:
        found = f"{shown(folder, limit=300)}, which is neither a campaign nor a bag"
        raise InputError([Problem(where, found, "the folder of a campaign, or of its bag in an archive")])
    try:
        return reference_from_results(read_results(path), results_sha256=sha256_file(path)[0])
    except OSError as error:
        raise ThermlabError(f"{where}: {error}") from error
