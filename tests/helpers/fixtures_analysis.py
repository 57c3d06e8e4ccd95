"""A made-up analysis in the shape of a real one, for tests of pages and figures; every number is invented."""

from __future__ import annotations

import json
import math
from dataclasses import dataclass, field, make_dataclass, replace
from pathlib import Path
from typing import Any

import nbformat
import numpy as np

from thermlab.campaign.settings import CampaignSettings
from thermlab.compare.comparison import compare_treatments
from thermlab.compare.records import Advice, Caution
from thermlab.compare.throttle import predict_throttle
from thermlab.compare.verdict import advise_next
from thermlab.reports import execute as execution
from thermlab.runs.records import Flag, HeldPower, ReducedRun

STEPS_W = (40.0, 55.0, 70.0, 85.0, 100.0)
LONGER = Flag(
    flag="soak length",
    severity="note",
    reason="The soak was 0.2 min longer than planned.",
    evidence={"difference_min": 0.2},
)
OFFSETS_K_PER_W = {"grease-a": 0.0, "pad-b": 0.004, "sheet-c": -0.03}


def record(**fields: Any) -> Any:
    """Return a frozen dataclass of these fields."""
    return make_dataclass("Record", list(fields), frozen=True)(**fields)


@dataclass(frozen=True)
class MadeUpAnalysis:
    """Fields of an analysis."""

    campaign: Any
    overrides: dict[str, Any]
    settings: dict[str, Any]
    runs: tuple[ReducedRun, ...]
    traces: tuple[Any, ...]
    bench: Any
    comparison: Any
    throttle: Any
    value: Any
    budget: tuple[Any, ...]
    caution_list: tuple[Caution, ...]
    sha256: dict[str, str] = field(default_factory=dict)

    @property
    def cautions(self) -> tuple[str, ...]:
        """The sentences."""
        return tuple(caution.text for caution in self.caution_list)

    @property
    def advice(self) -> Advice:
        """As an analysis has it."""
        return advise_next(self.campaign.settings, (), self.runs, self.comparison)


@dataclass(frozen=True)
class MadeUpBench:
    """Fields of a bench."""

    time_constant_min: float | None = 11.8
    u_time_constant_min: float | None = 0.4
    mount_sd_K: float | None = 0.31
    mount_sd_dof: float | None = 6.0
    mount_sd_by_treatment: dict[str, float] = field(default_factory=dict)
    prior: dict[str, Any] | None = None


def rise_K(power_W: float, per_watt: float) -> float:
    return 0.15 * power_W + 45.0 * (power_W / 120.0) ** 0.8 + per_watt * power_W


def made_up_runs(names: dict[str, float], mounts: int, rng: np.random.Generator) -> list[ReducedRun]:
    runs: list[ReducedRun] = []
    for mount in range(1, mounts + 1):
        for name, offset in names.items():
            own = offset + rng.normal(0.0, 0.004)
            for power in STEPS_W:
                rise = rise_K(power, own) + rng.normal(0.0, 0.08)
                runs.append(
                    ReducedRun(
                        run=f"{name}-{mount}-{power:g}", treatment=name, mount=str(mount), set_power_W=power,
                        power_W=power * 1.002, ambient_C=22.1, rise_K=rise, u_rise_K=0.62, u_rise_a_K=0.11,
                        drift_left_K=0.21, end_reading_C=rise + 21.9, end_rise_K=rise - 0.2, sensor="die 2",
                        soak_min=40.0, settled=True, order=len(runs), note="first jar", window_min=(21.0, 40.0),
                        flags=(LONGER,)
                        if power == 55.0 else (),
                    )
                )  # fmt: skip
    return runs


def spoil(runs: list[ReducedRun], limit_C: float) -> list[ReducedRun]:
    """Let one run shed power and leave another unsettled."""
    shed = Flag(
        flag="shed power at limit",
        severity="unusable",
        reason="It held 93.1 W of 100 W at 87.6 degC.",
        evidence={"held_power_W": 93.1},
    )
    held = HeldPower(run="", treatment="", mount="", held_power_W=93.1, held_rise_K=66.1, ambient_C=limit_C - 66.4)
    out = []
    for run in runs:
        if run.treatment == "pad-b" and run.mount == "2" and run.set_power_W == STEPS_W[-1]:
            own = replace(held, run=run.run, treatment=run.treatment, mount=run.mount)
            out.append(replace(run, flags=(shed,), used=False, reason="shed power at limit", held=own, settled=None))
        elif run.treatment == "sheet-c" and run.mount == "1" and run.set_power_W == STEPS_W[0]:
            flag = Flag(
                flag="not settled",
                severity="doubtful",
                reason="2.3 K were still to come.",
                evidence={"drift_left_K": 2.3},
            )
            out.append(replace(run, flags=(flag,), settled=False, drift_left_K=2.3))
        else:
            out.append(run)
    return out


