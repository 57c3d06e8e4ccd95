"""Many reports at once, on this machine and on a real cluster of one scheduler and two workers."""

import json
import os
import signal
import socket
import subprocess
import sys
import threading
import time
from pathlib import Path

import nbformat
import numpy as np
import pytest
from fixtures_analysis import stand_in_template, write_small_campaign

from thermlab.base.errors import InputError
from thermlab.reports import make as making
from thermlab.reports.execute import template_path
from thermlab.reports.make import ReportJob, ReportOutcome, exit_status, report
from thermlab.simulate.ladders import SimulatedTreatment, simulate_campaign
from thermlab.simulate.logs import write_campaign
from thermlab.simulate.network import passive_bench

# Whoever asks a cluster is a process of its own here, as in life: what a killed worker's connections leave behind for
# the garbage collector must not end up in other tests.
ASK = """
import json, sys
from thermlab.reports.make import report
asked = json.loads(sys.argv[1])
outcomes = report(asked["campaigns"], out=asked["out"], template=asked["template"], cluster=asked["address"])
print(json.dumps([[str(one.source), str(one.folder), one.state, one.message] for one in outcomes]))
"""
WAIT = "import sys; from distributed import Client; Client(sys.argv[1], timeout=120).wait_for_workers(2, timeout=200)"

HOLD_ONCE = """
import os, pathlib, time
if pathlib.Path(campaign).name == "held":
    marker = pathlib.Path({marker!r})
    if not marker.exists():
        marker.with_suffix(".new").write_text(str(os.getppid()))
        marker.with_suffix(".new").rename(marker)
        time.sleep(120)
"""
END_PARENT = """
import os, pathlib, signal, time
if pathlib.Path(campaign).name == "ends-its-process":
    time.sleep(1)
    os.kill(os.getppid(), signal.SIGKILL)
    time.sleep(60)
"""


def template_that(folder, code, of=None):
    """Return a template, that of a made-up analysis unless another is named, with one cell of code before it."""
    path = folder / "with-code.ipynb"
    notebook = nbformat.read(of or stand_in_template(folder), as_version=4)
    at = next(i for i, cell in enumerate(notebook.cells) if "parameters" in cell.metadata.get("tags", [])) + 1
    notebook.cells.insert(at, nbformat.v4.new_code_cell(code))
    nbformat.write(notebook, path)
    return path


def answers(outcomes):
    """Return what was found, without the time at which it was found."""
    found = []
    for outcome in outcomes:
        results = json.loads((outcome.folder / "results.json").read_text())
        results.pop("created")
        found.append((results, (outcome.folder / "runs_reduced.csv").read_bytes()))
    return found


@pytest.fixture(scope="module")
def cluster(tmp_path_factory):
    """A scheduler and two workers on loopback: address and the processes of the workers."""
    folder = tmp_path_factory.mktemp("cluster")
    with socket.socket() as probe:
        probe.bind(("127.0.0.1", 0))
        address = f"tcp://127.0.0.1:{probe.getsockname()[1]}"
    port = address.rpartition(":")[2]
    environment = {name: value for name, value in os.environ.items() if not name.startswith("COVERAGE")}
    processes = []

    def start(*arguments):
        log = (folder / f"{len(processes)}.log").open("wb")
        process = subprocess.Popen(
            [sys.executable, "-m", "dask", *arguments], cwd=folder, env=environment, stdout=log, stderr=log
        )
        log.close()
        processes.append(process)
        return process

    start("scheduler", "--host", "127.0.0.1", "--port", port, "--no-dashboard", "--no-show")
    workers = [
        start("worker", address, "--nthreads", "1", "--no-nanny", "--no-dashboard", "--host", "127.0.0.1")
        for _ in range(2)
    ]
    try:
        waiting = [sys.executable, "-c", WAIT, address]
        subprocess.run(waiting, check=True, timeout=240, env=environment, capture_output=True)
        yield address, workers
    finally:
        for process in reversed(processes):
            process.kill()
            process.wait()


def ask(address, campaigns, out, template):
    """Make reports on the cluster from another process; return the outcomes."""
    asked = {
        "address": address,
        "campaigns": [str(one) for one in campaigns],
        "out": str(out),
        "template": str(template),
    }
    done = subprocess.run(
        [sys.executable, "-c", ASK, json.dumps(asked)], capture_output=True, text=True, timeout=600, check=False
    )
    assert done.returncode == 0, done.stderr
    rows = json.loads(done.stdout.splitlines()[-1])
    return [
        ReportOutcome(source=Path(campaign), page=Path(folder) / "report.html", state=state, message=message)
        for campaign, folder, state, message in rows
    ]


def write_simulated(folder, seed):
    campaign = simulate_campaign(
        passive_bench(),
        [SimulatedTreatment(name=name, resistance_K_per_W=r) for name, r in (("grease-a", 0.15), ("paste-c", 0.11))],
        steps_W=(60.0, 100.0),
        rng=np.random.default_rng(seed),
        n_mounts=2,
        soak_min=20.0,
        interval_s=10.0,
    )
    return write_campaign(folder, campaign)


@pytest.fixture
def campaigns(tmp_path):
    return [write_small_campaign(tmp_path / name) for name in ("first", "held", "third")]


