"""A campaign with known truth and build folders with logs that follow from it."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING, Any

import numpy as np
import yaml
from filed_examples import example_results, sha256, write_report

if TYPE_CHECKING:
    from pathlib import Path

LADDER = (50.0, 70.0, 90.0, 110.0)
TIME_CONSTANT_MIN = 10.0
GAIN_K_PER_W = {"grease-a": 0.0, "pad-b": -0.02}


def true_rise_K(power_W: float, *, extra_K_per_W: float = 0.0) -> float:
    """Return the true settled rise of the bench at a power, K."""
    return 0.15 * power_W + 45.0 * (power_W / 120.0) ** 0.8 + extra_K_per_W * power_W


def true_throttle_W(limit_K: float, *, extra_K_per_W: float = 0.0) -> float:
    """Return the power at which the true rise reaches a limit, W."""
    low, high = 1.0, 500.0
    for _ in range(80):
        middle = (low + high) / 2.0
        low, high = (middle, high) if true_rise_K(middle, extra_K_per_W=extra_K_per_W) < limit_K else (low, middle)
    return low


def make_reference(
    folder: Path, *, n_mounts: int = 4, sd_K_per_W: float = 0.006, seed: int = 5, **changes: Any
) -> Path:
    """Write a campaign folder with a finished report of simulated runs."""
    rng = np.random.default_rng(seed)
    runs = []
    for treatment, gain in GAIN_K_PER_W.items():
        for mount in range(1, n_mounts + 1):
            own = gain + rng.normal(0.0, sd_K_per_W)
            for power in LADDER:
                rise = true_rise_K(power, extra_K_per_W=own) + rng.normal(0.0, 0.1)
                runs.append(
                    {"run": f"{treatment}-{mount}-{power:g}", "treatment": treatment, "mount": f"m{mount}"}
                    | {"set_power_W": power, "rise_K": rise, "used": True, "reason": "", "lot": "", "condition": ""}
                )
    inputs = {"campaign.yaml": b"title: x\n", "runs.csv": b"run\n"}
    folder.mkdir(parents=True)
    for name, content in inputs.items():
        (folder / name).write_bytes(content)
    settings = {
        "cooling": "passive",
        "measurand": "hottest",
        "decision": {"margin_K": 1.0, "confidence_level": 0.95},
        "analysis": {"variance": "auto", "order_covariate": False},
        "prior": None,
        "checks": {},
    }
    results = example_results({name: sha256(content) for name, content in inputs.items()}, runs=runs, settings=settings)
    results["bench"] = {"time_constant_min": TIME_CONSTANT_MIN, "u_time_constant_min": 0.3}
    results["campaign"]["bench"] = "bench-1"
    write_report(folder, results | changes)
    return folder


def write_log(
    path: Path,
    power_W: float,
    *,
    extra_K_per_W: float = 0.0,
    soak_min: float = 40.0,
    room_C: float = 22.0,
    seed: int = 1,
) -> None:
    """Write a log every 5 s of a run that begins at 70 % of its settled rise."""
    rng = np.random.default_rng(seed)
    tau = TIME_CONSTANT_MIN * (power_W / LADDER[-1]) ** -0.2
    settled = true_rise_K(power_W, extra_K_per_W=extra_K_per_W)
    lines = ["t,die [degC],heater [W],room [degC]"]
    for second in range(0, int(60 * soak_min), 5):
        # The sink's approach to second order, as the reduction has it for natural convection.
        left = -0.3 * math.exp(-second / 60.0 / tau)
        rise = settled * (1.0 + left - 0.8 * 0.125 * (left / 0.8) ** 2)
        values = (room_C + rise + rng.normal(0.0, 0.05), power_W + rng.normal(0.0, 0.1), room_C + rng.normal(0.0, 0.02))
        lines.append(f"{second}," + ",".join(f"{value:.3f}" for value in values))
    path.parent.mkdir(parents=True, exist_ok=True)
    path.write_text("\n".join(lines) + "\n", encoding="utf-8")


def build_settings(**changes: Any) -> dict[str, Any]:
    """Return the content of a ``build.yaml``."""
    settings = {
        "build": "B-0042",
        "title": "Quiet computer for a reading room",
        "treatment": "pad-b",
        "lot": "L7",
        "campaign": "../campaign",
        "customer": {"room_C": 30, "temperature_C": 95},
        "acceptance": {"least_throttle_power_W": 100},
        "runs": [{"run": "r1", "set_power_W": 90, "log": "logs/r1.csv"}],
        "log": {
            "time": {"columns": ["t"], "unit": "s"},
            "temperature": {"columns": ["die [degC]"], "unit": "degC"},
            "power": {"columns": ["heater [W]"], "unit": "W"},
            "ambient": {"columns": ["room [degC]"], "unit": "degC"},
        },
        "uncertainty": {
            "temperature_resolution_K": 0.1,
            "temperature_u_K": 0.2,
            "ambient_u_K": 0.1,
            "power_u_percent": 0.5,
        },
        "notes": "Keep the vents free.",
        "signature": "The builder",
    }
    return settings | changes


def make_build(folder: Path, *, extra_K_per_W: float = GAIN_K_PER_W["pad-b"], **changes: Any) -> Path:
    """Write a build folder with a log for each of its runs."""
    settings = build_settings(**changes)
    folder.mkdir(parents=True, exist_ok=True)
    for number, run in enumerate(settings["runs"]):
        write_log(folder / run["log"], float(run["set_power_W"]), extra_K_per_W=extra_K_per_W, seed=number + 1)
    (folder / "build.yaml").write_text(yaml.safe_dump(settings, allow_unicode=True), encoding="utf-8")
    return folder
