"""What a program gets back: ``results.json`` (schema 1) and ``runs_reduced.csv``.

One set of models writes the file, reads it and gives its JSON Schema. Floats
keep full precision. A number that cannot be had is null; NaN and infinity are
refused here, wherever they came from. What was written earlier stays readable:
keys that a later version adds are left alone, keys that an earlier version did
not write are null or empty.
"""

from __future__ import annotations

import csv
import io
import json
import unicodedata
from dataclasses import fields, is_dataclass, replace
from datetime import UTC, datetime
from typing import TYPE_CHECKING, Any, NoReturn

from pydantic import ValidationError
from pydantic_core import to_jsonable_python

from thermlab import __version__
from thermlab.base.errors import InputError, Problem, shown
from thermlab.base.files import read_regular
from thermlab.base.numbers import with_interval
from thermlab.campaign.folder import load_campaign
from thermlab.campaign.runsheet import NOT_MADE
from thermlab.reports.execute import replaced

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence
    from pathlib import Path

    from thermlab.campaign.folder import Campaign
    from thermlab.compare.analysis import Analysis
    from thermlab.runs.records import ReducedRun

SCHEMA = 1
MAX_BYTES = 64 << 20
MOST_PROBLEMS = 20
MIME = "application/vnd.thermlab.results+json"
"""Type under which a report notebook carries its results."""

RUN_COLUMNS = (
    "run", "treatment", "mount", "set_power_W", "power_W", "ambient_C", "rise_K", "u_rise_K", "drift_left_K",
    "end_reading_C", "end_rise_K", "sensor", "soak_min", "settled", "used", "reason", "flags", "held_power_W",
    "held_rise_K", "lot", "condition", "note",
)  # fmt: skip
"""Columns of runs, in ``runs_reduced.csv`` and in frames."""


class Results(dict[str, Any]):
    """Results that a notebook carries as data: shown as one line, stored in full."""

    def _repr_mimebundle_(self, **_: object) -> dict[str, Any]:
        return {MIME: dict(self), "text/plain": repr(self)}

    def __repr__(self) -> str:
        return f"results, schema {self['schema']}: {len(self['runs'])} runs"


def head(created: datetime | None = None) -> dict[str, Any]:
    """Return what every file of results begins with: schema, version and when it was written (None: now)."""
    moment = (created or datetime.now(UTC)).isoformat(timespec="seconds")
    return {"schema": SCHEMA, "thermlab_version": __version__, "created": moment}


def written(*, created: datetime | None = None, **results: Any) -> Results:
    """Return results as they are to be written, checked against their model.

    Raises
    ------
    ValueError
        They are not what a reader may expect.
    """
    whole = Results(head(created) | results)
    _checked(whole)
    return whole


def to_results(analysis: Analysis, *, created: datetime | None = None) -> Results:
    """Put an analysis into the form of ``results.json``.

    Parameters
    ----------
    analysis : Analysis
        What was found.
    created : datetime or None
        Time stamp; None for now.

    Returns
    -------
    Results
        JSON-native, schema 1.

    Raises
    ------
    ValueError
        A number in it is NaN or infinite.
    """
    settings = analysis.campaign.settings
    about: dict[str, Any] = {name: getattr(settings, name) for name in ("title", "bench", "baseline", "currency")}
    return written(
        created=created,
        campaign=about | {"sha256": dict(analysis.sha256), "measured": measured(analysis.runs)},
        settings=plain(analysis.settings),
        overrides=plain(analysis.overrides),
        runs=[filed_run(run) for run in analysis.runs],
        bench=plain(analysis.bench),
        comparison=_with(analysis.comparison, "cautions"),
        throttle=_with(analysis.throttle, "cautions"),
        value=plain(analysis.value),
        uncertainty_budget=plain(analysis.budget),
        uncertainty_combined=_combined(analysis),
        cautions=list(analysis.cautions),
        caution_list=plain(analysis.caution_list),
        advice=_with(analysis.advice, "text"),
    )


