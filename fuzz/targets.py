"""What any bytes may do to the readers: give a result or one of our errors, and nothing else.

Each target takes bytes, and raises :class:`BrokenPromiseError` or lets another exception through where something is
wrong. ``fuzz/run.py`` feeds them under coverage guidance, ``tests/test_fuzz_corpus.py`` with the kept corpus.
"""

from __future__ import annotations

import tempfile
from pathlib import Path
from typing import TYPE_CHECKING

import numpy as np

from thermlab.base.errors import InputError, Problem
from thermlab.campaign.runsheet import read_run_sheet
from thermlab.campaign.settings import CampaignSettings
from thermlab.campaign.yaml_files import load_yaml, read_model
from thermlab.logs.log import read_log
from thermlab.logs.settings import LogSettings, TimeSettings

if TYPE_CHECKING:
    from collections.abc import Callable, Iterable

CORPUS = Path(__file__).parent / "corpus"
LONGEST_PROBLEM = 2000
_COLUMNS = {"temperature": {"columns": ["die*"], "unit": "degC"}, "power": {"columns": ["power"], "unit": "W"}}
_CALENDAR = {"columns": ["time"], "format": "%Y-%m-%d %H:%M:%S"}
# The first byte of a log chooses how it is declared.
DECLARED = tuple(
    LogSettings.model_validate(_COLUMNS | changes)
    for changes in (
        {"time": _CALENDAR},
        {"time": {"columns": ["time"], "unit": "s"}},
        {"time": {"columns": ["time"], "format": "%H:%M:%S"}},
        {"time": {"columns": ["date", "time"], "format": "%d.%m.%Y %H:%M:%S"}, "delimiter": ";", "decimal": ","},
        {"time": {"columns": ["time"], "format": "%Y-%m-%dT%H:%M:%S%z"}, "missing": ["-", "OL"]},
        {"time": _CALENDAR, "encoding": "utf-16"},
        {"time": _CALENDAR, "encoding": "cp1252", "delimiter": "\t"},
        {"time": {"columns": ["time"], "unit": "min"}, "ambient": {"columns": ["room"], "unit": "degC"}},
    )
)
_PLACE = Path(tempfile.mkdtemp(prefix="thermlab-fuzz-"))


class BrokenPromiseError(AssertionError):
    """A result or an error is not what was promised."""


def check_problems(problems: Iterable[Problem], name: str) -> None:
    """Raise where a problem does not name its file, or could not be shown on one line of a terminal."""
    texts = [str(problem) for problem in problems]
    if not texts:
        raise BrokenPromiseError("an error without a problem")
    for text in texts:
        if not text.startswith(name) or not text.isprintable() or len(text) > LONGEST_PROBLEM:
            raise BrokenPromiseError(f"a problem that is no line about {name}: {text!r}")


def log(raw: bytes) -> None:
    """Read bytes as a log."""
    settings = DECLARED[raw[0] % len(DECLARED)] if raw else DECLARED[0]
    path = _PLACE / "log.csv"
    path.write_bytes(raw[1:])
    try:
        found = read_log(path, settings, name="log.csv")
    except InputError as error:
        check_problems(error.problems, "log.csv")
        return
    if not (len(found.time_s) == len(found.power_W) == len(found.temperature_C) >= 2):
        raise BrokenPromiseError("columns of unequal length")
    if not np.isfinite(found.time_s).all() or (np.diff(found.time_s) < 0).any():
        raise BrokenPromiseError("times that do not go forward")
    if np.isinf(found.temperature_C).any() or np.isinf(found.power_W).any():
        raise BrokenPromiseError("an infinite reading")


def sheet(raw: bytes) -> None:
    """Read bytes as a run sheet."""
    (_PLACE / "logs").mkdir(exist_ok=True)
    (_PLACE / "logs" / "a.csv").touch()
    time = TimeSettings.model_validate(_CALENDAR)
    found = read_run_sheet(raw, _PLACE, treatments=("grease-a", "pad-b"), time=time)
    if found.problems:
        check_problems(found.problems, "runs.csv")
    elif not found.runs or len({run.run for run in found.runs}) < len(found.runs):
        raise BrokenPromiseError("runs that are no runs")


def settings(raw: bytes) -> None:
    """Read bytes as campaign.yaml."""
    tree = load_yaml(raw, "campaign.yaml")
    if tree.problems:
        check_problems(tree.problems, "campaign.yaml")
    found, problems = read_model(CampaignSettings, tree)
    if found is None:
        check_problems(problems, "campaign.yaml")


TARGETS: dict[str, Callable[[bytes], None]] = {"log": log, "sheet": sheet, "yaml": settings}
