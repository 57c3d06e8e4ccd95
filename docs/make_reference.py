"""Write docs/formats.md and docs/data-dictionary.md from the models, the schema and the docstrings they describe."""

import inspect
import json
import re
import sys
import types
import typing
from collections.abc import Iterator
from pathlib import Path
from typing import Any

from pydantic import AliasPath, BaseModel
from pydantic.fields import FieldInfo

from thermlab.campaign.runsheet import BY_HAND, OPTIONAL, REQUIRED
from thermlab.campaign.settings import CampaignSettings, CheckThresholds
from thermlab.compare import analysis, uncertainty, value
from thermlab.compare import records as effects
from thermlab.reports.models import results_schema
from thermlab.reports.results import RUN_COLUMNS
from thermlab.runs import records as runs

DOCS = Path(__file__).resolve().parent
UNITS = (
    ("_K_per_W", "K/W"), ("_K_per_h", "K/h"), ("_percent", "%"), ("_MHz", "MHz"), ("_min", "min"), ("_W", "W"),
    ("_K", "K"), ("_C", "°C"), ("_s", "s"), ("_g", "g"), ("minutes", "min"),
)  # fmt: skip
SHEET = {
    "run": "name of the run, unique in the campaign",
    "treatment": "one of `treatments` in campaign.yaml",
    "mount": "which fresh mount of the treatment; a mount is identified by treatment and mount together",
    "set_power_W": "power step, W",
    "log": "log file, relative to the campaign folder; may not leave it; a run whose log is not there "
    "beside others counts as not made yet",
    "start": "begin of the soak in the log's own time; blank: the last step in power within the file",
    "end": "end of the soak in the log's own time; blank: the end of the file",
    "exclude": "a reason why the run is not used; blank: it is used",
    "note": "anything",
    "lot": "batch of the compound",
    "condition": "age or cycles of the compound, as text",
    "room_C": "room of this run, read off a thermometer; goes before any logged room, and the run needs none",
    "reading_C": "finished reading of the device; without a log it counts less the room, and `log`, `start`, `end` are "
    "blank; beside a log the log counts",
    "started": "when the run was made, a date or `2026-03-31 14:05`, where no log says it",
}
OBJECTS: dict[str, type] = {
    "runs[]": runs.ReducedRun,
    "runs[].flags[]": runs.Flag,
    "runs[].sensors[]": runs.SensorRise,
    "runs[].held": runs.HeldPower,
    "bench": analysis.Bench,
    "comparison": effects.Comparison,
    "comparison.treatments[]": effects.TreatmentComparison,
    "comparison.treatments[].witness": effects.Witness,
    "comparison.lack_of_fit": effects.LackOfFit,
    "comparison.lack_of_fit.kink": effects.Kink,
    "comparison.secondary[]": effects.SecondaryEffect,
    "comparison.offset_check": effects.OffsetCheck,
    "comparison.offset_check.treatments[]": effects.OffsetTest,
    "comparison.mounts[]": effects.MountSummary,
    "comparison.prior": effects.PriorUse,
    "comparison.caution_list[]": effects.Caution,
    "throttle": effects.ThrottlePower,
    "throttle.treatments[]": effects.TreatmentThrottle,
    "throttle.treatments[].observed[]": runs.HeldPower,
    "throttle.treatments[].mounts[]": effects.MountThrottle,
    "throttle.caution_list[]": effects.Caution,
    "value": value.Value,
    "value.treatments[]": value.TreatmentValue,
    "uncertainty_budget[]": uncertainty.BudgetLine,
    "caution_list[]": effects.Caution,
}
MORE = {
    "schema": "1",
    "thermlab_version": "version that wrote the file",
    "created": "when, ISO 8601 with offset",
    "campaign": "what was compared",
    "runs[].settled_rise_K": "settled rise at the set power; null of a reading without a log too",
    "runs[].window_min": "fit window of the level, since the soak began",
    "campaign.title": "as in campaign.yaml",
    "campaign.bench": "as in campaign.yaml",
    "campaign.baseline": "as in campaign.yaml",
    "campaign.currency": "as in campaign.yaml",
    "campaign.sha256": "SHA-256 of every input by its path in the campaign folder",
    "settings": "every number and choice used, defaults and thresholds included",
    "campaign.measured": "when the runs were made; null where the logs have no dates",
    "campaign.measured.from": "beginning of the first soak, ISO 8601 as in runs[].start",
    "campaign.measured.to": "end of the last soak, ISO 8601 as in runs[].end",
    "overrides": "what was tried without touching the campaign: name to [as written, as used]",
    "runs": "every run in the order made",
    "runs[].held": "observation of the throttle power where the run shed power",
    "bench": "what the campaign says about its bench",
    "comparison": "null where there is nothing to compare",
    "throttle": "null without limits",
    "value": "null without prices",
    "uncertainty_budget": "one line per input of the rise, the difference and the throttle power (k = 1)",
    "cautions": "what a reader has to know, the gravest first",
    "caution_list": "the same, with what each is about and where it is to be said",
    "comparison.treatments[].matters_from_W": "power from which the difference reaches the margin",
    "comparison.treatments[].matters_interval_W": "the same at the ends of the interval; null where none is shown, or "
    "more than 20 % outside the steps used",
    "comparison.treatments[].matters_note": "why one of these is null",
    "comparison.treatments[].decision": "what to do with it in the workshop",
    "comparison.treatments[].decision.choice": "keep the baseline, switch, or stock it beside; null: undecided",
    "comparison.treatments[].decision.from_W": "power above which it is worth its price, with stock",
    "comparison.treatments[].decision.text": "the same in a sentence",
    "comparison.one_mount": "without a replicate: what one mount each could have shown, were the scatter known",
    "comparison.one_mount[].mount_sd_K": "scatter between mounts supposed",
    "comparison.one_mount[].smallest_difference_K": "smallest difference whose interval would leave out zero",
    "comparison.one_mount[].throttle_half_width_W": "half-width of the interval of a throttle power",
    "advice": "what to do next: the same words in report, plan and notebooks",
    "advice.state": "where the campaign stands",
    "advice.steps": "what to do, a sentence or two each",
    "advice.text": "the same in one text",
    "advice.mounts_more": "mounts still worth making, by treatment",
    "advice.bench_hours": "soaking that they and the repeats take, by the mounts so far; null where no soak is known",
    "advice.repeats": "runs to make again: it changes a verdict, or narrows an interval by more than a tenth",
    "advice.keep": "runs that went wrong but whose repeat would change nothing",
    "runs[].run": "name of the run, unique in the campaign",
    "runs[].treatment": "as in the run sheet",
    "runs[].mount": "as in the run sheet; a mount is identified by treatment and mount together",
    "runs[].flags[].flag": "which check: checks.md has them all",
    "runs[].flags[].severity": "a note, doubtful (used), or unusable (left out)",
    "bench.time_constant_min": "Time constant of the bench at the highest power step.",
    "bench.u_time_constant_min": "Its standard uncertainty.",
    "bench.mount_sd_dof": "Degrees of freedom of mount_sd_K.",
    "bench.mount_sd_by_treatment": "Mount SD of each treatment by its name, K.",
    "comparison.estimand": "What is compared, in words.",
    "comparison.method": "How, and why this way, in words.",
    "comparison.dof": "Degrees of freedom of the headline intervals; null under Welch with several candidates.",
    "comparison.critical_value": "Point of the headline intervals; null under Welch with several candidates.",
    "comparison.cochran_c": "Cochran's C: largest variance over the sum, with equal counts of two or more.",
    "comparison.treatments[].mean_rise_K": "Mean rise of its mounts at the reference power.",
    "comparison.treatments[].difference_K": "The same less the baseline's; negative is cooler.",
    "throttle.room_C": "The customer's room.",
    "throttle.temperature_limit_C": "The limit of the device.",
    "throttle.treatments[].interval_W": "Confidence interval for the mean of all mounts one could make.",
    "throttle.treatments[].future_mount_interval_W": "Prediction interval: where a single future mount is expected.",
    "throttle.treatments[].difference_interval_W": "Confidence interval of this difference alone.",
    "throttle.treatments[].simultaneous_difference_interval_W": "The same, together with the other candidates.",
    "uncertainty_combined": "the budget put together, one line per quantity",
    "uncertainty_combined[].quantity": "what the budget is of",
    "uncertainty_combined[].u": "combined standard uncertainty, in the unit of the quantity (K or W)",
    "uncertainty_combined[].dof": "effective degrees of freedom (Welch-Satterthwaite); null: infinite",
    "uncertainty_combined[].coverage_factor": "k at the confidence level",
    "uncertainty_combined[].expanded": "expanded uncertainty, k u",
    "uncertainty_combined[].confidence_level": "as a fraction",
}


