"""What an archive teaches, against published values, known truth and hand calculation."""

import base64
import json
import math
import re
import shutil

import numpy as np
import pytest
import scipy.stats
import yaml
from filed_examples import example_results, sha256, write_report

from thermlab.archives.filed_results import FiledCampaign, filed_runs, joined, read_archive
from thermlab.archives.filing import archive
from thermlab.base.errors import InputError
from thermlab.campaign.settings import Prior
from thermlab.histories.findings import (
    across_campaigns,
    age_trends,
    bench_histories,
    build_points,
    campaign_scatter,
    chart_baselines,
    compare_lots,
    history,
    parse_age,
)
from thermlab.histories.page import history_data, render_history, write_history
from thermlab.planning.mount_sd import archive_scatter
from thermlab.stats.repeats import combine_campaigns, individuals_chart, spread_between
from thermlab.verifying.check import verify

# Published values -----------------------------------------------------------------------------------------------------


def test_individuals_chart_of_the_nist_handbook():
    """NIST/SEMATECH e-Handbook 6.3.2.2: mean 50.81, moving range 1.8778, limits 45.8159, 55.8041; ranges 6.1349."""
    chart = individuals_chart([49.6, 47.6, 49.9, 51.3, 47.8, 51.2, 52.6, 52.4, 53.6, 52.1])

    assert chart.centre == pytest.approx(50.81, abs=5e-3)
    assert chart.upper == pytest.approx(55.8041, abs=5e-5)
    assert chart.lower == pytest.approx(45.8159, abs=5e-5)
    assert chart.steady


# Nine laboratories of Kacker 2004, Metrologia 41:132; the numbers below were computed with the R package metafor
# (method "DL", with and without test "knha"); they stand in the tests of statsmodels (results_meta.py, BSD licence).
KACKER = (61.0, 61.4, 62.21, 62.3, 62.34, 62.6, 62.7, 62.84, 65.9)
KACKER_VARIANCES = (0.2025, 1.2100, 0.0900, 0.2025, 0.3844, 0.5625, 0.0676, 0.0225, 1.8225)


def test_random_effects_of_kackers_laboratories():
    sd, p_value = spread_between(KACKER, [math.sqrt(v) for v in KACKER_VARIANCES])

    assert sd**2 == pytest.approx(0.288049246973751, abs=1e-9)
    assert p_value == pytest.approx(0.00167935146372742, abs=1e-9)


# Charts ---------------------------------------------------------------------------------------------------------------


def test_a_value_beyond_the_limits_and_eight_on_one_side_are_signals():
    steady = [10.0, 10.2] * 6
    jump = individuals_chart([*steady, 14.0])
    shift = individuals_chart([10.0, 10.2, 9.9, 10.1, *([11.0, 11.2] * 4)])

    assert jump.outside == (12,)
    assert not jump.steady
    assert shift.runs == ((4, 11),)


def test_what_cannot_be_charted_gives_none():
    assert individuals_chart([1.0, 2.0]) is None
    assert individuals_chart([1.0, 1.0, 1.0]) is None


# Archives with known truth --------------------------------------------------------------------------------------------

LADDER = (50.0, 70.0, 90.0, 110.0)
SINK = {power: 0.15 * power + 45.0 * (power / 120.0) ** 0.8 for power in LADDER}
TRUE_SD_K_PER_W = 0.006
NOISE_K = 0.2


def simulated_runs(rng, *, n_mounts=3, gain=-0.012, shift=0.0, lots=None, sd=TRUE_SD_K_PER_W, ladder=LADDER):
    runs = []
    for treatment, offset in (("grease-a", 0.0), ("pad-b", gain)):
        for mount in range(1, n_mounts + 1):
            own = shift + offset + rng.normal(0.0, sd)
            for power in ladder:
                rise = SINK[power] + own * power + rng.normal(0.0, NOISE_K)
                lot = lots[(mount - 1) % len(lots)] if lots and treatment == "pad-b" else ""
                runs.append(
                    {
                        "run": f"{treatment}-{mount}-{power:g}",
                        "treatment": treatment,
                        "mount": f"m{mount}",
                        "set_power_W": power,
                        "rise_K": rise,
                        "used": True,
                        "reason": "",
                        "lot": lot,
                        "condition": "",
                    }
                )
    return runs


