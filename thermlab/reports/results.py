"""What a program gets back: ``results.json`` (schema 1) and ``runs_reduced.csv``.

Floats keep full precision. A number that cannot be had is null; NaN and
infinity are refused here, wherever they came from.
"""

from __future__ import annotations

import csv
import dataclasses
import io
import json
import math
import unicodedata
from collections.abc import Callable, Mapping, Sequence
from datetime import UTC, datetime
from importlib.resources import files
from typing import TYPE_CHECKING, Any

from thermlab import __version__

if TYPE_CHECKING:
    from thermlab.compare.analysis import Analysis
    from thermlab.runs.records import ReducedRun

SCHEMA = 1
MIME = "application/vnd.thermlab.results+json"
"""Type under which a report notebook carries its results."""

_RUN_KEYS = (
    "run", "treatment", "mount", "set_power_W", "power_W", "ambient_C", "rise_K", "u_rise_K", "drift_left_K",
    "end_reading_C", "end_rise_K", "sensor", "soak_min", "settled",
)  # fmt: skip
_CSV_KEYS = (
    *_RUN_KEYS, "used", "reason", "flags", "held_power_W", "held_rise_K", "lot", "condition", "note",
)  # fmt: skip


class Results(dict[str, Any]):
    """Results that a notebook carries as data: shown as one line, stored in full."""

    def _repr_mimebundle_(self, **_: object) -> dict[str, Any]:
        return {MIME: dict(self), "text/plain": repr(self)}

    def __repr__(self) -> str:
        return f"results, schema {self['schema']}: {len(self['runs'])} runs"


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
    comparison = plain(analysis.comparison)
    throttle = plain(analysis.throttle)
    value = plain(analysis.value)
    return Results(
        schema=SCHEMA,
        thermlab_version=__version__,
        created=(created or datetime.now(UTC)).isoformat(timespec="seconds"),
        campaign={
            "title": settings.title,
            "bench": settings.bench,
            "baseline": settings.baseline,
            "currency": settings.currency,
            "sha256": dict(analysis.sha256),
        },
        settings=plain(analysis.settings),
        overrides={name: list(plain(pair)) for name, pair in analysis.overrides.items()},
        runs=[_run(run) for run in analysis.runs],
        bench=plain(analysis.bench),
        comparison=comparison,
        throttle=throttle,
        value=value,
        uncertainty_budget=plain(analysis.budget),
        uncertainty_combined=_combined(analysis),
        cautions=list(analysis.cautions),
    )


def _combined(analysis: Analysis) -> list[dict[str, Any]]:
    """Combined and expanded uncertainty of each quantity of the budget."""
    from thermlab.compare.uncertainty import combine_each  # noqa: PLC0415 - reading results needs no numpy

    level = float(analysis.settings["decision"]["confidence_level"])
    found = combine_each(analysis.budget, confidence_level=level)
    return [{"quantity": quantity} | plain(combined) for quantity, combined in found.items()]


def _run(run: ReducedRun) -> dict[str, Any]:
    row = {key: plain(getattr(run, key)) for key in _RUN_KEYS}
    row["flags"] = [plain(flag) for flag in run.flags]
    row["used"] = run.used
    row["reason"] = run.reason
    row["held"] = plain(run.held)
    return row | {"lot": run.lot, "condition": run.condition, "note": run.note}


def plain(value: Any) -> Any:  # noqa: PLR0911 - one kind of value each
    """Return a value as JSON-native data: dataclasses as dicts, tuples as lists, numpy scalars as numbers.

    Raises
    ------
    ValueError
        A float is NaN or infinite.
    """
    if value is None or isinstance(value, (bool, str, int)):
        return value
    if isinstance(value, float):
        if not math.isfinite(value):
            raise ValueError(f"{value} cannot be reported: a number that cannot be had is None with its reason")
        return float(value)
    if dataclasses.is_dataclass(value) and not isinstance(value, type):
        return {field.name: plain(getattr(value, field.name)) for field in dataclasses.fields(value)}
    if isinstance(value, Mapping):
        return {str(key): plain(item) for key, item in value.items()}
    if hasattr(value, "model_dump"):
        return plain(value.model_dump())
    if hasattr(value, "tolist"):  # numpy, which this module does without
        return plain(value.tolist())
    if isinstance(value, (Sequence, set, frozenset)):
        return [plain(item) for item in value]
    raise TypeError(f"{type(value).__name__} has no place in results")


