"""How reports, records, filing and run-sheet edits stand up to bad luck, with figures.

Run: ``python study/fault_injection.py [--cases 200] [--seed 1] [--only WORD]``. Every case does one thing in a child
process, breaks it once, and looks at what is left: inputs byte-identical, output old or new and whole, exit status and
``status.json`` true, and the same again works and leaves nothing beside. ``tests/faults/`` does twenty of each.

Kinds of fault, at a place drawn from all calls that change a disk (opening for writing, making, renaming, removing,
forcing to disk, swapping two folders): ``killed``; ``power lost``, which is a kill after which every file that was not
forced to disk yet is cut at a random byte; ``disk full`` and ``permission denied``, from then on or once; ``out of
memory``; ``torn write``, which lets the system itself stop the process in the middle of a file (a limit on file size).
"""

from __future__ import annotations

import argparse
import builtins
import contextlib
import errno
import gc
import io
import json
import multiprocessing
import os
import random
import resource
import shutil
import signal
import sys
import tempfile
import time
from collections import Counter
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any

sys.path.insert(0, str(Path(__file__).resolve().parents[1] / "tests" / "helpers"))

import nbformat
from filed_examples import example_results, make_campaign
from fixtures_analysis import made_up_analysis, small_template, write_small_campaign

from thermlab.archives import listing as archive_list
from thermlab.archives.filing import archive
from thermlab.base import files as base_files
from thermlab.base.errors import ArchiveError, InputError, ThermlabError
from thermlab.explore.sheet_edit import exclude_run
from thermlab.reports import execute as execution
from thermlab.reports import make as reports
from thermlab.reports.make import ReportJob, finished_files
from thermlab.reports.results import MIME, to_results
from thermlab.verifying.check import verify

if TYPE_CHECKING:
    from collections.abc import Callable

FORK = multiprocessing.get_context("fork")
KINDS = ("killed", "power lost", "disk full", "permission denied", "out of memory", "torn write")
WRITING = os.O_WRONLY | os.O_RDWR | os.O_CREAT | os.O_TRUNC | os.O_APPEND
EVENTS = frozenset({"os.mkdir", "os.rename", "os.remove", "os.rmdir", "os.chmod", "os.utime", "shutil.rmtree"})
UNEXPECTED = 70


class WrongError(AssertionError):
    """What a case left behind is not as promised."""


# Breaking things -----------------------------------------------------------------------------------------------


class Disk:
    """Stands between this (child) process and its disk: counts what changes it, and breaks at one place.

    Parameters
    ----------
    root : Path
        Only what lies below counts.
    log : int
        Descriptor for a line per file that was opened for writing or forced to disk.
    place : int or None
        Which call breaks, from 1; None counts only.
    kind : str
        One of `KINDS`.
    sticky : bool
        Whether every later call of the same sort fails as well, as on a disk that stays full.
    """

    def __init__(self, root: Path, log: int, place: int | None, kind: str, *, sticky: bool) -> None:
        self.root = str(root)
        self.log = log
        self.place = place
        self.kind = kind
        self.sticky = sticky
        self.count = 0

    def install(self) -> None:
        """Begin; there is no way back in this process."""
        exchange = base_files._exchange  # noqa: SLF001

        def forced(handle: int) -> None:
            # Not really: power is lost in our books only, and thousands of waits for a disk would prove nothing.
            self.reached("fsync")
            self.note("forced", os.fstat(handle).st_ino)

        def swapped(one: Path, other: Path) -> bool:
            self.reached("exchange")
            return exchange(one, other)

        os.fsync = forced
        base_files._exchange = swapped  # noqa: SLF001
        opener = io.open

        def opened(file: Any, *args: Any, **kwargs: Any) -> Any:
            handle = opener(file, *args, **kwargs)
            if handle.writable() and str(getattr(handle, "name", "")).startswith(self.root):
                self.note("opened", os.fstat(handle.fileno()).st_ino)
            return handle

        io.open = builtins.open = opened
        sys.addaudithook(self.heard)

    def note(self, what: str, inode: int) -> None:
        """Tell the parent process about one file."""
        os.write(self.log, f"{what} {inode}\n".encode())

    def heard(self, event: str, args: tuple[Any, ...]) -> None:
        """Hear of a call before the system is asked."""
        if event == "open":
            path, _, flags = args
            if isinstance(path, (str, bytes)) and (flags or 0) & WRITING and os.fsdecode(path).startswith(self.root):
                self.reached("open")
        elif event in EVENTS and isinstance(args[0], (str, bytes, os.PathLike)):
            # Names below a folder that is being removed come with a descriptor of it and not with their path.
            path = os.fsdecode(args[0])
            if path.startswith(self.root) or not path.startswith("/"):
                self.reached(event)

    def reached(self, event: str) -> None:
        """Count one call that changes a disk, and break where it is the one."""
        self.count += 1
        if self.place is None or self.count < self.place or (self.count > self.place and not self.sticky):
            return
        if self.kind in ("killed", "power lost"):
            os.kill(os.getpid(), signal.SIGKILL)
        elif self.kind == "disk full":
            if event in ("open", "os.mkdir", "fsync"):  # removing and renaming work on a full disk
                raise OSError(errno.ENOSPC, os.strerror(errno.ENOSPC))
        elif self.kind == "permission denied":
            if event != "fsync":
                raise PermissionError(errno.EACCES, os.strerror(errno.EACCES))
        elif self.kind == "out of memory":
            raise MemoryError


