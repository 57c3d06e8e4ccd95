"""The page of the coverage study: what was found, and whether it is within what the kit is held to."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import TYPE_CHECKING

from mount_level_cells import COUNTS, HARD, HARMLESS, OTHER_SDS, PLAIN, PRIORS, THROTTLE
from reduction_rules import LEFT_K, READOUTS_K
from trace_level import TRACE_CELLS

if TYPE_CHECKING:
    from collections.abc import Iterable, Mapping, Sequence

    Found = Mapping[str, Mapping[str, float]]

ESTIMANDS = ("alone", "ladder mean", "upper steps", "series resistance")
LINEAR_BIAS_W, RADIATING_BIAS_W = 0.3, 0.7
REPLICATED = [cell.name for cell in (*PLAIN, *OTHER_SDS, *COUNTS)]
WITH_PRIOR = [cell.name for cell in PRIORS]
EQUAL_SDS = [*REPLICATED, *(cell.name for cell in HARMLESS if not cell.sds_K)]
POWER_LAWS = [cell.name for cell in THROTTLE if "radiation" not in cell.name]
RADIATING = [cell.name for cell in THROTTLE if "radiation" in cell.name]
SETTLING = [name for name in TRACE_CELLS if name.startswith("passive") and "cold" not in name and "noise" not in name]
"""Passive, pre-soaked for two time constants or more, readout dithered by its noise."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Held:
    """One thing the kit is held to: the least and the largest value found, and the limits."""

    what: str
    low: float
    high: float
    least: float
    largest: float
    where: str

    @property
    def met(self) -> bool:
        """Whether everything found lies within the limits."""
        return self.low <= self.least and self.largest <= self.high


def held_to(tables: Found, traces: Found, settled: Mapping[str, float], room: Mapping[str, float]) -> list[Held]:
    """Compare what was found with what the kit is held to.

    Parameters
    ----------
    tables, traces : mapping of cell to mapping of key to float
        Results of the two parts of the study.
    settled : mapping of str to float
        Shares of runs that pass as settled.
    room : mapping of str to float
        Errors of the lagged room, K.

    Returns
    -------
    list of Held
    """
    rows = [
        _row("difference, equal mount SDs: coverage of each interval", tables, EQUAL_SDS, ESTIMANDS, 0.94, 0.96),
        _row(
            "difference, equal mount SDs: all intervals at once (Dunnett)", tables, EQUAL_SDS, ("together",), 0.94, 0.96
        ),
        _row("difference, equal mount SDs: any false difference (type I)", tables, EQUAL_SDS, ("type_1",), 0.0, 0.06),
        _row(
            "difference, equal mount SDs: equivalence claimed at the margin",
            tables,
            EQUAL_SDS,
            ("equivalent_at_margin",),
            0.0,
            0.055,
        ),
        _row("with a prior: coverage of each interval", tables, WITH_PRIOR, ("alone",), 0.94, 1.0),
        _row("throttle power, power laws: bias, W", tables, POWER_LAWS, ("bias_W",), -LINEAR_BIAS_W, LINEAR_BIAS_W),
        _row("throttle power, 35 % radiation: bias, W", tables, RADIATING, ("bias_W",), -RADIATING_BIAS_W, 0.7),
        _row(
            "throttle power, power laws: coverage of mean and of a future mount",
            tables,
            [*REPLICATED, *POWER_LAWS],
            ("mean_power", "future_mount"),
            0.935,
            1.0,
        ),
        _row(
            "throttle power, 35 % radiation: coverage of mean and of a future mount",
            tables,
            RADIATING,
            ("mean_power", "future_mount"),
            0.935,
            1.0,
        ),
    ]
    every = list(TRACE_CELLS)
    others = [name for name in every if name not in SETTLING]
    rows += [
        _row("settled rise, passive, pre-soaked: bias, K", traces, SETTLING, ("bias_K",), -0.05, 0.05),
        _row("settled rise, passive, pre-soaked: SD, K", traces, SETTLING, ("run_sd_K",), 0.0, 0.2),
        _row("settled rise, all other benches: bias, K", traces, others, ("bias_K",), -0.05, 0.05),
        _row("from raw logs: coverage of the difference", traces, every, ("covered",), 0.94, 0.96, widened=True),
        _row("from raw logs: coverage of throttle power", traces, every, ("mean_power",), 0.94, 1.0, widened=True),
        _pooled("from raw logs, all cells together: coverage of the difference", traces, "covered", 0.94, 0.96),
        _pooled("from raw logs, all cells together: coverage of throttle power", traces, "mean_power", 0.94, 1.0),
        _extremes("half a kelvin left passes as settled", {r: settled[f"0.5 {r}"] for r in READOUTS_K}, 0.0, 0.06),
        _extremes("nothing left passes as settled", {r: settled[f"0.0 {r}"] for r in READOUTS_K}, 0.95, 1.0),
        _extremes(
            "room drifting 1 K/h, time constant wrong by 25 %: error, K",
            {factor: room[f"drift of 1 K/h, {factor}"] for factor in ("0.75", "1.25")},
            0.0,
            0.07,
        ),
    ]
    return [row for row in rows if row is not None]


