"""The index page of an archive: found, sorted and read by people, and closed to whatever a campaign is called."""

import base64
import hashlib
import html
import json
import re
import shutil

import pytest
from filed_examples import make_campaign

from thermlab.archives.filing import archive
from thermlab.archives.listing import Entry, read_lines, render_index, write_index

PAYLOAD = "\"'><img src=x onerror=alert(1)><script>alert(2)</script><a href='javascript:alert(3)'>\u202e{{7*7}}${7*7}"


def entry(**changes):
    fields = {
        "bag": "pads-2026-03-04",
        "kind": "campaign",
        "title": "Grease or pad",
        "bench": "bench-1",
        "created": "2026-03-04T10:00:00+00:00",
        "filed": "2026-03-05T10:00:00Z",
        "thermlab_version": "0.1.0",
        "answers": ("pad-b: cooler, -1.21 K [-2.00, -0.42]",),
        "results_sha256": "0" * 64,
        "tagmanifest_sha256": "1" * 64,
        "previous": "0" * 64,
    }
    # The page escapes whatever a line may hold, also what the list does not let in.
    return Entry.model_construct(**(fields | changes))


def test_the_script_is_allowed_by_its_hash_and_nothing_else_is():
    page = render_index([entry()], last="ab" * 32)
    scripts = re.findall(r"<script>(.*?)</script>", page, flags=re.DOTALL)
    policy = re.search(r'Content-Security-Policy" content="([^"]*)"', page)[1]

    digest = base64.b64encode(hashlib.sha256(scripts[0].encode()).digest()).decode()

    assert len(scripts) == 1
    assert f"script-src 'sha256-{digest}'" in policy
    assert policy.startswith("default-src 'none'")
    assert "unsafe-eval" not in policy
    assert "http" not in re.sub(r"http-equiv", "", page)


def test_without_script_it_is_a_plain_table_with_links():
    page = render_index([entry()], last=None)
    table = page[page.index("<table>") : page.index("</table>")]

    assert '<a href="pads-2026-03-04/data/report/report.html">Grease or pad</a>' in table
    assert "pad-b: cooler, -1.21 K [-2.00, -0.42]" in table
    assert table.count('scope="col"') == 8
    assert "button" not in table


def test_builds_lead_to_their_record():
    assert 'href="b/data/record/record.html"' in render_index([entry(bag="b", kind="build")], last=None)


def test_text_of_a_campaign_stays_text():
    page = render_index(
        [entry(title=PAYLOAD, bench=PAYLOAD, answers=(PAYLOAD,), bag=PAYLOAD, kind=PAYLOAD, created=PAYLOAD)], last=None
    )

    assert "<img" not in page
    assert page.count("<script>") == 1
    assert "\u202e" not in page
    assert html.escape(PAYLOAD.replace("\u202e", "\ufffd")) in page


def test_names_are_encoded_in_links():
    assert 'href="a%20b%3F%23%25.../data/report/report.html"' in render_index([entry(bag="a b?#%...")], last=None)


def test_bags_stand_in_the_order_measured_not_reported_or_filed():
    """A report made again last stands where its runs were made; without a date the report's own day counts."""
    days = {"late": "2026-02-01T09:00:00", "early": "2025-11-03T09:00:00+01:00", "undated": ""}
    page = render_index([entry(bag=bag, measured=day) for bag, day in days.items()], last=None)

    assert re.findall(r'<a href="(\w+)/">', page) == ["undated", "late", "early"]
    assert '<td class="date">2025-11-03</td><td class="date">2026-03-04</td>' in page


def test_lines_of_earlier_versions_have_no_day_of_measuring(tmp_path):
    fields = json.loads(entry().line())
    del fields["measured"]
    (tmp_path / "bags.jsonl").write_text(json.dumps(fields) + "\n", encoding="utf-8")

    entries, _, problems = read_lines(tmp_path)

    assert (entries, problems) == ([entry()], [])
    assert entries[0].day == "2026-03-04T10:00:00+00:00"


def test_filing_notes_when_the_first_run_began(tmp_path):
    starts = ["2026-02-11T08:00:00", "2026-02-10T08:00:00", "12:00:00", None]
    runs = [{"run": f"r{place}", "start": start} for place, start in enumerate(starts)]
    archive(make_campaign(tmp_path / "c", runs=runs), to=tmp_path / "store")

    assert read_lines(tmp_path / "store")[0][0].measured == "2026-02-10T08:00:00"


