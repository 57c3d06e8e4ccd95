"""Whether a finished machine is where it should be, and keeps what the customer needs.

Two questions, and one verdict by a rule set beforehand:

- Is its rise at each power step where a fresh mount of its treatment was
  expected? The interval is a prediction interval for the reading of one future
  mount: it holds the scatter between mounts of the campaign, the uncertainty of
  their mean, and that of the build's own reading, whose sensors are not those
  of the campaign.
- At which power will it reach its limit in the customer's room? The rise curve
  of the campaign's mounts is moved in parallel, per watt, to pass through the
  build's own rises, as a resistance in series moves it, and solved for the rise
  that is left between the customer's room and the limit.

Without a campaign only the second question is asked, of the curve of the
build's own runs.

pass: the whole interval of that power lies at or above what is required, and
every rise is inside its interval. fail: the whole interval lies short of what
is required. refer: anything else, and whatever rests on a doubtful run; a person has to look.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, field, replace
from typing import TYPE_CHECKING, Any, Literal

import numpy as np

from thermlab.builds.evidence import curve_and_bends
from thermlab.compare.comparison import compare_treatments
from thermlab.compare.records import FARTHEST_EXTRAPOLATION
from thermlab.compare.throttle import OTHER_EXPONENTS, move_along, predict_throttle, room_effect_W
from thermlab.compare.uncertainty import effective_dof
from thermlab.runs.settled_runs import curve_through
from thermlab.runs.time_constant import SINGLE_STEP_SLOPE
from thermlab.stats.curves import EXPONENT, RiseCurve, curve_design, fit_curve
from thermlab.stats.dunnett import t_point
from thermlab.stats.least_squares import NotEstimableError

if TYPE_CHECKING:
    from collections.abc import Iterator, Sequence

    from thermlab.builds.evidence import BuildRuns, Reference
    from thermlab.builds.settings import Build, BuildSettings
    from thermlab.reports.photos import Photo
    from thermlab.runs.records import ReducedRun

Interval = tuple[float, float]
# Slope of a rise curve over rise per power: P^0.75 to P behind a passive sink; with fans at constant speed nearly P
# (common practice, no source).
OTHER_SLOPES = {"passive": (0.75, 1.0), "forced": (0.95, 1.05)}
STEPS_APART = 0.1
LONGER_SOAK = "; without the time constant of a campaign, one or two runs need a soak of four time constants"
NO_TIME_CONSTANT = "its runs do not show the time constant of the bench, so that what was still to come is not known"
NO_CAMPAIGN = (
    "No campaign stands behind this record: the machine is held against what is required alone, by its own runs, and "
    "not against other mounts of its treatment."
)


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
    if not reference.runs:
        return (), []
    margin_K = float((reference.settings.get("decision") or {}).get("margin_K") or 1.0)
    found = compare_treatments(reference.runs, margin_K=margin_K, reference_power_W=power_W, **reference.asked())
    rises = tuple(one.rise_K for one in found.mounts if one.treatment == treatment and one.rise_K is not None)
    own = (found.mount_sd_by_treatment.get(treatment), len(rises) - 1.0)
    pooled = (found.mount_sd_K, float(found.mount_sd_dof or 0.0))
    unequal = found.cochran_c is not None and found.cochran_c > (found.cochran_critical or math.inf)
    both = reference.variance == "auto" and unequal
    tried = [own] if found.variance == "welch" else [pooled, own] if both else [pooled]
    return rises, [(sd, dof) for sd, dof in tried if sd is not None and sd > 0.0 and dof > 0.0]


@dataclass(frozen=True, slots=True, kw_only=True)
class BuildThrottle:
    """Power at which the build reaches its limit in the customer's room.

    Attributes
    ----------
    room_C, temperature_limit_C : float
        Customer's room and limit of the device, degC.
    required_W : float
        Least throttle power, set beforehand, W.
    throttle_power_W : float or None
        Of this build, W.
    u_W : float or None
        Its combined standard uncertainty, W.
    interval_W, margin_interval_W : tuple of float or None
        Interval of the power, and of what it exceeds the requirement by, W.
    margin_W : float or None
        Power less requirement, W.
    expected_W : float or None
        Mean of the campaign's mounts in the same room, W.
    expected_interval_W : tuple of float or None
        Where one fresh mount was expected, W.
    extrapolation : float or None
        Throttle power over the highest used step of the campaign, less 1.
    room_effect_W : tuple of float or None
        By how much the power in the customer's room lies above what the acceptance room tells, W: twice the same
        number where the radiated share is declared (then it is in the power), else a range (then in the interval).
    directly_observed_W : float or None
        Held power of runs that reached the limit, moved along the curve to the customer's room, W.
    contributions_W : dict of str to float
        Standard uncertainties that make up ``u_W``, W.
    reason : str
        Why there is no throttle power; empty where there is one.
    """

    room_C: float
    temperature_limit_C: float
    required_W: float
    throttle_power_W: float | None = None
    u_W: float | None = None
    interval_W: Interval | None = None
    margin_W: float | None = None
    margin_interval_W: Interval | None = None
    expected_W: float | None = None
    expected_interval_W: Interval | None = None
    extrapolation: float | None = None
    room_effect_W: Interval | None = None
    directly_observed_W: float | None = None
    contributions_W: dict[str, float] = field(default_factory=dict)
    reason: str = ""


def build_throttle(
    runs: Sequence[ReducedRun],
    rises: Sequence[Expected],
    reference: Reference,
    settings: BuildSettings,
) -> BuildThrottle:
    """Find the power at which a build reaches its limit in the customer's room.

    Parameters
    ----------
    runs : sequence of ReducedRun
        Of the build; those that reached the limit are direct observations.
    rises : sequence of Expected
        From :func:`expected_rises`.
    reference : Reference
        Its campaign.
    settings : BuildSettings
        Room, limit and requirement.

    Notes
    -----
    With the mean curve b P + a P^0.8 of all mounts of the campaign and the build's rises y at powers P, the build's
    curve is the same with b + sum P (y - curve(P)) / sum P^2. Its standard uncertainty at a power P* adds the build's
    own readings (taken as fully correlated between steps), what the mounts leave open of the bend a, and the
    exponent (0.75 to 0.85, rectangular). Without a campaign the curve is that of the build's own steps; with steps less
    than a tenth apart it is assumed, its slope between that of P^0.75 and of P behind a passive sink (rectangular).
    """
    room_C, limit_C = settings.keeps.room_C, settings.keeps.temperature_C
    limit_K, required = limit_C - room_C, settings.acceptance.required_W
    mounts, own = None, None
    if reference.runs:
        asked = predict_throttle(
            reference.runs,
            room_C=room_C,
            temperature_C=limit_C,
            cooling=reference.cooling,
            radiated_share=reference.settings.get("radiated_share"),
            **reference.asked(),
        )
        mounts = next((one for one in asked.treatments if one.treatment == settings.treatment), None)
        curve, bends = curve_and_bends(reference)
        moved = None if curve is None or not rises else _moved(curve, rises)
    else:
        own = _own_curve(runs, reference.cooling)
        curve = moved = None if own is None else own.curve
    found = BuildThrottle(
        room_C=room_C,
        temperature_limit_C=limit_C,
        required_W=required,
        expected_W=None if mounts is None else mounts.throttle_power_W,
        expected_interval_W=None if mounts is None else mounts.future_mount_interval_W,
        directly_observed_W=_observed(runs, curve, limit_K, reference.cooling),
    )
    if curve is None or moved is None:
        reason = "the campaign has too few power steps for a curve" if rises else "no acceptance run could be used"
        short = not reference.runs and any("not settled" in run.reason for run in runs)
        return replace(found, reason=f"{reason}{LONGER_SOAK if short else ''}")
    power = moved.power_W(limit_K)
    reason = _refusal(power, curve, "the campaign's" if own is None else "the build's")
    if power is None or reason:
        return replace(found, reason=reason)
    if own is None:
        parts, dofs = _contributions(reference, rises, moved, power, limit_K, bends)
    else:
        parts = own.contributions(power, limit_K)
        dofs = [None] * len(parts)
    dof = effective_dof(list(parts.values()), dofs)
    u = math.hypot(*parts.values())
    half = t_point(0.5 + reference.confidence_level / 2.0, math.inf if dof is None else dof) * u
    above, slope = power / curve.highest_W - 1.0, moved.slope_K_per_W(power)
    share = reference.settings.get("radiated_share")
    effect = room_effect_W(power, slope, above, tested_room_C(runs, room_C), room_C, limit_K, reference.cooling, share)
    # A known effect of the room moves the power; one that is a range widens its interval.
    there = power + (effect[0] if effect[0] == effect[1] else 0.0)
    low, high = power - half + effect[0], power + half + effect[1]
    return replace(
        found,
        throttle_power_W=there,
        u_W=u,
        interval_W=(low, high),
        margin_W=there - required,
        margin_interval_W=(low - required, high - required),
        room_effect_W=effect,
        extrapolation=above,
        contributions_W=parts,
    )


def tested_room_C(runs: Sequence[ReducedRun], otherwise_C: float) -> float:
    """Return the mean room of the used runs, degC."""
    rooms = [run.ambient_C for run in runs if run.used and run.ambient_C is not None]
    return math.fsum(rooms) / len(rooms) if rooms else otherwise_C


def _refusal(power_W: float | None, curve: RiseCurve, whose: str) -> str:
    """Say why a power is not given; empty where it is."""
    if power_W is None:
        return "the build's curve does not reach the limit"
    trusted = f"more than {FARTHEST_EXTRAPOLATION:.0%} is not trusted"
    for share, where in (
        (power_W / curve.highest_W - 1.0, f"above {whose} highest step of {curve.highest_W:g} W"),
        (1.0 - power_W / curve.lowest_W, f"below {whose} lowest step of {curve.lowest_W:g} W"),
    ):
        if share > FARTHEST_EXTRAPOLATION:
            return f"it would lie {share:.0%} {where}; {trusted}"
    return ""


def _moved(curve: RiseCurve, rises: Sequence[Expected]) -> RiseCurve:
    squares = math.fsum(one.set_power_W**2 for one in rises)
    off = math.fsum(one.set_power_W * (one.rise_K - curve.rise_K(one.set_power_W)) for one in rises) / squares
    return replace(curve, b_K_per_W=curve.b_K_per_W + off)


def _contributions(
    reference: Reference,
    rises: Sequence[Expected],
    moved: RiseCurve,
    power_W: float,
    limit_K: float,
    bends: Sequence[float],
) -> tuple[dict[str, float], list[float | None]]:
    slope = moved.slope_K_per_W(power_W)
    squares = math.fsum(one.set_power_W**2 for one in rises)
    readings = math.fsum(one.set_power_W * (one.u_rise_K or 0.0) for one in rises) / squares * power_W / slope
    # How far a change of the bend moves the curve at the limit once it is held at the build's own steps.
    held = math.fsum(one.set_power_W * one.set_power_W**EXPONENT for one in rises) / squares * power_W
    # A bend shared by all mounts has no scatter to judge it by; the exponent then stands for the doubt about the shape.
    scatter = float(np.std(bends, ddof=1)) / math.sqrt(len(bends)) if len(bends) > 1 and np.ptp(bends) > 0.0 else 0.0
    bend = scatter * abs(power_W**EXPONENT - held) / slope
    others = [_power_with(reference, rises, exponent, limit_K) for exponent in OTHER_EXPONENTS]
    known = [power_W, *(value for value in others if value is not None)]
    parts = {
        "readings of the build": readings,
        "bend of the curve": bend,
        "exponent of the curve": (max(known) - min(known)) / 2.0 / math.sqrt(3.0),
    }
    return parts, [None, len(bends) - 1.0 if len(bends) > 1 else None, None]


def _power_with(reference: Reference, rises: Sequence[Expected], exponent: float, limit_K: float) -> float | None:
    used = [run for run in reference.runs if run.used and run.rise_K is not None]
    try:
        curve = fit_curve([run.set_power_W for run in used], [run.rise_K or 0.0 for run in used], exponent=exponent)
    except NotEstimableError:
        return None
    return _moved(curve, rises).power_W(limit_K)


@dataclass(frozen=True, slots=True)
class _OwnCurve:
    """The curve of a build's own runs, and what others could stand in its place."""

    runs: tuple[ReducedRun, ...]
    curve: RiseCurve
    others: tuple[RiseCurve, ...]

    def contributions(self, power_W: float, limit_K: float) -> dict[str, float]:
        """Return the standard uncertainties of the power at which it reaches a rise, W."""
        powers = np.array([run.set_power_W for run in self.runs])
        apart = self.curve.lowest_W < self.curve.highest_W
        basis = curve_design(np.append(powers, power_W))[:, : 2 if apart else 1]
        weights = basis[-1] @ np.linalg.pinv(basis[:-1])
        u_K = np.array([run.u_rise_K or 0.0 for run in self.runs])
        scatter_K = np.array([run.u_rise_a_K or 0.0 for run in self.runs])
        # Sensors and power meter are off by the same in every run; what is left scatters from run to run.
        common_K = np.sqrt(np.maximum(u_K**2 - scatter_K**2, 0.0))
        readings_K = math.hypot(float(weights @ common_K), float(np.linalg.norm(weights * scatter_K)))
        known = [power_W, *(value for one in self.others if (value := one.power_W(limit_K)) is not None)]
        return {
            "readings of the build": readings_K / self.curve.slope_K_per_W(power_W),
            "shape of the curve": (max(known) - min(known)) / 2.0 / math.sqrt(3.0),
        }


