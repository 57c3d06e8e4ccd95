"""Follow a run under way: its log as it grows, which run it is, where it is heading, and when it may end."""

import codecs
import time
from collections.abc import Callable, Iterator
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np

from thermlab.base.errors import InputError, Problem, shown
from thermlab.campaign.folder import load_campaign
from thermlab.campaign.runsheet import NOT_MADE, RunLine
from thermlab.campaign.settings import CampaignSettings
from thermlab.logs.log import Log, NoRowsYetError, RoomLog, read_log
from thermlab.logs.settings import LogSettings
from thermlab.logs.times import parse_time
from thermlab.runs.reading import cut_run, read_room
from thermlab.runs.records import Flag, raise_flag
from thermlab.runs.settled_rise import Estimate
from thermlab.runs.settled_runs import BenchReduction, estimate_under_way, reduce_bench
from thermlab.runs.time_constant import COOLINGS, SHOWN_BY_ONE_SOAK, decay
from thermlab.runs.trace import Trace
from thermlab.watching.alarms import find_alarms
from thermlab.watching.records import Look

LEFT_K = 0.5
SURE_SHARE_OF_MARGIN = 0.1
ONE_SIDED_95 = 1.645
NOT_SHOWN = (
    "no finished run tells how fast the bench is, and this one not before its soak is four time constants long, at "
    "least {:.0f} min"
)
SILENT_S = 60.0
BETWEEN_LOOKS_S = 10.0
_HEAD_BYTES = 256
_LONGEST_HEAD = 500
_READINGS = ("temperature_C", "power_W", "clock_MHz", "ambient_C")


class Tail:
    """Readings of one log so far: a look costs the bytes that are new, and the file is open only while they are read.

    Parameters
    ----------
    path : Path
        The log.
    settings : LogSettings
        How it is written.
    name : str
        What problems call it.

    Attributes
    ----------
    log : Log or None
        All whole rows so far; None before there are two.
    """

    def __init__(self, path: Path, settings: LogSettings, name: str) -> None:
        self.path, self.settings, self.name = path, settings, name
        self._begin_again()

    def _begin_again(self) -> None:
        self.log: Log | None = None
        self._decoder = codecs.getincrementaldecoder(self.settings.encoding)(errors="replace")
        self._read, self._first, self._pending, self._head, self._last = 0, b"", "", "", ""

    def grow(self) -> Log | None:
        """Read what is new; a log that was cut or replaced is read again from its beginning.

        Returns
        -------
        Log or None

        Raises
        ------
        InputError
            With each line that is not as declared.
        """
        with self.path.open("rb") as stream:
            size = stream.seek(0, 2)
            stream.seek(0)
            first = stream.read(_HEAD_BYTES)
            if size < self._read or not first.startswith(self._first):
                self._begin_again()
            self._first = first
            stream.seek(self._read)
            new = stream.read(size - self._read)
        self._read += len(new)
        text = self._pending + self._decoder.decode(new)
        whole = max(text.rfind("\n"), text.rfind("\r")) + 1
        self._pending = text[whole:]
        if text[:whole].strip():
            self._take(text[:whole])
        return self.log

    def _take(self, text: str) -> None:
        if self.log is None:
            try:
                self.log = self._parse(text)
            except NoRowsYetError:
                self._pending = text + self._pending
                return
            self._keep_head(text)
        else:
            try:
                self.log = _joined(self.log, self._parse(self._head + self._last + text))
            except InputError:
                self.log = read_log(self.path, self.settings, name=self.name)  # its problems name the right lines
        self._last = next(line for line in reversed(text.splitlines(keepends=True)) if line.strip())

    def _parse(self, text: str) -> Log:
        """Read rows through the one reader of logs."""
        as_text = self.settings.model_copy(update={"encoding": "utf-8"})
        return read_log(self.path, as_text, name=self.name, raw=text.encode())

    def _keep_head(self, text: str) -> None:
        """Find what stands before the rows: the shortest beginning that can be read holds two of them."""
        lines = text.splitlines(keepends=True)
        for count in range(2, min(len(lines), _LONGEST_HEAD) + 1):
            try:
                self._parse("".join(lines[:count]))
            except InputError:
                continue
            self._head = "".join(lines[: count - 2])
            return


