"""Run a notebook template in a fresh kernel and hand back what became of it.

What happened is read from the exception, never from the notebook: a notebook
whose kernel died, or whose cell ran out of time, calls every cell completed.

A kernel is a process that takes a second or two to start and to import the
library, so it may start before it is needed: the first while this process
imports what runs and renders notebooks, the next while a report is computed.
"""

import contextlib
import os
import re
import sys
import tempfile
from collections.abc import Callable, Mapping
from concurrent.futures import ThreadPoolExecutor
from importlib import import_module
from pathlib import Path
from typing import Any

from thermlab.base.errors import InputError, Problem, ReportError

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


class _StartingKernel:
    """A fresh kernel in a scratch folder of its own, for one notebook."""

    def __init__(self) -> None:
        from jupyter_client.manager import AsyncKernelManager  # noqa: PLC0415
        from jupyter_core.utils import run_sync  # noqa: PLC0415
        from traitlets.config import Config  # noqa: PLC0415

        self._run_sync = run_sync
        self._scratch = tempfile.TemporaryDirectory(prefix="thermlab-", ignore_cleanup_errors=True)
        # Local messages between this process and its kernel are encrypted; without this each start warns.
        config = Config({"KernelManager": {"transport_encryption": "auto"}})
        self.manager: Any = AsyncKernelManager(kernel_name=KERNEL, config=config)
        arguments = ["--ext=thermlab.reports.execute", "--HistoryManager.hist_file=:memory:"]
        try:
            run_sync(self.manager.start_kernel)(cwd=self._scratch.name, extra_arguments=arguments)
        except BaseException:
            self._scratch.cleanup()
            raise

    def close(self) -> None:
        """End the kernel if it still runs, and remove its folder."""
        with contextlib.suppress(RuntimeError, OSError):
            if self.manager.has_kernel:
                self._run_sync(self.manager.shutdown_kernel)(now=True)
            self._run_sync(self.manager.cleanup_resources)()
        self._scratch.cleanup()


def load_ipython_extension(shell: Any) -> None:  # noqa: ARG001 - the name and argument are IPython's
    """Let a report's kernel import the library while it starts; names in the notebook stay as they are."""
    for name in ("campaign.parameters", "reports.figures", "reports.models", "reports.tables"):
        import_module(f"thermlab.{name}")


class Kernels:
    """Hands out kernels; one may be starting in advance.

    Used as a context manager: a kernel that nobody took is ended.
    """

    def __init__(self) -> None:
        self._next: _StartingKernel | None = None

    def __enter__(self) -> "Kernels":
        return self

    def __exit__(self, *_: object) -> None:
        if self._next is not None:
            self._next.close()

    def begin(self) -> None:
        """Let a kernel start in advance, unless one does already."""
        if self._next is None:
            self._next = _StartingKernel()

    def take(self) -> _StartingKernel:
        """Return a kernel that nobody else has; whoever takes it closes it."""
        taken, self._next = self._next, None
        return taken or _StartingKernel()


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
    try:
        kernel = (kernels or Kernels()).take()
    except (KeyError, OSError, RuntimeError) as error:  # KeyError: no kernel of its name
        raise ExecutionFailedError("died", None, f"the kernel did not start: {error}") from error
    with contextlib.closing(kernel), ThreadPoolExecutor(max_workers=1) as aside:
        if meanwhile is not None:
            aside.submit(meanwhile)
        return _execute(notebook, parameters, kernel, cell_timeout_s=cell_timeout_s, progress=progress)


