"""Faces of packages: their public names, each imported from its file on first use."""

from collections.abc import Callable
from importlib import import_module
from typing import Any


def face(package: str, **files: str) -> tuple[list[str], Callable[[str], Any], Callable[[], list[str]]]:
    """Make the face of a package, so that importing it costs nothing.

    Parameters
    ----------
    package : str
        Full name of the package.
    **files : str
        Public names, one space between, by the file of the package that holds them.

    Returns
    -------
    all_names, getattr, dir : tuple
        ``__all__``, ``__getattr__`` and ``__dir__`` of the package (PEP 562).
    """
    homes = {name: file for file, names in files.items() for name in names.split()}

    def get(name: str) -> Any:
        if name not in homes:
            raise AttributeError(f"module {package!r} has no attribute {name!r}")
        return getattr(import_module(f"{package}.{homes[name]}"), name)

    return sorted(homes), get, lambda: sorted(homes)
