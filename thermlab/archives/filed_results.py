"""The results in an archive, read back as runs and answers: what a history is made of.

Only ``results.json`` is read, never a log. The same measurements filed twice (a
report made again, a campaign that was continued) count once, as filed last.
Campaigns that compare with the same mounts of the baseline, whose logs are filed
with each, count as one campaign of all their mounts, each once: the error of the
baseline is in all their differences.
"""

from __future__ import annotations

import csv
import math
from collections import defaultdict
from dataclasses import dataclass, replace
from pathlib import Path
from statistics import fmean, variance
from typing import TYPE_CHECKING, Any

from thermlab.archives import listing as archive_list
from thermlab.base.errors import InputError, Problem, show_name
from thermlab.base.files import sha256_file
from thermlab.reports.results import read_results
from thermlab.runs.records import NO_LOG, ReducedRun

if TYPE_CHECKING:
    from collections.abc import Iterable, Iterator, Mapping

_NOT_LOGS = frozenset({"campaign.yaml", "build.yaml", "runs.csv"})


@dataclass(frozen=True, slots=True, kw_only=True)
class FiledCampaign:
    """One campaign of an archive.

    Attributes
    ----------
    bag, title, bench, baseline : str
        Where it lies, and what it says of itself.
    measured : str
        When its first run began, ISO 8601 as logged; empty where no log has dates.
    day : str
        Day of it, or else of the report, which is said.
    runs : tuple of ReducedRun
        In the order made.
    results : dict
        All of its ``results.json``.
    titles : tuple of str
        Of the campaigns it was joined from; empty where it is as filed.
    """

    bag: str
    title: str
    bench: str
    baseline: str
    measured: str
    day: str
    runs: tuple[ReducedRun, ...]
    results: dict[str, Any]
    titles: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True, kw_only=True)
class FiledResults:
    """What an archive holds, read.

    Attributes
    ----------
    campaigns : tuple of FiledCampaign
        In the order measured.
    builds : tuple of dict
        ``results.json`` of each build, in the order measured, with its ``bag`` and its ``day``.
    left_out : tuple of str
        What does not count, and why.
    """

    campaigns: tuple[FiledCampaign, ...]
    builds: tuple[dict[str, Any], ...]
    left_out: tuple[str, ...]


def read_archive(archive: str | Path) -> FiledResults:
    """Read the results in an archive.

    Parameters
    ----------
    archive : str or Path
        An archive.

    Returns
    -------
    FiledResults
        Bags whose results are not as listed are left out with the reason.

    Raises
    ------
    InputError
        The folder is no archive.
    """
    place = Path(archive)
    if not (place / archive_list.LIST).is_file():
        raise InputError([Problem(str(place), f"no {archive_list.LIST}", "an archive that thermlab archive made")])
    entries, _, notes = archive_list.read_lines(place)
    campaigns: dict[str, FiledCampaign] = {}
    builds: list[dict[str, Any]] = []
    # An acceptance run may come from a log that the campaign has as well: a build never stands in for a campaign.
    counted: dict[tuple[str, str], str] = {}
    for entry in sorted(entries, key=lambda entry: (entry.created, entry.filed), reverse=True):
        name, bag = show_name(entry.bag), entry.bag
        try:
            results = _read_one(place, entry)
            logs = [(entry.kind, digest) for digest in _logs(results, entry.kind)]
            twins = list(dict.fromkeys(counted[log] for log in logs if log in counted))
            measured = archive_list.measured_from(results, archive_list.KINDS[entry.kind])
            day = measured[:10] or f"{str(results.get('created') or '')[:10]} (report)"
            own = None if entry.kind == "build" else _campaign(entry, results, measured, day)
            both = None
            if own is not None and len(twins) == 1:
                known = {digest for kind, digest in counted if kind == entry.kind}
                both = joined(campaigns[twins[0]], own, _runs_on(place / entry.bag, results, known))
            if both is not None:
                bag = both.bag
                campaigns[bag] = both
                notes.append(f"{name}: compares with the baseline of {show_name(bag)}: one campaign, each mount once")
            elif twins:
                notes.append(f"{name}: its measurements count as part of {show_name(twins[0])}")
                continue
            elif own is None:
                builds.append(results | {"bag": bag, "day": day})
            else:
                campaigns[bag] = own
        except InputError as error:
            notes.append(f"{name}: {error}")
        except (KeyError, TypeError, ValueError, AttributeError) as error:
            notes.append(f"{name}: results that cannot be read ({type(error).__name__}: {error})")
        else:
            counted = dict.fromkeys(logs, bag) | counted
    in_order = sorted(campaigns.values(), key=lambda one: (one.measured or one.day, str(one.results.get("created"))))
    builds.sort(key=lambda one: (one["day"], str(one.get("created"))))
    return FiledResults(campaigns=tuple(in_order), builds=tuple(builds), left_out=tuple(reversed(notes)))


def _read_one(place: Path, entry: archive_list.Entry) -> dict[str, Any]:
    path = archive_list.KINDS[entry.kind].results(place / entry.bag / "data")
    try:
        digest, _ = sha256_file(path)
    except OSError as error:
        raise ValueError(f"{path.name}: {error.strerror or error}") from error
    if digest != entry.results_sha256:
        raise ValueError("results.json is not the one that was filed")
    return read_results(path)


def _logs(results: dict[str, Any], kind: str) -> list[str]:
    """Return the sums of the logs; a room log may rightly belong to several campaigns."""
    room = (results.get("settings") or {}).get("ambient_log") or {}
    room_file = room.get("file") if isinstance(room, dict) else None
    sums = results[kind].get("sha256") or {}
    others = {*_NOT_LOGS, room_file}
    return [str(digest) for name, digest in sums.items() if name not in others and not name.startswith("photos/")]