def compared(runs, power=90.0):
    by_treatment = {}
    for run in runs:
        if run["set_power_W"] == power:
            by_treatment.setdefault(run["treatment"], []).append(run["rise_K"])
    a, b = by_treatment["grease-a"], by_treatment["pad-b"]
    dof = len(a) + len(b) - 2
    difference = float(np.mean(b) - np.mean(a))
    row = {"treatment": "pad-b", "n_mounts": len(b), "verdict": "cooler", "difference_K": difference}
    if dof:
        s2 = sum(float(np.sum((np.array(one) - np.mean(one)) ** 2)) for one in (a, b)) / dof
        u = math.sqrt(s2 * (1 / len(a) + 1 / len(b)))
        row |= {"standard_error_K": u, "interval_K": [difference - 3 * u, difference + 3 * u]}
    else:
        row |= {"verdict": "not replicated", "interval_K": None}
    return {"reference_power_W": power, "dof": dof, "treatments": [row]}


def file_campaign(tmp_path, number, runs, created=None, comparison=None, **about):
    folder = tmp_path / f"campaign{number}"
    (folder / "logs").mkdir(parents=True)
    inputs = {"campaign.yaml": b"x", "runs.csv": str(number).encode(), "logs/a.csv": f"log {number}".encode()}
    for name, content in inputs.items():
        (folder / name).write_bytes(content)
    sums = {name: sha256(content) for name, content in inputs.items()}
    results = example_results(
        sums,
        runs=runs,
        comparison=comparison or compared(runs),
        created=created or f"2026-{number:02d}-04T10:00:00+00:00",
    )
    results["campaign"] |= {"title": f"Campaign {number}"} | about
    if not results["comparison"]["dof"]:
        results["bench"] = {"mount_sd_K": None, "mount_sd_dof": None}
    write_report(folder, results)
    return archive(folder, to=tmp_path / "store")


@pytest.fixture(scope="module")
def store(tmp_path_factory):
    tmp_path = tmp_path_factory.mktemp("history")
    rng = np.random.default_rng(8)  # a seed without a false alarm of the chart, of which 32 mounts have one in ten
    for number in range(1, 9):
        file_campaign(tmp_path, number, simulated_runs(rng, lots=["L1", "L2"], n_mounts=4))
    return tmp_path / "store"


def test_the_pooled_mount_sd_is_the_true_one(store):
    """8 campaigns of 6 degrees of freedom: the estimate lies within its chi-squared 99.9 % band of the truth."""
    bench = bench_histories(read_archive(store).campaigns)[0]

    assert bench.dof == 48
    assert bench.mount_sd_K_per_W == pytest.approx(TRUE_SD_K_PER_W, rel=0.33)


def test_run_noise_is_taken_out_of_the_mount_sd(tmp_path):
    """Without any scatter between mounts the pooled variance is zero on the average, not that of the noise."""
    rng = np.random.default_rng(11)
    for number in range(1, 13):
        file_campaign(tmp_path, number, simulated_runs(rng, sd=0.0, n_mounts=6))
    variances = [campaign_scatter(campaign).variance for campaign in read_archive(tmp_path / "store").campaigns]
    of_noise = NOISE_K**2 / sum(power**2 for power in LADDER)

    assert abs(np.mean(variances)) < 0.25 * of_noise


def test_the_prior_block_is_what_campaign_yaml_takes(store):
    bench = history(store).benches[0]

    prior = Prior.model_validate(yaml.safe_load(bench.prior)["prior"])

    assert prior.dof == 48
    assert prior.sd_K_per_W == pytest.approx(bench.mount_sd_K_per_W, rel=5e-3)
    assert prior.source == "8 archived campaigns on bench-1"


def test_a_bench_name_cannot_break_the_prior_block(tmp_path):
    file_campaign(tmp_path, 1, simulated_runs(np.random.default_rng(1)), bench='a"\nb: {c}\\')

    prior = history(tmp_path / "store").benches[0].prior

    assert yaml.safe_load(prior)["prior"]["source"] == '1 archived campaign on a" b: {c}\\'


def test_a_treatment_over_campaigns_finds_the_true_gain(store):
    one = across_campaigns(read_archive(store).campaigns)[0]

    assert (one.treatment, one.baseline, len(one.studies)) == ("pad-b", "grease-a", 8)
    assert one.at_power_W == 90.0
    assert one.combined.interval[0] < -0.012 * 90.0 < one.combined.interval[1]


