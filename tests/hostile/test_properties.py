"""What must not matter does not, from the logs to results.json; and every null says why.

Campaigns are written as folders of logs, changed in ways that should change nothing (or scale one thing), and analysed
again. Then campaigns that are odd in every way the kit can meet are walked for NaN and for nulls without a reason.
"""

import csv
import math
import shutil
from dataclasses import replace

import numpy as np
import pytest
import yaml
from hypothesis import given, settings
from hypothesis import strategies as st
from mount_campaigns import TREATMENTS, simulate

from thermlab.compare.analysis import analyse
from thermlab.compare.comparison import compare_treatments
from thermlab.reports.results import results_json, to_results
from thermlab.simulate.ladders import SimulatedTreatment, simulate_campaign
from thermlab.simulate.logs import LogDialect, write_campaign
from thermlab.simulate.network import forced_bench, passive_bench
from thermlab.simulate.readings import SimulatedRoom, SimulatedSensors

NAMES = ("grease-a", "pad-b", "paste-c")
STEPS_W = (60.0, 90.0, 120.0)
SAME_K = 1e-6


def made(*, seed=3, names=NAMES, steps=STEPS_W, n_mounts=2, bench=None, resolution_K=0.1, **changes):
    bench = bench or passive_bench(time_constant_min=4.0, limit_C=95.0)
    treatments = [
        SimulatedTreatment(name=name, resistance_K_per_W=0.15 - 0.006 * i, mount_sd_K_per_W=0.004)
        for i, name in enumerate(names)
    ]
    options = {
        "rng": np.random.default_rng(seed), "n_mounts": n_mounts, "soak_min": 12.0, "interval_s": 2.0, "step_s": 2.0,
        "room": SimulatedRoom(drift_K_per_h=0.5, mount_sd_K=0.5),
        "sensors": SimulatedSensors(resolution_K=resolution_K),
        "limit_room_C": 25.0,
    }  # fmt: skip
    return simulate_campaign(bench, treatments, steps_W=list(steps), **(options | changes))


@pytest.fixture(scope="module")
def campaign():
    return made()


@pytest.fixture(scope="module")
def plain(campaign, tmp_path_factory):
    return analyse(write_campaign(tmp_path_factory.mktemp("plain") / "c", campaign))


def rises(analysis):
    return {run.run: run.rise_K for run in analysis.runs}


def answers(analysis):
    """Differences and throttle powers with their intervals, by treatment."""
    found = {}
    for item in analysis.comparison.treatments:
        found[item.treatment] = [item.difference_K, *item.simultaneous_interval_K, *item.welch_interval_K, item.p_value]
    for item in analysis.throttle.treatments:
        found.setdefault(item.treatment, []).extend([item.throttle_power_W, *item.interval_W])
    return found


def assert_same(one, other, *, within=SAME_K):
    assert one.keys() == other.keys()
    for name, values in one.items():
        assert other[name] == pytest.approx(values, abs=within), name


def changed_ladders(campaign, change):
    """Change the rows of every ladder, and of its runs alike."""
    mounts = tuple(
        replace(mount, ladder=replace(change(mount.ladder), runs=tuple(change(run) for run in mount.ladder.runs)))
        for mount in campaign.mounts
    )
    return replace(campaign, mounts=mounts)


# From the logs on


def test_relabelling_the_treatments_permutes_the_results(campaign, plain, tmp_path):
    other_name = {"grease-a": "pad-b", "pad-b": "paste-c", "paste-c": "grease-a"}
    folder = write_campaign(tmp_path / "c", campaign)
    with (folder / "runs.csv").open(encoding="utf-8", newline="") as sheet:
        rows = list(csv.DictReader(sheet))
    for row in rows:
        row["treatment"] = other_name[row["treatment"]]
    write_sheet(folder, rows)
    change_settings(folder, baseline=other_name["grease-a"])
    relabelled = answers(analyse(folder))
    assert_same({other_name[name]: values for name, values in answers(plain).items()}, relabelled, within=1e-9)


