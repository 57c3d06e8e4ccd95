"""The models behind ``build.yaml``: one finished machine, its acceptance runs, and what it has to keep."""

import hashlib
import math
from collections.abc import Iterator, Mapping
from dataclasses import dataclass, replace
from pathlib import Path, PurePosixPath
from typing import Any

from pydantic import Field

from thermlab.base.errors import InputError, Problem, shown
from thermlab.base.files import PathRefusedError, inside, read_plain
from thermlab.campaign.folder import campaign_folder
from thermlab.campaign.runsheet import after_midnight, overlapping
from thermlab.campaign.settings import BenchSettings, Limits, PowerW
from thermlab.campaign.yaml_files import MAX_YAML_BYTES, YamlTree, load_yaml, read_model
from thermlab.logs.settings import Broken, Line, Model, Name, Text
from thermlab.logs.times import parse_time
from thermlab.reports.photos import MAX_PHOTOS

SETTINGS_NAME = "build.yaml"
MAX_RUNS = 50


class BuildRun(Model):
    """One acceptance run."""

    run: Name = Field(description="a name for the run, each once")
    set_power_W: PowerW = Field(description="the power step, W")
    log: Name = Field(description="a log inside the build folder")
    start: Text = Field(default="", description="in the log's own time; blank for the first row")
    end: Text = Field(default="", description="in the log's own time; blank for the last row")
    exclude: Text = Field(default="", description="reason for leaving the run out; blank where it is used")
    note: Text = Field(default="", description="free text")


class Acceptance(Model):
    """What the machine has to keep, set before its runs are made."""

    least_throttle_power_W: PowerW | None = Field(default=None, description="least power at which it may throttle, W")
    load_W: PowerW | None = Field(default=None, description="power the customer's work takes, W")
    least_margin_W: float | None = Field(default=None, ge=0, le=1e5, description="least margin above load_W, W")

    @classmethod
    def rules(cls, data: Mapping[str, Any]) -> Iterator[Broken]:
        """One way to say the limit."""
        has = [key for key in ("least_throttle_power_W", "load_W", "least_margin_W") if data.get(key) is not None]
        if has not in (["least_throttle_power_W"], ["load_W", "least_margin_W"]):
            found = " and ".join(has) or "no limit"
            yield Broken((), found, "exactly one of least_throttle_power_W, or load_W with least_margin_W")

    @property
    def required_W(self) -> float:
        """Least throttle power, W."""
        if self.least_throttle_power_W is not None:
            return self.least_throttle_power_W
        return (self.load_W or 0.0) + (self.least_margin_W or 0.0)


class BuildPhoto(Model):
    """A photo for the record."""

    file: Name = Field(description="a JPEG or PNG inside the build folder")
    shows: Line = Field(min_length=1, max_length=500, description="what it shows, in words")


class Machine(Model):
    """One machine, its acceptance runs, and what it has to keep."""

    build: Line = Field(min_length=1, max_length=200, description="number or name of the machine")
    title: Line = Field(min_length=1, max_length=500, description="what the machine is")
    treatment: Name = Field(description="the treatment it was built with, as in the campaign")
    lot: Line = Field(default="", description="lot of the treatment")
    campaign: Name | None = Field(default=None, description="folder of the campaign, or of its bag")
    bench: Line = Field(default="", description="name of the bench, where there is no campaign")
    customer: Limits | None = Field(default=None, description="{temperature_C, room_C}; limits where there is none")
    acceptance: Acceptance = Field(description="{least_throttle_power_W} or {load_W, least_margin_W}")
    runs: tuple[BuildRun, ...] = Field(strict=False, min_length=1, max_length=MAX_RUNS, description="acceptance runs")
    photos: tuple[BuildPhoto, ...] = Field(default=(), strict=False, max_length=MAX_PHOTOS, description="photos")
    notes: Text = Field(default="", description="what the customer should know")
    signature: Line = Field(default="", max_length=200, description="name under the signature line")


_OF_THE_CAMPAIGN = ("bench", "cooling", "limits", "soak", "measurand", "checks")


