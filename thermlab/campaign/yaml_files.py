"""Settings from a YAML file: every problem at once, each with its line, its key, and what is allowed.

Only plain data within bounds is accepted: no tags, no aliases, no second
document. Plain words that look like dates, times of day, octal or sexagesimal
numbers stay the text that was written, so ``12:30`` is never 750.
"""

import difflib
import re
from collections.abc import Iterator, Mapping
from dataclasses import dataclass, field
from typing import Any, TypeVar, get_args

import yaml
from pydantic import BaseModel, ValidationError

from thermlab.base.errors import InputError, Problem, shown
from thermlab.logs.settings import Model

MAX_YAML_BYTES = 1 << 20
MAX_DEPTH = 20
MAX_VALUES = 20_000
MAX_PROBLEMS = 100

Path = tuple[str | int, ...]

_LOADER = getattr(yaml, "CSafeLoader", yaml.SafeLoader)
_INT = re.compile(r"[-+]?(0|[1-9][0-9]{0,17})\Z")
_FLOAT = re.compile(r"[-+]?([0-9]+\.[0-9]*|\.[0-9]+|[0-9]+(?=[eE]))([eE][-+]?[0-9]{1,3})?\Z")
_WORDS: dict[str, Any] = {"": None, "~": None} | dict.fromkeys((".nan", ".NaN", ".NAN"), float("nan"))
_MEANT = {"null": None, ".inf": float("inf"), "+.inf": float("inf"), "-.inf": float("-inf")}
_MEANT |= dict.fromkeys(("true", "yes", "on"), True) | dict.fromkeys(("false", "no", "off"), False)
for _word, _value in _MEANT.items():
    _WORDS |= dict.fromkeys((_word, _word.title(), _word.upper()), _value)


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

    def table(self, *path: str) -> Mapping[str, Any]:
        """Return the table at a path, empty where there is none."""
        found = self.data
        for key in path:
            found = found.get(key) if isinstance(found, Mapping) else None
        return found if isinstance(found, Mapping) else {}

    def where(self, path: Path) -> str:
        """Return ``file:line (key.path)`` of the nearest part of `path` that stands in the file."""
        dotted = ".".join(str(part) for part in path)
        return f"{self.name}:{self.line(path)}" + (f" ({shown(dotted, quoted=False)})" if dotted else "")

    def line(self, path: Path) -> int:
        """Return the line of the nearest part of `path` that stands in the file."""
        while path and path not in self.lines:
            path = path[:-1]
        return self.lines.get(path, 1)


class Asked(YamlTree):
    """What is asked, which stands in no file."""

    def where(self, path: Path) -> str:
        """Return what is asked with its name."""
        return f"{self.name} {shown(path[0], quoted=False)}"


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
    text = decoded(raw, name, MAX_YAML_BYTES)
    if isinstance(text, Problem):
        tree.problems.append(text)
        return tree
    try:
        _check_bounds(text, name)
        root = yaml.compose(text, Loader=_LOADER)
        tree.data = None if root is None else _data(root, tree)
    except _RefusedError as refused:
        tree.problems.append(refused.args[0])
    except (yaml.YAMLError, ValueError, RecursionError) as error:
        tree.problems.append(_unreadable(error, text, name))
    return tree


def decoded(raw: bytes, name: str, most: int, *, hint: str = "") -> str | Problem:
    """Return the text of a file, or why it is none: more than `most` bytes, or a byte that is not utf-8."""
    if len(raw) > most:
        return Problem(name, f"{len(raw)} bytes", f"at most {most} bytes")
    try:
        return raw.decode("utf-8-sig")
    except UnicodeDecodeError as error:
        line = raw.count(b"\n", 0, error.start) + 1
        return Problem(f"{name}:{line}", f"the byte 0x{raw[error.start]:02x}", f"text in utf-8{hint}")


def first_problems(placed: list[tuple[int, Problem]], name: str) -> list[Problem]:
    """Return at most ``MAX_PROBLEMS`` in the order of their lines, and how many more there are."""
    problems = [problem for _, problem in sorted(placed, key=lambda pair: pair[0])]
    more = len(problems) - MAX_PROBLEMS
    return [*problems[:MAX_PROBLEMS], Problem(name, f"{more} more problems", "none")] if more > 0 else problems


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


