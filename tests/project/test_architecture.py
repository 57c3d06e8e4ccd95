"""Packages stand in one order and imports run one way, as the map in DEVELOPERS.md says; starting up stays cheap."""

import ast
import graphlib
import importlib
import re
import subprocess
import sys
from pathlib import Path

import pytest

ROOT = Path(__file__).parents[2]
FILES = sorted((ROOT / "thermlab").rglob("*.py"))
DRAWING = re.compile(r"figures(_\w+)?|pictures")
# These cost up to a second each to import; what the library needs of them it imports where it is used.
HEAVY = {"matplotlib", "scipy.stats", "seaborn", "statsmodels"}


def module_of(path):
    parts = path.relative_to(ROOT).with_suffix("").parts
    return ".".join(parts[:-1] if parts[-1] == "__init__" else parts)


MODULES = {module_of(path): path for path in FILES}
PACKAGES = sorted(path.parent.name for path in (ROOT / "thermlab").glob("*/__init__.py"))


def package_of(module):
    return module.split(".")[1] if module.count(".") and module.split(".")[1] in PACKAGES else ""


def imports(module, *, on_import_only=False):
    """Return what a module imports as (module, name), for type checkers alone too unless on_import_only."""
    found = []

    def visit(node):
        for child in ast.iter_child_nodes(node):
            if on_import_only and isinstance(child, ast.If) and "TYPE_CHECKING" in ast.unparse(child.test):
                continue
            if on_import_only and isinstance(child, ast.FunctionDef | ast.AsyncFunctionDef | ast.Lambda):
                continue
            if isinstance(child, ast.Import):
                found.extend((alias.name, None) for alias in child.names)
            elif isinstance(child, ast.ImportFrom):
                found.extend((child.module, alias.name) for alias in child.names)
            visit(child)

    visit(ast.parse(MODULES[module].read_text(encoding="utf-8")))
    return found


def target(module, name):
    return f"{module}.{name}" if f"{module}.{name}" in MODULES else module


# The face of the whole looks up every name on purpose, and nobody inside asks it for more than the version.
GRAPH = {
    module: {target(*pair) for pair in imports(module)} & set(MODULES) - {"thermlab", module}
    for module in MODULES
    if module != "thermlab"
}
PACKAGE_GRAPH = {
    package: {package_of(other) for module in GRAPH if package_of(module) == package for other in GRAPH[module]}
    - {package, ""}
    for package in PACKAGES
}


def documented():
    """Return the packages in the order of the table in DEVELOPERS.md."""
    text = (ROOT / "DEVELOPERS.md").read_text(encoding="utf-8").partition("## Map")[2].partition("\n## ")[0]
    return re.findall(r"^\| `(\w+)` \|", text, flags=re.MULTILINE)


@pytest.mark.parametrize("graph", [GRAPH, PACKAGE_GRAPH], ids=["files", "packages"])
def test_nothing_imports_in_a_circle_type_only_imports_counted(graph):
    graphlib.TopologicalSorter(graph).prepare()


def test_every_package_has_a_line_in_the_map():
    assert sorted(documented()) == PACKAGES


def test_a_package_imports_only_packages_above_it_in_the_map():
    rank = {package: i for i, package in enumerate(documented())}
    upward = [(a, b) for a, others in PACKAGE_GRAPH.items() for b in others if rank[b] > rank[a]]
    assert upward == []


@pytest.mark.parametrize("package", PACKAGES)
def test_a_package_says_what_it_is_and_its_face_holds(package):
    face = importlib.import_module(f"thermlab.{package}")

    assert face.__doc__
    assert len(face.__doc__.splitlines()[0]) > 20
    assert face.__all__ == sorted(face.__all__) == face.__dir__()
    for name in face.__all__:
        assert getattr(face, name) is not None
        assert f"thermlab.{package}.{name}" not in MODULES, "a file would hide the name"
    with pytest.raises(AttributeError, match="no attribute 'anything_else'"):
        face.anything_else  # noqa: B018


def test_other_packages_import_public_names_only():
    inside = []
    for module in GRAPH:
        for source, name in imports(module):
            package = package_of(source or "")
            if package and package != package_of(module) and target(source, name) == source:
                public = importlib.import_module(f"thermlab.{package}").__all__
                if source != f"thermlab.{package}" and name not in public and name != "face":
                    inside.append((module, source, name))
    assert inside == []


def test_only_tests_demo_and_studies_know_the_simulation():
    assert [package for package, others in PACKAGE_GRAPH.items() if "simulate" in others] == []


def test_what_the_kit_is_built_on_is_used():
    used = {source.partition(".")[0] for module in MODULES for source, _ in imports(module) if source}
    assert used >= {"pandas", "numpy", "statsmodels", "seaborn", "papermill", "nbconvert"}


@pytest.mark.parametrize("module", sorted(name for name in MODULES if not DRAWING.fullmatch(name.rpartition(".")[2])))
def test_only_figures_import_plotting_and_heavy_statistics(module):
    found = {target(*pair) if pair[1] else pair[0] for pair in imports(module, on_import_only=True)}
    assert not {name for name in found if any(name == heavy or name.startswith(heavy + ".") for heavy in HEAVY)}


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
