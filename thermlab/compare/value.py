"""What a treatment costs against what it gains."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Protocol

if TYPE_CHECKING:
    from collections.abc import Mapping

    from thermlab.compare.records import Comparison, Interval, TreatmentComparison


class Priced(Protocol):
    """A treatment that knows what one mount of it costs."""

    @property
    def cost_per_mount(self) -> float | None:
        """Cost of one mount in the campaign's currency, None where it is not known."""


@dataclass(frozen=True, slots=True)
class TreatmentValue:
    """Cost and gain of one treatment.

    Attributes
    ----------
    treatment : str
        Treatment.
    cost_per_mount : float or None
        Cost of one mount in the campaign's currency.
    cost_per_K : float or None
        Extra cost over the baseline per K gained, where the treatment is shown to be cooler; negative: it costs less.
    cost_per_K_interval : tuple of float or None
        The same at the two ends of the headline interval.
    not_beaten : bool or None
        No other treatment is both cheaper and cooler on average; chance is not weighed here. None where cost or rise
        is not known.
    """

    treatment: str
    cost_per_mount: float | None
    cost_per_K: float | None
    cost_per_K_interval: Interval | None
    not_beaten: bool | None


@dataclass(frozen=True, slots=True, kw_only=True)
class Value:
    """Cost and gain of every treatment, baseline first.

    Attributes
    ----------
    treatments : tuple of TreatmentValue
        Baseline first, then candidates in order.
    """

    treatments: tuple[TreatmentValue, ...]


def assess_value(
    treatments: Mapping[str, Priced], comparison: Comparison | None, *, baseline: str | None = None
) -> Value:
    """Weigh cost against gain.

    Parameters
    ----------
    treatments : mapping of str to Priced
        Every treatment with its cost per mount.
    comparison : Comparison or None
        What the treatments gain; without it only costs are given.
    baseline : str, optional
        Which treatment comes first where there is no comparison.

    Returns
    -------
    Value
    """
    first = comparison.baseline if comparison is not None else baseline
    names = sorted(treatments, key=lambda name: name != first)
    costs = {name: treatments[name].cost_per_mount for name in names}
    found = {item.treatment: item for item in comparison.treatments} if comparison is not None else {}
    rises = {name: item.mean_rise_K for name, item in found.items()}
    if comparison is not None:
        rises[comparison.baseline] = comparison.baseline_mean_rise_K
    items = []
    for name in names:
        per_K, interval = _cost_per_K(costs.get(first or ""), costs[name], found.get(name))
        items.append(TreatmentValue(name, costs[name], per_K, interval, _not_beaten(name, costs, rises)))
    return Value(treatments=tuple(items))


def _cost_per_K(
    baseline_cost: float | None, cost: float | None, item: TreatmentComparison | None
) -> tuple[float | None, Interval | None]:
    if baseline_cost is None or cost is None or item is None or item.difference_K is None:
        return None, None
    interval = item.simultaneous_interval_K
    if interval is None or not interval[1] < 0.0:
        return None, None
    extra = cost - baseline_cost
    low, high = sorted((extra / -interval[0], extra / -interval[1]))
    return extra / -item.difference_K, (low, high)


def _not_beaten(name: str, costs: Mapping[str, float | None], rises: Mapping[str, float | None]) -> bool | None:
    own_cost, own_rise = costs[name], rises.get(name)
    if own_cost is None or own_rise is None:
        return None
    others = [(cost, rises.get(other)) for other, cost in costs.items() if other != name]
    return not any(c is not None and r is not None and c < own_cost and r < own_rise for c, r in others)