def _check_bounds(text: str, name: str) -> None:
    """Refuse what is more than plain data, before any of it is built: by events, so that no depth costs a stack."""
    depth = n_values = n_documents = 0
    event: Any
    for event in yaml.parse(text, Loader=_LOADER):
        n_documents += isinstance(event, yaml.DocumentStartEvent)
        n_values += isinstance(event, yaml.NodeEvent)
        depth += isinstance(event, yaml.CollectionStartEvent) - isinstance(event, yaml.CollectionEndEvent)
        refused = None
        if n_documents > 1:
            refused = "a second document", "one document"
        elif isinstance(event, yaml.AliasEvent):
            refused = f"the alias *{event.anchor}", "no aliases: write the value out"
        elif getattr(event, "tag", None) is not None:
            refused = f"the tag {shown(event.tag)}", "no tags"
        elif n_values > MAX_VALUES:
            refused = f"more than {MAX_VALUES} values", f"at most {MAX_VALUES}"
        elif depth > MAX_DEPTH:
            refused = f"more than {MAX_DEPTH} levels", f"at most {MAX_DEPTH} levels"
        if refused is not None:
            raise _RefusedError(Problem(f"{name}:{event.start_mark.line + 1}", *refused))


def _data(node: Any, tree: YamlTree, path: Path = ()) -> Any:
    """Return what a node says, and note in the tree on which line each key and entry stands."""
    tree.lines.setdefault(path, node.start_mark.line + 1)
    if isinstance(node, yaml.SequenceNode):
        return [_data(entry, tree, (*path, place)) for place, entry in enumerate(node.value)]
    if not isinstance(node, yaml.MappingNode):
        return node.value if node.style else resolve(node.value)
    table: dict[str, Any] = {}
    for written, value in node.value:
        key, line = _key(written, tree), written.start_mark.line + 1
        if key in table:
            found = f"the key {shown(key)} a second time (first on line {tree.lines[*path, key]})"
            tree.problems.append(Problem(f"{tree.name}:{line}", found, "each key once"))
        tree.lines.setdefault((*path, key), line)
        table[key] = _data(value, tree, (*path, key))
    return table


def _key(node: Any, tree: YamlTree) -> str:
    scalar = isinstance(node, yaml.ScalarNode)
    key = _data(node, YamlTree(tree.name)) if scalar else None
    if isinstance(key, str):
        return key
    allowed = "keys that are text: put it in quotes"
    if isinstance(key, int) and not isinstance(key, bool):
        allowed += "; a decimal fraction has a point, not a comma"
    found = f"the key {shown(node.value if scalar else 'a list or table')}, which is not text"
    raise _RefusedError(Problem(f"{tree.name}:{node.start_mark.line + 1}", found, allowed))


def resolve(text: str) -> Any:
    """Return what a plain YAML word means: None, a truth value, a number, or the text itself."""
    if text in _WORDS:
        return _WORDS[text]
    if _INT.match(text):
        return int(text)
    if len(text) < 60 and _FLOAT.match(text):
        return float(text)
    return text


M = TypeVar("M", bound=BaseModel)


def read_model(model: type[M], tree: YamlTree) -> tuple[M | None, list[Problem]]:
    """Validate a YAML tree.

    Parameters
    ----------
    model : type
        A pydantic model.
    tree : YamlTree
        As from :func:`thermlab.campaign.yaml_files.load_yaml`.

    Returns
    -------
    settings : model or None
        None where there is any problem.
    problems : list of Problem
        In the order of the lines, at most ``MAX_PROBLEMS`` and a count of the rest.
    """
    placed = [(0, problem) for problem in tree.problems]
    settings: M | None = None
    if isinstance(tree.data, Mapping):
        try:
            settings = model.model_validate(tree.data)
        except ValidationError as error:
            by_field = [details for details in error.errors(include_url=False) if details["type"] != "rule"]
            placed += [_explain(model, tree, details) for details in by_field]
        for path, found, allowed in _broken_rules(model, tree.data, ()):
            placed.append((tree.line(path), Problem(tree.where(path), found, allowed)))
    elif not placed:
        keys = ", ".join(model.model_fields)
        placed.append((0, Problem(tree.name, spell(tree.data), f"a table with the keys {keys}")))
    return (None if placed else settings), first_problems(placed, tree.name)


def read_asked(model: type[M], given: Mapping[str, object]) -> M:
    """Validate parameters, with every problem in an InputError."""
    settings, problems = read_model(model, Asked("parameter", data=given))
    if settings is None:
        raise InputError(problems)
    return settings


def spell(value: object) -> str:
    """Return a YAML value for an error message, with the kind of thing it is."""
    if value is None:
        return "nothing"
    if isinstance(value, int):
        return str(value).lower()  # a truth value is a whole number to Python
    if isinstance(value, float):
        return f"{value:.12g}"
    if isinstance(value, str):
        return f"the text {shown(value)}"
    return "a list" if isinstance(value, (list, tuple)) else "a table"