def trace_of(run: ReducedRun, rng: np.random.Generator) -> Any:
    time = np.arange(0.25, 40.0, 0.5)
    left = 12.0 * np.exp(-time / 11.8)
    assert run.rise_K is not None
    return record(
        run=run.run, time_min=time, rise_K=run.rise_K - left + rng.normal(0.0, 0.15, time.size),
        fitted_time_min=time[time > 20.0], fitted_rise_K=(run.rise_K - left)[time > 20.0], window_min=(21.0, 40.0),
    )  # fmt: skip


def made_up_settings(names: list[str], title: str) -> CampaignSettings:
    return CampaignSettings.model_validate(
        {
            "title": title,
            "bench": "table-2",
            "baseline": names[0],
            "currency": "EUR",
            "treatments": {
                name: {"pack_price": 6.0 + i, "uses_per_pack": 8.0, "handling": "spreads easily", "description": "-"}
                for i, name in enumerate(names)
            },
            "decision": {"margin_K": 1.0},
            "limits": {"temperature_C": 88.0, "room_C": 35.0},
            "log": {
                "time": {"columns": ["t"], "unit": "s"},
                "temperature": {"columns": ["die *"], "unit": "degC"},
                "power": {"columns": ["p"], "unit": "W"},
                "ambient": {"columns": ["room"], "unit": "degC"},
            },
        }
    )


def made_up_analysis(
    *,
    names: dict[str, float] | None = None,
    mounts: int = 3,
    title: str = "Grease, pad or sheet",
    seed: int = 5,
    **changes: Any,
) -> Any:
    """Return an analysis of invented runs; `changes` replaces whole fields."""
    rng = np.random.default_rng(seed)
    names = names or OFFSETS_K_PER_W
    listed = list(names)
    settings = made_up_settings(listed, title)
    runs = spoil(made_up_runs(names, mounts, rng), 88.0)
    comparison = compare_treatments(runs, treatments=listed, baseline=listed[0], margin_K=1.0)
    value = record(
        treatments=tuple(
            record(
                treatment=n,
                cost_per_mount=0.75 + 0.1 * i,
                cost_per_K=0.03 if i == 2 else None,
                cost_per_K_interval=None,
                not_beaten=i != 1,
            )
            for i, n in enumerate(listed)
        ),
        cautions=(),
    )
    line = record(
        quantity="difference",
        input="scatter between mounts",
        evaluation="A",
        u=0.31,
        sensitivity=0.816,
        contribution=0.253,
        dof=6.0,
    )
    fields: dict[str, Any] = {
        "campaign": record(folder="/nowhere/campaign", settings=settings, runs=(), sha256={}),
        "overrides": {},
        "settings": {
            "decision": {"margin_K": 1.0, "reference_power_W": None, "confidence_level": 0.95},
            "checks": {"gap_s": 30.0},
        },
        "runs": tuple(runs),
        "traces": tuple(trace_of(run, rng) for run in runs),
        "bench": MadeUpBench(mount_sd_by_treatment=dict.fromkeys(listed, 0.3)),
        "comparison": comparison,
        "throttle": predict_throttle(
            runs,
            treatments=listed,
            baseline=listed[0],
            room_C=35.0,
            temperature_C=88.0,
            held=[r.held for r in runs if r.held],
        ),
        "value": value,
        "budget": (line,),
        "caution_list": comparison.caution_list,
        "sha256": {"campaign.yaml": "a" * 64, "runs.csv": "b" * 64, "logs/all.csv": "c" * 64},
    }
    return MadeUpAnalysis(**(fields | changes))


def all_finite(value: Any) -> bool:
    """Say whether no number anywhere in JSON-native data is NaN or infinite."""
    if isinstance(value, float):
        return math.isfinite(value)
    if isinstance(value, dict):
        return all(all_finite(item) for item in value.values())
    return all(all_finite(item) for item in value) if isinstance(value, list) else True


def analyse(campaign: str, *, anonymous: bool, **overrides: float) -> Any:
    """Stand where the real analysis stands, for tests of what is around it."""
    assert campaign
    assert not anonymous
    return made_up_analysis(overrides={name: (None, value) for name, value in overrides.items()})


