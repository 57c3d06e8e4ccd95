"""What can be filed: a campaign with its report, or a build with its record."""

from __future__ import annotations

import re
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

from thermlab.base.errors import InputError, Problem, show_name
from thermlab.base.files import sha256_file, walk_files
from thermlab.reports.stored import read_json, read_results

if TYPE_CHECKING:
    from pathlib import Path

# What an anonymous report calls the files of a campaign.
_ANONYMOUS = re.compile(r"file \d+")


@dataclass(frozen=True, slots=True, kw_only=True)
class Kind:
    """What can be filed: the file that marks it, its finished output, the command that makes it."""

    name: str
    settings: str
    output: str
    files: tuple[str, ...]
    page: str
    command: str


CAMPAIGN = Kind(
    name="campaign",
    settings="campaign.yaml",
    output="report",
    files=("report.html", "report.ipynb", "results.json", "runs_reduced.csv", "status.json"),
    page="report.html",
    command="thermlab report",
)
BUILD = Kind(
    name="build",
    settings="build.yaml",
    output="record",
    files=("record.html", "record.ipynb", "results.json", "status.json"),
    page="record.html",
    command="thermlab record",
)
KINDS = {kind.name: kind for kind in (CAMPAIGN, BUILD)}


@dataclass(frozen=True, slots=True, kw_only=True)
class Source:
    """A campaign or build as it is about to be filed.

    Attributes
    ----------
    folder : Path
        Where it lies.
    kind : Kind
        Which of the two it is.
    inputs : tuple of str
        Paths of the input files, relative to the folder.
    left_out : tuple of str
        Names in the folder that are neither input nor output.
    results : dict
        Its ``results.json``.
    sums : dict of str to str
        SHA-256 of the inputs that the report was made from.
    results_sha256 : str
        SHA-256 of its ``results.json``.
    """

    folder: Path
    kind: Kind
    inputs: tuple[str, ...]
    left_out: tuple[str, ...]
    results: dict[str, Any]
    sums: dict[str, str]
    results_sha256: str

    def about(self, key: str) -> str:
        """Return a text of the results' head, such as the title; empty where there is none."""
        return tidy(self.results[self.kind.name].get(key))

    def made(self, key: str) -> str:
        """Return when, or by which version, the report was made."""
        return tidy(self.results.get(key))


def tidy(value: object) -> str:
    """Return text that any file and page can hold; empty for None."""
    return "" if value is None else str(value).encode("utf-8", "replace").decode("utf-8")


def kind_of(source: Path) -> Kind:
    """Return what lies in a folder.

    Raises
    ------
    InputError
        Neither a campaign nor a build, or both.
    """
    found = [kind for kind in KINDS.values() if (source / kind.settings).is_file()]
    if len(found) != 1:
        names = " and ".join(kind.settings for kind in KINDS.values())
        text = f"{names} together" if found else f"neither {names.replace(' and ', ' nor ')}"
        raise InputError([Problem(str(source), text, "the folder of a campaign or of a build")])
    return found[0]


def inspect(folder: Path) -> Source:
    """Look at a campaign or build that is to be filed; nothing in it is touched.

    Raises
    ------
    InputError
        It is neither, its report is missing, unfinished or older than its
        inputs, or it holds links or devices.
    """
    kind = kind_of(folder)
    source = folder
    hidden = {entry.name for entry in source.iterdir() if entry.name.startswith(".")}
    inputs, problems = walk_files(source, skip_top={kind.output, *hidden})
    remedy = f"a finished report of the present inputs: run `{kind.command} {source}` first"
    output = source / kind.output
    absent = [name for name in kind.files if not (output / name).is_file() or (output / name).is_symlink()]
    if absent:
        raise InputError([*problems, Problem(f"{kind.output}/", f"no {', '.join(absent)}", remedy)])
    status = read_json(output / "status.json")
    state = status.get("state") if isinstance(status, dict) else None
    if state != "ok":
        problems.append(Problem(f"{kind.output}/status.json", f"state {state!r}", remedy))
    results = read_results(output / "results.json")
    sums = _input_sums(results, kind)
    if not sums:
        problems.append(Problem(f"{kind.output}/results.json", "no sums of the inputs", remedy))
    for name, digest in sums.items():
        if _ANONYMOUS.fullmatch(name):
            problems.append(Problem(f"{kind.output}/results.json", "an anonymous report", remedy))
            break
        if name not in inputs:
            problems.append(Problem(show_name(name), "missing since the report was made", remedy))
        elif sha256_file(source / name)[0] != digest:
            problems.append(Problem(show_name(name), "changed since the report was made", remedy))
    if problems:
        raise InputError(problems)
    silent = {".thermlab", f".{kind.output}.lock"}
    return Source(
        folder=source,
        kind=kind,
        inputs=tuple(inputs),
        left_out=tuple(sorted(hidden - silent)),
        results=results,
        sums=sums,
        results_sha256=sha256_file(output / "results.json")[0],
    )


def _input_sums(results: dict[str, Any], kind: Kind) -> dict[str, str]:
    about = results.get(kind.name)
    sums = about.get("sha256") if isinstance(about, dict) else None
    if not isinstance(sums, dict):
        return {}
    return {str(name): str(digest) for name, digest in sums.items()}
