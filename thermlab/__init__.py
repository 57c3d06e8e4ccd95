"""thermlab: from logged load runs on a bench to a decision between thermal interface materials.

Map, in the order data flows (imports run the same way, one way):

- ``campaign`` reads the folder a user wrote: ``campaign.yaml`` (``settings``) and ``runs.csv`` (``runsheet``).
- ``logs`` and ``rooms`` read sensor and room logs exactly as declared; ``traces`` cuts them into runs.
- ``transients`` and ``reduction`` turn each run into one settled rise; ``checks`` says which runs went wrong and why.
- ``comparison`` decides between treatments with the mount as the experimental unit; ``throttle``, ``value`` and
  ``uncertainty`` add the throttle power, the price and the uncertainty budget; ``analysis`` runs all of them.
- ``results``, ``figures``, ``pages`` and ``wording`` put the answer into files, pictures, tables and sentences;
  ``reports`` executes the notebook template and renders it; ``cli`` is the command line.
- ``simulation`` makes bench logs with known truth, to test all of the above.
"""

from importlib import import_module
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from thermlab.errors import InputError as InputError

__version__ = "0.1.0"

# Names are imported on first use: `import thermlab` and `thermlab --help` must not pay for pandas and numpy.
_HOME = {
    "InputError": "thermlab.errors",
}

__all__ = ["InputError", "__version__"]


def __getattr__(name: str) -> Any:
    """Import a public name on first use."""
    if name not in _HOME:
        raise AttributeError(f"module 'thermlab' has no attribute {name!r}")
    value = getattr(import_module(_HOME[name]), name)
    globals()[name] = value
    return value


def __dir__() -> list[str]:
    """List the public names, imported or not."""
    return sorted(__all__)
