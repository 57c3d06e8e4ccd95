"""The report template: thin, stripped, and what a notebook runner expects."""

import ast
import json
from itertools import pairwise

import pytest

from thermlab.campaign.parameters import ReportParameters
from thermlab.reports.execute import template_path

NOTEBOOK = json.loads(template_path("comparison").read_text(encoding="utf-8"))
CODE = [cell for cell in NOTEBOOK["cells"] if cell["cell_type"] == "code"]
FORBIDDEN = (
    ast.FunctionDef, ast.AsyncFunctionDef, ast.ClassDef, ast.Lambda, ast.For, ast.While, ast.If, ast.IfExp, ast.Try,
    ast.With, ast.ListComp, ast.DictComp, ast.SetComp, ast.GeneratorExp, ast.Compare, ast.BoolOp,
)  # fmt: skip


def source(cell):
    return "".join(cell["source"])


@pytest.mark.parametrize("cell", CODE, ids=lambda cell: cell["id"])
def test_cells_are_thin(cell):
    tree = ast.parse(source(cell))

    if "parameters" not in cell["metadata"].get("tags", []):
        assert len(source(cell).splitlines()) <= 5
    for node in ast.walk(tree):
        assert not isinstance(node, FORBIDDEN)
        # Dictionaries are put together with "|"; nothing is computed.
        assert not isinstance(node, (ast.BinOp, ast.UnaryOp))
        assert not isinstance(node, ast.AugAssign) or isinstance(node.op, ast.BitOr)


@pytest.mark.parametrize("cell", NOTEBOOK["cells"], ids=lambda cell: cell["id"])
def test_cells_are_stripped_and_have_stable_names(cell):
    assert cell["id"].replace("-", "").isalpha()
    assert cell.get("outputs", []) == []
    assert cell.get("execution_count") is None
    assert set(cell["metadata"]) <= {"tags"}


def test_cell_names_are_unique():
    names = [cell["id"] for cell in NOTEBOOK["cells"]]

    assert len(set(names)) == len(names)


def test_the_notebook_names_one_kernel_and_nothing_of_a_machine():
    assert NOTEBOOK["metadata"]["kernelspec"]["name"] == "python3"
    assert set(NOTEBOOK["metadata"]) == {"kernelspec", "language_info"}


def test_no_text_holds_mathematics_that_would_need_a_script():
    for cell in NOTEBOOK["cells"]:
        assert "$" not in source(cell)


def test_the_runner_reads_names_types_and_help():
    from papermill.inspection import _infer_parameters
    from papermill.iorw import load_notebook_node

    found = {p.name: p for p in _infer_parameters(load_notebook_node(str(template_path("comparison"))))}

    assert set(found) == {"campaign", *ReportParameters.model_fields}
    assert found["campaign"].inferred_type_name == "str"
    assert found["anonymous"].inferred_type_name == "bool"
    assert found["sheet"].inferred_type_name == "Optional[str]"
    for name in set(found) - {"campaign", "anonymous", "sheet"}:
        assert found[name].inferred_type_name == "Optional[float]"
        assert found[name].default == "None"
        assert found[name].help


def test_headings_have_one_top_and_no_gap():
    levels = [
        len(line) - len(line.lstrip("#"))
        for cell in NOTEBOOK["cells"]
        if cell["cell_type"] == "markdown" and "notebook only" not in cell["metadata"].get("tags", [])
        for line in source(cell).splitlines()
        if line.startswith("#")
    ]

    # The title and the first second-level heading come from the campaign.
    assert min(levels) == 2
    assert all(after - before <= 1 for before, after in pairwise(levels))
