"""How many planted faults the run checks find, under which name, and how often they cry wolf.

``make study`` simulates at least 200 faults of every kind of :mod:`fault_campaigns`, over all its benches, and as many
clean campaigns, runs the checks on them and writes the table into docs/checks.md. Thresholds were chosen on other
seeds.
"""

from __future__ import annotations

import argparse
import sys
import time
from collections import Counter
from concurrent.futures import ProcessPoolExecutor
from pathlib import Path
from typing import TYPE_CHECKING

import numpy as np

sys.path.insert(0, str(Path(__file__).resolve().parent))

from fault_campaigns import BENCHES, CLEAN, FAULTS, Case, Fault, Setting, make_cases

from thermlab.runs.settled_runs import settle_runs

if TYPE_CHECKING:
    from collections.abc import Iterator

DOCS = Path(__file__).resolve().parent.parent / "docs" / "checks.md"
SEED = 20261125
BEGIN, END = "<!-- measured: begin -->", "<!-- measured: end -->"
AT_ONCE = 10
# After each round the table is written with what there is.
ROUNDS = 3


def judge(case: Case) -> Counter[str]:
    """Count in one campaign: faulty runs, flagged, flagged doubtful, told by name; sound runs and false alarms."""
    found: Counter[str] = Counter(campaigns=1)
    for run in settle_runs(case.campaign, case.traces).runs:
        worst = run.worst()
        if run.run in case.faulty:
            found["faulty"] += 1
            found["flagged"] += worst is not None
            found["doubtful"] += worst in {"doubtful", "unusable"}
            found["told"] += any(flag.flag in case.fault.told_by for flag in run.flags)
            if worst is None:
                found["missed on " + case.setting.name] += 1
            for flag in run.flags:
                found[f"as {flag.flag} ({flag.severity})"] += 1
        else:
            found["sound"] += 1
            found["alarms"] += worst in {"doubtful", "unusable"}
            for flag in run.flags:
                if flag.severity != "note":
                    found[f"alarm {flag.flag}"] += 1
    return found


def study_one(task: tuple[Fault, Setting, int, int]) -> tuple[str, str, Counter[str]]:
    """Judge `n` campaigns of one fault on one bench."""
    fault, setting, n, seed = task
    rng = np.random.default_rng(seed)
    total: Counter[str] = Counter()
    while n > 0:
        for case in make_cases(fault, setting, min(n, AT_ONCE), rng):
            total += judge(case)
        n -= AT_ONCE
    return fault.kind, setting.name, total


