"""The bytes of a log as clean text: decoded as declared, one kind of line end, no NUL bytes, no quotes; its header.

The header is the line that holds the declared columns, and nothing else.
"""

import codecs
import contextlib
import csv
import difflib
import fnmatch
import functools
import hashlib
import re
from collections import Counter
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, field
from pathlib import Path

import numpy as np

from thermlab.base.errors import InputError, Problem, shown
from thermlab.base.files import PathRefusedError, read_plain
from thermlab.logs.cells import STANDARD, UNIT_OF

MAX_BYTES = 1 << 30
MAX_LINES = 4_000_000
SHORTEST_LINE = 5
"""Mean length below which a long file is no log: the shortest rows of readings, such as 1,2,3, are longer."""
SEPARATOR = "\x1f"
"""Stands between cells once quotes are resolved; no log has it as text."""

_EDGES = " \t\ufeff"
"""Stripped from names; a byte order mark may stand behind the lines before the header."""

_BOMS = (
    (b"\xff\xfe\x00\x00", "utf-32"),
    (b"\x00\x00\xfe\xff", "utf-32"),
    (b"\xff\xfe", "utf-16"),
    (b"\xfe\xff", "utf-16"),
    (b"\xef\xbb\xbf", "utf-8"),
)


@dataclass(slots=True)
class LogText:
    r"""A log file as text.

    Attributes
    ----------
    name, sha256 : str
        What problems call it; checksum of its bytes.
    data : bytes
        UTF-8 with ``\n`` line ends, line for line as in the file.
    key : str
        Key of ``campaign.yaml`` that says how it is read, for messages.
    encoding : str
        The declared encoding.
    notes : list of str
        What was passed over.
    """

    name: str
    sha256: str
    data: bytes
    key: str
    encoding: str
    notes: list[str] = field(default_factory=list)

    def refuse(self, line: int, column: str, found: str, allowed: str) -> InputError:
        """Return the error of one problem."""
        return InputError([self.problem(line, column, found, allowed)])

    def problem(self, line: int, column: str, found: str, allowed: str) -> Problem:
        """Return a problem at a line, and a column where it has one."""
        where = (f"{self.name}:{line}" if line else self.name) + (f" ({shown(column, quoted=False)})" if column else "")
        return Problem(where, found, allowed)


def read_text(path: Path, encoding: str, *, name: str, key: str, raw: bytes | None = None) -> LogText:
    """Read a log once and decode it as declared.

    Parameters
    ----------
    path : Path
        The file.
    encoding : str
        Its declared encoding.
    name : str
        What problems call it.
    key : str
        Key of ``campaign.yaml`` that declares it, ``log`` or ``ambient_log``.
    raw : bytes, optional
        What stands in for the bytes of the file.

    Returns
    -------
    LogText

    Raises
    ------
    InputError
        Where it cannot be read, is not text in this encoding, or holds NUL bytes between its lines.
    """
    try:
        raw = read_plain(path, MAX_BYTES) if raw is None else raw
    except PathRefusedError as refused:
        raise InputError([Problem(name, refused.found, refused.allowed)]) from None
    log = LogText(name, hashlib.sha256(raw).hexdigest(), raw, key, encoding)
    _decode(log)
    if b"\r" in log.data:
        log.data = log.data.replace(b"\r\n", b"\n").replace(b"\r", b"\n")
    if b"\0" in log.data:
        _drop_nul_block(log)
    if not log.data.strip():
        raise log.refuse(0, "", "an empty file", "a header line and rows below it")
    n_lines = int(np.count_nonzero(np.frombuffer(log.data, dtype=np.uint8) == 10))
    if n_lines > MAX_LINES:
        raise log.refuse(MAX_LINES, "", f"{n_lines} lines", f"at most {MAX_LINES} lines")
    if n_lines > 10_000 + len(log.data) // SHORTEST_LINE:
        found = f"{n_lines} lines in {len(log.data)} bytes"
        raise log.refuse(0, "", found, f"lines of at least {SHORTEST_LINE} bytes on average")
    return log