def test_a_steady_bench_is_called_steady_and_a_changed_one_is_not(store, tmp_path):
    rng = np.random.default_rng(3)
    for number in range(1, 7):
        file_campaign(tmp_path, number, simulated_runs(rng, shift=0.0 if number < 6 else 0.05))

    steady = chart_baselines(read_archive(store).campaigns)[0]
    changed = history(tmp_path / "store")

    assert steady.power_W == 110.0
    assert len(steady.points) == 32
    assert steady.chart.steady
    assert not changed.baselines[0].chart.steady
    assert "look for what changed on the bench" in changed.summary()


def test_a_campaign_without_the_step_of_the_others_is_named(tmp_path):
    rng = np.random.default_rng(4)
    for number in (1, 2):
        file_campaign(tmp_path, number, simulated_runs(rng))
    file_campaign(tmp_path, 3, simulated_runs(rng, ladder=LADDER[:3]))

    chart = chart_baselines(read_archive(tmp_path / "store").campaigns)[0]

    assert chart.power_W == 90.0  # all three have it
    assert chart.not_at_step == ()


def test_lots_that_differ_are_found_and_lots_that_do_not_are_not(store, tmp_path):
    rng = np.random.default_rng(5)
    runs = simulated_runs(rng, lots=["L1", "L2"], n_mounts=8, sd=0.001)
    for run in runs:
        run["rise_K"] += 0.05 * run["set_power_W"] if run["lot"] == "L2" else 0.0
    file_campaign(tmp_path, 1, runs)

    same = compare_lots(read_archive(store).campaigns)[0]
    differ = compare_lots(read_archive(tmp_path / "store").campaigns)[0]

    assert same.p_value > 0.001
    assert differ.p_value < 1e-6
    assert differ.between_K_per_W == pytest.approx(0.05 / math.sqrt(2.0), rel=0.2)


def test_the_same_measurements_filed_again_count_once(tmp_path):
    runs = simulated_runs(np.random.default_rng(6))
    file_campaign(tmp_path, 1, runs)
    folder = tmp_path / "campaign1"
    results = json.loads((folder / "report/results.json").read_text(encoding="utf-8"))
    write_report(folder, results | {"created": "2026-05-04T10:00:00+00:00"})
    again = archive(folder, to=tmp_path / "store")

    found = read_archive(tmp_path / "store")

    assert [campaign.bag for campaign in found.campaigns] == [again.bag.name]
    assert "count as part of" in found.left_out[0]


def one_each(number, base_K, candidate_K, candidate="pad-b"):
    """Return the runs of a campaign with one mount of each at one step; the baseline's are in each such campaign."""
    rises = {"grease-a": ("grease", base_K), candidate: (f"{candidate}-{number}", candidate_K)}
    return [
        {"run": run, "treatment": treatment, "mount": "m1", "set_power_W": 90.0, "rise_K": rise, "used": True}
        for treatment, (run, rise) in rises.items()
    ]


def file_one_each(tmp_path, number, base_K, candidate_K, title=None, **others):
    """File such a campaign with its run sheet; the log of the baseline is the same file in each."""
    runs = one_each(number, base_K, candidate_K, **others)
    folder = tmp_path / f"campaign{number}"
    (folder / "logs").mkdir(parents=True)
    inputs = {"campaign.yaml": b"x", "logs/grease.csv": b"baseline", f"logs/{runs[1]['run']}.csv": str(number).encode()}
    lines = [f"{run['run']},{run['treatment']},m1,90,logs/{run['run']}.csv" for run in runs]
    inputs["runs.csv"] = "\n".join(["run,treatment,mount,set_power_W,log", *lines, ""]).encode()
    for name, content in inputs.items():
        (folder / name).write_bytes(content)
    compare = {"reference_power_W": 90.0, "dof": 0, "treatments": [
        {"treatment": runs[1]["treatment"], "n_mounts": 1, "verdict": "not replicated", "interval_K": None,
         "difference_K": candidate_K - base_K},
    ]}  # fmt: skip
    created = f"2026-{number:02d}-04T10:00:00+00:00"
    sums = {name: sha256(content) for name, content in inputs.items()}
    results = example_results(sums, runs=runs, comparison=compare, created=created)
    results["campaign"] |= {"title": title or f"Campaign {number}"}
    results["bench"] = {"mount_sd_K": None, "mount_sd_dof": None}
    write_report(folder, results)
    return archive(folder, to=tmp_path / "store")


