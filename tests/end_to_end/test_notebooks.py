"""Every notebook is thin, stripped, and runs from top to bottom on the demo as it lies in the tree, in any order."""

import ast
import hashlib
import json
import re
import shutil
from pathlib import Path

import nbformat
import pytest
from demo_copies import FAULTY, small_copy
from nbclient import NotebookClient
from traitlets.config import Config

from thermlab.archives.filing import archive
from thermlab.reports.make import report

ROOT = Path(__file__).parents[2]
NOTEBOOKS = sorted([*ROOT.glob("notebooks/*.ipynb"), *ROOT.glob("templates/*.ipynb")])
PERSONAL = sorted(path.stem for path in ROOT.glob("notebooks/*.ipynb"))
RUN_ELSEWHERE = {
    "build_record": "builds/test_records.py",
    "comparison": "reports/test_reports.py",
    "plan_campaign": "planning/test_planning.py",
}
FORBIDDEN = (
    ast.FunctionDef, ast.AsyncFunctionDef, ast.ClassDef, ast.Lambda, ast.For, ast.While, ast.If, ast.IfExp, ast.Try,
    ast.With, ast.ListComp, ast.DictComp, ast.SetComp, ast.GeneratorExp, ast.Compare, ast.BoolOp, ast.UnaryOp,
)  # fmt: skip
COMPUTES = re.compile(r"\b(numpy|np|scipy|pandas|pd|statistics|math|statsmodels)\b")


def read(path):
    return json.loads(path.read_text(encoding="utf-8"))


def cells_of(kind):
    found = [(path, cell) for path in NOTEBOOKS for cell in read(path)["cells"] if kind in ("all", cell["cell_type"])]
    return [pytest.param(cell, id=f"{path.stem}-{cell['id']}") for path, cell in found]


def source(cell):
    return "".join(cell["source"])


@pytest.mark.parametrize("cell", cells_of("code"))
def test_cells_are_thin(cell):
    tree = ast.parse(source(cell))

    is_parameters = "parameters" in cell["metadata"].get("tags", [])
    assert is_parameters or len(source(cell).splitlines()) <= 5
    for node in ast.walk(tree):
        assert not isinstance(node, FORBIDDEN), ast.unparse(node)
        # Dictionaries are put together with "|"; nothing is computed.
        assert not isinstance(node, ast.BinOp | ast.AugAssign) or isinstance(node.op, ast.BitOr), ast.unparse(node)
    assert not COMPUTES.search(source(cell)), "statistics live in the library"


@pytest.mark.parametrize("cell", cells_of("all"))
def test_cells_are_stripped_and_have_stable_names(cell):
    assert re.fullmatch(r"[a-z]+(-[a-z]+)*", cell["id"])
    assert cell.get("outputs", []) == []
    assert cell.get("execution_count") is None
    assert set(cell["metadata"]) <= {"tags"}


@pytest.mark.parametrize("path", NOTEBOOKS, ids=lambda path: path.stem)
def test_notebooks_name_one_kernel_and_nothing_of_a_machine(path):
    notebook = read(path)
    names = [cell["id"] for cell in notebook["cells"]]

    assert notebook["metadata"]["kernelspec"]["name"] == "python3"
    assert set(notebook["metadata"]) == {"kernelspec", "language_info"}
    assert len(set(names)) == len(names)
    nbformat.validate(nbformat.reads(path.read_text(encoding="utf-8"), as_version=4))


@pytest.mark.parametrize("name", PERSONAL)
def test_notebooks_open_with_one_screen_that_says_what_they_are_for(name):
    first = read(ROOT / "notebooks" / f"{name}.ipynb")["cells"][0]

    assert first["cell_type"] == "markdown"
    assert source(first).startswith("# ")
    assert len(source(first).splitlines()) <= 25


def test_the_start_page_leads_to_every_notebook():
    text = "".join(source(cell) for cell in read(ROOT / "notebooks" / "start.ipynb")["cells"])
    links = re.findall(r"\]\(([^)]+\.ipynb)\)", text)

    assert all((ROOT / "notebooks" / link).is_file() for link in links)
    assert {Path(link).stem for link in links} >= set(PERSONAL) - {"start"}
    assert "/lab/tree/notebooks/start.ipynb" in (ROOT / "Makefile").read_text(encoding="utf-8")


# They run as they lie in the tree: from their own folder, with the demo beside it.


@pytest.fixture(scope="module")
def tree(tmp_path_factory):
    folder = tmp_path_factory.mktemp("tree")
    (folder / "notebooks").mkdir()
    small_copy(folder / "demo" / "chart-table")
    return folder


def run(path, tree, *, order=None, **parameters):
    """Run a notebook from the notebooks folder; return it executed."""
    notebook = nbformat.read(path, as_version=4)
    if parameters:
        cell = next(cell for cell in notebook.cells if "parameters" in cell.metadata.get("tags", []))
        cell.source += "".join(f"\n{name} = {value!r}" for name, value in parameters.items())
    if order is not None:
        notebook.cells = order(notebook.cells)
    config = Config({"KernelManager": {"transport_encryption": "auto"}})
    place = {"metadata": {"path": tree / "notebooks"}}
    client = NotebookClient(notebook, timeout=120, kernel_name="python3", config=config, resources=place)
    return client.execute()


def shown(notebook, kind="text/html"):
    outputs = [output for cell in notebook.cells for output in cell.get("outputs", [])]
    assert not [output for output in outputs if output.output_type in ("stream", "error")]
    return [output.data[kind] for output in outputs if kind in output.get("data", {})]


