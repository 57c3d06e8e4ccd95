"""The uncertainty budget: every input, what it contributes, and what cancels.

Follows JCGM 100:2008 (GUM): standard uncertainties of Type A (from repeated
observations) and Type B (from other knowledge), sensitivities, the law of
propagation for uncorrelated inputs, and the Welch-Satterthwaite formula (annex
G.4) for the effective degrees of freedom. An error common to all runs of a
campaign cancels in a difference; it stays in a rise and in a throttle power.
"""

import math
from collections.abc import Sequence
from dataclasses import dataclass
from statistics import median, median_high
from typing import Literal

from thermlab.campaign.settings import CampaignSettings
from thermlab.compare.records import Comparison, ThrottlePower
from thermlab.runs.settled_rise import time_constant_leverage
from thermlab.runs.settled_runs import SettledRuns
from thermlab.stats.dunnett import t_point

Quantity = Literal["rise", "difference", "throttle power"]
_SCATTER = "scatter between mounts, run noise included"
_CANCELS = ": the same for all mounts: cancels in the difference"
_CONTAINED = ": contained in the scatter between mounts"


@dataclass(frozen=True, slots=True)
class BudgetLine:
    """One input of one quantity.

    Attributes
    ----------
    quantity : {"rise", "difference", "throttle power"}
        What it contributes to.
    input : str
        What it is, with its unit, and whether it cancels or is contained elsewhere.
    evaluation : {"A", "B"}
        From repeated observations, or from other knowledge.
    u : float
        Standard uncertainty of the input, in its own unit.
    sensitivity : float
        Change of the quantity per unit of the input.
    contribution : float
        ``abs(sensitivity) * u``, in the unit of the quantity (K or W).
    dof : float or None
        Degrees of freedom; None: taken as known exactly.
    """

    quantity: Quantity
    input: str
    evaluation: Literal["A", "B"]
    u: float
    sensitivity: float
    contribution: float
    dof: float | None


@dataclass(frozen=True, slots=True, kw_only=True)
class Combined:
    """Combined standard uncertainty with what is needed to expand it.

    Attributes
    ----------
    u : float
        Combined standard uncertainty.
    dof : float or None
        Effective degrees of freedom; None: infinite.
    coverage_factor : float
        Student's t for the level asked, at the degrees of freedom cut to a whole number (JCGM 100, G.4.2 and G.6.4).
    expanded : float
        ``coverage_factor * u``.
    confidence_level : float
        Level of the expanded uncertainty.
    """

    u: float
    dof: float | None
    coverage_factor: float
    expanded: float
    confidence_level: float


def resolution_u(step: float) -> float:
    """Return the standard uncertainty of a readout with a step: ``step / sqrt(12)`` (JCGM 100, F.2.2.1).

    Parameters
    ----------
    step : float
        Readout step.

    Returns
    -------
    float
    """
    return step / math.sqrt(12.0)


def effective_dof(contributions: Sequence[float], dofs: Sequence[float | None]) -> float | None:
    """Welch-Satterthwaite effective degrees of freedom (JCGM 100, equation G.2b).

    Parameters
    ----------
    contributions : sequence of float
        Contributions to the combined standard uncertainty.
    dofs : sequence of float or None
        Degrees of freedom of each, None for infinite.

    Returns
    -------
    float or None
        None: infinite.
    """
    total = math.fsum(c * c for c in contributions)
    weight = math.fsum(c**4 / dof for c, dof in zip(contributions, dofs, strict=True) if dof is not None)
    return total * total / weight if weight > 0.0 else None


def combine_each(lines: Sequence[BudgetLine], *, confidence_level: float = 0.95) -> dict[Quantity, Combined]:
    """Combine a budget, quantity by quantity, in the order in which the quantities appear.

    Parameters
    ----------
    lines : sequence of BudgetLine
        Of any quantities, uncorrelated; may be empty.
    confidence_level : float
        Level of the expanded uncertainties.
    """
    found: dict[Quantity, Combined] = {}
    for quantity in dict.fromkeys(line.quantity for line in lines):
        own = [(line.contribution, line.dof) for line in lines if line.quantity == quantity]
        u, dof = math.hypot(*(part for part, _ in own)), effective_dof(*zip(*own, strict=True))
        # The guide cuts to the next lower whole number; below one there is none left.
        k = t_point(0.5 + confidence_level / 2.0, math.inf if dof is None else (math.floor(dof + 1e-9) or dof))
        found[quantity] = Combined(u=u, dof=dof, coverage_factor=k, expanded=k * u, confidence_level=confidence_level)
    return found


