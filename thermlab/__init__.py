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
    from thermlab.analysis import Analysis as Analysis
    from thermlab.analysis import analyse as analyse
    from thermlab.archives import archive as archive
    from thermlab.campaign import Campaign as Campaign
    from thermlab.campaign import load_campaign as load_campaign
    from thermlab.checking import check as check
    from thermlab.comparison import compare_treatments as compare_treatments
    from thermlab.curves import fit_curve as fit_curve
    from thermlab.errors import ArchiveError as ArchiveError
    from thermlab.errors import InputError as InputError
    from thermlab.errors import Problem as Problem
    from thermlab.errors import ReportError as ReportError
    from thermlab.errors import ThermlabError as ThermlabError
    from thermlab.histories import history as history
    from thermlab.logs import read_log as read_log
    from thermlab.planning import plan as plan
    from thermlab.records import record as record
    from thermlab.reports import report as report
    from thermlab.results import to_results as to_results
    from thermlab.rooms import read_room_log as read_room_log
    from thermlab.runs import Flag as Flag
    from thermlab.runs import HeldPower as HeldPower
    from thermlab.runs import ReducedRun as ReducedRun
    from thermlab.sample_size import equivalence_power as equivalence_power
    from thermlab.sample_size import mounts_needed as mounts_needed
    from thermlab.sample_size import t_test_power as t_test_power
    from thermlab.scaffold import new as new
    from thermlab.simulated_campaigns import simulate_campaign as simulate_campaign
    from thermlab.simulated_logs import write_campaign as write_campaign
    from thermlab.simulation import simulate_ladder as simulate_ladder
    from thermlab.simulation import simulate_ladders as simulate_ladders
    from thermlab.throttle import predict_throttle as predict_throttle
    from thermlab.value import assess_value as assess_value
    from thermlab.verifying import verify as verify

__version__ = "0.1.0"

# Names are imported on first use: `import thermlab` and `thermlab --help` must not pay for pandas and numpy.
_HOME = {
    "Analysis": "thermlab.analysis",
    "ArchiveError": "thermlab.errors",
    "Campaign": "thermlab.campaign",
    "Flag": "thermlab.runs",
    "HeldPower": "thermlab.runs",
    "InputError": "thermlab.errors",
    "Problem": "thermlab.errors",
    "ReducedRun": "thermlab.runs",
    "ReportError": "thermlab.errors",
    "ThermlabError": "thermlab.errors",
    "analyse": "thermlab.analysis",
    "archive": "thermlab.archives",
    "assess_value": "thermlab.value",
    "check": "thermlab.checking",
    "compare_treatments": "thermlab.comparison",
    "equivalence_power": "thermlab.sample_size",
    "fit_curve": "thermlab.curves",
    "history": "thermlab.histories",
    "load_campaign": "thermlab.campaign",
    "mounts_needed": "thermlab.sample_size",
    "new": "thermlab.scaffold",
    "plan": "thermlab.planning",
    "predict_throttle": "thermlab.throttle",
    "read_log": "thermlab.logs",
    "read_room_log": "thermlab.rooms",
    "record": "thermlab.records",
    "report": "thermlab.reports",
    "simulate_campaign": "thermlab.simulated_campaigns",
    "simulate_ladder": "thermlab.simulation",
    "simulate_ladders": "thermlab.simulation",
    "t_test_power": "thermlab.sample_size",
    "to_results": "thermlab.results",
    "verify": "thermlab.verifying",
    "write_campaign": "thermlab.simulated_logs",
}

__all__ = [
    "Analysis",
    "ArchiveError",
    "Campaign",
    "Flag",
    "HeldPower",
    "InputError",
    "Problem",
    "ReducedRun",
    "ReportError",
    "ThermlabError",
    "__version__",
    "analyse",
    "archive",
    "assess_value",
    "check",
    "compare_treatments",
    "equivalence_power",
    "fit_curve",
    "history",
    "load_campaign",
    "mounts_needed",
    "new",
    "plan",
    "predict_throttle",
    "read_log",
    "read_room_log",
    "record",
    "report",
    "simulate_campaign",
    "simulate_ladder",
    "simulate_ladders",
    "t_test_power",
    "to_results",
    "verify",
    "write_campaign",
]


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
