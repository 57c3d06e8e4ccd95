"""What a plan is asked for, with every default in one place, and what comes of it."""

import re
from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Annotated, Any, Literal

from pydantic import AfterValidator, BeforeValidator, Field

from thermlab.campaign.settings import ConfidenceLevel, LimitC, MarginK, PowerW, RoomC
from thermlab.campaign.yaml_files import resolve
from thermlab.compare.records import Advice
from thermlab.logs.settings import Broken, Line, Model, refused
from thermlab.stats.curves import RiseCurve

Goal = Literal["difference", "equivalence"]
Looks = Literal["end", "halfway", "every mount"]

MOST_MOUNTS = 200
MOST_STEPS = 12
MOST_TREATMENTS = 20
FEWEST_DOF = 0.5
"""Half of one, as is left of a prior with one."""

# A name goes into file names, a run sheet that a spreadsheet may open, and pages.
_NAME = re.compile(r"[A-Za-z0-9][A-Za-z0-9_.-]{0,59}\Z")
_NAMES = "up to 60 letters, digits and _ . - (it becomes part of file names), the first a letter or digit"


def _names(value: Any) -> Any:
    """Return what a list, or a text with commas, names."""
    if isinstance(value, str):
        value = [part.strip() for part in value.split(",") if part.strip()]
    return tuple(value) if isinstance(value, list) else value


def _powers(value: Any) -> Any:
    """Return powers, W, as numbers; what is none stays, and the model says so."""
    powers = _names(value)
    return tuple(resolve(str(power)) for power in powers) if isinstance(powers, tuple) else powers


def _ascending(steps: tuple[float, ...]) -> tuple[float, ...]:
    if len(set(steps)) != len(steps) or not 1 <= len(steps) <= MOST_STEPS:
        raise refused("steps", f"{len(steps)} steps", f"up to {MOST_STEPS} power steps, each once")
    return tuple(sorted(steps))


_STEPS_W = (40.0, 56.0, 72.0, 88.0, 104.0, 120.0)
_Minutes = Annotated[float, Field(gt=0, lt=10_000)]
_Handling = Annotated[float, Field(ge=0, le=10_000)]


class PlanRequest(Model):
    """What a plan is asked for; lists may be given as text with commas.

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
    looks : {"end", "halfway", "every mount"} or None
        Whether the question is answered at one look when all mounts are made, at one more when half of them are, or
        after every mount; None: at the end, unless that takes more than 100 h.
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
        Power steps the bench can run, ascending, W.
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
    temperature_C, room_C : float
        Temperature limit and room of the throttle power, degC.
    """

    treatments: Annotated[tuple[str, ...], BeforeValidator(_names)]
    baseline: str
    margin_K: MarginK
    title: Annotated[Line, Field(max_length=500)] = ""
    goal: Goal = "difference"
    power: Annotated[float, Field(gt=0.05, lt=1)] = 0.80
    confidence_level: ConfidenceLevel = 0.95
    estimand: Literal["reference", "through origin"] = "reference"
    looks: Looks | None = None
    mount_sd_K: Annotated[float, Field(gt=0)] | None = None
    mount_sd_dof: Annotated[float, Field(ge=FEWEST_DOF)] | None = None
    run_noise_K: Annotated[float, Field(ge=0)] = 0.2
    pilot: str | Path | None = None
    archive: str | Path | None = None
    bench: str | None = None
    mounts: Annotated[int, Field(ge=1, le=MOST_MOUNTS)] | None = None
    hours: Annotated[float, Field(gt=0, lt=10_000)] | None = None
    steps_W: Annotated[tuple[PowerW, ...], BeforeValidator(_powers), AfterValidator(_ascending)] = _STEPS_W
    reference_power_W: PowerW | None = None
    soak_min: _Minutes | None = None
    time_constant_min: _Minutes | None = None
    change_over_min: _Handling = 5.0
    remount_min: _Handling = 45.0
    day_h: Annotated[float, Field(gt=0, le=24)] = 8.0
    step_order: Literal["ascending", "random"] = "ascending"
    seed: Annotated[int, Field(ge=0)] = 1
    throttle: bool = True
    temperature_C: LimitC = 95.0
    room_C: RoomC = 35.0

    @property
    def reference_W(self) -> float:
        """Step of the primary comparison, W."""
        return self.reference_power_W or self.steps_W[-1]

    @classmethod
    def rules(cls, data: Mapping[str, Any]) -> Iterator[Broken]:
        """What several numbers of a request have to keep together."""
        if isinstance(names := _names(data.get("treatments")), tuple):
            yield from _rules_of_names([str(name) for name in names], data.get("baseline"))
        sources = sum(data.get(name) is not None for name in ("mount_sd_K", "pilot", "archive"))
        if sources > 1:
            yield Broken(("mount_sd_K",), f"{sources} sources", "a given one, a pilot campaign or an archive")
        for name, other, words in (("bench", "archive", "an archive"), ("mount_sd_dof", "mount_sd_K", "mount_sd_K")):
            if data.get(name) is not None and data.get(other) is None:
                yield Broken((name,), f"{data[name]!r}", f"only together with {words}")
        if data.get("mounts") is not None and data.get("hours") is not None:
            yield Broken(("mounts",), "mounts and hours", "one of them; the other follows")
        try:
            request = cls.model_construct(**data)
            if request.reference_power_W is not None and request.reference_power_W not in _powers(request.steps_W):
                yield Broken(("reference_power_W",), f"{request.reference_power_W:g} W", "one of the power steps")
            if request.throttle and request.temperature_C <= request.room_C:
                found = f"{request.temperature_C:g} degC in a room of {request.room_C:g} degC"
                yield Broken(("temperature_C",), found, "a limit above the room")
        except (TypeError, ValueError):
            return  # what is no number has a problem of its own