def model_at(model: type[BaseModel], path: Path) -> type[BaseModel] | None:
    """Return the model that describes the table at `path`."""
    current: Any = model
    for part in path:
        if _is_model(current):
            field = current.model_fields.get(str(part))
            current = field.annotation if field else None
        else:  # dict or tuple of models: any key or place leads to its value type
            current = next((inner for inner in reversed(get_args(current)) if inner is not Ellipsis), None)
        if type(None) in get_args(current):
            current = next(inner for inner in get_args(current) if inner is not type(None))
    return current if _is_model(current) else None


def _is_model(annotation: Any) -> bool:
    return isinstance(annotation, type) and issubclass(annotation, BaseModel)


def _broken_rules(model: type[BaseModel], data: Mapping[str, Any], path: Path) -> Iterator[tuple[Path, str, str]]:
    """Yield what the rules between keys say, on data that may have other problems."""
    if issubclass(model, Model):
        for broken in model.rules(data):
            yield (*path, *broken.path), broken.found, broken.allowed
    for key in model.model_fields:
        value = data.get(key)
        if not isinstance(value, Mapping):
            continue
        is_one = model_at(model, (key,)) is not None
        tables = {(key,): value} if is_one else {(key, name): entry for name, entry in value.items()}
        for place, table in tables.items():
            inner = model_at(model, place)
            if inner is not None and isinstance(table, Mapping):
                yield from _broken_rules(inner, table, (*path, *place))


def _explain(model: type[BaseModel], tree: YamlTree, details: Any) -> tuple[int, Problem]:
    path: Path = tuple(part for part in details["loc"] if part != "[key]")
    found, allowed = _found_and_allowed(model, path, details)
    return tree.line(path), Problem(tree.where(path), found, allowed)


_FOUND = {"missing": "no such key", "string_too_short": "empty text", "too_short": "nothing in it"}
_ALLOWED = {
    "greater_than": "more than {gt:g}",
    "greater_than_equal": "at least {ge:g}",
    "less_than": "less than {lt:g}",
    "less_than_equal": "at most {le:g}",
    "missing": "required",
    "float_type": "a finite number",
    "finite_number": "a finite number",
    "int_type": "a whole number",
    "int_from_float": "a whole number",
    "bool_type": "true or false",
    "tuple_type": 'a list such as ["..."]',
    "string_too_short": "not empty",
    "too_short": "not empty",
}


def _found_and_allowed(model: type[BaseModel], path: Path, details: Any) -> tuple[str, str]:
    kind, value, limits = details["type"], details.get("input"), details.get("ctx", {})
    holder = model_at(model, path[:-1])
    if {"found", "allowed"} <= set(limits):
        return str(limits["found"]), str(limits["allowed"])
    if kind == "extra_forbidden":
        return _unknown_key(holder, str(path[-1]))
    allowed = _allowed(kind, value, limits, model_at(model, path), _meaning(holder, path))
    return _FOUND.get(kind, spell(value)), allowed or str(details["msg"])


def _allowed(kind: str, value: Any, limits: Any, inner: type[BaseModel] | None, meaning: str) -> str:
    """Return what is allowed where pydantic reports a kind of error; empty where its own words must do."""
    if kind == "string_type":
        scalar = isinstance(value, (bool, int, float))
        return "text" + (" (to mean these characters as text, put them in quotes)" if scalar else "")
    if kind in ("model_type", "dict_type", "model_attributes_type"):
        return "a table with the keys " + ", ".join(inner.model_fields) if inner else f"a table: {meaning}"
    if kind == "literal_error":
        return str(limits["expected"]).replace("'", "")
    return f"{_ALLOWED[kind].format_map(limits)}: {meaning}" if kind in _ALLOWED else ""


def _meaning(holder: type[BaseModel] | None, path: Path) -> str:
    names = [part for part in path if isinstance(part, str)]
    field = holder.model_fields.get(names[-1]) if holder and names else None
    return (field.description if field and field.description else names[-1] if names else "a value").split("; ")[0]


def _unknown_key(holder: type[BaseModel] | None, key: str) -> tuple[str, str]:
    known = [name for name, field in holder.model_fields.items() if field.validation_alias is None] if holder else []
    lowered = {name.lower(): name for name in known}
    near = difflib.get_close_matches(key[:60].lower(), lowered, n=1, cutoff=0.0)
    hint = f"; the nearest known key is {lowered[near[0]]}" if near else ""
    return f"the unknown key {shown(key)}{hint}", "the keys " + ", ".join(known)
