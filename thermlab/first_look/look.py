"""What is in these logs, and where are their load steps? A first look at logs without a campaign.

How a log is written, which column is the time, what the others hold: everything here is guessed from the text of
the files and shown with what it rests on. :mod:`thermlab.first_look.proposals` turns it into a ``campaign.yaml`` and
a run sheet to edit; from there on the log reader takes what is declared and guesses nothing.
"""

from collections import Counter
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import Literal, TypeVar

import numpy as np
import numpy.typing as npt
from pydantic import ValidationError

from thermlab.base.errors import InputError, Problem, shown
from thermlab.base.files import PathRefusedError, read_plain
from thermlab.first_look.guesses import ColumnLook, NotALogError, TextGuess, TimeGuess, guess_log
from thermlab.logs.log import Log, read_log
from thermlab.logs.settings import LogSettings

Array = npt.NDArray[np.float64]

SHORTEST_S = 60.0
IDLE_SHARE, IDLE_ALWAYS = 0.3, 0.12
"""Below so much of the highest power a plateau is idle where it is short, or always (common practice, no source)."""


@dataclass(frozen=True, slots=True, kw_only=True)
class LoadStep:
    """A plateau of power.

    Attributes
    ----------
    start_s, end_s : float
        Times of its first and last row on the log's own clock, s.
    power_W : float
        Level early on the plateau, after any overshoot, W.
    end_power_W : float
        Level at its end, W.
    idle : bool
        Whether the power is so low beside the others that nothing was loaded.
    """

    start_s: float
    end_s: float
    power_W: float
    end_power_W: float
    idle: bool = False

    @property
    def minutes(self) -> float:
        """How long it lasted, min."""
        return (self.end_s - self.start_s) / 60.0