def test_row_order_of_the_run_sheet_does_not_matter_where_runs_carry_start(campaign, plain, tmp_path):
    folder = write_campaign(tmp_path / "c", campaign)
    with (folder / "runs.csv").open(encoding="utf-8", newline="") as sheet:
        rows = list(csv.DictReader(sheet))
    assert all(row["start"] for row in rows)
    write_sheet(folder, [rows[i] for i in np.random.default_rng(4).permutation(len(rows))])
    shuffled = analyse(folder)
    assert [run.run for run in shuffled.runs] == [run.run for run in plain.runs]
    assert_same(answers(plain), answers(shuffled), within=1e-9)
    assert shuffled.comparison.mounts == plain.comparison.mounts


def test_shifting_all_temperatures_and_the_room_alike_changes_nothing(campaign, plain, tmp_path):
    """By 7 degC, limit and customer's room included: what is left is the rounding of the arithmetic."""

    def warmer(rows):
        shifted = {"temperature_C": rows.temperature_C + 7.0, "ambient_C": rows.ambient_C + 7.0}
        return replace(rows, **shifted)

    folder = write_campaign(tmp_path / "c", changed_ladders(campaign, warmer))
    change_settings(folder, limits={"temperature_C": 102.0, "room_C": 32.0})
    shifted = analyse(folder)
    assert rises(shifted) == pytest.approx(rises(plain), abs=SAME_K)
    assert_same(answers(plain), answers(shifted), within=1e-5)


def test_scaling_powers_scales_resistances_and_throttle_powers(campaign, plain, tmp_path):
    def doubled(rows):
        return replace(rows, power_W=2.0 * rows.power_W)

    twice = changed_ladders(campaign, doubled)
    folder = write_campaign(tmp_path / "c", twice)
    with (folder / "runs.csv").open(encoding="utf-8", newline="") as sheet:
        rows = list(csv.DictReader(sheet))
    for row in rows:
        row["set_power_W"] = str(2.0 * float(row["set_power_W"]))
    write_sheet(folder, rows)
    found = analyse(folder)
    assert rises(found) == pytest.approx(rises(plain), abs=1e-5)
    for one, other in zip(plain.comparison.secondary, found.comparison.secondary, strict=True):
        assert other.difference == pytest.approx(one.difference / (2.0 if one.unit == "K/W" else 1.0), abs=1e-5)
    for one, other in zip(plain.throttle.treatments, found.throttle.treatments, strict=True):
        assert other.throttle_power_W == pytest.approx(2.0 * one.throttle_power_W, rel=1e-5)


def test_the_unit_of_a_log_changes_nothing(campaign, plain, tmp_path):
    """The same readings in Fahrenheit and in kelvins, written with two more digits."""
    for unit in ("degF", "K"):
        folder = write_campaign(tmp_path / unit, campaign, dialect=LogDialect(temperature_unit=unit))
        assert rises(analyse(folder)) == pytest.approx(rises(plain), abs=0.003)


def test_a_fahrenheit_readout_gives_the_same_to_half_a_readout_step(tmp_path):
    """One bench, the same noise, read out in whole degrees Celsius by one logger and Fahrenheit by another."""
    celsius = analyse(write_campaign(tmp_path / "C", made(resolution_K=1.0)))
    fahrenheit = made(resolution_K=5.0 / 9.0)
    folder = write_campaign(tmp_path / "F", fahrenheit, dialect=LogDialect(temperature_unit="degF"))
    found = analyse(folder)
    for run, rise in rises(found).items():
        assert rise == pytest.approx(rises(celsius)[run], abs=0.5)
    for one, other in zip(celsius.comparison.treatments, found.comparison.treatments, strict=True):
        assert other.difference_K == pytest.approx(one.difference_K, abs=0.5)


# From the run table on


