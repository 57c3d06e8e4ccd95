"""Both notebooks in a real JupyterLab: what a person sees in the browser after Run All Cells on the demo."""

import re
import sys

import pytest
from demo_copies import FAULTY, SHED, whole_logs
from lab_session import CHROMIUM, NO_CHROMIUM, browser, lab, open_notebook, processes_of, run_all, texts, workshop

pytestmark = [pytest.mark.slow, pytest.mark.skipif(CHROMIUM is None, reason=NO_CHROMIUM)]
SHEET = ("demo", "chart-table", "runs.csv")


@pytest.fixture(scope="module")
def place(tmp_path_factory):
    return workshop(tmp_path_factory.mktemp("lab"), whole_logs(tmp_path_factory.mktemp("logs"), every=4))


@pytest.fixture(scope="module")
def session(place):
    with lab(place) as (address, token), browser() as chromium:
        yield chromium, address, token
    if sys.platform == "linux":
        assert processes_of(place) == []


@pytest.fixture(scope="module")
def opened(session):
    """Return a function that opens a notebook, runs all its cells once and returns its page."""
    chromium, address, token = session
    pages = {}

    def show(name):
        if name not in pages:
            page = pages[name] = chromium.new_page(viewport={"width": 1280, "height": 1000})
            page.said = []
            page.on("pageerror", lambda error: page.said.append(str(error)))
            open_notebook(page, address, token, name)
            run_all(page, timeout_s=120)
        return pages[name]

    yield show
    for page in pages.values():
        page.close()


def assert_nothing_went_wrong(page):
    assert texts(page, "[data-mime-type='application/vnd.jupyter.stderr']") == []
    assert texts(page, "[data-mime-type='application/vnd.jupyter.error']") == []
    assert page.said == []


def rows_under(page, caption):
    """Return the cells of the table with this caption as a reader sees them."""
    table = page.locator("table", has=page.locator("caption", has_text=re.compile(caption))).first
    return [
        [cell.strip() for cell in row.locator("th, td").all_inner_texts()] for row in table.locator("tbody tr").all()
    ]


def pictures(page):
    """Return how wide each picture really is, and what is said for those who do not see it."""
    return page.eval_on_selector_all(
        ".jp-RenderedHTMLCommon figure img", "all => all.map(e => [e.naturalWidth, e.alt || ''])"
    )


def test_a_person_finds_the_run_that_went_wrong(opened, place):
    before = place.joinpath(*SHEET).read_bytes()

    page = opened("explore_anomalies")

    assert_nothing_went_wrong(page)
    ranking = rows_under(page, "^Runs by doubt")
    assert [row[0] for row in ranking[:2]] == [FAULTY, SHED]
    assert "drift at constant power (unusable)" in ranking[0][5]
    assert ranking[0][4] == "left out"
    evidence = rows_under(page, "^What the checks found")
    assert any(row[1] == "drift at constant power (unusable)" and "_K " in row[3] for row in evidence)
    assert rows_under(page, "^Leverage on the answer")[0][0] == "as it is"
    compared = {row[0]: row[1:] for row in rows_under(page, "^The answer, with and without")}
    now, tried = next(cells for name, cells in compared.items() if "plover-paste: difference" in name)
    assert now != tried
    assert "Nothing written: an exclusion needs a reason." in page.inner_text(".jp-Notebook")
    assert len(pictures(page)) == 4
    assert all(width > 500 for width, _ in pictures(page))
    assert place.joinpath(*SHEET).read_bytes() == before


def test_a_person_writes_an_exclusion(opened, place):
    sheet = place.joinpath(*SHEET)
    before = sheet.read_bytes()
    page = opened("explore_anomalies")

    last = page.locator(".jp-CodeCell").last
    last.locator(".cm-content").click()
    page.keyboard.press("ControlOrMeta+a")
    page.keyboard.insert_text(
        f'sheet_edit.exclude_run(found.campaign, "{FAULTY}", "workshop door stood open", write=True)'
    )
    page.keyboard.press("Control+Enter")
    last.locator("text=runs.csv.bak-1").wait_for(timeout=30_000)

    line = next(line for line in before.splitlines(keepends=True) if line.startswith(FAULTY.encode()))
    changed = line.replace(b",,\n", b",workshop door stood open,\n")
    assert sheet.read_bytes() == before.replace(line, changed)
    assert sheet.with_name("runs.csv.bak-1").read_bytes() == before
    assert_nothing_went_wrong(page)


def test_a_person_tries_the_answer_with_controls_and_writes_no_name_into_python(opened, place):
    before = place.joinpath(*SHEET).read_bytes()
    page = opened("bench")
    panel = page.locator(".jp-OutputArea-output", has=page.locator("text=tried without the runs ticked")).first
    panel.locator("text=Tried: nothing changed.").wait_for(timeout=30_000)
    picture = panel.locator("img").first.get_attribute("src")

    panel.locator("select").first.select_option(label=f"{SHED}: shed power at limit (left out)")
    drawn = panel.locator("img").first.element_handle()
    page.wait_for_function("([image, old]) => image.src !== old", arg=[drawn, picture])
    panel.locator("text=shed power at limit").last.wait_for()
    panel.get_by_label("margin in K").fill("3")
    page.keyboard.press("Tab")
    panel.locator("text=margin_K 3 in place of 1").wait_for()
    panel.get_by_label("plover-paste-1-105W").check()
    panel.locator("text=Tried: left out: plover-paste-1-105W").wait_for()

    assert_nothing_went_wrong(page)
    assert place.joinpath(*SHEET).read_bytes() == before


def test_a_person_gets_a_campaign_proposed(opened):
    page = opened("first_look")

    assert_nothing_went_wrong(page)
    files = rows_under(page, "^Files that could be logs")
    assert len(files) == 9
    assert all(row[1] == "sensor log" and row[-1] == "5" for row in files)
    columns = {row[0]: row[1] for row in rows_under(page, "^Columns of")}
    assert columns["room [degC]"] == "room"
    assert columns["core 1 [degC]"] == "temperature"
    assert columns["power [W]"] == "power"
    (steps,) = (words for _, words in pictures(page) if words.startswith("Power over time in"))
    assert steps.count(" W for ") == 9 * 5
    proposed = page.inner_text(".jp-Notebook")
    assert 'temperature: {columns: ["core 1 [degC]"' in proposed
    assert "plover-paste-2-85W,plover-paste,2,85,logs/plover-paste-2.csv" in proposed
    assert "Nothing was written." in proposed
    assert len(pictures(page)) == 2


def test_the_start_page_leads_to_the_notebooks(opened):
    page = opened("start")

    assert "../demo/chart-table" in page.inner_text(".jp-Notebook")
    page.click("a >> text=explore anomalies")
    page.wait_for_selector("h1 >> text=The runs that went wrong", timeout=45_000)
    assert_nothing_went_wrong(page)