def _with(record: Any, name: str) -> dict[str, Any] | None:
    """Return a record with one thing that it works out of its fields."""
    return None if record is None else plain(record) | {name: plain(getattr(record, name))}


def measured(runs: Sequence[ReducedRun]) -> dict[str, str] | None:
    """Return when the first run that has a date began, and the last one ended; of a reading one moment is known."""
    dated = [run for run in runs if run.start and "-" in run.start[:10] and run.reason != NOT_MADE]
    if not dated:
        return None
    starts, ends = [run.start or "" for run in dated], [run.end or run.start or "" for run in dated]
    moments = {text: datetime.fromisoformat(text) for text in starts + ends}
    if not all(moment.tzinfo for moment in moments.values()):
        # What was written down has no offset: then it shares one wall clock with the logs.
        moments = {text: moment.replace(tzinfo=None) for text, moment in moments.items()}
    return {"from": min(starts, key=moments.__getitem__), "to": max(ends, key=moments.__getitem__)}


def _combined(analysis: Analysis) -> list[dict[str, Any]]:
    """Combined and expanded uncertainty of each quantity of the budget."""
    level = float(analysis.settings["decision"]["confidence_level"])
    from thermlab.compare.uncertainty import combine_each  # noqa: PLC0415 - who passes results on needs no numpy

    found = combine_each(analysis.budget, confidence_level=level)
    return [{"quantity": quantity} | plain(combined) for quantity, combined in found.items()]


def filed_run(run: ReducedRun) -> dict[str, Any]:
    """Return a run as it stands in ``results.json``."""
    return dict(plain(run), settled_rise_K=run.settled_rise_K)


def run_row(run: Mapping[str, Any]) -> dict[str, Any]:
    """Return a run of ``results.json`` as one row with :data:`RUN_COLUMNS`."""
    flags = "; ".join(f"{flag['flag']} ({flag['severity']})" for flag in run["flags"])
    held = {name: (run.get("held") or {}).get(name) for name in ("held_power_W", "held_rise_K")}
    flat = {**run, **held, "flags": flags}
    return {key: flat.get(key) for key in RUN_COLUMNS}


def plain(value: Any) -> Any:
    """Return a value as JSON-native data: dataclasses as dicts, tuples as lists, numpy scalars as numbers.

    Raises
    ------
    ValueError
        A float is NaN or infinite.
    """
    found = to_jsonable_python(value, fallback=_taken_apart)
    try:
        json.dumps(found, allow_nan=False)
    except ValueError as error:
        why = "cannot be reported: a number that cannot be had is None with its reason"
        raise ValueError(f"{error}, and {why}") from None
    return found


def _taken_apart(value: Any) -> Any:
    """Return arrays of numpy, which this module does without, as lists."""
    if hasattr(value, "tolist"):
        return value.tolist()
    raise TypeError(f"{type(value).__name__} has no place in results")


def results_json(results: Mapping[str, Any]) -> str:
    """Return results as the text of ``results.json``.

    Raises
    ------
    ValueError
        A number in it is NaN or infinite.
    """
    return json.dumps(results, ensure_ascii=False, indent=1, allow_nan=False) + "\n"


def read_json(path: Path, *, max_bytes: int = MAX_BYTES) -> object:
    """Read a JSON file within bounds; NaN and infinities are refused.

    Raises
    ------
    InputError
        The file is missing, no regular file, too large, or no JSON.
    """
    try:
        content = read_regular(path, max_bytes)
    except OSError as error:
        allowed = f"a JSON file of at most {max_bytes} bytes"
        raise InputError([Problem(str(path), f"no readable file ({error.strerror or error})", allowed)]) from None
    try:
        found: object = json.loads(content, parse_constant=_refuse)
    except (ValueError, RecursionError) as error:
        raise InputError([Problem(str(path), f"no JSON ({error})", "a JSON file as thermlab writes it")]) from None
    return found


def _refuse(name: str) -> NoReturn:
    raise ValueError(f"the constant {name}")