@pytest.mark.slow
def test_a_cluster_gives_what_this_machine_gives_and_a_killed_worker_costs_a_retry(cluster, tmp_path):
    address, workers = cluster
    marker = tmp_path / "held-by"
    template = template_that(tmp_path, HOLD_ONCE.format(marker=str(marker)), of=template_path("comparison"))
    campaigns = [write_simulated(tmp_path / name, seed) for seed, name in enumerate(("first", "held", "third"))]
    killed = []

    def kill_the_holder():
        until = time.monotonic() + 240
        while time.monotonic() < until and not marker.exists():
            time.sleep(0.05)
        killed.append(int(marker.read_text()))
        os.kill(killed[0], signal.SIGKILL)

    killer = threading.Thread(target=kill_the_holder)
    killer.start()
    shared = ask(address, campaigns, tmp_path / "shared", template)
    killer.join()
    here = report(campaigns, out=tmp_path / "here", template=template)

    assert [outcome.state for outcome in shared] == ["ok"] * 3, [outcome.message for outcome in shared]
    assert [outcome.source for outcome in shared] == campaigns
    assert killed[0] in [worker.pid for worker in workers]
    assert sum(worker.poll() is None for worker in workers) == 1
    assert answers(shared) == answers(here)


@pytest.mark.slow
def test_one_failure_on_the_cluster_leaves_the_others_alone(cluster, campaigns, tmp_path):
    (campaigns[1] / "runs.csv").write_text("run\n")

    outcomes = ask(cluster[0], campaigns, tmp_path / "out", stand_in_template(tmp_path))

    assert [outcome.state for outcome in outcomes] == ["ok", "bad input", "ok"], [
        outcome.message for outcome in outcomes
    ]
    assert exit_status(outcomes) == 1


@pytest.mark.parametrize("address", ["tcp://127.0.0.1:9", "no such thing://"])
def test_a_cluster_that_does_not_answer_is_bad_input(address, campaigns, tmp_path):
    code = "from thermlab import cli; from thermlab.reports import make; make.CONNECT_TIMEOUT_S = 1; cli.main()"
    arguments = ["report", str(campaigns[0]), "--out", str(tmp_path / "out"), "--cluster", address]
    done = subprocess.run(
        [sys.executable, "-c", code, *arguments], capture_output=True, text=True, timeout=120, check=False
    )

    assert done.returncode == 2
    assert f"--cluster: found '{address}'" in done.stderr
    assert not (tmp_path / "out").exists()


def test_without_the_extra_it_is_said_how_to_get_it(campaigns, monkeypatch):
    monkeypatch.setitem(sys.modules, "distributed", None)
    with pytest.raises(InputError, match=r"pip install 'thermlab\[cluster\]'"):
        report(campaigns, cluster="tcp://127.0.0.1:9")


def test_a_worker_with_another_thermlab_refuses(campaigns, tmp_path):
    job = ReportJob(
        source=campaigns[0], folder=tmp_path / "out",
        template=tmp_path / "comparison.ipynb", cell_timeout_s=60,
    )  # fmt: skip
    outcome = making.read_outcome(job, making.report_on_worker(job, "0.0.1"))

    assert outcome.state == "died"
    assert "0.0.1" in outcome.message
    assert not (tmp_path / "out").exists()


def test_what_a_worker_says_is_plain_text_and_read_with_care(campaigns, tmp_path):
    job = ReportJob(source=campaigns[0], folder=tmp_path / "out", template=tmp_path / "comparison.ipynb")

    text = making.told(job.outcome("bad input", "runs.csv:2 (run): found nothing; allowed: not blank"))

    assert isinstance(text, str)
    outcome = making.read_outcome(job, text)
    assert (outcome.state, outcome.source) == ("bad input", campaigns[0])
    assert outcome.message == "runs.csv:2 (run): found nothing; allowed: not blank"
    for broken in (b"\x80\x04.", "[]", "{}", text.replace("bad input", "fine"), text[:-3]):
        with pytest.raises(ValueError, match="validation error"):
            making.read_outcome(job, broken)


@pytest.mark.slow
@pytest.mark.skipif(sys.platform == "win32", reason="no SIGKILL")
def test_a_process_that_is_ended_takes_no_other_report_with_it(tmp_path):
    names = ("first", "ends-its-process", "third", "fourth")
    campaigns = [write_small_campaign(tmp_path / name) for name in names]
    template = template_that(tmp_path, END_PARENT)

    outcomes = report(campaigns, jobs=2, out=tmp_path / "out", template=template)

    assert [outcome.state for outcome in outcomes] == ["ok", "died", "ok", "ok"]
    assert exit_status(outcomes) == 1


def test_one_bar_counts_the_reports(tmp_path, capfd):
    campaigns = [write_small_campaign(tmp_path / name) for name in ("a", "b")]
    for campaign in campaigns:
        (campaign / "runs.csv").write_text("run\n")

    report(campaigns, jobs=2, progress=True)

    bars = [part for part in capfd.readouterr().err.replace("\n", "\r").split("\r") if "report" in part]
    assert "2/2" in bars[-1]
    assert all("/2" in bar for bar in bars)
