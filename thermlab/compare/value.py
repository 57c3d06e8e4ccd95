"""What a treatment costs against what it gains, and what to do with it: keep the baseline, switch, or stock both."""

from collections.abc import Mapping
from dataclasses import dataclass, replace

from thermlab.base.numbers import number
from thermlab.campaign.settings import CampaignSettings, Treatment
from thermlab.compare.records import Comparison, Decision, Interval, ThrottlePower, TreatmentComparison
from thermlab.compare.verdict import ALL_IN, MOST_MOUNTS, ROOMS_HIDE, counted_mounts


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


def assess_value(treatments: Mapping[str, Treatment], comparison: Comparison | None, *, baseline: str = "") -> Value:
    """Weigh cost against gain.

    Parameters
    ----------
    treatments : mapping of str to Treatment
        Every treatment with its cost per mount.
    comparison : Comparison or None
        What the treatments gain; without it only costs are given.
    baseline : str
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
    per_K = {name: _cost_per_K(costs.get(first), costs[name], found.get(name)) for name in names}
    items = (TreatmentValue(name, costs[name], *per_K[name], _not_beaten(name, costs, rises)) for name in names)
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


def decide_each(
    settings: CampaignSettings, comparison: Comparison, throttle: ThrottlePower | None, *, waiting: dict[str, int]
) -> Comparison:
    """Return a comparison with the decision on each candidate.

    Parameters
    ----------
    settings : CampaignSettings
        Prices, packs and handling.
    comparison : Comparison
        What is shown.
    throttle : ThrottlePower or None
        What one machine with the baseline carries in the customer's room.
    waiting : dict of str to int
        Mounts that come before any decision.

    Returns
    -------
    Comparison
        No decision rests on a single mount, on what is in doubt, or on what only the air differs by.
    """
    carried = throttle.treatments[0].future_mount_interval_W if throttle is not None else None
    limit_W = carried[0] if carried is not None else None
    decided = [replace(i, decision=_decision(settings, comparison, i, limit_W, waiting)) for i in comparison.treatments]
    return replace(comparison, treatments=tuple(decided))


def _decision(
    settings: CampaignSettings,
    comparison: Comparison,
    item: TreatmentComparison,
    limit_W: float | None,
    waiting: dict[str, int],
) -> Decision:
    name, base = item.treatment, comparison.baseline
    extra, costs = _extra_cost(settings, base, name)
    cost = f" and {costs}" if costs else ""
    alike = item.verdict == "equivalent within the margin"
    if missing := _missing(comparison, item, waiting):
        return Decision(None, None, f"No decision yet: {missing}.")
    weigh = "it runs alike, and a price is missing" if alike and extra is None else ""
    if item.verdict == "cooler" and (extra is None or extra > 0.0):
        weigh = f"it is cooler{cost}; only more mounts tell whether by {settings.decision.margin_K:g} K"
    if weigh or item.verdict == "undecided":
        keep = f"Keep {base}: no bench makes the mounts that would tell them apart."
        weigh = weigh or (item.verdict_note if item.verdict_note == ALL_IN else "")
        return Decision(None, None, f"Yours to decide: {weigh}.") if weigh else Decision("keep", None, keep)
    if item.verdict.startswith("warmer") or (alike and (extra or 0.0) >= 0.0):
        return Decision("keep", None, f"Keep {base}: {name} {'runs alike' if alike else 'is warmer'}{cost}.")
    beside = _beside(settings, base, name)
    if alike or (extra is not None and extra <= 0.0):
        return Decision("switch", None, f"Switch to {name}: it {'runs alike' if alike else 'is cooler'}{cost}{beside}.")
    if item.matters_from_W is None:
        return Decision("switch", None, f"Switch to {name}: it is worth it at every power run{cost}{beside}.")
    from_W = min(power for power in (item.matters_from_W, limit_W) if power is not None)
    reaches = from_W == item.matters_from_W
    why = "there the difference reaches the margin" if reaches else f"{base} may reach its limit there"
    more = f"; it {costs}" if costs else ""
    return Decision("stock", from_W, f"Stock {name} for builds above {from_W:.0f} W: {why}{more}{beside}.")


def _missing(comparison: Comparison, item: TreatmentComparison, waiting: dict[str, int]) -> str:
    """Say what a decision still lacks; empty where nothing."""
    made = {comparison.baseline: comparison.baseline_n_mounts, item.treatment: item.n_mounts}
    single = [f"{'a second mount' if count else 'two mounts'} of {n}" for n, count in made.items() if count < 2]
    undecided, total = item.verdict == "undecided", item.mounts_needed
    lacks = (
        (item.verdict == "in doubt", "what is in doubt has to be mended first"),
        (waiting, f"the mounts that are still planned come first ({counted_mounts(waiting)})"),
        (single, f"{' and '.join(single)} first"),
        (item.simultaneous_interval_K is None, item.verdict_note),
        (item.witness is not None and item.witness.agrees is False, "the difference is not in the interface alone"),
        (item.verdict_note == ROOMS_HIDE, "mounts of both in one room would tell"),
        (undecided and total and min(made.values()) < total <= MOST_MOUNTS, f"about {total} mounts of each would tell"),
    )
    return next((text for holds, text in lacks if holds), "")


def _extra_cost(settings: CampaignSettings, base: str, name: str) -> tuple[float | None, str]:
    """What a mount of a candidate costs more than one of the baseline, and the same in words."""
    costs = settings.treatments[name].costs
    own, usual = settings.treatments[name].cost_per_mount, settings.treatments[base].cost_per_mount
    if own is None or usual is None:
        return None, ""
    extra, currency = own - usual, f" {settings.currency}" if settings.currency else ""
    more = f"costs {number(extra, 2)}{currency} more" if extra > 0.0 else f"saves {number(-extra, 2)}{currency}"
    pack = min(costs, key=lambda price: costs[price])
    where = f" (from the pack for {pack:g}{currency})" if len(costs) > 1 else ""
    if abs(extra) < 0.005:
        return 0.0, f"costs the same{where}"
    return extra, f"{more} a mount{where}"


def _beside(settings: CampaignSettings, base: str, name: str) -> str:
    """What has to be weighed by hand: how it handles and whether it conducts."""
    own, usual = settings.treatments[name], settings.treatments[base]
    conducts = own.electrically_conductive and not usual.electrically_conductive
    told = (
        own.handling,
        conducts and "it conducts electricity",
        None in (own.cost_per_mount, usual.cost_per_mount) and "no price is stated",
    )
    known = [str(text) for text in told if text]
    return f" (mind: {'; '.join(known)})" if known else ""
