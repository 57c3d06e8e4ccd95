"""Whether a finished machine is where it should be, and keeps what the customer needs.

Two questions, and one verdict by a rule set beforehand:

- Is its rise at each power step where a fresh mount of its treatment was
  expected? The interval is a prediction interval for the reading of one future
  mount: it holds the scatter between mounts of the campaign, the uncertainty of
  their mean, and that of the build's own reading, whose sensors are not those
  of the campaign.
- At which power will it reach its limit in the customer's room? The rise curve
  of the campaign's mounts is moved in parallel, per watt, to pass through the
  build's own rises, as a resistance in series moves it, and solved for the rise
  that is left between the customer's room and the limit.

Without a campaign only the second question is asked, of the curve of the
build's own runs.

pass: the whole interval of that power lies at or above what is required, and
every rise is inside its interval. fail: the whole interval lies short of what
is required. refer: anything else, and whatever rests on a doubtful run; a person has to look.
"""

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from typing import Any, Literal

from thermlab.builds.evidence import BuildRuns, Reference
from thermlab.builds.rises import Expected, expected_rises
from thermlab.builds.settings import Build
from thermlab.builds.throttle import BuildThrottle, build_throttle, tested_room_C
from thermlab.reports.photos import Photo
from thermlab.runs.records import ReducedRun

NO_TIME_CONSTANT = "its runs do not show the time constant of the bench, so that what was still to come is not known"
NOT_REPLICATED = "the campaign does not say how far a fresh mount may be off: its mounts were not replicated"
NO_CAMPAIGN = (
    "No campaign stands behind this record: the machine is held against what is required alone, by its own runs, and "
    "not against other mounts of its treatment."
)
BuildVerdict = Literal["pass", "refer", "fail"]
ROOM_OFF_K = 3.0
"""A room that differs by more is worth a sentence, K (common practice, no source)."""


@dataclass(frozen=True, slots=True, kw_only=True)
class BuildAssessment:
    """What was found about a finished machine.

    Attributes
    ----------
    build : Build
        What the user wrote.
    reference : Reference
        The campaign it is held against.
    reduced : BuildRuns
        Its acceptance runs, with the checksum of every input by its path in the build folder.
    rises : tuple of Expected
        One entry a power step with a used run.
    throttle : BuildThrottle
        Power at the limit in the customer's room, against what is required.
    verdict : {"pass", "refer", "fail"}
        By the rule of this module.
    verdict_reason : str
        One sentence.
    photos : tuple of Photo
        For the page, without where they were taken.
    cautions : tuple of str
        What a reader has to know.
    """

    build: Build
    reference: Reference
    reduced: BuildRuns
    rises: tuple[Expected, ...]
    throttle: BuildThrottle
    verdict: BuildVerdict
    verdict_reason: str
    photos: tuple[Photo, ...]
    cautions: tuple[str, ...]

    def __str__(self) -> str:
        """Return verdict, reason and cautions as text."""
        settings = self.build.settings
        lines = [f"{settings.build}, {settings.title}: {self.verdict}: {self.verdict_reason}"]
        return "\n".join([*lines, *(f"caution: {text}" for text in self.cautions)])


def assess(build: Build, reference: Reference, reduced: BuildRuns, photos: tuple[Photo, ...] = ()) -> BuildAssessment:
    """Assess a build from its reduced runs.

    Parameters
    ----------
    build : Build
        What the user wrote.
    reference : Reference
        The campaign it is held against, with the build's treatment; or what stands in its place.
    reduced : BuildRuns
        Its acceptance runs.
    photos : tuple of Photo
        For the page.

    Returns
    -------
    BuildAssessment
    """
    settings = build.settings
    rises = expected_rises(reduced.runs, reference, treatment=settings.treatment)
    throttle = build_throttle(reduced.runs, rises, reference, settings)
    flags = ((run, flag) for run in reduced.runs if run.used for flag in run.flags if flag.severity != "note")
    doubt = next((f"{run.run}: {flag.flag}" for run, flag in flags), "")
    unsettled = reference.alone and reduced.time_constant_min is None
    verdict, reason = judge(rises, throttle, alone=reference.alone, unsettled=unsettled, doubt=doubt)
    return BuildAssessment(
        build=build,
        reference=reference,
        reduced=reduced,
        rises=rises,
        throttle=throttle,
        verdict=verdict,
        verdict_reason=reason,
        photos=photos,
        cautions=tuple(_cautions(build, reference, reduced, rises, throttle)),
    )