def test_campaigns_on_one_baseline_log_are_one_of_all_their_mounts(tmp_path):
    candidates = [58.1, 57.2, 58.9]
    for number, rise in enumerate(candidates, start=1):
        file_one_each(tmp_path, number, 60.0, rise)
    file_one_each(tmp_path, 4, 60.0, 59.0, candidate="foil-c")

    found = history(tmp_path / "store")

    assert found.n_campaigns == 1
    assert [text.partition(": ")[2].partition(" of ")[0] for text in found.left_out] == [
        "compares with the baseline"
    ] * 3
    foil, pad = found.across
    assert (foil.treatment, foil.studies[0].n_mounts, foil.studies[0].n_baseline) == ("foil-c", 1, 1)
    assert (pad.treatment, pad.studies[0].n_mounts, pad.studies[0].n_baseline) == ("pad-b", 3, 1)
    half = scipy.stats.t.ppf(0.975, 2) * np.std(candidates, ddof=1) * math.sqrt(1 / 3 + 1)
    mean = np.mean(candidates) - 60.0
    assert pad.combined.interval == pytest.approx((mean - half, mean + half), rel=1e-9)
    assert sum(point.treatment == "grease-a" for point in found.mounts) == 1
    assert "each mount once" in render_history(found)


def test_a_campaign_made_again_with_another_mount_is_not_joined_with_what_it_replaces(tmp_path):
    file_one_each(tmp_path, 1, 60.0, 50.0, title="Pad or grease")
    file_one_each(tmp_path, 2, 60.0, 58.0, title="Pad or grease")

    found = history(tmp_path / "store")

    assert "count as part of" in found.left_out[0]
    assert found.across[0].studies[0].n_mounts == 1
    assert found.across[0].studies[0].difference_K_per_W * 90.0 == pytest.approx(-2.0)


def test_mounts_of_campaigns_on_one_baseline_hold_the_truth_as_often_as_promised():
    """2000 archives of two to five campaigns with one mount each on one baseline mount: 0.95 within 0.01."""
    rng, hits = np.random.default_rng(20260418), 0
    for _ in range(2000):
        whole, base_K = None, rng.normal(60.0, 0.6)
        for number in range(rng.integers(2, 6)):
            runs = tuple(filed_runs({"runs": one_each(number, base_K, rng.normal(58.8, 0.6))}))
            own = FiledCampaign(
                bag=f"{number}", title=f"{number}", bench="b", baseline="grease-a", measured="", day="2026-01-01",
                runs=runs, results={"comparison": {"reference_power_W": 90.0}},
            )  # fmt: skip
            whole = own if whole is None else joined(whole, own, {"grease"})
        low, high = across_campaigns([whole])[0].combined.interval
        hits += low <= -1.2 <= high

    assert 0.94 <= hits / 2000 <= 0.96


def test_results_that_were_changed_in_the_archive_do_not_count(tmp_path):
    filed = file_campaign(tmp_path, 1, simulated_runs(np.random.default_rng(6)))
    path = filed.bag / "data/report/results.json"
    path.chmod(0o644)
    path.write_bytes(path.read_bytes() + b" ")

    found = history(tmp_path / "store")

    assert found.n_campaigns == 0
    assert "not the one that was filed" in found.left_out[0]


@pytest.mark.parametrize("broken", [{"runs": [{}]}, {"campaign": {"sha256": {"a": "b"}, "bench": "x"}}])
def test_results_of_another_shape_are_left_out_with_the_reason(tmp_path, broken):
    filed = file_campaign(tmp_path, 1, simulated_runs(np.random.default_rng(6)))
    folder = tmp_path / "campaign1"
    shutil.rmtree(tmp_path / "store")
    results = json.loads((folder / "report/results.json").read_text(encoding="utf-8"))
    sums = results["campaign"]["sha256"]
    results |= broken
    results["campaign"]["sha256"] = sums
    write_report(folder, results)
    archive(folder, to=tmp_path / "store")

    found = history(tmp_path / "store")

    assert found.n_campaigns == 0
    assert filed.bag.name in found.left_out[0]
    assert "cannot be read" in found.left_out[0]


