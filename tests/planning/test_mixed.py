"""The mixed campaign that a plan recommends, from simulated raw logs: a few campaigns of the study."""

import sys
from pathlib import Path

import pytest

sys.path.insert(0, str(Path(__file__).parents[2] / "study"))

import mixed_study


@pytest.mark.parametrize("limit_at_W", mixed_study.LIMITS_AT_W)
def test_a_mixed_campaign_keeps_its_promise_from_raw_logs(limit_at_W):
    made = mixed_study.planned(0.5)

    found = mixed_study.simulate_plan(made, 40, limit_at_W=limit_at_W, seed=4)

    assert made.hours <= 23.0
    # 40 campaigns at .95: 33 or fewer hold the truth in 1 of 400; 20 at .80: 10 or fewer show it in 1 of 400.
    assert min(found.covered, found.throttle_covered, found.throttle_difference_covered) > 33 / 40
    assert found.power > 10 / 20
    assert found.unused_runs < 0.02
    assert found.half_width_K == pytest.approx(made.split.difference_half_width_K, rel=0.15)
    if limit_at_W > 120:
        assert found.throttle_half_width_W == pytest.approx(made.split.throttle_half_width_W, rel=0.2)
