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
from typing import Literal

from thermlab.stats.dunnett import t_point

Quantity = Literal["rise", "difference", "throttle power"]
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
    rooms_apart_K : float or None
        What the difference may lack for the rooms of the two treatments, K.
    mount_sd_K, mount_sd_dof : float or None
        Mount SD of the rise (run noise included), K, and its degrees of freedom.
    run_u_K : float or None
        Type A standard uncertainty of one run's settled rise, K.
    time_constant_u_min : float or None
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
    room_effect_W : tuple of float or None
        Effect of the customer's room, a range or twice the one number, W.
    """

    power_W: float
    slope_K_per_W: float
    n_baseline: int
    n_candidate: int = 0
    difference_K: float = 0.0
    rooms_apart_K: float | None = None
    mount_sd_K: float | None = None
    mount_sd_dof: float | None = None
    run_u_K: float | None = None
    time_constant_u_min: float | None = None
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
    room_effect_W: tuple[float, float] | None = None


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
    each = {quantity: [own for own in lines if own.quantity == quantity] for quantity in (i.quantity for i in lines)}
    return {quantity: combine(own, confidence_level=confidence_level) for quantity, own in each.items()}


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
    power_W, per_min = inputs.power_W, inputs.rise_per_time_constant_K_per_min
    scatter = (inputs.mount_sd_K, inputs.mount_sd_dof, "K")
    told = (("", per_min), ("", 1.0), ("", 1.0), ("", -1.0), ("", inputs.slope_K_per_W))
    lines = _lines(inputs, "rise", power_W, scatter, 1.0, 1.0, told)
    if inputs.n_candidate > 0 and inputs.n_baseline > 0:
        weight = math.sqrt(1.0 / inputs.n_baseline + 1.0 / inputs.n_candidate)
        told = (
            (f"{_CANCELS} where soaks are equal", 0.0),
            (_CONTAINED, 0.0) if inputs.mount_sd_K else ("", weight),
            (_CANCELS, 0.0),
            (_CANCELS, 0.0),
            (f"{_CANCELS} but for its share of the difference itself", inputs.difference_K / power_W),
        )
        lines += _lines(inputs, "difference", power_W, scatter, weight, 1.0, told)
        if inputs.rooms_apart_K is not None:
            u = inputs.rooms_apart_K / math.sqrt(3.0)
            lines.append(BudgetLine("difference", "rooms of the two treatments (K, rectangular)", "B", u, 1.0, u, None))
    throttle_W, slope = inputs.throttle_power_W, inputs.throttle_slope_K_per_W
    if throttle_W is not None and slope is not None and inputs.throttle_n_mounts > 0:
        per_K, weight = 1.0 / slope, math.sqrt(1.0 / inputs.throttle_n_mounts)
        told = (("", -per_min * per_K), ("", -per_K), ("", -per_K), ("", per_K), ("", 1.0))
        scatter = (inputs.throttle_mount_sd_W, inputs.throttle_mount_sd_dof, "W")
        lines += _lines(inputs, "throttle power", throttle_W, scatter, weight, per_K, told)
        low, high = inputs.room_effect_W or (0.0, 0.0)
        room, half = "no radiation to a third or thin air (W, rectangular)", max(-low, high)
        if low == high:
            room, half = "radiated share declared (W, 15 % of it, rectangular)", 0.15 * abs(low)
        model = "curve model, exponents 0.75 to 0.85 and a quadratic (W, rectangular)"
        ranges = ((model, inputs.model_spread_W), (f"the customer's room, {room}", half if low or high else None))
        rectangular = [(text, spread / math.sqrt(3.0)) for text, spread in ranges if spread is not None]
        lines += [BudgetLine("throttle power", text, "B", u, 1.0, u, None) for text, u in rectangular]
    return tuple(lines)


def _lines(
    inputs: BudgetInputs,
    quantity: Quantity,
    power_W: float,
    scatter: tuple[float | None, float | None, str],
    weight: float,
    per_K: float,
    told: Sequence[tuple[str, float]],
) -> list[BudgetLine]:
    """What every quantity rests on; `told`: what is said of time constant and Type B inputs, and their sensitivities.

    The scatter between mounts as observed contains the noise of their runs.
    """
    sd, dof, unit = scatter
    noise = (_CONTAINED, 0.0) if sd else ("", weight * per_K)
    known: tuple[tuple[str, Literal["A", "B"], float | None, float | None], ...] = (
        (f"scatter between mounts, run noise included ({unit})", "A", sd or None, dof),
        ("noise and fit of the settled rise (K)", "A", inputs.run_u_K, None),
        ("time constant of the bench (min)", "A", inputs.time_constant_u_min, None),
        ("readout resolution (K)", "B", resolution_u(inputs.resolution_K), None),
        ("temperature sensor (K)", "B", inputs.temperature_u_K, None),
        ("room temperature (K)", "B", inputs.ambient_u_K, None),
        ("true power (W)", "B", inputs.power_u_percent / 100.0 * power_W, None),
    )
    return [
        BudgetLine(quantity, text + note, evaluation, u, by, abs(by) * u, its_dof)
        for (text, evaluation, u, its_dof), (note, by) in zip(known, (("", weight), noise, *told), strict=True)
        if u is not None
    ]