def test_results_with_a_wrong_type_are_refused_with_file_and_key(tmp_path):
    file_campaign(tmp_path, 1, simulated_runs(np.random.default_rng(6)))
    folder = tmp_path / "campaign1"
    results = json.loads((folder / "report/results.json").read_text(encoding="utf-8"))
    write_report(folder, results | {"runs": 3})

    with pytest.raises(InputError, match=r"results\.json: runs: found '?3'?; allowed: .*list"):
        archive(folder, to=tmp_path / "other")


def test_a_folder_that_is_no_archive_is_refused(tmp_path):
    with pytest.raises(InputError, match=r"no bags\.jsonl"):
        history(tmp_path)


# Few campaigns --------------------------------------------------------------------------------------------------------


def test_without_a_spread_and_with_equal_weights_it_is_the_t_interval():
    """With s pooled over all: 12 degrees of freedom of the mounts and 3 of the campaigns, by hand."""
    values, u, dof = [-1.0, -1.4, -0.8, -1.6], 0.3, 12
    s2 = (dof * u**2 + sum((value + 1.2) ** 2 for value in values)) / (dof + 3)
    half = scipy.stats.t.ppf(0.975, dof + 3) * math.sqrt(s2 / 4)

    found = combine_campaigns(values, [u] * 4, dof=dof, scale=1e-9)

    assert found.mean == pytest.approx(-1.2)
    assert found.interval == pytest.approx((-1.2 - half, -1.2 + half), rel=1e-4)


@pytest.mark.parametrize("dof", [1, 4, 20])
def test_the_interval_is_that_of_a_million_draws(dof):
    """Importance sampling of the same model: draws of the pooled variance and the spread, weighted by likelihood."""
    rng = np.random.default_rng(17)
    values, u, scale = np.array([-2.1, -1.2, -0.4]), np.array([0.4, 0.4, 0.9]), 0.4
    factor, tau = dof / rng.chisquare(dof, 1_000_000), np.abs(rng.normal(0.0, scale, 1_000_000))
    weight = 1.0 / (factor[:, None] * u**2 + tau[:, None] ** 2)
    precision = weight.sum(axis=1)
    mean = (weight @ values) / precision
    log = 0.5 * (np.log(weight).sum(axis=1) - np.log(precision) - (weight * (values - mean[:, None]) ** 2).sum(axis=1))
    draws = rng.normal(mean, 1.0 / np.sqrt(precision))
    order = np.argsort(draws)
    share = np.cumsum(np.exp(log - log.max())[order])
    ends = [draws[order][np.searchsorted(share, at * share[-1])] for at in (0.025, 0.975)]

    found = combine_campaigns(values, u, dof=dof, scale=scale)

    assert found.interval == pytest.approx(ends, abs=0.04)
    assert found.spread == pytest.approx(np.average(tau, weights=np.exp(log)), abs=5e-3)


ONE_EACH = (-1.64, -3.00, -1.35, -3.37)


def one_mount_campaigns(tmp_path, differences=ONE_EACH, **columns):
    """File campaigns with one mount each of two treatments, at 90 W, reported in the reverse order."""
    for number, difference in enumerate(differences, start=1):
        runs = [
            {"run": f"{treatment}-{number}", "treatment": treatment, "mount": "m1", "set_power_W": 90.0, "used": True}
            | {"rise_K": rise, "reason": "", "start": f"2026-{number:02d}-01T09:00:00", "lot": "", "condition": ""}
            | {name: values[number - 1] for name, values in columns.items()}
            for treatment, rise in (("grease-a", 50.0), ("pad-b", 50.0 + difference))
        ]
        file_campaign(tmp_path, number, runs, created=f"2027-{13 - number:02d}-01T09:00:00+00:00")
    return history(tmp_path / "store")


def test_campaigns_with_one_mount_each_are_combined(tmp_path):
    """Four differences of one mount each: -2.3 +- 1.6 K, the t interval over the campaigns."""
    found = one_mount_campaigns(tmp_path)
    one = found.across[0]
    low, high = one.combined.interval

    assert one.combined.mean == pytest.approx(-2.34, abs=5e-3)
    assert (high - low) / 2.0 == pytest.approx(scipy.stats.t.ppf(0.975, 3) * np.std(ONE_EACH, ddof=1) / 2.0)
    assert "4 campaigns with 8 mounts: −2.3 [−3.9, −0.8] K, ± 1.6 K" in found.summary()
    assert "nothing to combine" not in found.summary()
    assert one.method == "t interval over the campaigns"