def _own_curve(runs: Sequence[ReducedRun], cooling: str) -> _OwnCurve | None:
    used = tuple(run for run in runs if run.used and run.rise_K is not None)
    if not used:
        return None
    powers, rises = (np.array([getattr(run, name) for run in used]) for name in ("set_power_W", "rise_K"))
    if np.ptp(powers) > STEPS_APART * powers.max():
        curves = [fit_curve(powers, rises, exponent=exponent) for exponent in (EXPONENT, *OTHER_EXPONENTS)]
    else:
        shares = (SINGLE_STEP_SLOPE[cooling], *OTHER_SLOPES[cooling])
        curves = [curve_through(float(powers.mean()), float(rises.mean()), share=share) for share in shares]
    return _OwnCurve(used, curves[0], tuple(curves[1:]))


def _observed(runs: Sequence[ReducedRun], curve: RiseCurve | None, limit_K: float, cooling: str) -> float | None:
    """Return the mean of the powers that runs held at the limit, moved along the curve to the customer's room, W."""
    found = []
    for held in (run.held for run in runs if run.held is not None):
        shape = curve or curve_through(held.held_power_W, held.held_rise_K, share=SINGLE_STEP_SLOPE[cooling])
        there = move_along(shape, held.held_power_W, held.held_rise_K, limit_K)
        found += [] if there is None else [there]
    return math.fsum(found) / len(found) if found else None


