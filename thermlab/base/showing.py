"""How results show themselves: as text, as a table of a notebook, as a tidy frame.

Results stand above the pages and frames that show them on the map, so they look
for these by name when they are asked, not when they are imported: the one
exception to imports running one way.
"""

from __future__ import annotations

from importlib import import_module
from typing import TYPE_CHECKING, ClassVar, cast

if TYPE_CHECKING:
    import pandas as pd


class Shown:
    """What results have in common: ``print(result)``, ``result.to_frame()``, and a table in a notebook."""

    __slots__ = ()

    words: ClassVar[str] = "thermlab.reports.summaries"
    page: ClassVar[str] = "thermlab.reports.summaries"
    """Modules with the ``summary`` and the ``block`` of a result; imported when it shows itself."""

    def __str__(self) -> str:
        return self.summary()

    def summary(self) -> str:
        """Return the result on one screen, cautions first."""
        return cast("str", import_module(self.words).summary(self))

    def to_frame(self) -> pd.DataFrame:
        """Return the result as a tidy frame: one row per run, candidate or treatment, units in the column names."""
        return import_module("thermlab.reports.summaries").to_frame(self)

    def _repr_html_(self) -> str:
        return cast("str", import_module(self.page).block(self).html)
