"""A ``campaign.yaml`` and a run sheet to edit, proposed from a first look at a folder of logs.

Every guess is marked with ``GUESS`` in a comment, or in the note of a run. The
proposal is valid as it stands, with the names of treatments and mounts taken
from the files or made up; nothing is written unless asked for.
"""

from __future__ import annotations

import csv
import io
import re
from collections import Counter
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from pathlib import Path, PurePosixPath
from typing import TYPE_CHECKING

import numpy as np

from thermlab.base.errors import InputError, Problem
from thermlab.campaign.folder import SETTINGS_NAME
from thermlab.campaign.runsheet import NAME, REQUIRED
from thermlab.first_look.load_steps import LoadStep, round_power
from thermlab.first_look.look import FirstLook, LogLook, known
from thermlab.first_look.proposal_text import settings_text
from thermlab.logs.times import DAY_S, UNIT_S

if TYPE_CHECKING:
    from collections.abc import Sequence


_NUMBERED = re.compile(r"(?P<name>.*?[^\W\d_].*?)[-_ .]*(?P<number>\d+)", re.DOTALL)
_STEP_IN_NAME = re.compile(r"[-_ ]*\d+(\.\d+)?\s*W\b", re.IGNORECASE)
_LONG = 1.4


@dataclass(frozen=True, slots=True, kw_only=True)
class Proposal:
    """Two files to edit.

    Attributes
    ----------
    folder : Path
        The campaign folder they are meant for.
    campaign_yaml, runs_csv : str
        Their texts.
    """

    folder: Path
    campaign_yaml: str
    runs_csv: str

    def __str__(self) -> str:
        return f"# {SETTINGS_NAME}\n{self.campaign_yaml}\n# {NAME}\n{self.runs_csv}"


def propose(found: FirstLook) -> Proposal:
    """Propose a campaign for a folder of logs.

    Parameters
    ----------
    found : FirstLook
        What was seen.

    Returns
    -------
    Proposal

    Raises
    ------
    InputError
        Where no log could be read with time, temperature and power, or none has a load step.
    """
    logs = [log for log in found.sensor_logs if any(not step.idle for step in log.steps)]
    if not logs:
        doubts = [
            Problem(log.name, "; ".join(log.doubts), "a log that can be read") for log in found.logs if log.doubts
        ]
        where = found.folder.name or str(found.folder)
        raise InputError(
            [Problem(where, "no log with time, temperature, power and a load step", "one such log"), *doubts]
        )
    labels = _labels([log.name for log in logs])
    return Proposal(
        folder=found.folder,
        campaign_yaml="\n".join(settings_text(found, logs, labels)) + "\n",
        runs_csv=_sheet(logs, labels),
    )


def write_proposal(proposal: Proposal, *, write: bool = True) -> tuple[Path, ...]:
    """Write a proposal into its folder.

    Parameters
    ----------
    proposal : Proposal
        What to write.
    write : bool
        False writes nothing and returns no path.

    Returns
    -------
    tuple of Path
        The files written.

    Raises
    ------
    InputError
        Where one of them is there already; nothing is ever overwritten.
    """
    if not write:
        return ()
    files = {
        proposal.folder / SETTINGS_NAME: proposal.campaign_yaml,
        proposal.folder / NAME: proposal.runs_csv,
    }
    there = [path.name for path in files if path.exists() or path.is_symlink()]
    if there:
        raise InputError([Problem(name, "a file that is there already", "a new file") for name in there])
    for path, text in files.items():
        # "x" refuses a file that came into being since it was looked for.
        with path.open("x", encoding="utf-8", newline="") as file:
            file.write(text)
    return tuple(files)


def _labels(names: Sequence[str]) -> dict[str, tuple[str, str]]:
    """Return (treatment, mount) of each log: from names such as ``pad-b-2`` where there are several, else made up."""
    stems = {name: _STEP_IN_NAME.sub("", PurePosixPath(name).stem) for name in names}
    split = {name: _NUMBERED.fullmatch(stem.strip()) for name, stem in stems.items()}
    told = {name: (m.group("name"), str(int(m.group("number")))) for name, m in split.items() if m is not None}
    if len(told) == len(stems) and len({treatment for treatment, _ in told.values()}) > 1:
        return told
    return {name: ("treatment-1", str(place)) for place, name in enumerate(names, 1)}


