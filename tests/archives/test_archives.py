"""Filing: whole or not at all, never over anything, the source only read; verifying: each damage named."""

import errno
import json
import multiprocessing
import os
import random
import re
import shutil
import signal
import subprocess
import time
from pathlib import Path

import bagit
import pytest
from archive_soundness import CALLS, assert_sound
from filed_examples import example_results, make_campaign, sha256, snapshot, write_report

from thermlab.archives import filing as archives
from thermlab.archives import listing as archive_list
from thermlab.archives.bags import MANIFEST, TAG_MANIFEST
from thermlab.archives.filing import archive
from thermlab.base.errors import ArchiveError, InputError
from thermlab.histories.findings import history
from thermlab.verifying.check import verify


@pytest.fixture
def campaign(tmp_path):
    return make_campaign(tmp_path / "grease or pad")


@pytest.fixture
def store(tmp_path):
    return tmp_path / "store"


def overwrite(path: Path, content: bytes) -> None:
    path.chmod(0o644)
    path.write_bytes(content)


def test_a_campaign_is_filed_whole_and_others_can_check_it(campaign, store):
    filed = archive(campaign, to=store)

    assert filed.bag == store / "grease-or-pad-2026-03-04"
    for place in campaign.rglob("*"):
        if place.is_file():
            name = place.relative_to(campaign)
            part = name if name.parts[0] == "report" else Path("campaign") / name
            assert (filed.bag / "data" / part).read_bytes() == place.read_bytes()
    assert json.loads((filed.bag / "data/settings.json").read_text(encoding="utf-8")) == {"margin_K": 1.0}
    assert "pydantic" in json.loads((filed.bag / "data/environment.json").read_text(encoding="utf-8"))["packages"]
    bagit.Bag(str(filed.bag)).validate()
    for listing in (MANIFEST, TAG_MANIFEST):
        subprocess.run(["sha256sum", "-c", "--strict", "--quiet", listing], cwd=filed.bag, check=True)
    assert verify(store).ok
    assert verify(filed.bag).ok
    assert archive_list.read_lines(store)[0][0].answers == ("pad-b: cooler, −1.21 [−2.00, −0.42] K",)


def test_the_source_is_only_read(campaign, store):
    before = snapshot(campaign)

    archive(campaign, to=store)

    assert snapshot(campaign) == before


def test_the_source_may_be_read_only(campaign, store):
    for place in sorted(campaign.rglob("*"), reverse=True):
        place.chmod(0o555 if place.is_dir() else 0o444)

    filed = archive(campaign, to=store)

    assert verify(filed.bag).ok


def test_the_same_report_is_not_filed_twice(campaign, store):
    first = archive(campaign, to=store)

    with pytest.raises(InputError, match=f"filed already as {first.bag.name}"):
        archive(campaign, to=store)


def test_a_new_report_of_the_same_day_gets_a_name_of_its_own(campaign, store):
    first = archive(campaign, to=store)
    before = snapshot(first.bag)
    results = json.loads((campaign / "report/results.json").read_text(encoding="utf-8"))
    write_report(campaign, results | {"cautions": ["again"]})

    second = archive(campaign, to=store)

    assert second.bag.name == f"{first.bag.name}-2"
    assert snapshot(first.bag) == before
    assert [entry.bag for entry in archive_list.read_lines(store)[0]] == [first.bag.name, second.bag.name]


@pytest.mark.parametrize("name", ["report.html", "report.ipynb", "results.json", "runs_reduced.csv", "status.json"])
def test_an_incomplete_report_is_refused_with_the_command_to_run(campaign, store, name):
    (campaign / "report" / name).unlink()

    with pytest.raises(InputError, match=f"no {name}.*run `thermlab report "):
        archive(campaign, to=store)
    assert not store.exists()


def test_pictures_are_filed_where_there_are_some_and_nothing_else_is(campaign, store):
    (campaign / "report" / "picture-traces-2.svg").write_text("<svg/>", encoding="utf-8")
    (campaign / "report" / "notes.txt").write_text("mine", encoding="utf-8")

    bag = archive(campaign, to=store).bag

    assert (bag / "data/report/picture-traces-2.svg").read_text(encoding="utf-8") == "<svg/>"
    assert not (bag / "data/report/notes.txt").exists()