@settings(max_examples=25, deadline=None)
@given(
    counts=st.lists(st.integers(1, 4), min_size=2, max_size=4),
    seed=st.integers(0, 10_000),
    shift=st.floats(-50.0, 200.0),
    factor=st.floats(0.05, 20.0),
)
def test_run_tables_relabelled_shifted_and_scaled(counts, seed, shift, factor):
    runs = simulate(np.random.default_rng(seed), counts, repeats=1 + seed % 2)
    names = TREATMENTS[: len(counts)]
    turned = (names[0], *reversed(names[1:]))
    moved = [replace(run, rise_K=run.rise_K + shift, set_power_W=run.set_power_W * factor) for run in reversed(runs)]
    one = compare_treatments(runs, treatments=names, baseline=names[0], margin_K=1.0)
    other = compare_treatments(moved, treatments=turned, baseline=names[0], margin_K=1.0)
    by_name = {item.treatment: item for item in other.treatments}
    assert other.mount_sd_K == (None if one.mount_sd_K is None else pytest.approx(one.mount_sd_K, abs=1e-7))
    for item in one.treatments:
        twin = by_name[item.treatment]
        assert twin.difference_K == pytest.approx(item.difference_K, abs=1e-7)
        assert (twin.verdict, twin.mounts_needed) == (item.verdict, item.mounts_needed)
        if item.simultaneous_interval_K is not None:
            assert twin.simultaneous_interval_K == pytest.approx(item.simultaneous_interval_K, abs=1e-6)
            assert twin.p_value == pytest.approx(item.p_value, abs=1e-6)


# Odd campaigns: no NaN, and every null with its reason


def write_sheet(folder, rows):
    with (folder / "runs.csv").open("w", encoding="utf-8", newline="") as sheet:
        writer = csv.DictWriter(sheet, rows[0].keys(), lineterminator="\n")
        writer.writeheader()
        writer.writerows(rows)


def change_settings(folder, **changes):
    path = folder / "campaign.yaml"
    document = yaml.safe_load(path.read_text(encoding="utf-8"))
    for key, value in changes.items():
        document.pop(key, None)
        if value is not None:
            document[key] = value
    path.write_text(yaml.safe_dump(document, sort_keys=False), encoding="utf-8")


def change_sheet(folder, change):
    with (folder / "runs.csv").open(encoding="utf-8", newline="") as sheet:
        rows = list(csv.DictReader(sheet))
    write_sheet(folder, [row for row in (change(row) for row in rows) if row is not None])


def copies(folder, n, cells):
    """Enter every run n times, each time from a copy of its log."""
    with (folder / "runs.csv").open(encoding="utf-8", newline="") as sheet:
        rows = list(csv.DictReader(sheet))
    entered = []
    for k in range(1, n + 1):
        for row in rows:
            name = row["log"].replace(".csv", f"-copy{k}.csv")
            shutil.copy(folder / row["log"], folder / name)
            entered.append(row | {"run": f"{row['run']}-{k}", "log": name} | cells(k))
    write_sheet(folder, entered)


def one_treatment(folder):
    write_campaign(folder, made(names=NAMES[:1]))


def one_treatment_one_mount(folder):
    write_campaign(folder, made(names=NAMES[:1], n_mounts=1))


def one_mount_each(folder):
    write_campaign(folder, made(n_mounts=1))


def one_mount_each_with_a_prior(folder):
    write_campaign(folder, made(n_mounts=1))
    change_settings(folder, prior={"mount_sd_K_per_W": 0.004, "dof": 12, "source": "earlier campaigns"})


def one_mount_of_the_candidates(folder):
    write_campaign(folder, made(n_mounts=(3, 1, 1)))


def one_step(folder):
    write_campaign(folder, made(steps=(90.0,)))


def two_steps_and_a_prior(folder):
    write_campaign(folder, made(steps=(90.0, 120.0), n_mounts=1))
    change_settings(folder, prior={"mount_sd_K_per_W": 0.004, "dof": 4, "source": "earlier campaigns"})


def one_run(folder):
    write_campaign(folder, made(names=NAMES[:2], n_mounts=1))
    change_sheet(folder, lambda row: row if row["run"].startswith("grease-a-1-90") else None)


def everything_excluded(folder):
    write_campaign(folder, made())
    change_sheet(folder, lambda row: row | {"exclude": "fan left on"})


def a_candidate_excluded(folder):
    write_campaign(folder, made())
    change_sheet(folder, lambda row: row | {"exclude": "fan left on" if row["treatment"] == "pad-b" else ""})