def read_results(path: Path, *, whole: bool = False) -> dict[str, Any]:
    """Read a ``results.json`` of schema 1, of a campaign or of a build.

    Parameters
    ----------
    path : Path
        The file.
    whole : bool
        Whether every key must be there that all versions have written at the top.

    Raises
    ------
    InputError
        It cannot be read, is of another schema, or a key in it is not as its model in
        :mod:`thermlab.reports.models` has it.
    """
    results = read_json(path)
    if not isinstance(results, dict) or results.get("schema") != SCHEMA:
        found = f"schema {results.get('schema')!r}" if isinstance(results, dict) else "no results"
        raise InputError([Problem(str(path), found, f"results of schema {SCHEMA}")])
    try:
        _checked(results)
    except ValidationError as error:
        # What is missing is missed by whoever needs it; an older file has fewer keys.
        errors = error.errors(include_url=False)
        wrong = [one for one in errors if one["type"] != "missing" or (whole and len(one["loc"]) == 1)]
        if wrong:
            raise InputError([_problem(path, one) for one in wrong[:MOST_PROBLEMS]]) from None
    return results


def _checked(results: dict[str, Any]) -> None:
    from thermlab.reports.models import BuildResults, CampaignResults  # noqa: PLC0415 - likewise

    kind = BuildResults if results.get("kind") == "build" else CampaignResults
    kind.model_validate(results)


def _problem(path: Path, error: Any) -> Problem:
    where = ".".join(str(part) for part in error["loc"])
    found = "nothing" if error["type"] == "missing" else shown(error["input"], limit=80)
    return Problem(f"{path}: {where}", found, error["msg"])


def filed_answers(results: dict[str, Any]) -> tuple[str, ...]:
    """Return what came out of a campaign or build, one sentence each, for a list of many.

    Parameters
    ----------
    results : dict
        From :func:`read_results`.
    """
    if results.get("kind") == "build":
        return (f"{results.get('verdict')}: {results.get('verdict_reason') or ''}".rstrip(": "),)
    comparison = results.get("comparison")
    if not comparison or not comparison.get("treatments"):
        return ("no comparison",)
    said = []
    for row in comparison["treatments"]:
        value, ends = row.get("difference_K"), row.get("simultaneous_interval_K") or row.get("interval_K")
        read = "" if value is None else f", {with_interval(value, ends and (float(ends[0]), float(ends[1])))} K"
        said.append(f"{row.get('treatment')}: {row.get('verdict')}{read}")
    return tuple(said)


def filed_lines(results: Mapping[str, Any]) -> tuple[str, ...]:
    """Return the answer for each candidate in a line: verdict, difference, throttle power; else what is to be done.

    Parameters
    ----------
    results : mapping
        As :func:`to_results` returns them.
    """
    throttle = results.get("throttle") or {"treatments": []}
    powers = {row["treatment"]: row for row in throttle["treatments"] if row["throttle_power_W"] is not None}
    rows = (results.get("comparison") or {}).get("treatments")
    advice = results.get("advice")
    if not rows:
        return (f"{advice['state']}: {advice['text']}",) if advice else ()
    said = []
    for row, text in zip(rows, filed_answers(dict(results)), strict=True):
        found = powers.get(row["treatment"])
        said.append(text if found is None else f"{text}, throttles at {_in_watts(found)}")
    return tuple(said)


def _in_watts(row: Mapping[str, Any]) -> str:
    power_W, ends = row["throttle_power_W"], row["interval_W"]
    if ends is None:
        return f"about {power_W:.0f} W, no interval"
    return f"{with_interval(power_W, (ends[0], ends[1]), sign=False)} W"


def runs_reduced_csv(results: Mapping[str, Any]) -> str:
    """Return one line per run, tidy, as the text of ``runs_reduced.csv``.

    Parameters
    ----------
    results : mapping
        As :func:`to_results` returns them.

    Returns
    -------
    str
        Comma-separated; text that a spreadsheet would take for a formula is defused by a leading apostrophe.
    """
    out = io.StringIO()
    writer = csv.writer(out, lineterminator="\n")
    writer.writerow(RUN_COLUMNS)
    writer.writerows(map(_cell, run_row(run).values()) for run in results["runs"])
    return out.getvalue()


