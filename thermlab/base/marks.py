"""The one place for colours, markers and line styles of pictures and pages.

A treatment keeps its mark in every picture of a report. Marks differ in marker
and line style as well as in colour, so that they hold in grey print and for
readers with a colour-vision deficiency. Every colour has a contrast of at
least 4.5 to 1 on the paper colour (WCAG 2.2, success criterion 1.4.3).
"""

from collections.abc import Sequence
from dataclasses import dataclass

PAGE = {
    "paper": "#fcfbf8",
    "sheet": "#ffffff",
    "ink": "#22262b",
    "muted": "#565c63",
    "rule": "#d8d4ca",
    "wash": "#f3f1ea",
    "link": "#1d4f73",
    "caution-edge": "#8a5a00",
    "caution-wash": "#fdf3dc",
    "wrong": "#9c2f1f",
    "band": "#e9e4d6",
    "band-edge": "#8d8570",
}
"""Colours of pages and of everything in a picture that is not a treatment."""

SEVERITY = {"note": "#c9d3da", "doubtful": "#d9a441", "unusable": "#9c2f1f"}
"""Fill of a flag in the picture of checks; the letter in the cell says the same."""
MARKER = {"one": "o", "together": "D", "outside": "X", "second": "s", "cross": "x"}
"""Markers of what is not a treatment: a single value, several taken together, one outside its interval, the second of
two curves, and a run left out or held at the limit."""
SEVERITY_LETTER = {"note": "n", "doubtful": "d", "unusable": "u"}


@dataclass(frozen=True, slots=True, kw_only=True)
class Mark:
    """How one treatment is drawn.

    Attributes
    ----------
    colour : str
        Hexadecimal.
    marker : str
        Marker code of matplotlib.
    line : str or tuple
        Line style of matplotlib.
    sign : str
        The marker as a character, for tables and sentences.
    """

    colour: str
    marker: str
    line: str | tuple[int, tuple[float, ...]]
    sign: str


_COLOURS = ("#30363d", "#b1451c", "#1a6f78", "#74479a", "#7c6200", "#2a5aa6", "#4f6f1c", "#a5326a")
_MARKERS = (("o", "●"), ("s", "■"), ("^", "▲"), ("D", "◆"), ("v", "▼"), ("p", "⬟"), ("P", "✚"), ("X", "✖"))
_DASHES = ((5, 2), (5, 1.5, 1, 1.5), (1.2, 1.2), (8, 2), (3, 1, 1, 1, 1, 1), (2, 2), (8, 2, 2, 2))
_LINES: tuple[str | tuple[int, tuple[float, ...]], ...] = ("-", *((0, dashes) for dashes in _DASHES))


def treatment_marks(treatments: Sequence[str], baseline: str) -> dict[str, Mark]:
    """Give each treatment its mark, the baseline first.

    Parameters
    ----------
    treatments : sequence of str
        In the order of the campaign.
    baseline : str
        Gets the first mark wherever it stands in the campaign.

    Returns
    -------
    dict of str to Mark
        Baseline first, then the candidates in their order.
    """
    ordered = [baseline, *(name for name in treatments if name != baseline)]
    marks = {}
    for place, name in enumerate(ordered):
        # From the ninth treatment on, colours come round again with another marker.
        turn = place // len(_COLOURS)
        marker, sign = _MARKERS[(place + turn) % len(_MARKERS)]
        line = _LINES[(place + turn) % len(_LINES)]
        marks[name] = Mark(colour=_COLOURS[place % len(_COLOURS)], marker=marker, line=line, sign=sign)
    return marks
