"""The header line of a log: found by the declared columns, and nothing else."""

from __future__ import annotations

import csv
import difflib
import fnmatch
import functools
import re
from dataclasses import dataclass
from typing import TYPE_CHECKING

from thermlab.base.errors import InputError, Problem, shown
from thermlab.logs.cells import UNIT_OF
from thermlab.logs.text import LogText, split_line

if TYPE_CHECKING:
    from collections.abc import Sequence

MAX_HEADER_LINES = 200
MAX_LINE_BYTES = 1 << 20
MAX_COLUMNS = 10_000


@dataclass(frozen=True, slots=True)
class Role:
    """Declared columns that mean one thing.

    Attributes
    ----------
    key : str
        Key of ``campaign.yaml`` that names them, such as ``log.power``.
    patterns : tuple of str
        Column names; ``*`` and ``?`` are wildcards, all else is literal.
    unit : str
        Declared unit; empty for clock times.
    single : bool
        Whether each pattern stands for exactly one column and, together, each for a different one.
    """

    key: str
    patterns: tuple[str, ...]
    unit: str
    single: bool

    @property
    def is_room(self) -> bool:
        """Whether its columns are the room's."""
        return "ambient" in self.key


@dataclass(frozen=True, slots=True)
class Header:
    """Where the header stands and which columns are read.

    Attributes
    ----------
    line : int
        Its line, from 1.
    begin : int
        Offset of the first byte after it.
    raw : bytes
        Its bytes, to know it again further down.
    names : tuple of str
        All column names.
    columns : dict of str to tuple of int
        Role key -> positions of its columns, in header order (time columns: in declared order).
    """

    line: int
    begin: int
    raw: bytes
    names: tuple[str, ...]
    columns: dict[str, tuple[int, ...]]

    @property
    def n_named(self) -> int:
        """Number of columns up to the last one that has a name."""
        return max(position for position, name in enumerate(self.names, 1) if name)


@functools.lru_cache(maxsize=256)
def matcher(pattern: str) -> re.Pattern[str]:
    """Return the expression of a column name in which only ``*`` and ``?`` are wildcards."""
    return re.compile(fnmatch.translate(pattern.strip().replace("[", "[[]")))


def find_header(log: LogText, roles: Sequence[Role], delimiter: str) -> Header:
    """Find the first of the first 200 lines that holds every declared column.

    Parameters
    ----------
    log : LogText
        The log; what stands before the header is noted.
    roles : sequence of Role
        The declared columns.
    delimiter : str
        One character.

    Returns
    -------
    Header

    Raises
    ------
    InputError
        Where no line holds them all, or one of them is not unique there.
    """
    patterns = [(role, pattern, matcher(pattern)) for role in roles for pattern in role.patterns]
    best: tuple[int, int, list[str]] = (-1, 1, [])
    begin = 0
    for line in range(1, MAX_HEADER_LINES + 1):
        if begin >= len(log.data):
            break
        end = log.data.find(b"\n", begin)
        end = len(log.data) if end < 0 else end
        names = _names(log.data[begin:end], delimiter)
        matched = sum(_holds(names, expression) for _, _, expression in patterns)
        if matched == len(patterns) and names:
            if line > 1:
                log.notes.append(f"{line - 1} line{'s' if line > 2 else ''} before the header skipped")
            columns = _columns(log, line, names, roles)
            return Header(line, min(end + 1, len(log.data)), log.data[begin:end].strip(), tuple(names), columns)
        if matched > best[0]:
            best = (matched, line, names)
        begin = end + 1
    raise _no_header(log, roles, delimiter, best)


def _names(raw: bytes, delimiter: str) -> list[str]:
    if len(raw) > MAX_LINE_BYTES or raw.count(delimiter.encode()) >= MAX_COLUMNS:
        return []
    try:
        return split_line(raw.decode("utf-8"), delimiter)
    except csv.Error:
        return []


def _holds(names: list[str], expression: re.Pattern[str]) -> bool:
    return any(name and expression.match(name) for name in names)


def _columns(log: LogText, line: int, names: list[str], roles: Sequence[Role]) -> dict[str, tuple[int, ...]]:
    problems: list[Problem] = []
    columns: dict[str, tuple[int, ...]] = {}
    holders: dict[int, str] = {}
    for role in roles:
        found: list[int] = []
        for pattern in role.patterns:
            expression = matcher(pattern)
            positions = [position for position, name in enumerate(names) if name and expression.match(name)]
            if role.single and len(positions) > 1:
                text = f"{len(positions)} columns for {shown(pattern)}: {_listed(names, positions)}"
                problems.append(log.problem(line, role.key, text, "a pattern that matches exactly one column"))
            found += [position for position in positions if position not in found]
        columns[role.key] = tuple(found) if role.single else tuple(sorted(found))
        for position in found:
            other = holders.setdefault(position, role.key)
            if other != role.key:
                text = f"{shown(names[position])} for {other} and for {role.key}"
                problems.append(log.problem(line, role.key, text, "patterns that match a column for one purpose only"))
        problems += _bad_names(log, line, names, role, found) + _other_units(log, line, names, role, found)
    if problems:
        raise InputError(problems)
    return columns