def test_an_empty_archive_has_a_page_too():
    assert "0 campaigns and 0 builds" in render_index([], last=None)


def test_filing_keeps_the_page_up_to_date(tmp_path):
    archive(make_campaign(tmp_path / "c1", cautions=["1"]), to=tmp_path / "store")
    archive(make_campaign(tmp_path / "c2", cautions=["2"]), to=tmp_path / "store")

    page = (tmp_path / "store/index.html").read_text(encoding="utf-8")

    assert "2 campaigns and 0 builds" in page
    assert page.index("c2-2026-03-04") < page.index("c1-2026-03-04")
    assert write_index(tmp_path / "store").read_text(encoding="utf-8") == page


@pytest.fixture(scope="module")
def browser():
    chromium = shutil.which("chromium") or shutil.which("chromium-browser")
    if chromium is None:
        pytest.skip("no chromium on this machine")
    sync_api = pytest.importorskip("playwright.sync_api")
    with sync_api.sync_playwright() as playwright:
        found = playwright.chromium.launch(executable_path=chromium, args=["--no-sandbox", "--disable-dev-shm-usage"])
        yield found
        found.close()


def open_page(browser, path, **options):
    page = browser.new_page(**options)
    page.dialogs, page.outside, page.errors = [], [], []
    page.on("dialog", lambda dialog: (page.dialogs.append(dialog.message), dialog.dismiss()))
    page.on(
        "request", lambda request: page.outside.append(request.url) if not request.url.startswith("file:") else None
    )
    page.on("console", lambda message: page.errors.append(message.text) if message.type == "error" else None)
    page.goto(path.as_uri())
    return page


@pytest.fixture
def index(tmp_path):
    entries = [
        entry(bag="b1", title="Pads, wide", bench="south", created="2026-01-02T"),
        entry(bag="b2", title="Grease 2", answers=("grease-c: undecided",), created="2026-01-10T"),
        entry(bag="b3", title=PAYLOAD, bench=PAYLOAD, answers=(PAYLOAD,), created="2026-01-09T"),
        entry(bag="b10", title="Grease 10", created="2026-01-05T"),
    ]
    path = tmp_path / "index.html"
    path.write_text(render_index(entries, last="ab" * 32), encoding="utf-8")
    return path


def test_in_a_browser_nothing_runs_but_the_own_script(browser, index):
    page = open_page(browser, index)

    assert page.locator("input[type=search]").count() == 1
    assert (page.dialogs, page.outside, page.errors) == ([], [], [])


def test_searching_shows_what_has_every_word(browser, index):
    page = open_page(browser, index)

    page.get_by_label("Search the list").fill("GREASE undecided")

    assert page.locator("tbody tr:visible").count() == 1
    assert page.get_by_role("status").inner_text() == "1 of 4 shown"
    page.get_by_label("Search the list").fill("")
    assert page.locator("tbody tr:visible").count() == 4


def test_sorting_by_keyboard_goes_both_ways_and_says_so(browser, index):
    page = open_page(browser, index)
    button = page.get_by_role("button", name="Folder")

    button.press("Enter")
    up = page.locator("tbody tr td:last-child").all_inner_texts()
    state = page.locator("thead th").last.get_attribute("aria-sort")
    button.press("Enter")

    assert up == ["b1", "b2", "b3", "b10"]
    assert state == "ascending"
    assert page.locator("tbody tr td:last-child").all_inner_texts() == up[::-1]


@pytest.mark.parametrize("width", [320, 1280])
def test_the_page_itself_never_scrolls_sideways(browser, index, width):
    page = open_page(browser, index, viewport={"width": width, "height": 800})

    assert page.evaluate("document.documentElement.scrollWidth") <= width


def test_a_thousand_campaigns_are_searched_at_once(browser, tmp_path):
    path = tmp_path / "index.html"
    entries = [entry(bag=f"b{n}", title=f"Campaign {n}") for n in range(1000)]
    path.write_text(render_index(entries, last=None), encoding="utf-8")
    page = open_page(browser, path)

    page.get_by_label("Search the list").fill("campaign 77")
    page.get_by_role("button", name="Title").click()

    assert page.locator("tbody tr:visible th").all_inner_texts()[0] == "Campaign 77"
    assert page.get_by_role("status").inner_text() == f"{sum('77' in str(n) for n in range(1000))} of 1000 shown"
