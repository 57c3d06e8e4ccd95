"""Runs ranked by doubt, what each weighs in the answer, and that trying changes neither files nor results."""

import hashlib
import re
from dataclasses import replace

import numpy as np
import pytest
from demo_copies import DEMO, FAULTY, SHED, small_copy

from thermlab.base.errors import InputError
from thermlab.compare.analysis import analyse
from thermlab.compare.records import Caution
from thermlab.explore import figures as figures_explore
from thermlab.explore import pages as exploration_pages
from thermlab.explore.exploring import beside, campaigns, chosen, explore, heaviest, heaviest_first, try_exclusions
from thermlab.explore.sheet_edit import exclude_run, lift_exclusion
from thermlab.reports.figures import doubtful_runs
from thermlab.reports.pages import Block
from thermlab.reports.pictures import Picture


@pytest.fixture(scope="module")
def folder(tmp_path_factory):
    return small_copy(tmp_path_factory.mktemp("demo"))


@pytest.fixture(scope="module")
def found(folder):
    return explore(folder)


def differences(analysis):
    return {item.treatment: item.difference_K for item in analysis.comparison.treatments}


def state_of(folder):
    return {path: hashlib.sha256(path.read_bytes()).hexdigest() for path in folder.rglob("*") if path.is_file()}


def test_the_answer_is_the_one_of_the_report(found, folder):
    analysis = analyse(folder)

    assert found.analysis.comparison == analysis.comparison
    assert found.analysis.runs == analysis.runs
    assert found.analysis.throttle == analysis.throttle


def test_the_run_that_went_wrong_is_doubted_first(found):
    assert found.doubts[0].run.run == FAULTY
    assert found.doubts[1].run.run == SHED
    assert abs(found.doubts[0].residual_K) > 2 * abs(found.doubts[2].residual_K)
    assert {doubt.run.run for doubt in found.doubts} == {run.run for run in found.analysis.runs}


def test_doubt_goes_by_the_worst_flag_first(found):
    rank = {"unusable": 3, "doubtful": 2, "note": 1, None: 0}
    order = [rank[doubt.run.worst()] for doubt in found.doubts]

    assert order == sorted(order, reverse=True)


def test_the_influence_of_a_run_is_what_the_campaign_says_without_it(found, folder, tmp_path):
    one = next(
        d for d in found.doubts if d.run.used and d.influence.largest_shift_K and d.run.treatment != "tern-grease"
    )
    copy = small_copy(tmp_path)
    exclude_run(copy, one.run.run, "tried")

    written = differences(analyse(copy))

    # The bench's time constant and curve are found without the run too, which moves the last digit.
    for candidate, difference in one.influence.difference_K.items():
        assert difference == pytest.approx(written[candidate], abs=0.03)
    lift_exclusion(copy, one.run.run)
    assert differences(analyse(copy)) == differences(found.analysis)


def test_leaving_out_a_mount_moves_its_own_treatment_alone(found):
    mount = next(one for one in found.mounts if one.name == "dulse-pad, mount 3")

    assert mount.fate == "left out"
    assert mount.shift_K["plover-paste"] == pytest.approx(0.0, abs=1e-9)
    assert abs(mount.shift_K["dulse-pad"]) > 0.01
    assert SHED not in mount.runs


def test_a_baseline_mount_moves_all_candidates_alike(found):
    shifts = next(one.shift_K for one in found.mounts if one.name == "tern-grease, mount 1")

    assert shifts["plover-paste"] == pytest.approx(shifts["dulse-pad"])


def test_trying_an_exclusion_shows_both_answers(found):
    trial = try_exclusions(found, leave_out=heaviest(found))

    assert trial.before is found.analysis
    assert differences(trial.after) != differences(trial.before)
    assert sum(run.used for run in trial.after.runs) == sum(run.used for run in trial.before.runs) - len(trial.left_out)


