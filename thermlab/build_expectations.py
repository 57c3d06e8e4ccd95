"""Where a fresh mount of a treatment was expected, and whether a build is there.

The interval is a prediction interval for one future mount: it holds the scatter
between mounts of the campaign and the uncertainty of their mean.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import TYPE_CHECKING

from thermlab.comparison import compare_treatments
from thermlab.dunnett import t_point
from thermlab.variances import Prior

if TYPE_CHECKING:
    from collections.abc import Sequence

    from thermlab.build_references import Reference
    from thermlab.runs import ReducedRun

Interval = tuple[float, float]


@dataclass(frozen=True, slots=True, kw_only=True)
class Expected:
    """The build at one power step against where a fresh mount was expected.

    Attributes
    ----------
    set_power_W : float
        Power step, W.
    rise_K : float
        The build's settled rise, repeats averaged, K.
    u_rise_K : float or None
        Its combined standard uncertainty, K.
    expected_rise_K : float or None
        Mean of the campaign's mounts, K.
    n_mounts : int
        Mounts of the treatment in the campaign.
    interval_K : tuple of float or None
        Prediction interval of one fresh mount, K.
    inside : bool or None
        Whether the build lies in it.
    mounts_K : tuple of float
        Rises of the campaign's mounts at that power, K.
    """

    set_power_W: float
    rise_K: float
    u_rise_K: float | None
    expected_rise_K: float | None
    n_mounts: int
    interval_K: Interval | None
    inside: bool | None
    mounts_K: tuple[float, ...]


def expected_rises(runs: Sequence[ReducedRun], reference: Reference, *, treatment: str) -> tuple[Expected, ...]:
    """Hold a build against where a fresh mount of its treatment was expected.

    Parameters
    ----------
    runs : sequence of ReducedRun
        Of the build.
    reference : Reference
        Its campaign.
    treatment : str
        What it was built with.

    Returns
    -------
    tuple of Expected
        One entry a power step with a used run, ascending.

    Notes
    -----
    mean +- t s sqrt(1 + 1 / m), with s and its degrees of freedom as the campaign's comparison has them at that power.
    """
    found = []
    for power in sorted({run.set_power_W for run in runs if run.used and run.rise_K is not None}):
        own = [run for run in runs if run.used and run.rise_K is not None and run.set_power_W == power]
        rise = math.fsum(run.rise_K or 0.0 for run in own) / len(own)
        # What the sensors are off by is common to repeats, so that averaging them does not help.
        u = max((run.u_rise_K for run in own if run.u_rise_K is not None), default=None)
        mean, n_mounts, sd, dof, mounts = _campaign_at(reference, treatment, power)
        interval = None
        if mean is not None and sd is not None and sd > 0.0 and dof > 0.0:
            half = t_point(0.5 + reference.confidence_level / 2.0, dof) * sd * math.sqrt(1.0 + 1.0 / n_mounts)
            interval = (mean - half, mean + half)
        found.append(
            Expected(
                set_power_W=power,
                rise_K=rise,
                u_rise_K=u,
                expected_rise_K=mean,
                n_mounts=n_mounts,
                interval_K=interval,
                inside=None if interval is None else interval[0] <= rise <= interval[1],
                mounts_K=mounts,
            )
        )
    return tuple(found)


def _campaign_at(
    reference: Reference, treatment: str, power_W: float
) -> tuple[float | None, int, float | None, float, tuple[float, ...]]:
    """Return mean, count, scatter, its dof, and the mounts of a treatment at a power."""
    decision, analysis = reference.settings.get("decision") or {}, reference.settings.get("analysis") or {}
    found = compare_treatments(
        reference.runs,
        treatments=reference.treatments,
        baseline=reference.baseline if reference.baseline in reference.treatments else reference.treatments[0],
        margin_K=float(decision.get("margin_K") or 1.0),
        confidence_level=reference.confidence_level,
        reference_power_W=power_W,
        variance=analysis.get("variance") or "auto",
        prior=prior_of(reference),
    )
    rises = tuple(one.rise_K for one in found.mounts if one.treatment == treatment and one.rise_K is not None)
    if not rises:
        return None, 0, None, 0.0, ()
    mean = math.fsum(rises) / len(rises)
    if found.variance == "welch":
        return mean, len(rises), found.mount_sd_by_treatment.get(treatment), len(rises) - 1.0, rises
    return mean, len(rises), found.mount_sd_K, float(found.mount_sd_dof or 0.0), rises


def prior_of(reference: Reference) -> Prior | None:
    """Return the prior mount SD the campaign declared."""
    given = reference.settings.get("prior")
    if not given:
        return None
    per_W = given.get("mount_sd_K_per_W") or float(given["mount_sd_K"]) / float(given["at_power_W"])
    return Prior(mount_sd_K_per_W=float(per_W), dof=float(given["dof"]), source=str(given.get("source") or ""))
