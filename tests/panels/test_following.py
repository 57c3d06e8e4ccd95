"""The panel of a run under way: looks at a log that grows, draws it, says what comes next, ends with the run."""

import asyncio

import pytest
from demo_copies import sheet_rows, small_copy

from thermlab.base.errors import InputError
from thermlab.panels.following import FollowPanel

RUN, NEXT = "tern-grease-2-105W", "tern-grease-2-125W"


@pytest.fixture
def growing(tmp_path):
    """Return a campaign whose log ends 25 min into a run, and a function that writes the rest."""
    folder = small_copy(tmp_path / "demo")
    row = next(row for row in sheet_rows(folder) if row["run"] == RUN)
    path = folder / row["log"]
    head, *lines = path.read_text(encoding="utf-8").splitlines(keepends=True)
    begun = next(place for place, line in enumerate(lines) if line.strip() >= row["start"])
    path.write_text("".join([head, *lines[: begun + 25 * 60 // 10]]), encoding="utf-8")
    return folder, lambda: path.write_text("".join([head, *lines]), encoding="utf-8")


def test_a_look_says_where_the_run_is_heading_and_what_comes_next(growing):
    folder, go_on = growing
    panel = FollowPanel(folder, RUN)

    assert panel.show()

    assert f"{RUN}, 24." in panel.said.value or f"{RUN}, 25." in panel.said.value
    assert "heading for" in panel.said.value
    assert f"Next in the run sheet: {NEXT}." in panel.said.value
    before = bytes(panel.picture.value)
    assert before[:4] == b"\x89PNG"
    go_on()
    assert not panel.show()
    assert "its end is reached" in panel.said.value
    assert bytes(panel.picture.value) != before


def test_it_goes_on_by_itself_until_the_run_ends_or_is_told_to_stop(growing):
    folder, go_on = growing
    panel = FollowPanel(folder, RUN, every_s=0.01)

    async def let_it_grow():
        following = asyncio.create_task(panel.follow())
        await asyncio.sleep(0.1)
        assert not following.done()
        go_on()
        await asyncio.wait_for(following, 20)

    asyncio.run(let_it_grow())
    assert "its end is reached" in panel.said.value
    assert panel.stop.disabled
    stopped = FollowPanel(folder, RUN)
    stopped.stop.value = True
    asyncio.run(asyncio.wait_for(stopped.follow(), 20))


def test_a_log_that_is_spoilt_is_said_and_looked_at_again(growing):
    folder, _ = growing
    panel = FollowPanel(folder, RUN)
    (path,) = {folder / row["log"] for row in sheet_rows(folder) if row["run"] == RUN}
    whole = path.read_text(encoding="utf-8")
    path.write_text("nothing like a log\n" * 40, encoding="utf-8")

    assert panel.show()

    assert path.name in panel.said.value
    path.write_text(whole, encoding="utf-8")
    assert panel.show()
    assert "heading for" in panel.said.value


def test_a_run_that_is_not_in_the_sheet_is_named(growing):
    with pytest.raises(InputError, match="'no-such-run'"):
        FollowPanel(growing[0], "no-such-run")