def test_a_run_that_was_left_out_can_be_put_back(found):
    trial = try_exclusions(found, put_back=[FAULTY])

    assert next(run for run in trial.after.runs if run.run == FAULTY).used
    throttle = {item.treatment: item.throttle_power_W for item in trial.after.throttle.treatments}
    before = {item.treatment: item.throttle_power_W for item in trial.before.throttle.treatments}
    assert throttle["plover-paste"] != before["plover-paste"]
    assert throttle["tern-grease"] == before["tern-grease"]


def test_trying_touches_neither_files_nor_what_was_found(found, folder):
    before, answer = state_of(folder), found.analysis

    trial = try_exclusions(found, leave_out=heaviest(found))
    again = try_exclusions(found, leave_out=heaviest(found))
    nothing = try_exclusions(found)

    assert state_of(folder) == before
    assert found.analysis is answer
    assert trial.after == again.after
    assert nothing.after.comparison.treatments == answer.comparison.treatments


def test_bad_names_are_all_told_at_once(found):
    with pytest.raises(InputError) as caught:
        try_exclusions(found, leave_out=["plover-paste-2-85", FAULTY], put_back=[FAULTY, SHED, "x"])

    assert [problem.where for problem in caught.value.problems] == ["leave_out", "put_back", "put_back", "put_back"]
    assert FAULTY in caught.value.problems[0].allowed
    assert "no settled rise" in str(caught.value)


def test_an_unknown_run_is_refused_with_the_nearest(found):
    with pytest.raises(InputError, match="tern-grease-1-85W"):
        chosen(found, "tern-grease-1-85")


def test_runs_of_a_mount_and_of_a_step(found):
    assert [run.set_power_W for run in beside(found, FAULTY, by="mount")] == [45.0, 65.0, 85.0, 105.0, 125.0]
    assert {run.set_power_W for run in beside(found, by="step")} == {85.0}
    assert len(beside(found, by="step")) == 9


def test_overrides_are_passed_on(folder):
    found = explore(folder, margin_K=0.2)

    assert found.analysis.overrides == {"margin_K": (1.0, 0.2)}


def test_campaign_folders_are_listed(tmp_path):
    for name in ("one", "two/three", ".hidden", "a/b/c"):
        (tmp_path / name).mkdir(parents=True)
        (tmp_path / name / "campaign.yaml").touch()

    assert campaigns(tmp_path) == (tmp_path / "one", tmp_path / "two" / "three")
    assert campaigns(tmp_path / "one") == (tmp_path / "one",)
    assert campaigns(tmp_path / "two" / "three" / "logs") == ()


PAGES = {
    "overview": exploration_pages.overview,
    "ranking": exploration_pages.ranking,
    "one run": exploration_pages.one_run,
    "leverage": exploration_pages.leverage,
    "trial": lambda found: exploration_pages.with_and_without(try_exclusions(found, heaviest(found), [FAULTY])),
}
PICTURES = {
    "one run": figures_explore.one_run,
    "shed": lambda found: figures_explore.one_run(found, SHED),
    "mount": figures_explore.side_by_side,
    "step": lambda found: figures_explore.side_by_side(found, by="step"),
    "doubtful": lambda found: doubtful_runs(found.analysis)[0],
}


@pytest.mark.parametrize("name", PAGES)
def test_pages_have_numbers_and_nothing_that_is_none(found, name):
    html = PAGES[name](found).html

    assert re.search(r"\d", html)
    assert not re.search(r"\b(None|nan|inf)\b", html)


@pytest.mark.parametrize("name", PICTURES)
def test_pictures_are_drawn_with_words(found, name):
    picture = PICTURES[name](found)

    assert isinstance(picture, Picture)
    assert len(picture.png()) > 5000
    assert re.search(r"\d", picture.alt)
    assert not re.search(r"\b(None|nan|inf)\b", picture.alt)