class BuildSettings(BenchSettings, Machine):
    """Everything ``build.yaml`` says."""

    @classmethod
    def rules(cls, data: Mapping[str, Any]) -> Iterator[Broken]:
        """One limit, and each setting of the bench in one place."""
        yield from super().rules(data)
        if data.get("campaign") is not None:
            for key in _OF_THE_CAMPAIGN:
                if data.get(key) is not None:
                    yield Broken(
                        (key,), "a setting of the bench beside a campaign", "what the campaign says, or no campaign"
                    )
        has = [key for key in ("customer", "limits") if data.get(key) is not None]
        if len(has) != 1:
            found, path = (" and ".join(has), (has[-1],)) if has else ("no limit", ())
            yield Broken(path, found, "customer: {temperature_C, room_C}, or limits in its place")

    @property
    def keeps(self) -> Limits:
        """The customer's room and the limit of the device."""
        limits = self.customer or self.limits
        assert limits is not None  # noqa: S101 - by the rule above
        return limits


@dataclass(frozen=True)
class Build:
    """What the user wrote, checked.

    Attributes
    ----------
    folder : Path
        The build folder, absolute.
    settings : BuildSettings
        ``build.yaml``.
    sha256 : dict of str to str
        Checksum of ``build.yaml`` as read.
    """

    folder: Path
    settings: BuildSettings
    sha256: dict[str, str]


def load_build(folder: str | Path) -> Build:
    """Read and check a build folder; its logs are looked up but not read.

    Parameters
    ----------
    folder : str or Path
        A folder with ``build.yaml``, or the path of that file.

    Returns
    -------
    Build

    Raises
    ------
    InputError
        With every problem, each with its line and key.
    """
    place = campaign_folder(folder)
    if not place.is_dir():
        raise InputError([Problem(shown(folder, quoted=False, limit=300), "no folder of this name", "a build folder")])
    try:
        raw = read_plain(inside(place, SETTINGS_NAME), MAX_YAML_BYTES)
    except PathRefusedError as refused:
        allowed = f"a file {SETTINGS_NAME} in the build folder (docs/build_record.md has one to begin with)"
        raise InputError([Problem(SETTINGS_NAME, refused.found, allowed)]) from None
    tree = load_yaml(raw, SETTINGS_NAME)
    settings, problems = read_model(BuildSettings, tree)
    if settings is not None:
        problems = [*_files(settings, tree, place), *_runs(settings, tree)]
    if problems or settings is None:
        raise InputError(problems)
    return Build(place.resolve(), settings, {SETTINGS_NAME: hashlib.sha256(raw).hexdigest()})


def _files(settings: BuildSettings, tree: YamlTree, folder: Path) -> Iterator[Problem]:
    named: dict[tuple[str | int, ...], str] = {("runs", i, "log"): run.log for i, run in enumerate(settings.runs)}
    named |= {("photos", i, "file"): photo.file for i, photo in enumerate(settings.photos)}
    if settings.ambient_log is not None:
        named["ambient_log", "file"] = settings.ambient_log.file
    for path, name in named.items():
        try:
            inside(folder, name)
        except PathRefusedError as refused:
            allowed = refused.allowed.replace("campaign folder", "build folder")
            yield Problem(tree.where(path), refused.found.replace("campaign folder", "build folder"), allowed)


def _runs(settings: BuildSettings, tree: YamlTree) -> Iterator[Problem]:
    """Refuse a run named twice, a time that is none, and two runs of the same readings: they would count twice."""
    time, seen = settings.how_read.time, set()
    cuts: dict[str, list[tuple[float, float, int]]] = {}
    for place, run in enumerate(settings.runs):
        if run.run in seen:
            yield Problem(tree.where(("runs", place, "run")), f"{shown(run.run)} a second time", "each run once")
        seen.add(run.run)
        moments: list[float] = []
        for key, text, open_end in (("start", run.start, -math.inf), ("end", run.end, math.inf)):
            try:
                moments.append(parse_time(text, time) if text else open_end)
            except InputError as refused:
                yield replace(refused.problems[0], where=tree.where(("runs", place, key)))
        if len(moments) == 2 and not run.exclude:
            start, end = moments
            cut = (start, after_midnight(start, end, time), place)
            cuts.setdefault(PurePosixPath(run.log).as_posix(), []).append(cut)
    pairs = (pair for of_log in cuts.values() for pair in overlapping(of_log))
    for place, other in sorted((max(pair), min(pair)) for pair in pairs):
        run = settings.runs[place]
        found = f"{shown(run.run)} overlapping {shown(settings.runs[other].run)} in {shown(run.log)}"
        yield Problem(tree.where(("runs", place)), found, "runs that do not share rows of a log")