def judge(
    rises: Sequence[Expected], throttle: BuildThrottle, *, alone: bool = False, unsettled: bool = False, doubt: str = ""
) -> tuple[BuildVerdict, str]:
    """Apply the rule.

    Parameters
    ----------
    rises : sequence of Expected
        One entry a power step.
    throttle : BuildThrottle
        Power at the limit against what is required.
    alone : bool
        There is no campaign that could say where its rises should be.
    unsettled : bool
        Nor one that says how long the bench takes to settle, and its own runs do not show it.
    doubt : str
        A doubtful run that it rests on, if there is one.

    Returns
    -------
    verdict : {"pass", "refer", "fail"}
        What is shown.
    reason : str
        One sentence.
    """
    if throttle.interval_W is None:
        return "refer", f"no throttle power can be given: {throttle.reason}"
    (low, high), required = throttle.interval_W, f"the {throttle.required_W:g} W required"
    hottest_W = 0.0 if throttle.hottest is None else throttle.hottest[1]
    outside = [(one.rise_K, one.interval_K) for one in rises if one.inside is False and one.interval_K is not None]
    sides = sorted({"warmer" if rise_K > interval_K[1] else "cooler" for rise_K, interval_K in outside})
    unknown = not alone and any(one.inside is None for one in rises)
    hottest = f"the hottest sensor, not the mean that was judged, may reach the limit short of {required}"
    rules: tuple[tuple[bool, BuildVerdict, str], ...] = (
        (bool(doubt), "refer", f"it rests on a doubtful run ({doubt}), which has to be run again"),
        (high < throttle.required_W, "fail", f"the whole interval of the throttle power lies short of {required}"),
        (bool(sides), "refer", f"it runs {' and '.join(sides)} than a fresh mount of its treatment was expected to"),
        (unknown, "refer", NOT_REPLICATED),
        (low < throttle.required_W, "refer", f"the interval of the throttle power reaches below {required}"),
        (low - hottest_W < throttle.required_W, "refer", hottest),
        (unsettled, "refer", NO_TIME_CONSTANT),
        (True, "pass", f"the whole interval of the throttle power lies at or above {required}"),
    )
    return next((verdict, reason) for holds, verdict, reason in rules if holds)


def _campaign_cautions(reference: Reference, rises: Sequence[Expected]) -> Iterator[str]:
    if reference.alone:
        return
    by_hand = sum(run.by_hand for run in reference.runs)
    if by_hand:
        yield f"{by_hand} of {len(reference.runs)} runs of the campaign are readings without a log, of the lower grade."
    if reference.time_constant_min is None:
        yield "The campaign gives no time constant of the bench: the settled rises are means over the steady end."
    if reference.dropped_checks:
        yield (
            "The campaign's report comes from another version, with thresholds of run checks that this one does not "
            f"have ({', '.join(reference.dropped_checks)}): they do not count here."
        )
    steps = {run.set_power_W for run in reference.runs if run.used}
    other = [one.set_power_W for one in rises if one.set_power_W not in steps]
    if other:
        shown = ", ".join(f"{power:g} W" for power in other)
        yield f"The campaign has no step at {shown}: what was expected there comes from its rise curve."


def _cautions(
    build: Build, reference: Reference, reduced: BuildRuns, rises: Sequence[Expected], throttle: BuildThrottle
) -> Iterator[str]:
    settings = build.settings
    if reference.alone:
        yield NO_CAMPAIGN
        if reduced.time_constant_min is None and rises:
            yield f"{NO_TIME_CONSTANT.capitalize()}: the settled rises are means over the steady end."
    for run in reduced.runs:
        if not run.used:
            yield f"Run {run.run} is not used: {run.reason.rstrip('.')}."
        for flag in run.flags:
            if flag.severity == "doubtful" and run.used:
                yield f"Run {run.run} is doubtful: {flag.reason}"
    yield from _campaign_cautions(reference, rises)
    yield from _room_cautions(reduced.runs, throttle)
    if reference.settings.get("measurand") == "mean":
        yield _mean_caution(throttle)
    if any(one.n_mounts == 1 for one in rises):
        yield "The campaign has one mount of this treatment: what was expected rests on the scatter of others."
    if settings.ambient_constant is not None:
        yield "The room was read off a thermometer and not logged."
    if throttle.extrapolation is not None and throttle.extrapolation > 0.0:
        whose = "build's" if reference.alone else "campaign's"
        yield f"The throttle power lies {throttle.extrapolation:.0%} above the {whose} highest step."
    yield from reduced.notes


def _room_cautions(runs: Sequence[ReducedRun], throttle: BuildThrottle) -> Iterator[str]:
    """Say what a room unlike the customer's does."""
    tested_C, effect = tested_room_C(runs, throttle.room_C), throttle.room_effect_W
    if effect is None or abs(tested_C - throttle.room_C) <= ROOM_OFF_K:
        return
    rooms = f"The acceptance room was at {tested_C:.1f} degC, the customer's is at {throttle.room_C:g} degC"
    if effect[0] == effect[1]:
        yield f"{rooms}: the throttle power was moved by {effect[0]:+.1f} W for it."
    else:
        size = f"{abs(min(effect)):.1f} W less" if -min(effect) > max(effect) else f"{max(effect):.1f} W more"
        yield f"{rooms}: there it may throttle at up to {size} than here; the interval holds that."


def _mean_caution(throttle: BuildThrottle) -> str:
    """Say how far the hottest sensor lies above the mean that was judged, and what that takes."""
    judged = "The mean of the sensors was judged (measurand: mean)"
    if throttle.throttle_power_W is None or throttle.hottest is None:
        return f"{judged}: the hottest reaches the limit at less power."
    above_K, less_W = throttle.hottest
    there = f"reaches the limit at about {throttle.throttle_power_W - less_W:.0f} W"
    return f"{judged}: the hottest was up to {above_K:.1f} K above it, and {there}."


def numbers(assessment: BuildAssessment) -> dict[str, Any]:
    """Return the settings that the numbers rest on."""
    reference, settings = assessment.reference, assessment.build.settings
    return {
        **{name: getattr(reference, name) for name in ("confidence_level", "cooling", "checks")},
        **{name: getattr(settings, name) for name in ("log", "ambient_log")},
        "customer": settings.keeps,
        "measurand": reference.settings.get("measurand"),
        "time_constant_min": assessment.reduced.time_constant_min,
        "acceptance": settings.acceptance.model_dump() | {"required_W": settings.acceptance.required_W},
        "uncertainty": settings.uncertainty.model_dump() | {"ambient_u_K": settings.ambient_u_K},
    }
