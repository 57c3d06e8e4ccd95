"""What `thermlab check` says beyond what is wrong."""

import numpy as np
import pytest

from thermlab.checking import check
from thermlab.simulated_campaigns import simulate_campaign
from thermlab.simulated_logs import LogDialect, write_campaign
from thermlab.simulation import SimulatedTreatment, forced_bench


@pytest.fixture(scope="module")
def small():
    treatments = [SimulatedTreatment(name=name, resistance_K_per_W=0.1) for name in ("grease-a", "pad-b")]
    return simulate_campaign(
        forced_bench(), treatments, steps_W=(60.0, 90.0), rng=np.random.default_rng(3), n_mounts=1, soak_min=10.0,
        interval_s=5.0,
    )  # fmt: skip


@pytest.mark.parametrize(("ahead_s", "lost"), [(0.0, False), (2400.0, True)])
def test_a_room_file_on_another_clock_is_noticed_before_the_report(small, tmp_path, ahead_s, lost):
    dialect = LogDialect(room="own file", room_clock_ahead_s=ahead_s)
    folder = write_campaign(tmp_path / "campaign", small, dialect=dialect)
    settings = folder / "campaign.yaml"
    text = settings.read_text(encoding="utf-8")
    settings.write_text(text.replace(f"clock_offset_s: {-ahead_s}", "clock_offset_s: 0.0"), encoding="utf-8")

    found = [caution for caution in check(folder).cautions if "the room is not known" in caution]

    assert bool(found) == lost
    if lost:
        assert "grease-a-1-60W (0%)" in found[0]
        assert found[0].endswith("Is ambient_log.clock_offset_s right?")