def _cell(value: Any) -> str:
    if value is None:
        return ""
    if isinstance(value, bool):
        return "true" if value else "false"
    if not isinstance(value, str):
        return repr(value)
    # A bare carriage return would not be quoted, and what follows it would be the first cell of another row.
    text = str(value).replace("\r\n", "\n").replace("\r", "\n")
    # Neither white space nor what nobody sees stops a spreadsheet from reading what follows as a formula; some read
    # full-width signs as well.
    first = next((c for c in text if not c.isspace() and unicodedata.category(c)[0] != "C"), "")
    formula = unicodedata.normalize("NFKC", first) in ("=", "+", "-", "@") or text[:1] in ("\t", "\n")
    return "'" + text if formula else text


_LEFT_OUT = "left out"


def analysed(campaign: str | Path, *, anonymous: bool, **tried: float | None) -> Analysis:
    """Do the whole job on a campaign for its report.

    Parameters
    ----------
    campaign : str or Path
        Its folder.
    anonymous : bool
        Leave out what its user wrote in words, paths and names of files.
    **tried
        As for :func:`~thermlab.compare.analysis.analyse`.

    Returns
    -------
    Analysis
        Where it is anonymous without title, bench, descriptions, handling, sources, reasons, lots, conditions and
        notes; names of treatments, mounts, runs and columns stay. Files are called ``file 1``, ``file 2`` ... wherever
        a text names them.
    """
    from thermlab.compare.analysis import analyse  # noqa: PLC0415 - likewise

    if not anonymous:
        return analyse(campaign, **tried)
    told = _without_words(load_campaign(campaign))
    analysis = analyse(told, **tried)
    logs = [line.log for line in told.runs]
    names = dict.fromkeys([*analysis.sha256, *logs, *(log.rsplit("/", 1)[-1] for log in logs)])
    named = [name for name in names if name and name not in ("campaign.yaml", "runs.csv")]
    spoken = {name: f"file {place}" for place, name in enumerate(named, start=1)}
    found: Analysis = _in_text(replace(analysis, traces=()), spoken | {str(told.folder): "the campaign"})
    sha256 = {spoken.get(name, name): digest for name, digest in analysis.sha256.items()}
    return replace(found, traces=analysis.traces, sha256=sha256)


def _without_words(campaign: Campaign) -> Campaign:
    """Leave out what a user wrote in words; that a run is not made yet is none of it."""

    def left_out(item: Any, *names: str) -> dict[str, Any]:
        return {name: _LEFT_OUT for name in names if getattr(item, name) not in (None, "", NOT_MADE)}

    settings = campaign.settings
    treatments = {
        name: each.model_copy(update=left_out(each, "description", "handling"))
        for name, each in settings.treatments.items()
    }
    prior = settings.prior and settings.prior.model_copy(update=left_out(settings.prior, "source"))
    words = left_out(settings, "title", "bench") | {"treatments": treatments, "prior": prior}
    runs = tuple(replace(run, **left_out(run, "exclude", "note", "lot", "condition")) for run in campaign.runs)
    return replace(campaign, settings=settings.model_copy(update=words), runs=runs)


def _in_text(value: Any, spoken: Mapping[str, str]) -> Any:
    """Return a copy with what stands for a name in its place in every free text; identities of runs are left alone."""
    if isinstance(value, str):
        return replaced(value, spoken)
    if isinstance(value, dict):
        return {key: _in_text(item, spoken) for key, item in value.items()}
    if isinstance(value, (tuple, list)) and not hasattr(value, "_fields"):
        return type(value)(_in_text(item, spoken) for item in value)
    if is_dataclass(value) and not isinstance(value, type):
        kept = {"run", "treatment", "mount", "baseline", "flag", "severity", "verdict"}
        names = [field.name for field in fields(value) if field.init and field.name not in kept]
        return replace(value, **{name: _in_text(getattr(value, name), spoken) for name in names})
    return value