def _bad_names(log: LogText, line: int, names: list[str], role: Role, found: list[int]) -> list[Problem]:
    problems = []
    for name in sorted({names[position] for position in found}):
        if names.count(name) > 1:
            text = f"the column name {shown(name)} {names.count(name)} times"
            problems.append(log.problem(line, role.key, text, "declared columns with names of their own"))
        if "\ufffd" in name or (not log.encoding.lower().startswith("utf") and re.search("[ÂÃ][\u0080-\u00bf]", name)):
            allowed = f"a header in {log.encoding}; it reads like another encoding, perhaps utf-8"
            problems.append(log.problem(line, role.key, f"the column name {shown(name)}", allowed))
    return problems


def _other_units(log: LogText, line: int, names: list[str], role: Role, found: list[int]) -> list[Problem]:
    """Refuse columns whose own name says another unit than is declared: one of the two is a wrong number."""
    problems = []
    for position in found:
        name = names[position]
        match = _UNIT_IN_NAME.search(name)
        word = "" if match is None else next(filter(None, match.groups()))
        unit = UNIT_OF.get(word) or UNIT_OF.get(word.capitalize())
        if match is None or unit is None or unit == role.unit or not _alike(unit, role.unit):
            continue
        begin = match.start() + match.group().index(word)
        # The C of three sensors A, B and C is no unit.
        same = [other for other in names if len(other) == len(name) and other[:begin] == name[:begin]]
        if len(word) == 1 and any(other[begin] not in "CFKW" for other in same):
            continue
        key = f"{role.key.removesuffix('.columns')}.unit"
        text = f"the unit {word} in the name of the column, and {key}: {role.unit} in campaign.yaml"
        problems.append(log.problem(line, name, text, f"one unit: {key}: {unit}, or the column that is in {role.unit}"))
    return problems


_UNIT_IN_NAME = re.compile(
    r"[\[(]\s*([^\[\]()]+?)\s*[\])]\s*$|(?:[,/]|\bin\b)\s*([^\s,/]+)\s*$|[\s_](°\s?[CF]|deg[CF]|[mk]W|[MG]Hz)\s*$"
)
_KINDS = ({"degC", "degF", "K"}, {"W", "mW", "kW"}, {"Hz", "MHz", "GHz"}, {"s", "ms", "min", "h"})


def _alike(unit: str, other: str) -> bool:
    return any({unit, other} <= kind for kind in _KINDS)


def _no_header(log: LogText, roles: Sequence[Role], delimiter: str, best: tuple[int, int, list[str]]) -> InputError:
    matched, line, names = best
    hint = _other_delimiter(log, roles, delimiter)
    if hint:
        found = f"no line with every declared column when split at {delimiter!r}"
        return log.refuse(hint[0], "", found, f"the declared delimiter; this line splits at {hint[1]!r}")
    if matched < 1:
        line = 0
    problems = []
    for role in roles:
        for pattern in role.patterns:
            expression = matcher(pattern)
            if _holds(names, expression):
                continue
            literal = pattern.replace("*", "").replace("?", "")[:100]
            near = difflib.get_close_matches(literal, [name[:100] for name in names[:200] if name], n=3, cutoff=0.3)
            listed = ", ".join(shown(name) for name in near or [name for name in names[:10] if name])
            where = "in this line" if line else f"in the first {MAX_HEADER_LINES} lines"
            allowed = f"a header with this column{f'; nearest: {listed}' if listed else ''}"
            problems.append(log.problem(line, role.key, f"no column {shown(pattern)} {where}", allowed))
    return InputError(problems)


def _other_delimiter(log: LogText, roles: Sequence[Role], delimiter: str) -> tuple[int, str] | None:
    """Return a line and a delimiter that would give every declared column, to suggest it."""
    expressions = [matcher(pattern) for role in roles for pattern in role.patterns]
    for line, raw in enumerate(log.data[:MAX_LINE_BYTES].split(b"\n", 50)[:50], 1):
        for other in ",;\t|":
            names = _names(raw, other) if other != delimiter else []
            if names and all(_holds(names, expression) for expression in expressions):
                return line, other
    return None


def _listed(names: list[str], positions: list[int]) -> str:
    return ", ".join(shown(names[position]) for position in positions[:10])
