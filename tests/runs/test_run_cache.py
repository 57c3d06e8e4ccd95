"""Reduced runs kept beside the campaign: never anything but what the logs say, and no log read for nothing."""

import dataclasses
import os
import shutil
from dataclasses import replace

import numpy as np
import pytest
import yaml

from thermlab.base.errors import InputError
from thermlab.campaign.folder import load_campaign
from thermlab.campaign.settings import CampaignSettings
from thermlab.compare.analysis import analyse
from thermlab.reports.results import to_results
from thermlab.runs import run_cache
from thermlab.runs.cache_seals import key_file, sealed, unsealed
from thermlab.runs.reading import read_campaign_logs
from thermlab.runs.run_cache import DECISION_ONLY, MAX_ENTRIES
from thermlab.runs.settled_runs import settle_runs
from thermlab.runs.spool import Spool
from thermlab.simulate.ladders import simulate_campaign
from thermlab.simulate.logs import LogDialect, write_campaign
from thermlab.simulate.network import passive_bench
from thermlab.simulate.readings import Disturbance
from thermlab.simulate.records import SimulatedTreatment

TREATMENTS = tuple(
    SimulatedTreatment(name=name, resistance_K_per_W=r, mount_sd_K_per_W=0.003)
    for name, r in (("grease-a", 0.15), ("paste-c", 0.11))
)


@pytest.fixture(scope="module")
def plain(tmp_path_factory):
    """A campaign with a disturbed run, one that sheds power and a room file, and what it gives without a cache."""
    campaign = simulate_campaign(
        passive_bench(limit_C=75.0),
        TREATMENTS,
        steps_W=(40.0, 70.0, 105.0),
        rng=np.random.default_rng(4),
        n_mounts=2,
        soak_min=25.0,
        interval_s=5.0,
        disturbances={("paste-c", 1, 1): [Disturbance(kind="airflow", start_min=10.0, end_min=18.0, size=1.5)]},
    )
    folder = tmp_path_factory.mktemp("cache") / "campaign"
    write_campaign(folder, campaign, dialect=LogDialect(room="own file", files="run"))
    return folder, analyse(folder, use_cache=False)


@pytest.fixture
def folder(plain, tmp_path):
    """A copy without any entry."""
    return shutil.copytree(plain[0], tmp_path / "campaign", ignore=shutil.ignore_patterns(".thermlab"))


def bits(value):
    """Return every number of a result to its last bit, with all structure."""
    if isinstance(value, np.ndarray):
        return (value.shape, value.dtype.str, value.tobytes())
    if isinstance(value, float):
        return float(value).hex()
    if dataclasses.is_dataclass(value) and not isinstance(value, type):
        return {field.name: bits(getattr(value, field.name)) for field in dataclasses.fields(value)}
    if isinstance(value, dict):
        return {key: bits(item) for key, item in value.items()}
    if isinstance(value, (list, tuple)):
        return [bits(item) for item in value]
    return value


def everything(analysis):
    found = bits(dataclasses.replace(analysis, campaign=None))
    results = to_results(analysis)
    results.pop("created")
    return found, bits(results)


def entries(folder):
    return sorted((folder / ".thermlab" / "runs").glob("*"))


@pytest.fixture
def no_log_is_read(monkeypatch):
    def refuse(*_, **__):
        raise AssertionError("a log was read")

    monkeypatch.setattr("thermlab.runs.reading.read_log", refuse)
    monkeypatch.setattr("thermlab.runs.reading.read_room_log", refuse)


def test_results_are_the_same_bit_for_bit_with_and_without(plain, folder):
    expected = everything(plain[1])
    first = analyse(folder)
    assert len(entries(folder)) == 1
    again = analyse(folder)

    assert everything(first) == expected
    assert everything(again) == expected
    assert any(run.flags for run in again.runs)
    assert any(run.held for run in again.runs)


@pytest.mark.parametrize(
    "tried", [{"margin_K": 3.0}, {"room_C": 20.0}, {"confidence_level": 0.9}, {"reference_power_W": 70.0}]
)
def test_another_margin_room_level_or_reference_reads_no_log(folder, request, tried):
    expected = everything(analyse(folder, use_cache=False, **tried))
    analyse(folder)
    request.getfixturevalue("no_log_is_read")

    assert everything(analyse(folder, **tried)) == expected


def test_what_is_left_out_of_the_key_cannot_change_a_reduced_run(folder):
    campaign = load_campaign(folder)
    written = campaign.settings.model_dump(mode="json")
    other = written | {
        "title": "another", "bench": "another", "currency": "CHF", "baseline": "paste-c",
        "decision": {"margin_K": 7.0, "reference_power_W": 40.0, "confidence_level": 0.8, "mounts_planned": 9},
        "prior": {"mount_sd_K_per_W": 0.006, "dof": 12, "source": "a test"},
        "analysis": {"variance": "pooled", "order_covariate": True},
        "limits": written["limits"] | {"room_C": 11.0},
        "treatments": {name: {"pack_price": 99.0, "uses_per_pack": 1} for name in written["treatments"]},
    }  # fmt: skip
    assert set(DECISION_ONLY) <= set(other)
    changed = dataclasses.replace(campaign, settings=CampaignSettings(**other))
    traces = read_campaign_logs(campaign).traces

    assert bits(settle_runs(changed, traces)) == bits(settle_runs(campaign, traces))