def _decode(log: LogText) -> None:
    """Turn the bytes into UTF-8 without a byte order mark, strictly."""
    raw = log.data
    if raw.isascii() and codecs.lookup(log.encoding).name in ("utf-8", "utf-8-sig", "ascii"):
        return
    allowed = f"text in {log.encoding}, as {log.key}.encoding declares"
    if raw.startswith(codecs.BOM_UTF8) and not codecs.lookup(log.encoding).name.startswith("utf-8"):
        raise log.refuse(1, "", "the byte order mark of utf-8", f"{allowed}; perhaps {log.key}.encoding: utf-8")
    try:
        log.data = raw.decode(log.encoding).removeprefix("\ufeff").encode("utf-8")
    except UnicodeDecodeError as error:
        before = raw[: error.start].decode(log.encoding, "replace")
        line = max(before.count("\n"), before.count("\r")) + 1
        found = f"the byte 0x{raw[error.start]:02x}" if error.start < len(raw) else "an end within a character"
        raise log.refuse(line, "", found, f"{allowed}; perhaps the encoding is {likely_encoding(raw)}") from None
    except (ValueError, LookupError, OverflowError) as error:
        raise log.refuse(0, "", f"bytes that cannot be decoded ({shown(error, quoted=False)})", allowed) from None


def likely_encoding(raw: bytes) -> str:
    """Return the encoding the bytes of a file seem to be in."""
    for mark, encoding in _BOMS:
        if raw.startswith(mark):
            return encoding
    head = raw[:4000]
    if head.count(0) > len(head) // 5:
        # A text in Latin letters has its zeros at odd places in the one order, at even places in the other.
        return "utf-16-le" if head[1::2].count(0) >= head[::2].count(0) else "utf-16-be"
    for encoding in ("utf-8", "cp1252"):
        with contextlib.suppress(UnicodeDecodeError):
            raw.decode(encoding)
            return encoding
    return "latin-1"


def _drop_nul_block(log: LogText) -> None:
    """Drop the NUL bytes a crash leaves at the end of a file; refuse any between the lines."""
    kept = log.data.rstrip(b"\0\n \t")
    if b"\0" in kept:
        line = kept.count(b"\n", 0, kept.index(b"\0")) + 1
        likely = likely_encoding(kept)
        hint = f"; perhaps the encoding is {likely}" if likely.startswith("utf-16") else ""
        raise log.refuse(line, "", "a NUL byte", f"text in {log.encoding} without NUL bytes{hint}")
    tail = log.data[len(kept) :]
    # What stood on the line before the NUL bytes was cut off by them, unless its line end was written.
    ended = tail[: tail.index(b"\0")].count(b"\n") > 0
    line = kept.count(b"\n") + 1 + ended
    log.notes.append(f"{tail.count(0)} NUL bytes at the end dropped (line {line})")
    log.data = kept + (b"\n" if ended else b"")


def split_line(line: str, delimiter: str) -> list[str]:
    """Return the cells of one line without spaces around them; raises csv.Error where quotes do not pair."""
    if '"' not in line:
        return [cell.strip(_EDGES) for cell in line.split(delimiter)]
    cells = next(csv.reader([line], delimiter=delimiter, skipinitialspace=delimiter != " ", strict=True), [])
    return [cell.strip(_EDGES) for cell in cells]


