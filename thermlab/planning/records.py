"""A plan, as a plain record."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from thermlab.planning.mount_numbers import MountNumber
    from thermlab.planning.mount_sd import MountScatter
    from thermlab.planning.request import PlanRequest
    from thermlab.planning.run_order import CalendarEntry, PlannedRun
    from thermlab.planning.soak import SoakChoice
    from thermlab.planning.steps import BenchHours, Split


@dataclass(frozen=True, slots=True, kw_only=True)
class Plan:
    """A campaign that is still to be made.

    Attributes
    ----------
    request : PlanRequest
        What was asked for.
    title : str
        Of the campaign.
    n_mounts : int
        Mounts of each treatment.
    steps_W : tuple of float
        Power steps of every mount, W.
    hours : float
        Bench hours of the whole campaign, h.
    times : BenchHours
        Soak, change-over and re-mounting, min.
    scatter : MountScatter
        Mount SD, its source and the value planned with.
    numbers : tuple of MountNumber
        Mounts that each question needs.
    splits : tuple of Split
        What every number of steps gives for the same hours.
    split : Split
        The one recommended for these hours.
    reason : str
        Why.
    soaks : tuple of SoakChoice
        What other soaks give; empty while the time constant is unknown.
    runs : tuple of PlannedRun
        In the order to be made.
    entries : tuple of CalendarEntry
        The same over bench days.
    settings : dict
        Every number used.
    cautions : tuple of str
        What was assumed.
    """

    request: PlanRequest
    title: str
    n_mounts: int
    steps_W: tuple[float, ...]
    hours: float
    times: BenchHours
    scatter: MountScatter
    numbers: tuple[MountNumber, ...]
    splits: tuple[Split, ...]
    split: Split
    reason: str
    soaks: tuple[SoakChoice, ...]
    runs: tuple[PlannedRun, ...]
    entries: tuple[CalendarEntry, ...]
    settings: dict[str, Any]
    cautions: tuple[str, ...]
