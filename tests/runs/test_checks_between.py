"""What the runs of a campaign say about each other: ladders, mounts, labels, sensors, plume."""

from dataclasses import replace

import numpy as np
import pytest

from thermlab.campaign.settings import CheckThresholds
from thermlab.runs.checks.between import Spread, check_between, core_spread, follow_power
from thermlab.runs.checks.ladders import (
    exchanged_mounts,
    find_exchanged,
    find_off,
    lay_ladders,
    mount_levels,
    off_treatment,
)
from thermlab.runs.records import ReducedRun
from thermlab.runs.trace import Trace

LIMITS = CheckThresholds()
# A fit is told whatever it says.
ANY = LIMITS.model_copy(update={"ambient_follows_power_K": -np.inf, "ambient_follows_ratio": 0.0})
STEPS_W = (40.0, 65.0, 90.0, 120.0)
TREATMENTS = {"grease-a": 0.0, "pad-b": 0.030}


def rise_K(power_W, per_watt):
    return 0.15 * power_W + 45.0 * (power_W / 120.0) ** 0.8 + per_watt * power_W


def campaign(*, mounts=3, noise_K=0.12, seed=1, treatments=TREATMENTS, offsets=None):
    """Runs of a made-up campaign; `offsets` in K by (treatment, mount, power)."""
    rng = np.random.default_rng(seed)
    offsets = offsets or {}
    runs = []
    for m in range(1, mounts + 1):
        for name, per_watt in treatments.items():
            own = per_watt + rng.normal(0.0, 0.004)
            for power in STEPS_W:
                rise = rise_K(power, own) + rng.normal(0.0, noise_K) + offsets.get((name, str(m), power), 0.0)
                runs.append(
                    ReducedRun(
                        run=f"{name}-{m}-{power:g}", treatment=name, mount=str(m), set_power_W=power, power_W=power,
                        rise_K=rise, order=len(runs),
                    )
                )  # fmt: skip
    return tuple(runs)


def flagged(runs):
    checked = check_between(runs, [], LIMITS)
    return {run.run: {flag.flag for flag in run.flags} for run in checked if run.flags}


def exchange(runs, pairs):
    """Give runs each other's rise."""
    rises = {run.run: run.rise_K for run in runs}
    other = dict(pairs) | {b: a for a, b in pairs}
    return tuple(replace(run, rise_K=rises[other.get(run.run, run.run)]) for run in runs)


@pytest.mark.parametrize("seed", range(8))
def test_a_sound_campaign_has_no_flag(seed):
    assert flagged(campaign(seed=seed)) == {}


@pytest.mark.parametrize("power", STEPS_W)
@pytest.mark.parametrize("off_K", [-1.6, 1.6])
def test_one_run_off_its_ladder_is_the_only_one_named(power, off_K):
    runs = campaign(offsets={("pad-b", "2", power): off_K})

    assert flagged(runs) == {f"pad-b-2-{power:g}": {"off the ladder"}}


def test_the_size_of_what_is_off_is_given():
    runs = campaign(offsets={("grease-a", "1", 90.0): 2.0})

    (found,) = find_off(lay_ladders(runs, LIMITS)).values()
    assert found.evidence["off_K"] == pytest.approx(2.0, abs=0.5)


def test_several_bad_runs_do_not_hide_each_other():
    bad = {("pad-b", "2", 40.0): 2.5, ("grease-a", "1", 90.0): -2.0, ("grease-a", "3", 65.0): 3.0}

    assert flagged(campaign(offsets=bad)) == {f"{t}-{m}-{p:g}": {"off the ladder"} for t, m, p in bad}


def test_mounts_that_differ_are_no_runs_off_their_ladders():
    runs = campaign(treatments={"grease-a": 0.0, "pad-b": 0.09})

    assert flagged(runs) == {}


def test_two_mounts_are_judged_by_a_curve_and_with_care():
    runs = campaign(mounts=1, offsets={("pad-b", "1", 65.0): 5.0})

    checked = {run.run: run.flags for run in check_between(runs, [], LIMITS) if run.flags}
    assert set(checked) == {"pad-b-1-65"}
    assert "few mounts" in checked["pad-b-1-65"][0].reason


@pytest.mark.parametrize("mounts", [1, 2])
def test_too_few_runs_say_nothing(mounts):
    runs = tuple(run for run in campaign(mounts=mounts) if run.set_power_W == 120.0)

    assert flagged(runs) == {}


def test_runs_left_out_are_not_judged():
    runs = tuple(
        replace(run, used=False) if run.run == "pad-b-2-90" else run
        for run in campaign(offsets={("pad-b", "2", 90.0): 9.0})
    )

    assert flagged(runs) == {}


def test_two_runs_with_exchanged_labels_are_told():
    runs = exchange(campaign(), [("grease-a-2-90", "pad-b-1-90")])

    assert flagged(runs) == {"grease-a-2-90": {"labels may be swapped"}, "pad-b-1-90": {"labels may be swapped"}}