def test_one_campaign_with_one_mount_each_says_its_difference_and_no_interval(tmp_path):
    found = one_mount_campaigns(tmp_path, ONE_EACH[:1])

    assert found.across[0].combined is None
    assert "−1.64 K (one mount each, once: no interval)" in found.summary()
    assert history_data(found)["combined"][0]["interval_K"] is None


def test_one_mount_campaigns_give_a_prior_and_the_plan_takes_it(tmp_path):
    """Half the variance of four differences, 3 degrees of freedom; the plan uses half of them."""
    bench = one_mount_campaigns(tmp_path).benches[0]
    sd = np.std(ONE_EACH, ddof=1) / math.sqrt(2.0)
    prior = Prior.model_validate(yaml.safe_load(bench.prior)["prior"])

    scatter = archive_scatter(tmp_path / "store", reference_power_W=90.0)

    assert prior.dof == 3
    assert prior.sd_K_per_W * 90.0 == pytest.approx(sd, rel=5e-3)
    assert "one mount of each" in prior.source
    assert (scatter.sd_K, scatter.dof) == (pytest.approx(sd), 1.5)
    assert "differences" in scatter.cautions[0]


@pytest.mark.parametrize(("n_campaigns", "half_K"), [(2, 0.93), (3, 0.73)])
def test_few_campaigns_of_three_mounts_are_as_narrow_as_the_model_allows(tmp_path, n_campaigns, half_K):
    """Mount SD 0.5 K, run noise 0.2 K: mean half-widths over 40 archives; two used to give 4.4 K."""
    rng, halves = np.random.default_rng(23), []
    for _ in range(40):
        runs = [
            simulated_runs(rng, sd=0.5 / 90.0, gain=-0.012 + rng.normal(0.0, 0.4) / 90.0) for _ in range(n_campaigns)
        ]
        campaigns = [
            FiledCampaign(
                bag=str(place), title=str(place), bench="b", baseline="grease-a", measured="", day="2026-01-01",
                runs=tuple(filed_runs({"runs": own})), results={"runs": own, "comparison": compared(own)},
            )
            for place, own in enumerate(runs)
        ]  # fmt: skip
        low, high = across_campaigns(campaigns)[0].combined.interval
        halves.append((high - low) / 2.0)

    assert np.mean(halves) == pytest.approx(half_K, rel=0.08)


def test_an_interval_wider_than_that_of_one_campaign_says_why_and_states_the_scale(tmp_path):
    rng = np.random.default_rng(31)
    file_campaign(tmp_path, 1, simulated_runs(rng, n_mounts=10), title="Large")
    alone = history(tmp_path / "store").across[0]
    file_campaign(tmp_path, 2, simulated_runs(rng, n_mounts=2, gain=0.005), title="Small")
    one = history(tmp_path / "store").across[0]
    halves = [(high - low) / 2.0 for _, (low, high) in one.sensitivity]

    assert (alone.method, alone.cautions) == ("one campaign", ())
    assert one.cautions[0].startswith("This is wider than 'Large' alone (± ")
    assert "campaigns may truly differ by about" in one.cautions[0]
    assert "scale of 0.4 K" in one.method
    assert [scale for scale, _ in one.sensitivity] == [0.2, 0.4, 0.8]
    assert halves == sorted(halves)


def test_campaigns_that_contradict_each_other_are_told_and_not_averaged_away(tmp_path):
    rng = np.random.default_rng(37)
    for number, gain in ((1, -0.06), (2, 0.06)):
        file_campaign(tmp_path, number, simulated_runs(rng, gain=gain))
    one = history(tmp_path / "store").across[0]
    low, high = one.combined.interval

    assert "look at them one by one" in one.cautions[0]
    assert low < -1.5
    assert high > 1.5


