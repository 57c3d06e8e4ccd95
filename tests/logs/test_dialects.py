"""The same runs written in every dialect are read as the same runs."""

import numpy as np
import pytest

from thermlab.campaign.folder import load_campaign
from thermlab.runs.reading import read_campaign_logs
from thermlab.simulate.ladders import SimulatedTreatment, simulate_campaign
from thermlab.simulate.logs import DIALECTS, write_campaign
from thermlab.simulate.network import passive_bench
from thermlab.simulate.readings import SimulatedRoom


@pytest.fixture(scope="module")
def campaign():
    treatments = [
        SimulatedTreatment(name="grease-a", resistance_K_per_W=0.10),
        SimulatedTreatment(name="pad-b", resistance_K_per_W=0.12),
    ]
    return simulate_campaign(
        passive_bench(limit_C=95.0), treatments, steps_W=[60.0, 90.0], n_mounts=1, soak_min=20.0, lead_min=8.0,
        rng=np.random.default_rng(5), interval_s=5.0, step_s=5.0, room=SimulatedRoom(drift_K_per_h=1.0, sine_K=0.3),
    )  # fmt: skip


@pytest.fixture(scope="module")
def runs(campaign):
    """Return what the simulation holds, run by run in the order of the run sheet."""
    return [run for mount in campaign.mounts for run in mount.ladder.runs]


@pytest.mark.parametrize("name", DIALECTS)
def test_runs_are_the_same_in_every_dialect(name, campaign, runs, tmp_path):
    dialect = DIALECTS[name]
    loaded = load_campaign(write_campaign(tmp_path / "campaign", campaign, dialect=dialect))
    traces = read_campaign_logs(loaded).traces
    assert len(traces) == len(runs)
    for trace, run in zip(traces, runs, strict=True):
        assert trace is not None
        assert trace.time_s - trace.time_s[0] == pytest.approx(run.time_s - run.time_s[0], abs=0.01)
        assert np.abs(trace.temperature_C - run.temperature_C).max() < 0.002
        assert trace.power_W == pytest.approx(run.power_W, abs=0.006)
        if dialect.room == "log":
            assert trace.ambient_C == pytest.approx(run.ambient_C, abs=0.002)
        elif dialect.room == "own file":
            # Its rows are half a minute apart, and after the last one nothing is known of the room.
            known = np.isfinite(trace.ambient_C)
            assert trace.time_s[~known].size * 5.0 < dialect.room_interval_s
            assert trace.ambient_C[known] == pytest.approx(run.ambient_C[known], abs=0.25)
            assert trace.ambient_C[known].mean() == pytest.approx(run.ambient_C[known].mean(), abs=0.02)
        else:
            assert trace.ambient_C == pytest.approx(campaign.room.mean_C)