BuildVerdict = Literal["pass", "refer", "fail"]
ROOM_OFF_K = 3.0


@dataclass(frozen=True, slots=True, kw_only=True)
class BuildAssessment:
    """What was found about a finished machine.

    Attributes
    ----------
    build : Build
        What the user wrote.
    reference : Reference
        The campaign it is held against.
    reduced : BuildRuns
        Its acceptance runs, with the checksum of every input by its path in the build folder.
    rises : tuple of Expected
        One entry a power step with a used run.
    throttle : BuildThrottle
        Power at the limit in the customer's room, against what is required.
    verdict : {"pass", "refer", "fail"}
        By the rule of this module.
    verdict_reason : str
        One sentence.
    photos : tuple of Photo
        For the page, without where they were taken.
    cautions : tuple of str
        What a reader has to know.
    """

    build: Build
    reference: Reference
    reduced: BuildRuns
    rises: tuple[Expected, ...]
    throttle: BuildThrottle
    verdict: BuildVerdict
    verdict_reason: str
    photos: tuple[Photo, ...]
    cautions: tuple[str, ...]

    def __str__(self) -> str:
        """Return verdict, reason and cautions as text."""
        settings = self.build.settings
        lines = [f"{settings.build}, {settings.title}: {self.verdict}: {self.verdict_reason}"]
        return "\n".join([*lines, *(f"caution: {text}" for text in self.cautions)])


