"""Run the cells of the report's notebook in this one process, without Jupyter: the floor a report is measured against.

Usage: plain_report.py CAMPAIGN. What a cell ends in is turned into HTML or pictures as a notebook would ask for it.
"""

import ast
import json
import sys
from typing import Any

from thermlab.reports.execute import template_path


def shown(value: Any) -> None:
    """Ask a value for what a notebook would show of it."""
    if hasattr(value, "_repr_mimebundle_"):
        value._repr_mimebundle_()
    elif hasattr(value, "_repr_html_"):
        value._repr_html_()
    elif isinstance(value, tuple):
        for part in value:
            shown(part)
    else:
        repr(value)


def main() -> None:
    """Execute every code cell, the campaign given in place of the parameter."""
    cells = json.loads(template_path("comparison").read_text(encoding="utf-8"))["cells"]
    names: dict[str, Any] = {}
    for cell in cells:
        if cell["cell_type"] != "code":
            continue
        tree = ast.parse("".join(cell["source"]))
        last = tree.body.pop() if isinstance(tree.body[-1], ast.Expr) else None
        exec(compile(tree, "cell", "exec"), names)
        if isinstance(last, ast.Expr):
            shown(eval(compile(ast.Expression(last.value), "cell", "eval"), names))
        if "parameters" in cell["metadata"].get("tags", []):
            names["campaign"] = sys.argv[1]


if __name__ == "__main__":
    main()
