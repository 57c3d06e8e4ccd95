"""A campaign folder: ``campaign.yaml`` and ``runs.csv`` checked together, or a new one to fill in."""

import hashlib
import os
import re
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from importlib import resources
from pathlib import Path

from thermlab.base.errors import InputError, Problem, show_name, shown
from thermlab.base.files import PathRefusedError, copy_file, inside, read_plain, write_file
from thermlab.campaign.runsheet import MAX_SHEET_BYTES, NAME, OPTIONAL, REQUIRED, RunLine, RunSheet, read_run_sheet
from thermlab.campaign.settings import NO_LOG_SETTINGS, NO_ROOM, BenchSettings, CampaignSettings
from thermlab.campaign.yaml_files import MAX_YAML_BYTES, YamlTree, load_yaml, read_model
from thermlab.logs.settings import TimeSettings

SETTINGS_NAME = "campaign.yaml"


@dataclass(frozen=True)
class RunsToReduce:
    """Runs of a bench and what their reduction depends on, be it a campaign or the acceptance of a build.

    Attributes
    ----------
    folder : Path
        Where the logs are, absolute.
    settings : BenchSettings
        How logs are read, and runs reduced and checked.
    runs : tuple of RunLine
        In the order written.
    sha256 : dict of str to str
        Checksums of the user's files as read; those of logs are added when they are read.
    """

    folder: Path
    settings: BenchSettings
    runs: tuple[RunLine, ...]
    sha256: dict[str, str]


@dataclass(frozen=True)
class Campaign(RunsToReduce):
    """What the user wrote, checked.

    Attributes
    ----------
    settings : CampaignSettings
        ``campaign.yaml``.
    cautions : tuple of str
        What is odd but allowed, such as a treatment without runs.
    """

    settings: CampaignSettings
    cautions: tuple[str, ...] = ()


def load_campaign(folder: str | Path) -> Campaign:
    """Read and check a campaign folder; its logs are looked up but not read.

    Parameters
    ----------
    folder : str or Path
        A folder with ``campaign.yaml`` and ``runs.csv``, or the path of its ``campaign.yaml``.

    Returns
    -------
    Campaign

    Raises
    ------
    InputError
        With every problem of both files.
    """
    root = campaign_folder(folder)
    settings, _, sheet, sha256, problems = read_folder(root)
    if problems or settings is None:
        raise InputError(problems)
    return Campaign(root.resolve(), settings, sheet.runs, sha256, sheet.cautions)


def campaign_folder(path: str | Path) -> Path:
    """Return the folder a path stands for: itself, or the one that holds this ``campaign.yaml`` or ``build.yaml``."""
    place = Path(path)
    return place.parent if place.name in (SETTINGS_NAME, "build.yaml") and not _is_folder(place) else place


def _is_folder(place: Path) -> bool:
    return os.path.isdir(place)  # noqa: PTH112 - False for what no system takes as a name, too


def _bad_name(folder: Path) -> list[Problem]:
    """Return the problem of a path that no page or table could show."""
    try:
        str(folder.resolve()).encode()
    except UnicodeEncodeError:
        allowed = "names in UTF-8, of the folder and of those above it: rename it"
        return [Problem(shown(folder, quoted=False, limit=300), "a path that is not UTF-8 text", allowed)]
    return []


def read_folder(folder: Path) -> tuple[CampaignSettings | None, YamlTree, RunSheet, dict[str, str], list[Problem]]:
    """Read both files as far as they can be read, with every problem."""
    settings, tree, sheet = None, YamlTree(SETTINGS_NAME), RunSheet((), (), ())
    sha256: dict[str, str] = {}
    allowed = f"a folder with {SETTINGS_NAME} and {NAME}"
    missing = Problem(shown(folder, quoted=False, limit=300), "no folder of this name", allowed)
    problems = _bad_name(folder) if _is_folder(folder) else [missing]
    if problems:
        return None, tree, sheet, {}, problems
    raw = _read(folder, SETTINGS_NAME, MAX_YAML_BYTES, problems)
    if raw is not None:
        sha256[SETTINGS_NAME] = hashlib.sha256(raw).hexdigest()
        tree = load_yaml(raw, SETTINGS_NAME)
        settings, found = read_model(CampaignSettings, tree)
        problems += found
        problems += _room_file(folder, tree)
    raw = _read(folder, NAME, MAX_SHEET_BYTES, problems)
    if raw is not None:
        sha256[NAME] = hashlib.sha256(raw).hexdigest()
        time, treatments = TimeSettings.of(tree.table("log")), tuple(tree.table("treatments")) or None
        sheet = read_run_sheet(raw, folder, treatments=treatments, time=time)
        problems += sheet.problems
        sheet = replace(sheet, cautions=(*sheet.cautions, *alike_mounts(sheet.runs)))
    problems += _log_and_room(tree, sheet.runs)
    return (None if problems else settings), tree, sheet, sha256, problems


def alike_mounts(runs: Sequence[RunLine]) -> list[str]:
    """Say which mounts of one treatment differ only in how they are written: counted apart, one passes for two.

    Parameters
    ----------
    runs : sequence of RunLine
        The run sheet.

    Returns
    -------
    list of str
        One caution for each group of such names.
    """
    groups: dict[tuple[str, str], dict[str, None]] = {}
    for run in runs:
        groups.setdefault((run.treatment, _plain_name(run.mount)), {})[run.mount] = None
    return [
        f"the mounts {' and '.join(shown(name) for name in names)} of {shown(treatment)} count as {len(names)} mounts: "
        "are they one, written in several ways?"
        for (treatment, _), names in groups.items()
        if len(names) > 1
    ]


