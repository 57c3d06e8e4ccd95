"""Feed a reader under coverage guidance; ``make fuzz`` does this for each.

Run: ``python fuzz/run.py log|sheet|yaml [options of libFuzzer]``, such as ``-max_total_time=60``. What broke is kept as
a file by the fuzzer; put it into ``fuzz/corpus/`` beside its fix, and the tests try it for ever. Needs atheris, which
is outside the lock: ``pip install -e ".[fuzz]"``.
"""

from __future__ import annotations

import sys
from pathlib import Path

import atheris

with atheris.instrument_imports(include=["thermlab", "yaml", "csv"]):
    import targets


def main() -> None:
    """Begin."""
    name, options = sys.argv[1], sys.argv[2:]
    if not any(not option.startswith("-") for option in options):  # a folder of its own for what it finds comes first
        found = Path(__file__).parent / "found" / name
        found.mkdir(parents=True, exist_ok=True)
        options = [*options, str(found), str(targets.CORPUS / name)]
    atheris.Setup([sys.argv[0], *options], targets.TARGETS[name])
    atheris.Fuzz()


if __name__ == "__main__":
    main()