def test_every_other_setting_is_in_the_key(folder):
    campaign = load_campaign(folder)
    key = run_cache._key(campaign, campaign.sha256)
    written = campaign.settings.model_dump(mode="json")
    changes = [
        {"cooling": "forced"}, {"measurand": "mean"}, {"soak": {"minutes": 26.0}},
        {"limits": written["limits"] | {"temperature_C": 79.0}},
        {"uncertainty": written["uncertainty"] | {"power_u_percent": 2.0}},
        {"ambient_log": written["ambient_log"] | {"clock_offset_s": 1.0}},
        {"log": written["log"] | {"missing": ["x"]}},
        {"checks": written["checks"] | {"settled_left_K": 0.6}},
    ]  # fmt: skip
    keys = {
        run_cache._key(dataclasses.replace(campaign, settings=CampaignSettings(**written | change)), campaign.sha256)
        for change in changes
    }
    assert len(keys | {key}) == len(changes) + 1
    assert set(written) - set(DECISION_ONLY) - {name for change in changes for name in change} == {"ambient_constant"}


def test_a_log_changed_in_one_digit_is_read_again(folder):
    before = analyse(folder)
    log = min((folder / "logs").glob("*grease*"))
    raw = log.read_bytes()
    at = raw.rindex(b".") - 1
    status = log.stat()
    log.write_bytes(raw[:at] + (b"9" if raw[at : at + 1] != b"9" else b"8") + raw[at + 1 :])
    os.utime(log, ns=(status.st_atime_ns, status.st_mtime_ns))  # the same size and the same time

    after = analyse(folder)
    assert after.sha256 != before.sha256
    assert everything(after) == everything(analyse(folder, use_cache=False))


def test_a_changed_run_sheet_is_obeyed(folder):
    analyse(folder)
    sheet = folder / "runs.csv"
    lines = sheet.read_text().splitlines()
    cells = lines[1].split(",")
    cells[lines[0].split(",").index("exclude")] = "the door stood open"
    sheet.write_text("\n".join([lines[0], ",".join(cells), *lines[2:]]) + "\n")

    assert everything(analyse(folder)) == everything(analyse(folder, use_cache=False))


def limit_written(folder, temperature_C):
    """Write another limit into the campaign, and return its text as it was."""
    path = folder / "campaign.yaml"
    text = path.read_text()
    data = yaml.safe_load(text)
    data["limits"]["temperature_C"] = temperature_C
    path.write_text(yaml.safe_dump(data, sort_keys=False))
    return text


def test_a_limit_that_is_tried_needs_no_entry_of_its_own(folder):
    analyse(folder)
    analyse(folder, temperature_C=79.0)
    assert len(entries(folder)) == 1


@pytest.mark.parametrize("damage", ["cut", "flipped", "empty", "text", "other key", "link"])
def test_a_damaged_entry_is_passed_over_and_replaced(plain, folder, damage):
    expected = everything(plain[1])
    analyse(folder)
    (entry,) = entries(folder)
    raw = entry.read_bytes()
    if damage == "other key":
        written = limit_written(folder, 79.0)
        analyse(folder)
        (folder / "campaign.yaml").write_text(written)
        other = next(path for path in entries(folder) if path != entry)
        other.replace(entry)
    elif damage == "link":
        entry.unlink()
        entry.symlink_to(folder)
    else:
        middle = len(raw) // 2
        entry.write_bytes(
            {"cut": raw[:middle], "empty": b"", "text": b"{}",
             "flipped": raw[:middle] + bytes([raw[middle] ^ 1]) + raw[middle + 1 :]}[damage]
        )  # fmt: skip

    assert everything(analyse(folder)) == expected
    assert entry.read_bytes() == raw


def test_an_entry_that_another_account_wrote_is_not_believed(plain, folder, tmp_path, monkeypatch):
    monkeypatch.setenv("XDG_STATE_HOME", str(tmp_path / "theirs"))
    analyse(folder)
    (entry,) = entries(folder)
    content = unsealed(entry.read_bytes())
    assert b'"rise_K": ' in content
    forged = content.replace(b'"rise_K": ', b'"rise_K": 1', 1)
    entry.write_bytes(sealed(forged))

    monkeypatch.setenv("XDG_STATE_HOME", str(tmp_path / "ours"))
    assert unsealed(entry.read_bytes()) is None
    assert everything(analyse(folder)) == everything(plain[1])
    assert unsealed(entry.read_bytes()) == content
    assert key_file().stat().st_mode & 0o077 == 0


