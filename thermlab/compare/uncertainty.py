"""The uncertainty budget: every input, what it contributes, and what cancels.

Follows JCGM 100:2008 (GUM): standard uncertainties of Type A (from repeated
observations) and Type B (from other knowledge), sensitivities, the law of
propagation for uncorrelated inputs, and the Welch-Satterthwaite formula (annex
G.4) for the effective degrees of freedom. An error common to all runs of a
campaign cancels in a difference; it stays in a rise and in a throttle power.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import TYPE_CHECKING, Literal

from thermlab.stats.dunnett import t_point

if TYPE_CHECKING:
    from collections.abc import Sequence

Quantity = Literal["rise", "difference", "throttle power"]
_CANCELS = "the same for all mounts: cancels in the difference"


@dataclass(frozen=True, slots=True, kw_only=True)
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


@dataclass(frozen=True, slots=True, kw_only=True)
class BudgetInputs:
    """Everything the budget is built from. What is not known is None and leaves its line out.

    Attributes
    ----------
    power_W : float
        Reference power, W.
    slope_K_per_W : float
        Slope of the rise curve at the reference power, K/W.
    n_baseline, n_candidate : int
        Mounts behind a difference; ``n_candidate`` 0 without a candidate.
    difference_K : float
        Difference itself, K, for what a wrong power does to it.
    mount_sd_K, mount_sd_dof : float or None
        Mount SD of the rise (run noise included), K, and its degrees of freedom.
    run_u_K, run_dof : float or None
        Type A standard uncertainty of one run's settled rise, K, and its degrees of freedom.
    time_constant_u_min, time_constant_dof : float or None
        Standard uncertainty of the bench's time constant, min.
    rise_per_time_constant_K_per_min : float
        How much the settled rise moves with the time constant, K/min.
    resolution_K, temperature_u_K, ambient_u_K, power_u_percent : float
        Type B inputs as declared.
    throttle_power_W, throttle_slope_K_per_W : float or None
        Throttle power of the baseline and the slope of its curve there.
    throttle_mount_sd_W, throttle_mount_sd_dof : float or None
        Scatter of throttle powers between mounts, W.
    throttle_n_mounts : int
        Mounts behind the throttle power.
    model_spread_W : float or None
        Half-spread over curve models, W.
    """

    power_W: float
    slope_K_per_W: float
    n_baseline: int
    n_candidate: int = 0
    difference_K: float = 0.0
    mount_sd_K: float | None = None
    mount_sd_dof: float | None = None
    run_u_K: float | None = None
    run_dof: float | None = None
    time_constant_u_min: float | None = None
    time_constant_dof: float | None = None
    rise_per_time_constant_K_per_min: float = 0.0
    resolution_K: float = 0.0
    temperature_u_K: float = 0.0
    ambient_u_K: float = 0.0
    power_u_percent: float = 0.0
    throttle_power_W: float | None = None
    throttle_slope_K_per_W: float | None = None
    throttle_mount_sd_W: float | None = None
    throttle_mount_sd_dof: float | None = None
    throttle_n_mounts: int = 0
    model_spread_W: float | None = None


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


def combine(lines: Sequence[BudgetLine], *, confidence_level: float = 0.95) -> Combined:
    """Combine the lines of one quantity.

    Parameters
    ----------
    lines : sequence of BudgetLine
        All of one quantity; uncorrelated.
    confidence_level : float
        Level of the expanded uncertainty.

    Returns
    -------
    Combined

    Raises
    ------
    ValueError
        Without lines, or with lines of several quantities.
    """
    quantities = {line.quantity for line in lines}
    if len(quantities) != 1:
        raise ValueError(f"budget lines: found quantities {sorted(quantities)}; allowed: lines of one quantity")
    u = math.sqrt(math.fsum(line.contribution**2 for line in lines))
    dof = effective_dof([line.contribution for line in lines], [line.dof for line in lines])
    # The guide cuts to the next lower whole number; below one there is none left.
    whole = math.inf if dof is None else (math.floor(dof + 1e-9) or dof)
    k = t_point(0.5 + confidence_level / 2.0, whole)
    return Combined(u=u, dof=dof, coverage_factor=k, expanded=k * u, confidence_level=confidence_level)


def combine_each(lines: Sequence[BudgetLine], *, confidence_level: float = 0.95) -> dict[Quantity, Combined]:
    """Combine a whole budget, quantity by quantity, in the order in which the quantities appear.

    Parameters
    ----------
    lines : sequence of BudgetLine
        Of any quantities; may be empty.
    confidence_level : float
        Level of the expanded uncertainties.

    Returns
    -------
    dict of str to Combined
    """
    quantities = dict.fromkeys(line.quantity for line in lines)
    return {
        quantity: combine([line for line in lines if line.quantity == quantity], confidence_level=confidence_level)
        for quantity in quantities
    }


def build_budget(inputs: BudgetInputs) -> tuple[BudgetLine, ...]:
    """Build the uncertainty budget of a rise, a difference and a throttle power.

    Parameters
    ----------
    inputs : BudgetInputs
        Plain numbers.

    Returns
    -------
    tuple of BudgetLine
        Rise at the reference power as one run on one mount tells it; difference of one candidate where there is one;
        throttle power of the baseline where there is one.
    """
    lines = _rise_lines(inputs)
    if inputs.n_candidate > 0 and inputs.n_baseline > 0:
        lines += _difference_lines(inputs)
    if (
        inputs.throttle_power_W is not None
        and inputs.throttle_slope_K_per_W is not None
        and inputs.throttle_n_mounts > 0
    ):
        lines += _throttle_lines(inputs, inputs.throttle_power_W, inputs.throttle_slope_K_per_W)
    return tuple(lines)


def _line(
    quantity: Quantity, text: str, evaluation: Literal["A", "B"], u: float, sensitivity: float, dof: float | None = None
) -> BudgetLine:
    return BudgetLine(
        quantity=quantity,
        input=text,
        evaluation=evaluation,
        u=u,
        sensitivity=sensitivity,
        contribution=abs(sensitivity) * u,
        dof=dof,
    )


def _scatter_lines(
    inputs: BudgetInputs,
    quantity: Quantity,
    sd: float | None,
    dof: float | None,
    unit: str,
    weight: float,
    per_K: float,
) -> list[BudgetLine]:
    """Mount scatter and run noise; the scatter between mounts as observed contains the noise of their runs."""
    lines = []
    known = sd is not None and sd > 0.0
    if sd is not None and known:
        lines.append(_line(quantity, f"scatter between mounts, run noise included ({unit})", "A", sd, weight, dof))
    if inputs.run_u_K is not None:
        text = "noise and fit of the settled rise (K)" + (": contained in the scatter between mounts" if known else "")
        sensitivity = 0.0 if known else weight * per_K
        lines.append(_line(quantity, text, "A", inputs.run_u_K, sensitivity, inputs.run_dof))
    return lines


def _rise_lines(inputs: BudgetInputs) -> list[BudgetLine]:
    told = (("", 1.0), ("", 1.0), ("", -1.0), ("", inputs.slope_K_per_W))
    return [
        *_scatter_lines(inputs, "rise", inputs.mount_sd_K, inputs.mount_sd_dof, "K", 1.0, 1.0),
        *_time_constant_line(inputs, "rise", inputs.rise_per_time_constant_K_per_min, ""),
        *_type_b_lines(inputs, "rise", inputs.power_W, told),
    ]


def _difference_lines(inputs: BudgetInputs) -> list[BudgetLine]:
    weight = math.sqrt(1.0 / inputs.n_baseline + 1.0 / inputs.n_candidate)
    hidden = inputs.mount_sd_K is None or not inputs.mount_sd_K > 0.0
    cancels = (f": {_CANCELS}", 0.0)
    told = (
        ("", weight) if hidden else (": contained in the scatter between mounts", 0.0),
        cancels,
        cancels,
        (f": {_CANCELS} but for its share of the difference itself", inputs.difference_K / inputs.power_W),
    )
    return [
        *_scatter_lines(inputs, "difference", inputs.mount_sd_K, inputs.mount_sd_dof, "K", weight, 1.0),
        *_time_constant_line(inputs, "difference", 0.0, f": {_CANCELS} where soaks are equal"),
        *_type_b_lines(inputs, "difference", inputs.power_W, told),
    ]


def _throttle_lines(inputs: BudgetInputs, power_W: float, slope: float) -> list[BudgetLine]:
    weight = math.sqrt(1.0 / inputs.throttle_n_mounts)
    per_K = 1.0 / slope
    sd, dof = inputs.throttle_mount_sd_W, inputs.throttle_mount_sd_dof
    moved = -inputs.rise_per_time_constant_K_per_min * per_K
    lines = [
        *_scatter_lines(inputs, "throttle power", sd, dof, "W", weight, per_K),
        *_time_constant_line(inputs, "throttle power", moved, ""),
        *_type_b_lines(inputs, "throttle power", power_W, (("", -per_K), ("", -per_K), ("", per_K), ("", 1.0))),
    ]
    if inputs.model_spread_W is not None:
        text = "curve model, exponents 0.75 to 0.85 and a quadratic (W, rectangular)"
        lines.append(_line("throttle power", text, "B", inputs.model_spread_W / math.sqrt(3.0), 1.0))
    return lines


def _type_b_lines(
    inputs: BudgetInputs, quantity: Quantity, power_W: float, told: Sequence[tuple[str, float]]
) -> list[BudgetLine]:
    """Resolution, sensor, room and power: what is told of each for this quantity, and its sensitivity."""
    known = (
        ("readout resolution (K)", resolution_u(inputs.resolution_K)),
        ("temperature sensor (K)", inputs.temperature_u_K),
        ("room temperature (K)", inputs.ambient_u_K),
        ("true power (W)", inputs.power_u_percent / 100.0 * power_W),
    )
    return [
        _line(quantity, text + note, "B", u, sensitivity)
        for (text, u), (note, sensitivity) in zip(known, told, strict=True)
    ]


def _time_constant_line(inputs: BudgetInputs, quantity: Quantity, sensitivity: float, note: str) -> list[BudgetLine]:
    if inputs.time_constant_u_min is None:
        return []
    text = f"time constant of the bench (min){note}"
    return [_line(quantity, text, "A", inputs.time_constant_u_min, sensitivity, inputs.time_constant_dof)]