def unit(name: str) -> str:
    """Return the unit a name ends in, blank for none."""
    if name == "cost_per_K":
        return "currency/K"
    return next((text for ending, text in UNITS if name.endswith(ending)), "")


def attributes(kind: type) -> dict[str, str]:
    """Return what the docstring of a class says about each attribute, on one line each."""
    text = inspect.getdoc(kind) or ""
    block = text.partition("Attributes\n----------\n")[2].partition("\n\n")[0]
    found: dict[str, str] = {}
    for names, words in re.findall(r"^(\S[^:\n]*?) : [^\n]*\n((?: {4}[^\n]*\n?)+)", block + "\n", flags=re.MULTILINE):
        said = " ".join(line.strip() for line in words.splitlines()).replace("``", "`").replace("None", "null")
        found |= {name.strip(): said for name in names.split(",")}
    return found


def cell(text: object) -> str:
    """Return a text fit for a cell of a Markdown table."""
    return str(text).replace("|", "\\|").replace("\n", " ")


def table(heads: tuple[str, ...], rows: list[tuple[object, ...]]) -> str:
    """Return a Markdown table."""
    lines = [heads, ("---",) * len(heads), *rows]
    return "\n".join("| " + " | ".join(map(cell, line)) + " |" for line in lines) + "\n"