def a_candidate_without_runs(folder):
    write_campaign(folder, made())
    change_sheet(folder, lambda row: None if row["treatment"] == "paste-c" else row)


def the_baseline_without_runs(folder):
    write_campaign(folder, made())
    change_sheet(folder, lambda row: None if row["treatment"] == "grease-a" else row)


def no_limits(folder):
    write_campaign(folder, made())
    change_settings(folder, limits=None)


def limit_far_away(folder):
    write_campaign(folder, made())
    change_settings(folder, limits={"temperature_C": 250.0, "room_C": 20.0})


def limit_far_below(folder):
    write_campaign(folder, made())
    change_settings(folder, limits={"temperature_C": 32.0, "room_C": 25.0})


def constant_room(folder):
    write_campaign(folder, made(), dialect=LogDialect(room="constant"))


def power_shed_at_the_top(folder):
    write_campaign(folder, made(bench=passive_bench(time_constant_min=4.0, limit_C=78.0)))


def power_shed_everywhere(folder):
    write_campaign(folder, made(bench=passive_bench(time_constant_min=4.0, limit_C=38.0)))


def a_fan_that_changes_speed(folder):
    bench = forced_bench(time_constant_min=2.0, limit_C=95.0, fan_curve=((0.0, 1.0), (100.0, 1.0), (101.0, 1.4)))
    write_campaign(folder, made(bench=bench, steps=(60.0, 75.0, 90.0, 105.0, 120.0), n_mounts=3))


def a_missing_top_run(folder):
    write_campaign(folder, made())
    change_sheet(folder, lambda row: None if row["run"].startswith("pad-b-2-120") else row)


def no_step_in_common(folder):
    write_campaign(folder, made(names=NAMES[:2]))
    kept = {"grease-a": "60", "pad-b": "90"}
    change_sheet(folder, lambda row: row if f"-{kept[row['treatment']]}W" in row["run"] else None)


def mounts_that_agree_to_the_last_digit(folder):
    """The same logs under the names of several mounts, as after a copy by mistake."""
    write_campaign(folder, made(names=NAMES[:2], n_mounts=1))
    copies(folder, 3, lambda k: {"mount": str(k)})


def welch_declared(folder):
    write_campaign(folder, made(n_mounts=(2, 2, 1)))
    change_settings(folder, analysis={"variance": "welch", "order_covariate": True})


def a_short_soak(folder):
    write_campaign(folder, made(soak_min=3.0))


def repeats_only(folder):
    """One mount of each with every step made twice: repeats are not replicates."""
    write_campaign(folder, made(names=NAMES[:2], n_mounts=1))
    copies(folder, 2, lambda _: {})


ODD = [
    one_treatment, one_treatment_one_mount, one_mount_each, one_mount_each_with_a_prior, one_mount_of_the_candidates,
    one_step, two_steps_and_a_prior, one_run, everything_excluded, a_candidate_excluded, a_candidate_without_runs,
    the_baseline_without_runs, no_limits, limit_far_away, limit_far_below, constant_room, power_shed_at_the_top,
    power_shed_everywhere, a_fan_that_changes_speed, a_missing_top_run, no_step_in_common,
    mounts_that_agree_to_the_last_digit, welch_declared, a_short_soak, repeats_only,
]  # fmt: skip


@pytest.mark.parametrize("odd", ODD, ids=lambda odd: odd.__name__)
def test_odd_campaigns_report_no_nan_and_no_null_without_its_reason(odd, tmp_path):
    odd(tmp_path / "c")
    results = to_results(analyse(tmp_path / "c"))
    results_json(results)  # refuses NaN and infinity
    assert all(math.isfinite(number) for number in numbers(results))
    assert unexplained(results) == []
    if odd is repeats_only:
        assert results["comparison"]["treatments"][0]["verdict"] == "not replicated"


def test_the_walk_finds_a_null_without_a_reason(plain):
    """The test above can fail."""
    results = to_results(plain)
    assert unexplained(results) == []
    results["comparison"]["treatments"][0]["simultaneous_interval_K"] = None
    results["throttle"]["treatments"][1]["interval_W"] = None
    results["bench"]["time_constant_min"] = None
    assert len(unexplained(results)) >= 3