def test_without_a_place_for_the_key_nothing_is_kept(plain, folder, tmp_path, monkeypatch):
    (tmp_path / "file").write_text("in the way")
    monkeypatch.setenv("XDG_STATE_HOME", str(tmp_path / "file"))
    assert everything(analyse(folder)) == everything(plain[1])
    assert not (folder / ".thermlab").exists()


def test_the_folder_may_be_deleted_or_unwritable(plain, folder):
    expected = everything(plain[1])
    analyse(folder)
    shutil.rmtree(folder / ".thermlab")
    assert everything(analyse(folder)) == expected

    shutil.rmtree(folder / ".thermlab")
    (folder / ".thermlab").write_text("in the way")
    assert everything(analyse(folder)) == expected


def test_nothing_is_written_through_a_link_or_into_a_filed_bag(folder, tmp_path):
    (tmp_path / "elsewhere").mkdir()
    (folder / ".thermlab").symlink_to(tmp_path / "elsewhere")
    analyse(folder)
    assert list((tmp_path / "elsewhere").iterdir()) == []

    (folder / ".thermlab").unlink()
    (tmp_path / "bagit.txt").write_text("BagIt-Version: 1.0\n")
    analyse(folder)
    assert not (folder / ".thermlab").exists()


def test_only_the_latest_entries_are_kept(folder):
    for extra in range(MAX_ENTRIES + 3):
        limit_written(folder, 90.0 + extra)
        analyse(folder)
    assert len(entries(folder)) == MAX_ENTRIES
    assert not [path for path in entries(folder) if path.name.startswith(".")]


def test_a_log_that_cannot_be_read_is_named_as_without_a_cache(folder):
    analyse(folder)
    min((folder / "logs").glob("*grease*")).unlink()
    with pytest.raises(InputError) as cached:
        analyse(folder)
    with pytest.raises(InputError) as plainly:
        analyse(folder, use_cache=False)
    assert str(cached.value) == str(plainly.value)


def test_an_entry_holds_no_pickled_object(folder):
    analyse(folder)
    with np.load(entries(folder)[0], allow_pickle=False) as entry:
        assert {name: entry[name].dtype.str for name in entry.files} == {"text": "|u1", "numbers": "<f8"}


def test_runs_are_the_same_when_their_readings_wait_on_disk(plain, monkeypatch):
    campaign = load_campaign(plain[0])
    in_memory = settle_runs(campaign, read_campaign_logs(campaign).traces)
    monkeypatch.setattr("thermlab.runs.reading.Spool", lambda: Spool(0))
    monkeypatch.setattr("thermlab.runs.settled_runs.Spool", lambda: Spool(0))
    traces = read_campaign_logs(campaign).traces
    assert {type(trace).__name__ for trace in traces} == {"StoredTrace"}

    assert bits(settle_runs(campaign, traces)) == bits(in_memory)


def test_arrays_on_disk_are_those_that_were_kept():
    @dataclasses.dataclass(frozen=True, slots=True)
    class Pair:
        name: str
        table: np.ndarray
        column: np.ndarray
        maybe: np.ndarray | None

    rng = np.random.default_rng(2)
    made = [
        Pair(str(n), rng.normal(size=(n, 3))[::-1], np.where(np.arange(n) % 2, np.nan, 1.0), None) for n in range(6)
    ]
    spool = Spool(in_memory_bytes=200)
    kept = [spool.keep(item) for item in made]

    assert len([item for item in kept if type(item) is Pair]) in range(1, 6)
    for item, again in zip(made, reversed(list(reversed(kept))), strict=True):
        assert isinstance(again, Pair)
        assert bits(again) == bits(item)


def test_treatments_that_settle_at_different_speeds_are_told_with_and_without_a_cache(tmp_path):
    """Each treatment is a heat sink of its own: 8 and 16 min; the same from logs and from what was kept."""
    made = [
        simulate_campaign(
            passive_bench(time_constant_min=minutes),
            TREATMENTS,
            steps_W=(40.0, 70.0, 105.0),
            rng=np.random.default_rng(6),
            n_mounts=2,
            soak_min=45.0,
            interval_s=5.0,
        )
        for minutes in (8.0, 16.0)
    ]
    pairs = zip(made, TREATMENTS, strict=True)
    mounts = [mount for campaign, own in pairs for mount in campaign.mounts if mount.treatment == own.name]
    write_campaign(tmp_path / "sinks", replace(made[0], mounts=tuple(mounts)), dialect=LogDialect(time="s"))

    for _ in range(2):
        found = [text for text in analyse(tmp_path / "sinks").cautions if "settle at different speeds" in text]
        assert len(found) == 1
        assert "grease-a" in found[0]
        assert "paste-c" in found[0]