def test_one_run_off_is_no_exchange():
    ladders = lay_ladders(campaign(offsets={("pad-b", "2", 90.0): -3.0}), LIMITS)

    assert find_exchanged(ladders, find_off(ladders)) == {}


@pytest.mark.parametrize("mount", ["1", "2", "3"])
def test_two_mounts_with_exchanged_labels_are_told_on_each_of_their_runs(mount):
    pairs = [(f"grease-a-2-{p:g}", f"pad-b-{mount}-{p:g}") for p in STEPS_W]

    found = flagged(exchange(campaign(), pairs))
    assert set(found) == {name for pair in pairs for name in pair}
    assert all(flags == {"labels may be swapped"} for flags in found.values())


def test_with_two_mounts_each_it_is_said_that_nobody_can_tell_which_pair():
    runs = exchange(campaign(mounts=2), [(f"grease-a-2-{p:g}", f"pad-b-1-{p:g}") for p in STEPS_W])
    levels = mount_levels(lay_ladders(runs, LIMITS), ())

    found = exchanged_mounts(levels)
    assert len(found) == 4
    assert all("nobody can tell" in flag.reason for flag in found.values())


def test_exchange_within_a_treatment_changes_nothing_and_is_not_looked_for():
    runs = exchange(campaign(), [(f"pad-b-1-{p:g}", f"pad-b-2-{p:g}") for p in STEPS_W])

    assert not any("labels may be swapped" in flags for flags in flagged(runs).values())


def test_a_mount_off_its_treatment_is_flagged_on_each_of_its_runs_with_care():
    runs = campaign(offsets={("pad-b", "3", p): 6.0 * p / 120.0 for p in STEPS_W})

    checked = {run.run: run.flags for run in check_between(runs, [], LIMITS) if run.flags}
    assert set(checked) == {f"pad-b-3-{p:g}" for p in STEPS_W}
    flag = checked["pad-b-3-120"][0]
    assert flag.flag == "mount off its treatment"
    assert flag.evidence["off_K"] == pytest.approx(6.0, abs=1.5)
    assert "only 3 mounts" in flag.reason


def test_with_two_mounts_in_a_treatment_both_are_named():
    runs = campaign(mounts=2, offsets={("pad-b", "2", p): 8.0 * p / 120.0 for p in STEPS_W})
    levels = mount_levels(lay_ladders(runs, LIMITS), ())

    found = off_treatment(levels)
    assert set(found) == {("pad-b", "1"), ("pad-b", "2")}
    assert all("odd one" in flag.reason for flag in found.values())


def test_a_single_mount_cannot_be_off_its_treatment():
    runs = campaign(mounts=1, treatments={"grease-a": 0.0, "pad-b": 0.03, "foil-c": 0.2})
    levels = mount_levels(lay_ladders(runs, LIMITS), ())

    assert off_treatment(levels) == {}


def spread(*, away_K=0.0, mount=1, run=None, seed=0):
    rng = np.random.default_rng(seed)
    mounts = np.repeat(np.arange(5), len(STEPS_W))
    powers = np.tile(STEPS_W, 5)
    per_watt = (
        np.tile([0.0, 0.012, 0.02, 0.006], (mounts.size, 1)) + rng.normal(0, 0.1, (mounts.size, 4)) / powers[:, None]
    )
    rows = mounts == mount if run is None else np.arange(mounts.size) == run
    per_watt[rows, 1] += away_K / 120.0
    return Spread(
        at=tuple(range(mounts.size)), sensors=("core 0", "core 1", "core 2", "core 3"), per_watt=per_watt,
        power_W=powers, mount=mounts,
    )  # fmt: skip


def test_poor_contact_of_one_core_is_flagged_on_each_run_of_its_mount():
    found = core_spread(spread(away_K=4.0), LIMITS)

    assert set(found) == {4, 5, 6, 7}
    assert all("core 1" in flag.reason for flag in found.values())
    assert found[7].evidence["away_K"] == pytest.approx(4.0, abs=0.6)


def test_one_run_with_a_core_unlike_the_mounts_others_is_flagged_alone():
    assert set(core_spread(spread(away_K=5.0, run=11), LIMITS)) == {11}


def test_cores_as_they_always_are_have_no_flag():
    assert core_spread(spread(), LIMITS) == {}


