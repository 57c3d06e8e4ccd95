"""Readings of many runs that wait on disk while they are reduced: the same runs come out."""

import dataclasses

import numpy as np
import pytest

from thermlab.campaign.folder import load_campaign
from thermlab.runs.reading import read_campaign_logs
from thermlab.runs.settled_runs import settle_runs
from thermlab.runs.trace import Spool
from thermlab.simulate.ladders import SimulatedTreatment, simulate_campaign
from thermlab.simulate.logs import LogDialect, write_campaign
from thermlab.simulate.network import passive_bench
from thermlab.simulate.readings import Disturbance

TREATMENTS = tuple(
    SimulatedTreatment(name=name, resistance_K_per_W=r, mount_sd_K_per_W=0.003)
    for name, r in (("grease-a", 0.15), ("paste-c", 0.11))
)


@pytest.fixture(scope="module")
def campaign(tmp_path_factory):
    """A campaign with a disturbed run, one that sheds power and a room file."""
    simulated = simulate_campaign(
        passive_bench(limit_C=75.0),
        TREATMENTS,
        steps_W=(40.0, 70.0, 105.0),
        rng=np.random.default_rng(4),
        n_mounts=2,
        soak_min=25.0,
        interval_s=5.0,
        disturbances={("paste-c", 1, 1): [Disturbance(kind="airflow", start_min=10.0, end_min=18.0, size=1.5)]},
    )
    folder = tmp_path_factory.mktemp("spool") / "campaign"
    write_campaign(folder, simulated, dialect=LogDialect(room="own file", files="run"))
    return load_campaign(folder)


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


def test_runs_are_the_same_when_their_readings_wait_on_disk(campaign, monkeypatch):
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
