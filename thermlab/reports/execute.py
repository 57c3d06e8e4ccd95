"""Run a notebook template in a fresh kernel and hand back what became of it.

What happened is read from the exception, never from the notebook: a notebook
whose kernel died, or whose cell ran out of time, calls every cell completed.
"""

from __future__ import annotations

import re
import sys
import tempfile
from pathlib import Path
from typing import TYPE_CHECKING, Any

from thermlab.base.errors import InputError, Problem, ReportError

if TYPE_CHECKING:
    from collections.abc import Mapping

    from thermlab.base.errors import ReportState

KERNEL = "python3"
START_TIMEOUT_S = 60
CELL_TIMEOUT_S = 600
_PROBLEM = re.compile(r"(?P<where>.*?): found (?P<found>.*); allowed: (?P<allowed>.*)")
_COLOUR = re.compile("\x1b\\[[0-9;]*m")


class ExecutionFailedError(ReportError):
    """A template was begun and not finished; carries the notebook as far as it got.

    Attributes
    ----------
    notebook : NotebookNode or None
        The executed notebook up to the failure.
    """

    def __init__(self, state: ReportState, cell: int | None, message: str, notebook: Any = None) -> None:
        super().__init__(state, cell, message)
        self.notebook = notebook


def use_light_validation() -> None:
    """Spare a command-line process one second of start-up; call before anything imports nbformat.

    jsonschema loads ``rfc3987_syntax`` if it is installed, which builds some 35 parsers, to check a string format
    that notebooks do not use; None in its place makes jsonschema take it for an optional package that is absent.
    """
    sys.modules.setdefault("rfc3987_syntax", None)  # type: ignore[arg-type]


def template_path(name: str) -> Path:
    """Return the path of a notebook template, in the wheel or beside the package.

    Parameters
    ----------
    name : str
        Such as ``"comparison"``.

    Raises
    ------
    FileNotFoundError
        The installation has no such template.
    """
    here = Path(__file__).resolve().parents[1]
    for folder in (here / "templates", here.parent / "templates"):
        if (folder / f"{name}.ipynb").is_file():
            return folder / f"{name}.ipynb"
    raise FileNotFoundError(f"template {name}.ipynb is not part of this installation")


def execute_template(
    template: Path,
    parameters: Mapping[str, Any],
    *,
    cell_timeout_s: int = CELL_TIMEOUT_S,
    progress: str | None = None,
) -> Any:
    """Execute a template with papermill in a fresh kernel.

    Parameters
    ----------
    template : Path
        Notebook to run.
    parameters : mapping
        JSON-native values for parameters that the template declares.
    cell_timeout_s : int
        Longest time for one cell, s.
    progress : str or None
        Label of a progress bar of cells on standard error; None for no bar.

    Returns
    -------
    NotebookNode
        The executed notebook.

    Raises
    ------
    InputError
        A cell found the input unusable.
    ExecutionFailedError
        A cell raised, the kernel died or a cell ran out of time.
    """
    from jupyter_client.kernelspec import NoSuchKernel  # noqa: PLC0415
    from nbclient.exceptions import CellTimeoutError, DeadKernelError  # noqa: PLC0415
    from papermill.engines import papermill_engines  # noqa: PLC0415
    from papermill.exceptions import PapermillExecutionError  # noqa: PLC0415
    from papermill.execute import raise_for_execution_errors  # noqa: PLC0415
    from papermill.iorw import load_notebook_node  # noqa: PLC0415
    from papermill.parameterize import parameterize_notebook  # noqa: PLC0415
    from traitlets.config import Config  # noqa: PLC0415

    notebook: Any = load_notebook_node(str(template))
    _check_names(notebook, parameters)
    # In steps and not by execute_notebook, which hands back nothing of a notebook whose kernel died.
    notebook = parameterize_notebook(notebook, dict(parameters))
    with tempfile.TemporaryDirectory(prefix="thermlab-", ignore_cleanup_errors=True) as scratch:
        try:
            papermill_engines.execute_notebook_with_engine(
                None,
                notebook,
                kernel_name=notebook.metadata.get("kernelspec", {}).get("name") or KERNEL,
                progress_bar={"desc": progress, "file": sys.stderr, "leave": False} if progress else False,
                start_timeout=START_TIMEOUT_S,
                execution_timeout=cell_timeout_s,
                shutdown_kernel="immediate",
                record_timing=False,
                resources={"metadata": {"path": scratch}},
                # Local messages between this process and its kernel are encrypted; without this each start warns.
                config=Config({"KernelManager": {"transport_encryption": "auto"}}),
            )
            raise_for_execution_errors(notebook, str(Path(scratch, "executed.ipynb")))
        except PapermillExecutionError as error:
            if error.ename == "InputError":
                raise InputError(_problems(error.evalue)) from None
            message = _COLOUR.sub("", f"{error.ename}: {error.evalue}")
            raise ExecutionFailedError("failed", error.cell_index, message, notebook) from error
        except CellTimeoutError as error:
            message = f"a cell took longer than {cell_timeout_s} s"
            raise ExecutionFailedError("timeout", _last_begun(notebook), message, notebook) from error
        except DeadKernelError as error:
            raise ExecutionFailedError("died", _last_begun(notebook), "the kernel died", notebook) from error
        except (NoSuchKernel, OSError, RuntimeError) as error:  # a TimeoutError is an OSError
            message = f"the kernel did not start or answer: {error}"
            raise ExecutionFailedError("died", _last_begun(notebook), message, notebook) from error
    return notebook