def _runs_on(bag: Path, results: dict[str, Any], digests: set[str]) -> set[str]:
    """Return the runs of a filed campaign that its run sheet reads from logs with these sums."""
    sums, sheet = results["campaign"]["sha256"], bag / "data" / "campaign" / "runs.csv"
    lines = sheet.read_text(encoding="utf-8-sig").splitlines() if sheet.is_file() else []
    return {str(line.get("run")) for line in csv.DictReader(lines) if sums.get(line.get("log")) in digests}


def joined(later: FiledCampaign, earlier: FiledCampaign, again: set[str]) -> FiledCampaign | None:
    """Return two campaigns that share mounts of the baseline as one, with every mount once.

    Parameters
    ----------
    later, earlier : FiledCampaign
        Two campaigns, the later may be joined from others.
    again : set of str
        Runs of the earlier one whose logs the later one has too.

    Returns
    -------
    FiledCampaign or None
        Named after both. None where one is the other continued (of the same title), where more than the baseline is
        shared, or where they cannot be compared mount by mount at one reference power.
    """
    power = (later.results.get("comparison") or {}).get("reference_power_W")
    twice = {(run.treatment, run.mount) for run in earlier.runs if run.run in again}
    titles, base = later.titles or (later.title,), later.baseline
    alike = (earlier.bench, earlier.baseline) == (later.bench, base) and earlier.title not in titles
    if not power or not alike or {treatment for treatment, _ in twice} != {base}:
        return None
    taken, runs = {(run.treatment, run.mount) for run in later.runs}, list(later.runs)
    for run in earlier.runs:
        of = run.treatment, run.mount
        if of not in twice:
            runs.append(replace(run, mount=f"{run.mount} of {earlier.title}") if of in taken else run)
    mounts: dict[str, dict[str, list[float]]] = defaultdict(lambda: defaultdict(list))
    for run in runs:
        if run.used and run.rise_K is not None:
            mounts[run.treatment][run.mount] += [run.rise_K] if run.set_power_W == power else []
    if base not in mounts or not all(rises for own in mounts.values() for rises in own.values()):
        return None
    means = {name: fmean(map(fmean, own.values())) for name, own in mounts.items()}
    rows = [row for one in (earlier, later) for row in (one.results.get("comparison") or {}).get("treatments") or ()]
    doubted = {row["treatment"] for row in rows if row.get("verdict") == "in doubt"}
    treatments = [
        {"treatment": name, "n_mounts": len(mounts[name]), "difference_K": means[name] - means[base]}
        | ({"verdict": "in doubt"} if name in doubted else {})
        for name in means
        if name != base
    ]
    first = min((later, earlier), key=lambda one: (one.measured or one.day, one.bag))
    return replace(
        later,
        title=" and ".join((earlier.title, *titles)),
        titles=(earlier.title, *titles),
        measured=first.measured,
        day=first.day,
        runs=tuple(runs),
        results=later.results | {"comparison": {"reference_power_W": power, "treatments": treatments}},
    )


def _campaign(entry: archive_list.Entry, results: dict[str, Any], measured: str, day: str) -> FiledCampaign:
    about = results["campaign"]
    return FiledCampaign(
        bag=entry.bag,
        title=str(about.get("title") or entry.bag),
        bench=str(about.get("bench") or ""),
        baseline=str(about["baseline"]),
        measured=measured,
        day=day,
        runs=tuple(filed_runs(results)),
        results=results,
    )


def filed_runs(results: dict[str, Any]) -> Iterator[ReducedRun]:
    """Yield the runs of ``results.json`` as reduced runs, as far as comparisons need them.

    Parameters
    ----------
    results : dict
        Of schema 1.
    """
    for order, row in enumerate(results["runs"]):
        given = {name: row[name] for name in ("run", "treatment", "mount", "used")}
        given |= {name: row.get(name) or "" for name in ("reason", "lot", "condition")}
        # The models take a number that is written as text for one.
        numbers = {name: row.get(name) for name in ("set_power_W", "rise_K", "u_rise_K")}
        given |= {name: None if value is None else float(value) for name, value in numbers.items()}
        given["start"] = row.get("start")
        flags = tuple(NO_LOG for flag in row.get("flags") or () if flag["flag"] == NO_LOG.flag)
        yield ReducedRun(**given, flags=flags, order=order)


def one_mount_scatter(found: Iterable[Mapping[str, Any]]) -> tuple[float, int] | None:
    """Return what campaigns with one mount of each treatment say of the mount SD, K/W, and its degrees of freedom.

    Half the variance of their differences: it holds run noise and what changed between the campaigns as well, so that
    the mount SD is hardly larger.

    Parameters
    ----------
    found : iterable of mapping
        Results of campaigns on one bench.

    Returns
    -------
    tuple of (float, int) or None
        None where no difference was found twice. Candidates of one campaign share its baseline, so that only one of
        them counts for the degrees of freedom.
    """
    differences: dict[tuple[str, str], list[float]] = defaultdict(list)
    for results in found:
        comparison = results.get("comparison") or {}
        for row in comparison.get("treatments") or ():
            if row.get("n_mounts") == 1 and row.get("difference_K") is not None and comparison["reference_power_W"]:
                pair = results["campaign"]["baseline"], row["treatment"]
                differences[pair].append(row["difference_K"] / comparison["reference_power_W"])
    repeated = [own for own in differences.values() if len(own) > 1]
    dof = sum(len(own) - 1 for own in repeated)
    squares = math.fsum((len(own) - 1) * variance(own) for own in repeated) / 2.0
    return (math.sqrt(squares / dof), max(map(len, repeated)) - 1) if squares > 0.0 else None