def test_every_input_that_changed_since_the_report_is_named(campaign, store):
    (campaign / "runs.csv").write_bytes(b"run,treatment\nr1,grease-a\n")
    (campaign / "logs/run 1.csv").unlink()

    with pytest.raises(InputError) as caught:
        archive(campaign, to=store)

    found = {problem.where: problem.found for problem in caught.value.problems}
    assert found["runs.csv"] == "changed since the report was made"
    assert found["logs/run 1.csv"] == "missing since the report was made"
    assert all("thermlab report" in problem.allowed for problem in caught.value.problems)


def test_a_failed_report_is_refused(campaign, store):
    (campaign / "report/status.json").write_text('{"state": "died"}', encoding="utf-8")

    with pytest.raises(InputError, match="state 'died'"):
        archive(campaign, to=store)


def test_an_anonymous_report_is_refused(campaign, store):
    write_report(campaign, example_results({"campaign.yaml": sha256(b"title: Grease or pad\n"), "file 1": "0" * 64}))

    with pytest.raises(InputError, match="an anonymous report"):
        archive(campaign, to=store)


def test_links_and_devices_in_the_campaign_are_all_refused(campaign, store, tmp_path):
    (tmp_path / "secret").write_bytes(b"secret")
    (campaign / "logs/link.csv").symlink_to(tmp_path / "secret")
    (campaign / "photos").symlink_to(tmp_path)
    os.mkfifo(campaign / "pipe")

    with pytest.raises(InputError) as caught:
        archive(campaign, to=store)

    assert {problem.where for problem in caught.value.problems} == {"logs/link.csv", "photos", "pipe"}
    assert not store.exists()


def test_an_input_put_under_a_link_is_refused(campaign, store, tmp_path):
    (tmp_path / "elsewhere.csv").write_bytes((campaign / "logs/run 1.csv").read_bytes())
    (campaign / "logs/run 1.csv").unlink()
    (campaign / "logs/run 1.csv").symlink_to(tmp_path / "elsewhere.csv")

    with pytest.raises(InputError, match="a symbolic link"):
        archive(campaign, to=store)


def test_the_archive_may_not_lie_in_the_source(campaign):
    with pytest.raises(InputError, match="inside the source"):
        archive(campaign, to=campaign / "store")


def test_a_folder_with_other_things_is_no_archive(campaign, store):
    store.mkdir()
    (store / "letter.txt").write_text("private", encoding="utf-8")

    with pytest.raises(InputError, match=r"holds letter\.txt"):
        archive(campaign, to=store)


def test_a_folder_that_is_no_campaign_is_refused(tmp_path, store):
    (tmp_path / "empty").mkdir()

    with pytest.raises(InputError, match=r"neither campaign\.yaml nor build\.yaml"):
        archive(tmp_path / "empty", to=store)


def test_hidden_names_are_left_out_and_said(campaign, store):
    (campaign / ".git").mkdir()
    (campaign / ".thermlab").mkdir()

    filed = archive(campaign, to=store)

    assert filed.left_out == (".git",)
    assert "not filed: .git" in filed.summary()


def test_names_with_percent_and_line_breaks_are_filed(tmp_path, store):
    campaign = make_campaign(
        tmp_path / "odd", files={"logs/100%.csv": b"1", "logs/a\nb.csv": b"2", "photos/=cmd|'.jpg": b"3"}
    )

    filed = archive(campaign, to=store)

    assert verify(filed.bag).ok
    assert (filed.bag / "data/campaign/logs/a\nb.csv").read_bytes() == b"2"


def file_five(tmp_path: Path, store: Path) -> list[str]:
    names = []
    for number in range(5):
        folder = make_campaign(tmp_path / f"c{number}", cautions=[str(number)])
        names.append(archive(folder, to=store).bag.name)
    return names


def test_a_removed_bag_is_missing(tmp_path, store):
    names = file_five(tmp_path, store)
    shutil.rmtree(store / names[2])

    found = verify(store)

    assert not found.ok
    assert found.problems == (f"missing: the bag {names[2]}, which the list has",)