def _joined(log: Log, more: Log) -> Log:
    """Join rows to a log; the first of them is its last row again."""
    closed = float(log.time_s[-1] - more.time_s[0])
    raw = float(log.raw_time_s[-1] - more.raw_time_s[0])
    rows = log.time_s.size - 1
    both = {name: (getattr(log, name), getattr(more, name)) for name in _READINGS}
    readings: dict[str, Any] = {name: np.concatenate([a, b[1:]]) for name, (a, b) in both.items() if a is not None}
    return replace(
        log,
        time_s=np.r_[log.time_s, more.time_s[1:] + closed],
        raw_time_s=np.r_[log.raw_time_s, more.raw_time_s[1:] + raw],
        jumps=log.jumps + tuple(replace(jump, row=jump.row + rows) for jump in more.jumps),
        **readings,
    )


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
        lines = {line.run: line for line in self.campaign.runs}
        if run is not None and run not in lines:
            raise InputError([Problem("RUN", shown(run), f"a run of runs.csv: {', '.join(map(shown, [*lines][:30]))}")])
        self._named = None if run is None else lines[run]
        self._clock = clock
        self._tails: dict[str, Tail] = {}
        self._room: tuple[float, RoomLog | float | None] | None = None
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
        name, self.estimate = self._log_name(), None
        log = self._tail(name).grow()
        line = self._line(name, log)
        trace = None if log is None else self._cut(line, log)
        if log is None or trace is None or trace.time_s.size < 4:
            return Look(run=line.run, alarms=self._silence(name, 0.0))
        settings = self.campaign.settings
        known = self._finished_runs(line.run)
        self.estimate = estimate = estimate_under_way(trace, settings, known)
        finished = bool(line.end) and trace.finished
        silence = () if finished else self._silence(name, trace.interval_s)
        told, stands = (*silence, *find_alarms(estimate, settings, known)), look_at(estimate, settings)
        sound = all(alarm.severity == "note" for alarm in told)
        return replace(stands, ready=stands.ready and sound, finished=finished, alarms=told)

    def next_run(self, run: str) -> str | None:
        """Return the run that the run sheet has after this one; None after the last."""
        names = [line.run for line in self.campaign.runs if line.exclude in ("", NOT_MADE) or line.run == run]
        return next(iter(names[names.index(run) + 1 :]), None)

    def _log_name(self) -> str:
        if self._named is not None:
            return self._named.log
        present = {line.log for line in self.campaign.runs if line.log and (self.campaign.folder / line.log).is_file()}
        if not present:
            raise InputError([Problem("runs.csv (log)", "no log that exists", "the log of the run under way")])
        return max(sorted(present), key=self._grew)

    def _grew(self, name: str) -> float:
        return (self.campaign.folder / name).stat().st_mtime

    def _tail(self, name: str) -> Tail:
        path = self.campaign.folder / name
        if not path.is_file():
            allowed = "a log that exists: start it before switching on"
            raise InputError([Problem(name or "runs.csv (log)", "no such file", allowed)])
        return self._tails.setdefault(name, Tail(path, self.campaign.settings.how_read, name))

    def _line(self, name: str, log: Log | None) -> RunLine:
        """Return the named run, or the last one of a log that had begun when its last row was written."""
        if self._named is not None:
            return self._named
        lines = [line for line in self.campaign.runs if line.log == name]
        begun = [line for line in lines if log is not None and self._starts_s(line) <= float(log.raw_time_s[-1])]
        return max(begun or lines[:1], key=self._starts_s)

    def _starts_s(self, line: RunLine) -> float:
        return parse_time(line.start, self.campaign.settings.how_read.time) if line.start else -np.inf

    def _cut(self, line: RunLine, log: Log) -> Trace | None:
        begins = {self._starts_s(other) for other in self.campaign.runs if other.log == line.log and other.start}
        return cut_run(self.campaign, line, log, self._room_now(), begins)

    def _room_now(self) -> RoomLog | float | None:
        own_file = self.campaign.settings.ambient_log
        changed = 0.0 if own_file is None else self._grew(own_file.file)
        if self._room is None or self._room[0] != changed:
            self._room = (changed, read_room(self.campaign)[0])
        return self._room[1]

    def _finished_runs(self, run: str) -> BenchReduction | None:
        """Reduce the finished runs once for each run that is watched: their time constant is what is known before."""
        if self._known is None or self._known[0] != run:
            lines = [line for line in self.campaign.runs if line.log and not line.exclude and line.run != run]
            traces = [trace for trace in map(self._whole, lines) if trace is not None and trace.finished]
            self._known = (run, reduce_bench(traces, self.campaign.settings) if traces else None)
        return self._known[1]

    def _whole(self, line: RunLine) -> Trace | None:
        """Cut another run; a bad log of it is the business of `check`."""
        try:
            log = self._tail(line.log).grow()
        except InputError:
            return None
        return None if log is None else self._cut(line, log)

    def _silence(self, name: str, interval_s: float) -> tuple[Flag, ...]:
        silent_s = self._clock() - self._grew(name)
        if silent_s <= max(SILENT_S, 5.0 * interval_s):
            return ()
        return (raise_flag("gap", "doubtful", f"The log has not grown for {silent_s / 60.0:.0f} min.", gap_s=silent_s),)


