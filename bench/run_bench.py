"""Time `thermlab report` on the demo against an empty notebook through the plain command lines, side by side.

The measure is a ratio within one run, on one machine, in one environment: the report against papermill and nbconvert
doing nothing at all. The best of the rounds is taken of each, since whatever else the machine does only adds time.
"""

import argparse
import json
import os
import platform
import shutil
import statistics
import subprocess
import sys
import tempfile
import time
from collections.abc import Callable
from importlib.metadata import version
from pathlib import Path

ROOT = Path(__file__).resolve().parents[1]
BIN = Path(sys.executable).parent
EMPTY = {
    "cells": [],
    "metadata": {"kernelspec": {"display_name": "Python 3", "language": "python", "name": "python3"}},
    "nbformat": 4,
    "nbformat_minor": 5,
}
PACKAGES = ("thermlab", "numpy", "pandas", "scipy", "papermill", "nbconvert", "ipykernel")


def run(*command: str | Path) -> None:
    """Run a command of this environment, quietly; its complaints are shown if it fails."""
    done = subprocess.run([str(part) for part in command], cwd=ROOT, capture_output=True, text=True, check=False)
    if done.returncode:
        sys.exit(f"{command}: exit status {done.returncode}\n{done.stdout}{done.stderr}")


def empty_notebook(folder: Path) -> None:
    """Run and render a notebook without cells, as anybody would on the command line."""
    (folder / "empty.ipynb").write_text(json.dumps(EMPTY), encoding="utf-8")
    run(BIN / "papermill", folder / "empty.ipynb", folder / "done.ipynb")
    run(BIN / "jupyter", "nbconvert", "--to", "html", "--output-dir", folder, folder / "done.ipynb")


def report(folder: Path) -> None:
    """Make the demo's report, from its logs."""
    run(BIN / "thermlab", "report", ROOT / "demo" / "chart-table", "--out", folder / "report")


def report_afresh(folder: Path) -> None:
    """Make it as the first time: nothing kept from earlier reports."""
    shutil.rmtree(ROOT / "demo" / "chart-table" / ".thermlab", ignore_errors=True)
    report(folder)


CASES: dict[str, Callable[[Path], None]] = {
    "empty notebook, papermill and nbconvert": empty_notebook,
    "thermlab report, first time": report_afresh,
    "thermlab report, again": report,
}


def seconds(case: Callable[[Path], None]) -> float:
    """Time one case in a folder of its own."""
    with tempfile.TemporaryDirectory() as folder:
        start = time.perf_counter()
        case(Path(folder))
        return time.perf_counter() - start


def main() -> None:
    """Run every case in turn, round by round, and print times and ratios."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--rounds", type=int, default=5, help="rounds, default 5")
    rounds = parser.parse_args().rounds
    run(sys.executable, ROOT / "demo" / "make_logs.py")
    empty_notebook_first = seconds(empty_notebook)  # not counted: fills the disk cache
    print(f"{platform.machine()}, {os.cpu_count()} cores, Python {platform.python_version()}")
    print(", ".join(f"{name} {version(name)}" for name in PACKAGES))
    print(f"warming up took {empty_notebook_first:.2f} s; {rounds} rounds")
    times: dict[str, list[float]] = {name: [] for name in CASES}
    for _ in range(rounds):
        for name, case in CASES.items():
            times[name].append(seconds(case))
    reference = min(next(iter(times.values())))
    print(f"{'':42}{'best':>8}{'median':>8}{'ratio':>8}")
    for name, found in times.items():
        print(f"{name:42}{min(found):7.2f}s{statistics.median(found):7.2f}s{min(found) / reference:8.2f}")


if __name__ == "__main__":
    main()
