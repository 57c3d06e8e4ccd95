"""Look at a campaign run by run: which to doubt first, what each weighs in the answer, and what if it were left out.

:func:`explore` reduces a campaign once and keeps everything a person may want to
look at. Every "what if" after that draws its conclusions again from the same
reduced runs: no log is read twice, no file is touched.
"""

import difflib
from collections.abc import Iterable, Iterator
from dataclasses import dataclass, replace
from operator import attrgetter
from pathlib import Path
from typing import Any, Literal

import numpy as np
import pandas as pd

from thermlab.base.errors import InputError, Problem, shown
from thermlab.campaign.folder import SETTINGS_NAME, Campaign
from thermlab.campaign.parameters import apply_overrides
from thermlab.compare.analysis import Analysis, analyse_runs, conclude
from thermlab.reports.wording import by_treatment
from thermlab.runs.records import ReducedRun
from thermlab.runs.settled_rise import Estimate
from thermlab.runs.settled_runs import SettledRuns

_RANK = {"unusable": 3, "doubtful": 2, "note": 1, None: 0}
Fate = Literal["left out", "put back"]
PIECE_S = 120.0
"""Residuals are averaged over so long, s, before the largest is named: shorter ones are noise."""


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
    settings : dict of str to (before, after)
        Settings that were changed.
    before, after : Analysis
        Every result, without and with the change.
    """

    left_out: tuple[str, ...]
    put_back: tuple[str, ...]
    settings: dict[str, tuple[Any, Any]]
    before: Analysis
    after: Analysis


@dataclass(frozen=True, slots=True)
class Doubt:
    """One run in the order of doubt.

    Attributes
    ----------
    run : ReducedRun
        The run with its flags.
    residual_K : float or None
        Largest two-minute mean of what the fitted approach leaves over in the fit window, with its sign, K.
    influence : Influence or None
        What the answer would be with its fate changed; None where it has no settled rise.
    """

    run: ReducedRun
    residual_K: float | None
    influence: Influence | None


@dataclass(frozen=True, slots=True)
class Exploration:
    """A campaign reduced once, with all that can be looked at.

    Attributes
    ----------
    campaign : Campaign
        As written, overrides applied.
    analysis : Analysis
        The answer as the report gives it.
    settled : SettledRuns
        Reduced runs and what is estimated over the whole bench.
    estimates : dict
        By run, for the runs that have readings, each with its trace.
    doubts : tuple of Doubt
        All runs, the most doubtful first.
    mounts : tuple of Influence
        The answer without each used mount.
    """

    campaign: Campaign
    analysis: Analysis
    settled: SettledRuns
    estimates: dict[str, Estimate]
    doubts: tuple[Doubt, ...]
    mounts: tuple[Influence, ...]

    def __repr__(self) -> str:
        out = sum(not doubt.run.used for doubt in self.doubts)
        return f"Exploration of {shown(self.campaign.settings.title)}: {len(self.doubts)} runs, {out} left out"


def campaigns(folder: str | Path = ".") -> tuple[Path, ...]:
    """List the campaign folders in a folder and one level below, as paths that can be explored."""
    root = Path(folder)
    found = {path.parent for pattern in ("", "*/", "*/*/") for path in root.glob(pattern + SETTINGS_NAME)}
    return tuple(sorted(path for path in found if not any(part.startswith(".") for part in path.parts if part != "..")))


def explore(campaign: str | Path, **overrides: Any) -> Exploration:
    """Read and reduce a campaign once, rank its runs by doubt and weigh each in the answer.

    Parameters
    ----------
    campaign : str or Path
        A campaign folder.
    **overrides
        What to try, as for a report: ``room_C``, ``temperature_C``, ``margin_K``, ``reference_power_W``,
        ``confidence_level``.

    Returns
    -------
    Exploration

    Raises
    ------
    InputError
        With every problem of the campaign's files.
    """
    analysis, settled = analyse_runs(campaign, **overrides)
    estimates = {estimate.trace.run: estimate for estimate in settled.bench.estimates}
    weigh = [run for run in settled.runs if run.rise_K is not None]
    influences = {run.run: _weigh(analysis, settled, run.run, (run,)) for run in weigh}
    left = {run.run: largest_residual_K(estimates.get(run.run)) for run in settled.runs}
    doubts = [Doubt(run, left[run.run], influences.get(run.run)) for run in settled.runs]
    ranked, mounts = tuple(sorted(doubts, key=_more_doubt_first)), tuple(_weigh_mounts(analysis, settled))
    return Exploration(analysis.campaign, analysis, settled, estimates, ranked, mounts)


def _more_doubt_first(doubt: Doubt) -> tuple[float, ...]:
    run = doubt.run
    serious = sum(flag.severity != "note" for flag in run.flags)
    return (-_RANK[run.worst()], -serious, -abs(doubt.residual_K or 0.0), run.order)


def residuals(estimate: Estimate) -> tuple[Any, Any]:
    """Return what the fitted approach leaves over.

    Parameters
    ----------
    estimate : Estimate
        A run's reduction.

    Returns
    -------
    time_s, residual_K : ndarray, shape (b,)
        Block means in the fit window; empty where nothing was fitted.
    """
    if estimate.fitted_K is None:
        return np.empty(0), np.empty(0)
    inside = estimate.time_s >= estimate.window_s[0]
    return estimate.time_s[inside], (estimate.rise_K - estimate.fitted_K)[inside]


def largest_residual_K(estimate: Estimate | None) -> float | None:
    """Return the largest two-minute mean residual with its sign, K; None where nothing was fitted."""
    if estimate is None:
        return None
    time_s, left = residuals(estimate)
    if not left.size:
        return None
    means = pd.Series(left).groupby((time_s - time_s[0]) // PIECE_S).mean()
    return float(means[means.abs().idxmax()])


def chosen(found: Exploration, run: str = "") -> Doubt:
    """Return one run by name, the most doubtful one without a name.

    Raises
    ------
    InputError
        Where there is no such run.
    """
    named = {doubt.run.run: doubt for doubt in found.doubts}
    if run and run not in named:
        raise InputError([unknown_run("run", run, list(named))])
    return named[run] if run else found.doubts[0]


def unknown_run(where: str, name: str, known: list[str]) -> Problem:
    """Return what is wrong with a name that no run has."""
    near = difflib.get_close_matches(name, known, n=3, cutoff=0.3) or known[:3]
    return Problem(where, shown(name), "a run of the run sheet; nearest: " + ", ".join(shown(n) for n in near))


def beside(found: Exploration, run: str = "", *, by: Literal["mount", "step"] = "mount") -> tuple[ReducedRun, ...]:
    """Return the runs of the same mount, or of the same power step, in the order made.

    Raises
    ------
    InputError
        Where there is no such run.
    """
    shared = attrgetter("treatment", "mount") if by == "mount" else attrgetter("set_power_W")
    own = shared(chosen(found, run).run)
    return tuple(one for one in found.settled.runs if shared(one) == own)


def heaviest(found: Exploration) -> tuple[str, ...]:
    """Return the runs of the mount that moves the answer most, to try without; empty without a comparison."""
    known = [mount for mount in found.mounts if mount.largest_shift_K is not None]
    return max(known, key=lambda mount: abs(mount.largest_shift_K or 0.0)).runs if known else ()


def heaviest_first(influences: Iterable[Influence]) -> list[Influence]:
    """Sort what was tried: what changes a verdict first, then by how far the answer moves."""
    return sorted(influences, key=lambda one: (not one.changes, -abs(one.largest_shift_K or 0.0)))


def try_exclusions(
    found: Exploration, leave_out: Iterable[str] = (), put_back: Iterable[str] = (), **tried: float | None
) -> Trial:
    """Draw the conclusions again with some runs left out and others put back; nothing is written.

    The runs keep their settled rises. Once an exclusion stands in the run sheet, the time constant and the curve of
    the bench are also found without the run, which can move the answer a little further.

    Parameters
    ----------
    found : Exploration
        A campaign that was reduced.
    leave_out, put_back : iterable of str
        Names of runs.
    **tried
        Settings to try as well, as for :func:`explore`.

    Returns
    -------
    Trial

    Raises
    ------
    InputError
        For unknown runs, for runs without a settled rise that were to be put back, for runs named twice, and for
        settings that cannot be.
    """
    runs = {run.run: run for run in found.settled.runs}
    out, back = tuple(dict.fromkeys(leave_out)), tuple(dict.fromkeys(put_back))
    asked = [("leave_out", name) for name in out] + [("put_back", name) for name in back]
    problems = [unknown_run(where, name, list(runs)) for where, name in asked if name not in runs]
    problems += [Problem("put_back", f"{shown(n)}, also to be left out", "one or the other") for n in back if n in out]
    problems += [
        Problem("put_back", f"{shown(name)}, which has no settled rise", "a run with a settled rise at its set power")
        for name in back
        if name in runs and runs[name].rise_K is None
    ]
    if problems:
        raise InputError(problems)
    settings, changed = apply_overrides(found.campaign.settings, **tried)
    earlier = found.analysis.overrides
    overrides = earlier | {name: (earlier.get(name, pair)[0], pair[1]) for name, pair in changed.items()}
    base = replace(found.analysis, campaign=replace(found.campaign, settings=settings), overrides=overrides)
    after = _concluded(base, found.settled, left_out=set(out), put_back=set(back))
    return Trial(left_out=out, put_back=back, settings=changed, before=found.analysis, after=after)


def _weigh(analysis: Analysis, settled: SettledRuns, name: str, runs: tuple[ReducedRun, ...]) -> Influence:
    """Draw the conclusions with the fate of some runs of one kind changed, and say what moves."""
    fate: Fate = "left out" if runs[0].used else "put back"
    names = {run.run for run in runs}
    out, back = (names, set()) if fate == "left out" else (set(), names)
    other = _concluded(analysis, settled, left_out=out, put_back=back)
    was, then = by_treatment(analysis.comparison), by_treatment(other.comparison)
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


def _weigh_mounts(analysis: Analysis, settled: SettledRuns) -> Iterator[Influence]:
    """Draw the conclusions without each mount in turn."""
    used = [run for run in settled.runs if run.used]
    for treatment, mount in dict.fromkeys((run.treatment, run.mount) for run in used):
        own = tuple(run for run in used if (run.treatment, run.mount) == (treatment, mount))
        yield _weigh(analysis, settled, f"{treatment}, mount {mount}", own)


def _concluded(analysis: Analysis, settled: SettledRuns, *, left_out: set[str], put_back: set[str]) -> Analysis:
    """Draw the conclusions of reduced runs again, with some left out and others put back."""

    def changed(run: ReducedRun) -> ReducedRun:
        if run.run in left_out:
            return replace(run, used=False, reason="tried without", held=None)
        return replace(run, used=True, reason="") if run.run in put_back else run

    tried = replace(settled, runs=tuple(map(changed, settled.runs)))
    return conclude(analysis.campaign, tried, sha256=analysis.sha256, overrides=analysis.overrides)