@dataclass(frozen=True, slots=True, kw_only=True)
class Ended:
    """How a child process ended: its exit status, -9 when killed, and the files it had not forced to disk."""

    status: int
    unforced: frozenset[int]
    calls: int


def _child(action: Callable[[], int], disk: Disk, bytes_left: int | None, report: int) -> None:
    with contextlib.suppress(OSError):
        quiet = os.open(os.devnull, os.O_WRONLY)
        os.dup2(quiet, 1)
        os.dup2(quiet, 2)
    if bytes_left is not None:
        signal.signal(signal.SIGXFSZ, signal.SIG_DFL)  # the system ends the process with part of the file written
        resource.setrlimit(resource.RLIMIT_FSIZE, (bytes_left, bytes_left))
        resource.setrlimit(resource.RLIMIT_CORE, (0, 0))
    gc.disable()
    disk.install()
    try:
        status = action()
    except (ThermlabError, OSError, MemoryError) as error:
        status = 2 if isinstance(error, InputError) else 1
    except BaseException:  # noqa: BLE001 - whatever it is, it should not have come out
        status = UNEXPECTED
    disk.place = None
    os.write(report, f"calls {disk.count}\n".encode())
    os._exit(status)


def broken(
    action: Callable[[], int], root: Path, *, place: int | None = None, kind: str = "killed", sticky: bool = False,
    bytes_left: int | None = None,
) -> Ended:  # fmt: skip
    """Do something in a child process that breaks at one place, and say how it ended."""
    reading, writing = os.pipe()
    disk = Disk(root, writing, place, kind, sticky=sticky)
    gc.freeze()  # what is not looked at is not copied into the child
    child = FORK.Process(target=_child, args=(action, disk, bytes_left, writing))
    child.start()
    os.close(writing)
    with os.fdopen(reading) as pipe:
        lines = [line.split() for line in pipe]
    child.join(60)
    if child.exitcode is None:
        child.kill()
        raise WrongError("the child process did not end")
    known = {what: {int(n) for w, n in lines if w == what} for what in ("opened", "forced", "calls")}
    status = -signal.SIGKILL if child.exitcode == -signal.SIGXFSZ else child.exitcode
    return Ended(
        status=status, unforced=frozenset(known["opened"] - known["forced"]), calls=max(known["calls"], default=0)
    )


def lose_power(root: Path, unforced: frozenset[int], rng: random.Random) -> None:
    """Cut every file that was not forced to disk at a random byte: the system had no time to write the rest."""
    for path in root.rglob("*"):
        if path.is_file() and not path.is_symlink() and path.stat().st_ino in unforced:
            mode = path.stat().st_mode
            path.chmod(0o644)
            os.truncate(path, rng.randint(0, path.stat().st_size))
            path.chmod(mode)


# What is done, and what has to be true afterwards --------------------------------------------------------------


def contents(folder: Path) -> dict[str, bytes]:
    """Return every file below a folder with its bytes."""
    return {str(p.relative_to(folder)): p.read_bytes() for p in sorted(folder.rglob("*")) if p.is_file()}


