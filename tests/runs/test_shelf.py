"""Readings of many runs that wait in a file while they are reduced: the same runs come out."""

import dataclasses

import numpy as np

from thermlab.campaign.folder import load_campaign
from thermlab.runs import shelf
from thermlab.runs.reading import read_campaign_logs
from thermlab.runs.settled_runs import settle_runs
from thermlab.runs.trace import Trace
from thermlab.simulate.ladders import SimulatedTreatment, simulate_campaign
from thermlab.simulate.logs import LogDialect, write_campaign
from thermlab.simulate.network import passive_bench
from thermlab.simulate.readings import Disturbance

TREATMENTS = tuple(
    SimulatedTreatment(name=name, resistance_K_per_W=r, mount_sd_K_per_W=0.003)
    for name, r in (("grease-a", 0.15), ("paste-c", 0.11))
)


def bits(value):
    """Return every number of a result to its last bit, with all structure."""
    if isinstance(value, np.ndarray):
        return (value.shape, value.dtype.str, value.tobytes())
    if isinstance(value, float):
        return float(value).hex()
    waits = type(value).__name__ == "_Waiting"
    if waits or (dataclasses.is_dataclass(value) and not isinstance(value, type)):
        return {field.name: bits(getattr(value, field.name)) for field in dataclasses.fields(Trace if waits else value)}
    if isinstance(value, dict):
        return {key: bits(item) for key, item in value.items()}
    if isinstance(value, (list, tuple)):
        return [bits(item) for item in value]
    return value


def test_runs_are_the_same_when_their_readings_wait_in_a_file(tmp_path, monkeypatch):
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
    write_campaign(tmp_path / "campaign", simulated, dialect=LogDialect(room="own file", files="run"))
    campaign = load_campaign(tmp_path / "campaign")
    in_memory = read_campaign_logs(campaign).traces
    size = in_memory[0].temperature_C.nbytes
    monkeypatch.setattr(shelf, "IN_MEMORY_BYTES", 2 * size)

    waiting = read_campaign_logs(campaign).traces

    assert [type(trace).__name__ for trace in waiting] == ["Trace"] * 2 + ["_Waiting"] * (len(waiting) - 2)
    assert bits(waiting) == bits(in_memory)
    assert bits(settle_runs(campaign, waiting)) == bits(settle_runs(campaign, in_memory))
