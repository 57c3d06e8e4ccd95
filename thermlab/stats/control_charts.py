"""Does a quantity stay what it was? A chart for individual values in the order they were made.

The scatter is taken from the differences of neighbours, so that a slow change
does not widen its own limits. Use it for the resistance of the baseline, mount
by mount: what leaves the limits is a change of the bench, not of a candidate.

Sources: NIST/SEMATECH e-Handbook of Statistical Methods, 6.3.2.2 (individuals
and moving range charts); the rule of eight in a row on one side is in 6.3.2
(that section from memory).
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from itertools import pairwise
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from collections.abc import Sequence

# NIST/SEMATECH 6.3.2.2, moving ranges of two values: mean range over sigma, and upper limit over mean range.
D2 = 1.128
D4 = 3.267
RUN_LENGTH = 8
FEW = 20


@dataclass(frozen=True, slots=True, kw_only=True)
class IndividualsChart:
    """Centre, limits and signals of an individuals chart.

    Attributes
    ----------
    values : tuple of float
        In the order made.
    centre : float
        Mean of the values.
    moving_range : float
        Mean absolute difference of neighbours.
    lower, upper : float
        Centre minus and plus 3 ``moving_range`` / 1.128.
    moving_range_upper : float
        3.267 ``moving_range``.
    outside : tuple of int
        Places, from 0, of values beyond the limits.
    runs : tuple of (int, int)
        First and last place of each stretch of eight or more values on one side of the centre.
    cautions : tuple of str
        What limits the chart.
    """

    values: tuple[float, ...]
    centre: float
    moving_range: float
    lower: float
    upper: float
    moving_range_upper: float
    outside: tuple[int, ...]
    runs: tuple[tuple[int, int], ...]
    cautions: tuple[str, ...]

    @property
    def steady(self) -> bool:
        """Whether nothing signals a change."""
        return not self.outside and not self.runs


def individuals_chart(values: Sequence[float]) -> IndividualsChart | None:
    """Chart individual values.

    Parameters
    ----------
    values : sequence of float
        Finite, in the order made.

    Returns
    -------
    IndividualsChart or None
        None where fewer than three values, or no scatter at all, leave nothing to chart.

    Examples
    --------
    The ten values of NIST/SEMATECH 6.3.2.2:

    >>> chart = individuals_chart([49.6, 47.6, 49.9, 51.3, 47.8, 51.2, 52.6, 52.4, 53.6, 52.1])
    >>> round(chart.centre, 2), round(chart.lower, 4), round(chart.upper, 4)
    (50.81, 45.8159, 55.8041)
    """
    if len(values) < 3:
        return None
    centre = math.fsum(values) / len(values)
    moving_range = math.fsum(abs(b - a) for a, b in pairwise(values)) / (len(values) - 1)
    if not moving_range > 0.0:
        return None
    half = 3.0 * moving_range / D2
    cautions = []
    if len(values) < FEW:
        cautions.append(
            f"The limits rest on {len(values)} values and are themselves uncertain; about {FEW} are wanted "
            "(common practice, no source)."
        )
    return IndividualsChart(
        values=tuple(values),
        centre=centre,
        moving_range=moving_range,
        lower=centre - half,
        upper=centre + half,
        moving_range_upper=D4 * moving_range,
        outside=tuple(place for place, value in enumerate(values) if abs(value - centre) > half),
        runs=tuple(_one_sided(values, centre)),
        cautions=tuple(cautions),
    )


def _one_sided(values: Sequence[float], centre: float) -> list[tuple[int, int]]:
    found, start = [], 0
    sides = [(value > centre) - (value < centre) for value in values]
    for place in range(1, len(sides) + 1):
        if place == len(sides) or sides[place] != sides[start]:
            if sides[start] != 0 and place - start >= RUN_LENGTH:
                found.append((start, place - 1))
            start = place
    return found
