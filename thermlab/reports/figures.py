"""The figures of a report; each is a :class:`~thermlab.reports.pictures.Picture` with its words.

- Which candidate is cooler, by how much, and does it matter? :func:`differences`
- At which power would the machine throttle? :func:`throttle`
- Does every mount tell the same story along the ladder? :func:`rise_against_power`
- Had each run settled, and which readings were used? :func:`traces`
- Which runs went wrong? :func:`checks`
- What do the runs look like that were left out or are doubtful? :func:`doubtful_runs`
"""

from thermlab.reports.figures_answer import differences, throttle
from thermlab.reports.figures_doubtful import doubtful_runs
from thermlab.reports.figures_runs import rise_against_power
from thermlab.reports.figures_settling import checks, traces
from thermlab.reports.pictures import Picture, Pictures

__all__ = ["Picture", "Pictures", "checks", "differences", "doubtful_runs", "rise_against_power", "throttle", "traces"]
