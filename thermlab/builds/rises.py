"""The rise of a build at each power step, against where a fresh mount of its treatment was expected."""

import math
from collections.abc import Sequence
from dataclasses import dataclass

from thermlab.builds.evidence import Reference
from thermlab.compare.comparison import compare_treatments
from thermlab.compare.records import Interval
from thermlab.compare.uncertainty import effective_dof
from thermlab.runs.records import ReducedRun
from thermlab.stats.dunnett import t_point


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
        Where the reading of one fresh mount was expected: prediction interval with ``u_rise_K``, K.
    fresh_mount_interval_K : tuple of float or None
        Prediction interval of one fresh mount alone, K.
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
    fresh_mount_interval_K: Interval | None
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
    mean +- t sqrt(s^2 (1 + 1 / m) + u^2), with s the scatter between mounts at that power, u the standard uncertainty
    of the build's own rise, and t at the effective degrees of freedom (JCGM 100, G.2b). The scatter is pooled over
    treatments. Where the campaign's treatments scatter differently (its comparison turned to Welch by itself), the
    treatment's own scatter is tried too and the wider interval kept: own scatter alone, chosen by the same few mounts,
    would be too small too often. Where Welch was declared, the own scatter counts alone.
    """
    used = [run for run in runs if run.used and run.rise_K is not None]
    level = 0.5 + reference.confidence_level / 2.0
    found = []
    for power in sorted({run.set_power_W for run in used}):
        own = [run for run in used if run.set_power_W == power]
        rise = math.fsum(run.rise_K or 0.0 for run in own) / len(own)
        # What the sensors are off by is common to repeats, so that averaging them does not help.
        u = max((run.u_rise_K for run in own if run.u_rise_K is not None), default=None)
        mounts, scatters = _campaign_at(reference, treatment, power)
        mean = math.fsum(mounts) / len(mounts) if mounts else None
        interval = fresh = None
        if mean is not None and scatters:
            halves = [max(_half_width(*sd, len(mounts), known, level) for sd in scatters) for known in (u or 0.0, 0.0)]
            interval, fresh = ((mean - half, mean + half) for half in halves)
        found.append(
            Expected(
                set_power_W=power,
                rise_K=rise,
                u_rise_K=u,
                expected_rise_K=mean,
                n_mounts=len(mounts),
                interval_K=interval,
                fresh_mount_interval_K=fresh,
                inside=None if interval is None else interval[0] <= rise <= interval[1],
                mounts_K=mounts,
            )
        )
    return tuple(found)


def _half_width(sd_K: float, dof: float, n_mounts: int, u_K: float, level: float) -> float:
    parts = (sd_K * math.sqrt(1.0 + 1.0 / n_mounts), u_K)
    return t_point(level, effective_dof(parts, (dof, None)) or math.inf) * math.hypot(*parts)


def _campaign_at(
    reference: Reference, treatment: str, power_W: float
) -> tuple[tuple[float, ...], list[tuple[float, float]]]:
    """Return the mounts of a treatment at a power, and the scatters with their dof that may stand behind them."""
    if reference.alone:
        return (), []
    # The margin decides on verdicts alone, and none is asked for here.
    found = compare_treatments(reference.runs, margin_K=1.0, reference_power_W=power_W, **reference.asked())
    rises = tuple(one.rise_K for one in found.mounts if one.treatment == treatment and one.rise_K is not None)
    own = (found.mount_sd_by_treatment.get(treatment), len(rises) - 1.0)
    pooled = (found.mount_sd_K, float(found.mount_sd_dof or 0.0))
    unequal = found.cochran_c is not None and found.cochran_c > (found.cochran_critical or math.inf)
    both = reference.variance == "auto" and unequal
    tried = [own] if found.variance == "welch" else [pooled, own] if both else [pooled]
    return rises, [(sd, dof) for sd, dof in tried if sd is not None and sd > 0.0 and dof > 0.0]