def ready_notebook(title: str) -> Any:
    """Return an executed report notebook without any kernel: its results are those of a made-up analysis."""
    results = json.loads(json.dumps(to_results(made_up_analysis(title=title))))
    shown = nbformat.v4.new_output("display_data", {"text/html": f"<h1>{title}</h1><h2 id='answer'>Answer</h2>"})
    carried = nbformat.v4.new_output("display_data", {MIME: results, "text/plain": "results"})
    cells = [nbformat.v4.new_code_cell("1", outputs=[carried]), nbformat.v4.new_code_cell("2", outputs=[shown])]
    return nbformat.v4.new_notebook(cells=cells)


class Work:
    """One thing that can be broken: set up once, copied for every case.

    Parameters
    ----------
    scratch : Path
        A folder of its own.
    """

    name = ""

    def __init__(self, scratch: Path) -> None:
        self.base = scratch / self.name.replace(" ", "-")
        self.trial = scratch / "trial"
        self.base.mkdir(parents=True)
        self.set_up()
        self.before = contents(self.base)
        self.fresh()
        ended = broken(self.act, self.trial)
        self.n_calls = ended.calls
        if ended.status or not self.is_new():
            raise WrongError(f"{self.name}: does not even work unbroken ({ended.status})")
        self.largest = max(len(content) for content in contents(self.trial).values())

    def fresh(self) -> None:
        """Lay out everything as it was."""
        shutil.rmtree(self.trial, ignore_errors=True)
        shutil.copytree(self.base, self.trial, symlinks=True)

    def set_up(self) -> None:
        """Write inputs and an older output."""
        raise NotImplementedError

    def act(self) -> int:
        """Do it; return the exit status."""
        raise NotImplementedError

    def is_input(self, name: str) -> bool:
        """Whether a file of that name is only read."""
        raise NotImplementedError

    def is_new(self) -> bool:
        """Whether the new output is there; raise where it is neither old nor new and whole."""
        raise NotImplementedError

    def check_status(self, ended: Ended, *, new: bool) -> None:
        """Raise where the exit status does not tell the truth."""
        if ended.status not in (0, 1, 2, -signal.SIGKILL):
            raise WrongError(f"exit status {ended.status}")
        if ended.status == 0 and not new:
            raise WrongError("said done, and it is not")
        if ended.status in (1, 2) and new:
            raise WrongError("said failed, and it is done")

    def left_over(self) -> list[str]:
        """Return what lies about and is neither input nor output."""
        raise NotImplementedError

    def case(self, rng: random.Random, kind: str) -> str:
        """Break it once, check all that was promised, do it again; return what became of it."""
        self.fresh()
        place = rng.randint(1, self.n_calls)
        sticky = rng.random() < 0.5
        torn = rng.randint(0, self.largest) if kind == "torn write" else None
        ended = broken(
            self.act, self.trial, place=None if torn is not None else place, kind=kind, sticky=sticky, bytes_left=torn
        )
        if kind == "power lost" and ended.status == -signal.SIGKILL:
            lose_power(self.trial, ended.unforced, rng)
        try:
            new = self.check(ended)
        except WrongError as error:
            where = f"{self.name}, {kind} at call {place} of {self.n_calls}, sticky {sticky}, torn {torn}: {error}"
            raise WrongError(where) from None
        said = {0: "done", 1: "failed and said so", 2: "refused and said so"}.get(ended.status, "killed")
        return f"{said}: {'new' if new else 'old'} and whole"

    def check(self, ended: Ended) -> bool:
        """Raise where a promise does not hold; return whether the new output was there before doing it again."""
        self.check_inputs()
        new = self.is_new()
        self.check_status(ended, new=new)
        again = broken(self.act, self.trial)
        if again.status not in self.again(new=new) or not self.is_new():
            raise WrongError(f"doing it again ended with {again.status}")
        self.check_inputs()
        if self.left_over():
            raise WrongError(f"left lying about: {self.left_over()}")
        return new

    def again(self, *, new: bool) -> tuple[int, ...]:  # noqa: ARG002 - some say no to a second time
        """Return the exit statuses that doing it again may end with."""
        return (0,)

    def check_inputs(self) -> None:
        """Raise where an input is not as it was, byte for byte."""
        now = contents(self.trial)
        for name, content in self.before.items():
            if self.is_input(name) and now.get(name) != content:
                raise WrongError(f"the input {name} was touched")


