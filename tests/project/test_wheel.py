"""The wheel, installed in a clean environment without development tools, makes the demo's report."""

import importlib.util
import json
import os
import re
import shutil
import subprocess
import sys
import tomllib
import venv
import zipfile
from pathlib import Path

import pytest
from packaging.requirements import Requirement

ROOT = Path(__file__).resolve().parents[2]
pytestmark = pytest.mark.skipif(
    not os.environ.get("THERMLAB_WHEEL_TEST"), reason="takes minutes and has a step of its own: make wheel-test"
)
TOOLS = ("pytest", "hypothesis", "ruff", "mypy", "hatchling", "bagit", "playwright")


def run(*command, cwd, **environment):
    """Run a command in an environment that knows nothing of this one; return what it printed."""
    inherited = {name: value for name, value in os.environ.items() if not name.startswith(("PYTHON", "VIRTUAL_ENV"))}
    done = subprocess.run(
        [str(part) for part in command],
        cwd=cwd,
        env=inherited | environment,
        capture_output=True,
        text=True,
        check=False,
    )
    assert done.returncode == 0, f"{command}: {done.stdout}\n{done.stderr}"
    return done.stdout


@pytest.fixture(scope="module")
def wheel(tmp_path_factory):
    folder = tmp_path_factory.mktemp("wheel")
    options = ("--no-deps", "--no-build-isolation", "--no-index", "--disable-pip-version-check", "-q")
    run(sys.executable, "-m", "pip", "wheel", ROOT, "-w", folder, *options, cwd=folder)
    (found,) = folder.glob("*.whl")
    return found


@pytest.fixture(scope="module")
def clean(wheel, tmp_path_factory):
    """A new environment with the wheel and what it needs, in the versions of the lock."""
    place = tmp_path_factory.mktemp("clean") / "environment"
    lock = (ROOT / "requirements.lock").read_text(encoding="utf-8")
    pins = place.parent / "pins.txt"
    pins.write_text(
        "\n".join(re.findall(r"^[A-Za-z0-9][^\\\n]*==[^\\\n]*", lock, flags=re.MULTILINE)), encoding="utf-8"
    )
    uv = shutil.which("uv") or (Path(sys.executable).parent / "uv")
    python = place / ("Scripts/python.exe" if os.name == "nt" else "bin/python")
    if Path(uv).exists():
        venv.create(place, symlinks=os.name != "nt", with_pip=False)
        options = ("--quiet", "--compile-bytecode", "--python", python)
        run(uv, "pip", "install", *options, "-c", pins, wheel, cwd=place.parent)
    else:
        venv.create(place, symlinks=os.name != "nt", with_pip=True)
        options = ("-q", "--disable-pip-version-check")
        run(python, "-m", "pip", "install", *options, "-c", pins, wheel, cwd=place.parent)
    return python


def test_the_wheel_holds_the_package_and_nothing_of_its_development(wheel):
    with zipfile.ZipFile(wheel) as file:
        names = file.namelist()
        metadata = file.read(next(name for name in names if name.endswith("METADATA"))).decode()

    assert {name.split("/")[0] for name in names} == {
        "thermlab",
        next(n for n in names if n.endswith("RECORD")).split("/")[0],
    }
    for needed in (
        "archives/index.css",
        "archives/index.html",
        "archives/index.js",
        "builds/record.css",
        "campaign/new.yaml",
        "planning/bench_sheet.css",
        "planning/bench_sheet.html",
        "planning/campaign.yaml",
        "planning/runs.csv.j2",
        "reports/page_theme/thermlab/index.html.j2",
        "reports/page_theme/thermlab/notebook.css",
        "reports/page_theme/thermlab/plain.html",
        "reports/schemas/results-1.json",
        "templates/comparison.ipynb",
        "py.typed",
    ):
        assert f"thermlab/{needed}" in names
    assert not [name for name in names if name.endswith((".pyc", ".csv", ".lock"))]
    declared = tomllib.loads((ROOT / "pyproject.toml").read_text(encoding="utf-8"))["project"]["dependencies"]
    required = {
        Requirement(line).name
        for line in re.findall(r"^Requires-Dist: (.*)$", metadata, flags=re.MULTILINE)
        if "extra" not in line
    }
    assert required == {Requirement(line).name for line in declared}


def test_without_development_tools_it_makes_the_demo(clean, tmp_path):
    bin_folder = clean.parent
    missing = f"import importlib.util as i; print([n for n in {TOOLS!r} if i.find_spec(n)])"
    assert run(clean, "-c", missing, cwd=tmp_path) == "[]\n"
    where = run(clean, "-c", "import thermlab; print(thermlab.__file__)", cwd=tmp_path)
    assert Path(where.strip()).is_relative_to(clean.parents[1])
    assert importlib.util.find_spec("thermlab") is not None  # ours, which must not be the one that is tried

    demo = tmp_path / "demo"
    shutil.copytree(ROOT / "demo", demo, ignore=shutil.ignore_patterns("report", "logs", "__pycache__"))
    run(clean, demo / "make_logs.py", cwd=tmp_path)
    thermlab = bin_folder / "thermlab"
    run(thermlab, "check", demo / "chart-table", cwd=tmp_path)
    said = run(thermlab, "report", demo / "chart-table", cwd=tmp_path)
    assert said.splitlines()[0].endswith("report.html")
    assert json.loads((demo / "chart-table/report/status.json").read_text())["state"] == "ok"
    results = json.loads((demo / "chart-table/report/results.json").read_text())
    assert results["comparison"]["treatments"]
    run(thermlab, "archive", demo / "chart-table", "--to", tmp_path / "store", cwd=tmp_path)
    run(thermlab, "verify", tmp_path / "store", cwd=tmp_path)
    run(thermlab, "history", tmp_path / "store", cwd=tmp_path)
    run(thermlab, "new", tmp_path / "mine", cwd=tmp_path)