def numbers(value):
    if isinstance(value, float):
        yield value
    elif isinstance(value, dict):
        for item in value.values():
            yield from numbers(item)
    elif isinstance(value, list):
        for item in value:
            yield from numbers(item)


def unexplained(results):
    """Return the places of nulls that no caution and no reason beside them explains."""
    cautions = results["cautions"]

    def said(*words):
        return any(all(word in caution for word in words) for caution in cautions)

    bare = []

    def require(place, value, explained):
        if value is None and not explained:
            bare.append(place)

    nothing = said("No run can be used")
    require("comparison", results["comparison"], nothing or said("one treatment only"))
    require("throttle", results["throttle"], nothing or said("No temperature limit"))
    bench = results["bench"]
    for key in ("time_constant_min", "u_time_constant_min"):
        require(f"bench {key}", bench[key], said("do not determine the time constant"))
    scatter = said("one mount") or said("No interval for") or nothing
    require("bench mount_sd_K", bench["mount_sd_K"], scatter)
    for run in results["runs"]:
        require(f"{run['run']} rise_K", run["rise_K"], bool(run["reason"]))
        require(f"{run['run']} u_rise_K", run["u_rise_K"], run["rise_K"] is None)
        require(f"{run['run']} drift_left_K", run["drift_left_K"], run["rise_K"] is None)
    for place, value, explained in (*_of_comparison(results, said), *_of_throttle(results, said)):
        require(place, value, explained)
    for item in results["value"]["treatments"]:
        require(f"{item['treatment']} cost", item["cost_per_mount"], True)  # no price was written
    return bare


def _of_comparison(results, said):
    comparison = results["comparison"]
    if comparison is None:
        return
    not_tested = said("Not tested")
    yield "offset_check", comparison["offset_check"], not_tested or said("No interval for")
    yield "lack_of_fit", comparison["lack_of_fit"], not_tested
    yield "mount_sd_K", comparison["mount_sd_K"], said("No interval for")
    answered = set()
    for item in comparison["treatments"]:
        name = item["treatment"]
        headline = item["simultaneous_interval_K"]
        reason = said(f"No interval for {name}")
        yield f"{name} interval", headline, reason
        yield f"{name} difference", item["difference_K"], reason
        for key in ("interval_K", "equivalence_interval_K", "p_value", "equivalent"):
            yield f"{name} {key}", item[key], headline is None
        yield f"{name} welch", item["welch_interval_K"], headline is None or said("No Welch interval", name)
        yield f"{name} mounts needed", item["mounts_needed"], item["verdict"] != "undecided" or headline is None
        left_out = [run for run in results["runs"] if not run["used"] and run["rise_K"] is not None]
        yield f"{name} without exclusions", item["without_exclusions_K"], not left_out or reason
        if headline is not None:
            answered.add(name)
    for effect in comparison["secondary"]:
        name = effect["treatment"]
        place = f"{name} {effect['estimand']}"
        yield place, effect["difference"], name not in answered
        yield f"{place} interval", effect["interval"], name not in answered or said(effect["estimand"], name)


def _of_throttle(results, said):
    throttle = results["throttle"]
    if throttle is None:
        return
    first = throttle["treatments"][0]
    for item in throttle["treatments"]:
        name = item["treatment"]
        none = said(f"No throttle power for {name}") and bool(item["reason"])
        yield f"{name} power", item["throttle_power_W"], none
        no_interval = none or said("No interval for the throttle power", name)
        yield f"{name} power interval", item["interval_W"], no_interval
        yield f"{name} future mount", item["future_mount_interval_W"], no_interval
        yield f"{name} extrapolation", item["extrapolation"], none
        yield f"{name} observed", item["directly_observed_W"], not item["observed"] or said(name, "cannot be moved")
        if item is not first:
            no_difference = none or said("No difference of throttle powers")
            yield f"{name} power difference", item["difference_W"], no_difference
            apart = no_difference or no_interval or said("No interval for the difference of throttle powers", name)
            yield f"{name} power difference interval", item["difference_interval_W"], apart
            yield f"{name} together", item["simultaneous_difference_interval_W"], apart
