"""Kernels that start before they are needed: each report has a fresh one and need not wait for it.

A kernel is a process that takes a second or two to start and to import the
library. The first starts while this process imports what runs and renders
notebooks, the one for the next report while this one is computed.
"""

from __future__ import annotations

import contextlib
import tempfile
from functools import cache
from typing import Any

KERNEL = "python3"


class StartingKernel:
    """A fresh kernel in a scratch folder of its own, for one notebook.

    Parameters
    ----------
    name : str
        Name of the kernel.
    """

    def __init__(self, name: str = KERNEL) -> None:
        from jupyter_client.manager import AsyncKernelManager  # noqa: PLC0415
        from jupyter_core.utils import run_sync  # noqa: PLC0415
        from traitlets.config import Config  # noqa: PLC0415

        self._run_sync = run_sync
        self._scratch = tempfile.TemporaryDirectory(prefix="thermlab-")
        self.folder = self._scratch.name
        # Local messages between this process and its kernel are encrypted; without this each start warns.
        config = Config({"KernelManager": {"transport_encryption": "auto"}})
        self.manager: Any = AsyncKernelManager(kernel_name=name, config=config)
        arguments = (
            ["--ext=thermlab.reports.warm_kernel", "--HistoryManager.hist_file=:memory:"] if name == KERNEL else []
        )
        try:
            run_sync(self.manager.start_kernel)(cwd=self.folder, extra_arguments=arguments)
        except BaseException:
            self._scratch.cleanup()
            raise

    def close(self) -> None:
        """End the kernel if it still runs, and remove its folder."""
        with contextlib.suppress(RuntimeError, OSError):
            if self.manager.has_kernel:
                self._run_sync(self.manager.shutdown_kernel)(now=True)
            self._run_sync(self.manager.cleanup_resources)()
        with contextlib.suppress(OSError):
            self._scratch.cleanup()


class Kernels:
    """Hands out kernels; one may be starting in advance.

    Used as a context manager: a kernel that nobody took is ended.
    """

    def __init__(self) -> None:
        self._next: StartingKernel | None = None

    def __enter__(self) -> Kernels:
        return self

    def __exit__(self, *_: object) -> None:
        if self._next is not None:
            self._next.close()

    def begin(self) -> None:
        """Let a kernel start in advance, unless one does already."""
        if self._next is None:
            self._next = StartingKernel()

    def take(self, name: str = KERNEL) -> StartingKernel:
        """Return a kernel that nobody else has; whoever takes it closes it."""
        if name != KERNEL:
            return StartingKernel(name)
        self.begin()
        taken, self._next = self._next, None
        assert taken is not None  # noqa: S101 - begin() has just seen to it
        return taken


@cache
def engine() -> str:
    """Register the way papermill runs a notebook in a kernel that is there already; return its name."""
    import nbformat  # noqa: PLC0415
    from papermill.clientwrap import PapermillNotebookClient  # noqa: PLC0415
    from papermill.engines import NBClientEngine, papermill_engines  # noqa: PLC0415
    from papermill.log import logger  # noqa: PLC0415

    class StartedKernelEngine(NBClientEngine):  # type: ignore[misc, unused-ignore]
        @classmethod
        def execute_managed_notebook(
            cls,
            nb_man: Any,
            kernel_name: str,
            *,
            manager: Any,
            partial: str,
            start_timeout: int,
            execution_timeout: int,
            **_: Any,
        ) -> None:
            client = PapermillNotebookClient(
                nb_man,
                km=manager,
                kernel_name=kernel_name,
                startup_timeout=start_timeout,
                timeout=execution_timeout,
                shutdown_kernel="immediate",
                record_timing=False,
                log=logger,
            )
            client.owns_km = True  # so that it ends the kernel and its connections, whatever happens
            try:
                client.execute()
            except BaseException:
                # Saved here and not before and after every cell, which takes as long as all the cells together.
                with contextlib.suppress(OSError, ValueError):
                    nbformat.write(nb_man.nb, partial)  # type: ignore[no-untyped-call]
                raise

    papermill_engines.register("thermlab", StartedKernelEngine)
    return "thermlab"