def _rules_of_names(names: list[str], baseline: Any) -> Iterator[Broken]:
    for name in names:
        if not _NAME.match(name):
            yield Broken(("treatments",), repr(name[:80]), _NAMES)
    shown = ", ".join(names[:30]) or "none"
    if not 2 <= len(names) <= MOST_TREATMENTS or len({name.casefold() for name in names}) != len(names):
        allowed = f"2 to {MOST_TREATMENTS} names, each once (capitals do not count)"
        yield Broken(("treatments",), shown, allowed)
    if baseline is not None and baseline not in names:
        yield Broken(("baseline",), repr(baseline), f"one of {shown}")


@dataclass(frozen=True, slots=True, kw_only=True)
class MountScatter:
    """Mount SD to plan with.

    Attributes
    ----------
    sd_K : float
        Estimate at the reference step, K.
    dof : float or None
        Its degrees of freedom as used; None where it is taken as known.
    planned_sd_K : float
        What the plan uses: the upper 80 % limit, or the estimate where it is taken as known, K.
    run_noise_K : float
        Run noise still to be added, K; 0 where the estimate holds it already.
    source : str
        Where it comes from.
    time_constant_min : float or None
        Time constant of the bench, where the source says so, min.
    curve : RiseCurve or None
        Rise against power of the bench, where the source says so.
    campaigns : tuple of dict
        Of a pooled SD: title, mount SD per watt and dof of each campaign.
    cautions : tuple of str
        What limits it.
    """

    sd_K: float
    dof: float | None
    planned_sd_K: float
    run_noise_K: float
    source: str
    time_constant_min: float | None = None
    curve: RiseCurve | None = None
    campaigns: tuple[dict[str, Any], ...] = ()
    cautions: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True, kw_only=True)
class BenchHours:
    """What one mount costs in time.

    Attributes
    ----------
    soak_min, pre_soak_min : float
        Soak of one power step, and time at the first step's power before its soak begins, min.
    change_over_min : float
        From one step to the next, min.
    remount_min : float
        Cooling, taking apart, cleaning and mounting anew, min.
    """

    soak_min: float = 40.0
    pre_soak_min: float = 40.0
    change_over_min: float = 5.0
    remount_min: float = 45.0

    def mount_h(self, n_steps: int) -> float:
        """Return the hours of one mount with its pre-soak."""
        return (self.remount_min + self.pre_soak_min + n_steps * (self.soak_min + self.change_over_min)) / 60.0


@dataclass(frozen=True, slots=True, kw_only=True)
class Split:
    """What one way of spending the hours gives.

    Attributes
    ----------
    n_mounts, n_ladder : int
        Mounts of each treatment, and how many of them run every step; the others run the reference step.
    steps_W : tuple of float
        The steps of a ladder mount, the reference among them, W.
    times : BenchHours
        Soak and pre-soak, min.
    soak_time_constants : float or None
        The soak in time constants of the bench.
    hours : float
        Bench hours it takes, h.
    left_K : float
        The most that any run still lacks at the end of its soak, K; 0 while the time constant is unknown.
    rise_error_K, throttle_error_W : float or None
        What an error of 5 % in the time constant leaves of it in a rise (K) and in a throttle power (W). It cancels in
        a difference.
    difference_half_width_K : float or None
        Expected half-width of the interval of a difference, K; None with one mount a treatment and no prior.
    power_at_margin : float or None
        Chance to show a difference as large as the margin, at one look.
    equivalence_power : float or None
        Chance to show equivalence where nothing differs, at one look.
    throttle_half_width_W : float or None
        Expected half-width of the interval of a treatment's throttle power, W.
    soak_note : str
        ``too short to trust``, ``settles by itself`` or empty.
    """

    n_mounts: int
    n_ladder: int
    steps_W: tuple[float, ...]
    times: BenchHours
    soak_time_constants: float | None
    hours: float
    left_K: float
    rise_error_K: float
    throttle_error_W: float | None
    difference_half_width_K: float | None
    power_at_margin: float | None
    equivalence_power: float | None
    throttle_half_width_W: float | None
    soak_note: str

    @property
    def n_steps(self) -> int:
        """Power steps of a ladder mount."""
        return len(self.steps_W)


