"""How a result shows itself: on one screen for ``print``, as a table in a notebook, as a tidy frame.

A frame has one row per observation and one column per quantity, units in the names. An interval takes two columns:
``interval_K`` becomes ``interval_low_K`` and ``interval_high_K``. What cannot be had is missing, never a number.
"""

import dataclasses
import textwrap
from collections.abc import Iterable, Sequence
from typing import TYPE_CHECKING, Any

from thermlab.base.numbers import Interval, interval_decimals, number, watt_decimals, watts
from thermlab.compare.analysis import Analysis
from thermlab.compare.records import Comparison, ThrottlePower
from thermlab.reports import pages, wording
from thermlab.reports.results import RUN_COLUMNS, filed_run, run_row

if TYPE_CHECKING:
    import pandas as pd

WIDTH = 96
MOST_CAUTIONS = 6


def summary(result: Any) -> str:
    """Return a result as text of one screen, cautions first.

    Parameters
    ----------
    result : Analysis, Comparison or ThrottlePower
        What was found.

    Returns
    -------
    str
        Lines of at most 96 characters, names aside.
    """
    if not isinstance(result, (Comparison, ThrottlePower)):
        return _analysis(result)
    title, heads, rows, notes = _table(result)
    return "\n".join([title, *_cautions(result.cautions), *_aligned(heads, rows), *_wrapped(notes)])


def block(result: Any) -> pages.Block:
    """Return a result as escaped HTML for a notebook.

    Parameters
    ----------
    result : Analysis, Comparison or ThrottlePower
        What was found.

    Returns
    -------
    Block
    """
    if not isinstance(result, (Comparison, ThrottlePower)):
        return pages.join([pages.opening(result), pages.next_steps(result), pages.machine(result)], "\n")
    title, heads, rows, notes = _table(result)
    shown = pages.table(title, heads, rows, numeric=range(1, len(heads) - 1))
    return pages.join([pages.cautions_block(result.cautions), shown, *map(pages.remark, notes)], "\n")


def _analysis(found: Analysis) -> str:
    settings = found.campaign.settings
    cautions = [
        caution.text for caution in found.caution_list if caution.about not in found.sha256
    ]  # no notes on files
    lines = [settings.title, *_wrapped([wording.campaign_line(found) + "."]), *_cautions(cautions)]
    leads = [answer.lead for answer in wording.answers(found)] or ["There is no comparison."]
    powers = [wording.throttle_sentence(found, name) for name in settings.treatments]
    for part in (leads, list(filter(None, powers)), [f"Next: {step}" for step in found.advice.steps]):
        lines += ["", *_wrapped(part)] if part else []
    return "\n".join(lines)


_Shown = tuple[str, tuple[str, ...], list[tuple[str, ...]], list[str]]


def _table(result: Any) -> _Shown:
    return _comparison(result) if isinstance(result, Comparison) else _throttle(result)


def _comparison(found: Comparison) -> _Shown:
    kind = f"{wording.interval_name(found)} in K"
    rows: list[tuple[str, ...]] = []
    for item in found.treatments:
        interval = wording.headline_interval(item)
        decimals = interval_decimals(interval)
        shown, span = number(item.difference_K, decimals, sign=True), wording.ends(interval, decimals, sign=True)
        rows.append((item.treatment, str(item.n_mounts), shown, span, item.verdict))
    title = f"Difference to {found.baseline} at {watts(found.reference_power_W)}"
    notes = [f"Margin {found.settings['margin_K']:g} K. Estimand: {found.estimand}. Method: {found.method}."]
    if found.mount_sd_K is not None and found.mount_sd_dof is not None:
        notes.append(f"Mount SD {found.mount_sd_K:.2g} K with {found.mount_sd_dof:.3g} degrees of freedom.")
    title += ": candidate minus baseline, negative is cooler"
    return title, ("candidate", "mounts", "difference in K", kind, "verdict"), rows, notes


def _throttle(found: ThrottlePower) -> _Shown:
    rows: list[tuple[str, ...]] = []
    for item in found.treatments:
        decimals = watt_decimals(item.interval_W)
        spans = (wording.ends(ends, decimals) for ends in (item.interval_W, item.future_mount_interval_W))
        apart, held = number(item.difference_W, decimals, sign=True), number(item.directly_observed_W, 1)
        rows.append((item.treatment, number(item.throttle_power_W, decimals), *spans, apart, held))
    title = f"Power at which the device reaches {found.temperature_limit_C:g} °C in a room at {found.room_C:g} °C, in W"
    heads = ("treatment", "throttle power", "confidence, mean", "one future mount", "to the baseline", "held at limit")
    return title, heads, rows, [f"Curve: {found.model}."]


def _cautions(cautions: Sequence[str]) -> list[str]:
    if not cautions:
        return []
    shown = [f"- {text}" for text in cautions[:MOST_CAUTIONS]]
    if len(cautions) > MOST_CAUTIONS:
        shown.append(f"- and {len(cautions) - MOST_CAUTIONS} more in .cautions")
    return ["Cautions:", *_wrapped(shown, indent="  ")]


def _wrapped(texts: Iterable[str], *, indent: str = "") -> list[str]:
    wrapper = textwrap.TextWrapper(WIDTH, subsequent_indent=indent, break_long_words=False, break_on_hyphens=False)
    return [line for text in texts for line in wrapper.wrap(text.replace(" degC", " °C"))]


def _aligned(heads: Sequence[str], rows: Sequence[Sequence[str]]) -> list[str]:
    """Return columns of text: the first and the last flush left, numbers flush right."""
    columns = list(zip(heads, *rows, strict=True))
    for place, column in enumerate(columns):
        width, align = max(map(len, column)), str.ljust if place in (0, len(columns) - 1) else str.rjust
        columns[place] = tuple(align(cell, width) for cell in column)
    return ["  ".join(row).rstrip() for row in zip(*columns, strict=True)]


def to_frame(result: Any) -> "pd.DataFrame":
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
    import pandas as pd  # noqa: PLC0415 - words and tables do without

    if hasattr(result, "runs"):
        return pd.DataFrame([run_row(filed_run(run)) for run in result.runs], columns=list(RUN_COLUMNS))
    if hasattr(result, "treatments"):
        return pd.DataFrame([_row(item) for item in result.treatments])
    raise TypeError(f"no frame can be made of {type(result).__name__}")


def _row(record: Any) -> dict[str, Any]:
    row: dict[str, Any] = {}
    for field in dataclasses.fields(record):
        value = getattr(record, field.name)
        if field.type == Interval:
            name, _, unit = field.name.rpartition("_")
            row[f"{name}_low_{unit}"], row[f"{name}_high_{unit}"] = value if value is not None else (None, None)
        elif not isinstance(value, tuple):
            row[field.name] = value
    return row
