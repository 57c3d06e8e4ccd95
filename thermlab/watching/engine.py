"""Follow a run under way: which run it is, where it is heading, and when it may end."""

from __future__ import annotations

import time
from dataclasses import replace
from typing import TYPE_CHECKING

import numpy as np

from thermlab.base.errors import InputError, Problem, shown
from thermlab.campaign.folder import load_campaign
from thermlab.campaign.runsheet import NOT_MADE
from thermlab.logs.log import read_room_log
from thermlab.logs.times import parse_time
from thermlab.runs.reading import cut_run
from thermlab.runs.records import raise_flag
from thermlab.runs.settled_runs import BenchReduction, estimate_under_way, reduce_bench
from thermlab.runs.time_constant import BenchTimeConstant, decay
from thermlab.runs.trace import Trace, block_means
from thermlab.watching.alarms import find_alarms
from thermlab.watching.records import Look
from thermlab.watching.tail import Tail

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator
    from pathlib import Path

    from thermlab.campaign.runsheet import RunLine
    from thermlab.campaign.settings import CampaignSettings
    from thermlab.logs.log import Log, RoomLog
    from thermlab.runs.records import Flag
    from thermlab.runs.settled_rise import Estimate

LEFT_K = 0.5
SURE_SHARE_OF_MARGIN = 0.1
ONE_SIDED_95 = 1.645
SILENT_S = 60.0
BETWEEN_LOOKS_S = 10.0


class Watch:
    """A campaign with a run under way.

    Parameters
    ----------
    campaign : str or Path
        Its folder; only read.
    run : str, optional
        Name of the run; default: the run the readings have come to in the log that grew last.
    clock : callable, optional
        Returns the time of day as files are stamped, s.

    Attributes
    ----------
    estimate : Estimate or None
        What the last look made of the run, for a picture; None before its first readings.

    Raises
    ------
    InputError
        Where the campaign cannot be read or has no such run.
    """

    def __init__(self, campaign: str | Path, run: str | None = None, *, clock: Callable[[], float] = time.time) -> None:
        self.campaign = load_campaign(campaign)
        names = [line.run for line in self.campaign.runs]
        if run is not None and run not in names:
            raise InputError([Problem("RUN", shown(run), f"a run of runs.csv: {', '.join(map(shown, names[:30]))}")])
        self._named = run
        self._clock = clock
        self._tails: dict[str, Tail] = {}
        self._room: tuple[float, RoomLog] | None = None
        self._known: tuple[str, BenchReduction | None] | None = None
        self.estimate: Estimate | None = None

    def look(self) -> Look:
        """Read what is new and say where the run stands.

        Returns
        -------
        Look

        Raises
        ------
        InputError
            With each line of the log that is not as declared.
        """
        name = self._log_name()
        log = self._tail(name).grow()
        line = self._line(name, log)
        trace = None if log is None else self._cut(line, log)
        self.estimate = None
        if log is None or trace is None or trace.time_s.size < 4:
            return Look(run=line.run, alarms=self._silence(name, 0.0))
        settings = self.campaign.settings
        known = self._finished_runs(line.run)
        blocks = block_means(trace)
        estimate, constant = estimate_under_way(trace, blocks, settings, known)
        self.estimate = estimate
        finished = bool(line.end) and trace.finished
        alarms = find_alarms(trace, blocks, estimate, constant, settings, known)
        silence = () if finished else self._silence(name, trace.interval_s)
        told = (*silence, *alarms)
        stands = look_at(line.run, trace, estimate, constant, settings)
        sound = all(alarm.severity == "note" for alarm in told)
        return replace(stands, ready=stands.ready and sound, finished=finished, alarms=told)

    def next_run(self, run: str) -> str | None:
        """Return the run that the run sheet has after this one; None after the last."""
        names = [line.run for line in self.campaign.runs if line.exclude in ("", NOT_MADE) or line.run == run]
        after = names[names.index(run) + 1 :]
        return after[0] if after else None

    def _log_name(self) -> str:
        if self._named is not None:
            return next(line.log for line in self.campaign.runs if line.run == self._named)
        present = {line.log for line in self.campaign.runs if line.log and (self.campaign.folder / line.log).is_file()}
        if not present:
            raise InputError([Problem("runs.csv (log)", "no log that exists", "the log of the run under way")])
        return max(sorted(present), key=self._grew)

    def _grew(self, name: str) -> float:
        return (self.campaign.folder / name).stat().st_mtime

    def _tail(self, name: str) -> Tail:
        path = self.campaign.folder / name
        if not path.is_file():
            raise InputError(
                [Problem(name or "runs.csv (log)", "no such file", "a log that exists: start it before switching on")]
            )
        return self._tails.setdefault(name, Tail(path, self.campaign.settings.how_read, name))

    def _line(self, name: str, log: Log | None) -> RunLine:
        """Return the named run, or the last one of a log that had begun when its last row was written."""
        if self._named is not None:
            return next(line for line in self.campaign.runs if line.run == self._named)
        lines = [line for line in self.campaign.runs if line.log == name]
        begun = [line for line in lines if log is not None and self._starts_s(line) <= float(log.raw_time_s[-1])]
        return max(begun or lines[:1], key=self._starts_s)

    def _starts_s(self, line: RunLine) -> float:
        return parse_time(line.start, self.campaign.settings.how_read.time) if line.start else -np.inf

    def _cut(self, line: RunLine, log: Log) -> Trace | None:
        begins = {self._starts_s(other) for other in self.campaign.runs if other.log == line.log and other.start}
        return cut_run(self.campaign, line, log, self._room_now(), begins)

    def _room_now(self) -> RoomLog | float | None:
        settings = self.campaign.settings
        if settings.ambient_constant is not None:
            return float(settings.ambient_constant.value_C)
        if settings.ambient_log is None:
            return None
        name = settings.ambient_log.file
        changed = self._grew(name)
        if self._room is None or self._room[0] != changed:
            self._room = (changed, read_room_log(self.campaign.folder / name, settings.ambient_log, name=name))
        return self._room[1]

    def _finished_runs(self, run: str) -> BenchReduction | None:
        """Reduce the finished runs once for each run that is watched: their time constant is what is known before."""
        if self._known is None or self._known[0] != run:
            traces = list(self._finished_traces(run))
            self._known = (run, reduce_bench(traces, self.campaign.settings) if traces else None)
        return self._known[1]

    def _finished_traces(self, run: str) -> Iterator[Trace]:
        for name in dict.fromkeys(line.log for line in self.campaign.runs if line.log and not line.exclude):
            try:
                log = self._tail(name).grow()
            except InputError:
                continue  # a bad log of another run is the business of `check`
            for line in self.campaign.runs:
                if log is None or line.log != name or line.exclude or line.run == run:
                    continue
                trace = self._cut(line, log)
                if trace is not None and trace.finished:
                    yield trace

    def _silence(self, name: str, interval_s: float) -> tuple[Flag, ...]:
        silent_s = self._clock() - self._grew(name)
        if silent_s <= max(SILENT_S, 5.0 * interval_s):
            return ()
        return (raise_flag("gap", "doubtful", f"The log has not grown for {silent_s / 60.0:.0f} min.", gap_s=silent_s),)


