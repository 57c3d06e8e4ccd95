"""Whether a finished machine is where it should be, and keeps what the customer needs.

Two questions, and one verdict by a rule set beforehand:

- Is its rise at each power step inside the interval in which a fresh mount of
  its treatment was expected (:mod:`thermlab.builds.expectations`)?
- At which power will it reach its limit in the customer's room
  (:mod:`thermlab.builds.throttle`)?

pass: the whole interval of that power lies at or above what is required, and
every rise is inside its interval. fail: the whole interval lies short of what
is required. refer: anything else; a person has to look.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Any, Literal

from thermlab.builds.expectations import Expected, expected_rises
from thermlab.builds.throttle import BuildThrottle, build_throttle

if TYPE_CHECKING:
    from collections.abc import Iterator, Sequence

    from thermlab.builds.references import Reference
    from thermlab.builds.runs import BuildRuns
    from thermlab.builds.settings import Build
    from thermlab.reports.photos import Photo
    from thermlab.runs.records import ReducedRun

BuildVerdict = Literal["pass", "refer", "fail"]
ROOM_OFF_K = 3.0


@dataclass(frozen=True, slots=True, kw_only=True)
class BuildAssessment:
    """What was found about a finished machine.

    Attributes
    ----------
    build : Build
        What the user wrote.
    reference : Reference
        The campaign it is held against.
    runs : tuple of ReducedRun
        Its acceptance runs.
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
    sha256 : dict of str to str
        Checksum of every input, by its path in the build folder.
    """

    build: Build
    reference: Reference
    runs: tuple[ReducedRun, ...]
    rises: tuple[Expected, ...]
    throttle: BuildThrottle
    verdict: BuildVerdict
    verdict_reason: str
    photos: tuple[Photo, ...]
    cautions: tuple[str, ...]
    sha256: dict[str, str]

    def summary(self) -> str:
        """Return verdict, reason and cautions as text."""
        settings = self.build.settings
        lines = [f"{settings.build}, {settings.title}: {self.verdict}: {self.verdict_reason}"]
        return "\n".join([*lines, *(f"caution: {text}" for text in self.cautions)])

    def __str__(self) -> str:
        return self.summary()


def assess(build: Build, reference: Reference, reduced: BuildRuns, photos: tuple[Photo, ...] = ()) -> BuildAssessment:
    """Assess a build from its reduced runs.

    Parameters
    ----------
    build : Build
        What the user wrote.
    reference : Reference
        The campaign it is held against; it has the build's treatment.
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
    verdict, reason = judge(rises, throttle)
    return BuildAssessment(
        build=build,
        reference=reference,
        runs=reduced.runs,
        rises=rises,
        throttle=throttle,
        verdict=verdict,
        verdict_reason=reason,
        photos=photos,
        cautions=tuple(_cautions(build, reference, reduced, rises, throttle)),
        sha256=dict(reduced.sha256),
    )


def judge(rises: Sequence[Expected], throttle: BuildThrottle) -> tuple[BuildVerdict, str]:
    """Apply the rule.

    Parameters
    ----------
    rises : sequence of Expected
        One entry a power step.
    throttle : BuildThrottle
        Power at the limit against what is required.

    Returns
    -------
    verdict : {"pass", "refer", "fail"}
        What is shown.
    reason : str
        One sentence.
    """
    required = f"{throttle.required_W:g} W"
    if throttle.interval_W is None:
        return "refer", f"no throttle power can be given: {throttle.reason}"
    low, high = throttle.interval_W
    if high < throttle.required_W:
        return "fail", f"the whole interval of the throttle power lies short of the {required} required"
    outside = [one for one in rises if one.inside is False]
    if outside:
        sides = {
            "warmer" if one.rise_K > one.interval_K[1] else "cooler" for one in outside if one.interval_K is not None
        }
        return "refer", f"it runs {' and '.join(sorted(sides))} than a fresh mount of its treatment was expected to"
    if any(one.inside is None for one in rises):
        return "refer", "the campaign does not say how far a fresh mount may be off: its mounts were not replicated"
    if low < throttle.required_W:
        return "refer", f"the interval of the throttle power reaches below the {required} required"
    return "pass", f"the whole interval of the throttle power lies at or above the {required} required"


def _campaign_cautions(reference: Reference) -> Iterator[str]:
    if reference.time_constant_min is None:
        yield "The campaign gives no time constant of the bench: the settled rises are means over the steady end."
    if reference.dropped_checks:
        yield (
            "The campaign's report comes from another version, with thresholds of run checks that this one does not "
            f"have ({', '.join(reference.dropped_checks)}): they do not count here."
        )


def _cautions(
    build: Build, reference: Reference, reduced: BuildRuns, rises: Sequence[Expected], throttle: BuildThrottle
) -> Iterator[str]:
    settings = build.settings
    for run in reduced.runs:
        if not run.used:
            yield f"Run {run.run} is not used: {run.reason}."
        for flag in run.flags:
            if flag.severity == "doubtful" and run.used:
                yield f"Run {run.run} is doubtful: {flag.reason}"
    yield from _campaign_cautions(reference)
    steps = {run.set_power_W for run in reference.runs if run.used}
    other = [one.set_power_W for one in rises if one.set_power_W not in steps]
    if other:
        shown = ", ".join(f"{power:g} W" for power in other)
        yield f"The campaign has no step at {shown}: what was expected there comes from its rise curve."
    rooms = [run.ambient_C for run in reduced.runs if run.used and run.ambient_C is not None]
    room = settings.customer.room_C
    if rooms and room - max(rooms) > ROOM_OFF_K and reference.cooling == "passive":
        yield (
            "The acceptance room was cooler than the customer's: a passive machine there throttles at a little more "
            "power than said (safe)."
        )
    if rooms and room - max(rooms) > ROOM_OFF_K and reference.cooling == "forced":
        yield (
            "The acceptance room was cooler than the customer's: with fans at constant speed the machine throttles "
            "there at less power than said (not safe)."
        )
    if any(one.n_mounts == 1 for one in rises):
        yield "The campaign has one mount of this treatment: what was expected rests on the scatter of others."
    if settings.ambient_constant is not None:
        yield "The room was read off a thermometer and not logged."
    if throttle.extrapolation is not None and throttle.extrapolation > 0.0:
        yield f"The throttle power lies {throttle.extrapolation:.0%} above the campaign's highest step."
    yield from reduced.notes


def numbers(assessment: BuildAssessment) -> dict[str, Any]:
    """Return the settings that the numbers rest on."""
    reference, settings = assessment.reference, assessment.build.settings
    return {
        "confidence_level": reference.confidence_level,
        "cooling": reference.cooling,
        "measurand": reference.settings.get("measurand"),
        "customer": settings.customer.model_dump(),
        "acceptance": settings.acceptance.model_dump() | {"required_W": settings.acceptance.required_W},
        "uncertainty": settings.uncertainty.model_dump() | {"ambient_u_K": settings.ambient_u_K},
        "checks": reference.checks,
        "log": settings.log.model_dump(),
        "ambient_log": None if settings.ambient_log is None else settings.ambient_log.model_dump(),
    }
