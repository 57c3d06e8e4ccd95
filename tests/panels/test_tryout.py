"""The panel for one campaign: controls that move what is shown, and one cell of the run sheet when asked."""

import pytest
from demo_copies import FAULTY, SHED, sheet_rows, small_copy

from thermlab.base.errors import InputError
from thermlab.panels.tryout import TryoutPanel


@pytest.fixture(scope="module")
def demo(tmp_path_factory):
    return small_copy(tmp_path_factory.mktemp("panel") / "demo")


@pytest.fixture
def panel(demo):
    return TryoutPanel(demo)


def test_it_opens_with_the_most_doubtful_run_and_the_answer_as_it_is(panel):
    assert panel.run.value == FAULTY
    assert "drift at constant power" in panel.flags.value
    assert bytes(panel.picture.value[:4]) == b"\x89PNG"
    assert FAULTY in panel.picture.alt
    assert "Tried: nothing changed." in panel.answer.value


def test_another_run_is_another_picture(panel):
    before = bytes(panel.picture.value)

    panel.run.value = SHED

    assert bytes(panel.picture.value) != before
    assert "shed power at limit" in panel.flags.value


def test_a_tick_moves_the_answer_and_another_takes_it_back(panel):
    was = panel.trial.after.comparison.treatments[0].difference_K
    name = "plover-paste-1-105W"

    panel.ticks[name].value = True

    assert panel.trial.left_out == (name,)
    assert panel.trial.after.comparison.treatments[0].difference_K != was
    assert f"Tried: left out: {name}." in panel.answer.value
    panel.ticks[name].value = False
    assert panel.trial.after.comparison.treatments[0].difference_K == was


def test_the_settings_move_verdict_and_throttle_power(panel):
    before = panel.trial.after

    panel.settings["margin_K"].value = 3.0
    panel.settings["room_C"].value = 20.0

    after = panel.trial.after
    assert panel.trial.settings == {"margin_K": (1.0, 3.0), "room_C": (35.0, 20.0)}
    assert after.throttle.treatments[0].throttle_power_W > before.throttle.treatments[0].throttle_power_W + 5.0
    assert "margin_K 3 in place of 1" in panel.answer.value
    panel.settings["reference_power_W"].value = 65.0
    assert panel.trial.after.comparison.reference_power_W == 65.0


def test_settings_that_cannot_be_are_said_in_words_and_the_panel_goes_on(panel):
    panel.settings["room_C"].value = 60.0
    panel.settings["temperature_C"].value = 50.0

    assert panel.trial is None
    assert "50 °C at a room of 60 °C" in panel.answer.value.replace("\N{NO-BREAK SPACE}", " ")
    panel.settings["temperature_C"].value = 95.0
    assert panel.trial is not None


def test_an_exclusion_is_written_with_its_reason_and_taken_back(tmp_path):
    folder = small_copy(tmp_path / "demo")
    before = (folder / "runs.csv").read_bytes()
    panel = TryoutPanel(folder)
    assert panel.lift.disabled

    panel.write.click()
    assert "found nothing; allowed: why the run is left out" in panel.said.value
    assert (folder / "runs.csv").read_bytes() == before
    panel.reason.value = "workshop door stood open"
    panel.write.click()

    assert "Written." in panel.said.value
    row = next(row for row in sheet_rows(folder) if row["run"] == FAULTY)
    assert row["exclude"] == "workshop door stood open"
    assert panel.ticks[FAULTY].value
    assert "left out: workshop door stood open" in panel.flags.value.replace("excluded: ", "")
    panel.lift.click()
    assert (folder / "runs.csv").read_bytes() == before


def test_a_folder_that_is_none_is_one_line_and_no_way_through_our_code(tmp_path):
    with pytest.raises(InputError) as caught:
        TryoutPanel(tmp_path / "nowhere")

    assert caught.value._render_traceback_() == str(caught.value).splitlines()
    assert len(caught.value._render_traceback_()) == 1