def look_at(
    run: str, trace: Trace, estimate: Estimate, constant: BenchTimeConstant | None, settings: CampaignSettings
) -> Look:
    """Say where a run stands, whatever may be wrong with it.

    Parameters
    ----------
    run : str
        Its name.
    trace, estimate, constant : Trace, Estimate, BenchTimeConstant or None
        The run so far, and what it says.
    settings : CampaignSettings
        Margin and thresholds.

    Returns
    -------
    Look
        Without alarms.
    """
    soak_min = trace.soak_s / 60.0
    level, left, u = estimate.level_K, estimate.left_K, estimate.u_a_K
    if constant is None or level is None or left is None or u is None:
        rise = float(estimate.rise_K[-5:].mean()) if estimate.rise_K.size else None
        return Look(run=run, soak_min=soak_min, rise_K=rise)
    tau = constant.time_constant_s
    bound, wanted_u = (abs(left) + ONE_SIDED_95 * u, SURE_SHARE_OF_MARGIN * settings.decision.margin_K)
    trusted = trace.soak_s >= settings.checks.trusted_soak_time_constants * tau
    return Look(
        run=run,
        soak_min=soak_min,
        rise_K=level - left,
        settled_rise_K=level,
        u_K=u,
        left_K=left,
        left_bound_K=bound,
        minutes_to_settle=max(0.0, tau * float(np.log(max(abs(left), 1e-9) / LEFT_K))) / 60.0,
        minutes_to_sure=_until_sure(u, wanted_u, trace.soak_s - estimate.window_s[0], tau) / 60.0,
        ready=trusted and bound <= LEFT_K and u <= wanted_u,
    )


def _until_sure(u_K: float, wanted_K: float, window_s: float, tau_s: float) -> float:
    """Seconds until the fit is sure enough, from how its design grows with the window at the noise seen so far."""
    if u_K <= wanted_K:
        return 0.0
    ahead = np.linspace(0.0, 8.0 * tau_s, 81)
    weight = np.array([_level_variance(window_s + more, tau_s) for more in ahead])
    sure = np.flatnonzero(u_K * np.sqrt(weight / weight[0]) <= wanted_K)
    return float(ahead[sure[0]] if sure.size else ahead[-1])


def _level_variance(window_s: float, tau_s: float) -> float:
    times = np.linspace(-window_s, 0.0, 101)
    shape = decay(times, tau_s, end_s=0.0)
    return float((1.0 + shape.mean() ** 2 / max(shape.var(), 1e-12)) / window_s)


def watch(campaign: str | Path, run: str | None = None) -> Watch:
    """Begin to follow a run under way; see :class:`Watch`."""
    return Watch(campaign, run)


def follow(campaign: str | Path, run: str | None = None, *, once: bool = False) -> Iterator[Look]:
    """Look every few seconds until the run has reached its declared end, or once.

    Parameters
    ----------
    campaign : str or Path
        Its folder.
    run : str, optional
        Which run; default: that of the log that grew last.
    once : bool
        Look only once.

    Yields
    ------
    Look
    """
    watched = Watch(campaign, run)
    while True:
        look = watched.look()
        yield look
        if once or look.finished:
            return
        time.sleep(BETWEEN_LOOKS_S)