def models(kind: object) -> type[BaseModel] | None:
    """Return the model inside an annotation, if there is one."""
    if isinstance(kind, type) and issubclass(kind, BaseModel):
        return kind
    if typing.get_origin(kind) in (typing.Union, types.UnionType, dict, typing.Annotated):
        return next((found for part in typing.get_args(kind) if (found := models(part))), None)
    return None


def allowed(field: FieldInfo) -> str:
    """Return what a value has to keep."""
    signs = {"gt": "> {:g}", "ge": "≥ {:g}", "lt": "< {:g}", "le": "≤ {:g}"}
    found = [
        form.format(limit)
        for constraint in field.metadata
        for name, form in signs.items()
        if (limit := getattr(constraint, name, None)) is not None
    ]
    literal = [part for part in (field.annotation, *typing.get_args(field.annotation)) if _is_literal(part)]
    return ", ".join([*found, *(" or ".join(f"`{v}`" for v in typing.get_args(part)) for part in literal[:1])])


def _is_literal(kind: object) -> bool:
    return typing.get_origin(kind) is typing.Literal


def default(field: FieldInfo) -> str:
    """Return a default as it would be written, or that there is none."""
    if field.is_required():
        return "**required**"
    given = field.get_default(call_default_factory=True)
    if isinstance(given, BaseModel):
        return "see below"
    if given in (None, "", ()):
        return "none"
    return f"`{json.dumps(given)}`".replace('"', "") if isinstance(given, bool | str) else f"`{given:g}`"


