"""A plan on one screen: move the question, the bench and the hours, and see what they buy; write the folder last."""

import asyncio
from collections.abc import Iterator
from typing import Any

import ipywidgets as widgets

from thermlab.base.errors import ThermlabError
from thermlab.panels.tryout import NAMES, number, refusal, row, wide
from thermlab.planning.make import plan
from thermlab.planning.pages import plan_sentences, trade
from thermlab.planning.records import Plan
from thermlab.reports.pages import items, view
from thermlab.reports.pictures import Picture

PAUSE_S = 0.02
"""So long a change waits for the next one: of a row of changes only the last is planned and drawn."""
OPTIONAL = {
    "hours": ("bench hours, h", 24.0, 1.0, 2000.0, 1.0),
    "mount_sd_K": ("mount SD in K", 0.5, 0.01, 10.0, 0.05),
    "mount_sd_dof": ("degrees of freedom", 8.0, 1.0, 200.0, 1.0),
    "time_constant_min": ("time constant in min", 12.0, 0.5, 500.0, 0.5),
}
"""What may be left open: its name, the value to begin with, lowest, highest and step."""


class PlanPanel(widgets.VBox):  # type: ignore[misc, unused-ignore]
    """Controls for what a plan is asked, and the plan that follows from where they stand.

    Parameters
    ----------
    **question
        Fields of :class:`~thermlab.planning.records.PlanRequest` to begin with. Those without a control stay as given.

    Attributes
    ----------
    planned : Plan or None
        The plan last shown; None where what is set cannot be planned.
    """

    def __init__(self, **question: Any) -> None:
        self._fixed = {name: value for name, value in question.items() if value is not None}
        self.planned: Plan | None = None
        self._shown: object = None
        self._drawn: Picture | None = None
        self._task: asyncio.Task[None] | None = None
        names = dict.fromkeys([question["baseline"], *question["treatments"]])
        text: dict[str, Any] = {"style": NAMES, "layout": wide(26)}
        written = ", ".join(names)
        self.treatments = widgets.Text(description="baseline, others", value=written, continuous_update=False, **text)
        goals, goal = ["difference", "equivalence"], question.get("goal", "difference")
        self.goal = widgets.Dropdown(description="show", options=goals, value=goal, style=NAMES, layout=wide(22))
        self.margin_K = number("margin in K", question["margin_K"], 0.05, 20.0, 0.05)
        self.power = number("chance of showing it", question.get("power", 0.8), 0.1, 0.99, 0.05)
        self.throttle = widgets.Checkbox(description="throttle power too", value=question.get("throttle", True))
        self.known = {
            name: widgets.Checkbox(value=question.get(name) is not None, indent=False, layout=wide(2))
            for name in OPTIONAL
        }
        self.values = {
            name: number(words, question.get(name) or start, *limits)
            for name, (words, start, *limits) in OPTIONAL.items()
        }
        self.folder = widgets.Text(description="new folder", placeholder="not written yet", **text)
        self.write = widgets.Button(description="write the campaign", layout=wide(14))
        self.busy, self.said, self.answer = widgets.Label(), widgets.HTML(), widgets.HTML()
        self.picture = widgets.Image(format="svg+xml", layout={"max_width": "33em", "object_fit": "contain"})
        asked = [self.treatments, self.goal, self.margin_K, self.power, self.throttle]
        for control in (*asked, *self.known.values(), *self.values.values()):
            control.observe(self._move, "value")
        self.write.on_click(lambda _: self._write())
        pairs = [widgets.HBox([self.known[name], self.values[name]]) for name in OPTIONAL]
        side = [*asked, widgets.Label("known, where ticked:"), *pairs]
        above, below = row(widgets.VBox(side), self.picture), row(self.folder, self.write, self.busy)
        super().__init__([above, below, self.said, self.answer])
        self.show()

    def request(self) -> dict[str, Any]:
        """Return what the controls ask, as fields of a request."""
        asked = {name: getattr(self, name).value for name in ("treatments", "goal", "margin_K", "power", "throttle")}
        asked["baseline"] = asked["treatments"].partition(",")[0].strip()
        known = {name: self.values[name].value if tick.value else None for name, tick in self.known.items()}
        return {**self._fixed, **asked, **known}

    def show(self) -> None:
        """Plan anew and show it at once."""
        for _ in self._steps():
            pass

    def _steps(self) -> Iterator[None]:
        """Show the sentences, then the picture, with a pause before each in which another change may come."""
        self.busy.value = "planning …"
        for name, tick in self.known.items():
            self.values[name].disabled = not tick.value
        yield
        try:
            made = plan(**self.request())
            assert isinstance(made, Plan)  # noqa: S101 - without a campaign under way it is never anything else
        except ThermlabError as error:
            self.planned = self._shown = None
            self.answer.value, self.picture.value, self.busy.value = refusal(error), b"", ""
            return
        self.planned = made
        self.answer.value = view(items(plan_sentences(made))).html
        yield
        shows = (made.splits, made.soaks, made.split, made.request.margin_K)
        if shows != self._shown:
            self._drawn, self._shown = trade(made, self._drawn), shows
            self.picture.value, self.picture.alt = self._drawn.svg().encode(), self._drawn.alt
        self.busy.value = ""

    async def _catch_up(self) -> None:
        for _ in self._steps():
            await asyncio.sleep(PAUSE_S)

    def _move(self, _: Any = None) -> None:
        """Begin to plan anew in place of what is being planned; the last picture stays until the new one is ready."""
        if self._task is not None:
            self._task.cancel()
        try:
            loop = asyncio.get_running_loop()
        except RuntimeError:  # outside a notebook no other change can come in between
            self.show()
        else:
            self._task = loop.create_task(self._catch_up())

    def _write(self) -> None:
        name = self.folder.value.strip()
        try:
            if name:
                plan(name, **self.request())
            said = f"Written: {name}, waiting for its logs." if name else "A new folder needs a name."
            self.said.value = view(items([said])).html
        except ThermlabError as error:
            self.said.value = refusal(error)