@pytest.mark.parametrize("name", ["bagit.txt", "bag-info.txt", MANIFEST, TAG_MANIFEST])
def test_a_bag_that_lost_one_of_its_lists_is_still_looked_at(tmp_path, store, name):
    names = file_five(tmp_path, store)
    (store / names[3] / name).unlink()

    found = verify(store)

    assert not found.ok
    assert name in found.summary()
    assert names[3] in found.summary()


def test_an_added_bag_is_named(tmp_path, store):
    names = file_five(tmp_path, store)
    shutil.copytree(store / names[0], store / "forged")

    assert verify(store).problems == ("added: the bag forged, which the list does not have",)
    assert verify(store / "forged").problems == ("added: the bag forged, which the list does not have",)


def test_a_bag_replaced_by_a_consistent_other_one_is_named(tmp_path, store):
    names = file_five(tmp_path, store)
    shutil.rmtree(store / names[1])
    shutil.copytree(store / names[0], store / names[1])

    assert all(check.ok for check in verify(store).bags)
    assert verify(store).problems == (
        f"replaced: the bag {names[1]} is not the one that was listed (tagmanifest-sha256.txt differs)",
    )


def test_a_line_taken_out_of_the_list_breaks_the_chain(tmp_path, store):
    names = file_five(tmp_path, store)
    lines = (store / "bags.jsonl").read_bytes().splitlines(keepends=True)
    (store / "bags.jsonl").write_bytes(b"".join(lines[:2] + lines[3:]))

    problems = verify(store).problems

    assert any(f"the line of '{names[3]}'" in problem and "does not follow" in problem for problem in problems)
    assert f"added: the bag {names[2]}, which the list does not have" in problems


def test_an_edited_line_breaks_the_chain(tmp_path, store):
    file_five(tmp_path, store)
    content = (store / "bags.jsonl").read_bytes()
    (store / "bags.jsonl").write_bytes(content.replace(b'"title": "Grease or pad"', b'"title": "Grease is best"', 1))

    assert any("does not follow" in problem for problem in verify(store).problems)


def test_a_list_rewritten_from_its_start_shows_only_against_a_kept_hash(tmp_path, store):
    file_five(tmp_path, store)
    kept = verify(store).last_sha256
    entries, _, _ = archive_list.read_lines(store)
    (store / "bags.jsonl").unlink()
    previous = archive_list.NO_LINE
    for entry in entries[:4]:
        previous = archive_list.append(store, entry.model_copy(update={"previous": previous}))
    shutil.rmtree(store / entries[4].bag)

    assert verify(store).ok
    assert not verify(store, last=kept).ok
    assert "kept elsewhere" in verify(store, last=kept).problems[0]


def test_a_list_that_is_gone_is_a_problem(tmp_path, store):
    file_five(tmp_path, store)
    (store / "bags.jsonl").unlink()

    assert "bags.jsonl is missing" in verify(store).problems


def test_nothing_is_filed_on_top_of_a_damaged_list(campaign, store, tmp_path):
    file_five(tmp_path, store)
    content = (store / "bags.jsonl").read_bytes()
    (store / "bags.jsonl").write_bytes(content[:-20])
    before = snapshot(store)

    with pytest.raises(ArchiveError, match="damaged"):
        archive(campaign, to=store)
    after = snapshot(store)
    assert {name: state[2] for name, state in after.items()} == {name: state[2] for name, state in before.items()}


@pytest.mark.parametrize("line", [b"[]", b"{}", b"\xff", b'{"bag": "../../etc"}', b"[" * 100_000])
def test_a_list_with_nonsense_is_a_problem_and_no_crash(tmp_path, store, line):
    file_five(tmp_path, store)
    with (store / "bags.jsonl").open("ab") as file:
        file.write(line + b"\n")

    assert "bags.jsonl:6: not a line of the list of bags" in verify(store).problems


def test_a_name_in_the_list_cannot_leave_the_archive(store, tmp_path):
    file_five(tmp_path, store)
    text = (store / "bags.jsonl").read_text(encoding="utf-8").splitlines()[0]
    (store / "bags.jsonl").write_text(json.dumps(json.loads(text) | {"bag": "../c0"}) + "\n", encoding="utf-8")

    assert "bags.jsonl:1: not a line of the list of bags" in verify(store).problems


# Faults ------------------------------------------------------------------------------------------------------------