def assess(build: Build, reference: Reference, reduced: BuildRuns, photos: tuple[Photo, ...] = ()) -> BuildAssessment:
    """Assess a build from its reduced runs.

    Parameters
    ----------
    build : Build
        What the user wrote.
    reference : Reference
        The campaign it is held against, with the build's treatment; or what stands in its place.
    reduced : BuildRuns
        Its acceptance runs.
    photos : tuple of Photo
        For the page.

    Returns
    -------
    BuildAssessment
    """
    settings = build.settings
    rises = expected_rises(reduced.runs, reference, treatment=settings.treatment)
    throttle = build_throttle(reduced.runs, rises, reference, settings)
    verdict, reason = judge(rises, throttle, alone=not reference.runs)
    doubtful = [
        (run.run, flag.flag) for run in reduced.runs if run.used for flag in run.flags if flag.severity != "note"
    ]
    if verdict == "pass" and not reference.runs and reduced.time_constant_min is None:
        verdict, reason = "refer", NO_TIME_CONSTANT
    if doubtful and verdict != "refer":
        verdict, reason = "refer", f"it rests on a doubtful run ({': '.join(doubtful[0])}), which has to be run again"
    return BuildAssessment(
        build=build,
        reference=reference,
        reduced=reduced,
        rises=rises,
        throttle=throttle,
        verdict=verdict,
        verdict_reason=reason,
        photos=photos,
        cautions=tuple(_cautions(build, reference, reduced, rises, throttle)),
    )