def without_quotes(log: LogText, region: bytes, delimiter: str, first_line: int) -> bytes:
    """Return the rows with quotes resolved and :data:`SEPARATOR` between the cells, line for line.

    Raises
    ------
    InputError
        Where quotes do not pair, or a quoted cell holds a line break.
    """
    lines = region.decode("utf-8").split("\n")
    reader = csv.reader(lines, delimiter=delimiter, skipinitialspace=delimiter != " ", strict=True)
    rows: list[str] = []
    begun = 1
    allowed = "quotes in pairs within one line"
    try:
        for cells in reader:
            if reader.line_num > begun:
                raise log.refuse(first_line + begun - 1, "", "a line break within quotes", allowed)
            begun += 1
            rows.append(SEPARATOR.join(cell.replace(SEPARATOR, " ") for cell in cells))
    except csv.Error as error:
        # The text names the delimiter, which may be a tab or our own separator.
        found = f"what CSV cannot read ({shown(error, quoted=False)})"
        raise log.refuse(first_line + begun - 1, "", found, allowed) from None
    return "\n".join(rows).encode("utf-8")


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
    end : int
        Offset of its line end.
    names : tuple of str
        All column names.
    columns : dict of str to tuple of int
        Role key -> positions of its columns, in header order (time columns: in declared order).
    """

    line: int
    end: int
    names: tuple[str, ...]
    columns: dict[str, tuple[int, ...]]

    def named(self, key: str) -> tuple[str, ...]:
        """Return the names of the columns of a role."""
        return tuple(self.names[position] for position in self.columns[key])

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
    best: tuple[int, int, list[str]] = (-1, 1, [])
    begin = 0
    for line, raw in enumerate(log.data.split(b"\n", MAX_HEADER_LINES)[:MAX_HEADER_LINES], 1):
        names = _names(raw, delimiter)
        matches = _matches(names, roles)
        n_matched = sum(bool(positions) for *_, positions in matches)
        if n_matched == len(matches):
            if line > 1:
                log.notes.append(f"{line - 1} line{'s' if line > 2 else ''} before the header skipped")
            return Header(line, begin + len(raw), numbered(names), _columns(log, line, names, matches))
        if n_matched > best[0]:
            best = (n_matched, line, names)
        begin += len(raw) + 1
    raise _no_header(log, roles, delimiter, *best[1:])


def _names(raw: bytes, delimiter: str) -> list[str]:
    if len(raw) > MAX_LINE_BYTES or raw.count(delimiter.encode()) >= MAX_COLUMNS:
        return []
    try:
        return split_line(raw.decode("utf-8"), delimiter)
    except csv.Error:
        return []


def numbered(names: Sequence[str]) -> tuple[str, ...]:
    """Return column names told apart: of several that are the same, ``T#1`` is the first ``T`` in the line."""
    count, seen, apart = Counter(names), Counter[str](), []
    for name in names:
        seen[name] += 1
        own = f"{name}#{seen[name]}"
        apart.append(own if name and count[name] > 1 and own not in count else name)
    return tuple(apart)


_Match = tuple[Role, str, list[int]]


def _matches(names: Sequence[str], roles: Sequence[Role]) -> list[_Match]:
    """Return every pattern with its role and the positions of the columns it stands for."""
    columns = [(at, pair) for at, pair in enumerate(zip(names, numbered(names), strict=True)) if pair[0]]
    patterns = [(role, pattern, matcher(pattern)) for role in roles for pattern in role.patterns]
    return [
        (role, pattern, [at for at, pair in columns if any(map(expression.match, pair))])
        for role, pattern, expression in patterns
    ]


def _columns(log: LogText, line: int, names: list[str], matches: Sequence[_Match]) -> dict[str, tuple[int, ...]]:
    problems: list[Problem] = []
    found: dict[str, list[int]] = {}
    holders: dict[int, str] = {}
    for role, pattern, positions in matches:
        if role.single and len(positions) > 1:
            listed = ", ".join(shown(names[position]) for position in positions[:10])
            text = f"{len(positions)} columns for {shown(pattern)}: {listed}"
            problems.append(log.problem(line, role.key, text, "a pattern that matches exactly one column"))
        own = found.setdefault(role.key, [])
        for position in (position for position in positions if position not in own):
            own.append(position)
            other = holders.setdefault(position, role.key)
            if other != role.key:
                text = f"{shown(names[position])} for {other} and for {role.key}"
                problems.append(log.problem(line, role.key, text, "patterns that match a column for one purpose only"))
    roles = {role.key: role for role, *_ in matches}
    for key, role in roles.items():
        problems += [log.problem(line, *said) for said in _odd_names(names, role, found[key])]
    if problems:
        raise InputError(problems)
    return {key: tuple(found[key] if role.single else sorted(found[key])) for key, role in roles.items()}


