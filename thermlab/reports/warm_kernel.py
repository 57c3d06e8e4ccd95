"""IPython extension by which a report's kernel imports the library while it starts, and nothing else."""

from __future__ import annotations

from importlib import import_module
from typing import Any

NEEDED = (
    "thermlab.campaign.parameters",
    "thermlab.compare.analysis",
    "thermlab.reports.figures",
    "thermlab.reports.pages",
    "thermlab.reports.tables",
)


def load_ipython_extension(shell: Any) -> None:  # noqa: ARG001 - the name and argument are IPython's
    """Import what the templates import; names in the notebook stay as they are."""
    for name in NEEDED:
        import_module(name)
