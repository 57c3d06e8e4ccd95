"""How many mounts of each treatment a question needs, and how wide the intervals then are."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import TYPE_CHECKING, Literal

from thermlab.planning.steps import half_width
from thermlab.stats.power import equivalence_mounts_needed, mounts_needed

if TYPE_CHECKING:
    from collections.abc import Sequence

    from thermlab.planning.steps import SplitProblem

Goal = Literal["difference", "equivalence"]
Estimand = Literal["reference", "through origin"]
POWERS = (0.80, 0.90)
SMALL_DIFFERENCE = 0.3
"""True difference, as a share of the margin, that the second question of equivalence allows for."""


@dataclass(frozen=True, slots=True, kw_only=True)
class MountNumber:
    """Mounts that one question needs.

    Attributes
    ----------
    question : str
        In words.
    goal : {"difference", "equivalence"}
        Which kind it is.
    true_difference_K : float
        What is assumed to be true, K.
    power : float
        Chance of the answer.
    n_mounts : int or None
        Mounts of each treatment; None above 10 000.
    difference_half_width_K : float or None
        Half-width of the interval of a difference with so many mounts, at the planned mount SD, K.
    throttle_half_width_W, throttle_difference_half_width_W : float or None
        The same for the throttle power of a treatment and for a difference of two, W.
    """

    question: str
    goal: Goal
    true_difference_K: float
    power: float
    n_mounts: int | None
    difference_half_width_K: float | None
    throttle_half_width_W: float | None
    throttle_difference_half_width_W: float | None


def one_mount_sd_K(mount_sd_K: float, run_noise_K: float, *, steps_W: Sequence[float], estimand: Estimand) -> float:
    """Return the SD of the value of one mount, K at the reference (the highest) step.

    Parameters
    ----------
    mount_sd_K, run_noise_K : float
        SD between mounts without run noise, and of one settled rise on one mount, K.
    steps_W : sequence of float
        Steps of a mount, W; only the estimand through the origin uses them all.
    estimand : {"reference", "through origin"}
        Rise at the reference step (the default of the kit), or thermal resistance times the reference power.
    """
    share = 1.0 if estimand == "reference" else max(steps_W) ** 2 / sum(step * step for step in steps_W)
    return math.hypot(mount_sd_K, math.sqrt(share) * run_noise_K)


def mount_numbers(
    problem: SplitProblem,
    *,
    steps_W: Sequence[float],
    estimand: Estimand = "reference",
    powers: Sequence[float] = POWERS,
) -> tuple[MountNumber, ...]:
    """Return the mounts that each question needs.

    Parameters
    ----------
    problem : SplitProblem
        Bench, scatter and margin; several candidates take Dunnett's point.
    steps_W : sequence of float
        Steps of a mount, W.
    estimand : {"reference", "through origin"}
        What is compared.
    powers : sequence of float
        Chances asked for.
    """
    margin, treatments = problem.margin_K, problem.n_treatments
    alpha = 1 - problem.confidence_level
    sd = one_mount_sd_K(problem.mount_sd_K, problem.run_noise_K, steps_W=steps_W, estimand=estimand)
    throttle_sd = problem.throttle_sd_W(steps_W)
    rows = []
    small = SMALL_DIFFERENCE * margin
    questions: tuple[tuple[str, Goal, float], ...] = (
        (f"show a difference of {margin:g} K", "difference", margin),
        (f"show equivalence within {margin:g} K where nothing differs", "equivalence", 0.0),
        (f"show equivalence within {margin:g} K where {small:.2g} K differ", "equivalence", small),
    )
    for question, goal, true_K in questions:
        for power in powers:
            if goal == "difference":
                number = mounts_needed(
                    true_K,
                    sd,
                    power=power,
                    alpha=alpha,
                    n_treatments=treatments,
                    n_candidates=max(1, treatments - 1),
                )
            else:
                number = equivalence_mounts_needed(
                    margin, sd, difference_K=true_K, power=power, alpha=alpha, n_treatments=treatments
                )
            rows.append(
                MountNumber(
                    question=question,
                    goal=goal,
                    true_difference_K=true_K,
                    power=power,
                    n_mounts=number,
                    difference_half_width_K=_width(problem, sd, number, "difference"),
                    throttle_half_width_W=_width(problem, throttle_sd, number, "mean"),
                    throttle_difference_half_width_W=_width(problem, throttle_sd, number, "difference"),
                )
            )
    return tuple(rows)


def _width(
    problem: SplitProblem, sd: float | None, number: int | None, of: Literal["difference", "mean"]
) -> float | None:
    if sd is None or number is None:
        return None
    return half_width(sd, number, problem.n_treatments, level=problem.confidence_level, of=of)