def stand_in_template(folder: Path, **changes: str) -> Path:
    """Write the report template with this module's analysis, or other changes of its text, into a folder."""
    notebook = json.loads(execution.template_path("comparison").read_text(encoding="utf-8"))
    here = f"import sys; sys.path.insert(0, {str(Path(__file__).parent)!r}); from fixtures_analysis import analyse"
    imports = "from thermlab.reports import figures"
    swaps = {imports: f"{here}\n{imports}", "results.analysed(": "analyse("} | changes
    for cell in notebook["cells"]:
        text = "".join(cell["source"])
        for old, new in swaps.items():
            text = text.replace(old, new)
        cell["source"] = text.splitlines(keepends=True)
    path = folder / "stand-in.ipynb"
    path.write_text(json.dumps(notebook), encoding="utf-8")
    return path


SMALL_CAMPAIGN = """\
title: Grease, pad or sheet
bench: table-2
baseline: grease-a
treatments: {grease-a: {}, pad-b: {}}
decision: {margin_K: 1.0}
limits: {temperature_C: 95, room_C: 35}
log:
  time: {columns: [t], unit: s}
  temperature: {columns: [die], unit: degC}
  power: {columns: [p], unit: W}
  ambient: {columns: [room], unit: degC}
"""


def write_small_campaign(folder: Path) -> Path:
    """Write a campaign that can be loaded; its log is too short to say anything."""
    (folder / "logs").mkdir(parents=True, exist_ok=True)
    (folder / "campaign.yaml").write_text(SMALL_CAMPAIGN, encoding="utf-8")
    head = "run,treatment,mount,set_power_W,log,start,end,exclude,note\n"
    lines = "".join(f"r{i},{name},1,50,logs/{i}.csv,,,,\n" for i, name in enumerate(("grease-a", "pad-b")))
    (folder / "runs.csv").write_text(head + lines, encoding="utf-8")
    for i in range(2):
        (folder / "logs" / f"{i}.csv").write_text("t,die,p,room\n0,20,50,20\n1,21,50,20\n", encoding="utf-8")
    return folder


PAYLOAD = "<img src=x onerror=alert(1)>\"'&"


def poisoned() -> Any:
    """Return an analysis with a payload in every text that a user can write."""
    analysis = made_up_analysis(
        names={"grease<b>a": 0.0, PAYLOAD: 0.004, "$x$": -0.02},
        title=f"{PAYLOAD} title",
        caution_list=(Caution(PAYLOAD, PAYLOAD),),
    )
    run = replace(
        analysis.runs[0], run=PAYLOAD, mount=PAYLOAD, note="=cmd()", lot=PAYLOAD, condition=PAYLOAD, reason=PAYLOAD,
        used=False, sensor=PAYLOAD,
    )  # fmt: skip
    flagged = replace(
        analysis.runs[1], flags=(replace(analysis.runs[1].flags[0], reason=PAYLOAD, severity="doubtful"),)
    )
    settings = analysis.settings | {"checks": {PAYLOAD: PAYLOAD, "list": [PAYLOAD]}}
    return replace(
        analysis,
        runs=(run, flagged, *analysis.runs[2:]),
        traces=analysis.traces[1:],
        settings=settings,
        sha256={PAYLOAD: "0" * 64},
        overrides={"margin_K": (PAYLOAD, PAYLOAD)},
    )


def analyse_poisoned(campaign: str, **_: float) -> Any:
    """Stand where the real analysis stands, with payloads."""
    assert campaign
    return poisoned()


def small_template(folder, code, name="small"):
    """Write a template with the parameters of the real one and one cell of code."""
    parameters = "campaign = ''\nroom_C = None\ntemperature_C = None\nmargin_K = None\nreference_power_W = None\n"
    cells = [
        nbformat.v4.new_code_cell(
            parameters + "confidence_level = None\nanonymous = False", metadata={"tags": ["parameters"]}
        ),
        nbformat.v4.new_code_cell("print('before')"),
        nbformat.v4.new_code_cell(code),
        nbformat.v4.new_code_cell("print('after')"),
    ]
    metadata = {"kernelspec": {"name": "python3", "display_name": "Python 3", "language": "python"}}
    path = folder / f"{name}.ipynb"
    nbformat.write(nbformat.v4.new_notebook(cells=cells, metadata=metadata), path)
    return path