def _row(
    what: str,
    found: Found,
    cells: Iterable[str],
    keys: Sequence[str],
    low: float,
    high: float,
    *,
    widened: bool = False,
) -> Held | None:
    values = {}
    slack = 0.0
    for cell in cells:
        for key in keys:
            if cell in found and key in found[cell] and not math.isnan(found[cell][key]):
                values[cell] = found[cell][key]
                values[f"{cell}, {key}"] = found[cell][key]
                if widened:
                    slack = max(slack, 2.0 * math.sqrt(low * (1.0 - low) / found[cell]["campaigns"]))
    return _extremes(what, values, low - slack, min(high + slack, 1.0) if widened else high) if values else None


def _pooled(what: str, found: Found, key: str, low: float, high: float) -> Held | None:
    known = [(cell[key], cell["campaigns"]) for cell in found.values() if not math.isnan(cell[key])]
    if not known:
        return None
    n = sum(count for _, count in known)
    mean = sum(value * count for value, count in known) / n
    slack = 2.0 * math.sqrt(low * (1.0 - low) / n)
    return _extremes(what, {"all": mean}, low - slack, min(high + slack, 1.0))


def _extremes(what: str, values: Mapping[object, float], low: float, high: float) -> Held:
    worst = max(values, key=lambda name: max(low - values[name], values[name] - high))
    return Held(
        what=what, low=low, high=high, least=min(values.values()), largest=max(values.values()), where=str(worst)
    )


def write_page(
    tables: Found,
    traces: Found,
    settled: Mapping[str, float],
    room: Mapping[str, float],
    others: Found,
    *,
    versions: str,
    command: str,
    minutes: float,
    n_settled: int,
) -> str:
    """Return the page as Markdown."""
    n_tables = max((int(cell["campaigns"]) for cell in tables.values()), default=0)
    n_traces = max((int(cell["campaigns"]) for cell in traces.values()), default=0)
    disagreement = max((cell["disagreement"] for cell in tables.values()), default=0.0)
    held = held_to(tables, traces, settled, room)
    missed = [row for row in held if not row.met]
    parts = [
        _HEAD.format(
            n_tables=f"{n_tables:,}".replace(",", " "),
            n_traces=f"{n_traces:,}".replace(",", " "),
            n_settled=f"{n_settled:,}".replace(",", " "),
            error_tables=1.0 if not n_tables else math.sqrt(0.95 * 0.05 / n_tables),
            error_traces=1.0 if not n_traces else math.sqrt(0.95 * 0.05 / n_traces),
            disagreement=disagreement,
            versions=versions,
            command=command,
            minutes=minutes,
        ),
        "## What the kit is held to\n",
        _table(
            ("", "limits", "found", "met", "the one nearest to a limit or beyond it"),
            [
                (
                    row.what,
                    f"{_short(row.low)} to {_short(row.high)}",
                    f"{row.least:.3f} to {row.largest:.3f}",
                    "yes" if row.met else "**no**",
                    row.where,
                )
                for row in held
            ],
        ),
        _missed_words(missed),
        "## Run tables: differences\n",
        _TABLE_WORDS,
        _cells(tables, [c.name for c in (*PLAIN, *OTHER_SDS, *COUNTS, *PRIORS, *HARMLESS)], _DIFFERENCE),
        "\n### Where the assumptions fail\n",
        _HARD_WORDS,
        _cells(tables, [c.name for c in HARD], (*_DIFFERENCE, ("offset found", "offset_found", 3))),
        "\n## Run tables: throttle powers\n",
        _POWER_WORDS,
        _cells(tables, [c.name for c in (*THROTTLE, *PLAIN, *OTHER_SDS, *COUNTS, *PRIORS, *HARMLESS)], _POWER),
        "\n## From raw logs: settled rises\n",
        _TRACE_WORDS,
        _cells(traces, list(TRACE_CELLS), _REDUCED),
        "\n## From raw logs: answers\n",
        _cells(traces, list(TRACE_CELLS), _ANSWERS),
        "\n## Settled or not\n",
        _SETTLED_WORDS,
        _table(
            ("readout", *(f"{left:g} K left" for left in LEFT_K)),
            [(f"{readout:g} K", *(f"{settled[f'{left} {readout}']:.3f}" for left in LEFT_K)) for readout in READOUTS_K],
        ),
        "\n## The room as the sink feels it\n",
        _ROOM_WORDS,
        _room_table(room),
        "\n## Ways the kit does not go\n",
        _OTHER_WORDS,
        _others_table(others),
    ]
    return "\n".join(part for part in parts if part)