def _check_names(notebook: Any, parameters: Mapping[str, Any]) -> None:
    # Values are escaped when they are written into the notebook, names are not: only names that are there may pass.
    source = next((cell.source for cell in notebook.cells if "parameters" in cell.metadata.get("tags", [])), "")
    declared = set(re.findall(r"^([A-Za-z_]\w*)\s*[:=]", source, flags=re.MULTILINE))
    unknown = sorted(set(parameters) - declared)
    if unknown:
        raise InputError([Problem(f"parameter {n!r}", "an unknown name", ", ".join(sorted(declared))) for n in unknown])


def _last_begun(notebook: Any) -> int | None:
    started = [i for i, cell in enumerate(notebook.cells) if cell.metadata.get("papermill", {}).get("start_time")]
    return started[-1] if started else None


def _problems(text: str) -> list[Problem]:
    """Read problems back from the text of an InputError that was raised in the kernel."""
    found = []
    for line in _COLOUR.sub("", text).splitlines():
        match = _PROBLEM.fullmatch(line)
        found.append(Problem(**match.groupdict()) if match else Problem("input", line, "see the documentation"))
    return found


def normalise(notebook: Any, *, parameters: Mapping[str, Any], paths: Mapping[str, str]) -> Any:
    """Take out of an executed notebook what only tells where and when it ran.

    Parameters
    ----------
    notebook : NotebookNode
        As executed; it is changed and returned.
    parameters : mapping
        What the injected cell is to say instead.
    paths : mapping of str to str
        Machine paths and what stands for them in the text of outputs.

    Returns
    -------
    NotebookNode
        The same notebook: no papermill or timing metadata, numbered cells, no machine paths.
    """
    from papermill.translators import PythonTranslator  # noqa: PLC0415

    notebook.metadata.pop("papermill", None)
    for cell in notebook.cells:
        for key in ("papermill", "execution"):
            cell.metadata.pop(key, None)
        if "injected-parameters" in cell.metadata.get("tags", []):
            cell["id"] = "injected-parameters"  # papermill gives it a random one
            cell["source"] = PythonTranslator.codify(dict(parameters), "Parameters").rstrip()
        for output in cell.get("outputs", []):
            _redact(output, paths)
    return notebook


def _redact(output: Any, paths: Mapping[str, str]) -> None:
    for key in ("text", "evalue"):
        if key in output:
            output[key] = _replaced(output[key], paths)
    if "traceback" in output:
        output["traceback"] = [_replaced(line, paths) for line in output["traceback"]]


def _replaced(text: str, paths: Mapping[str, str]) -> str:
    for path in sorted(paths, key=len, reverse=True):
        text = text.replace(path, paths[path])
    return text
