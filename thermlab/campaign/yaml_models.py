"""Settings read from YAML: every problem at once, each with line, key, what was found, what is allowed."""

from __future__ import annotations

import difflib
from collections.abc import Iterator, Mapping
from typing import TYPE_CHECKING, Any, TypeVar, get_args

from pydantic import BaseModel, ValidationError

from thermlab.base.errors import Problem, shown
from thermlab.logs.settings import Model

if TYPE_CHECKING:
    from thermlab.campaign.yaml_lines import Path, YamlTree

MAX_PROBLEMS = 100

M = TypeVar("M", bound=BaseModel)


def read_model(model: type[M], tree: YamlTree) -> tuple[M | None, list[Problem]]:
    """Validate a YAML tree.

    Parameters
    ----------
    model : type
        A pydantic model.
    tree : YamlTree
        As from :func:`thermlab.campaign.yaml_lines.load_yaml`.

    Returns
    -------
    settings : model or None
        None where there is any problem.
    problems : list of Problem
        In the order of the lines, at most ``MAX_PROBLEMS`` and a count of the rest.
    """
    problems = list(tree.problems)
    settings: M | None = None
    if not isinstance(tree.data, Mapping):
        if not problems:
            found = "nothing" if tree.data is None else spell(tree.data)
            problems.append(Problem(tree.name, found, "a table with the keys " + ", ".join(model.model_fields)))
        return None, problems
    placed: list[tuple[int, Problem]] = []
    try:
        settings = model.model_validate(tree.data)
    except ValidationError as error:
        by_field = [details for details in error.errors(include_url=False) if details["type"] != "rule"]
        placed += [_explain(model, tree, details) for details in by_field]
    for path, found, allowed in _broken_rules(model, tree.data, ()):
        placed.append((_line(tree, path), Problem(tree.where(path), found, allowed)))
    placed.sort(key=lambda pair: pair[0])
    problems += [problem for _, problem in placed]
    if len(problems) > MAX_PROBLEMS:
        more = len(problems) - MAX_PROBLEMS
        problems = [*problems[:MAX_PROBLEMS], Problem(tree.name, f"{more} more problems", "none")]
    return (None if problems else settings), problems


def _line(tree: YamlTree, path: Path) -> int:
    while path and path not in tree.lines:
        path = path[:-1]
    return tree.lines.get(path, 1)


def spell(value: object) -> str:
    """Return a YAML value for an error message, with the kind of thing it is."""
    if value is None:
        return "nothing"
    if isinstance(value, bool):
        return "true" if value else "false"
    if isinstance(value, (int, float)):
        return f"{value:.12g}" if isinstance(value, float) else str(value)
    if isinstance(value, str):
        return f"the text {shown(value)}"
    return "a list" if isinstance(value, (list, tuple)) else "a table"


def model_at(model: type[BaseModel], path: Path) -> type[BaseModel] | None:
    """Return the model that describes the table at `path`."""
    current: Any = model
    for part in path:
        if isinstance(current, type) and issubclass(current, BaseModel):
            field = current.model_fields.get(str(part))
            if field is None:
                return None
            current = field.annotation
        else:  # dict of models: any key leads to its value type
            current = get_args(current)[-1] if get_args(current) else None
        current = _unwrap(current)
    return current if isinstance(current, type) and issubclass(current, BaseModel) else None


def _unwrap(annotation: Any) -> Any:
    """Return the one thing an optional annotation holds beside None."""
    others = [arg for arg in get_args(annotation) if arg is not type(None)]
    return others[0] if len(others) == 1 and type(None) in get_args(annotation) else annotation


def _broken_rules(model: type[BaseModel], data: Mapping[str, Any], path: Path) -> Iterator[tuple[Path, str, str]]:
    """Yield what the rules between keys say, on data that may have other problems."""
    if issubclass(model, Model):
        for broken in model.rules(data):
            yield (*path, *broken.path), broken.found, broken.allowed
    for key in model.model_fields:
        value = data.get(key)
        if not isinstance(value, Mapping):
            continue
        inner = model_at(model, (key,))
        if inner is not None:
            yield from _broken_rules(inner, value, (*path, key))
            continue
        each = model_at(model, (key, "*"))
        if each is not None:
            for name, entry in value.items():
                if isinstance(entry, Mapping):
                    yield from _broken_rules(each, entry, (*path, key, name))


def _explain(model: type[BaseModel], tree: YamlTree, details: Any) -> tuple[int, Problem]:
    path: Path = tuple(part for part in details["loc"] if part != "[key]")
    found, allowed = _found_and_allowed(model, path, details)
    return _line(tree, path), Problem(tree.where(path), found, allowed)


_BOUNDS = {
    "greater_than": ("gt", "more than"),
    "greater_than_equal": ("ge", "at least"),
    "less_than": ("lt", "less than"),
    "less_than_equal": ("le", "at most"),
}
_FOUND = {"missing": "no such key", "string_too_short": "empty text", "too_short": "nothing in it"}
_ALLOWED = {
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
    if kind in _BOUNDS:
        key, words = _BOUNDS[kind]
        return f"{words} {limits[key]:g}: {meaning}"
    if kind == "string_type":
        scalar = isinstance(value, (bool, int, float))
        return "text" + (" (to mean these characters as text, put them in quotes)" if scalar else "")
    if kind in ("model_type", "dict_type", "model_attributes_type"):
        return "a table with the keys " + ", ".join(inner.model_fields) if inner else f"a table: {meaning}"
    if kind == "literal_error":
        return str(limits["expected"]).replace("'", "")
    return f"{_ALLOWED[kind]}: {meaning}" if kind in _ALLOWED else ""


def _meaning(holder: type[BaseModel] | None, path: Path) -> str:
    names = [part for part in path if isinstance(part, str)]
    field = holder.model_fields.get(names[-1]) if holder and names else None
    return (field.description if field and field.description else names[-1] if names else "a value").split("; ")[0]


def _unknown_key(holder: type[BaseModel] | None, key: str) -> tuple[str, str]:
    known = list(holder.model_fields) if holder else []
    lowered = {name.lower(): name for name in known}
    near = difflib.get_close_matches(key[:60].lower(), lowered, n=1, cutoff=0.0)
    hint = f"; the nearest known key is {lowered[near[0]]}" if near else ""
    return f"the unknown key {shown(key)}{hint}", "the keys " + ", ".join(known)