class Report(Work):
    """A report that replaces an older one, with a notebook that is ready: everything but the kernel."""

    name = "report"
    target = "campaign/report"

    def set_up(self) -> None:
        """Write inputs and an older output."""
        campaign = write_small_campaign(self.base / "campaign")
        self.notebook = ready_notebook("new")
        self.old = self.files(ready_notebook("old"))
        base_files.publish(campaign / "report", self.old)
        self.new = self.files(self.notebook)

    def files(self, notebook: Any) -> dict[str, bytes]:
        """Return what a report of this notebook holds."""
        job = ReportJob(
            source=self.trial / "campaign", folder=self.trial / "campaign" / "report",
            template=self.trial, cell_timeout_s=1,
        )  # fmt: skip
        return finished_files(job, notebook)

    def act(self) -> int:
        """Do it; return the exit status."""
        # In a child process: nobody else sees what is put in their place.
        execution.Kernels.begin = lambda _: None
        execution.execute_template = lambda *_, **__: self.notebook
        reports.finished_files = lambda *_: self.new
        return reports.exit_status(reports.report(self.trial / "campaign", template=self.trial / "none.ipynb"))

    def is_input(self, name: str) -> bool:
        """Whether a file of that name is only read."""
        return not name.startswith("campaign/report/")

    def is_new(self) -> bool:
        """Whether the new output is there, whole."""
        folder = self.trial / "campaign" / "report"
        found = {name: content for name, content in contents(folder).items() if not name.startswith(".")}
        if found not in (self.old, self.new):
            raise WrongError(f"the report is neither old nor new: {sorted(found)}")
        if (folder / ".failed").is_dir():
            status = json.loads((folder / ".failed" / "status.json").read_bytes())
            if status["state"] != "failed":
                raise WrongError(f"status.json of a failure says {status}")
        if json.loads(found["status.json"])["state"] != "ok":
            raise WrongError("status.json of a finished report does not say ok")
        return found == self.new

    def left_over(self) -> list[str]:
        """Return what lies about and is neither input nor output."""
        expected = {*ReportJob.files}
        beside = {entry.name for entry in (self.trial / "campaign").iterdir()}
        inside = {entry.name for entry in (self.trial / "campaign" / "report").iterdir()}
        return sorted((beside - {"campaign.yaml", "runs.csv", "logs", "report"}) | (inside - expected))


class FirstReport(Report):
    """A report where there was none."""

    name = "first report"

    def set_up(self) -> None:
        """Write inputs and an older output."""
        super().set_up()
        shutil.rmtree(self.base / "campaign" / "report")

    def is_new(self) -> bool:
        """Whether the new output is there, whole."""
        folder = self.trial / "campaign" / "report"
        if not folder.is_dir() or {entry.name for entry in folder.iterdir()} <= {base_files.FAILED, "..failed.new"}:
            return False
        return super().is_new()


class FailedReport(Report):
    """A report that fails beside an older one: its failure has to be told whole, or not at all."""

    name = "failed report"

    def act(self) -> int:
        """Do it; return the exit status."""

        def fails(*_: object, **__: object) -> None:
            failure = execution.ExecutionFailedError("died", 3, "the kernel died")
            failure.notebook = self.notebook
            raise failure

        execution.Kernels.begin = lambda _: None
        execution.execute_template = fails
        status = reports.exit_status(reports.report(self.trial / "campaign", template=self.trial / "none.ipynb"))
        return 0 if status == 1 else UNEXPECTED

    def is_new(self) -> bool:
        """Whether the new output is there, whole."""
        folder = self.trial / "campaign" / "report"
        found = {name: content for name, content in contents(folder).items() if not name.startswith(".")}
        if found != self.old:
            raise WrongError("the old report is not as it was")
        failed = folder / ".failed"
        if not failed.is_dir():
            return False
        if {entry.name for entry in failed.iterdir()} != {"status.json", "report.ipynb"}:
            raise WrongError("half a failure was told")
        json.loads((failed / "report.ipynb").read_bytes())
        if json.loads((failed / "status.json").read_bytes())["state"] not in ("died", "failed"):
            raise WrongError("status.json of a failure does not say so")
        return True

    def check_status(self, ended: Ended, *, new: bool) -> None:
        """Raise where the exit status does not tell the truth."""
        # A failed report has status 1 in any case; what could not be told beside it is part of its message.
        if ended.status not in (0, 1, -signal.SIGKILL):
            raise WrongError(f"exit status {ended.status}, told {new}")

    def left_over(self) -> list[str]:
        """Return what lies about and is neither input nor output."""
        return [name for name in super().left_over() if name != ".failed"]


