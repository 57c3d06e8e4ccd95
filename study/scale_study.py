"""How time and memory of reading and reduction grow with the number of runs.

Time: 10 to 10,000 runs in campaigns of at most 45 (20 min at one reading in 5 s, 4 sensors), medians of five, each in
a process of its own; processor time, so that a shared machine does not count. Memory: 10,000 runs of 40 min at one
reading a second with 20 columns. Beside them, what one single campaign of many runs takes. All of it covers the way
from the log files to the reduced runs with their flags.
"""

import argparse
import json
import platform
import resource
import statistics
import subprocess
import sys
import tempfile
import time
from dataclasses import replace
from importlib.metadata import version
from pathlib import Path

import numpy as np

HERE = Path(__file__).resolve().parent
sys.path.insert(0, str(HERE.parent / "bench"))
from bench_campaigns import extend, write_base  # noqa: E402

from thermlab.campaign.folder import Campaign, load_campaign  # noqa: E402
from thermlab.runs.reading import read_campaign_logs  # noqa: E402
from thermlab.runs.settled_runs import settle_runs  # noqa: E402

CAMPAIGN_RUNS = 45
RESULT = HERE / "results" / "scale.json"


def reduce_runs(campaign: Campaign) -> int:
    """Read and reduce one campaign; return how many runs it has."""
    return len(settle_runs(campaign, read_campaign_logs(campaign).traces).runs)


def measure(folder: Path) -> dict[str, float]:
    """Reduce the campaigns in a folder in this process; return seconds and the most memory there was."""
    campaigns = sorted(path.parent for path in folder.glob("*/campaign.yaml"))
    # What is imported and set up on first use is no part of how time grows.
    first = load_campaign(campaigns[0])
    reduce_runs(replace(first, runs=first.runs[:10]))
    before = time.process_time()
    runs = 0
    for campaign in campaigns:
        runs += reduce_runs(load_campaign(campaign))
    return {
        "runs": runs,
        "seconds": time.process_time() - before,
        "peak_MiB": resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024,
    }


def in_a_process(folder: Path) -> dict[str, float]:
    """Measure in a fresh process."""
    command = [sys.executable, __file__, "--one", str(folder)]
    done = subprocess.run(command, capture_output=True, text=True, check=True)  # noqa: S603 - this very script
    found: dict[str, float] = json.loads(done.stdout)
    return found


def exponent(counts: list[int], seconds: list[float]) -> float:
    """Return the slope of log time over log runs by least squares."""
    return float(np.polyfit(np.log(counts), np.log(seconds), 1)[0])


def fleet(base: Path, folder: Path, n_runs: int, *, largest: int = CAMPAIGN_RUNS) -> Path:
    """Write campaigns of at most `largest` runs that have `n_runs` together."""
    for place, begin in enumerate(range(0, n_runs, largest)):
        extend(base, folder / f"{place}", min(largest, n_runs - begin))
    return folder


def main() -> None:
    """Measure, print, and keep the numbers for the documentation."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--counts", type=int, nargs="+", default=[10, 100, 1000, 10_000])
    parser.add_argument("--repeats", type=int, default=5)
    parser.add_argument("--large", type=int, nargs="+", default=[45, 10_000], help="runs of 20 columns, in campaigns")
    parser.add_argument("--single", type=int, nargs="+", default=[45, 200, 800], help="the same, in one campaign")
    parser.add_argument("--one", type=Path, help=argparse.SUPPRESS)
    chosen = parser.parse_args()
    if chosen.one is not None:
        print(json.dumps(measure(chosen.one)))
        return
    result: dict[str, object] = {
        "python": platform.python_version(),
        "versions": {name: version(name) for name in ("thermlab", "numpy", "scipy")},
        "repeats": chosen.repeats,
        "counts": chosen.counts,
    }
    with tempfile.TemporaryDirectory(prefix="thermlab-scale-") as scratch:
        small = write_base(Path(scratch) / "small", n_sensors=4, soak_min=20.0, interval_s=5.0)
        folders = {n: fleet(small, Path(scratch) / f"{n}", n) for n in chosen.counts}
        seconds: dict[int, list[float]] = {n: [] for n in chosen.counts}
        for _ in range(chosen.repeats):
            for n, folder in folders.items():
                seconds[n].append(in_a_process(folder)["seconds"])
        medians = [statistics.median(seconds[n]) for n in chosen.counts]
        result["ms_per_run"] = [1e3 * s / n for s, n in zip(medians, chosen.counts, strict=True)]
        result["exponent"] = exponent(chosen.counts, medians)
        print(f"time grows as runs to the power {result['exponent']:.3f}")
        for n, s in zip(chosen.counts, medians, strict=True):
            print(f"{n} runs: {1e3 * s / n:.2f} ms a run")
        large = write_base(Path(scratch) / "large")
        for kind, counts, largest in (("large", chosen.large, CAMPAIGN_RUNS), ("single", chosen.single, 1 << 30)):
            found = []
            for n in counts:
                m = in_a_process(fleet(large, Path(scratch) / f"{kind}-{n}", n, largest=largest))
                found.append({"runs": n, "peak_MiB": m["peak_MiB"], "ms_per_run": 1e3 * m["seconds"] / n})
                print(f"{kind}, {n} runs: at most {m['peak_MiB']:.0f} MiB, {1e3 * m['seconds'] / n:.1f} ms a run")
            result[kind] = found
    RESULT.parent.mkdir(exist_ok=True)
    RESULT.write_text(json.dumps(result, indent=1) + "\n", encoding="utf-8")


if __name__ == "__main__":
    main()