def _execute(
    notebook: Any, parameters: Mapping[str, Any], kernel: _StartingKernel, *, cell_timeout_s: int, progress: str | None
) -> Any:
    from nbclient.exceptions import CellTimeoutError, DeadKernelError  # noqa: PLC0415
    from papermill.clientwrap import PapermillNotebookClient  # noqa: PLC0415
    from papermill.engines import NotebookExecutionManager  # noqa: PLC0415
    from papermill.execute import PapermillExecutionError, raise_for_execution_errors  # noqa: PLC0415
    from papermill.iorw import load_notebook_node  # noqa: PLC0415
    from papermill.log import logger  # noqa: PLC0415
    from papermill.parameterize import parameterize_notebook  # noqa: PLC0415

    notebook = parameterize_notebook(load_notebook_node(notebook), dict(parameters))
    bar = {"desc": progress, "file": sys.stderr, "leave": False} if progress else False
    managed = NotebookExecutionManager(notebook, progress_bar=bar)
    how = {"startup_timeout": START_TIMEOUT_S, "timeout": cell_timeout_s, "record_timing": False}
    try:
        managed.notebook_start()
        # It is not saved before and after every cell, which takes as long as all the cells together.
        client = PapermillNotebookClient(managed, kernel.manager, shutdown_kernel="immediate", log=logger, **how)
        client.execute(cleanup_kc=True)  # the kernel and its connections end, whatever happens
        managed.notebook_complete()
        raise_for_execution_errors(notebook, None)
    except PapermillExecutionError as error:
        if error.ename == "InputError":
            raise InputError(_problems(error.evalue)) from None
        message = _COLOUR.sub("", f"{error.ename}: {error.evalue}")
        raise _failure("failed", error.cell_index, message, notebook) from error
    except CellTimeoutError as error:
        raise _failure("timeout", None, f"a cell took longer than {cell_timeout_s} s", notebook) from error
    except DeadKernelError as error:
        raise _failure("died", None, "the kernel died", notebook) from error
    except (RuntimeError, TimeoutError) as error:
        message = f"the kernel did not start or answer: {error}{too_few_files()}"
        raise _failure("died", None, message, notebook) from error
    finally:
        managed.cleanup_pbar()
    return notebook


def too_few_files() -> str:
    """Say so where the shell allows fewer open files than a kernel with its sockets takes."""
    if os.name == "nt":
        return ""
    import resource  # noqa: PLC0415 - not there on Windows

    allowed = resource.getrlimit(resource.RLIMIT_NOFILE)[0]
    return f" (only {allowed} files may be open at once here: try `ulimit -n 1024`)" if 0 <= allowed < 128 else ""


def _check_names(notebook: Any, parameters: Mapping[str, Any]) -> None:
    # Values are escaped when they are written into the notebook, names are not: only names that are there may pass.
    source = next((cell.source for cell in notebook.cells if "parameters" in cell.metadata.get("tags", [])), "")
    declared = set(re.findall(r"^([A-Za-z_]\w*)\s*[:=]", source, flags=re.MULTILINE))
    unknown = sorted(set(parameters) - declared)
    if unknown:
        raise InputError([Problem(f"parameter {n!r}", "an unknown name", ", ".join(sorted(declared))) for n in unknown])


def _failure(state: Any, cell: int | None, message: str, notebook: Any) -> ExecutionFailedError:
    if cell is None:
        started = [i for i, c in enumerate(notebook.cells) if c.metadata.get("papermill", {}).get("start_time")]
        cell = started[-1] if started else None
    failure = ExecutionFailedError(state, cell, message)
    failure.notebook = notebook
    return failure


def _problems(text: str) -> list[Problem]:
    """Read problems back from the text of an InputError that was raised in the kernel."""
    lines = [(line, _PROBLEM.fullmatch(line)) for line in _COLOUR.sub("", text).splitlines()]
    return [Problem(**m.groupdict()) if m else Problem("input", line, "see the documentation") for line, m in lines]


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
            output.update({key: replaced(output[key], paths) for key in ("text", "evalue") if key in output})
            if "traceback" in output:
                output["traceback"] = [replaced(line, paths) for line in output["traceback"]]
    return notebook


def replaced(text: str, names: Mapping[str, str]) -> str:
    """Return a text in which names stand for what they are named for, the longest first."""
    for written in sorted(names, key=len, reverse=True):
        text = text.replace(written, names[written])
    return text
