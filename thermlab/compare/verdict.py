"""The verdict on a candidate: one rule, and what puts a verdict in doubt before any rule is applied.

The simultaneous interval decides what is shown; two one-sided tests decide
equivalence. The p value never sets a verdict. A number that chance does not
explain is no answer where the readings behind it are not trusted (copies,
doubtful runs on every mount, a reference far off); the verdict then is
``in doubt`` and its note says what to do.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

from thermlab.compare.records import FARTHEST_EXTRAPOLATION, Interval, TreatmentComparison, Verdict

if TYPE_CHECKING:
    from collections.abc import Sequence

    from thermlab.runs.records import ReducedRun


def is_equivalent(equivalence_interval: Interval | None, margin_K: float) -> bool | None:
    """Tell by two one-sided tests whether the interval lies inside the margin.

    Parameters
    ----------
    equivalence_interval : tuple of float or None
        ``D +- t(1 - alpha) SE``, K.
    margin_K : float
        Margin, > 0, K.

    Returns
    -------
    bool or None
        None without an interval.

    Notes
    -----
    Schuirmann 1987, J. Pharmacokinet. Biopharm. 15:657.
    """
    if equivalence_interval is None:
        return None
    low, high = equivalence_interval
    return -margin_K < low and high < margin_K


def decide(simultaneous_interval: Interval, equivalent: bool, margin_K: float) -> tuple[Verdict, str]:
    """Name what an interval shows.

    Parameters
    ----------
    simultaneous_interval : tuple of float
        Interval [L, U] of candidate minus baseline, K; negative is cooler.
    equivalent : bool
        Outcome of :func:`is_equivalent`.
    margin_K : float
        Margin, > 0, K.

    Returns
    -------
    (verdict, note) : tuple of str
        The note says where an equivalent candidate is shown to differ, but by less.
    """
    low, high = simultaneous_interval
    if high < -margin_K:
        return "cooler by more than the margin", ""
    if low > margin_K:
        return "warmer by more than the margin", ""
    if equivalent:
        note = "cooler, but by less than the margin" if high < 0.0 else ""
        return "equivalent within the margin", "warmer, but by less than the margin" if low > 0.0 else note
    if high < 0.0:
        return "cooler", ""
    if low > 0.0:
        return "warmer", ""
    return "undecided", ""


@dataclass(frozen=True, slots=True)
class Doubt:
    """Why a treatment cannot be judged.

    Attributes
    ----------
    note : str
        What is wrong, and what to do.
    interval_stays : bool
        Whether the interval is still shown: the runs are doubtful, not somebody else's.
    """

    note: str
    interval_stays: bool


def doubts(runs: Sequence[ReducedRun], treatments: Sequence[str], reference_power_W: float | None) -> dict[str, Doubt]:
    """Find the treatments that cannot be judged.

    Parameters
    ----------
    runs : sequence of ReducedRun
        All runs of the campaign.
    treatments : sequence of str
        Baseline and candidates.
    reference_power_W : float or None
        Power at which they are compared, W.

    Returns
    -------
    dict of str to Doubt
        By treatment; those that can be judged are missing.
    """
    found = {}
    for treatment in treatments:
        own = [run for run in runs if run.treatment == treatment]
        doubt = _copied(own) or _far_off(runs, reference_power_W) or _doubtful(treatment, own, reference_power_W)
        if doubt is not None:
            found[treatment] = doubt
    return found


def in_doubt(item: TreatmentComparison, baseline: str, found: dict[str, Doubt]) -> TreatmentComparison:
    """Return a candidate with its verdict put in doubt, where it or the baseline is.

    Parameters
    ----------
    item : TreatmentComparison
        As the rule of the verdict left it.
    baseline : str
        What it is compared with.
    found : dict of str to Doubt
        As from :func:`doubts`.

    Returns
    -------
    TreatmentComparison
    """
    known = [found[name] for name in (item.treatment, baseline) if name in found]
    if not known:
        return item
    notes = "; ".join(dict.fromkeys(doubt.note for doubt in known))
    doubted = replace(item, verdict="in doubt", verdict_note=notes, equivalent=None, p_value=None, mounts_needed=None)
    if all(doubt.interval_stays for doubt in known):
        return doubted
    return replace(
        doubted,
        interval_K=None,
        simultaneous_interval_K=None,
        equivalence_interval_K=None,
        welch_interval_K=None,
        standard_error_K=None,
        dof=None,
        critical_value=None,
    )


def _copied(own: Sequence[ReducedRun]) -> Doubt | None:
    """The same readings under two runs; one that was excluded by hand is settled already."""
    copied = dict.fromkeys(
        f"{run.treatment} mount {run.mount}" for run in own if any(flag.flag == "copied readings" for flag in run.flags)
    )
    if not copied:
        return None
    return Doubt(
        f"readings of {_listed(list(copied))} stand under another mount too: exclude the runs that were not made, or "
        "give them their own log",
        interval_stays=False,
    )


def _far_off(runs: Sequence[ReducedRun], reference_power_W: float | None) -> Doubt | None:
    steps = [run.set_power_W for run in runs if run.used and run.rise_K is not None]
    if reference_power_W is None or not steps:
        return None
    low, high = min(steps), max(steps)
    if (1.0 - FARTHEST_EXTRAPOLATION) * low <= reference_power_W <= (1.0 + FARTHEST_EXTRAPOLATION) * high:
        return None
    return Doubt(
        f"the reference of {reference_power_W:g} W lies more than {100.0 * FARTHEST_EXTRAPOLATION:g} % outside the "
        f"steps used, {low:g} to {high:g} W: compare at a power that was run",
        interval_stays=False,
    )


def _doubtful(treatment: str, own: Sequence[ReducedRun], reference_power_W: float | None) -> Doubt | None:
    """Every mount is touched: whatever is wrong is in the mean of all of them."""
    used = [run for run in own if run.used and run.rise_K is not None]
    touched: list[ReducedRun] = []
    for mount in dict.fromkeys(run.mount for run in used):
        members = [run for run in used if run.mount == mount]
        # What speaks for a mount: its runs at the reference, or all of them where it lacks that step.
        counted = [run for run in members if run.set_power_W == reference_power_W] or members
        if any(run.worst() != "doubtful" for run in counted):
            return None
        touched += counted
    if not touched:
        return None
    runs = _listed([run.run for run in touched])
    names = sorted({flag.flag for run in touched for flag in run.flags if flag.severity == "doubtful"})
    return Doubt(
        f"every mount of {treatment} is doubtful ({_listed(names)}): look at {runs}, mend what is wrong "
        "and run them again",
        interval_stays=True,
    )


def _listed(names: Sequence[str], most: int = 4) -> str:
    shown = ", ".join(names[:most])
    return f"{shown} and {len(names) - most} more" if len(names) > most else shown
