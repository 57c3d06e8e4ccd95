"""The second witness: the early rise of a run, and what it says of a difference in the settled rise."""

from pathlib import Path

import numpy as np
import pytest
from mount_campaigns import TOP_W

from thermlab.compare.analysis import analyse
from thermlab.compare.comparison import compare_treatments
from thermlab.runs.records import TOO_SHORT, ReducedRun
from thermlab.simulate.ladders import SimulatedTreatment, simulate_campaign
from thermlab.simulate.logs import LogDialect, write_campaign
from thermlab.simulate.network import passive_bench
from thermlab.simulate.readings import Disturbance, SimulatedSensors

REAL_CARDS = Path(__file__).parents[1] / "data" / "real_cards"
STEPS = (45.0, 85.0, 120.0)


def simulate(folder, *, difference_K=0.0, airflow=1.0, mount_sd=0.003, seed=3, dialect=None, **settings):
    """Three mounts each; the candidate's interface differs, or all its mounts stand in other air."""
    treatments = (
        SimulatedTreatment(name="grease-a", resistance_K_per_W=0.150, mount_sd_K_per_W=mount_sd),
        SimulatedTreatment(name="paste-c", resistance_K_per_W=0.150 + difference_K / 120.0, mount_sd_K_per_W=mount_sd),
    )
    draught = (Disturbance(kind="airflow", start_min=-1e6, size=airflow),)
    campaign = simulate_campaign(
        passive_bench(limit_C=110.0, time_constant_min=settings.pop("time_constant_min", 12.0)),
        treatments,
        steps_W=settings.pop("steps", STEPS),
        rng=np.random.default_rng(seed),
        soak_min=settings.pop("soak_min", 30.0),
        interval_s=5.0,
        disturbances={("paste-c", mount, 0): draught for mount in (1, 2, 3)} if airflow != 1.0 else None,
        **settings,
    )
    return analyse(write_campaign(folder, campaign, dialect=dialect)), campaign


def test_a_difference_between_interfaces_is_confirmed(tmp_path):
    found, truth = simulate(tmp_path, difference_K=-3.0)
    witness = found.comparison.treatments[0].witness

    assert witness.agrees is True
    assert witness.interval_K[0] < 0.82 * truth.difference_K["paste-c"][-1]
    assert witness.interval_K[1] > 0.96 * truth.difference_K["paste-c"][-1]
    assert not any("in the air" in caution for caution in found.cautions)


def test_a_difference_in_the_air_is_said_to_be_there_before_the_answer(tmp_path):
    found, _ = simulate(tmp_path, airflow=0.85)
    item = found.comparison.treatments[0]

    assert item.verdict == "warmer by more than the margin"
    assert item.witness.agrees is False
    assert abs(item.witness.early_difference_K) < 0.3 * item.difference_K
    [caution] = [caution for caution in found.caution_list if "not in the interface" in caution.text]
    assert caution.weight == "headline"
    assert caution.text == f"paste-c: {item.witness.says}"


@pytest.mark.parametrize("time_constant_min", [8.0, 12.0])
def test_a_known_difference_reads_as_much_early_as_is_said(tmp_path, time_constant_min):
    """Without noise or scatter between mounts the share is the bench's own."""
    exact = SimulatedSensors(noise_K=0.001, resolution_K=0.001)
    found, truth = simulate(
        tmp_path, difference_K=-3.0, mount_sd=0.0, sensors=exact, time_constant_min=time_constant_min
    )

    true_K = dict(zip(STEPS, truth.difference_K["paste-c"], strict=True))[found.comparison.reference_power_W]
    share = found.comparison.treatments[0].witness.early_difference_K / true_K
    assert 0.82 < share < 0.96


def test_four_real_cards_differ_by_the_air_of_their_places():
    """Settled rises about 10 K apart (13 K at this power), early rises within 1.5 K."""
    found = analyse(REAL_CARDS)
    item = found.comparison.treatments[0]

    assert item.difference_K > 9.0
    assert abs(item.witness.early_difference_K) < 1.5
    assert item.witness.agrees is False
    assert "in the air" in item.witness.says


def test_without_rows_before_the_load_there_is_no_early_rise_and_the_run_says_so(tmp_path):
    found, _ = simulate(tmp_path, dialect=LogDialect(files="run", lead_in_min=0.0))
    first = [run for run in found.runs if run.set_power_W == STEPS[0]]

    assert {run.early_note for run in first} == {"the log has no rows before the load"}
    assert all(run.early_rise_K is None and run.u_early_rise_K is None for run in first)


def early_run(treatment, mount, power_W, per_watt, from_W, order):
    return ReducedRun(
        run=f"r{order}",
        treatment=treatment,
        mount=mount,
        set_power_W=power_W,
        rise_K=2.0 * per_watt * power_W,
        early_rise_K=per_watt * power_W,
        early_from_W=from_W,
        order=order,
    )


def test_mounts_of_a_mixed_ladder_are_compared_only_with_what_began_alike():
    """Begun from another power the early rise is another one: 0.02 K/W here, six times the true difference."""
    runs = []
    for treatment, extra in (("grease-a", 0.0), ("pad-b", 0.003)):
        for mount in range(1, 5):
            scatter = 0.0005 * (-1.0) ** mount
            steps = ((60.0, 8.0, 0.0), (TOP_W, 60.0, 0.02)) if mount == 1 else ((TOP_W, 8.0, 0.0),)
            for power, before, other in steps:
                runs.append(early_run(treatment, str(mount), power, 0.3 + extra + scatter + other, before, len(runs)))
    found = compare_treatments(runs, treatments=("grease-a", "pad-b"), baseline="grease-a", margin_K=1.0)

    witness = found.treatments[0].witness
    assert witness.early_difference_K == pytest.approx(0.003 * TOP_W, abs=1e-9)
    assert witness.interval_K[0] < 0.36 < witness.interval_K[1]


def test_without_a_start_in_common_there_is_no_witness():
    runs = [early_run("grease-a", str(m), TOP_W, 0.3, 8.0, m) for m in (1, 2)]
    runs += [early_run("pad-b", str(m), TOP_W, 0.3, 60.0, m + 2) for m in (1, 2)]
    witness = (
        compare_treatments(runs, treatments=("grease-a", "pad-b"), baseline="grease-a", margin_K=1.0)
        .treatments[0]
        .witness
    )

    assert (witness.early_difference_K, witness.interval_K, witness.agrees) == (None, None, None)
    assert witness.says.startswith("No early rise")


@pytest.mark.parametrize(("soak_min", "reason"), [(18.5, TOO_SHORT), (12.0, "not settled")])
def test_soaks_too_short_stay_out_of_the_settled_answer_and_serve_for_screening(tmp_path, soak_min, reason):
    found, _ = simulate(tmp_path, difference_K=-3.0, soak_min=soak_min, steps=(120.0,), presoak_min=0.0)
    item = found.comparison.treatments[0]

    assert {run.reason for run in found.runs} == {reason}
    assert not any(run.used for run in found.runs)
    assert (item.difference_K, item.interval_K, item.verdict) == (None, None, "not replicated")
    assert found.throttle is None or all(one.throttle_power_W is None for one in found.throttle.treatments)
    assert item.witness.interval_K[0] < -2.7 < item.witness.interval_K[1] < 0.0
    assert item.witness.agrees is None
    assert "Screening only" in item.witness.says
    assert any("wet or pump out" in caution and "throttle power" in caution for caution in found.cautions)
