"""What a plan is asked for, with every default in one place, and the plan that comes of it."""

from __future__ import annotations

import math
import re
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

from thermlab.base.errors import InputError, Problem
from thermlab.planning.mount_sd import RUN_NOISE_K
from thermlab.planning.run_order import MOST_MOUNTS
from thermlab.planning.splits import MOST_STEPS

if TYPE_CHECKING:
    from collections.abc import Iterator
    from pathlib import Path

    from thermlab.planning.mount_sd import MountScatter
    from thermlab.planning.run_order import CalendarEntry, PlannedRun, StepOrder
    from thermlab.planning.splits import BenchHours, Estimand, Goal, Looking, Looks, MountNumber, SoakChoice, Split

DEFAULT_STEPS_W = (40.0, 56.0, 72.0, 88.0, 104.0, 120.0)
MOST_TREATMENTS = 20

# A name goes into file names, a run sheet that a spreadsheet may open, and pages.
_NAME = re.compile(r"[A-Za-z0-9][A-Za-z0-9_.-]{0,59}\Z")


@dataclass(frozen=True, slots=True, kw_only=True)
class PlanRequest:
    """What a plan is asked for.

    Attributes
    ----------
    treatments : tuple of str
        What is compared, the baseline included.
    baseline : str
        The treatment the others are compared with.
    margin_K : float
        Smallest difference that matters, K.
    title : str
        Title of the campaign.
    goal : {"difference", "equivalence"}
        Show a difference of the margin, or that nothing differs by more.
    power : float
        Chance of showing it.
    confidence_level : float
        As a fraction.
    estimand : {"reference", "through origin"}
        Rise at the reference step, or thermal resistance over all steps, which then every mount runs.
    looks : {"end", "every mount"} or None
        Whether the question is answered at one look when all mounts are made, or after every mount; None: at the end,
        unless that takes more than 100 h.
    mount_sd_K, mount_sd_dof : float or None
        Mount SD at the reference step without run noise (K) and its degrees of freedom.
    run_noise_K : float
        SD of one settled rise on one mount, K; used with a given or assumed mount SD only.
    pilot, archive : path or None
        Take the mount SD from a campaign (folder or ``results.json``), or pooled from an archive.
    bench : str or None
        Bench within the archive.
    mounts : int or None
        Mounts of each treatment; None: as many as the question needs or the hours buy.
    hours : float or None
        Bench hours to be spent, h.
    steps_W : tuple of float
        Power steps the bench can run, W; empty takes the six of the kit.
    reference_power_W : float or None
        Step of the primary comparison, W; None: the highest.
    soak_min : float or None
        Soak of a step, min; None: two time constants, or 40 min while that is unknown.
    time_constant_min : float or None
        Time constant of the bench at the highest power, min.
    change_over_min, remount_min : float
        Change of step, and mounting anew, min.
    day_h : float
        Bench hours in a day, h.
    step_order : {"ascending", "random"}
        Order of the steps within a mount.
    seed : int
        Seed of the order.
    throttle : bool
        Whether the throttle power is asked for.
    temperature_C, room_C : float or None
        Temperature limit and room of the throttle power, degC; None: 95 and 35.
    """

    treatments: tuple[str, ...]
    baseline: str
    margin_K: float
    title: str = ""
    goal: Goal = "difference"
    power: float = 0.80
    confidence_level: float = 0.95
    estimand: Estimand = "reference"
    looks: Looks | None = None
    mount_sd_K: float | None = None
    mount_sd_dof: float | None = None
    run_noise_K: float = RUN_NOISE_K
    pilot: str | Path | None = None
    archive: str | Path | None = None
    bench: str | None = None
    mounts: int | None = None
    hours: float | None = None
    steps_W: tuple[float, ...] = ()
    reference_power_W: float | None = None
    soak_min: float | None = None
    time_constant_min: float | None = None
    change_over_min: float = 5.0
    remount_min: float = 45.0
    day_h: float = 8.0
    step_order: StepOrder = "ascending"
    seed: int = 1
    throttle: bool = True
    temperature_C: float | None = None
    room_C: float | None = None

    @property
    def ladder_W(self) -> tuple[float, ...]:
        """Power steps the bench can run, ascending, W."""
        return tuple(sorted(float(step) for step in self.steps_W or DEFAULT_STEPS_W))

    @property
    def reference_W(self) -> float:
        """Step of the primary comparison, W."""
        return max(self.ladder_W) if self.reference_power_W is None else float(self.reference_power_W)

    @property
    def limit_C(self) -> float:
        """Temperature limit, degC."""
        return 95.0 if self.temperature_C is None else self.temperature_C

    @property
    def customers_room_C(self) -> float:
        """The customer's room, degC."""
        return 35.0 if self.room_C is None else self.room_C

    def check(self) -> None:
        """Refuse what cannot be planned.

        Raises
        ------
        InputError
            With every problem found.
        """
        problems = [*self._names(), *self._choices(), *self._numbers(), *self._ladder()]
        if problems:
            raise InputError(problems)

    def _names(self) -> Iterator[Problem]:
        allowed = "up to 60 letters, digits and _ . - (it becomes part of file names), the first a letter or digit"
        for name in self.treatments:
            if not _NAME.match(name):
                yield Problem("plan: treatments", repr(name[:80]), allowed)
        lowered = [name.casefold() for name in self.treatments]
        if not 2 <= len(lowered) <= MOST_TREATMENTS or len(set(lowered)) != len(lowered):
            found = ", ".join(self.treatments[:30]) or "none"
            yield Problem("plan: treatments", found, f"2 to {MOST_TREATMENTS} names, each once (capitals do not count)")
        if self.baseline not in self.treatments:
            yield Problem("plan: baseline", repr(self.baseline), f"one of {', '.join(self.treatments[:30]) or 'none'}")
        if len(self.title) > 500 or not self.title.isprintable():
            yield Problem("plan: title", repr(self.title[:80]), "up to 500 printable characters")

    def _choices(self) -> Iterator[Problem]:
        for name, found, choices in (
            ("goal", self.goal, ("difference", "equivalence")),
            ("estimand", self.estimand, ("reference", "through origin")),
            ("looks", self.looks or "end", ("end", "every mount")),
            ("order of the steps", self.step_order, ("ascending", "random")),
        ):
            if found not in choices:
                yield Problem(f"plan: {name}", repr(found), " or ".join(choices))
        sources = [self.mount_sd_K is not None, self.pilot is not None, self.archive is not None]
        if sum(sources) > 1:
            yield Problem("plan: mount SD", f"{sum(sources)} sources", "a given one, a pilot campaign or an archive")
        if self.mounts is not None and self.hours is not None:
            yield Problem("plan: mounts", "mounts and hours", "one of them; the other follows")
        if self.bench is not None and self.archive is None:
            yield Problem("plan: bench", repr(self.bench), "only together with an archive")

    def _numbers(self) -> Iterator[Problem]:
        limits: tuple[tuple[str, float | None, float, float, str], ...] = (
            ("margin", self.margin_K, 0.0, 1000.0, "K"),
            ("power", self.power, 0.05, 1.0, ""),
            ("confidence level", self.confidence_level, 0.5, 0.999999, ""),
            ("hours", self.hours, 0.0, 10_000.0, "h"),
            ("soak", self.soak_min, 0.0, 10_000.0, "min"),
            ("time constant", self.time_constant_min, 0.0, 10_000.0, "min"),
            ("bench hours in a day", self.day_h, 0.0, 24.01, "h"),
        )
        for name, value, low, high, unit in limits:
            if value is not None and not (math.isfinite(value) and low < value < high):
                yield Problem(
                    f"plan: {name}", f"{value:g} {unit}".strip(), f"above {low:g}, below {high:g} {unit}".strip()
                )
        for name, value in (("change-over", self.change_over_min), ("re-mounting", self.remount_min)):
            if not (math.isfinite(value) and 0 <= value <= 10_000):
                yield Problem(f"plan: {name}", f"{value:g} min", "0 to 10000 min")
        if self.mounts is not None and not 1 <= self.mounts <= MOST_MOUNTS:
            yield Problem("plan: mounts", str(self.mounts), f"1 to {MOST_MOUNTS}")
        if self.seed < 0:
            yield Problem("plan: seed", str(self.seed), "a whole number, 0 or more")
        if self.throttle and not 0 < self.limit_C - self.customers_room_C <= 1000:
            found = f"{self.limit_C:g} degC in a room of {self.customers_room_C:g} degC"
            yield Problem("plan: temperature limit", found, "a limit above the room")

    def _ladder(self) -> Iterator[Problem]:
        steps = self.steps_W or DEFAULT_STEPS_W
        usable = all(math.isfinite(step) and 0 < step <= 1e5 for step in steps)
        if not usable or len(set(steps)) != len(steps) or len(steps) > MOST_STEPS:
            found = ", ".join(f"{step:g}" for step in steps[:30])
            yield Problem(
                "plan: power steps", found, f"up to {MOST_STEPS} powers above 0 W, at most 100000 W, each once"
            )
        elif self.reference_W not in self.ladder_W:
            yield Problem("plan: reference power", f"{self.reference_W:g} W", "one of the power steps")