def test_what_a_program_gets_is_in_the_order_measured(tmp_path):
    found = one_mount_campaigns(tmp_path)
    write_history(found, tmp_path / "store")

    data = json.loads((tmp_path / "store/history.json").read_text(encoding="utf-8"))

    assert [mount["measured"] for mount in data["mounts"]] == [
        f"2026-{number:02d}-01T09:00:00" for number in (1, 1, 2, 2, 3, 3, 4, 4)
    ]
    assert data["mounts"][1] | {"bag": ""} == {
        "campaign": "Campaign 1", "treatment": "pad-b", "mount": "m1", "measured": "2026-01-01T09:00:00",
        "rise_K": 48.36, "set_power_W": 90.0, "lower_grade": False, "bench": "bench-1", "bag": "", "lot": "",
        "day": "2026-01-01",
    }  # fmt: skip
    combined = data["combined"][0]
    assert (combined["treatment"], combined["baseline"], combined["at_power_W"]) == ("pad-b", "grease-a", 90.0)
    assert (combined["n_campaigns"], combined["n_mounts"]) == (4, 8)
    assert combined["interval_K"][0] < combined["difference_K"] < combined["interval_K"][1]
    assert (data["mount_sd_dof"], data["at_power_W"]) == (3, 90.0)
    assert "Runs made from 2026-01-01 to 2026-04-01." in render_history(found)
    assert verify(tmp_path / "store").notes == ()


def test_readings_without_a_log_are_marked_as_the_lower_grade(tmp_path):
    no_log = [{"flag": "no log", "severity": "note", "reason": "a reading", "evidence": {}}]
    found = one_mount_campaigns(tmp_path, flags=[[], no_log, [], []])

    assert [point.lower_grade for point in found.mounts] == [False, False, True, True, *[False] * 4]
    assert "with 8 mounts" in found.summary()
    assert "2 mounts of these rest on readings without a log, the lower grade." in found.summary()


def test_a_difference_that_its_own_report_doubts_is_named(tmp_path):
    for number in (1, 2):
        runs = simulated_runs(np.random.default_rng(number))
        comparison = compared(runs)
        comparison["treatments"][0]["verdict"] = "in doubt" if number == 2 else "cooler"
        file_campaign(tmp_path, number, runs, comparison=comparison)

    assert "In doubt by its own report: 'Campaign 2'." in history(tmp_path / "store").summary()


def test_lots_and_ages_are_found_over_campaigns_with_one_mount_each(tmp_path):
    """Each campaign has one mount, of another lot and age: their scatter is that of repeated mounts on the bench."""
    found = one_mount_campaigns(
        tmp_path, [-1.0, -1.1, -0.9, -5.0], lot=["L1", "L1", "L1", "L2"],
        condition=["day 0", "day 10", "day 20", "day 30"],
    )  # fmt: skip
    lots = {lot.treatment: lot for lot in found.lots}
    age = {trend.treatment: trend for trend in found.ageing}

    assert lots["pad-b"].p_value < 1e-6
    assert age["pad-b"].n_mounts == 4
    assert "Each age is another mount" in age["pad-b"].cautions[0]
    assert age["pad-b"].slope_K_per_W < 0.0


# Age ------------------------------------------------------------------------------------------------------------------


def aged_store(tmp_path, slope, *, n_mounts=3, ages=(0, 20, 40, 80), steps=(70.0, 90.0)):
    rng = np.random.default_rng(9)
    runs = []
    for mount in range(1, n_mounts + 1):
        own = rng.normal(0.0, TRUE_SD_K_PER_W)
        for age in ages:
            for power in steps:
                rise = SINK[power] + (own + slope * age) * power + rng.normal(0.0, 0.05)
                runs.append(
                    {
                        "run": f"{mount}-{age}-{power:g}",
                        "treatment": "grease-a",
                        "mount": f"m{mount}",
                        "set_power_W": power,
                    }
                    | {"rise_K": rise, "used": True, "reason": "", "lot": "", "condition": f"{age} cycles"}
                )
    runs += [run for run in simulated_runs(rng) if run["treatment"] == "pad-b"]
    file_campaign(tmp_path, 1, runs)
    return tmp_path / "store"


@pytest.mark.parametrize(
    ("slope", "finding"), [(2e-4, "the resistance rises"), (-2e-4, "the resistance falls"), (0.0, "no trend is shown")]
)
def test_a_trend_with_age_is_found_with_its_sign(tmp_path, slope, finding):
    trend = age_trends(read_archive(aged_store(tmp_path, slope)).campaigns)[0]

    assert (trend.treatment, trend.unit, len(trend.mounts)) == ("grease-a", "cycle", 3)
    assert trend.interval_K_per_W[0] < slope < trend.interval_K_per_W[1]
    assert trend.finding.startswith(finding)


