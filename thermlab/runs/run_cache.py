"""Reduced runs kept in ``CAMPAIGN/.thermlab``, so that no log is read twice for nothing.

An entry is found by a key made of everything that reduced runs depend on: the
bytes of the logs, the run sheet, every setting that is not named below as
belonging to the decision alone, and the source of this package. The logs are
hashed each time, so an entry can never stand for other logs; an entry that is
damaged, does not say the key it was asked for, or was not sealed by this very
account (:mod:`thermlab.runs.cache_seals`) is passed over. Entries are JSON and
plain numbers in one ``.npz`` file, put in place in one step; the
folder can be deleted at any time.
"""

from __future__ import annotations

import contextlib
import hashlib
import io
import json
import os
import platform
import tempfile
from dataclasses import asdict, dataclass, fields
from functools import cache
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np

from thermlab.base.files import PathRefusedError, read_plain
from thermlab.logs.text import MAX_BYTES
from thermlab.runs.bench import BenchReduction
from thermlab.runs.cache_seals import sealed, unsealed
from thermlab.runs.reading import read_campaign_logs
from thermlab.runs.records import Flag, HeldPower, ReducedRun
from thermlab.runs.settled_runs import RunTrace, SettledRuns, settle_runs
from thermlab.runs.time_constant import BenchTimeConstant
from thermlab.stats.curves import RiseCurve

if TYPE_CHECKING:
    from collections.abc import Mapping

    from thermlab.campaign.folder import Campaign

FOLDER = ".thermlab"
ENTRIES = "runs"
MAX_ENTRIES = 8
MAX_ENTRY_BYTES = 1 << 30
# Settings that only the decision uses, after the runs are reduced. All others are part of the key.
DECISION_ONLY: dict[str, Any] = {
    "title": True, "bench": True, "currency": True, "baseline": True, "decision": True, "prior": True,
    "analysis": True, "limits": {"room_C"}, "treatments": True,
}  # fmt: skip
_ARRAYS = tuple(field.name for field in fields(RunTrace) if field.name not in ("run", "window_min"))


@dataclass(frozen=True, slots=True, kw_only=True)
class CampaignRuns:
    """The reduced runs of a campaign and what was read for them.

    Attributes
    ----------
    settled : SettledRuns
        Without block means and estimates, which no result needs.
    sha256 : dict of str to str
        Checksum of every file read, by its path in the campaign folder.
    notes : tuple of str
        What the reader passed over.
    """

    settled: SettledRuns
    sha256: dict[str, str]
    notes: tuple[str, ...]


def reduce_campaign(campaign: Campaign, *, use_cache: bool = True) -> CampaignRuns:
    """Reduce the runs of a campaign, or take them from the cache if nothing they depend on has changed.

    Parameters
    ----------
    campaign : Campaign
        A campaign that passed its own checks, overrides applied.
    use_cache : bool
        Whether to look into ``.thermlab`` and to leave an entry there.

    Returns
    -------
    CampaignRuns
        The same with and without the cache.

    Raises
    ------
    InputError
        With every problem of every log.
    """
    entries = _entries(campaign.folder) if use_cache else None
    if entries is not None and entries.is_dir():
        sha256 = _hash_files(campaign)
        key = None if sha256 is None else _key(campaign, sha256)
        found = None if key is None or sha256 is None else _load(entries / f"{key}.npz", key, sha256)
        if found is not None:
            return found
    readings = read_campaign_logs(campaign)
    settled = settle_runs(campaign, readings.traces)
    bench = BenchReduction(
        time_constant=settled.bench.time_constant,
        highest_power_W=settled.bench.highest_power_W,
        blocks=(),
        estimates=(),
        factors=settled.bench.factors,
    )
    runs = CampaignRuns(
        settled=SettledRuns(runs=settled.runs, traces=settled.traces, bench=bench, curve=settled.curve),
        sha256=readings.sha256,
        notes=readings.notes,
    )
    if entries is not None:
        # The key of what was read, not of what was hashed before: a log may have grown in between.
        _store(entries, _key(campaign, readings.sha256), runs)
    return runs


def _entries(folder: Path) -> Path | None:
    """Return the folder of the entries, None where none may be written: behind a link, or in a filed bag."""
    own = folder / FOLDER
    if own.is_symlink() or (own / ENTRIES).is_symlink():
        return None
    if any((parent / "bagit.txt").exists() for parent in folder.resolve().parents):
        return None
    return own / ENTRIES


def _hash_files(campaign: Campaign) -> dict[str, str] | None:
    """Return the checksums in the order in which a reading gives them; None where a file cannot be read."""
    sha256 = dict(campaign.sha256)
    room = campaign.settings.ambient_log
    names = [] if room is None else [room.file]
    names += [run.log for run in campaign.runs]
    excluded = {run.log for run in campaign.runs} - {run.log for run in campaign.runs if not run.exclude}
    for name in dict.fromkeys(names):
        path = campaign.folder / name
        if name in excluded and not path.is_file():
            continue
        try:
            sha256[name] = hashlib.sha256(read_plain(path, MAX_BYTES)).hexdigest()
        except PathRefusedError:
            return None
    return sha256


@cache
def reducer_version() -> str:
    """Return a digest of the package's source: whatever is changed in it, no older entry is used."""
    digest = hashlib.sha256()
    for path in sorted(Path(__file__).parents[1].rglob("*.py")):
        digest.update(path.name.encode() + b"\0" + path.read_bytes() + b"\0")
    return digest.hexdigest()