def mount_traces(*, share=0.0, cycle_K=0.0, walk_K=0.0, drift_K_per_h=0.0, powers=STEPS_W, tau_s=700.0, seed=0):
    """The runs of one mount, each 40 min, one at once after the other; the probe reads a share of the sink's rise."""
    rng = np.random.default_rng(seed)
    t = np.arange(0.0, 2400.0 * len(powers), 10.0)
    power = np.repeat(powers, 240)
    sink = np.empty(t.size)
    felt = powers[0]
    for i, watts in enumerate(power):
        felt += (watts - felt) * 10.0 / tau_s
        sink[i] = 0.3 * felt
    room = 22.0 + share * sink + drift_K_per_h * t / 3600.0 + cycle_K * np.sin(2 * np.pi * t / 2300.0 + seed)
    room = np.round(
        room + walk_K * np.cumsum(rng.normal(0, np.sqrt(10.0 / 3600.0), t.size)) + rng.normal(0, 0.03, t.size), 1
    )
    traces = []
    for k, watts in enumerate(powers):
        rows = slice(240 * k, 240 * (k + 1))
        traces.append(
            Trace(
                run=f"grease-a-1-{watts:g}-{k}", treatment="grease-a", mount="1", set_power_W=watts,
                began_s=float(t[rows.start]), clock="calendar", time_s=t[rows] - t[rows.start],
                temperature_C=(22.0 + sink[rows] + 0.1 * power[rows])[:, None],
                sensors=("core",), power_W=power[rows], ambient_C=room[rows],
                clock_MHz=None, history_time_s=np.empty(0), history_C=np.empty(0), interval_s=10.0, jumps=(),
                room_covered=1.0,
            )
        )  # fmt: skip
    return traces


class Settling:
    """As much of an estimate as the room's check looks at."""

    time_constant_s = 700.0
    level_K = None

    def __init__(self, trace):
        self.trace = trace


def following(traces, limits=LIMITS):
    return follow_power([Settling(trace) for trace in traces], limits)


def test_a_probe_in_the_plume_follows_the_power():
    traces = mount_traces(share=0.1)
    runs = tuple(ReducedRun(run=t.run, treatment=t.treatment, mount=t.mount, set_power_W=t.set_power_W) for t in traces)

    assert following(traces).evidence["rise_with_power_K"] == pytest.approx(0.1 * 0.3 * 120.0, abs=0.4)
    checked = check_between(runs, [Settling(trace) for trace in traces], LIMITS)
    assert [[flag.flag for flag in run.flags] for run in checked] == [["ambient follows power"]] * 4


@pytest.mark.parametrize("seed", range(4))
@pytest.mark.parametrize("room", [{"drift_K_per_h": 0.8}, {"cycle_K": 0.4}, {"walk_K": 0.3}])
def test_a_room_of_its_own_course_does_not(room, seed):
    assert following(mount_traces(seed=seed, **room)) is None


@pytest.mark.parametrize("room", [{"drift_K_per_h": -0.5}, {"cycle_K": 0.3}])
def test_the_plume_is_told_from_the_rooms_own_course(room):
    assert following(mount_traces(share=0.1, **room))


def test_the_order_of_the_steps_does_not_matter():
    assert following(mount_traces(share=0.1, powers=(90.0, 40.0, 120.0, 65.0)))


def with_lead_in(traces, n):
    """Put the first n runs into the history of the next one, as a log does that begins before its first run."""
    first = traces[n]
    seconds = np.concatenate([t.time_s + t.began_s - first.began_s for t in traces[:n]])
    return [
        replace(
            first, history_time_s=seconds, history_C=np.concatenate([t.ambient_C for t in traces[:n]]),
            history_device_C=np.concatenate([t.temperature_C[:, 0] for t in traces[:n]]),
            history_power_W=np.concatenate([t.power_W for t in traces[:n]]),
        ),
        *traces[n + 1 :],
    ]  # fmt: skip


@pytest.mark.parametrize("seed", range(4))
def test_what_comes_before_the_first_run_shows_a_small_plume(seed):
    # Idle, pre-soak, then the ladder: the first load moves the probe more than any later step.
    traces = mount_traces(share=0.06, walk_K=0.12, powers=(0.5, 40.0, *STEPS_W), seed=seed)
    ladder, whole = traces[2:], with_lead_in(traces, 2)
    alone, known = (following(runs, ANY).evidence["u_rise_K"] for runs in (ladder, whole))

    assert known < 0.75 * alone
    assert following(whole)
    sound = mount_traces(walk_K=0.12, powers=(0.5, 40.0, *STEPS_W), seed=seed)
    assert following(with_lead_in(sound, 2)) is None


def test_runs_in_files_of_their_own_begin_each_on_its_own_clock():
    # Every file begins again at zero, some idle minutes before a cold start: the room's level may differ between them.
    runs = [
        replace(
            with_lead_in(mount_traces(share=0.05, powers=(0.5, watts), seed=k), 1)[0], began_s=300.0, clock="elapsed"
        )
        for k, watts in enumerate(STEPS_W)
    ]
    runs = [replace(run, ambient_C=run.ambient_C + k, history_C=run.history_C + k) for k, run in enumerate(runs)]
    runs = [replace(run, temperature_C=run.temperature_C + k, history_device_C=run.history_device_C + k)
            for k, run in enumerate(runs)]  # fmt: skip

    assert following(runs).evidence["rise_with_power_K"] == pytest.approx(0.05 * 0.3 * 120.0, abs=0.4)


def test_one_step_alone_says_nothing():
    assert following(mount_traces(powers=(90.0, 90.0)), ANY) is None
