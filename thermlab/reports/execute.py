"""Run a notebook template in a fresh kernel and hand back what became of it.

What happened is read from the exception, never from the notebook: a notebook
whose kernel died, or whose cell ran out of time, calls every cell completed.
"""

from __future__ import annotations

import contextlib
import re
import sys
import threading
from pathlib import Path
from typing import TYPE_CHECKING, Any

from thermlab.base.errors import InputError, Problem, ReportError
from thermlab.reports.kernels import KERNEL, Kernels, engine

if TYPE_CHECKING:
    from collections.abc import Callable, Mapping

    from thermlab.reports.kernels import StartingKernel

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

    notebook: Any = None


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
    meanwhile: Callable[[], None] | None = None,
    kernels: Kernels | None = None,
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
    meanwhile : callable or None
        What to do in another thread while this process waits for the kernel.
    kernels : Kernels or None
        Where a kernel may be starting already.

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
    import nbformat  # noqa: PLC0415

    notebook = nbformat.read(template, as_version=4)  # type: ignore[no-untyped-call]
    _check_names(notebook, parameters)
    name = notebook.metadata.get("kernelspec", {}).get("name") or KERNEL
    try:
        kernel = (kernels or Kernels()).take(name)
    except (KeyError, OSError, RuntimeError) as error:  # KeyError: no kernel of this name
        raise ExecutionFailedError("died", None, f"the kernel did not start: {error}") from error
    try:
        aside = threading.Thread(target=meanwhile or _nothing)
        aside.start()
        try:
            return _execute(notebook, parameters, kernel, cell_timeout_s=cell_timeout_s, progress=progress)
        finally:
            aside.join()
    finally:
        kernel.close()


def _execute(
    notebook: Any, parameters: Mapping[str, Any], kernel: StartingKernel, *, cell_timeout_s: int, progress: str | None
) -> Any:
    import papermill  # noqa: PLC0415
    from nbclient.exceptions import CellTimeoutError, DeadKernelError  # noqa: PLC0415
    from papermill.exceptions import PapermillExecutionError  # noqa: PLC0415

    partial = Path(kernel.folder) / "executed.ipynb"
    try:
        return papermill.execute_notebook(
            notebook,
            str(partial),
            parameters=dict(parameters),
            engine_name=engine(),
            progress_bar={"desc": progress, "file": sys.stderr, "leave": False} if progress else False,
            start_timeout=START_TIMEOUT_S,
            execution_timeout=cell_timeout_s,
            request_save_on_cell_execute=False,
            manager=kernel.manager,
            partial=str(partial),
        )
    except PapermillExecutionError as error:
        if error.ename == "InputError":
            raise InputError(_problems(error.evalue)) from None
        message = _COLOUR.sub("", f"{error.ename}: {error.evalue}")
        raise _failure("failed", error.cell_index, message, partial) from error
    except CellTimeoutError as error:
        raise _failure("timeout", None, f"a cell took longer than {cell_timeout_s} s", partial) from error
    except DeadKernelError as error:
        raise _failure("died", None, "the kernel died", partial) from error
    except (RuntimeError, TimeoutError) as error:
        raise _failure("died", None, f"the kernel did not start or answer: {error}", partial) from error


def _nothing() -> None:
    pass


def _check_names(notebook: Any, parameters: Mapping[str, Any]) -> None:
    # Values are escaped when they are written into the notebook, names are not: only names that are there may pass.
    source = next((cell.source for cell in notebook.cells if "parameters" in cell.metadata.get("tags", [])), "")
    declared = set(re.findall(r"^([A-Za-z_]\w*)\s*[:=]", source, flags=re.MULTILINE))
    unknown = sorted(set(parameters) - declared)
    if unknown:
        raise InputError([Problem(f"parameter {n!r}", "an unknown name", ", ".join(sorted(declared))) for n in unknown])


def _failure(state: Any, cell: int | None, message: str, partial: Path) -> ExecutionFailedError:
    import nbformat  # noqa: PLC0415

    notebook = None
    with contextlib.suppress(OSError, ValueError):
        notebook = nbformat.read(partial, as_version=4)  # type: ignore[no-untyped-call]
    if cell is None and notebook is not None:
        started = [i for i, c in enumerate(notebook.cells) if c.metadata.get("papermill", {}).get("start_time")]
        cell = started[-1] if started else None
    failure = ExecutionFailedError(state, cell, message)
    failure.notebook = notebook
    return failure


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