def campaigns_of(fault: Fault, setting: Setting, wanted: int) -> int:
    """Campaigns on one bench that make its part of the faults wanted; half as many clean ones will do."""
    each = -(-wanted // len(BENCHES))
    return -(-each // 2) if fault.plant is None else -(-each // min(fault.most, setting.most_faults))


def run_study(
    faults: list[Fault], *, faults_wanted: int, seed: int, processes: int
) -> Iterator[tuple[int, dict[tuple[str, str], Counter[str]]]]:
    """Judge at least so many faults of each kind, shared out over the benches, in rounds.

    Yields after each round how many faults of a kind there are at least, and the counts up to there.
    """
    results: dict[tuple[str, str], Counter[str]] = {}
    wanted = -(-faults_wanted // ROUNDS)
    with ProcessPoolExecutor(processes) as pool:
        for turn in range(ROUNDS):
            tasks = [
                (fault.kind, b, campaigns_of(fault, setting, wanted), _seed(seed, fault, b, turn))
                for fault in faults
                for b, setting in enumerate(BENCHES)
            ]
            for kind, name, total in pool.map(study_one_by_name, tasks):
                results[kind, name] = results.get((kind, name), Counter()) + total
                n = max(total["faulty"], 1)
                counts = f"flagged {total['flagged'] / n:.3f} told {total['told'] / n:.3f} alarms {total['alarms']}"
                print(f"{turn + 1} | {kind} | {name} | {counts}", file=sys.stderr, flush=True)
            yield wanted * (turn + 1), results


def _seed(seed: int, fault: Fault, bench: int, turn: int) -> int:
    """A seed of its own for each task, whichever kinds are asked for."""
    kinds = [known.kind for known in (*FAULTS, CLEAN)]
    return int(np.random.SeedSequence([seed, kinds.index(fault.kind), bench, turn]).generate_state(1)[0])


def study_one_by_name(task: tuple[str, int, int, int]) -> tuple[str, str, Counter[str]]:
    """As :func:`study_one`, the fault and the bench by name."""
    kind, bench, n, seed = task
    fault = next(fault for fault in (*FAULTS, CLEAN) if fault.kind == kind)
    return study_one((fault, BENCHES[bench], n, seed))


def table(results: dict[tuple[str, str], Counter[str]], *, faults_wanted: int, seed: int) -> str:
    """Write the results as Markdown."""
    kinds = list(dict.fromkeys(kind for kind, _ in results))
    lines = [
        f"Seed {seed}, at least {faults_wanted} faults a kind over {len(BENCHES)} benches.",
        "",
        "| planted | campaigns | faulty runs | flagged | doubtful or worse | under a name that tells it | names |",
        "| --- | --- | --- | --- | --- | --- | --- |",
    ]
    every: Counter[str] = Counter()
    for kind in kinds:
        total = sum((c for (k, _), c in results.items() if k == kind), Counter())
        if not total["faulty"]:
            continue
        every += total
        told_by = next(f for f in FAULTS if f.kind == kind).told_by
        n = total["faulty"]
        lines.append(
            f"| {kind} | {total['campaigns']} | {n} | {total['flagged'] / n:.1%} | {total['doubtful'] / n:.1%} | "
            f"{total['told'] / n:.1%} | {', '.join(told_by)} |"
        )
    if every["faulty"]:
        n = every["faulty"]
        shares = " | ".join(f"{every[key] / n:.1%}" for key in ("flagged", "doubtful", "told"))
        lines.append(f"| **all** | | {n} | {shares} | |")
    clean = {name: c for (kind, name), c in results.items() if kind == CLEAN.kind}
    if clean:
        lines += ["", "| clean campaigns on | runs | doubtful or worse | flags |", "| --- | --- | --- | --- |"]
        whole = sum(clean.values(), Counter())
        for name, total in [*clean.items(), ("**all**", whole)]:
            flags = ", ".join(f"{key[6:]} {value}" for key, value in total.most_common() if key.startswith("alarm "))
            lines.append(f"| {name} | {total['sound']} | {total['alarms'] / total['sound']:.2%} | {flags} |")
    return "\n".join(lines)


def main() -> None:
    """Run the study and put its table into docs/checks.md, or print it."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--faults", type=int, default=200)
    parser.add_argument("--seed", type=int, default=SEED)
    parser.add_argument("--processes", type=int, default=2)
    parser.add_argument("--kind", action="append", default=[], help="only these kinds, printed with all counts")
    parser.add_argument("--print", action="store_true", dest="only_print", help="leave docs/checks.md alone")
    asked = parser.parse_args()
    began = time.perf_counter()
    kinds = [f for f in (*FAULTS, CLEAN) if not asked.kind or any(word in f.kind for word in asked.kind)]
    for wanted, results in run_study(kinds, faults_wanted=asked.faults, seed=asked.seed, processes=asked.processes):
        text = table(results, faults_wanted=wanted, seed=asked.seed)
        if not asked.kind and not asked.only_print:
            page = DOCS.read_text(encoding="utf-8")
            head, rest = page.split(BEGIN)
            DOCS.write_text(f"{head}{BEGIN}\n{text}\n{END}{rest.split(END)[1]}", encoding="utf-8")
    print(text)
    if asked.kind:
        for (kind, name), total in results.items():
            print(kind, "|", name, dict(total))
    print(f"{time.perf_counter() - began:.0f} s")


if __name__ == "__main__":
    main()