def test_the_picture_of_a_run_shows_every_channel(found):
    figure = figures_explore.one_run(found, FAULTY).figure
    trace = found.estimates[FAULTY].trace

    sensors, room, power, rise, left, clock = figure.axes
    assert len(sensors.lines) == len(trace.sensors)
    np.testing.assert_array_equal(room.lines[0].get_ydata(), trace.ambient_C)
    np.testing.assert_array_equal(power.lines[0].get_ydata(), trace.power_W)
    np.testing.assert_array_equal(clock.lines[0].get_ydata(), trace.clock_MHz)
    assert np.abs(left.lines[1].get_ydata()).max() > 1.5
    assert len(rise.lines) >= 3


def wicked(found, payload):
    """Return the same exploration with a payload for the name of a run, a treatment, notes, flags and reasons."""
    rename = {FAULTY: payload}

    def run(one):
        flags = tuple(replace(flag, reason=payload, evidence={payload: 1.0}) for flag in one.flags)
        reason = payload if one.reason else ""
        return replace(one, run=rename.get(one.run, one.run), note=payload, flags=flags, reason=reason, sensor=payload)

    def table(items):
        return {rename.get(name, name): value for name, value in items.items()}

    settings = found.campaign.settings.model_copy(update={"title": payload})
    campaign = replace(found.campaign, settings=settings)
    runs = tuple(map(run, found.settled.runs))
    analysis = replace(found.analysis, campaign=campaign, runs=runs, caution_list=(Caution(payload, "campaign"),))
    return replace(
        found,
        campaign=campaign,
        analysis=analysis,
        settled=replace(found.settled, runs=runs),
        estimates=table(found.estimates),
        doubts=tuple(replace(doubt, run=run(doubt.run)) for doubt in found.doubts),
    )


@pytest.mark.parametrize("name", sorted(set(PAGES) - {"trial"}))
def test_texts_from_data_are_escaped(found, name):
    html = PAGES[name](wicked(found, "<img src=x onerror=alert(1)>")).html

    assert "<img" not in html
    assert "&lt;img" in html or name == "leverage"


def test_one_treatment_alone_can_be_explored(folder, tmp_path):
    copy = small_copy(tmp_path)
    sheet = (copy / "runs.csv").read_text(encoding="utf-8").splitlines()
    kept = [sheet[0], *(line for line in sheet if line.startswith("tern-grease"))]
    (copy / "runs.csv").write_text("\n".join(kept) + "\n", encoding="utf-8")
    text = (copy / "campaign.yaml").read_text(encoding="utf-8")
    begin, end = text.index("  plover-paste:\n"), text.index("decision:")
    (copy / "campaign.yaml").write_text(text[:begin] + text[end:], encoding="utf-8")

    found = explore(copy)

    assert found.analysis.comparison is None
    for page in PAGES.values():
        if page is not PAGES["trial"]:
            assert isinstance(page(found), Block)
    assert heaviest(found) == ()
    assert "No comparison" in exploration_pages.with_and_without(try_exclusions(found)).html


def test_what_the_page_in_the_docs_shows_works(found, folder, monkeypatch):
    text = (DEMO.parent / "docs" / "explore.md").read_text(encoding="utf-8")
    monkeypatch.chdir(folder)
    before = state_of(folder)

    for code in re.findall(r"```python\n(.*?)```", text, flags=re.DOTALL):
        names = {}
        exec(code.replace("demo/chart-table", "."), names)

    assert names["proposed"].runs_csv.count("\n") == 46
    assert state_of(folder) == before
    picture = DEMO.parent / "docs" / "explore.png"
    assert f"]({picture.name})" in text
    assert picture.stat().st_size < 200_000


def test_what_changes_a_verdict_comes_before_what_moves_the_answer_further(found):
    calm, moved = (replace(found.mounts[0], changes=(), shift_K={"a": shift}) for shift in (0.1, -0.9))
    turned = replace(calm, changes=("a",))

    assert heaviest_first([calm, moved, turned]) == [turned, moved, calm]
