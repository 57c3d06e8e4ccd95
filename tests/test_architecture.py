"""The map in DEVELOPERS.md is true: every module is on it and imports run one way; starting up stays cheap."""

import ast
import re
import subprocess
import sys
from pathlib import Path

import pytest

ROOT = Path(__file__).parents[1]
MODULES = {path.stem: path for path in (ROOT / "thermlab").glob("*.py") if not path.stem.startswith("__")}
FIGURE_MODULES = re.compile(r"figures(_\w+)?|pictures")
# These cost up to a second each to import; what the library needs of them is in scipy.special and scipy.optimize.
HEAVY = {"matplotlib", "scipy.stats", "seaborn", "statsmodels"}


def layers():
    """Return the layers of the table in DEVELOPERS.md: name and modules, in order."""
    text = (ROOT / "DEVELOPERS.md").read_text(encoding="utf-8").partition("## Map")[2].partition("\n## ")[0]
    rows = [line.split("|")[1:-1] for line in text.splitlines() if line.startswith("|")][2:]
    return [(name.strip(), re.findall(r"`(\w+)`", modules)) for name, modules, _ in rows]


def imported(path, *, on_import_only=False):
    """Return the modules a file imports, those for type checkers aside."""
    found = set()

    def visit(node):
        for child in ast.iter_child_nodes(node):
            if isinstance(child, ast.If) and "TYPE_CHECKING" in ast.unparse(child.test):
                continue
            if on_import_only and isinstance(child, ast.FunctionDef | ast.AsyncFunctionDef | ast.Lambda):
                continue
            if isinstance(child, ast.Import):
                found.update(alias.name for alias in child.names)
            elif isinstance(child, ast.ImportFrom) and child.module:
                found.add(child.module)
                found.update(f"{child.module}.{alias.name}" for alias in child.names)
            visit(child)

    visit(ast.parse(path.read_text(encoding="utf-8")))
    return found


def own(path):
    names = {name.split(".")[1] for name in imported(path) if name.startswith("thermlab.")}
    return names & set(MODULES)


GRAPH = {name: own(path) for name, path in MODULES.items()}


def test_every_module_stands_once_on_the_map():
    listed = [module for _, modules in layers() for module in modules]
    assert sorted(listed) == sorted(set(listed))
    assert sorted(set(MODULES) - set(listed)) == [], "put the new modules on the map in DEVELOPERS.md"
    assert sorted(set(listed) - set(MODULES)) == [], "these modules of the map do not exist"


def test_no_module_imports_from_a_lower_layer():
    rank = {module: i for i, (_, modules) in enumerate(layers()) for module in modules}
    wrong = [
        f"{name} imports {other}"
        for name, others in GRAPH.items()
        for other in others
        if name in rank and other in rank and rank[other] > rank[name]
    ]
    assert wrong == []


def test_no_module_imports_in_a_circle():
    done, open_names = set(), []

    def follow(name):
        assert name not in open_names, " -> ".join([*open_names, name])
        if name not in done:
            open_names.append(name)
            for other in sorted(GRAPH[name]):
                follow(other)
            open_names.pop()
            done.add(name)

    for name in GRAPH:
        follow(name)


def test_only_simulation_knows_the_simulation():
    simulation = set(dict(layers())["simulation"])
    users = [name for name in MODULES if name not in simulation and GRAPH[name] & simulation]
    assert users == []


@pytest.mark.parametrize("name", sorted(MODULES))
def test_modules_stay_small(name):
    assert len(MODULES[name].read_text(encoding="utf-8").splitlines()) <= 400


@pytest.mark.parametrize("name", sorted(name for name in MODULES if not FIGURE_MODULES.fullmatch(name)))
def test_only_figures_import_plotting_and_heavy_statistics(name):
    found = imported(MODULES[name], on_import_only=True)
    assert not {module for module in found if any(module == h or module.startswith(h + ".") for h in HEAVY)}


def loaded_by(*arguments):
    """Return the top-level modules that a fresh Python has loaded after running with these arguments."""
    code = (
        "import runpy, sys\n"
        f"sys.argv = {['thermlab', *arguments]!r}\n"
        "try:\n"
        "    import thermlab\n"
        "    if len(sys.argv) > 1: runpy.run_module('thermlab.cli', run_name='cli')['main'](prog_name='thermlab')\n"
        "except SystemExit as stop:\n"
        "    assert not stop.code, stop.code\n"
        "print('\\nLOADED', *sorted(name.partition('.')[0] for name in sys.modules))\n"
    )
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True, cwd=ROOT)
    return done.stdout, set(done.stdout.rpartition("LOADED")[2].split())


@pytest.mark.parametrize("arguments", [(), ("--help",), ("report", "--help"), ("--version",)])
def test_starting_up_loads_nothing_heavy(arguments):
    shown, loaded = loaded_by(*arguments)
    assert "thermlab" in loaded
    assert not loaded & {"numpy", "pandas", "scipy", "matplotlib", "seaborn", "statsmodels", "papermill", "nbconvert"}
    if arguments == ("--help",):
        assert "Usage: thermlab" in shown


def test_public_names_can_all_be_had():
    code = "import thermlab\nfor name in thermlab.__all__: getattr(thermlab, name)\nprint(len(thermlab.__all__))"
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True, cwd=ROOT)
    assert int(done.stdout) >= 2


def test_unknown_names_are_refused():
    import thermlab

    with pytest.raises(AttributeError, match="no attribute 'anything_else'"):
        thermlab.anything_else  # noqa: B018


def test_what_developers_are_told_to_edit_exists():
    text = (ROOT / "DEVELOPERS.md").read_text(encoding="utf-8").partition("## To change")[2].partition("\n## ")[0]
    for name in re.findall(r"`((?:tests|templates|demo|thermlab)/[\w./-]+)`", text):
        assert (ROOT / name).exists(), name
    for name in re.findall(r"`(\w+\.py)`", text):
        assert (ROOT / "thermlab" / name).exists(), name
