"""YAML that knows its lines and its bounds.

Only plain data is accepted: no tags, no aliases, no second document. Plain
words that look like dates, times of day, octal or sexagesimal numbers stay the
text that was written, so ``12:30`` is never 750.
"""

from __future__ import annotations

import re
from dataclasses import dataclass, field
from typing import Any, NoReturn

import yaml

from thermlab.base.errors import Problem, shown

MAX_YAML_BYTES = 1 << 20
MAX_DEPTH = 20
MAX_VALUES = 20_000

Path = tuple[str | int, ...]

_LOADER = getattr(yaml, "CSafeLoader", yaml.SafeLoader)
_INT = re.compile(r"[-+]?(0|[1-9][0-9]{0,17})\Z")
_FLOAT = re.compile(r"[-+]?([0-9]+\.[0-9]*|\.[0-9]+|[0-9]+(?=[eE]))([eE][-+]?[0-9]{1,3})?\Z")
_WORDS: dict[str, Any] = {"": None, "~": None, "null": None, "Null": None, "NULL": None}
for _spelling in ("true", "yes", "on"):
    _WORDS |= dict.fromkeys((_spelling, _spelling.title(), _spelling.upper()), True)
for _spelling in ("false", "no", "off"):
    _WORDS |= dict.fromkeys((_spelling, _spelling.title(), _spelling.upper()), False)
for _sign, _value in (("", "inf"), ("+", "inf"), ("-", "-inf")):
    _WORDS |= dict.fromkeys((f"{_sign}.inf", f"{_sign}.Inf", f"{_sign}.INF"), float(_value))
_WORDS |= dict.fromkeys((".nan", ".NaN", ".NAN"), float("nan"))


@dataclass(slots=True)
class YamlTree:
    """Plain data of a YAML file with the line of every key.

    Attributes
    ----------
    data : object
        Mappings, lists, text, numbers, truth values, None.
    lines : dict
        Path of keys and indices -> line, from 1.
    problems : list of Problem
        What is wrong with the file as YAML.
    """

    name: str
    data: Any = None
    lines: dict[Path, int] = field(default_factory=dict)
    problems: list[Problem] = field(default_factory=list)

    def where(self, path: Path) -> str:
        """Return ``file:line (key.path)`` of the nearest part of `path` that stands in the file."""
        near = path
        while near and near not in self.lines:
            near = near[:-1]
        dotted = ".".join(str(part) for part in path)
        line = self.lines.get(near, 1)
        return f"{self.name}:{line}" + (f" ({shown(dotted, quoted=False)})" if dotted else "")


class _RefusedError(Exception):
    """Reading cannot go on; the problem is in `args`."""


def load_yaml(raw: bytes, name: str) -> YamlTree:
    """Read one YAML document within bounds.

    Parameters
    ----------
    raw : bytes
        The file.
    name : str
        What problems call it.

    Returns
    -------
    YamlTree
        With `problems` where it is not plain, bounded YAML; never raises.
    """
    tree = YamlTree(name)
    if len(raw) > MAX_YAML_BYTES:
        tree.problems.append(Problem(name, f"{len(raw)} bytes", f"at most {MAX_YAML_BYTES} bytes"))
        return tree
    try:
        text = raw.decode("utf-8-sig")
    except UnicodeDecodeError as error:
        line = raw.count(b"\n", 0, error.start) + 1
        tree.problems.append(Problem(f"{name}:{line}", f"the byte 0x{raw[error.start]:02x}", "text in utf-8"))
        return tree
    try:
        tree.data = _Builder(tree).build(text)
    except _RefusedError as refused:
        tree.problems.append(refused.args[0])
    except (yaml.YAMLError, ValueError, RecursionError) as error:
        tree.problems.append(_unreadable(error, text, name))
    return tree


# By a part of what the parser says: the mistakes of people who write YAML once a year.
_HINTS = {
    "found a tab": ", indented with spaces, not tabs",
    "cannot start any token": ", indented with spaces, not tabs; text that begins with a sign such as % or @ in quotes",
    "mapping values are not allowed": "; in quotes where text holds a colon and a space",
    "expected <block end>": "; keys of a table one below another",
    "expected ',' or": "; brackets and braces in pairs, commas between their entries",
}


