"""Every page can be read by everyone: WCAG 2.2 AA by machine, narrow, enlarged, by keyboard and on paper."""

import io
import re
import shutil
import subprocess
from html import unescape
from itertools import pairwise
from pathlib import Path

import pytest
from build_examples import make_build, make_reference
from demo_copies import small_copy
from filed_examples import make_campaign
from PIL import Image

from thermlab.archives.filing import archive
from thermlab.builds.make import record
from thermlab.histories.findings import history
from thermlab.histories.page import write_history
from thermlab.planning.make import plan
from thermlab.reports.make import report

AXE = Path(__file__).parents[1] / "vendor" / "axe.min.js"
CHROMIUM = shutil.which("chromium") or shutil.which("chromium-browser")
needs_browser = pytest.mark.skipif(CHROMIUM is None, reason="no chromium on this machine (.ci/run installs it)")
TAGS = ["wcag2a", "wcag2aa", "wcag21a", "wcag21aa", "wcag22aa", "best-practice"]
PAGES = ("report", "nothing to compare", "record", "archive", "history", "bench sheet", "customer sheet")


@pytest.fixture(scope="module")
def pages(tmp_path_factory):
    """Make every kind of page once: name to path."""
    place = tmp_path_factory.mktemp("pages")
    campaign = small_copy(place / "campaign", every=10)
    alone = small_copy(place / "alone", every=10)
    text = (alone / "runs.csv").read_text(encoding="utf-8").splitlines(keepends=True)
    kept = [line for line in text if line.startswith(("run,", "tern-grease-1"))]
    (alone / "runs.csv").write_text("".join(kept), encoding="utf-8")
    outcomes = report([campaign, alone], jobs=2, sheet="customer")
    assert [outcome.state for outcome in outcomes] == ["ok", "ok"], outcomes

    make_reference(place / "reference" / "campaign")
    asked = {"customer": {"room_C": 30, "temperature_C": 85}, "acceptance": {"least_throttle_power_W": 70}}
    build = make_build(place / "reference" / "build", **asked)
    written = record(build)

    store = place / "store"
    for name, shift in (("first", 0.0), ("second", 0.2)):
        filed = make_campaign(place / name, settings={"margin_K": 1.0 + shift})
        archive(filed, to=store)
    archive(campaign, to=store)
    write_history(history(store), store)

    plan(place / "plan", treatments="grease-a,pad-b", baseline="grease-a", margin_K=1.0, mounts=3)
    sheet = place / "plan" / "bench_sheet.html"
    return {
        "report": outcomes[0].page,
        "nothing to compare": outcomes[1].page,
        "customer sheet": outcomes[0].folder / "customer.html",
        "record": written.page,
        "archive": store / "index.html",
        "history": store / "history.html",
        "bench sheet": sheet,
    }


@pytest.fixture(scope="module")
def browser():
    """Open a headless browser once."""
    sync_api = pytest.importorskip("playwright.sync_api")
    with sync_api.sync_playwright() as playwright:
        found = playwright.chromium.launch(executable_path=CHROMIUM, args=["--no-sandbox", "--disable-dev-shm-usage"])
        yield found
        found.close()


def opened(browser, path, *, width=1000, height=900, scale=1.0, lifted=False):
    """Open a page; at a zoom of 2 a window shows half as many of its pixels."""
    context = browser.new_context(
        viewport={"width": round(width / scale), "height": round(height / scale)},
        device_scale_factor=scale,
        bypass_csp=lifted,
    )
    page = context.new_page()
    page.goto(path.as_uri())
    return page


@needs_browser
@pytest.mark.parametrize(("name", "width"), [*((name, 380) for name in PAGES), ("archive", 1000)])
def test_axe_finds_nothing(browser, pages, name, width):
    # The pages' own policy forbids every script; it is lifted here and nowhere else, so that axe can run.
    page = opened(browser, pages[name], width=width, lifted=True)
    page.add_script_tag(path=str(AXE))

    found = page.evaluate("tags => axe.run(document, {runOnly: tags})", TAGS)
    page.context.close()

    assert [(v["id"], v["nodes"][0]["html"][:200], v["help"]) for v in found["violations"]] == []
    assert len(found["passes"]) > 15


@needs_browser
@pytest.mark.parametrize(("width", "scale"), [(320, 1.0), (1280, 2.0), (1000, 1.0)])
@pytest.mark.parametrize("name", PAGES)
def test_a_page_never_scrolls_sideways(browser, pages, name, width, scale):
    page = opened(browser, pages[name], width=width, scale=scale)

    wider = page.evaluate("document.documentElement.scrollWidth - document.documentElement.clientWidth")
    page.context.close()

    assert wider <= 0


@needs_browser
def test_the_report_opens_without_script_or_network(browser, pages):
    context = browser.new_context()
    page = context.new_page()
    asked, said = [], []
    page.on("request", lambda request: asked.append(request.url))
    page.on("console", lambda message: said.append(message.text))
    page.goto(pages["report"].as_uri())
    context.close()

    assert [url for url in asked if not url.startswith(("file:", "data:"))] == []
    assert said == []


