"""A campaign on one screen: pick a run, tick what is left out, move the settings, and see the answer move.

Everything that is shown comes from :mod:`thermlab.explore`; here are only the controls. The campaign is reduced
once, so that a change of a control redraws within a moment. Nothing is written before the button says so.
"""

from __future__ import annotations

from pathlib import Path
from typing import Any

import ipywidgets as widgets

from thermlab.base.errors import ThermlabError
from thermlab.base.numbers import watts
from thermlab.explore import exploring, figures, pages, sheet_edit
from thermlab.reports.pages import Block, items, view

PANEL_DPI = 80
"""Coarser than on a page, so that the next run is drawn at once."""
_SIDE = {"width": "25em"}
NAMES = {"description_width": "11em"}


class TryoutPanel(widgets.VBox):  # type: ignore[misc, unused-ignore]
    """Controls for one campaign, and what follows from where they stand.

    Parameters
    ----------
    campaign : str or Path
        A campaign folder.

    Attributes
    ----------
    found : Exploration
        The campaign, reduced once.
    trial : Trial or None
        The answer as it is and as it is tried; None where what is set cannot be.

    Raises
    ------
    InputError
        With every problem of the campaign's files.
    """

    def __init__(self, campaign: str | Path) -> None:
        self._folder = Path(campaign)
        self.found = exploring.explore(self._folder)
        self.trial: exploring.Trial | None = None
        self.run = widgets.Dropdown(description="run", style={"description_width": "3em"}, layout=_SIDE)
        self.settings = self._setting_controls()
        self.ticks: dict[str, widgets.Checkbox] = {}
        why, shape = "what went wrong on the bench", {"max_width": "32em", "object_fit": "contain"}
        self.reason = widgets.Text(description="leave this run out:", placeholder=why, style=NAMES, layout=wide(36))
        self.write = widgets.Button(description="write it into runs.csv", layout=wide(16))
        self.lift = widgets.Button(description="use this run again", layout=wide(14))
        self.said, self.answer, self.flags = widgets.HTML(), widgets.HTML(), widgets.HTML()
        self.picture = widgets.Image(format="png", layout=shape)
        self._ticked = widgets.VBox(layout={"max_height": "9em", "overflow": "auto"})
        self.run.observe(lambda _: self._show_run(), "value")
        self.write.on_click(lambda _: self._edit(sheet_edit.exclude_run, self.reason.value))
        self.lift.on_click(lambda _: self._edit(sheet_edit.lift_exclusion))
        for control in self.settings.values():
            control.observe(lambda _: self._show_answer(), "value")
        self._fill()
        side = [self.run, *self.settings.values(), widgets.Label("tried without the runs ticked:"), self._ticked]
        above, below = row(widgets.VBox(side, layout=_SIDE), self.picture), row(self.reason, self.write, self.lift)
        super().__init__([above, self.answer, below, self.said, self.flags])

    def _setting_controls(self) -> dict[str, Any]:
        settings = self.found.campaign.settings
        powers = sorted({run.set_power_W for run in self.found.analysis.runs})
        comparison = self.found.analysis.comparison
        reference = (comparison and comparison.reference_power_W) or settings.decision.reference_power_W or powers[-1]
        controls: dict[str, Any] = {
            "margin_K": number("margin in K", settings.decision.margin_K, 0.05, 20.0, 0.05),
            "reference_power_W": widgets.Dropdown(
                description="reference power",
                options=[(watts(power), power) for power in sorted({*powers, reference})],
                value=reference,
                style=NAMES,
                layout=wide(18),
            ),
        }
        if settings.limits is not None:
            controls["room_C"] = number("room in °C", settings.limits.room_C, -20.0, 60.0, 0.5)
            controls["temperature_C"] = number("limit in °C", settings.limits.temperature_C, 20.0, 150.0, 1.0)
        return controls

    def _fill(self) -> None:
        """Put the campaign as it is now into the controls."""
        chosen = self.run.value
        names = [doubt.run.run for doubt in self.found.doubts]
        self.run.options = [(_label(doubt), doubt.run.run) for doubt in self.found.doubts]
        self.run.value = chosen if chosen in names else names[0]
        self.ticks = {
            run.run: widgets.Checkbox(
                description=run.run,
                tooltip=f"{run.treatment}, mount {run.mount}, {watts(run.set_power_W)}",
                value=not run.used,
                disabled=run.rise_K is None,
                indent=False,
                layout={"width": "22em", "min_height": "1.7em"},
            )
            for run in self.found.settled.runs
        }
        for tick in self.ticks.values():
            tick.observe(lambda _: self._show_answer(), "value")
        self._ticked.children = tuple(self.ticks.values())
        self._show_run()
        self._show_answer()

    def _show_run(self) -> None:
        shown = figures.approach(self.found, self.run.value)
        self.flags.value = pages.fate_and_flags(self.found, self.run.value).html
        if isinstance(shown, Block):
            self.picture.value, self.picture.alt, self.flags.value = b"", "", self.flags.value + shown.html
        else:
            self.picture.value, self.picture.alt = shown.png(dpi=PANEL_DPI), shown.alt
        self.lift.disabled = not any(line.exclude for line in self.found.campaign.runs if line.run == self.run.value)

    def _show_answer(self) -> None:
        used = {run.run: run.used for run in self.found.settled.runs}
        out = [name for name, tick in self.ticks.items() if tick.value and used[name]]
        back = [name for name, tick in self.ticks.items() if not tick.value and not used[name] and not tick.disabled]
        try:
            tried = {name: control.value for name, control in self.settings.items()}
            self.trial = exploring.try_exclusions(self.found, out, back, **tried)
            self.answer.value = pages.with_and_without(self.trial, advice=False).html
        except ThermlabError as error:
            self.trial, self.answer.value = None, refusal(error)

    def _edit(self, change: Any, *reason: str) -> None:
        try:
            edit = change(self.found.campaign, self.run.value, *reason)
            self.found = exploring.explore(self._folder)
            self._fill()
            self.said.value = edit._repr_html_()
        except ThermlabError as error:
            self.said.value = refusal(error)


def row(*controls: Any) -> widgets.HBox:
    """Return controls side by side, below each other where the screen is narrow."""
    return widgets.HBox(controls, layout={"flex_flow": "row wrap"})


def wide(width_em: float) -> dict[str, str]:
    """Return the layout of a control so wide."""
    return {"width": f"{width_em}em"}


def number(name: str, value: float, lowest: float, highest: float, step: float) -> widgets.BoundedFloatText:
    """Return a control for a number with its name and limits, which widen to hold the value given."""
    limits = {"min": min(lowest, value), "max": max(highest, value), "step": step}
    return widgets.BoundedFloatText(description=name, value=value, **limits, style=NAMES, layout=wide(18))


def _label(doubt: exploring.Doubt) -> str:
    run = doubt.run
    found = ", ".join(dict.fromkeys(flag.flag for flag in run.flags if flag.severity != "note"))
    return f"{run.run}: {found or 'nothing found'}" + ("" if run.used else " (left out)")


def refusal(error: ThermlabError) -> str:
    """Return every problem as HTML."""
    return view(items(str(error).splitlines())).html