def build_budget(
    settings: CampaignSettings, settled: SettledRuns, comparison: Comparison, throttle: ThrottlePower | None
) -> tuple[BudgetLine, ...]:
    """Build the uncertainty budget of a rise, a difference and a throttle power.

    Parameters
    ----------
    settings : CampaignSettings
        With the Type B inputs as declared.
    settled : SettledRuns
        The reduced runs.
    comparison : Comparison
        Scatter between mounts, and the first difference.
    throttle : ThrottlePower or None
        The first throttle power.

    Returns
    -------
    tuple of BudgetLine
        Rise at the reference power as one run on one mount tells it; difference of one candidate where there is one;
        throttle power of the baseline where there is one. What is not known has no line.
    """
    power_W = comparison.reference_power_W or settled.bench.highest_power_W
    curve, per_min = settled.curve, rise_per_time_constant(settled)
    slope = 0.0 if curve is None else curve.slope_K_per_W(power_W)
    scatter: _Error = (f"{_SCATTER} (K)", "A", comparison.mount_sd_K or None, comparison.mount_sd_dof)
    errors = (scatter, *_errors(settings, settled, power_W))
    told = (("", per_min), ("", 1.0), ("", 1.0), ("", -1.0), ("", slope))
    lines = _lines("rise", errors, 1.0, 1.0, told)
    first = next((item for item in comparison.treatments if item.difference_K is not None), None)
    if first is not None:
        weight = math.sqrt(1.0 / comparison.baseline_n_mounts + 1.0 / first.n_mounts)
        told = (
            (f"{_CANCELS} where soaks are equal", 0.0),
            (_CONTAINED, 0.0) if comparison.mount_sd_K else ("", weight),
            (_CANCELS, 0.0),
            (_CANCELS, 0.0),
            (f"{_CANCELS} but for its share of the difference itself", (first.difference_K or 0.0) / power_W),
        )
        lines += _lines("difference", errors, weight, 1.0, told)
        if first.room_effect_K is not None:
            most = max(map(abs, first.room_effect_K))
            lines.append(_range("difference", "rooms of the two treatments (K, rectangular)", most))
    told_of = () if throttle is None else throttle.treatments
    own = next((item for item in told_of if item.throttle_power_W is not None), None)
    if throttle is None or own is None or own.throttle_power_W is None or curve is None:
        return tuple(lines)
    per_K, weight = 1.0 / curve.slope_K_per_W(own.throttle_power_W), math.sqrt(1.0 / own.n_mounts)
    told = (("", -per_min * per_K), ("", -per_K), ("", -per_K), ("", per_K), ("", 1.0))
    scatter = (f"{_SCATTER} (W)", "A", throttle.mount_sd_W or None, throttle.mount_sd_dof)
    lines += _lines("throttle power", (scatter, *_errors(settings, settled, own.throttle_power_W)), weight, per_K, told)
    if throttle.model_spread_W is not None:
        model = "curve model, exponents 0.75 to 0.85 and a quadratic (W, rectangular)"
        lines.append(_range("throttle power", model, throttle.model_spread_W))
    low, high = own.room_effect_W or (0.0, 0.0)
    if low == high != 0.0:
        share = "the customer's room, radiated share declared (W, 15 % of it, rectangular)"
        lines.append(_range("throttle power", share, 0.15 * abs(low)))
    elif low or high:
        room = "the customer's room, no radiation to a third or thin air (W, rectangular)"
        lines.append(_range("throttle power", room, max(-low, high)))
    return tuple(lines)


def rise_per_time_constant(settled: SettledRuns) -> float:
    """By how much the settled rise of the run in the middle moves with the time constant, K/min."""
    if settled.bench.time_constant is None:
        return 0.0
    tau_min = settled.bench.time_constant.time_constant_s / 60.0
    moved = [
        abs(run.drift_left_K) * time_constant_leverage((run.window_min[1] - run.window_min[0]) / tau_min)
        for run in settled.runs
        if run.used and run.u_rise_a_K is not None and run.drift_left_K is not None and run.window_min is not None
    ]
    return median(moved) / tau_min if moved else 0.0


_Error = tuple[str, Literal["A", "B"], float | None, float | None]
"""What errs, its evaluation, its standard uncertainty in its own unit, and the degrees of freedom of that."""


def _errors(settings: CampaignSettings, settled: SettledRuns, power_W: float) -> tuple[_Error, ...]:
    """What every quantity at a power rests on beside the scatter between mounts."""
    constant, declared = settled.bench.time_constant, settings.uncertainty
    u_min = None if constant is None else constant.u_time_constant_s / 60.0
    run_u = [run.u_rise_a_K for run in settled.runs if run.used and run.u_rise_a_K is not None]
    return (
        ("noise and fit of the settled rise (K)", "A", median_high(run_u) if run_u else None, None),
        ("time constant of the bench (min)", "A", u_min, None),
        ("readout resolution (K)", "B", resolution_u(declared.temperature_resolution_K), None),
        ("temperature sensor (K)", "B", declared.temperature_u_K, None),
        ("room temperature (K)", "B", settings.ambient_u_K, None),
        ("true power (W)", "B", declared.power_u_percent / 100.0 * power_W, None),
    )


def _lines(
    quantity: Quantity, errors: Sequence[_Error], weight: float, per_K: float, told: Sequence[tuple[str, float]]
) -> list[BudgetLine]:
    """Lines of one quantity; `told`: what is said of time constant and Type B inputs, and their sensitivities.

    The scatter between mounts comes first; as observed it contains the noise of their runs.
    """
    noise = ("", weight * per_K) if errors[0][2] is None else (_CONTAINED, 0.0)
    return [
        BudgetLine(quantity, text + note, evaluation, u, by, abs(by) * u, dof)
        for (text, evaluation, u, dof), (note, by) in zip(errors, (("", weight), noise, *told), strict=True)
        if u is not None
    ]


def _range(quantity: Quantity, text: str, half: float) -> BudgetLine:
    """Line of what lies anywhere within a half-width."""
    u = half / math.sqrt(3.0)
    return BudgetLine(quantity, text, "B", u, 1.0, u, None)
