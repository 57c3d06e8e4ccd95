"""The commands for finished work: what they print, and their exit status."""

import shutil
from pathlib import Path

import pytest
from build_examples import make_build, make_reference
from click.testing import CliRunner
from filed_examples import make_campaign

from thermlab.cli import main

OLD = Path(__file__).parents[1] / "data" / "archive_v1"


def run(*arguments):
    return CliRunner().invoke(main, [str(argument) for argument in arguments])


def test_filing_and_verifying_say_what_they_did(tmp_path):
    filed = run("archive", make_campaign(tmp_path / "c"), "--to", tmp_path / "store")
    checked = run("verify", tmp_path / "store")

    assert filed.exit_code == checked.exit_code == 0
    assert "filed 11 files" in filed.stdout
    last = filed.stdout.rsplit(" ", 1)[1].strip()
    assert len(last) == 64
    assert f"last hash of the list: {last}" in checked.stdout
    assert run("verify", tmp_path / "store", "--last", last).exit_code == 0
    assert run("verify", tmp_path / "store", "--last", "0" * 64).exit_code == 1


def test_damage_is_named_with_exit_status_one(tmp_path):
    store = Path(shutil.copytree(OLD, tmp_path / "store"))
    place = next(store.glob("*/data/campaign/runs.csv"))
    place.chmod(0o644)
    place.write_bytes(place.read_bytes() + b"\n")

    found = run("verify", store)

    assert found.exit_code == 1
    assert "changed: data/campaign/runs.csv" in found.stderr


def test_bad_input_has_exit_status_two_and_some_of_several_one(tmp_path):
    campaign = make_campaign(tmp_path / "c")

    assert run("archive", tmp_path / "none", "--to", tmp_path / "store").exit_code == 2
    some = run("archive", campaign, tmp_path / "none", "--to", tmp_path / "store")
    again = run("archive", campaign, "--to", tmp_path / "store")

    assert some.exit_code == 1
    assert f"{tmp_path / 'none'}: " in some.stderr
    assert again.exit_code == 2
    assert "filed already" in again.stderr
    assert run("verify", tmp_path / "none").exit_code == 2
    assert run("history", tmp_path / "none").exit_code == 2


def test_history_prints_and_writes_a_page_that_the_index_links_to(tmp_path):
    store = Path(shutil.copytree(OLD, tmp_path / "store"))

    told = run("history", store)

    assert told.exit_code == 0
    assert "prior: {mount_sd_K_per_W:" in told.stdout
    assert (store / "history.html").is_file()
    assert 'href="history.html"' in (store / "index.html").read_text(encoding="utf-8")
    assert run("verify", store).exit_code == 0


@pytest.mark.parametrize(("least_W", "verdict"), [(60, "pass"), (200, "fail")])
def test_a_record_says_its_verdict_and_where_it_is(tmp_path, least_W, verdict):
    make_reference(tmp_path / "campaign")
    customer = {"room_C": 30, "temperature_C": 85}
    build = make_build(tmp_path / "build", customer=customer, acceptance={"least_throttle_power_W": least_W})

    told = run("record", build)

    assert told.exit_code == 0
    assert told.stdout.startswith(f"{verdict}: ")
    assert str(build / "record/record.html") in told.stdout


def test_a_record_of_nothing_is_bad_input(tmp_path):
    told = run("record", tmp_path / "none")

    assert told.exit_code == 2
    assert "allowed: a build folder" in told.stderr