_DIFFERENCE = (
    ("reference step", "alone", 3),
    ("ladder mean", "ladder mean", 3),
    ("upper steps", "upper steps", 3),
    ("series resistance", "series resistance", 3),
    ("offset-proof slope", "offset-proof slope", 3),
    ("all at once", "together", 3),
    ("type I", "type_1", 3),
    ("equivalent at the margin", "equivalent_at_margin", 3),
    ("beyond at the margin", "beyond_at_margin", 3),
    ("half-width, K", "half_width_K", 2),
)
_POWER = (
    ("bias, W", "bias_W", 2),
    ("mean", "mean_power", 3),
    ("future mount", "future_mount", 3),
    ("difference", "power_difference", 3),
    ("half-width of the difference, W", "power_half_width_W", 2),
)
_REDUCED = (
    ("bias, K", "bias_K", 3),
    ("top step", "top_bias_K", 3),
    ("worst step", "worst_bias_K", 3),
    ("SD, K", "run_sd_K", 3),
    ("stated u over SD", "stated_over_sd", 2),
    ("called settled", "settled", 2),
    ("runs used", "used", 3),
    ("time constant over truth", "time_constant_ratio", 3),
    ("its SD", "time_constant_sd", 3),
    ("none had", "no_time_constant", 3),
)
_ANSWERS = (
    ("difference: bias, K", "difference_bias_K", 3),
    ("coverage", "covered", 3),
    ("type I", "type_1", 3),
    ("equivalent at the margin", "equivalent_at_margin", 3),
    ("beyond at the margin", "beyond_at_margin", 3),
    ("half-width, K", "half_width_K", 2),
    ("throttle power: bias, W", "bias_W", 2),
    ("mean", "mean_power", 3),
    ("future mount", "future_mount", 3),
    ("difference", "power_difference", 3),
    ("no answer", "no_answer", 3),
)

