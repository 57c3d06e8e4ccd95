"""What would the answer be with other runs? Conclusions drawn again from runs that are reduced already."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Literal

from thermlab.compare.analysis import Analysis, conclude

if TYPE_CHECKING:
    from collections.abc import Iterator

    from thermlab.runs.records import ReducedRun
    from thermlab.runs.settled_runs import SettledRuns

Fate = Literal["left out", "put back"]


@dataclass(frozen=True, slots=True, kw_only=True)
class Influence:
    """What the answer would be without a run or a mount, or with one put back.

    Attributes
    ----------
    name : str
        The run, or the treatment and the mount.
    runs : tuple of str
        The runs whose fate was changed.
    fate : {"left out", "put back"}
        What was tried.
    difference_K, shift_K : dict of str to float or None
        By candidate: the difference then, and by how much it moves, K.
    verdicts : dict of str to str
        By candidate: the verdict then.
    changes : tuple of str
        Candidates whose verdict changes.
    """

    name: str
    runs: tuple[str, ...]
    fate: Fate
    difference_K: dict[str, float | None]
    shift_K: dict[str, float | None]
    verdicts: dict[str, str]
    changes: tuple[str, ...]

    @property
    def largest_shift_K(self) -> float | None:
        """The largest shift of any candidate with its sign, K; None where none can be had."""
        known = [shift for shift in self.shift_K.values() if shift is not None]
        return max(known, key=abs) if known else None


@dataclass(frozen=True, slots=True, kw_only=True)
class Trial:
    """The answer as it is, and as it would be.

    Attributes
    ----------
    left_out, put_back : tuple of str
        Runs whose fate was changed.
    before, after : Analysis
        Every result, without and with the change.
    """

    left_out: tuple[str, ...]
    put_back: tuple[str, ...]
    before: Analysis
    after: Analysis


def weigh(analysis: Analysis, settled: SettledRuns, name: str, runs: tuple[ReducedRun, ...]) -> Influence:
    """Draw the conclusions with the fate of some runs of one kind changed, and say what moves."""
    fate: Fate = "left out" if runs[0].used else "put back"
    names = {run.run for run in runs}
    out, back = (names, set()) if fate == "left out" else (set(), names)
    other = concluded(analysis, settled, left_out=out, put_back=back)
    was = {} if analysis.comparison is None else {item.treatment: item for item in analysis.comparison.treatments}
    then = {} if other.comparison is None else {item.treatment: item for item in other.comparison.treatments}
    differences = {candidate: then[candidate].difference_K if candidate in then else None for candidate in was}
    return Influence(
        name=name,
        runs=tuple(run.run for run in runs),
        fate=fate,
        difference_K=differences,
        shift_K={candidate: _less(differences[candidate], item.difference_K) for candidate, item in was.items()},
        verdicts={candidate: str(item.verdict) for candidate, item in then.items()},
        changes=tuple(c for c, item in was.items() if c not in then or then[c].verdict != item.verdict),
    )


def _less(one: float | None, other: float | None) -> float | None:
    return None if one is None or other is None else one - other


def weigh_mounts(analysis: Analysis, settled: SettledRuns) -> Iterator[Influence]:
    """Draw the conclusions without each mount in turn."""
    mounts: dict[tuple[str, str], list[ReducedRun]] = {}
    for run in settled.runs:
        if run.used:
            mounts.setdefault((run.treatment, run.mount), []).append(run)
    for (treatment, mount), runs in mounts.items():
        yield weigh(analysis, settled, f"{treatment}, mount {mount}", tuple(runs))


def concluded(analysis: Analysis, settled: SettledRuns, *, left_out: set[str], put_back: set[str]) -> Analysis:
    """Draw the conclusions of reduced runs again, with some left out and others put back."""

    def changed(run: ReducedRun) -> ReducedRun:
        if run.run in left_out:
            return replace(run, used=False, reason="tried without", held=None)
        return replace(run, used=True, reason="") if run.run in put_back else run

    tried = replace(settled, runs=tuple(map(changed, settled.runs)))
    return conclude(analysis.campaign, tried, sha256=analysis.sha256, overrides=analysis.overrides)