@dataclass(frozen=True, slots=True, kw_only=True)
class Plan:
    """A campaign that is still to be made.

    Attributes
    ----------
    request : PlanRequest
        What was asked for.
    title : str
        Of the campaign.
    n_mounts, n_ladder : int
        Mounts of each treatment, and how many of them run every step; the others run the reference step.
    steps_W : tuple of float
        Power steps of a ladder mount, W.
    hours : float
        Bench hours of the whole campaign, h.
    times : BenchHours
        Soak, pre-soak, change-over and re-mounting, min.
    scatter : MountScatter
        Mount SD, its source and the value planned with.
    numbers : tuple of MountNumber
        Mounts that each question needs at one look.
    looks : {"end", "every mount"}
        The way of looking that the plan is made for.
    looking : Looking or None
        What looking after every mount takes; None where it takes more than 200 mounts of each treatment.
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
    n_ladder: int
    steps_W: tuple[float, ...]
    hours: float
    times: BenchHours
    scatter: MountScatter
    numbers: tuple[MountNumber, ...]
    looks: Looks
    looking: Looking | None
    splits: tuple[Split, ...]
    split: Split
    reason: str
    soaks: tuple[SoakChoice, ...]
    runs: tuple[PlannedRun, ...]
    entries: tuple[CalendarEntry, ...]
    settings: dict[str, Any]
    cautions: tuple[str, ...]