def _key(campaign: Campaign, sha256: Mapping[str, str]) -> str:
    settings = campaign.settings.model_dump(mode="json", exclude=DECISION_ONLY)
    own = {name: digest for name, digest in sha256.items() if name not in campaign.sha256}
    parts = {
        "reducer": reducer_version(),
        # The last bits of a sum may differ between these.
        "numbers": [np.__version__, platform.machine()],
        "settings": settings,
        "ambient_u_K": campaign.settings.ambient_u_K,
        "runs": [asdict(run) for run in campaign.runs],
        "files": own,
    }
    return hashlib.sha256(json.dumps(parts, sort_keys=True).encode()).hexdigest()


def _load(path: Path, key: str, sha256: dict[str, str]) -> CampaignRuns | None:
    try:
        content = unsealed(read_plain(path, MAX_ENTRY_BYTES))
        return None if content is None else _decoded(content, key, sha256)
    except Exception:  # noqa: BLE001 - whatever is wrong with an entry, the logs are there
        return None


def _store(entries: Path, key: str, runs: CampaignRuns) -> None:
    """Write an entry whole or not at all; a folder that cannot be written is no failure."""
    try:
        raw = _encoded(key, runs)
        again = _decoded(raw, key, runs.sha256)
    except (TypeError, ValueError):
        return
    # An entry that would not give the same again, such as one with a NaN in it, is not worth having.
    if again is None or (again.settled.runs, again.settled.bench, again.settled.curve, again.notes) != (
        runs.settled.runs, runs.settled.bench, runs.settled.curve, runs.notes,
    ):  # fmt: skip
        return
    content = sealed(raw)
    if content is None:
        return
    with contextlib.suppress(OSError):
        entries.mkdir(parents=True, exist_ok=True)
        handle, name = tempfile.mkstemp(dir=entries, prefix=".", suffix=".new")
        try:
            with os.fdopen(handle, "wb") as file:
                file.write(content)
            Path(name).replace(entries / f"{key}.npz")
        except OSError:
            Path(name).unlink(missing_ok=True)
        _forget_oldest(entries)


def _forget_oldest(entries: Path) -> None:
    own = [path for path in entries.iterdir() if path.suffix in (".npz", ".new") and path.is_file()]
    for path in sorted(own, key=lambda path: path.stat().st_mtime, reverse=True)[MAX_ENTRIES:]:
        path.unlink(missing_ok=True)


def _encoded(key: str, runs: CampaignRuns) -> bytes:
    settled = runs.settled
    arrays = [np.asarray(getattr(trace, name)) for trace in settled.traces for name in _ARRAYS]
    if any(array.dtype != np.float64 or array.ndim != 1 for array in arrays):
        raise TypeError("an array of another kind")
    constant, curve = settled.bench.time_constant, settled.curve
    text = {
        "key": key,
        "notes": runs.notes,
        "runs": [asdict(run) for run in settled.runs],
        "time_constant": None if constant is None else asdict(constant),
        "highest_power_W": settled.bench.highest_power_W,
        "factors": settled.bench.factors,
        "curve": None if curve is None else asdict(curve),
        "traces": [[trace.run, trace.window_min] for trace in settled.traces],
        "sizes": [array.size for array in arrays],
    }
    raw = json.dumps(text, allow_nan=False).encode()
    out = io.BytesIO()
    numbers = np.concatenate(arrays) if arrays else np.empty(0)
    np.savez(out, text=np.frombuffer(raw, dtype=np.uint8), numbers=numbers, allow_pickle=False)
    return out.getvalue()


def _decoded(raw: bytes, key: str, sha256: dict[str, str]) -> CampaignRuns | None:
    with np.load(io.BytesIO(raw), allow_pickle=False) as entry:  # checks the sums of the zip archive as it reads
        text, numbers = json.loads(entry["text"].tobytes()), entry["numbers"]
    if text["key"] != key or numbers.dtype != np.float64 or numbers.size != sum(text["sizes"]):
        return None
    pieces = iter(np.split(numbers, np.cumsum(text["sizes"])[:-1]) if text["sizes"] else [])
    traces = []
    for run, window in text["traces"]:
        arrays = {name: next(pieces).copy() for name in _ARRAYS}
        traces.append(RunTrace(run=run, window_min=None if window is None else tuple(window), **arrays))
    constant, curve = text["time_constant"], text["curve"]
    if constant is not None:
        constant = BenchTimeConstant(**constant | {"left_out": tuple(constant["left_out"])})
    settled = SettledRuns(
        runs=tuple(_run(run) for run in text["runs"]),
        traces=tuple(traces),
        bench=BenchReduction(
            time_constant=constant,
            highest_power_W=text["highest_power_W"],
            blocks=(),
            estimates=(),
            factors=text["factors"],
        ),
        curve=None if curve is None else RiseCurve(**curve),
    )
    return CampaignRuns(settled=settled, sha256=sha256, notes=tuple(text["notes"]))


def _run(stored: dict[str, Any]) -> ReducedRun:
    held, window = stored["held"], stored["window_min"]
    return ReducedRun(
        **stored
        | {
            "flags": tuple(Flag(**flag) for flag in stored["flags"]),
            "held": None if held is None else HeldPower(**held),
            "window_min": None if window is None else tuple(window),
        }
    )
