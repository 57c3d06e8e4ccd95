"""Results that were written earlier, perhaps by an older version, read back.

``results.json`` of schema 1 stays readable: keys that a later version adds are
left alone, keys that an earlier version did not write are absent.
"""

from __future__ import annotations

import json
import os
from typing import TYPE_CHECKING, Any, NoReturn

from thermlab.base.errors import InputError, Problem
from thermlab.base.files import open_regular
from thermlab.base.numbers import with_interval

if TYPE_CHECKING:
    from pathlib import Path

SCHEMA = 1
MAX_BYTES = 64 << 20


def read_json(path: Path, *, max_bytes: int = MAX_BYTES) -> object:
    """Read a JSON file within bounds; NaN and infinities are refused.

    Raises
    ------
    InputError
        The file is missing, no regular file, too large, or no JSON.
    """
    try:
        handle, _ = open_regular(path)
    except OSError as error:
        raise InputError([Problem(str(path), f"no readable file ({error.strerror or error})", "a JSON file")]) from None
    with os.fdopen(handle, "rb") as file:
        content = file.read(max_bytes + 1)
    if len(content) > max_bytes:
        raise InputError([Problem(str(path), f"more than {max_bytes} bytes", f"at most {max_bytes} bytes")])
    try:
        found: object = json.loads(content, parse_constant=_refuse)
    except (ValueError, RecursionError) as error:
        raise InputError([Problem(str(path), f"no JSON ({error})", "a JSON file as thermlab writes it")]) from None
    return found


def _refuse(name: str) -> NoReturn:
    raise ValueError(f"the constant {name}")


def read_results(path: Path) -> dict[str, Any]:
    """Read a ``results.json`` of schema 1, of a campaign or of a build.

    Raises
    ------
    InputError
        It cannot be read, or is of another schema.
    """
    results = read_json(path)
    if not isinstance(results, dict) or results.get("schema") != SCHEMA:
        found = f"schema {results.get('schema')!r}" if isinstance(results, dict) else "no results"
        raise InputError([Problem(str(path), found, f"results of schema {SCHEMA}")])
    return results


def filed_answers(results: dict[str, Any]) -> tuple[str, ...]:
    """Return what came out of a campaign or build, one sentence each, for a list of many.

    Parameters
    ----------
    results : dict
        From :func:`read_results`.
    """
    if results.get("kind") == "build":
        return (f"{results.get('verdict')}: {results.get('verdict_reason') or ''}".rstrip(": "),)
    comparison = results.get("comparison")
    if not comparison or not comparison.get("treatments"):
        return ("no comparison",)
    return tuple(
        f"{row.get('treatment')}: {row.get('verdict')}, {with_interval(row.get('difference_K'), _pair(row))} K"
        if row.get("difference_K") is not None
        else f"{row.get('treatment')}: {row.get('verdict')}"
        for row in comparison["treatments"]
    )


def _pair(row: dict[str, Any]) -> tuple[float, float] | None:
    interval = row.get("simultaneous_interval_K") or row.get("interval_K")
    return None if interval is None else (float(interval[0]), float(interval[1]))
