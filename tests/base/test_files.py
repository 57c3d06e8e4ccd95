"""The one lock and the one way to put a file in place: for two people of one group, on any system, through no link."""

import errno
import os
import subprocess
import sys
import time

import pytest
from filed_examples import make_campaign

from thermlab.archives import listing as archive_list
from thermlab.archives.filing import archive
from thermlab.base.errors import ArchiveError, ThermlabError
from thermlab.base.files import clear_leftovers, held, read_plain, read_regular, replace_file, write_file
from thermlab.verifying.check import verify

BUSY = ThermlabError("busy")
WITHOUT_FCNTL = """
import sys
sys.modules["fcntl"] = None
import importlib, pkgutil
import thermlab.archives, thermlab.base, thermlab.verifying
for package in (thermlab.archives, thermlab.base, thermlab.verifying):
    for found in pkgutil.iter_modules(package.__path__):
        importlib.import_module(f"{package.__name__}.{found.name}")
"""
LOCKED = """
import sys
from pathlib import Path
from thermlab.base.errors import ThermlabError
from thermlab.base.files import held
with held(Path(sys.argv[1]), busy=ThermlabError("busy")):
    print("in", flush=True)
    sys.stdin.read()
"""


def test_archives_are_imported_and_verified_where_there_is_no_fcntl(tmp_path):
    archive(make_campaign(tmp_path / "campaign"), to=tmp_path / "store")
    code = f"{WITHOUT_FCNTL}\nassert thermlab.verify({str(tmp_path / 'store')!r}).ok"

    subprocess.run([sys.executable, "-c", code], check=True)


def test_filing_takes_its_lock_from_the_library_and_needs_no_fcntl_of_its_own(tmp_path):
    # The library takes its lock first, as it does on any system; then nothing of ours may ask for fcntl.
    campaign = make_campaign(tmp_path / "campaign")
    code = (
        f"import filelock\n{WITHOUT_FCNTL}\n"
        f"print(thermlab.archive({str(campaign)!r}, to={str(tmp_path / 'store')!r}).last_sha256)"
    )

    done = subprocess.run([sys.executable, "-c", code], check=True, capture_output=True, text=True)

    assert done.stdout.strip() == verify(tmp_path / "store").last_sha256


@pytest.mark.parametrize(("folder", "file"), [(0o700, 0o600), (0o755, 0o644), (0o770, 0o660), (0o2775, 0o664)])
def test_whoever_may_write_in_the_folder_may_hold_the_lock(tmp_path, folder, file):
    tmp_path.chmod(folder)
    before = os.umask(0o077)
    try:
        with held(tmp_path / ".lock", busy=BUSY):
            assert (tmp_path / ".lock").stat().st_mode & 0o777 == file
    finally:
        os.umask(before)


def test_a_lock_is_for_one_at_a_time_and_survives_no_process(tmp_path):
    code = [sys.executable, "-c", LOCKED, str(tmp_path / ".lock")]
    other = subprocess.Popen(code, stdin=subprocess.PIPE, stdout=subprocess.PIPE, text=True)
    assert other.stdout.readline() == "in\n"
    began = time.monotonic()
    with pytest.raises(ThermlabError, match="busy"), held(tmp_path / ".lock", busy=BUSY, wait_s=0.2):
        pass
    assert time.monotonic() - began >= 0.2

    other.kill()
    other.communicate()

    with held(tmp_path / ".lock", busy=BUSY):
        pass


def test_who_waits_is_served_when_the_other_lets_go(tmp_path):
    code = [sys.executable, "-c", LOCKED, str(tmp_path / ".lock")]
    other = subprocess.Popen(code, stdin=subprocess.PIPE, stdout=subprocess.PIPE, text=True)
    assert other.stdout.readline() == "in\n"
    other.stdin.close()

    with held(tmp_path / ".lock", busy=BUSY, wait_s=30.0):
        pass

    other.wait()
    other.stdout.close()


@pytest.mark.parametrize("there", [True, False])
def test_a_link_in_the_place_of_a_lock_makes_and_touches_nothing(tmp_path, there):
    elsewhere = tmp_path / "elsewhere"
    if there:
        elsewhere.write_text("mine")
        elsewhere.chmod(0o600)
    (tmp_path / ".lock").symlink_to(elsewhere)

    with pytest.raises(OSError, match=r"(?i)symbolic link"), held(tmp_path / ".lock", busy=BUSY, needed=False):
        pass

    assert elsewhere.exists() == there
    assert not there or (elsewhere.read_text(), elsewhere.stat().st_mode & 0o777) == ("mine", 0o600)


def without_locks(monkeypatch):
    def refuse(*_):
        raise OSError(37, "No locks available")

    monkeypatch.setattr("filelock.FileLock.acquire", refuse)


def test_a_drive_without_locks_is_refused_by_an_archive_and_no_other(tmp_path, monkeypatch):
    without_locks(monkeypatch)
    (tmp_path / "store").mkdir()

    with held(tmp_path / ".lock", busy=BUSY, needed=False):
        pass
    with pytest.raises(ArchiveError, match="No locks available"):
        archive(make_campaign(tmp_path / "campaign"), to=tmp_path / "store")
    assert not (tmp_path / "store" / archive_list.LIST).exists()


def test_a_replaced_file_keeps_its_rights(tmp_path):
    (tmp_path / "list").write_bytes(b"old")
    (tmp_path / "list").chmod(0o664)

    replace_file(tmp_path / "list", b"new")

    assert (tmp_path / "list").stat().st_mode & 0o777 == 0o664


def test_what_a_killed_process_staged_is_cleared_and_nothing_else(tmp_path):
    for name in (".runs.csv.new-4711", ".runs.csv.new", ".runs.csv.old"):
        (tmp_path / name).write_bytes(b"half")
    mine = {"runs.csv", ".runs.csv.newer", ".runs.csv.new-mine", ".runsXcsv.new"}
    for name in mine:
        (tmp_path / name).write_bytes(b"mine")

    clear_leftovers(tmp_path / "runs.csv")

    assert {entry.name for entry in tmp_path.iterdir()} == mine


def test_both_readers_stop_at_the_limit_and_only_one_follows_a_link(tmp_path):
    (tmp_path / "file").write_bytes(b"1234")
    (tmp_path / "link").symlink_to("file")

    assert read_regular(tmp_path / "file", 4) == read_plain(tmp_path / "link", 4) == b"1234"
    with pytest.raises(OSError, match="more than 3 bytes"):
        read_regular(tmp_path / "file", 3)
    with pytest.raises(Exception, match="more than 3 bytes"):
        read_plain(tmp_path / "link", 3)
    with pytest.raises(OSError, match=r"(?i)symbolic link"):
        read_regular(tmp_path / "link", 4)


def test_a_full_disk_leaves_no_half_of_a_file(tmp_path, monkeypatch):
    def full(handle):
        raise OSError(errno.ENOSPC, "No space left on device")

    monkeypatch.setattr(os, "fsync", full)

    with pytest.raises(OSError, match="No space left"):
        write_file(tmp_path / "runs.csv.bak-1", b"run,treatment\n")
    assert list(tmp_path.iterdir()) == []