@needs_browser
def test_the_keyboard_reaches_the_report_the_contents_and_every_wide_table_in_order(browser, pages):
    page = opened(browser, pages["report"])
    page.evaluate("document.querySelectorAll('details').forEach(one => { one.open = true; })")
    tables = page.locator("[role=region][tabindex='0']").count()
    folded = page.locator("summary").count()
    moved = page.locator(".across").count()
    links = page.locator("nav a").count()
    stops = []
    for _ in range(tables + folded + moved + links + 1):
        page.keyboard.press("Tab")
        stops.append(page.evaluate("[document.activeElement.tagName, document.activeElement.className]"))
    outlined = page.evaluate("getComputedStyle(document.activeElement).outlineStyle")
    page.context.close()

    assert stops[0] == ["A", "skip"]
    assert [tag for tag, _ in stops[1 : links + 1]] == ["A"] * links
    rest = [(tag, name.split(" ")[0]) for tag, name in stops[links + 1 :]]
    assert sorted(rest) == [("DIV", "across")] * moved + [("DIV", "scroll")] * tables + [("SUMMARY", "")] * folded
    assert moved >= 2
    assert outlined != "none"


@needs_browser
def test_the_answer_is_on_the_first_screen(browser, pages):
    page = opened(browser, pages["report"], width=1280, height=900)
    leads = page.locator(".answer.lead")
    bottoms = [leads.nth(i).bounding_box() for i in range(leads.count())]
    picture = page.locator("figure img").first.bounding_box()
    following = page.locator(".next").bounding_box()
    page.context.close()

    assert len(bottoms) == 2
    assert all(box["y"] + box["height"] < 900 for box in bottoms)
    assert picture["y"] < 720
    assert following["y"] < 1.4 * 900


@needs_browser
@pytest.mark.parametrize(("paper", "size_pt"), [("A4", (595, 842)), ("Letter", (612, 792))])
def test_the_report_prints_whole_on_sheets_of_paper(browser, pages, tmp_path, paper, size_pt):
    page = opened(browser, pages["report"])
    pdf = tmp_path / "report.pdf"
    page.pdf(path=str(pdf), format=paper)
    page.context.close()

    boxes = re.findall(rb"/MediaBox\s*\[\s*0 0 ([\d.]+) ([\d.]+)", pdf.read_bytes())
    assert boxes
    assert {(round(float(w)), round(float(h))) for w, h in boxes} <= {
        (size_pt[0] + i, size_pt[1] + j) for i in (-1, 0, 1) for j in (-1, 0, 1)
    }
    assert len(boxes) <= 20
    turned = shutil.which("pdftoppm")
    if turned is None:
        return
    subprocess.run([turned, "-r", "50", "-gray", "-png", str(pdf), str(tmp_path / "sheet")], check=True)
    for sheet in sorted(tmp_path.glob("sheet*.png")):
        drawn = Image.open(io.BytesIO(sheet.read_bytes()))
        width, height = drawn.size
        ink = drawn.point(lambda value: 255 * (value < 200)).getbbox()
        assert ink is not None, f"{sheet.name} is empty"
        assert ink[0] > 0.04 * width, f"{sheet.name} runs out on the left"
        assert ink[2] < 0.96 * width, f"{sheet.name} runs out on the right"
        assert ink[3] < 0.97 * height, f"{sheet.name} runs out at the foot"


@needs_browser
def test_the_sheet_for_a_customer_is_two_pages_of_paper(browser, pages, tmp_path):
    for source in (pages["customer sheet"], pages["nothing to compare"].with_name("customer.html")):
        page = opened(browser, source)
        pdf = tmp_path / "sheet.pdf"
        page.pdf(path=str(pdf), format="A4")
        page.context.close()

        assert len(re.findall(rb"/Type\s*/Page\b", pdf.read_bytes())) == 2


@needs_browser
def test_paper_has_page_numbers_and_every_sheet_of_a_long_table_its_heads(browser, pages, tmp_path):
    if shutil.which("pdftotext") is None:
        pytest.skip("no pdftotext on this machine")
    page = opened(browser, pages["report"])
    pdf = tmp_path / "report.pdf"
    page.pdf(path=str(pdf), format="A4")
    page.context.close()
    said = subprocess.run(["pdftotext", "-layout", str(pdf), "-"], capture_output=True, text=True, check=True).stdout

    sheets = said.rstrip("\f\n").split("\f")
    assert [re.findall(r"\d+ / \d+", sheet)[-1] for sheet in sheets] == [
        f"{place} / {len(sheets)}" for place in range(1, len(sheets) + 1)
    ]
    settings = [sheet for sheet in sheets if re.search(r"^\s*checks\.", sheet, flags=re.MULTILINE)]
    assert len(settings) >= 2
    assert all(re.search(r"^\s*setting\s+value", sheet, flags=re.MULTILINE) for sheet in settings)


@pytest.mark.parametrize("name", PAGES)
def test_headings_come_in_order_and_tables_have_heads(pages, name):
    html = pages[name].read_text(encoding="utf-8")
    levels = [int(level) for level in re.findall(r"<h([1-6])[ >]", html)]

    assert levels[0] == 1
    assert levels.count(1) == 1
    assert all(after - before <= 1 for before, after in pairwise(levels))
    for table in re.findall(r"<table.*?</table>", html, flags=re.DOTALL):
        assert '<th scope="col"' in table or "<th scope='col'" in table
    assert re.search(r'<html lang="\w+', html)
    assert re.search(r"<title>[^<]+</title>", html)


@pytest.mark.parametrize("name", PAGES)
def test_every_picture_says_its_numbers(pages, name):
    html = pages[name].read_text(encoding="utf-8")

    for image in re.findall(r"<img [^>]*>", html):
        alt = unescape(re.search(r'alt="([^"]*)"', image)[1])
        assert len(alt) > 30
        assert re.search(r"\d", alt), alt


def test_the_report_of_the_demo_is_no_larger_than_a_photograph(pages):
    assert pages["report"].stat().st_size < 1_500_000