def _odd_names(names: list[str], role: Role, found: list[int]) -> Iterator[tuple[str, str, str]]:
    """Yield column, what was found and what is allowed of columns whose name cannot be what it should be."""
    for name in sorted({names[position] for position in found}):
        # What UTF-8 looks like where it is read as another encoding: a unit in such a name would not be known.
        if "\ufffd" in name or re.search("[ÂÃ][\u0080-\u00bf]", name):
            allowed = "a header in its own encoding; it reads like another one, perhaps utf-8"
            yield role.key, f"the column name {shown(name)}", allowed
        if names.count(name) > 1 and any(matcher(pattern).match(name) for pattern in role.patterns):
            text = f"the column name {shown(name)} {names.count(name)} times"
            allowed = f"declared columns with names of their own, or by their order: {shown(name + '#1')} is the first"
            yield role.key, text, allowed
    # A name that says another unit than is declared: one of the two is a wrong number.
    for name in (names[position] for position in found):
        match = _UNIT_IN_NAME.search(name)
        word = "" if match is None else next(filter(None, match.groups()))
        unit = UNIT_OF.get(word) or UNIT_OF.get(word.capitalize())
        alike = unit in STANDARD and role.unit in STANDARD and STANDARD[unit][0] == STANDARD[role.unit][0]
        if match is None or unit == role.unit or not alike:
            continue
        begin = match.start() + match.group().index(word)
        # The C of three sensors A, B and C is no unit.
        same = [other for other in names if len(other) == len(name) and other[:begin] == name[:begin]]
        if len(word) == 1 and any(other[begin] not in "CFKW" for other in same):
            continue
        key = f"{role.key.removesuffix('.columns')}.unit"
        text = f"the unit {word} in the name of the column, and {key}: {role.unit} in campaign.yaml"
        yield name, text, f"one unit: {key}: {unit}, or the column that is in {role.unit}"


_UNIT_IN_NAME = re.compile(
    r"[\[(]\s*([^\[\]()]+?)\s*[\])]\s*$|(?:[,/]|\bin\b)\s*([^\s,/]+)\s*$|[\s_](°\s?[CF]|deg[CF]|[mk]W|[MG]Hz)\s*$"
)


def _no_header(log: LogText, roles: Sequence[Role], delimiter: str, line: int, names: list[str]) -> InputError:
    """Return the error of a log without a header, against the line that comes nearest to one."""
    hint = _other_delimiter(log, roles, delimiter)
    if hint:
        found = f"no line with every declared column when split at {delimiter!r}"
        return log.refuse(hint[0], "", found, f"the declared delimiter; this line splits at {hint[1]!r}")
    problems = []
    for role, pattern in ((role, pattern) for role, pattern, positions in _matches(names, roles) if not positions):
        literal = pattern.replace("*", "").replace("?", "")[:100]
        near = difflib.get_close_matches(literal, [name[:100] for name in names[:200] if name], n=3, cutoff=0.3)
        listed = ", ".join(shown(name) for name in near or [name for name in names[:10] if name])
        allowed = f"a header with this column in the first {MAX_HEADER_LINES} lines"
        allowed += f"; nearest: {listed}" if listed else ""
        problems.append(log.problem(line, role.key, f"no column {shown(pattern)}", allowed))
    return InputError(problems)


def _other_delimiter(log: LogText, roles: Sequence[Role], delimiter: str) -> tuple[int, str] | None:
    """Return a line and a delimiter that would give every declared column, to suggest it."""
    for line, raw in enumerate(log.data[:MAX_LINE_BYTES].split(b"\n", 50)[:50], 1):
        for other in ",;\t|":
            names = _names(raw, other) if other != delimiter else []
            if all(positions for *_, positions in _matches(names, roles)):
                return line, other
    return None
