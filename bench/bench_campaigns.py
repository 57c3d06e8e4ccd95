"""Campaign folders to measure with: simulated logs of one run each, as many as are asked for.

Runs beyond the first 45 are further names (hard links) of the same 45 logs on further mounts: every one is read and
reduced for itself, and the disk holds them once.
"""

import csv
import os
from dataclasses import replace
from pathlib import Path

import numpy as np

from thermlab.simulate.ladders import SimulatedTreatment, simulate_campaign
from thermlab.simulate.logs import LogDialect, write_campaign
from thermlab.simulate.network import passive_bench

STEPS_W = (45.0, 65.0, 85.0, 105.0, 125.0)
RESISTANCES = {"grease-a": 0.120, "paste-c": 0.103, "pad-b": 0.123}
N_MOUNTS = 3
N_BASE = len(STEPS_W) * len(RESISTANCES) * N_MOUNTS


def write_base(folder: Path, *, n_sensors: int = 16, soak_min: float = 40.0, interval_s: float = 1.0) -> Path:
    """Write 45 logs: time, temperatures, power, clock and room in each; 20 columns with 16 sensors."""
    bench = replace(
        passive_bench(sink_rise_K=46.0, at_power_W=125.0, time_constant_min=12.5),
        core_offsets_K=tuple(np.linspace(-3.0, 0.0, n_sensors).tolist()),
        core_local_K_per_W=(0.0,) * n_sensors,
    )
    campaign = simulate_campaign(
        bench,
        [
            SimulatedTreatment(name=name, resistance_K_per_W=r, mount_sd_K_per_W=0.0035)
            for name, r in RESISTANCES.items()
        ],
        steps_W=STEPS_W,
        rng=np.random.default_rng(11),
        n_mounts=N_MOUNTS,
        soak_min=soak_min,
        interval_s=interval_s,
    )
    return write_campaign(folder, campaign, dialect=LogDialect(files="run", lead_in_min=0.0))


def extend(base: Path, folder: Path, n_runs: int) -> Path:
    """Write a campaign of ``n_runs`` runs from the logs of a base campaign, a whole number of mounts if it can be."""
    (folder / "logs").mkdir(parents=True)
    (folder / "campaign.yaml").write_bytes((base / "campaign.yaml").read_bytes())
    with (base / "runs.csv").open(encoding="utf-8", newline="") as file:
        lines = list(csv.DictReader(file))
    with (folder / "runs.csv").open("w", encoding="utf-8", newline="") as file:
        table = csv.DictWriter(file, list(lines[0]), lineterminator="\n")
        table.writeheader()
        for n in range(n_runs):
            round_, place = divmod(n, len(lines))
            line = dict(lines[place])
            log = f"logs/{n}.csv"
            os.link(base / line["log"], folder / log)
            line |= {"run": f"{line['run']}-{round_}", "mount": f"{line['mount']}-{round_}", "log": log}
            table.writerow(line)
    return folder
