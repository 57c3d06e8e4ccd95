"""How the numbers were made, in words, with what was used."""

from __future__ import annotations

from typing import TYPE_CHECKING

from thermlab.base.phrases import decimals_for, number, percent, watts
from thermlab.reports.wording import settings_of

if TYPE_CHECKING:
    from thermlab.compare.analysis import Analysis
    from thermlab.compare.records import Comparison


def power_range(analysis: Analysis) -> str:
    """Say which power steps were run."""
    steps = sorted({run.set_power_W for run in analysis.runs})
    if not steps:
        return "no runs"
    return watts(steps[0]) if len(steps) == 1 else f"{len(steps)} power steps from {steps[0]:g} to {steps[-1]:g} W"


def summary(analysis: Analysis) -> str:
    """Say what the report is made from, in one line."""
    mounts = {(run.treatment, run.mount) for run in analysis.runs}
    used = sum(run.used for run in analysis.runs)
    treatments = len({run.treatment for run in analysis.runs})
    counted = (
        f"{treatments} treatment{'s' if treatments != 1 else ''}, {len(mounts)} mount{'s' if len(mounts) != 1 else ''}"
    )
    return f"{counted}, {len(analysis.runs)} runs ({used} used), {power_range(analysis)}"


def method_words(analysis: Analysis) -> tuple[str, ...]:
    """Say how the numbers were made, with what was used."""
    bench = analysis.bench
    paragraphs = [_reduction_words(analysis)]
    comparison = analysis.comparison
    if comparison is not None:
        paragraphs.append(_comparison_words(analysis, comparison))
    if bench.prior is not None:
        paragraphs.append(
            "A prior standard deviation between mounts, from earlier campaigns, is pooled with this one; "
            "its degrees of freedom were halved."
        )
    if analysis.throttle is not None:
        paragraphs.append(
            f"Throttle power: the rise is fitted by {analysis.throttle.model} and solved for the rise that is left "
            "between the customer's room and the limit of the device; the mounts of a treatment are then averaged. "
            "The confidence interval is for the mean of all mounts one could make, the wider prediction interval is "
            "where a single future mount is expected."
        )
    return tuple(paragraphs)


def _reduction_words(analysis: Analysis) -> str:
    bench = analysis.bench
    text = (
        "Each run gives one number, the settled rise: readings are averaged in blocks, the room temperature is taken "
        "as the slow sink feels it (low-passed with the time constant of the bench), and an exponential approach with "
        "that time constant gives the rise the run tends to, at the set power."
    )
    if bench.time_constant_min is not None:
        decimals = decimals_for(bench.u_time_constant_min)
        text += f" Time constant of this bench: {number(bench.time_constant_min, decimals)} min"
        if bench.u_time_constant_min is not None:
            text += f" (standard uncertainty {number(bench.u_time_constant_min, decimals)} min)"
        text += "."
    return text


def _comparison_words(analysis: Analysis, comparison: Comparison) -> str:
    margin, level = settings_of(analysis)
    text = (
        "Comparison: the mount is the experimental unit; repeats on one mount are averaged. "
        f"Estimand: {comparison.estimand}. Method: {comparison.method}."
    )
    if comparison.mount_sd_K is not None:
        text += f" Standard deviation between mounts: {comparison.mount_sd_K:.2g} K."
    if comparison.dof is not None:
        text += f" Degrees of freedom: {comparison.dof:.3g}."
    if comparison.critical_value is not None:
        text += f" Critical value of the intervals: {comparison.critical_value:.3f}."
    return text + (
        f" Confidence level {percent(level)}. Equivalence is claimed where two one-sided tests, each at "
        f"{percent(round(1.0 - level, 9))}, both show the difference to be inside ± {margin:g} K. "
        "The p values never set a verdict."
    )