def results_json(results: Mapping[str, Any]) -> str:
    """Return results as the text of ``results.json``.

    Raises
    ------
    ValueError
        A number in it is NaN or infinite.
    """
    return json.dumps(results, ensure_ascii=False, indent=1, allow_nan=False) + "\n"


def results_schema() -> dict[str, Any]:
    """Return the JSON Schema of ``results.json``, schema 1."""
    text = (files("thermlab.reports") / "schemas" / f"results-{SCHEMA}.json").read_text(encoding="utf-8")
    schema: dict[str, Any] = json.loads(text)
    return schema


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
    writer.writerow(_CSV_KEYS)
    for run in results["runs"]:
        held = run.get("held") or {}
        row = run | {
            "flags": "; ".join(f"{flag['flag']} ({flag['severity']})" for flag in run["flags"]),
            "held_power_W": held.get("held_power_W"),
            "held_rise_K": held.get("held_rise_K"),
        }
        writer.writerow([_cell(row.get(key)) for key in _CSV_KEYS])
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


def anonymised(analysis: Analysis, anonymous: bool) -> Analysis:
    """Leave out notes, paths and names of files, where asked to.

    Parameters
    ----------
    analysis : Analysis
        What was found.
    anonymous : bool
        False returns the analysis as it is.

    Returns
    -------
    Analysis
        With files called ``file 1``, ``file 2`` ... wherever a text named them.
    """
    if not anonymous:
        return analysis
    lines = getattr(analysis.campaign, "runs", ())
    logs = [line.log for line in lines]
    names = dict.fromkeys([*analysis.sha256, *logs, *(log.rsplit("/", 1)[-1] for log in logs)])
    kept = ("campaign.yaml", "runs.csv")
    spoken = {name: f"file {place}" for place, name in enumerate((n for n in names if n and n not in kept), start=1)}
    spoken[str(analysis.campaign.folder)] = "the campaign"

    def speak(text: str) -> str:
        for name in sorted(spoken, key=len, reverse=True):
            text = text.replace(name, spoken[name])
        return text

    return dataclasses.replace(
        analysis,
        campaign=dataclasses.replace(
            analysis.campaign, runs=tuple(dataclasses.replace(line, note="", log=speak(line.log)) for line in lines)
        ),
        runs=tuple(dataclasses.replace(_in_text(run, speak), note="") for run in analysis.runs),
        settings=_in_text(analysis.settings, speak),
        cautions=tuple(speak(caution) for caution in analysis.cautions),
        comparison=_in_text(analysis.comparison, speak),
        throttle=_in_text(analysis.throttle, speak),
        sha256={spoken.get(name, name): digest for name, digest in analysis.sha256.items()},
    )


def _in_text(value: Any, speak: Callable[[str], str]) -> Any:
    """Return a copy in which every free text went through `speak`; identities of runs are left alone."""
    if isinstance(value, str):
        return speak(value)
    if isinstance(value, dict):
        return {key: _in_text(item, speak) for key, item in value.items()}
    if isinstance(value, (tuple, list)) and not hasattr(value, "_fields"):
        return type(value)(_in_text(item, speak) for item in value)
    if dataclasses.is_dataclass(value) and not isinstance(value, type):
        kept = {"run", "treatment", "mount", "baseline", "flag", "severity", "verdict"}
        names = [field.name for field in dataclasses.fields(value) if field.init and field.name not in kept]
        return dataclasses.replace(value, **{name: _in_text(getattr(value, name), speak) for name in names})
    return value