def count_calls(monkeypatch, stop_at=None, stop=None):
    """Count the calls that change a disk, and let one of them fail."""
    calls = []

    def wrap(name, original):
        def counted(*args, **kwargs):
            calls.append(name)
            if stop_at is not None and len(calls) == stop_at:
                stop()
            return original(*args, **kwargs)

        return counted

    for name in CALLS:
        monkeypatch.setattr(os, name, wrap(name, getattr(os, name)))
    return calls


def total_calls(tmp_path, monkeypatch):
    """Return how many disk-changing calls one filing makes."""
    with monkeypatch.context() as patch:
        calls = count_calls(patch)
        archive(make_campaign(tmp_path / "dry run"), to=tmp_path / "dry store")
    return len(calls)


def test_a_full_disk_at_any_write_leaves_nothing_behind_and_says_so(tmp_path, monkeypatch, campaign, store):
    archive(make_campaign(tmp_path / "first", cautions=["first"]), to=store)
    before = {entry.name for entry in store.iterdir() if entry.is_dir()}
    n_calls = total_calls(tmp_path, monkeypatch)
    source = snapshot(campaign)

    def full():
        raise OSError(errno.ENOSPC, "No space left on device")

    outcomes = set()
    for place in random.Random(1).sample(range(1, n_calls + 1), 24):
        shutil.rmtree(tmp_path / "trial", ignore_errors=True)
        trial = shutil.copytree(store, tmp_path / "trial")
        with monkeypatch.context() as patch:
            count_calls(patch, place, full)
            try:
                archive(campaign, to=trial)
                said = "filed"
            except (ArchiveError, InputError) as error:
                said = "filed" if "filed as" in str(error) else "refused"
        assert said == ("filed" if len(archive_list.read_lines(trial)[0]) == 2 else "refused")
        outcomes.add(said)
        assert_sound(trial, before)
        assert snapshot(campaign) == source
        if said == "refused":
            archive(campaign, to=trial)
        found = verify(trial)
        assert found.ok, found.summary()
        assert len(found.bags) == 2
        assert not [entry.name for entry in trial.iterdir() if entry.name.startswith(".new-")]
    assert "refused" in outcomes


def run_and_kill(campaign: Path, store: Path, place: int) -> None:
    """Be killed without warning at the given disk-changing call (runs in a child process)."""
    patch = pytest.MonkeyPatch()
    count_calls(patch, place, lambda: os.kill(os.getpid(), signal.SIGKILL))
    archive(campaign, to=store)


def test_a_kill_at_any_write_leaves_no_bag_or_a_whole_one(tmp_path, monkeypatch, campaign, store):
    archive(make_campaign(tmp_path / "first", cautions=["first"]), to=store)
    before = {entry.name for entry in store.iterdir() if entry.is_dir()}
    n_calls = total_calls(tmp_path, monkeypatch)
    source = snapshot(campaign)
    fork = multiprocessing.get_context("fork")
    # The last calls are where the bag is renamed, announced, listed and shown: all of them, and a sample of the rest.
    places = sorted({*range(n_calls - 16, n_calls + 1), *random.Random(2).sample(range(1, n_calls - 16), 4)})

    for place in places:
        shutil.rmtree(tmp_path / "trial", ignore_errors=True)
        trial = shutil.copytree(store, tmp_path / "trial")
        child = fork.Process(target=run_and_kill, args=(campaign, trial, place))
        child.start()
        child.join(30)
        assert child.exitcode in {-signal.SIGKILL, 0}
        assert_sound(trial, before)
        assert snapshot(campaign) == source
        try:
            archive(campaign, to=trial)
        except InputError as error:
            assert "filed already" in str(error)  # noqa: PT017 - both outcomes are right, depending on the instant
        found = verify(trial)
        assert found.ok, found.summary()
        assert len(found.bags) == 2
        assert not found.notes


def test_kills_at_random_instants_leave_no_bag_or_a_whole_one(tmp_path, campaign, store):
    fork = multiprocessing.get_context("fork")
    rng = random.Random(3)
    began = time.perf_counter()
    archive(campaign, to=store)
    needed_s = time.perf_counter() - began

    for number in range(8):
        trial = store.with_name(f"store{number}")
        child = fork.Process(target=archive, args=(campaign,), kwargs={"to": trial})
        child.start()
        time.sleep(rng.uniform(0.0, 1.5 * needed_s))
        child.kill()
        child.join(30)
        assert_sound(trial, set())
        try:
            archive(campaign, to=trial)
        except InputError as error:
            assert "filed already" in str(error)  # noqa: PT017 - both outcomes are right, depending on the instant
        assert verify(trial).ok
        assert len(verify(trial).bags) == 1