class Filing(Work):
    """A campaign filed in an archive that holds another one."""

    name = "archive"

    def set_up(self) -> None:
        """Write inputs and an older output."""
        make_campaign(self.base / "campaign", files={"logs/long.csv": b"0,1\n" * 50_000})
        make_campaign(self.base / "first", cautions=["first"])
        archive(self.base / "first", to=self.base / "store")
        self.bags = {entry.name for entry in (self.base / "store").iterdir() if entry.is_dir()}

    def act(self) -> int:
        """Do it; return the exit status."""
        try:
            archive(self.trial / "campaign", to=self.trial / "store")
        except ArchiveError as error:
            return 3 if "filed as" in str(error) else 1
        return 0

    def is_input(self, name: str) -> bool:
        """Whether a file of that name is only read."""
        return name.startswith(("campaign/", "first/", *(f"store/{bag}/" for bag in self.bags)))

    def is_new(self) -> bool:
        """Whether the new output is there, whole."""
        store = self.trial / "store"
        found = verify(store)
        announced = archive_list.pending(store)
        allowed = {f"added: the bag {announced.bag}, which the list does not have"} if announced else set()
        if not all(check.ok for check in found.bags) or set(found.problems) - allowed:
            raise WrongError(found.summary())
        return len(archive_list.read_lines(store)[0]) == 2

    def check_status(self, ended: Ended, *, new: bool) -> None:
        """Raise where the exit status does not tell the truth."""
        if ended.status == 3:  # filed, and said that something went wrong right after
            ended = Ended(status=0, unforced=ended.unforced, calls=ended.calls)
        super().check_status(ended, new=new)

    def again(self, *, new: bool) -> tuple[int, ...]:
        """Return the exit statuses that doing it again may end with."""
        return (2,) if new else (0, 2)  # 2: it is filed already, perhaps since the killed filing was mended

    def left_over(self) -> list[str]:
        """Return what lies about and is neither input nor output."""
        # A page staged by a killed process is cleared by a filing an hour later: until then it may be at work.
        names = [entry.name for entry in (self.trial / "store").iterdir() if entry.name.startswith(".")]
        return [name for name in names if name != archive_list.LOCK and ".new-" not in name[1:]]


class Edit(Work):
    """A reason written into the run sheet."""

    name = "run-sheet edit"

    def set_up(self) -> None:
        """Write inputs and an older output."""
        write_small_campaign(self.base / "campaign")
        self.old = (self.base / "campaign" / "runs.csv").read_bytes()
        self.new = self.old.replace(b"logs/1.csv,,,,", b"logs/1.csv,,,the lid was open,")

    def act(self) -> int:
        """Do it; return the exit status."""
        exclude_run(self.trial / "campaign", "r1", "the lid was open")
        return 0

    def is_input(self, name: str) -> bool:
        """Whether a file of that name is only read."""
        return name != "campaign/runs.csv"

    def is_new(self) -> bool:
        """Whether the new output is there, whole."""
        found = (self.trial / "campaign" / "runs.csv").read_bytes()
        if found not in (self.old, self.new):
            raise WrongError("the run sheet is neither old nor new")
        for backup in (self.trial / "campaign").glob("runs.csv.bak-*"):
            if found == self.new and backup.read_bytes() not in (self.old, self.new):
                self.torn = backup.name
        if found == self.new and self.old not in [p.read_bytes() for p in (self.trial / "campaign").glob("*.bak-*")]:
            raise WrongError("the sheet was replaced and the one before is not kept")
        return found == self.new

    def left_over(self) -> list[str]:
        """Return what lies about and is neither input nor output."""
        known = {"campaign.yaml", "runs.csv", "logs"}
        names = sorted(entry.name for entry in (self.trial / "campaign").iterdir() if entry.name not in known)
        # An edit killed while it let go of its lock leaves that empty file: where nothing is to be written any more
        # nobody takes the lock again, and whoever edits next does.
        return [name for name in names if not name.startswith("runs.csv.bak-") and name != ".runs.csv.lock"]


WORKS = (Report, FirstReport, FailedReport, Filing, Edit)