@dataclass(frozen=True, slots=True)
class MountNumber:
    """Mounts that one question needs at one look, when all are made.

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
    throttle_half_width_W : float or None
        The same for the throttle power of a treatment, W; one ladder mount of each.
    """

    question: str
    goal: Goal
    true_difference_K: float
    power: float
    n_mounts: int | None
    difference_half_width_K: float | None
    throttle_half_width_W: float | None


@dataclass(frozen=True, slots=True, kw_only=True)
class Looking:
    """What looking before the end, and stopping at the verdict, takes and gives.

    Attributes
    ----------
    n_mounts : int
        Mounts of each treatment to plan.
    chance : float
        Chance that the question has its answer by the last of them.
    mean_mounts : float
        Mounts of all treatments made on average until it has.
    """

    n_mounts: int
    chance: float
    mean_mounts: float


@dataclass(frozen=True, slots=True, kw_only=True)
class PlannedRun:
    """One run of the plan, a line of ``runs.csv``.

    Attributes
    ----------
    run : str
        Its name, unique in the campaign.
    treatment, mount : str
        The mount it belongs to.
    set_power_W : float
        Power step, W.
    block : int
        Block, from 1.
    pre_soak : bool
        Whether the bench is soaked once more before it.
    """

    run: str
    treatment: str
    mount: str
    set_power_W: float
    block: int
    pre_soak: bool

    @property
    def of(self) -> tuple[str, str]:
        """Treatment and mount."""
        return self.treatment, self.mount


@dataclass(frozen=True, slots=True, kw_only=True)
class CalendarEntry:
    """A mount on the bench: mounting, pre-soak, runs and what is done after each.

    Attributes
    ----------
    day : int
        Bench day, from 1.
    start_h, end_h : float
        Hours since the day began, h.
    runs : tuple of PlannedRun
        Its runs of that day, in order.
    """

    day: int
    start_h: float
    end_h: float
    runs: tuple[PlannedRun, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class Plan:
    """A campaign that is still to be made.

    Attributes
    ----------
    request : PlanRequest
        What was asked for.
    title : str
        Of the campaign.
    hours : float
        Bench hours of the whole campaign, h.
    scatter : MountScatter
        Mount SD, its source and the value planned with.
    numbers : tuple of MountNumber
        Mounts that each question needs at one look.
    looks : {"end", "halfway", "every mount"}
        The way of looking that the plan is made for.
    looking : dict of str to Looking or None
        What looking ``halfway`` and after ``every mount`` takes; None where that is more than 200 mounts of each
        treatment.
    splits : tuple of Split
        What every number of steps gives for the same hours.
    split : Split
        The one that is planned.
    reason : str
        Why.
    soaks : tuple of Split
        What other soaks give; empty while the time constant is unknown.
    runs : tuple of PlannedRun
        In the order to be made.
    entries : tuple of CalendarEntry
        The same over bench days.
    settings : dict
        What was known or assumed of the bench and the limits.
    cautions : tuple of str
        What was assumed.
    """

    request: PlanRequest
    title: str
    hours: float
    scatter: MountScatter
    numbers: tuple[MountNumber, ...]
    looks: Looks
    looking: dict[str, Looking | None]
    splits: tuple[Split, ...]
    split: Split
    reason: str
    soaks: tuple[Split, ...]
    runs: tuple[PlannedRun, ...]
    entries: tuple[CalendarEntry, ...]
    settings: dict[str, Any]
    cautions: tuple[str, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class CandidateOutlook:
    """What looks after every mount say of one candidate, and what may become of it.

    Attributes
    ----------
    treatment : str
        Candidate.
    difference_K : float or None
        Candidate minus baseline, K.
    interval_K : tuple of float or None
        Interval that holds at every look, for all candidates at once, K.
    verdict : str
        That interval in the words of the report; ``undecided`` where nothing is shown.
    chance_after : tuple of float
        Chance that a verdict stands after 1, 2, 3 more mounts; shorter where fewer are planned, empty where no scatter
        is known.
    chance_at_end : float or None
        The same after all planned mounts.
    """

    treatment: str
    difference_K: float | None
    interval_K: tuple[float, float] | None
    verdict: str
    chance_after: tuple[float, ...]
    chance_at_end: float | None


@dataclass(frozen=True, slots=True, kw_only=True)
class NextMounts:
    """A campaign under way: the advice of its report, and the numbers of the mounts to come.

    Attributes
    ----------
    advice : Advice
        What to do, as report and results have it.
    n_mounts : dict of str to int
        Mounts so far by treatment.
    next_treatments : tuple of str
        Treatments of the mounts still planned, in order.
    candidates : tuple of CandidateOutlook
        Candidates in the order of the campaign; none before there is a comparison.
    cautions : tuple of str
        What limits the numbers.
    """

    advice: Advice
    n_mounts: dict[str, int]
    next_treatments: tuple[str, ...]
    candidates: tuple[CandidateOutlook, ...]
    cautions: tuple[str, ...]