_HEAD = """# Coverage: nominal against achieved

Written by `make study`, as `{command}`; do not edit.
Simulated campaigns with known truth, judged by the kit: how often its intervals hold the truth, and how often its
claims are wrong. Confidence level 0.95, margin 1 K.

- {n_tables} campaigns in each cell of the run tables: standard error of a coverage {error_tables:.4f}. The
  arithmetic is vectorised; on ten campaigns of each cell its intervals were compared with those of
  `compare_treatments` and `predict_throttle`: largest difference {disagreement:.0e} (K and W).
- {n_traces} campaigns in each cell from raw logs: standard error of a coverage {error_traces:.3f}.
- {n_settled} runs for each entry of the settled rule.
- By default `make study` does 10 000, 1 000 and 5 000; where less stands here, fewer were asked for.
- {versions}; {minutes:.0f} min on the machine that wrote this page.
- `tests/study/test_coverage_study.py` repeats a reduced grid with seeds on every run of the tests.

How the methods were chosen, with sources: [statistics.md](statistics.md).
"""
_TABLE_WORDS = """Bench: 18 K of interface and 45 K of sink at 120 W; ladder of six steps from 40 to 120 W; mounts
scatter by 0.6 K at 120 W unless said, runs by 0.2 K; variance automatic unless said. Coverage of 95 % intervals of one
candidate by estimand; of all candidates at once; any false difference where there is none; a candidate truly 1 K
cooler called equivalent, or cooler by more than 1 K.
"""
_HARD_WORDS = """Not a promise but a warning: unequal scatter, offsets and drift. Equal numbers of mounts in rounds
protect; the automatic choice of Welch is a warning lamp, not a cure; for a treatment known to scatter differently
declare `variance: welch` beforehand.
"""
_POWER_WORDS = """`b P + a P^0.8` per mount against sinks of other exponents and one that radiates; mount SD 0.6 K,
three mounts each unless said; limit at 1.1 of the top step unless said. Truth: the mean over all mounts one could make.
"""
_TRACE_WORDS = """Rows of a logger (1 K readout, noise 0.3 K correlated over 20 s, room probe 0.1 K with 30 s of lag,
room 0.5 K from day to day), two treatments with three mounts each, through cutting, reduction, checks, comparison and
throttle power. Soak in time constants (12 min passive, 2 min forced). Error of a settled rise against the exact steady
state of the bench.
"""
_SETTLED_WORDS = """Share of runs called settled (at most 0.5 K left, shown with its bound); time constant 12 min,
noise 0.3 K.
"""
_ROOM_WORDS = """Largest error of the room passed through the lag of the sink, over the last 15 min, K; time constant
12 min.
"""


_OTHER_WORDS = """Coverage of nominal 95 % intervals (and one bias, one share) on the same kind of campaigns: two
treatments, mount SD 0.6 K, limit at 1.1 of the top step.
"""


def _others_table(others: Found) -> str:
    columns = ("1 mounts", "2 mounts", "3 mounts", "6 mounts")
    rows = []
    for way, found in others.items():
        digits = 2 if "bias" in way else 3
        rows.append((way, *(_number(found.get(column), digits) for column in columns), _number(found.get(""), digits)))
    return _table(("", "1 mount each", "2", "3", "6", "whatever"), rows)


def _missed_words(missed: Sequence[Held]) -> str:
    if not missed:
        return "\nEverything is within its limits.\n"
    return (
        "\nNot within: "
        + "; ".join(f"{row.what} ({row.where})" for row in missed)
        + ". [statistics.md](statistics.md) says why.\n"
    )


def _cells(found: Found, names: Iterable[str], columns: Sequence[tuple[str, str, int]]) -> str:
    rows = [
        (name, *(_number(found[name].get(key), digits) for _, key, digits in columns))
        for name in names
        if name in found
    ]
    return _table(("", *(heading for heading, _, _ in columns)), rows)


def _number(value: float | None, digits: int) -> str:
    return "–" if value is None or math.isnan(value) else f"{value:.{digits}f}"


def _short(value: float) -> str:
    return f"{value:.3f}".rstrip("0").rstrip(".")


def _room_table(room: Mapping[str, float]) -> str:
    names = list(dict.fromkeys(key.rpartition(", ")[0] for key in room))
    kinds = ("not lagged", "0.75", "1", "1.25")
    rows = [(name, *(f"{room[f'{name}, {kind}']:.3f}" for kind in kinds)) for name in names]
    return _table(("room", "not lagged", "constant 25 % low", "right", "25 % high"), rows)


def _table(headings: Sequence[str], rows: Iterable[Sequence[str]]) -> str:
    lines = ["| " + " | ".join(headings) + " |", "| " + " | ".join("---" for _ in headings) + " |"]
    lines += ["| " + " | ".join(row) + " |" for row in rows]
    return "\n".join(lines)


__all__ = ["Held", "held_to", "write_page"]