def faults(scratch: Path, work: type[Work], cases: int, rng: random.Random) -> Counter[str]:
    """Break one thing in every way, so many times in all; return what became of it."""
    made = work(scratch)
    found: Counter[str] = Counter()
    for number in range(cases):
        kind = KINDS[number % len(KINDS)]
        found[f"{kind} -> {made.case(rng, kind)}"] += 1
    return found


# A real kernel -------------------------------------------------------------------------------------------------

KERNEL = {
    "kernel killed": ("import os, signal; os.kill(os.getpid(), signal.SIGKILL)", "died"),
    "cell timeout": ("import time; time.sleep(60)", "timeout"),
    "out of memory": (
        "import resource; resource.setrlimit(resource.RLIMIT_AS, (1 << 31, 1 << 31)); x = bytearray(1 << 33)",
        "failed",
    ),
}


def kernel_fault(scratch: Path, kind: str) -> None:
    """Let a real kernel fail in one way beside an older report, and check what is told."""
    code, state = KERNEL[kind]
    trial = scratch / "kernel trial"
    shutil.rmtree(trial, ignore_errors=True)
    trial.mkdir()
    campaign = write_small_campaign(trial / "campaign")
    base_files.publish(campaign / "report", {name: b"old " + name.encode() for name in ReportJob.files})
    before = contents(campaign)
    # Only what is to run out of time may: on a busy machine any cell may take a second.
    cell_timeout_s = 1 if state == "timeout" else 60
    (outcome,) = reports.report(campaign, template=small_template(trial, code), cell_timeout_s=cell_timeout_s)
    after = contents(campaign)
    status = json.loads(after["report/.failed/status.json"])
    if not outcome.state == status["state"] == state or reports.exit_status([outcome]) != 1:
        raise WrongError(f"{kind}: told {outcome.state} and {status}")
    if {name: after.get(name) for name in before} != before:
        raise WrongError(f"{kind}: the old report or an input was touched")
    if set(after) - set(before) != {"report/.failed/status.json", "report/.failed/report.ipynb"}:
        raise WrongError(f"{kind}: left {sorted(set(after) - set(before))}")


# Two at once ---------------------------------------------------------------------------------------------------


def at_once(work: Work, n_processes: int) -> Counter[int]:
    """Do the same thing in several processes at once; return how often each exit status came."""
    work.fresh()
    children = [FORK.Process(target=_alone, args=(work.act,)) for _ in range(n_processes)]
    for child in children:
        child.start()
    for child in children:
        child.join(60)
    work.check_inputs()
    if not work.is_new() or work.left_over():
        raise WrongError(f"{work.name} by {n_processes} at once: {work.left_over()}")
    return Counter(int(child.exitcode or 0) for child in children)


def _alone(action: Callable[[], int]) -> None:
    try:
        status = action()
    except (ThermlabError, OSError) as error:
        status = 2 if isinstance(error, InputError) else 1
    os._exit(status)


def main() -> None:
    """Run everything and print the figures."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--cases", type=int, default=200, help="for each thing, and for each way a kernel fails")
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--only", default="", help="a word of the name of what is broken")
    given = parser.parse_args()
    rng = random.Random(given.seed)  # noqa: S311 - cases are to be repeatable
    with tempfile.TemporaryDirectory() as place:
        scratch = Path(place).resolve()
        for work in WORKS:
            if given.only not in work.name:
                continue
            began = time.perf_counter()
            found = faults(scratch / work.__name__, work, given.cases, rng)
            print(f"{work.name}: {given.cases} faults in {time.perf_counter() - began:.0f} s, all as promised")
            for words, number in sorted(found.items()):
                print(f"    {number:4d}  {words}")
        for work in (Report, Filing, Edit):
            if given.only in work.name:
                made = work(scratch / f"{work.__name__} at once")
                ends = sum((at_once(made, 2) for _ in range(max(1, given.cases // 4))), Counter())
                print(f"{work.name}, two at once, {given.cases // 4} times: exit statuses {dict(sorted(ends.items()))}")
        for kind in KERNEL:
            if given.only in kind:
                for _ in range(given.cases):
                    kernel_fault(scratch, kind)
                print(f"{kind}: {given.cases} reports with a real kernel, each told as what it was, the old one kept")


if __name__ == "__main__":
    example_results({})  # the examples are importable: fail early where they are not
    main()