def file_one(campaign: Path, store: Path) -> None:
    archive(campaign, to=store)


def test_two_commands_at_once_do_not_harm_the_archive(tmp_path, store):
    campaigns = [make_campaign(tmp_path / "same name" / str(n) / "pads", cautions=[str(n)]) for n in range(8)]
    fork = multiprocessing.get_context("fork")
    children = [fork.Process(target=file_one, args=(campaign, store)) for campaign in campaigns]

    for child in children:
        child.start()
    for child in children:
        child.join(60)

    found = verify(store)
    assert [child.exitcode for child in children] == [0] * 8
    assert found.ok, found.summary()
    assert len(found.bags) == 8
    assert not found.notes


def test_an_archive_without_write_permission_is_refused(campaign, store, monkeypatch):
    store.mkdir()

    def denied(*args, **kwargs):
        raise PermissionError(errno.EACCES, "Permission denied")

    monkeypatch.setattr(os, "mkdir", denied)

    with pytest.raises(ArchiveError, match=r"nothing was filed .*Permission denied"):
        archive(campaign, to=store)


def test_what_another_user_staged_is_left_and_told_and_does_not_stop_a_filing(campaign, store, monkeypatch):
    (store / ".new-grease-or-pad-2026-03-04").mkdir(parents=True)

    def denied(*args, **kwargs):
        raise PermissionError(errno.EACCES, "Permission denied")

    monkeypatch.setattr(archives, "_remove", denied)

    archive(campaign, to=store)

    found = verify(store)
    assert found.ok
    assert len(found.bags) == 1
    assert ".new-grease-or-pad-2026-03-04 is left from a filing cut short" in found.notes[0]


def test_an_input_that_changes_while_it_is_copied_is_noticed(campaign, store, monkeypatch):
    original = archives.copy_file

    def changing(source, target):
        if source.name == "runs.csv":
            source.write_bytes(b"changed meanwhile")
        return original(source, target)

    monkeypatch.setattr(archives, "copy_file", changing)

    with pytest.raises(ArchiveError, match=r"runs\.csv changed while it was being filed"):
        archive(campaign, to=store)
    assert [entry.name for entry in store.iterdir() if not entry.name.startswith(".")] == []


# The first version ---------------------------------------------------------------------------------------------------

OLD = Path(__file__).parents[1] / "data" / "archive_v1"


def test_the_archive_of_the_first_version_is_whole():
    before = snapshot(OLD)

    found = verify(OLD, last="8439e57ed61711c5460029a4d7691c34358e778296b23bd69ea1705ef020056d")

    assert found.ok, found.summary()
    assert snapshot(OLD) == before


def test_results_of_the_first_version_are_read():
    found = history(OLD)

    assert (found.n_campaigns, found.left_out) == (1, ())
    assert found.benches[0].dof == 2
    assert found.across[0].studies[0].difference_K_per_W == pytest.approx(-2.179451454826051 / 110.0, rel=1e-12)


def test_the_first_version_is_recomputed_and_whatever_moved_is_stated():
    """Later versions may move numbers, never take a key away; a verdict here would be news for the changelog."""
    result = verify(OLD, recompute=True).recomputed[0]

    assert result.reason is None
    assert result.filed_version == "0.1.0"
    assert result.n_numbers > 300
    # A caution is a sentence, not a number: a later version may say it otherwise or no longer need it.
    # Nor is every run that stops early, as planned, noted as not settled any more.
    allowed = re.compile(r"caution|flags\[not settled\]$")
    gone = [moved.where for moved in result.moved if moved.new == "absent" and not allowed.search(moved.where)]
    assert gone == []
    assert all(moved.old != moved.new for moved in result.moved)
    assert "pad-b" not in [moved.old for moved in result.moved]
    difference = [m for m in result.moved if m.where == "comparison.treatments[pad-b].difference_K"]
    assert all(abs(moved.new - moved.old) < 0.1 for moved in difference)