def judge(rises: Sequence[Expected], throttle: BuildThrottle, *, alone: bool = False) -> tuple[BuildVerdict, str]:
    """Apply the rule.

    Parameters
    ----------
    rises : sequence of Expected
        One entry a power step.
    throttle : BuildThrottle
        Power at the limit against what is required.
    alone : bool
        There is no campaign that could say where its rises should be.

    Returns
    -------
    verdict : {"pass", "refer", "fail"}
        What is shown.
    reason : str
        One sentence.
    """
    required = f"{throttle.required_W:g} W"
    if throttle.interval_W is None:
        return "refer", f"no throttle power can be given: {throttle.reason}"
    low, high = throttle.interval_W
    if high < throttle.required_W:
        return "fail", f"the whole interval of the throttle power lies short of the {required} required"
    outside = [one for one in rises if one.inside is False]
    if outside:
        sides = {
            "warmer" if one.rise_K > one.interval_K[1] else "cooler" for one in outside if one.interval_K is not None
        }
        return "refer", f"it runs {' and '.join(sorted(sides))} than a fresh mount of its treatment was expected to"
    if any(one.inside is None for one in rises) and not alone:
        return "refer", "the campaign does not say how far a fresh mount may be off: its mounts were not replicated"
    if low < throttle.required_W:
        return "refer", f"the interval of the throttle power reaches below the {required} required"
    return "pass", f"the whole interval of the throttle power lies at or above the {required} required"


def _campaign_cautions(reference: Reference, rises: Sequence[Expected]) -> Iterator[str]:
    if not reference.runs:
        return
    by_hand = sum(run.by_hand for run in reference.runs)
    if by_hand:
        yield f"{by_hand} of {len(reference.runs)} runs of the campaign are readings without a log, of the lower grade."
    if reference.time_constant_min is None:
        yield "The campaign gives no time constant of the bench: the settled rises are means over the steady end."
    if reference.dropped_checks:
        yield (
            "The campaign's report comes from another version, with thresholds of run checks that this one does not "
            f"have ({', '.join(reference.dropped_checks)}): they do not count here."
        )
    steps = {run.set_power_W for run in reference.runs if run.used}
    other = [one.set_power_W for one in rises if one.set_power_W not in steps]
    if other:
        shown = ", ".join(f"{power:g} W" for power in other)
        yield f"The campaign has no step at {shown}: what was expected there comes from its rise curve."


