"""Results as tidy frames: one row per observation, one column per quantity, units in the names.

An interval takes two columns: ``interval_K`` becomes ``interval_low_K`` and
``interval_high_K``. What cannot be had is missing, never a number.
"""

from __future__ import annotations

import dataclasses
from typing import TYPE_CHECKING, Any

import pandas as pd

from thermlab.reports.results import RUN_COLUMNS

if TYPE_CHECKING:
    from collections.abc import Iterable

    from thermlab.compare.records import Comparison
    from thermlab.runs.records import ReducedRun


def to_frame(result: Any) -> pd.DataFrame:
    """Return a result as a tidy frame.

    Parameters
    ----------
    result : Analysis, Comparison, ThrottlePower or Value
        An analysis gives one row per run in the order made, with the columns of ``runs_reduced.csv``; a comparison one
        row per candidate; a throttle power and a value one row per treatment.

    Returns
    -------
    pandas.DataFrame
        Names of columns end in their unit.

    Raises
    ------
    TypeError
        If the result is something else.
    """
    if hasattr(result, "runs"):
        return pd.DataFrame([_run_row(run) for run in result.runs], columns=list(RUN_COLUMNS))
    if hasattr(result, "treatments"):
        return records_frame(result.treatments)
    raise TypeError(f"no frame can be made of {type(result).__name__}")


def mounts_frame(comparison: Comparison) -> pd.DataFrame:
    """Return the used mounts of a comparison, one row each, with their rise at the reference power."""
    return records_frame(comparison.mounts)


def records_frame(records: Iterable[Any]) -> pd.DataFrame:
    """Return frozen records as rows: intervals as two columns, what holds further records left out.

    Parameters
    ----------
    records : iterable of dataclass instances
        Of one type.

    Returns
    -------
    pandas.DataFrame
    """
    return pd.DataFrame([_row(record) for record in records])


def _run_row(run: ReducedRun) -> dict[str, Any]:
    special = {
        "flags": "; ".join(f"{flag.flag} ({flag.severity})" for flag in run.flags),
        "held_power_W": None if run.held is None else run.held.held_power_W,
        "held_rise_K": None if run.held is None else run.held.held_rise_K,
    }
    return {name: special[name] if name in special else getattr(run, name) for name in RUN_COLUMNS}


def _row(record: Any) -> dict[str, Any]:
    row: dict[str, Any] = {}
    for field in dataclasses.fields(record):
        value, kind = getattr(record, field.name), str(field.type)
        if "Interval" in kind:
            name, _, unit = field.name.rpartition("_")
            row[f"{name}_low_{unit}"], row[f"{name}_high_{unit}"] = value if value is not None else (None, None)
        elif not isinstance(value, tuple):
            row[field.name] = value
    return row
