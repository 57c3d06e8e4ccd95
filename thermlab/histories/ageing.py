"""Does a mount change with age? Repeats on one mount, weeks or heat cycles apart.

The age of a run is read from the ``condition`` of the run sheet: a number with
a word, such as ``day 42``, ``6 weeks`` or ``cycle 50``. Per mount a straight line
is fitted to resistance against age, with a level of its own at each power step;
the mounts' slopes are then the units that are averaged. A rising resistance is
what pump-out or drying looks like, a falling one what curing or bedding in does.
"""

from __future__ import annotations

import math
import re
from collections import defaultdict
from dataclasses import dataclass
from typing import TYPE_CHECKING

from scipy.special import stdtrit

if TYPE_CHECKING:
    from collections.abc import Iterable, Sequence

    from thermlab.archives.filed_results import FiledCampaign

_AGE = re.compile(r"(?P<before>[^\W\d_]*)\s*(?P<number>\d+(?:\.\d+)?)\s*(?P<after>[^\W\d_]*)\s*\Z")


@dataclass(frozen=True, slots=True, kw_only=True)
class AgedRun:
    """One run of a mount at an age.

    Attributes
    ----------
    age : float
        In the unit of the trend.
    power_W : float
        Power step, W.
    resistance_K_per_W : float
        Settled rise over set power, K/W.
    """

    age: float
    power_W: float
    resistance_K_per_W: float


@dataclass(frozen=True, slots=True, kw_only=True)
class AgedMount:
    """A mount that was run at several ages.

    Attributes
    ----------
    campaign, mount : str
        Title of the campaign, name of the mount.
    runs : tuple of AgedRun
        By age.
    slope_K_per_W : float
        Change of resistance per unit of age, K/W.
    """

    campaign: str
    mount: str
    runs: tuple[AgedRun, ...]
    slope_K_per_W: float


@dataclass(frozen=True, slots=True, kw_only=True)
class AgeTrend:
    """Change of a treatment with age on one bench.

    Attributes
    ----------
    bench, treatment : str
        Where and what.
    unit : str
        Unit of age, as in the run sheet.
    mounts : tuple of AgedMount
        Every mount with at least two ages at one step.
    slope_K_per_W : float
        Mean change of resistance per unit of age, K/W.
    interval_K_per_W : tuple of float or None
        Its confidence interval.
    power_W : float
        Highest step, for the change in K.
    finding : str
        In words.
    cautions : tuple of str
        What limits it.
    """

    bench: str
    treatment: str
    unit: str
    mounts: tuple[AgedMount, ...]
    slope_K_per_W: float
    interval_K_per_W: tuple[float, float] | None
    power_W: float
    finding: str
    cautions: tuple[str, ...]


def parse_age(condition: str) -> tuple[float, str] | None:
    """Read an age from a condition.

    Examples
    --------
    >>> parse_age("day 42"), parse_age("6 weeks"), parse_age("Cycle 50"), parse_age("as new")
    ((42.0, 'day'), (6.0, 'week'), (50.0, 'cycle'), None)
    """
    match = _AGE.match(condition.strip())
    if match is None or bool(match["before"]) == bool(match["after"]):
        return None
    word = (match["before"] or match["after"]).casefold()
    return float(match["number"]), word[:-1] if word.endswith("s") and len(word) > 2 else word


def age_trends(campaigns: Iterable[FiledCampaign], *, confidence_level: float = 0.95) -> tuple[AgeTrend, ...]:
    """Find every treatment with mounts that were run at several ages.

    Parameters
    ----------
    campaigns : iterable of FiledCampaign
        With runs whose ``condition`` gives an age.
    confidence_level : float
        Of the intervals.

    Returns
    -------
    tuple of AgeTrend
        By bench, treatment and unit of age.
    """
    groups: dict[tuple[str, str, str], list[AgedMount]] = defaultdict(list)
    for campaign in campaigns:
        found: dict[tuple[str, str, str], list[AgedRun]] = defaultdict(list)
        for run in campaign.runs:
            age = parse_age(run.condition)
            if age is None or not run.used or run.rise_K is None:
                continue
            aged = AgedRun(age=age[0], power_W=run.set_power_W, resistance_K_per_W=run.rise_K / run.set_power_W)
            found[run.treatment, run.mount, age[1]].append(aged)
        for (treatment, mount, unit), runs in found.items():
            slope = _slope(runs)
            if slope is not None:
                ordered = tuple(sorted(runs, key=lambda run: (run.age, run.power_W)))
                groups[campaign.bench, treatment, unit].append(
                    AgedMount(campaign=campaign.title, mount=mount, runs=ordered, slope_K_per_W=slope)
                )
    return tuple(_trend(key, mounts, confidence_level) for key, mounts in sorted(groups.items()))


def _centred(runs: Sequence[AgedRun]) -> tuple[list[tuple[float, float]], int]:
    """Return ages and resistances less their means at each step, and the number of steps."""
    steps: dict[float, list[AgedRun]] = defaultdict(list)
    for run in runs:
        steps[run.power_W].append(run)
    pairs = []
    for own in steps.values():
        age = math.fsum(run.age for run in own) / len(own)
        level = math.fsum(run.resistance_K_per_W for run in own) / len(own)
        pairs += [(run.age - age, run.resistance_K_per_W - level) for run in own]
    return pairs, len(steps)


def _slope(runs: Sequence[AgedRun]) -> float | None:
    pairs, _ = _centred(runs)
    spread = math.fsum(x * x for x, _ in pairs)
    return math.fsum(x * y for x, y in pairs) / spread if spread > 0.0 else None


def _trend(key: tuple[str, str, str], mounts: Sequence[AgedMount], confidence_level: float) -> AgeTrend:
    bench, treatment, unit = key
    slopes = [mount.slope_K_per_W for mount in mounts]
    mean = math.fsum(slopes) / len(slopes)
    cautions = []
    if len(mounts) > 1:
        dof = len(mounts) - 1
        u = math.sqrt(math.fsum((slope - mean) ** 2 for slope in slopes) / dof / len(mounts))
    else:
        dof, u = _own_error(mounts[0])
        cautions.append("One mount only: the interval is that of this mount and says nothing of others.")
    interval = None
    if dof > 0 and u > 0.0:
        half = float(stdtrit(dof, 0.5 + confidence_level / 2.0)) * u
        interval = (mean - half, mean + half)
    else:
        cautions.append("Too few runs for an interval: one repeat more, or one mount more, would give one.")
    power = max(run.power_W for mount in mounts for run in mount.runs)
    return AgeTrend(
        bench=bench,
        treatment=treatment,
        unit=unit,
        mounts=tuple(mounts),
        slope_K_per_W=mean,
        interval_K_per_W=interval,
        power_W=power,
        finding=_words(interval),
        cautions=tuple(cautions),
    )


def _own_error(mount: AgedMount) -> tuple[int, float]:
    pairs, n_steps = _centred(mount.runs)
    dof = len(pairs) - n_steps - 1
    if dof <= 0:
        return 0, 0.0
    left = math.fsum((y - mount.slope_K_per_W * x) ** 2 for x, y in pairs)
    return dof, math.sqrt(left / dof / math.fsum(x * x for x, _ in pairs))


def _words(interval: tuple[float, float] | None) -> str:
    if interval is None:
        return "not settled"
    if interval[0] > 0.0:
        return "the resistance rises with age, as with pump-out or drying"
    if interval[1] < 0.0:
        return "the resistance falls with age, as with curing or bedding in"
    return "no trend is shown"
