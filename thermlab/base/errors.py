"""What thermlab raises: bad input with every problem at once, and failed work; and how messages show foreign text.

A command turns :class:`InputError` into exit status 2 and any other
:class:`ThermlabError` into exit status 1.
"""

from collections.abc import Iterable
from dataclasses import dataclass
from typing import Literal, Self

ReportState = Literal["failed", "died", "timeout"]


@dataclass(frozen=True, slots=True)
class Problem:
    """One thing that is wrong with an input.

    Attributes
    ----------
    where : str
        A file, ``file:line``, or ``file:line (key.path)``.
    found : str
        What stands there.
    allowed : str
        What may stand there.
    """

    where: str
    found: str
    allowed: str

    def __str__(self) -> str:
        return f"{self.where}: found {self.found}; allowed: {self.allowed}"


# Marks that turn the direction of what follows: a name with one can make a line read as another.
_TURNS = frozenset("\u202a\u202b\u202c\u202d\u202e\u2066\u2067\u2068\u2069")


def commands_terminal(text: str) -> bool:
    """Tell whether a text, shown as it is, would do more on a terminal than appear there."""
    return any(ord(c) < 32 or 0x7F <= ord(c) < 0xA0 or c in _TURNS for c in text)


def show_name(name: str) -> str:
    """Return a file name that cannot break a line or move the cursor of a terminal."""
    return "".join(c if c.isprintable() else repr(c)[1:-1] for c in name)


def shown(text: object, *, quoted: bool = True, limit: int = 80) -> str:
    """Return text from a file for an error message: one line, printable, not too long."""
    plain = str(text)
    if len(plain) > limit:
        plain = plain[: limit - 1] + "…"
    return repr(plain) if quoted else show_name(plain)


class ThermlabError(Exception):
    """Base of everything thermlab raises on purpose."""

    def _render_traceback_(self) -> list[str]:
        """Return what a notebook shows of it: the message, without the way through our code."""
        return str(self).splitlines()


class InputError(ThermlabError, ValueError):
    """The input is not usable; nothing was done.

    Parameters
    ----------
    problems : iterable of Problem
        Every problem found, in the order of the files and lines.

    Attributes
    ----------
    problems : tuple of Problem
        The same, each with place, what was found and what is allowed.
    """

    def __init__(self, problems: Iterable[Problem]) -> None:
        self.problems: tuple[Problem, ...] = tuple(problems)
        super().__init__("\n".join(str(problem) for problem in self.problems))

    def __reduce__(self) -> tuple[type[Self], tuple[tuple[Problem, ...]]]:
        # Worker processes hand errors back pickled; the default would pass the text as problems.
        return type(self), (self.problems,)


class ReportError(ThermlabError):
    """A report was begun and not finished.

    Parameters
    ----------
    state : {"failed", "died", "timeout"}
        A cell raised, the kernel died, or a cell took too long.
    cell : int or None
        Number of the cell, from 0, where it is known.
    message : str
        What happened, for a person.
    """

    def __init__(self, state: ReportState, cell: int | None, message: str) -> None:
        self.state: ReportState = state
        self.cell = cell
        self.message = message
        super().__init__(f"report {state}" + ("" if cell is None else f" in cell {cell}") + f": {message}")

    def __reduce__(self) -> tuple[type[Self], tuple[ReportState, int | None, str]]:
        return type(self), (self.state, self.cell, self.message)


class ArchiveError(ThermlabError):
    """An archive does not hold what it says it holds, or cannot be written."""
