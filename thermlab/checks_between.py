"""What the runs of a campaign say about each other.

These checks look at reduced runs and at the traces side by side; a mount's
flag stands on each of its runs. They raise flags, never exclude: a run that is
merely unlike its neighbours stays in the answer and is shown.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from collections.abc import Sequence

    from thermlab.reduction import Estimate
    from thermlab.runs import ReducedRun
    from thermlab.thresholds import CheckThresholds
    from thermlab.traces import Trace


def check_between(
    runs: tuple[ReducedRun, ...],
    estimates: Sequence[Estimate],
    traces: Sequence[Trace],
    *,
    thresholds: CheckThresholds,
) -> tuple[ReducedRun, ...]:
    """Add the flags that only a comparison of runs can raise.

    Parameters
    ----------
    runs : tuple of ReducedRun
        In the order made.
    estimates : sequence of Estimate
        Of the runs that have readings, in the same order.
    traces : sequence of Trace
        Their traces.
    thresholds : CheckThresholds
        Limits in use.

    Returns
    -------
    tuple of ReducedRun
        The same runs with more flags.
    """
    return runs
