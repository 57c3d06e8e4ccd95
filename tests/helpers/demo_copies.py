"""Copies of the demo for tests, with every reading or one of five; the same two runs went wrong."""

import csv
import functools
import importlib.util
import io
import sys
import tempfile
from pathlib import Path

from thermlab.simulate.logs import write_logs

DEMO = Path(__file__).parents[2] / "demo"
FAULTY, SHED = "plover-paste-2-85W", "dulse-pad-3-125W"


@functools.cache
def demo_campaign():
    """Return the simulated campaign of the demo."""
    spec = importlib.util.spec_from_file_location("make_logs", DEMO / "make_logs.py")
    module = importlib.util.module_from_spec(spec)
    sys.modules["make_logs"] = module
    spec.loader.exec_module(module)
    return module.campaign()


@functools.cache
def _logs():
    """Return the demo's logs by name, simulated and written once a session."""
    with tempfile.TemporaryDirectory() as folder:
        write_logs(Path(folder), demo_campaign())
        return {path.name: path.read_text(encoding="utf-8") for path in Path(folder).glob("logs/*.csv")}


def whole_logs(folder, *, every=1):
    """Write the demo's logs into a folder; return the folder they are in."""
    (folder / "logs").mkdir(parents=True)
    for name, text in _logs().items():
        head, *rows = text.splitlines(keepends=True)
        (folder / "logs" / name).write_text("".join([head, *rows[::every]]), encoding="utf-8")
    return folder / "logs"


def small_copy(folder, *, every=5):
    """Write the demo's campaign with one reading of five."""
    whole_logs(folder, every=every)
    for name in ("campaign.yaml", "runs.csv"):
        (folder / name).write_bytes((DEMO / "chart-table" / name).read_bytes())
    return folder


def sheet_rows(folder):
    """Return the run sheet of a campaign as dictionaries."""
    return list(csv.DictReader(io.StringIO((folder / "runs.csv").read_text(encoding="utf-8"))))