def keys(model: type[BaseModel], path: str = "") -> Iterator[tuple[object, ...]]:
    """Yield a row for every key of campaign.yaml except the thresholds."""
    for name, field in model.model_fields.items():
        inner = models(field.annotation)
        alias = field.validation_alias
        shown = path + (".".join(map(str, alias.path)) if isinstance(alias, AliasPath) else name)
        yield f"`{shown}`", default(field), allowed(field), unit(name), field.description or ""
        if inner is not None and inner is not CheckThresholds:
            yield from keys(inner, f"{shown}.NAME." if name == "treatments" else f"{shown}.")


def formats() -> str:
    """Return docs/formats.md."""
    sheet: list[tuple[object, ...]] = [
        (f"`{name}`", "yes" if name in REQUIRED else "no", unit(name), SHEET[name])
        for name in (*REQUIRED, *OPTIONAL, *BY_HAND)
    ]
    checks: list[tuple[object, ...]] = [
        (f"`{name}`", default(field), allowed(field), unit(name), field.description or "")
        for name, field in CheckThresholds.model_fields.items()
    ]
    heads = ("key", "default", "allowed", "unit", "meaning")
    return f"""# File formats

Written by `python docs/make_reference.py` from the models that read the files; `tests/project/test_docs.py` checks it.

A campaign is a folder: `campaign.yaml`, `runs.csv`, `logs/`, and if you like `photos/`. The kit writes `report/`
there; it is no input. `thermlab check CAMPAIGN` says every problem at once: file, line or key, what was found, what is
allowed.

## campaign.yaml

YAML with plain values only. An unknown key is an error that names the nearest known one. `NAME` stands for the name of
a treatment. `log.*` says how the logs are written: nothing is guessed.

{table(heads, list(keys(CampaignSettings)))}
- Exactly one of `log.ambient`, `ambient_log`, `ambient_constant`; with the last, no `uncertainty.ambient_u_K`.
- Price: `uses_per_pack`, or `pack_g` with `use_g`; `packs` lists more packs, and the cheapest by the mount counts.
- `time`: `format` for clock times (Python's `strptime`; several columns are joined by one space), or `unit` for elapsed
  time. `ambient_log.clock_offset_s` is added to the room file's times to bring them to the log's clock.
- In `columns`, `*` and `?` are wildcards and everything else is literal. Of several columns of one name, `NAME#1` is
  the first in the file, `NAME#2` the second; the bare name is refused, for it would be ambiguous.
- `delimiter: "\\t"` is a tab. `missing` lists texts that stand for a missing value; an empty cell always does.
- `prior`: `mount_sd_K_per_W`, or `mount_sd_K` with `at_power_W`.

### Thresholds of the run checks: `checks`

What each flag means: [checks.md](checks.md).

{table(heads, checks)}
## runs.csv

UTF-8, one line per run, commas between the cells; semicolons (then a set power may have a decimal comma) or tabs, as a
spreadsheet may save them, do as well. Runs are ordered by their start where times allow, else by line. The same step
twice on one mount is a repeat and is averaged within the mount.

{table(("column", "must be there", "unit", "meaning"), sheet)}
## Logs

Delimited text as declared under `log`: a header line (found by its column names, so a preamble may stand before it),
a line of units if the logger writes one, then one reading per row. Needed: time, at least one temperature, power;
optional: clock, room. A log may hold one run, one mount or the whole campaign; `start` and `end` cut it. Rows before
`start` serve the room's history only. Logs without dates that cover the same times of day cannot share a room file: it
could be the room of one of them only. `demo/sample_log.csv` is a piece of one:

```
{"".join((DOCS.parent / "demo" / "sample_log.csv").read_text(encoding="utf-8").splitlines(keepends=True)[:4]).rstrip()}
```

Clocks that jump, gaps and missing cells are found and reported, not repaired in silence.

## What comes out

`report/` holds `report.html` (one file, no network, no script), `report.ipynb` (the executed notebook), `results.json`
and `runs_reduced.csv` ([data-dictionary.md](data-dictionary.md)) and `status.json`. Builds and archives:
[build_record.md](build_record.md), [archive.md](archive.md).
"""