def look_at(estimate: Estimate, settings: CampaignSettings) -> Look:
    """Say where a run stands, whatever may be wrong with it.

    Parameters
    ----------
    estimate : Estimate
        What the run so far says.
    settings : CampaignSettings
        Margin and thresholds.

    Returns
    -------
    Look
        Without alarms.
    """
    soak_s, tau = estimate.trace.soak_s, estimate.time_constant_s
    level, left, u = estimate.level_K, estimate.left_K, estimate.u_a_K
    here: dict[str, Any] = {"run": estimate.trace.run, "soak_min": soak_s / 60.0}
    if tau is None or level is None or left is None or u is None:
        rise = float(estimate.rise_K[-5:].mean()) if estimate.rise_K.size else None
        least_min = SHOWN_BY_ONE_SOAK * COOLINGS[settings.cooling].least_s / 60.0
        return Look(**here, rise_K=rise, no_forecast=NOT_SHOWN.format(least_min) if tau is None else "too few readings")
    bound, wanted_u = abs(left) + ONE_SIDED_95 * u, SURE_SHARE_OF_MARGIN * settings.decision.margin_K
    trusted = soak_s >= settings.checks.trusted_soak_time_constants * tau
    return Look(
        **here,
        rise_K=level - left,
        settled_rise_K=level,
        u_K=u,
        left_K=left,
        left_bound_K=bound,
        minutes_to_settle=max(0.0, tau * float(np.log(max(abs(left), 1e-9) / LEFT_K))) / 60.0,
        minutes_to_sure=_until_sure(u, wanted_u, soak_s - estimate.window_s[0], tau) / 60.0,
        ready=trusted and bound <= LEFT_K and u <= wanted_u,
    )


def _until_sure(u_K: float, wanted_K: float, window_s: float, tau_s: float) -> float:
    """Seconds until the fit is sure enough, from how its design grows with the window at the noise seen so far."""
    if u_K <= wanted_K:
        return 0.0
    ahead = np.linspace(0.0, 8.0 * tau_s, 81)
    window = window_s + ahead[:, np.newaxis]
    shape = decay(window * np.linspace(-1.0, 0.0, 101), tau_s, end_s=0.0)
    weight = (1.0 + shape.mean(axis=1) ** 2 / np.maximum(shape.var(axis=1), 1e-12)) / window[:, 0]
    sure = np.flatnonzero(u_K * np.sqrt(weight / weight[0]) <= wanted_K)
    return float(ahead[sure[0]] if sure.size else ahead[-1])


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
