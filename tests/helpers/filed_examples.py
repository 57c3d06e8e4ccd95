"""Small campaign and build folders with finished reports, made by hand: filing never looks into a log."""

from __future__ import annotations

import hashlib
import json
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from pathlib import Path

LOGS = {
    "logs/run 1.csv": b"t,die [degC],heater [W]\n0,40,60\n",
    "logs/Lauf 2 \xc2\xb0C \xc3\xa9t\xc3\xa9.csv".encode("latin-1").decode(
        "utf-8"
    ): b"t,die [degC],heater [W]\n0,60,90\n",
}


def sha256(content: bytes) -> str:
    """Return the SHA-256 of bytes in hex."""
    return hashlib.sha256(content).hexdigest()


def example_results(sums: dict[str, str], **changes: Any) -> dict[str, Any]:
    """Return results of schema 1 as a comparison of two treatments would give them."""
    results = {
        "schema": 1,
        "thermlab_version": "0.1.0",
        "created": "2026-03-04T10:00:00+00:00",
        "campaign": {
            "title": "Grease or pad",
            "bench": "bench-1",
            "baseline": "grease-a",
            "currency": "EUR",
            "sha256": sums,
        },
        "settings": {"margin_K": 1.0},
        "overrides": {},
        "runs": [],
        "bench": {"mount_sd_K": 0.4, "mount_sd_dof": 4},
        "comparison": {
            "estimand": "reference step",
            "reference_power_W": 90.0,
            "treatments": [
                {"treatment": "pad-b", "verdict": "cooler", "difference_K": -1.21, "interval_K": [-2.0, -0.42]},
            ],
        },
        "throttle": None,
        "value": None,
        "uncertainty_budget": [],
        "cautions": [],
    }
    return results | changes


def make_campaign(folder: Path, *, files: dict[str, bytes] | None = None, **changes: Any) -> Path:
    """Write a campaign folder with a finished report of these inputs."""
    inputs = {"campaign.yaml": b"title: Grease or pad\n", "runs.csv": b"run,treatment\n", **LOGS, **(files or {})}
    for name, content in inputs.items():
        place = folder / name
        place.parent.mkdir(parents=True, exist_ok=True)
        place.write_bytes(content)
    sums = {name: sha256(content) for name, content in inputs.items() if not name.startswith("photos/")}
    write_report(folder, example_results(sums, **changes))
    return folder


def write_report(folder: Path, results: dict[str, Any]) -> None:
    """Write the five files of a finished report."""
    report = folder / "report"
    report.mkdir(exist_ok=True)
    (report / "report.html").write_text("<!DOCTYPE html><title>report</title>", encoding="utf-8")
    (report / "report.ipynb").write_text("{}", encoding="utf-8")
    (report / "runs_reduced.csv").write_text("run,rise_K\n", encoding="utf-8")
    (report / "status.json").write_text(json.dumps({"state": "ok"}), encoding="utf-8")
    (report / "results.json").write_text(json.dumps(results, ensure_ascii=False), encoding="utf-8")


def snapshot(folder: Path) -> dict[str, tuple[int, int, bytes]]:
    """Return mode, time of last change and bytes of everything below a folder, folders and links too."""
    found = {}
    for place in [folder, *sorted(folder.rglob("*"))]:
        status = place.lstat()
        content = place.read_bytes() if place.is_file() and not place.is_symlink() else b""
        found[str(place.relative_to(folder))] = (status.st_mode, status.st_mtime_ns, content)
    return found
