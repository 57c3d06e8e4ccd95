"""A run under way on one screen: where it is heading, how long it will take, what is wrong now, and what comes next."""

import asyncio
import contextlib
from pathlib import Path

import ipywidgets as widgets

from thermlab.base.errors import ThermlabError
from thermlab.explore import figures
from thermlab.panels.tryout import PANEL_DPI, refusal, wide
from thermlab.reports.pages import paragraph, view
from thermlab.watching.engine import BETWEEN_LOOKS_S, Watch


class FollowPanel:
    """A run under way, looked at every few seconds until it has ended or *stop* is pressed.

    Parameters
    ----------
    campaign : str or Path
        A campaign folder; only read.
    run : str, optional
        Which run; default: that of the log that grew last.
    every_s : float
        Time between two looks, s.

    Raises
    ------
    InputError
        Where the campaign cannot be read or has no such run.
    """

    def __init__(self, campaign: str | Path, run: str = "", *, every_s: float = BETWEEN_LOOKS_S) -> None:
        self.watch = Watch(campaign, run or None)
        self.every_s = every_s
        self.said, self.picture = widgets.HTML(), widgets.Image(format="png", layout={"max_width": "38em"})
        self.stop = widgets.ToggleButton(description="stop looking", layout=wide(12))
        self.whole = widgets.VBox([self.said, self.picture, self.stop])

    def show(self) -> bool:
        """Look once and show what is found; return whether the run goes on."""
        try:
            look = self.watch.look()
        except ThermlabError as error:  # a log that is being written may be right again at the next look
            self.said.value = refusal(error)
            return True
        following = self.watch.next_run(look.run)
        after = "This is the last run of the sheet." if following is None else f"Next in the run sheet: {following}."
        self.said.value = view(*map(paragraph, look.summary().splitlines()), paragraph(after)).html
        if self.watch.estimate is not None:
            drawn = figures.heading(self.watch.estimate)
            self.picture.value, self.picture.alt = drawn.png(dpi=PANEL_DPI), drawn.alt
        return not look.finished

    async def follow(self) -> None:
        """Look again and again until the run has ended or the button is pressed."""
        while self.show() and not self.stop.value:
            await asyncio.sleep(self.every_s)
        self.stop.description, self.stop.disabled = "no longer looking", True

    def _ipython_display_(self) -> None:
        from IPython.display import display  # noqa: PLC0415

        display(self.whole)  # type: ignore[no-untyped-call]
        with contextlib.suppress(RuntimeError):  # outside a notebook there is no loop that could look again
            self._task = asyncio.get_running_loop().create_task(self.follow())
