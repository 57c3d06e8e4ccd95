"""Simulated campaigns from raw logs: rows of a logger through every stage of the kit, against known truth.

A campaign is two treatments with three mounts each on a ladder of six steps. Its rows become logs, the logs are cut
into runs, reduced, compared and solved for the throttle power by the same functions that a report uses; only reading
text is left out. Every other campaign has no true difference, the rest have one of exactly the margin.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from functools import lru_cache
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np

from thermlab.campaign.folder import Campaign
from thermlab.campaign.runsheet import RunLine
from thermlab.campaign.settings import CampaignSettings
from thermlab.compare.analysis import Analysis, conclude
from thermlab.logs.log import Log
from thermlab.runs.settled_runs import SettledRuns, settle_runs
from thermlab.runs.trace import Trace, cut_trace
from thermlab.simulate.ladders import simulate_ladders
from thermlab.simulate.network import forced_bench, passive_bench, settled_rise, throttle_power, time_constant_s
from thermlab.simulate.readings import SimulatedRoom, SimulatedSensors

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from thermlab.simulate.ladders import SimulatedLadder
    from thermlab.simulate.network import SimulatedBench

    Floats = NDArray[np.float64]

STEPS_W = np.array([40.0, 56.0, 72.0, 88.0, 104.0, 120.0])
MARGIN_K = 1.0
MOUNTS = 3
RESISTANCE_K_PER_W = 0.15
MOUNT_SD_K = 0.6
LIMIT_AT_W = 1.1 * 120.0
AT_ONCE = 5
BASELINE, CANDIDATE = "grease-a", "pad-b"


@dataclass(frozen=True, slots=True, kw_only=True)
class TraceCell:
    """One kind of bench and log.

    Attributes
    ----------
    name : str
        What it is called in the table.
    cooling : {"passive", "forced"}
    time_constant_min : float
        True time constant at 120 W.
    soak : float
        Soak in time constants.
    candidate_soak : float or None
        That of the candidate, where it is another one.
    presoaked : bool
        Whether the first step is held one more soak before its run begins.
    bench : dict
        Further arguments of the simulated bench.
    room, sensors : SimulatedRoom, SimulatedSensors
    interval_s : float
        Time between rows, s.
    """

    name: str
    cooling: str = "passive"
    time_constant_min: float = 12.0
    soak: float = 2.5
    candidate_soak: float | None = None
    presoaked: bool = True
    bench: dict[str, Any] = field(default_factory=dict)
    room: SimulatedRoom = field(default_factory=lambda: SimulatedRoom(mean_C=22.0, mount_sd_K=0.5))
    sensors: SimulatedSensors = field(default_factory=SimulatedSensors)
    interval_s: float = 5.0

    @property
    def simulated_bench(self) -> SimulatedBench:
        """The bench with its truth."""
        make = passive_bench if self.cooling == "passive" else forced_bench
        return make(time_constant_min=self.time_constant_min, **self.bench)


FINE = SimulatedSensors(resolution_K=0.1)
FORCED = {"cooling": "forced", "time_constant_min": 2.0}
TRACE_CELLS: dict[str, TraceCell] = {
    cell.name: cell
    for cell in (
        TraceCell(name="passive, soak of 2 time constants", soak=2.0),
        TraceCell(name="passive, 2.5"),
        TraceCell(name="passive, 3.3", soak=3.3),
        TraceCell(name="passive, 2.5, readout 0.1 K", sensors=FINE),
        TraceCell(name="passive, 2.5, readout 1 K with noise of only 0.15 K", sensors=SimulatedSensors(noise_K=0.15)),
        TraceCell(
            name="passive, 2.5, room drifting 1 K/h and cycling ±0.5 K",
            room=SimulatedRoom(mean_C=22.0, mount_sd_K=0.5, drift_K_per_h=1.0, sine_K=0.5, sine_period_min=35.0),
        ),
        TraceCell(name="passive, soak 2.5 against 3.75", candidate_soak=3.75),
        TraceCell(name="passive, 2.5, first step from cold", presoaked=False),
        TraceCell(name="passive, 2.5, 35 % radiation", bench={"radiative_share": 0.35}),
        TraceCell(
            name="passive, 2.5, power off set by 1 % (SD)",
            sensors=SimulatedSensors(power_deviation_percent=1.0, overshoot_percent=10.0),
        ),
        TraceCell(
            name="passive, 2.5, heat pipes as a third node",
            bench={"base_capacity_J_per_K": 250.0, "base_resistance_K_per_W": 0.06},
        ),
        TraceCell(name="forced air, 2.5", soak=2.5, interval_s=1.0, **FORCED),
        TraceCell(name="forced air, 10", soak=10.0, interval_s=2.0, **FORCED),
        TraceCell(name="forced air, 10, readout 0.1 K", soak=10.0, interval_s=2.0, sensors=FINE, **FORCED),
    )
}


@lru_cache(maxsize=64)
def truths(name: str) -> dict[str, float]:
    """True answers of a cell: temperature limit, throttle powers (means over mounts) and the time constant."""
    bench = TRACE_CELLS[name].simulated_bench
    limit_C = 22.0 + float(settled_rise(bench, RESISTANCE_K_PER_W, LIMIT_AT_W))
    at, weights = np.polynomial.hermite_e.hermegauss(12)
    shift = MOUNT_SD_K / 120.0 * at
    out = {"limit_C": limit_C, "time_constant_s": time_constant_s(bench, RESISTANCE_K_PER_W, 120.0)}
    for effect in (0.0, -MARGIN_K):
        powers = throttle_power(bench, RESISTANCE_K_PER_W + effect / 120.0 + shift, room_C=22.0, temperature_C=limit_C)
        out[f"power {effect:g}"] = float(weights @ powers / weights.sum())
    return out


def simulate_cell(name: str, n: int, seed: np.random.SeedSequence) -> dict[str, Floats]:
    """Simulate and analyse n campaigns of a cell.

    Parameters
    ----------
    name : str
        A key of :data:`TRACE_CELLS`.
    n : int
        Campaigns; those with an odd place have no true difference.
    seed : SeedSequence
        Where all random numbers come from.

    Returns
    -------
    dict of str to ndarray
        Outcomes by campaign, shape (n,); ``run_error_K`` has the shape (n, 6, 6): campaign, mount, step; NaN where a
        run was not used.
    """
    rng = np.random.default_rng(seed)
    outcomes: list[dict[str, Any]] = []
    for begin in range(0, n, AT_ONCE):
        few = min(AT_ONCE, n - begin)
        effects = np.array([0.0 if (begin + i) % 2 else -MARGIN_K for i in range(few)])
        ladders = _ladders(TRACE_CELLS[name], effects, rng)
        for i in range(few):
            own = [ladders[treatment][i * MOUNTS : (i + 1) * MOUNTS] for treatment in (0, 1)]
            outcomes.append(_outcome(name, own, float(effects[i]), rng))
    return {key: np.array([one[key] for one in outcomes], dtype=float) for key in outcomes[0]}


def _ladders(cell: TraceCell, effects: Floats, rng: np.random.Generator) -> list[list[SimulatedLadder]]:
    """Ladders of both treatments, campaign by campaign."""
    bench = cell.simulated_bench
    found = []
    for treatment in (0, 1):
        soak = cell.soak if treatment == 0 or cell.candidate_soak is None else cell.candidate_soak
        minutes = soak * cell.time_constant_min
        mean = RESISTANCE_K_PER_W + treatment * np.repeat(effects, MOUNTS) / 120.0
        found.append(
            simulate_ladders(
                bench,
                mean + rng.normal(0.0, MOUNT_SD_K / 120.0, mean.size),
                STEPS_W,
                rng=rng,
                soak_min=minutes,
                presoak_min=minutes if cell.presoaked else 0.0,
                # The room has to be known for two time constants before the first run.
                lead_min=max(10.0, 2.0 * cell.time_constant_min),
                interval_s=cell.interval_s,
                step_s=cell.interval_s,
                room=cell.room,
                sensors=cell.sensors,
            )
        )
    return found


@lru_cache(maxsize=64)
def _settings(name: str) -> CampaignSettings:
    cell = TRACE_CELLS[name]
    return CampaignSettings.model_validate(
        {
            "title": name,
            "cooling": cell.cooling,
            "baseline": BASELINE,
            "treatments": {BASELINE: {}, CANDIDATE: {}},
            "decision": {"margin_K": MARGIN_K, "reference_power_W": 120.0},
            "limits": {"temperature_C": truths(name)["limit_C"], "room_C": 22.0},
            "uncertainty": {"temperature_resolution_K": cell.sensors.resolution_K},
            "log": {
                "time": {"columns": ["t"], "unit": "s"},
                "temperature": {"columns": ["core *"], "unit": "degC"},
                "power": {"columns": ["power"], "unit": "W"},
                "ambient": {"columns": ["room"], "unit": "degC"},
            },
        }
    )


def campaign_of(name: str, ladders: list[list[SimulatedLadder]]) -> tuple[Campaign, list[Trace | None]]:
    """Cut the logs of a campaign into its runs, one mount of each treatment a round."""
    settings = _settings(name)
    lines, traces = [], []
    for place in range(MOUNTS):
        for treatment, label in enumerate((BASELINE, CANDIDATE)):
            ladder = ladders[treatment][place]
            log = log_of(f"{label}-{place + 1}", ladder)
            for step, power in enumerate(STEPS_W):
                line = RunLine(
                    run=f"{log.name}-{power:g}",
                    treatment=label,
                    mount=str(place + 1),
                    set_power_W=float(power),
                    log=log.name,
                    line=len(lines) + 2,
                )
                lines.append(line)
                traces.append(
                    cut_trace(
                        line,
                        log,
                        start_s=ladder.log_starts_s[step],
                        end_s=ladder.log_ends_s[step],
                        room=None,
                        limit_C=truths(name)["limit_C"],
                    )
                )
    return Campaign(folder=Path(), settings=settings, runs=tuple(lines), sha256={}), traces


def log_of(name: str, ladder: SimulatedLadder) -> Log:
    """Return the log of one mount as the readers hand it over."""
    sensors = tuple(f"core {i}" for i in range(ladder.temperature_C.shape[1]))
    return Log(
        name=name,
        sha256="",
        clock="elapsed",
        time_s=ladder.time_s,
        raw_time_s=ladder.time_s,
        jumps=(),
        sensors=sensors,
        temperature_C=ladder.temperature_C,
        power_W=ladder.power_W,
        clock_MHz=None,
        ambient_C=ladder.ambient_C,
        notes=(),
        n_missing={},
    )


def _outcome(
    name: str, ladders: list[list[SimulatedLadder]], effect_K: float, rng: np.random.Generator
) -> dict[str, Any]:
    campaign, traces = campaign_of(name, ladders)
    settled = settle_runs(campaign, traces)
    found = conclude(campaign, settled, sha256={}, overrides={})
    return {**_reduced(name, settled, ladders), **_compared(name, found, effect_K, rng)}


def _reduced(name: str, settled: SettledRuns, ladders: list[list[SimulatedLadder]]) -> dict[str, Any]:
    """Errors of the settled rises and of the time constant."""
    error = np.full((2 * MOUNTS, STEPS_W.size), np.nan)
    stated = np.full_like(error, np.nan)
    passed = np.full_like(error, np.nan)
    for run in settled.runs:
        mount, step = int(run.mount) - 1, int(np.argmin(np.abs(STEPS_W - run.set_power_W)))
        treatment = 0 if run.treatment == BASELINE else 1
        row = treatment * MOUNTS + mount
        if run.used and run.rise_K is not None:
            error[row, step] = run.rise_K - ladders[treatment][mount].runs[step].truth.settled_rise_K
            stated[row, step] = run.u_rise_a_K or 0.0
            passed[row, step] = bool(run.settled)
    constant = settled.bench.time_constant
    return {
        "run_error_K": error,
        "stated_u_K": stated,
        "settled": passed,
        "time_constant_ratio": np.nan
        if constant is None
        else constant.time_constant_s / truths(name)["time_constant_s"],
    }


def _compared(name: str, found: Analysis, effect_K: float, rng: np.random.Generator) -> dict[str, Any]:
    """Whether the intervals hold the truth, and what the verdicts say; NaN where the kit gives no answer."""
    keys = ("difference_error_K", "half_width_K", "covered", "equivalent", "beyond", "not_zero")
    out: dict[str, Any] = dict.fromkeys((*keys, "bias_W", "mean_power", "future_mount", "power_difference"), np.nan)
    out["effect_K"] = effect_K
    if found.comparison is None or found.throttle is None:
        return out
    item = found.comparison.treatments[0]
    interval = item.simultaneous_interval_K
    if item.difference_K is not None and interval is not None:
        out["difference_error_K"] = item.difference_K - effect_K
        out["half_width_K"] = 0.5 * (interval[1] - interval[0])
        out["covered"] = interval[0] <= effect_K <= interval[1]
        out["not_zero"] = not interval[0] <= 0.0 <= interval[1]
        out["equivalent"] = item.equivalent
        out["beyond"] = item.verdict == "cooler by more than the margin"
    base, candidate = found.throttle.treatments
    true = truths(name)
    if base.throttle_power_W is not None and base.interval_W is not None:
        out["bias_W"] = base.throttle_power_W - true["power 0"]
        out["mean_power"] = base.interval_W[0] <= true["power 0"] <= base.interval_W[1]
        if base.future_mount_interval_W is not None:
            resistance = RESISTANCE_K_PER_W + rng.normal(0.0, MOUNT_SD_K / 120.0)
            future = float(
                throttle_power(
                    TRACE_CELLS[name].simulated_bench, resistance, room_C=22.0, temperature_C=true["limit_C"]
                )
            )
            out["future_mount"] = base.future_mount_interval_W[0] <= future <= base.future_mount_interval_W[1]
    gap = true[f"power {effect_K:g}"] - true["power 0"]
    if candidate.difference_interval_W is not None:
        out["power_difference"] = candidate.difference_interval_W[0] <= gap <= candidate.difference_interval_W[1]
    return out


def summarise_cell(outcomes: dict[str, Floats]) -> dict[str, float]:
    """Shares, biases and standard deviations over the campaigns of a cell."""
    at_margin = outcomes["effect_K"] != 0.0
    error = outcomes["run_error_K"]
    by_step = np.nanmean(error, axis=(0, 1))
    stated = float(np.sqrt(np.nanmean(outcomes["stated_u_K"] ** 2)))

    def share(key: str, which: Any = slice(None)) -> float:
        values = outcomes[key][which]
        values = values[~np.isnan(values)]
        return float(values.mean()) if values.size else float("nan")

    return {
        "campaigns": float(at_margin.size),
        "used": float(np.mean(~np.isnan(error))),
        "bias_K": float(np.nanmean(error)),
        "top_bias_K": float(by_step[-1]),
        "worst_bias_K": float(by_step[np.argmax(np.abs(by_step))]),
        "run_sd_K": float(np.nanstd(error)),
        "stated_over_sd": stated / float(np.nanstd(error)),
        "settled": float(np.nanmean(outcomes["settled"])),
        "time_constant_ratio": share("time_constant_ratio"),
        "time_constant_sd": float(np.nanstd(outcomes["time_constant_ratio"])),
        "no_time_constant": float(np.isnan(outcomes["time_constant_ratio"]).mean()),
        "difference_bias_K": share("difference_error_K"),
        "no_answer": float(np.isnan(outcomes["covered"]).mean()),
        "half_width_K": share("half_width_K"),
        "covered": share("covered"),
        "type_1": share("not_zero", ~at_margin),
        "equivalent_at_margin": share("equivalent", at_margin),
        "beyond_at_margin": share("beyond", at_margin),
        "bias_W": share("bias_W"),
        "mean_power": share("mean_power"),
        "future_mount": share("future_mount"),
        "power_difference": share("power_difference"),
        "no_power": float(np.isnan(outcomes["bias_W"]).mean()),
    }