def _cautions(
    build: Build, reference: Reference, reduced: BuildRuns, rises: Sequence[Expected], throttle: BuildThrottle
) -> Iterator[str]:
    settings = build.settings
    if not reference.runs:
        yield NO_CAMPAIGN
        if reduced.time_constant_min is None and rises:
            yield f"{NO_TIME_CONSTANT.capitalize()}: the settled rises are means over the steady end."
    for run in reduced.runs:
        if not run.used:
            yield f"Run {run.run} is not used: {run.reason.rstrip('.')}."
        for flag in run.flags:
            if flag.severity == "doubtful" and run.used:
                yield f"Run {run.run} is doubtful: {flag.reason}"
    yield from _campaign_cautions(reference, rises)
    yield from _room_cautions(reduced.runs, throttle)
    if reference.settings.get("measurand") == "mean":
        yield from _mean_cautions(reduced.runs, throttle)
    if any(one.n_mounts == 1 for one in rises):
        yield "The campaign has one mount of this treatment: what was expected rests on the scatter of others."
    if settings.ambient_constant is not None:
        yield "The room was read off a thermometer and not logged."
    if throttle.extrapolation is not None and throttle.extrapolation > 0.0:
        whose = "campaign's" if reference.runs else "build's"
        yield f"The throttle power lies {throttle.extrapolation:.0%} above the {whose} highest step."
    yield from reduced.notes


def _room_cautions(runs: Sequence[ReducedRun], throttle: BuildThrottle) -> Iterator[str]:
    """Say what a room unlike the customer's does."""
    tested_C, effect = tested_room_C(runs, throttle.room_C), throttle.room_effect_W
    if effect is None or abs(tested_C - throttle.room_C) <= ROOM_OFF_K:
        return
    rooms = f"The acceptance room was at {tested_C:.1f} degC, the customer's is at {throttle.room_C:g} degC"
    if effect[0] == effect[1]:
        yield f"{rooms}: the throttle power was moved by {effect[0]:+.1f} W for it."
    else:
        size = f"{abs(min(effect)):.1f} W less" if -min(effect) > max(effect) else f"{max(effect):.1f} W more"
        yield f"{rooms}: there it may throttle at up to {size} than here; the interval holds that."


def _mean_cautions(runs: Sequence[ReducedRun], throttle: BuildThrottle) -> Iterator[str]:
    """Say how far the hottest sensor lies above the mean that was judged, and what that takes."""
    above = [
        (max(sensor.rise_K or 0.0 for sensor in run.sensors) - run.rise_K) / run.set_power_W
        for run in runs
        if run.used and run.rise_K is not None and run.sensors
    ]
    power, limit_K = throttle.throttle_power_W, throttle.temperature_limit_C - throttle.room_C
    if power is None or not above:
        yield "The mean of the sensors was judged (measurand: mean): the hottest reaches the limit at less power."
        return
    hotter_K = max(above) * power
    there_W = power * limit_K / (limit_K + hotter_K)
    hottest = (
        f"the hottest is {hotter_K:.1f} K above it at {power:.0f} W, and reaches the limit at about {there_W:.0f} W"
    )
    yield f"The mean of the sensors was judged (measurand: mean): {hottest}."


def numbers(assessment: BuildAssessment) -> dict[str, Any]:
    """Return the settings that the numbers rest on."""
    reference, settings = assessment.reference, assessment.build.settings
    return {
        **{name: getattr(reference, name) for name in ("confidence_level", "cooling", "checks")},
        **{name: getattr(settings, name) for name in ("log", "ambient_log")},
        "customer": settings.keeps,
        "measurand": reference.settings.get("measurand"),
        "time_constant_min": assessment.reduced.time_constant_min,
        "acceptance": settings.acceptance.model_dump() | {"required_W": settings.acceptance.required_W},
        "uncertainty": settings.uncertainty.model_dump() | {"ambient_u_K": settings.ambient_u_K},
    }