def test_one_mount_has_its_own_interval_and_a_caution(tmp_path):
    trend = age_trends(read_archive(aged_store(tmp_path, 2e-4, n_mounts=1)).campaigns)[0]

    assert trend.interval_K_per_W[0] < 2e-4 < trend.interval_K_per_W[1]
    assert "says nothing of others" in trend.cautions[0]


def test_a_line_through_two_runs_has_no_interval(tmp_path):
    trend = age_trends(read_archive(aged_store(tmp_path, 2e-4, n_mounts=1, ages=(0, 40), steps=(90.0,))).campaigns)[0]

    assert trend.interval_K_per_W is None
    assert trend.finding == "not settled"
    assert "one repeat more" in trend.cautions[1]


@pytest.mark.parametrize(
    ("condition", "age"),
    [("day 42", (42.0, "day")), ("6 weeks", (6.0, "week")), ("Cycles 50", (50.0, "cycle")), ("12.5 h", (12.5, "h"))]
    + [(text, None) for text in ("", "as new", "42", "day 42 hot", "day 4 of 5", "x" * 5000)],
)
def test_ages_are_read_from_conditions(condition, age):
    assert parse_age(condition) == age


# Page -----------------------------------------------------------------------------------------------------------------


def test_builds_are_set_against_their_intervals():
    build = {
        "bag": "b1",
        "day": "2026-04-01",
        "verdict": "pass",
        "build": {"id": "B-7", "treatment": "pad-b", "lot": "L1"},
        "prediction": [
            {"set_power_W": 90.0, "rise_K": 50.2, "expected_rise_K": 50.0, "interval_K": [48.9, 51.1]},
            {"set_power_W": 110.0, "rise_K": None, "expected_rise_K": 60.0, "interval_K": None},
        ],
    }

    points = build_points(build)

    assert [(point.build, point.power_W, point.interval_K) for point in points] == [("B-7", 90.0, (48.9, 51.1))]


def test_the_page_stands_alone_and_describes_each_picture(store):
    path = write_history(history(store), store)
    page = path.read_text(encoding="utf-8")

    images = re.findall(r"<img [^>]*>", page)
    assert len(images) == 2
    for image in images:
        assert len(re.search(r'alt="([^"]*)"', image)[1]) > 60
        assert base64.b64decode(re.search(r"base64,([^\"]*)", image)[1]).startswith(b"<svg")
    assert "default-src 'none'; img-src data:; style-src 'unsafe-inline'" in page
    assert "<script" not in page
    assert "prior: {mount_sd_K_per_W:" in page
    assert len(page) < 1_000_000


def test_text_of_campaigns_stays_text_in_the_page(tmp_path):
    payload = "<img src=x onerror=alert(1)>$x^2$"
    runs = simulated_runs(np.random.default_rng(2))
    for run in runs:
        run["treatment"] = run["treatment"].replace("pad-b", payload)
        run["lot"] = payload
    folder_runs = [run | {"treatment": run["treatment"].replace(payload, "pad-b")} for run in runs]
    file_campaign(tmp_path, 1, folder_runs, title=payload, bench=payload)

    page = render_history(history(tmp_path / "store"))

    assert "<img src=x" not in page
    assert "&lt;img src=x onerror=alert(1)&gt;" in page


def test_the_summary_says_each_finding_on_a_line(store):
    text = history(store).summary()

    assert "Mount SD on bench bench-1" in text
    assert "pad-b against grease-a at 90 W, 8 campaigns with 64 mounts" in text
    assert "Lots of pad-b" in text


def test_a_level_that_is_none_and_a_bench_that_is_not_there_are_bad_input(tmp_path):
    file_campaign(tmp_path, 1, simulated_runs(np.random.default_rng(1)), bench="north wall")
    for level in (0.0, 1.0, float("nan")):
        with pytest.raises(InputError, match="confidence level"):
            history(tmp_path / "store", confidence_level=level)
    with pytest.raises(InputError, match="a bench in the archive: 'north wall'"):
        history(tmp_path / "store", bench="south wall")