def find_steps(time_s: Array, power_W: Array) -> tuple[LoadStep, ...]:
    """Find the plateaus of power in a log.

    Parameters
    ----------
    time_s : ndarray, shape (n,)
        Times, never decreasing, s.
    power_W : ndarray, shape (n,)
        Power, NaN where missing, W.

    Returns
    -------
    tuple of LoadStep
        In order; jumps shorter than a minute belong to the step that follows.
    """
    known = np.flatnonzero(~np.isnan(power_W))
    if known.size < 10 or time_s[known[-1]] <= time_s[known[0]]:
        return ()
    t, p = time_s[known], power_W[known]
    interval = float(np.median(np.diff(t)))
    hole = max(60.0, 10.0 * interval)
    length = float(np.clip((t[-1] - t[0]) / 1500.0, max(5.0, 3.0 * interval), max(30.0, 3.0 * interval)))
    starts = np.flatnonzero(np.r_[True, np.diff(np.floor((t - t[0]) / length)) > 0])
    stops = np.r_[starts[1:], t.size]
    level = np.array([np.median(part) for part in np.split(p, starts[1:])])
    noise = 4.0 * float(np.median(np.abs(np.diff(level)))) if level.size > 1 else 0.0
    broken = np.r_[False, np.diff(t[starts]) > hole + length]
    least = max(0.02 * float(np.percentile(level, 99)), noise)
    pieces = _plateaus(level, broken, least)
    found = []
    for a, b in _joined(pieces, level, t[starts], t[stops - 1], broken, max(SHORTEST_S, 3.0 * length)):
        first, last = int(starts[a]), int(stops[b - 1]) - 1
        # Its first block may hold the end of the level before it, its last the beginning of the next.
        while first < last and a > 0 and abs(p[first] - level[a - 1]) < abs(p[first] - level[min(a + 1, b - 1)]):
            first += 1
        while first < last and b < level.size and abs(p[last] - level[b]) < abs(p[last] - level[b - 1]):
            last -= 1
        inside, tenth = level[a:b], (b - a) // 10
        early, late = inside[tenth : (b - a) // 4 + 1], inside[-max(1, tenth) :]
        start_s, end_s, begins_W, ends_W = map(float, (t[first], t[last], np.median(early), np.median(late)))
        found.append(LoadStep(start_s=start_s, end_s=end_s, power_W=begins_W, end_power_W=ends_W))
    return tuple(found)


def _plateaus(level: Array, broken: npt.NDArray[np.bool_], least: float) -> list[tuple[int, int]]:
    """Cut blocks where the level moves and stays; a slow fall is followed and not cut."""
    pieces, begin = [], 0
    for i in range(1, level.size):
        recent = float(np.median(level[max(begin, i - 8) : i]))
        allowed = max(0.04 * abs(recent), least)
        moved = abs(level[i] - recent) > allowed
        stays = i + 1 >= level.size or broken[i + 1] or abs(level[i + 1] - recent) > allowed
        if broken[i] or (moved and stays):
            pieces.append((begin, i))
            begin = i
    pieces.append((begin, level.size))
    return pieces


def _joined(
    pieces: list[tuple[int, int]], level: Array, begins: Array, ends: Array, broken: npt.NDArray[np.bool_],
    shortest: float,
) -> list[tuple[int, int]]:  # fmt: skip
    """Give short pieces to the plateau that follows, where it is near in level, and drop the others."""

    def middle(a: int, b: int) -> float:
        return float(np.median(level[a:b]))

    kept: list[tuple[int, int]] = []
    waiting: int | None = None
    for own, stop in pieces:
        begin, own_W = own, middle(own, stop)
        if waiting is not None and not broken[own] and abs(middle(waiting, own) - own_W) < 0.15 * own_W:
            begin = waiting
        waiting = None
        if ends[stop - 1] - begins[begin] < shortest:
            waiting = begin
            continue
        # A moment at another level, such as a drop of some seconds, does not end a step.
        if kept and abs(middle(*kept[-1]) - own_W) < 0.03 * abs(own_W):
            last = kept[-1][1]
            if not broken[last : begin + 1].any() and begins[begin] - ends[last - 1] < shortest:
                begin = kept.pop()[0]
        kept.append((begin, stop))
    return kept


def mark_idle(logs: Sequence[tuple[LoadStep, ...]]) -> list[tuple[LoadStep, ...]]:
    """Mark the idle plateaus of several logs of one bench: low, and not held as long as a step of the ladder."""
    every = [step for steps in logs for step in steps]
    highest = max((step.power_W for step in every), default=0.0)
    held = [step.minutes for step in every if step.power_W > IDLE_SHARE * highest]

    def is_idle(step: LoadStep) -> bool:
        if step.power_W > IDLE_SHARE * highest:
            return False
        return step.power_W <= IDLE_ALWAYS * highest or step.minutes < 0.5 * float(np.median(held))

    return [tuple(replace(step, idle=is_idle(step)) for step in steps) for steps in logs]


def set_powers(levels_W: Sequence[float]) -> list[float]:
    """Return the set powers that the levels of a bench were probably meant to be, W.

    They are taken for multiples of 5, 2.5, 1 or 0.5 W, the coarsest that fits all of them within half a per cent when
    the meter is off by the same share throughout, at most 1.5 %; else each to three digits (common
    practice, no source).

    Parameters
    ----------
    levels_W : sequence of float
        Level of every load step, W.
    """
    levels = np.asarray(levels_W, dtype=np.float64)
    order = np.argsort(levels)
    # Levels nearer to each other than a meter scatters are one step of the ladder on several mounts.
    apart = np.r_[False, np.diff(levels[order]) > 0.008 * levels[order][:-1]]
    step = np.cumsum(apart)[np.argsort(order)]
    middle = np.array([np.median(levels[step == k]) for k in range(step.max() + 1)])
    for grid in (5.0, 2.5, 1.0, 0.5):
        near = grid * np.round(middle / grid)
        if not (near > 0.0).all():
            continue
        off = middle / near
        common = float(np.median(off))
        if abs(common - 1.0) <= 0.015 and (np.abs(off / common - 1.0) <= 0.005).all():
            return [float(power) for power in near[step]]
    return [float(f"{level:.3g}") for level in middle[step]]


T = TypeVar("T")
Kind = Literal["sensor log", "room log", "other"]

ENDINGS = (".csv", ".txt", ".tsv", ".log", ".dat", ".asc")
OWN = ("runs.csv", "runs_reduced.csv")
MAX_BYTES = 256 << 20
MAX_FILES = 500


@dataclass(frozen=True, slots=True, kw_only=True)
class LogLook:
    """What one file seems to hold.

    Attributes
    ----------
    name : str
        Path relative to the campaign folder.
    kind : {"sensor log", "room log", "other"}
        A sensor log has time, temperature and power; a room log time and temperature.
    text : TextGuess or None
        How it is written.
    time : TimeGuess or None
        How its times are written.
    columns : tuple of ColumnLook
        Its columns.
    settings : LogSettings or None
        What ``campaign.yaml`` would say to read it; None for what is no sensor log.
    log : Log or None
        The log as the reader reads it with these settings.
    steps : tuple of LoadStep
        Its load steps.
    doubts : tuple of str
        What has to be looked at, in words.
    """

    name: str
    kind: Kind
    text: TextGuess | None = None
    time: TimeGuess | None = None
    columns: tuple[ColumnLook, ...] = ()
    settings: LogSettings | None = None
    log: Log | None = field(default=None, repr=False)
    steps: tuple[LoadStep, ...] = ()
    doubts: tuple[str, ...] = ()

    def named(self, *contents: str) -> list[ColumnLook]:
        """Return the columns with such content."""
        return [column for column in self.columns if column.content in contents]

    @property
    def power(self) -> ColumnLook:
        """The column of measured power that is most likely meant: a mean before an instant reading."""
        powers = self.named("power")
        calm = [c for c in powers if any(word in c.name.lower() for word in ("mean", "avg", "average"))]
        return (calm or powers)[0]

    def how_written(self, missing: Sequence[str]) -> dict[str, object]:
        """Return what ``campaign.yaml`` would say of its text and times, whatever its columns hold."""
        text, time = known(self.text), known(self.time)
        how = {"unit": time.unit} if time.format is None else {"format": time.format}
        return {
            "delimiter": text.delimiter, "decimal": text.decimal, "encoding": text.encoding, "missing": tuple(missing),
            "time": {"columns": time.columns, **how},
        }  # fmt: skip

    @property
    def loaded(self) -> list[LoadStep]:
        """Load steps that are not idle."""
        return [step for step in self.steps if not step.idle]

    @property
    def span_min(self) -> float | None:
        """From the first to the last reading, min."""
        return None if self.log is None else float(self.log.time_s[-1] - self.log.time_s[0]) / 60.0


@dataclass(frozen=True, slots=True, kw_only=True)
class FirstLook:
    """What a folder of logs seems to hold.

    Attributes
    ----------
    folder : Path
        The campaign folder to be: the folder looked at, or the one above where that is called ``logs``.
    logs : tuple of LogLook
        Every file that could be a log, by name.
    """

    folder: Path
    logs: tuple[LogLook, ...]

    @property
    def sensor_logs(self) -> tuple[LogLook, ...]:
        """The sensor logs that could be read, all written the same way."""
        read = {log.name: log.settings for log in self.logs if log.settings is not None}
        manners = {name: settings.model_dump_json(exclude={"missing"}) for name, settings in read.items()}
        usual = Counter(manners.values()).most_common(1)
        return tuple(log for log in self.logs if usual and manners.get(log.name) == usual[0][0])

    @property
    def odd_logs(self) -> tuple[LogLook, ...]:
        """Sensor logs that are written in another way than most, or could not be read."""
        usual = {log.name for log in self.sensor_logs}
        return tuple(log for log in self.logs if log.kind == "sensor log" and log.name not in usual)

    @property
    def room_log(self) -> LogLook | None:
        """A file of its own for the room, where there is one."""
        return next((log for log in self.logs if log.kind == "room log"), None)

    def __str__(self) -> str:
        read = len(self.sensor_logs)
        steps = sum(len(log.loaded) for log in self.sensor_logs)
        return f"{len(self.logs)} files, {read} sensor logs that can be read, {steps} load steps"


def known(value: T | None) -> T:
    """Return what is there in every log that could be read."""
    if value is None:
        raise ValueError("a log that could not be read")
    return value


def look(folder: str | Path) -> FirstLook:
    """Look at every file in a folder that could be a log.

    Parameters
    ----------
    folder : str or Path
        A folder with logs, or with a folder ``logs`` in it. Nothing in it is changed.

    Returns
    -------
    FirstLook

    Raises
    ------
    InputError
        Where there is no such folder or no file that could be a log.
    """
    root = Path(folder)
    if not root.is_dir():
        raise InputError([Problem(shown(root, quoted=False), "no folder of this name", "a folder with logs")])
    home = root.resolve()
    base = home.parent if home.name == "logs" else home
    files = sorted(
        path
        for pattern in ("*", "logs/*")
        for path in home.glob(pattern)
        if path.suffix.lower() in ENDINGS and not path.name.startswith(".") and path.name not in OWN and path.is_file()
    )
    if not files:
        allowed = "files that end in " + ", ".join(ENDINGS)
        raise InputError([Problem(shown(root, quoted=False), "no file that could be a log", allowed)])
    guessed = [look_at_file(path, name=path.relative_to(base).as_posix()) for path in files[:MAX_FILES]]
    # A campaign has one list of missing texts for all logs.
    missing = missing_tokens(log for log in guessed if log.kind == "sensor log")
    logs = [read_as_guessed(base / log.name, log, missing) if log.kind == "sensor log" else log for log in guessed]
    steps = mark_idle([_steps(log) for log in logs])
    return FirstLook(folder=base, logs=tuple(replace(log, steps=own) for log, own in zip(logs, steps, strict=True)))


def look_at_file(path: Path, *, name: str) -> LogLook:
    """Guess how one file is written and what it holds.

    Parameters
    ----------
    path : Path
        The file.
    name : str
        What it is called in messages.

    Returns
    -------
    LogLook
        Not read yet; also for a file that is no log, with the reason in its doubts.
    """
    try:
        text, time, columns = guess_log(read_plain(path, MAX_BYTES))
    except (PathRefusedError, NotALogError) as reason:
        return LogLook(name=name, kind="other", doubts=(str(reason),))
    found = LogLook(name=name, kind="other", text=text, time=time, columns=columns, doubts=tuple(_doubts(text, time)))
    lacks = "a time" if time is None else "" if found.named("temperature", "room") else "a temperature"
    if not lacks and found.named("power") and not found.named("temperature"):
        lacks = "a temperature of the device"
    if lacks:
        return replace(found, doubts=(*found.doubts, f"no column that looks like {lacks}"))
    return replace(found, kind="sensor log" if found.named("power") else "room log")


def _doubts(text: TextGuess, time: TimeGuess | None) -> Iterable[str]:
    if text.apart:
        yield f"columns of one name, told apart by their order in the file: {', '.join(map(shown, text.apart))}"
    if time is not None and time.others:
        yield f"times could also be written as {' or '.join(time.others)}"
    if time is not None and time.format is None and not time.sure:
        yield f"that {shown(time.columns[0])} is time in {time.unit} is a guess"


def missing_tokens(logs: Iterable[LogLook]) -> tuple[str, ...]:
    """Return the texts that stand among the numbers of the columns that would be read."""
    used = ("temperature", "room", "power", "clock", "set power")
    return tuple(dict.fromkeys(token for log in logs for column in log.named(*used) for token in column.missing))


def declared_columns(columns: Sequence[ColumnLook]) -> dict[str, object]:
    """Return what ``campaign.yaml`` says of columns: names and unit of those in the unit of the first."""
    unit = columns[0].unit
    return {"columns": [column.name for column in columns if column.unit == unit], "unit": unit}


def read_as_guessed(path: Path, look: LogLook, missing: Sequence[str]) -> LogLook:
    """Read a log with what was guessed, exactly as a campaign would; what goes wrong becomes a doubt."""
    declared = look.how_written(missing)
    declared["power"] = declared_columns([look.power])
    for key, content in (("temperature", "temperature"), ("ambient", "room"), ("clock", "clock")):
        if columns := look.named(content):
            declared[key] = declared_columns(columns)
    try:
        settings = LogSettings.model_validate(declared)
        return replace(look, settings=settings, log=read_log(path, settings, name=look.name))
    except ValidationError as error:
        said = [f"{look.name}: {one['msg']}" for one in error.errors()]
    except InputError as error:
        said = [str(problem) for problem in error.problems]
    return replace(look, doubts=(*look.doubts, *said[:3]))


def _steps(log: LogLook) -> tuple[LoadStep, ...]:
    """Find the load steps, from the set power where it is logged and keeps pace with the readings."""
    if log.log is None:
        return ()
    told = log.named("set power")
    if told and told[0].values.size == log.log.time_s.size:
        scale = {"W": 1.0, "mW": 1e-3, "kW": 1e3}.get(told[0].unit, 1.0)
        return find_steps(log.log.time_s, told[0].values * scale)
    return find_steps(log.log.time_s, log.log.power_W)