def _unreadable(error: Exception, text: str, name: str) -> Problem:
    if isinstance(error, yaml.reader.ReaderError):
        code = error.character if isinstance(error.character, int) else ord(str(error.character)[:1] or "\0")
        line = text.count("\n", 0, error.position) + 1
        return Problem(f"{name}:{line}", f"the character #x{code:04x}", "printable text")
    if isinstance(error, yaml.MarkedYAMLError):
        mark = error.problem_mark or error.context_mark
        found = " ".join(str(part) for part in (error.context, error.problem) if part)
        allowed = "valid YAML" + next((hint for sign, hint in _HINTS.items() if sign in found), "")
        return Problem(f"{name}:{mark.line + 1 if mark else 1}", f"what YAML cannot read ({found})", allowed)
    return Problem(name, f"what YAML cannot read ({shown(error, quoted=False)})", "valid YAML")


class _Builder:
    """Turns parser events into data without recursion, counting depth and values."""

    def __init__(self, tree: YamlTree) -> None:
        self.tree = tree
        self.n_values = 0
        self.stack: list[tuple[Any, Path, list[str]]] = []  # container, its path, the key that waits for a value
        self.root: Any = None

    def build(self, text: str) -> Any:
        documents = 0
        for event in yaml.parse(text, Loader=_LOADER):
            line = event.start_mark.line + 1 if event.start_mark else 1
            if isinstance(event, yaml.DocumentStartEvent):
                documents += 1
                if documents > 1:
                    self.refuse(line, "a second document", "one document")
            elif isinstance(event, yaml.AliasEvent):
                self.refuse(line, f"the alias *{event.anchor}", "no aliases: write the value out")
            elif isinstance(event, yaml.NodeEvent):
                self.begin(event, line)
            elif isinstance(event, yaml.CollectionEndEvent):
                self.stack.pop()
        return self.root

    def refuse(self, line: int, found: str, allowed: str) -> NoReturn:
        raise _RefusedError(Problem(f"{self.tree.name}:{line}", found, allowed))

    def begin(self, event: Any, line: int) -> None:
        if event.tag is not None and event.tag != "!":
            self.refuse(line, f"the tag {shown(event.tag)}", "no tags")
        self.n_values += 1
        if self.n_values > MAX_VALUES:
            self.refuse(line, f"more than {MAX_VALUES} values", f"at most {MAX_VALUES}")
        value: Any
        if isinstance(event, yaml.ScalarEvent):
            value = resolve(event.value) if event.implicit[0] else event.value
        else:
            value = {} if isinstance(event, yaml.MappingStartEvent) else []
        path = self.place(value, event, line)
        if not isinstance(event, yaml.ScalarEvent):
            if len(self.stack) >= MAX_DEPTH:
                self.refuse(line, f"more than {MAX_DEPTH} levels", f"at most {MAX_DEPTH} levels")
            self.stack.append((value, path, []))

    def place(self, value: Any, event: Any, line: int) -> Path:
        """Put `value` where it belongs and return its path."""
        if not self.stack:
            self.root = value
            self.tree.lines[()] = line
            return ()
        container, path, waiting = self.stack[-1]
        if isinstance(container, list):
            container.append(value)
            path = (*path, len(container) - 1)
            self.tree.lines[path] = line
            return path
        if not waiting:
            if not isinstance(value, str):
                written = event.value if isinstance(event, yaml.ScalarEvent) else "a list or table"
                number = isinstance(value, int) and not isinstance(value, bool)
                allowed = "keys that are text: put it in quotes"
                allowed += "; a decimal fraction has a point, not a comma" if number else ""
                self.refuse(line, f"the key {shown(written)}, which is not text", allowed)
            waiting.append(value)
            path = (*path, value)
            if value in container:
                first = self.tree.lines[path]
                self.tree.problems.append(
                    Problem(
                        f"{self.tree.name}:{line}",
                        f"the key {shown(value)} a second time (first on line {first})",
                        "each key once",
                    )
                )
            else:
                self.tree.lines[path] = line
            return path
        key = waiting.pop()
        container[key] = value
        return (*path, key)


def resolve(text: str) -> Any:
    """Return what a plain YAML word means: None, a truth value, a number, or the text itself."""
    if text in _WORDS:
        return _WORDS[text]
    if _INT.match(text):
        return int(text)
    if len(text) < 60 and _FLOAT.match(text):
        return float(text)
    return text