def state_of(tree):
    paths = sorted(path for path in tree.rglob("*") if path.is_file())
    return {path: hashlib.sha256(path.read_bytes()).hexdigest() for path in paths}


def test_every_notebook_is_run_by_some_test():
    here = set(re.findall(r'NOTEBOOK\("(\w+)"\)', Path(__file__).read_text(encoding="utf-8")))

    assert here | set(RUN_ELSEWHERE) == {path.stem for path in NOTEBOOKS}
    for name, file in RUN_ELSEWHERE.items():
        assert re.search(rf"\b{name.split('_')[0]}\b", (ROOT / "tests" / file).read_text(encoding="utf-8"))


def NOTEBOOK(name):
    return ROOT / "notebooks" / f"{name}.ipynb"


def test_the_bench_notebook_shows_its_controls_and_writes_nothing(tree):
    before = state_of(tree)

    views = shown(run(NOTEBOOK("bench"), tree), "application/vnd.jupyter.widget-view+json")

    assert len(views) == 2
    assert state_of(tree) == before


def test_the_exploration_runs_twice_in_any_order_and_writes_nothing(tree):
    before = state_of(tree)

    def there_and_back(cells):
        code = [cell for cell in cells if cell.cell_type == "code"]
        again = [nbformat.v4.new_code_cell(cell.source) for cell in reversed(code)]
        return [*cells, *again]

    done = run(NOTEBOOK("explore_anomalies"), tree, order=there_and_back)

    pages = shown(done)
    pictures = [html for html in pages if '<img src="data:image/svg' in html]
    assert len(pictures) == 2 * 4
    ranking = next(html for html in pages if "Runs by doubt" in html)
    assert re.search(r"<tbody><tr[^>]*><th[^>]*>([^<]+)</th>", ranking).group(1) == FAULTY
    assert any("Nothing written: an exclusion needs a reason." in html for html in pages)
    assert any("The answer, with and without" in html for html in pages)
    assert state_of(tree) == before


def test_an_interrupted_exploration_does_no_harm(tree):
    before = state_of(tree)
    interrupt = "import os, signal, threading\nthreading.Timer({}, os.kill, (os.getpid(), signal.SIGINT)).start()"

    def interrupted_first(cells):
        read = next(cell for cell in cells if cell.id == "read")
        cut = []
        for delay_s in (0.05, 0.3, 0.8):
            # What is to be interrupted takes long enough for the signal to find it, whatever the machine.
            again = nbformat.v4.new_code_cell(f"import time\n{read.source}\ntime.sleep(5)")
            again.metadata["tags"] = ["raises-exception"]
            cut += [nbformat.v4.new_code_cell(interrupt.format(delay_s)), again]
        # Not while numpy is imported: it cannot be imported in that kernel after that.
        imports = nbformat.v4.new_code_cell(read.source.splitlines()[0])
        return [next(cell for cell in cells if "parameters" in cell.metadata.get("tags", [])), imports, *cut, *cells]

    done = run(NOTEBOOK("explore_anomalies"), tree, order=interrupted_first)

    errors = [output for cell in done.cells for output in cell.get("outputs", []) if output.output_type == "error"]
    assert [error.ename for error in errors] == ["KeyboardInterrupt"] * 3
    undisturbed = run(NOTEBOOK("explore_anomalies"), tree)
    for cell in done.cells:
        cell.outputs = [output for output in cell.get("outputs", []) if output.output_type != "error"]
    assert shown(done)[-len(shown(undisturbed)) :] == shown(undisturbed)
    assert state_of(tree) == before


def test_the_first_look_runs_and_writes_nothing(tree):
    before = state_of(tree)

    done = run(NOTEBOOK("first_look"), tree)

    pages = shown(done)
    assert any("logs/tern-grease-1.csv" in html and "sensor log" in html for html in pages)
    assert any("# GUESS" in html and "plover-paste-2-85W" in html for html in pages)
    assert sum(html.count('<img src="data:image/svg') for html in pages) == 2
    assert state_of(tree) == before


def test_what_the_first_look_writes_can_be_explored(tree, tmp_path):
    shutil.copytree(tree / "demo" / "chart-table" / "logs", tmp_path / "new" / "logs")
    (tmp_path / "notebooks").mkdir()

    def asked_to_write(cells):
        cells[-1].source = cells[-1].source.replace("write = False", "write = True")
        return cells

    run(NOTEBOOK("first_look"), tmp_path, order=asked_to_write, logs="../new")
    done = run(NOTEBOOK("explore_anomalies"), tmp_path, campaign="../new")

    assert (tmp_path / "new" / "campaign.yaml").is_file()
    assert any("Runs by doubt" in html and FAULTY in html for html in shown(done))


def test_the_start_page_lists_the_demo(tree):
    done = run(NOTEBOOK("start"), tree)

    assert "../demo/chart-table" in shown(done)[0]


def test_the_history_runs_on_an_archive_of_the_demo(tree, tmp_path):
    campaign = tmp_path / "chart-table"
    shutil.copytree(tree / "demo" / "chart-table", campaign)
    report(campaign)
    archive(campaign, to=tmp_path / "archive")
    (tmp_path / "notebooks").mkdir()

    done = run(NOTEBOOK("history"), tmp_path, archive=str(tmp_path / "archive"))

    outputs = [output for cell in done.cells for output in cell.get("outputs", [])]
    assert not [output for output in outputs if output.output_type == "error"]
    assert any("How much mounts scatter" in str(output.get("data", "")) for output in outputs)
