"""What every figure is drawn with: page-wide style, text that is never markup, marks, and the picture that is shown."""

import io
import re
import textwrap
import warnings
from collections.abc import Callable, Iterator, Mapping, Sequence
from contextlib import contextmanager
from typing import Any, NamedTuple

import matplotlib as mpl
import numpy as np
from matplotlib.axes import Axes
from matplotlib.backends.backend_agg import FigureCanvasAgg
from matplotlib.figure import Figure, SubFigure
from matplotlib.lines import Line2D

from thermlab.base.marks import PAGE, Mark
from thermlab.reports import render

DPI = 150
"""Of pictures of points: sharp on a telephone and in print."""
CSS_PX_PER_IN = 96
WIDTH_IN, NARROW_IN = 6.3, 3.6
"""Of a report column, and of a telephone held upright."""
DASHED = (0, (4, 3))

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
    "path.simplify": False,
    # Text stays text, so that it can be searched; the same words for the same picture every time.
    "svg.fonttype": "none",
    "svg.hashsalt": "thermlab",
}
# Hundredths of a point are as fine as anybody sees.
_OUTLINE, _FINER = re.compile(r' d="[^"]*"'), re.compile(r"(\.\d\d)\d+")
# Verdana is as wide, letter by letter, and on machines without our font.
_FONTS = "'DejaVu Sans', Verdana, sans-serif"


class Picture(NamedTuple):
    """A figure with the words that stand for it.

    Attributes
    ----------
    figure : matplotlib.figure.Figure
        Not known to pyplot, so nothing has to be closed.
    alt : str
        What it shows, with the numbers.
    narrow : matplotlib.figure.Figure or None
        The same drawn for a telephone; None where it is too wide for one and is moved sideways within its frame.
    """

    figure: Figure
    alt: str
    narrow: Figure | None = None

    def png(self, dpi: int = DPI) -> bytes:
        """Return the picture as PNG, the same bytes every time."""
        return _saved(self.figure, "png", dpi=dpi)

    def svg(self) -> str:
        """Return the picture as SVG, the same text every time."""
        return _svg(self.figure)

    def described(self) -> dict[str, Any]:
        """Return what a page has to know beside the picture: words, size in CSS pixels, and the narrow form."""
        width, height = (round(inches * CSS_PX_PER_IN) for inches in self.figure.get_size_inches())
        narrow = {} if self.narrow is None else {"narrow": _svg(self.narrow)}
        return {"alt": self.alt, "width": width, "height": height, **narrow}

    def _repr_mimebundle_(self, **_: object) -> dict[str, str]:
        # As an image it can run nothing, and a notebook that nobody has declared trusted shows it too.
        return {"text/html": render.picture(self.svg(), self.described()), "text/plain": self.alt}


def _saved(figure: Figure, kind: str, **how: Any) -> bytes:
    out = io.BytesIO()
    with style(), warnings.catch_warnings():  # some ticks are only made when they are drawn
        # A name may hold a character the font lacks; it is drawn as a box and the table beside it has the name.
        warnings.filterwarnings("ignore", message="Glyph .* missing from")
        figure.savefig(out, format=kind, **how)
    return out.getvalue()


def _svg(figure: Figure) -> str:
    text = _saved(figure, "svg", metadata={"Date": None, "Creator": None}).decode()
    text = text[text.index("<svg") :].replace("'DejaVu Sans'", _FONTS)
    return _OUTLINE.sub(lambda outline: _FINER.sub(r"\1", outline[0]).replace("\n", ""), text)


def is_narrow(figure: Figure | SubFigure) -> bool:
    """Tell whether a figure is drawn for a telephone."""
    return float(figure.bbox.width / figure.dpi) < WIDTH_IN


def twice(drawn: Callable[[float], Figure], alt: str) -> Picture:
    """Return a picture with its narrow form, each drawn at its width in inches."""
    return Picture(drawn(WIDTH_IN), alt, drawn(NARROW_IN))


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


@contextmanager
def new_figure(height_in: float, width_in: float = WIDTH_IN) -> Iterator[Figure]:
    """Give an empty figure of report width in the style of the report, with a canvas that needs no display."""
    with style():
        figure = Figure(figsize=(width_in, height_in))
        FigureCanvasAgg(figure)
        yield figure


def panel(figure: Figure, *, left: float, right: float, bottom: float, top: float, share: Axes | None = None) -> Axes:
    """Add axes with margins in inches, so that text never gets less room than it needs; `share` gives the x scale."""
    width, height = figure.get_size_inches()
    box = left / width, bottom / height, (width - left - right) / width, (height - bottom - top) / height
    return figure.add_axes(box, sharex=share)