def _sheet(logs: Sequence[LogLook], labels: dict[str, tuple[str, str]]) -> str:
    usual = float(np.median([step.minutes for log in logs for step in log.steps if not step.idle]))
    rows: list[dict[str, str]] = []
    names: Counter[str] = Counter()
    for log in logs:
        loaded = _without_lead_in([step for step in log.steps if not step.idle], log, usual)
        for step in loaded:
            treatment, mount = labels[log.name]
            power = round_power(step.power_W)
            name = f"{treatment}-{mount}-{power:g}W"
            names[name] += 1
            whole = len(loaded) == 1 and _to_the_end(log, step)
            rows.append(
                {
                    "run": name if names[name] == 1 else f"{name}-{names[name]}",
                    "treatment": treatment,
                    "mount": mount,
                    "set_power_W": f"{power:g}",
                    "log": log.name,
                    "start": "" if whole else _moment(log, step.start_s, up=False),
                    "end": "" if whole else _moment(log, step.end_s, up=True),
                    "exclude": "",
                    "note": _note(step, usual),
                }
            )
    out = io.StringIO()
    writer = csv.DictWriter(out, REQUIRED, lineterminator="\n")
    writer.writeheader()
    writer.writerows(rows)
    return out.getvalue()


def _without_lead_in(loaded: list[LoadStep], log: LogLook, usual: float) -> list[LoadStep]:
    """Drop the end of an earlier step with which a log of one run may begin."""
    at_the_beginning = log.log is not None and loaded[0].start_s <= log.log.time_s[0] + 60.0
    return loaded[1:] if at_the_beginning and len(loaded) > 1 and loaded[0].minutes < 0.5 * usual else loaded


def _to_the_end(log: LogLook, step: LoadStep) -> bool:
    """Tell whether a log ends with its only load step: then the reader finds where the soak begins by itself."""
    return log.log is not None and bool(step.end_s >= log.log.time_s[-1] - 60.0)


def _note(step: LoadStep, usual: float) -> str:
    said = [f"GUESS: {step.power_W:.1f} W for {step.minutes:.1f} min"]
    if step.minutes > _LONG * usual:
        said.append(f"longer than the usual {usual:.0f} min (a pre-soak at its beginning?)")
    if step.minutes < usual / _LONG:
        said.append(f"shorter than the usual {usual:.0f} min")
    if abs(step.end_power_W / step.power_W - 1.0) > 0.02:
        said.append(f"power went to {step.end_power_W:.1f} W (shed at the limit?)")
    return "; ".join(said)


def _moment(log: LogLook, seconds: float, *, up: bool) -> str:
    """Write a time of the log so that the run sheet takes it: ISO 8601, or a number in the log's unit."""
    time, read = known(log.time), known(log.log)
    at = int(np.searchsorted(read.time_s, seconds - 1e-6))
    seconds = float(read.raw_time_s[min(at, read.raw_time_s.size - 1)])
    if time.format is None:
        scaled = seconds / UNIT_S[time.unit or "s"]
        # To nine digits, and never inside: the first and the last reading belong to the run.
        digits = 9
        nudged = scaled + (5e-10 if up else -5e-10)
        return f"{max(nudged, 0.0) if scaled >= 0 else nudged:.{digits}f}".rstrip("0").rstrip(".")
    whole = seconds % DAY_S if read.clock == "time of day" else seconds
    milli = np.ceil(whole * 1000.0 - 1e-3) if up else np.floor(whole * 1000.0 + 1e-3)
    moment = datetime(1970, 1, 1, tzinfo=UTC) + timedelta(milliseconds=float(milli))
    text = moment.strftime("%H:%M:%S" if read.clock == "time of day" else "%Y-%m-%d %H:%M:%S")
    if milli % 1000:
        text += f".{int(milli % 1000):03d}"
    return text + ("+00:00" if "%z" in time.format else "")
