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
    from thermlab.archives.filing import archive as archive
    from thermlab.base.errors import ArchiveError as ArchiveError
    from thermlab.base.errors import InputError as InputError
    from thermlab.base.errors import Problem as Problem
    from thermlab.base.errors import ReportError as ReportError
    from thermlab.base.errors import ThermlabError as ThermlabError
    from thermlab.builds.make import record as record
    from thermlab.campaign.folder import Campaign as Campaign
    from thermlab.campaign.folder import load_campaign as load_campaign
    from thermlab.campaign.folder import new as new
    from thermlab.compare.analysis import Analysis as Analysis
    from thermlab.compare.analysis import analyse as analyse
    from thermlab.compare.comparison import compare_treatments as compare_treatments
    from thermlab.compare.throttle import predict_throttle as predict_throttle
    from thermlab.compare.value import assess_value as assess_value
    from thermlab.histories.findings import history as history
    from thermlab.logs.log import read_log as read_log
    from thermlab.logs.room import read_room_log as read_room_log
    from thermlab.planning.make import plan as plan
    from thermlab.reports.make import report as report
    from thermlab.reports.results import to_results as to_results
    from thermlab.runs.look import check as check
    from thermlab.runs.records import Flag as Flag
    from thermlab.runs.records import HeldPower as HeldPower
    from thermlab.runs.records import ReducedRun as ReducedRun
    from thermlab.simulate.campaigns import simulate_campaign as simulate_campaign
    from thermlab.simulate.ladders import simulate_ladder as simulate_ladder
    from thermlab.simulate.ladders import simulate_ladders as simulate_ladders
    from thermlab.simulate.logs import write_campaign as write_campaign
    from thermlab.stats.curves import fit_curve as fit_curve
    from thermlab.stats.power import equivalence_power as equivalence_power
    from thermlab.stats.power import mounts_needed as mounts_needed
    from thermlab.stats.power import t_test_power as t_test_power
    from thermlab.verifying.check import verify as verify

__version__ = "0.1.0"

# Names are imported on first use: `import thermlab` and `thermlab --help` must not pay for pandas and numpy.
_HOME = {
    "Analysis": "thermlab.compare.analysis",
    "ArchiveError": "thermlab.base.errors",
    "Campaign": "thermlab.campaign.folder",
    "Flag": "thermlab.runs.records",
    "HeldPower": "thermlab.runs.records",
    "InputError": "thermlab.base.errors",
    "Problem": "thermlab.base.errors",
    "ReducedRun": "thermlab.runs.records",
    "ReportError": "thermlab.base.errors",
    "ThermlabError": "thermlab.base.errors",
    "analyse": "thermlab.compare.analysis",
    "archive": "thermlab.archives.filing",
    "assess_value": "thermlab.compare.value",
    "check": "thermlab.runs.look",
    "compare_treatments": "thermlab.compare.comparison",
    "equivalence_power": "thermlab.stats.power",
    "fit_curve": "thermlab.stats.curves",
    "history": "thermlab.histories.findings",
    "load_campaign": "thermlab.campaign.folder",
    "mounts_needed": "thermlab.stats.power",
    "new": "thermlab.campaign.folder",
    "plan": "thermlab.planning.make",
    "predict_throttle": "thermlab.compare.throttle",
    "read_log": "thermlab.logs.log",
    "read_room_log": "thermlab.logs.room",
    "record": "thermlab.builds.make",
    "report": "thermlab.reports.make",
    "simulate_campaign": "thermlab.simulate.campaigns",
    "simulate_ladder": "thermlab.simulate.ladders",
    "simulate_ladders": "thermlab.simulate.ladders",
    "t_test_power": "thermlab.stats.power",
    "to_results": "thermlab.reports.results",
    "verify": "thermlab.verifying.check",
    "write_campaign": "thermlab.simulate.logs",
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