def short(text: str, width: int = 16, lines: int = 2) -> str:
    """Wrap a name to some lines; one that is too long loses its middle, since names often differ at the end."""
    wrapped = textwrap.wrap(text, width=width, break_on_hyphens=True) or [text]
    if len(wrapped) <= lines:
        return "\n".join(wrapped)
    if lines == 1:
        return f"{text[: width - 1 - (width - 1) // 2]}…{text[-((width - 1) // 2) :]}"
    head = wrapped[: lines - 1]
    end = text[-(width - 1) :]
    words = end.partition(" ")[2]  # whole words, unless they are too few to tell names apart
    return "\n".join([*head, "…" + (words if len(words) > width // 3 else end)])


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
    order, steps = np.argsort(positions, kind="stable"), gap * np.arange(len(positions))
    free = np.asarray(positions)[order] - steps
    # Pushed up by those below, pushed down by those above, and the middle of the two.
    up, down = np.maximum.accumulate(free), np.minimum.accumulate(free[::-1])[::-1]
    placed = np.empty(free.size)
    placed[order] = (up + down) / 2.0 + steps
    return [float(place) for place in placed]


def stack(
    figure: Figure,
    heights_in: Sequence[float],
    *,
    left: float,
    right: float,
    top: float,
    gap: float,
    share: bool = True,
) -> list[Axes]:
    """Add axes one below the other, all lengths in inches; with one x scale only the lowest has its numbers."""
    whole = figure.get_size_inches()[1]
    panels: list[Axes] = []
    for height in heights_in:
        first = panels[0] if panels and share else None
        panels.append(panel(figure, left=left, right=right, top=top, bottom=whole - top - height, share=first))
        top += height + gap
    for upper in panels[:-1] if share else ():
        upper.tick_params(labelbottom=False)
    return panels


def small_print(
    figure: Figure, words: str, *, top_in: float | None = None, bottom_in: float = 0.16, **how: Any
) -> None:
    """Write words on a figure, their middle so many inches below its upper edge or above its lower one."""
    height = figure.get_size_inches()[1]
    y = bottom_in / height if top_in is None else 1.0 - top_in / height
    figure.text(how.pop("x", 0.5), y, words, **{"va": "center", "fontsize": 9, **how})


def key(figure: Figure, *entries: tuple[str, bool, dict[str, Any]]) -> None:
    """Explain marks over the picture, in one line: words, whether there are such marks, how they look; grey is any."""
    marks = [
        Line2D([], [], **{"color": PAGE["muted"], "label": words, **how}) for words, shown, how in entries if shown
    ]
    figure.legend(
        handles=marks, ncols=1 if is_narrow(figure) else len(marks), loc="upper left", bbox_to_anchor=(0.0, 1.0),
        frameon=False, fontsize=9.3, labelcolor=PAGE["muted"], handlelength=1.6, handletextpad=0.5, columnspacing=1.6,
        borderaxespad=0.4,
    )  # fmt: skip


def bar(axes: Axes, interval: Sequence[float] | None, row: float, colour: str, width: float, **how: Any) -> None:
    """Draw an interval in its row; nothing where there is none."""
    if interval is not None:
        axes.plot(interval, [row, row], color=colour, lw=width, **how)


def hollow(axes: Axes, x: Any, y: Any, marker: str, colour: str, size: float = 6.0) -> None:
    """Draw single values as empty marks; `y` is a row or one height for each."""
    heights = np.broadcast_to(y, np.shape(x))
    axes.plot(x, heights, marker, ms=size, mfc="none", mec=colour, mew=1.2, ls="none", zorder=4)


def points(axes: Axes, x: Any, y: Any, colour: str, size: float, **how: Any) -> None:
    """Draw many small points as the ends of one line without length: as marks each would be an object of its own."""
    across, up = (np.repeat(np.asarray(values, dtype=float), 3) for values in (x, y))
    across[1::3] += 1e-4  # a line of no length at all is not drawn by everyone
    up[2::3] = np.nan
    axes.plot(across, up, color=colour, lw=size, solid_capstyle="round", **how)


def side(axes: Axes, x: float) -> str:
    """Say how text at `x` is aligned so that it stays over the axes."""
    low, high = axes.get_xlim()
    place, near = (x - low) / (high - low), min(0.87 / _width_in(axes), 0.4)
    return "left" if place < near else "right" if place > 1.0 - near else "center"


def _width_in(axes: Axes) -> float:
    return float(axes.get_window_extent().width / axes.figure.dpi)


def directions(axes: Axes) -> None:
    """Say over the axes which side is cooler."""
    axes.text(0.0, 1.015, "← cooler", transform=axes.transAxes, va="bottom", fontsize=10)
    axes.text(1.0, 1.015, "warmer →", transform=axes.transAxes, va="bottom", ha="right", fontsize=10)


def below(axes: Axes, words: str, size: float = 11.0) -> None:
    """Say what the horizontal scale is, on a telephone in several lines."""
    axes.set_xlabel(textwrap.fill(words, 28) if is_narrow(axes.figure) else words, fontsize=size)


def name_rows(axes: Axes, names: Sequence[str], *, above: float = 0.6, below: float = 0.6, size: float = 9.3) -> None:
    """Name the rows 0, 1, 2 … from the top, with so much of a row left above the first and below the last."""
    axes.set_yticks(range(len(names)), names, fontsize=size)
    axes.set_ylim(len(names) - 1 + below, -above)
    axes.locator_params(axis="x", nbins=7)
    quiet(axes)


def cells(axes: Axes, rows: Sequence[str], columns: Sequence[str], *, row_size: float = 9.0, **how: Any) -> None:
    """Make axes a table of cells one wide and one high, rows from the top, named at the middle of each."""
    axes.set_xlim(0.0, len(columns))
    axes.set_ylim(max(len(rows), 1), 0.0)
    axes.set_yticks(np.arange(len(rows)) + 0.5, rows, fontsize=row_size)
    axes.set_xticks(np.arange(len(columns)) + 0.5, columns, **how)
    axes.tick_params(length=0)
    quiet(axes, keep=())


def shaded_lines(
    axes: Axes, x: Any, lines: Mapping[str, Any], colour: str, most_named: int
) -> list[tuple[str, float, str]]:
    """Draw several lines of one kind, the first darkest; return the first names with the last values known."""
    for place, values in enumerate(lines.values()):
        axes.plot(x, values, color=colour, lw=0.8, alpha=1.0 - 0.6 * place / max(1, len(lines) - 1))
    known = {name: values[~np.isnan(values)] for name, values in lines.items()}
    return [(name, float(own[-1]), PAGE["muted"]) for name, own in known.items() if own.size][:most_named]


def name_ends(
    axes: Axes, ends: Sequence[tuple[str, float, Mark | str]], *, gap_in: float = 0.185, width: int = 16
) -> None:
    """Write names beside the ends of lines, moved apart where they are close, instead of a legend.

    Parameters
    ----------
    axes : Axes
        With its final scale.
    ends : sequence of (str, float, Mark or str)
        Name, height in data units, and a mark that is drawn beside the name, or a colour.
    gap_in : float
        Distance of two names, in; where it is more than 0.3 and there is room, names take two lines.
    width : int
        Longest line of a name, characters.
    """
    low, high = axes.get_ylim()
    if not ends or high <= low:
        return
    gap = min(gap_in / axes.get_window_extent().height * axes.figure.dpi, 1.0 / max(len(ends) - 1, 1))
    lines = 2 if gap * axes.get_window_extent().height / axes.figure.dpi > 0.3 else 1
    heights = spread_labels([(end - low) / (high - low) for _, end, _ in ends], gap)
    for rank, i in enumerate(sorted(range(len(ends)), key=heights.__getitem__)):  # into the axes, still apart
        heights[i] = min(max(heights[i], rank * gap), 1.0 - (len(ends) - 1 - rank) * gap)
    sign, text = (1.0 + aside_in / _width_in(axes) for aside_in in (0.15, 0.27))
    for (name, _, mark), y in zip(ends, heights, strict=True):
        place: dict[str, Any] = {"transform": axes.transAxes, "va": "center"}
        if isinstance(mark, str):
            axes.text(1.02, y, short(name, width, lines), color=mark, fontsize=9, **place)
            continue
        axes.plot(
            sign, y, mark.marker, transform=axes.transAxes, mfc="none", mec=mark.colour, mew=1.2, ms=6,
            clip_on=False,
        )  # fmt: skip
        axes.text(text, y, short(name, width, lines), color=mark.colour, fontsize=9.8, **place)
    axes.set_ylim(low, high)


def late_limits(values: Any) -> tuple[float, float]:
    """Return limits without the first rise, so that a degree is seen; two degrees at least: noise looks like noise."""
    late = np.asarray(values, dtype=float)[len(values) // 4 :]
    known = late[~np.isnan(late)]
    if not known.size:
        return 0.0, 1.0
    spread = float(np.ptp(known))
    pad = max(1.0 - spread / 2.0, 0.1 * spread)
    return float(known.min()) - pad, float(known.max()) + pad