def _plain_name(name: str) -> str:
    """Return a name without what people write now one way, now another: case, spaces, signs, zeros around a number."""
    words = re.findall(r"\d+|[^\W\d_]+", re.sub(r"(?<=\d)\.0+(?!\d)", "", name.casefold()))
    return " ".join(word.lstrip("0") or "0" for word in words) or name


def _read(folder: Path, name: str, limit: int, problems: list[Problem]) -> bytes | None:
    try:
        return read_plain(inside(folder, name), limit)
    except PathRefusedError as refused:
        found, allowed = refused.found, refused.allowed
        if refused.missing:
            found, allowed = "no such file", f"a file {name} in the campaign folder (thermlab new starts one)"
        problems.append(Problem(name, found, allowed))
        return None


def _log_and_room(tree: YamlTree, runs: Sequence[RunLine]) -> list[Problem]:
    """Return what only both files together can lack: how the logs are read, and the room of a run."""
    data = tree.table()
    if not data:
        return []
    logged = any(run.log for run in runs) or not runs
    problems = [Problem(tree.where(("log",)), *NO_LOG_SETTINGS)] if logged and data.get("log") is None else []
    constant = data.get("ambient_constant") is not None
    room = constant or data.get("ambient_log") is not None or "ambient" in tree.table("log")
    bare = [run for run in runs if run.room_C is None and not run.exclude and not (room if run.log else constant)]
    if not room and (bare or logged) and all(run.room_C is None for run in runs):
        return [*problems, Problem(tree.where(()), NO_ROOM[0], f"{NO_ROOM[1]}; or room_C of every run in {NAME}")]
    allowed = "the room of the run, degC: no other is known of it"
    return problems + [Problem(f"{NAME}:{run.line} (room_C)", "nothing", allowed) for run in bare]


def _room_file(folder: Path, tree: YamlTree) -> list[Problem]:
    """Return the problem of the path of the room file, where it has one."""
    name = tree.table("ambient_log").get("file")
    if not isinstance(name, str) or not name:
        return []
    try:
        inside(folder, name)
    except PathRefusedError as refused:
        return [Problem(tree.where(("ambient_log", "file")), refused.found, refused.allowed)]
    return []


def new(folder: str | Path, *, like: str | Path | None = None) -> Path:
    """Write a commented ``campaign.yaml``, an empty ``runs.csv`` and an empty ``logs/``.

    Parameters
    ----------
    folder : str or Path
        A new or existing folder; nothing in it is overwritten.
    like : str or Path, optional
        A campaign of the same bench, whose ``campaign.yaml`` is taken in place of the commented one.

    Returns
    -------
    Path
        The folder.

    Raises
    ------
    InputError
        Where one of the files is there already, the folder cannot be written, or the other campaign has problems.
    """
    root = Path(folder)
    template = resources.files("thermlab.campaign") / "new.yaml"
    settings = template.read_text(encoding="utf-8") if like is None else _settings_like(Path(like))
    write_new(root, {SETTINGS_NAME: settings, NAME: ",".join(REQUIRED + OPTIONAL) + "\n"}, subfolder="logs")
    return root


def _settings_like(other: Path) -> str:
    """Return the settings of another campaign that can be read, with what to change in them said first."""
    place = load_campaign(other).folder
    text = (place / SETTINGS_NAME).read_text(encoding="utf-8-sig")
    return f"# Taken from {show_name(place.name)}: change title, baseline, treatments and prior.\n{text}"


def write_new(
    root: Path, files: Mapping[str, str], *, subfolder: str = "", copies: Mapping[str, Path] | None = None
) -> tuple[Path, ...]:
    """Write new files into a folder; nothing is ever overwritten.

    Parameters
    ----------
    root : Path
        A new or existing folder.
    files : mapping of str to str
        Texts by the name of their file.
    subfolder : str
        A folder to be made within.
    copies : mapping of str to Path, optional
        Files to be copied, by their place within.

    Returns
    -------
    tuple of Path
        The files written.

    Raises
    ------
    InputError
        Where one of the files is there already, or the folder cannot be written.
    """
    copied = {root / place: source for place, source in (copies or {}).items()}
    paths = [*(root / name for name in files), *copied]
    written: list[Path] = []
    try:
        if bad_name := _bad_name(root):
            raise InputError(bad_name)
        there = [path for path in paths if path.exists() or path.is_symlink()]
        if there:
            raise InputError([Problem(str(path), "a file that is there already", "a new file") for path in there])
        (root / subfolder).mkdir(parents=True, exist_ok=True)
        for name, text in files.items():
            write_file(root / name, text.encode())
            written.append(root / name)
        for path, source in copied.items():
            written.append(path)
            copy_file(source, path)
    except (OSError, ValueError) as error:
        if isinstance(error, InputError):
            raise
        for path in written:  # half a campaign would be in the way of the next try
            path.unlink(missing_ok=True)
        problem = Problem(str(root), f"a folder that cannot be written ({error})", "a new or writable folder")
        raise InputError([problem]) from None
    return tuple(paths)
