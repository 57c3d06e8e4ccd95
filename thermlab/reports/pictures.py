"""What every figure is drawn with: page-wide style, text that is never markup, and the picture a notebook shows."""

from __future__ import annotations

import io
import textwrap
import warnings
from contextlib import contextmanager
from typing import TYPE_CHECKING, Any, NamedTuple

import matplotlib as mpl
from matplotlib.backends.backend_agg import FigureCanvasAgg
from matplotlib.figure import Figure
from PIL import Image

from thermlab.base.marks import PAGE

if TYPE_CHECKING:
    from collections.abc import Iterator

    from matplotlib.axes import Axes

DPI = 150
"""Sharp on a telephone and in print."""
SCREEN_DPI = 110
"""At which a notebook shows it."""
WIDTH_IN = 6.3
"""Wide enough for a report column, narrow enough that its text can be read on a telephone."""

_STYLE: dict[str, Any] = {
    "font.family": "DejaVu Sans",
    "font.size": 11.0,
    "axes.edgecolor": PAGE["muted"],
    "axes.labelcolor": PAGE["ink"],
    "axes.linewidth": 0.8,
    "axes.spines.top": False,
    "axes.spines.right": False,
    "axes.unicode_minus": True,
    "xtick.color": PAGE["muted"],
    "ytick.color": PAGE["muted"],
    "xtick.labelcolor": PAGE["ink"],
    "ytick.labelcolor": PAGE["ink"],
    "text.color": PAGE["ink"],
    "figure.facecolor": PAGE["sheet"],
    "axes.facecolor": PAGE["sheet"],
    "savefig.facecolor": PAGE["sheet"],
    "lines.solid_capstyle": "butt",
    # Names and titles are drawn letter by letter: a "$" in them is not the beginning of mathematics.
    "text.parse_math": False,
}


class Picture(NamedTuple):
    """A figure with the words that stand for it.

    Attributes
    ----------
    figure : matplotlib.figure.Figure
        Not known to pyplot, so nothing has to be closed.
    alt : str
        What it shows, with the numbers.
    """

    figure: Figure
    alt: str

    def png(self) -> bytes:
        """Return the picture as PNG, the same bytes every time."""
        figure, out = self.figure, io.BytesIO()
        with style(), warnings.catch_warnings():  # some ticks are only made when they are drawn
            # A name may hold a character the font lacks; it is drawn as a box and the table beside it has the name.
            warnings.filterwarnings("ignore", message="Glyph .* missing from")
            figure.set_dpi(DPI)
            canvas: Any = FigureCanvasAgg(figure)  # its methods are not typed in every release
            canvas.draw()
        drawn = Image.frombuffer("RGBA", canvas.get_width_height(), canvas.buffer_rgba(), "raw", "RGBA", 0, 1)
        # A drawing has few colours: a palette makes the file a quarter of the size and nobody can see it.
        drawn.convert("RGB").quantize(128, method=Image.Quantize.FASTOCTREE, dither=Image.Dither.NONE).save(out, "PNG")
        return out.getvalue()

    def _repr_mimebundle_(self, **_: object) -> tuple[dict[str, Any], dict[str, Any]]:
        width, height = (round(inches * SCREEN_DPI) for inches in self.figure.get_size_inches())
        described = {"alt": self.alt, "width": width, "height": height}
        return {"image/png": self.png(), "text/plain": self.alt}, {"image/png": described}


class Pictures(tuple[Picture, ...]):
    """Several pictures that a notebook shows one below the other."""

    __slots__ = ()

    def _ipython_display_(self) -> None:
        from IPython.display import display  # noqa: PLC0415

        for picture in self:
            display(picture)  # type: ignore[no-untyped-call]


@contextmanager
def style() -> Iterator[None]:
    """Draw in the style of the report, whatever the settings of the session are."""
    with mpl.rc_context(_STYLE):  # type: ignore[arg-type, unused-ignore]  # names are typed from 3.11 on
        yield


def new_figure(height_in: float) -> Figure:
    """Return an empty figure of report width with a canvas that needs no display."""
    figure = Figure(figsize=(WIDTH_IN, height_in))
    FigureCanvasAgg(figure)
    return figure


def short(text: str, width: int = 16, lines: int = 2) -> str:
    """Wrap a name to some lines; one that is too long loses its middle, since names often differ at the end."""
    wrapped = textwrap.wrap(text, width=width, break_on_hyphens=True) or [text]
    if len(wrapped) <= lines:
        return "\n".join(wrapped)
    if lines == 1:
        return middle_cut(text, width)
    head = wrapped[: lines - 1]
    end = text[-(width - 1) :]
    words = end.partition(" ")[2]  # whole words, unless they are too few to tell names apart
    return "\n".join([*head, "…" + (words if len(words) > width // 3 else end)])


def middle_cut(text: str, longest: int) -> str:
    """Take out the middle of a text that is longer than `longest` characters."""
    kept = longest - 1
    return text if len(text) <= longest else f"{text[: kept - kept // 2]}…{text[-(kept // 2) :]}"


def inches_box(
    figure: Figure, *, left: float, right: float, bottom: float, top: float
) -> tuple[float, float, float, float]:
    """Return an axes rectangle from margins in inches, so that text never gets less room than it needs."""
    width, height = figure.get_size_inches()
    return left / width, bottom / height, (width - left - right) / width, (height - bottom - top) / height


def quiet(axes: Axes, *, keep: tuple[str, ...] = ("bottom",)) -> None:
    """Leave only the spines that carry a scale."""
    for name, spine in axes.spines.items():
        spine.set_visible(name in keep)
    if "left" not in keep:
        axes.tick_params(axis="y", length=0)


def spread_labels(positions: list[float], gap: float) -> list[float]:
    """Move label positions apart until each has its gap, keeping their order and their middle.

    Parameters
    ----------
    positions : list of float
        Where the labels would stand.
    gap : float
        Smallest distance between two labels.

    Returns
    -------
    list of float
        In the order given.
    """
    order = sorted(range(len(positions)), key=lambda i: positions[i])
    groups: list[tuple[list[int], float]] = []  # members and centre
    for i in order:
        members, centre = [i], positions[i]
        while groups and centre - groups[-1][1] < gap * (len(members) + len(groups[-1][0])) / 2.0:
            before, _ = groups.pop()
            members = before + members
            centre = sum(positions[j] for j in members) / len(members)
        groups.append((members, centre))
    placed = [0.0] * len(positions)
    for members, centre in groups:
        for rank, i in enumerate(members):
            placed[i] = centre + gap * (rank - (len(members) - 1) / 2.0)
    return placed
