"""The panel of a plan: controls in, the same plan as the command gives out, a folder only when asked."""

import asyncio

import pytest

from thermlab.panels import question
from thermlab.panels.question import PlanPanel
from thermlab.planning.make import plan

QUESTION = {"treatments": ["teal-wax", "plum-foil"], "baseline": "teal-wax", "margin_K": 1.0, "mount_sd_K": 0.5}


@pytest.fixture
def panel():
    return PlanPanel(**QUESTION, time_constant_min=12.0)


def test_a_moved_control_gives_the_plan_that_the_command_gives(panel):
    before = bytes(panel.picture.value)

    panel.margin_K.value = 1.4

    same = plan(**{**QUESTION, "margin_K": 1.4}, time_constant_min=12.0)
    assert panel.planned == same
    assert f"{same.hours:.1f} bench hours" in panel.answer.value
    assert bytes(panel.picture.value)[:4] == b"<svg"
    assert bytes(panel.picture.value) != before
    assert panel.picture.alt


def test_hours_and_what_is_known_count_only_where_ticked(panel):
    panel.known["hours"].value = True
    panel.values["hours"].value = 10.0
    assert panel.planned.request.hours == 10.0
    assert panel.planned.split.hours <= 10.0

    panel.known["hours"].value = panel.known["mount_sd_K"].value = False
    assert panel.planned.request.hours is None
    assert panel.values["mount_sd_K"].disabled
    assert panel.planned.request.mount_sd_K is None
    assert "is assumed" in panel.answer.value


def test_what_cannot_be_planned_is_said_and_put_right(panel):
    panel.treatments.value = "teal-wax"
    assert panel.planned is None
    assert "2 to" in panel.answer.value
    assert panel.picture.value == b""

    panel.treatments.value = "plum-foil, ash-pad, teal-wax"
    assert panel.planned.request.treatments == ("plum-foil", "ash-pad", "teal-wax")
    assert panel.planned.request.baseline == "plum-foil"


def test_a_folder_is_written_only_when_asked_and_never_over_another(panel, tmp_path):
    folder = tmp_path / "campaign"
    panel.write.click()
    assert "needs a name" in panel.said.value

    panel.folder.value = str(folder)
    assert not folder.exists()
    panel.write.click()
    assert (folder / "campaign.yaml").is_file()
    assert "waiting for its logs" in panel.said.value
    before = (folder / "runs.csv").read_bytes()

    panel.margin_K.value = 2.0
    panel.write.click()
    assert (folder / "runs.csv").read_bytes() == before
    assert "waiting" not in panel.said.value


@pytest.fixture
def margins_planned(monkeypatch):
    """Return the margins that were planned, in order."""
    planned = []
    monkeypatch.setattr(question, "PAUSE_S", 0.3)  # the machine may be slow: the next change always comes in time

    def noted(*folder, **request):
        planned.append(request["margin_K"])
        return plan(*folder, **request)

    monkeypatch.setattr(question, "plan", noted)
    return planned


async def caught_up(panel):
    async with asyncio.timeout(60):
        while panel.busy.value:
            await asyncio.sleep(0.001)


def test_of_several_changes_only_the_last_is_planned_and_the_last_picture_stays_until_then(panel, margins_planned):
    before = bytes(panel.picture.value)

    async def move():
        for margin_K in (1.1, 1.2, 1.3, 1.5):
            panel.margin_K.value = margin_K
            await asyncio.sleep(0)
            assert panel.busy.value == "planning …"
        assert margins_planned == []
        assert bytes(panel.picture.value) == before
        await caught_up(panel)

    asyncio.run(move())

    assert margins_planned == [1.5]
    assert panel.planned == plan(**{**QUESTION, "margin_K": 1.5}, time_constant_min=12.0)
    assert bytes(panel.picture.value) != before


def test_a_change_after_the_sentences_leaves_their_picture_undrawn(panel, margins_planned, monkeypatch):
    drawn = []
    trade = question.trade
    monkeypatch.setattr(
        question, "trade", lambda made, *over: drawn.append(made.request.margin_K) or trade(made, *over)
    )

    async def move():
        panel.margin_K.value = 1.2
        while not margins_planned:
            await asyncio.sleep(0.001)
        panel.margin_K.value = 1.4
        await caught_up(panel)

    asyncio.run(move())

    assert margins_planned == [1.2, 1.4]
    assert drawn == [1.4]
