"""Make ``archive_v1``: a small archive as the first version wrote it, kept so that later versions go on reading it.

Run once, with the version that is to be kept: ``python tests/data/make_archive_v1.py``. The archive is never made
again under this name; a later format gets a script and a folder of its own. The page and the notebook of the report
are left out (a line stands for each) to keep the folder small; inputs, results, settings and versions are whole.
"""

import json
import math
import random
import shutil
import tempfile
from datetime import UTC, datetime
from pathlib import Path

from thermlab.archives.filing import archive
from thermlab.compare.analysis import analyse
from thermlab.reports.results import results_json, runs_reduced_csv, to_results

TARGET = Path(__file__).resolve().parent / "archive_v1"
CAMPAIGN_YAML = """\
title: Grease or pad, kept for later versions
bench: bench-1
baseline: grease-a
currency: EUR
treatments:
  grease-a: {pack_price: 6.40, pack_g: 4.0, use_g: 0.5}
  pad-b: {pack_price: 9.80, uses_per_pack: 6}
decision: {margin_K: 1.0, mounts_planned: 2}
limits: {temperature_C: 95, room_C: 30}
log:
  time: {columns: [t], unit: s}
  temperature: {columns: ["core *"], unit: degC}
  power: {columns: [heater], unit: W}
  ambient: {columns: [room], unit: degC}
uncertainty: {temperature_resolution_K: 0.1}
"""
STEPS_W = (70.0, 90.0, 110.0)
OWN_K_PER_W = {"grease-a": (0.002, -0.003), "pad-b": (-0.017, -0.024)}


def write_log(path: Path, power_W: float, own_K_per_W: float, rng: random.Random) -> None:
    """Write 35 min of a run, a reading every 15 s."""
    settled = 0.15 * power_W + 45.0 * (power_W / 120.0) ** 0.8 + own_K_per_W * power_W
    tau_s = 600.0 * (power_W / STEPS_W[-1]) ** -0.2
    lines = ["t,core 1,core 2,heater,room"]
    for second in range(0, 35 * 60 + 1, 15):
        room = 22.0 + 0.2 * second / 2100.0
        rise = settled * (1.0 - 0.25 * math.exp(-second / tau_s))
        cores = [room + rise - offset + rng.gauss(0.0, 0.1) for offset in (0.0, 1.2)]
        lines.append(f"{second},{cores[0]:.1f},{cores[1]:.1f},{power_W + rng.gauss(0.0, 0.2):.1f},{room:.2f}")
    path.write_text("\n".join(lines) + "\n", encoding="utf-8")


def main() -> None:
    """Write the campaign, analyse it, file it."""
    if TARGET.exists():
        raise SystemExit(f"{TARGET.name} is there already, and is kept as it is")
    rng = random.Random(20261125)
    with tempfile.TemporaryDirectory() as scratch:
        folder = Path(scratch) / "grease-or-pad"
        (folder / "logs").mkdir(parents=True)
        (folder / "report").mkdir()
        (folder / "campaign.yaml").write_text(CAMPAIGN_YAML, encoding="utf-8")
        rows = ["run,treatment,mount,set_power_W,log,start,end,exclude,note"]
        for mount in (1, 2):
            for treatment, own in OWN_K_PER_W.items():
                for power in STEPS_W:
                    name = f"{treatment}-{mount}-{power:g}"
                    write_log(folder / "logs" / f"{name}.csv", power, own[mount - 1], rng)
                    rows.append(f"{name},{treatment},m{mount},{power:g},logs/{name}.csv,,,,")
        (folder / "runs.csv").write_text("\n".join(rows) + "\n", encoding="utf-8")
        results = to_results(analyse(folder), created=datetime(2026, 11, 25, 12, 0, tzinfo=UTC))
        report = folder / "report"
        (report / "report.html").write_text("<!DOCTYPE html><title>left out</title>\n", encoding="utf-8")
        (report / "report.ipynb").write_text("{}\n", encoding="utf-8")
        (report / "results.json").write_text(results_json(results), encoding="utf-8")
        (report / "runs_reduced.csv").write_text(runs_reduced_csv(results), encoding="utf-8")
        status = {"state": "ok", "cell": None, "message": "", "version": results["thermlab_version"]}
        (report / "status.json").write_text(json.dumps(status), encoding="utf-8")
        print(archive(folder, to=Path(scratch) / "archive"))
        (Path(scratch) / "archive/.lock").unlink()
        shutil.copytree(Path(scratch) / "archive", TARGET)


if __name__ == "__main__":
    main()
