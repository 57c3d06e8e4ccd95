"""Print the oldest direct dependencies that pyproject.toml allows, pinned, and the tools that the tests need."""

import tomllib
from pathlib import Path

TOOLS = (
    "bagit",
    "distributed",
    "hypothesis",
    "jsonschema",
    "mpmath",
    "packaging",
    "playwright",
    "pytest",
    "pytest-xdist",
)


def oldest(text):
    """Return requirement lines: every ``>=`` of the package an ``==``, and the tools of the tests."""
    project = tomllib.loads(text)
    pinned = [line.replace(">=", "==") for line in project["project"]["dependencies"]]
    tools = [line for line in project["dependency-groups"]["dev"] if line.partition(">=")[0] in TOOLS]
    return [*pinned, *tools]


if __name__ == "__main__":
    place = Path(__file__).resolve().parents[1] / "pyproject.toml"
    print("\n".join(oldest(place.read_text(encoding="utf-8"))))
