"""thermlab: from logged load runs on a bench to a decision between thermal interface materials.

Map, in the order data flows (imports run the same way, one way):

- ``campaign`` reads the folder a user wrote: ``campaign.yaml`` and ``runs.csv``; ``logs`` reads sensor and room logs
  exactly as declared.
- ``runs`` turns each run into one settled rise and says which runs went wrong and why.
- ``compare`` decides between treatments with the mount as the experimental unit, and adds the throttle power, the price
  and the uncertainty budget; ``compare.analysis`` runs all of it.
- ``reports`` puts the answer into files, pictures, tables and sentences; ``cli`` is the command line.
- ``planning``, ``builds``, ``archives``, ``verifying``, ``histories``, ``explore``, ``first_look``, ``watching``: what
  else a workshop does with its campaigns; ``simulate`` makes bench logs with known truth, to test all of the above.
"""

from typing import TYPE_CHECKING

from thermlab.base.faces import face

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
    from thermlab.histories.findings import history as history
    from thermlab.planning.make import plan as plan
    from thermlab.reports.make import report as report
    from thermlab.reports.results import to_results as to_results
    from thermlab.runs.reading import check as check
    from thermlab.verifying.check import verify as verify
    from thermlab.watching.engine import watch as watch

__version__ = "0.1.0"

# Names are imported on first use: `import thermlab` and `thermlab --help` must not pay for pandas and numpy.
__all__, __getattr__, __dir__ = face(
    __name__,
    **{
        "archives.filing": "archive",
        "base.errors": "ArchiveError InputError Problem ReportError ThermlabError",
        "builds.make": "record",
        "campaign.folder": "Campaign load_campaign new",
        "compare.analysis": "Analysis analyse",
        "histories.findings": "history",
        "planning.make": "plan",
        "reports.make": "report",
        "reports.results": "to_results",
        "runs.reading": "check",
        "verifying.check": "verify",
        "watching.engine": "watch",
    },
)
__all__ += ["__version__"]