def walk(schema: dict[str, Any], node: dict[str, Any], path: str = "") -> Iterator[tuple[str, str]]:
    """Yield every key below a node of the schema with the type of its value."""
    node = resolved(schema, node)
    children = {name: resolved(schema, child) for name, child in node.get("properties", {}).items()}
    for name, child in children.items():
        here = f"{path}.{name}" if path else name
        yield here, kind(child)
        items = resolved(schema, child.get("items", {}))
        if "properties" in items:
            yield from walk(schema, items, f"{here}[]")
        elif "properties" in child:
            yield from walk(schema, child, here)


def resolved(schema: dict[str, Any], node: dict[str, Any]) -> dict[str, Any]:
    """Follow a reference, and take the part that is not null."""
    if "$ref" in node:
        node = schema["$defs"][node["$ref"].rsplit("/", 1)[1]]
    if "anyOf" in node:
        parts = [resolved(schema, part) for part in node["anyOf"] if part.get("type") != "null"]
        node = dict(parts[0] if len(parts) == 1 else {"type": [part["type"] for part in parts]}, nullable=True)
    return node


def kind(node: dict[str, Any]) -> str:
    """Say the type of a value."""
    if "enum" in node:
        return "one of: " + ", ".join("null" if v is None else f"`{v}`" for v in node["enum"])
    if "const" in node:
        return f"`{node['const']}`"
    named = node.get("type", "anything")
    names = [named] if isinstance(named, str) else list(named)
    if node.get("nullable") and "null" not in names:
        names.append("null")
    if node.get("maxItems") == 2:
        names = ["[low, high]" if name == "array" else name for name in names]
    return " or ".join(names)


def meaning(path: str) -> str:
    """Return what a key means, from the list above or from the docstring of what it is written from."""
    if path in MORE:
        return MORE[path]
    parent, _, name = path.rpartition(".")
    return attributes(OBJECTS[parent]).get(name, "") if parent in OBJECTS else ""


def dictionary() -> str:
    """Return docs/data-dictionary.md."""
    schema = results_schema()
    rows: list[tuple[object, ...]] = [
        (f"`{path}`", shown, unit(path.rsplit(".", 1)[-1]), meaning(path)) for path, shown in walk(schema, schema)
    ]
    said = (
        attributes(runs.ReducedRun)
        | {name: meaning(f"runs[].{name}") for name in ("run", "treatment", "mount")}
        | {
            "flags": "every flag with its severity, separated by semicolons",
            "held_power_W": attributes(runs.HeldPower)["held_power_W"],
            "held_rise_K": attributes(runs.HeldPower)["held_rise_K"],
        }
    )
    columns: list[tuple[object, ...]] = [(f"`{name}`", unit(name), said[name]) for name in RUN_COLUMNS]
    return f"""# Data dictionary

Written by `python docs/make_reference.py` from the JSON Schema of results.json and the docstrings
of the library; `tests/project/test_docs.py` checks it.

Names of numbers end in their unit. A difference is candidate minus baseline: negative is cooler. A number that cannot
be had is null and a caution says why. Keys may be added to schema 1, never taken away or given another meaning.

## results.json

{table(("key", "type", "unit", "meaning"), rows)}
## runs_reduced.csv

One row per run in the order made; an empty cell stands for null. `Analysis.to_frame()` has the same columns.

{table(("column", "unit", "meaning"), columns)}
"""


def schema_text() -> str:
    """Return the JSON Schema that is shipped, as the models of results have it."""
    return json.dumps(results_schema(), ensure_ascii=False, indent=1) + "\n"


SCHEMA = DOCS.parent / "thermlab" / "reports" / "schemas" / "results-1.json"
PAGES = {"formats.md": formats, "data-dictionary.md": dictionary}


def main() -> None:
    """Write both pages."""
    for name, write in PAGES.items():
        (DOCS / name).write_text(write().rstrip() + "\n", encoding="utf-8")
        print(f"docs/{name}")
    SCHEMA.write_text(schema_text(), encoding="utf-8")


if __name__ == "__main__":
    sys.exit(main())
