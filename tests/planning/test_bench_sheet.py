"""The run sheet that waits for its logs and the bench sheet to print."""

import csv
import io
import re
import shutil
import subprocess
from html.parser import HTMLParser

import pytest

from thermlab.campaign.runsheet import read_run_sheet
from thermlab.planning.run_order import NOT_MADE, bench_sheet_html, calendar, clock, plan_order, run_sheet_csv
from thermlab.planning.splits import BenchHours
from thermlab.reports.pages import SAFETY

TIMES = BenchHours(soak_min=30, pre_soak_min=15)
NASTY = "<script>alert(1)</script>\"'&"


class Page(HTMLParser):
    """Collects tags and visible text."""

    def __init__(self, html):
        super().__init__()
        self.tags, self.text, self.attributes = [], "", []
        self.feed(html)

    def handle_starttag(self, tag, attrs):
        self.tags.append(tag)
        self.attributes += attrs

    def handle_data(self, data):
        self.text += data


@pytest.fixture
def runs():
    return plan_order(["grease-a", "pad-b"], n_mounts=3, steps_W=(40, 80, 120), seed=5)


def sheet(runs, **changes):
    given = {"title": "Grease or pad", "seed": 5}
    return bench_sheet_html(runs, calendar(runs, TIMES), TIMES, **(given | changes))


def test_the_run_sheet_is_read_back_without_a_problem(runs, tmp_path):
    text = run_sheet_csv(runs, TIMES)

    read = read_run_sheet(text.encode(), tmp_path, treatments=["grease-a", "pad-b"], time=None)

    assert read.problems == ()
    assert [(line.run, line.treatment, line.mount, line.set_power_W) for line in read.runs] == [
        (run.run, run.treatment, run.mount, run.set_power_W) for run in runs
    ]
    assert all(line.exclude == NOT_MADE for line in read.runs)


def test_only_the_first_step_of_a_mount_asks_for_a_pre_soak(runs):
    lines = list(csv.DictReader(io.StringIO(run_sheet_csv(runs, TIMES))))

    assert [bool(line["note"]) for line in lines] == [run.pre_soak for run in runs]
    assert "pre-soak 15 min" in lines[0]["note"]
    assert "start the log before switching on" in lines[0]["note"]


@pytest.mark.parametrize(
    "word",
    [
        "solvent",
        "Amount",
        "torque",
        "Room probe",
        "power limits",
        "noted",
        "Lot and age",
        "Photo",
        "Cautions",
        "pre-soak",
        "Start the log before switching on",
    ],
)
def test_the_check_list_asks_for_everything(runs, word):
    assert word in Page(sheet(runs)).text


def test_every_safety_caution_is_on_the_sheet(runs):
    text = Page(sheet(runs)).text

    assert all(caution in text for caution in SAFETY[:-1])
    assert "no safety clearance" in text


def test_one_line_a_run_with_room_for_its_start_and_end_in_the_order_of_the_plan():
    runs = plan_order(["grease-a", "pad-b"], n_mounts=3, steps_W=(40, 80, 120), n_ladder=1, seed=5)
    page = sheet(runs)

    assert page.count("<tr>") == 1 + 2 * 3 + 4
    places = [page.index(f'<th scope="row">{run.treatment}</th><td>{run.mount}</td>') for run in runs]
    assert places == sorted(places)
    assert all(f'<th scope="col">{head}</th>' in page for head in ("Start", "End"))
    assert page.count('class="write"') == 3 * len(runs)


def test_chosen_texts_are_escaped(runs):
    page = sheet(runs, title=NASTY)

    assert "script" not in Page(page).tags
    assert NASTY in Page(page).text
    assert "<script>" not in page


def test_no_script_no_network_and_a_policy_that_says_so(runs):
    page = Page(sheet(runs))

    assert not {"script", "link", "img", "iframe", "form", "object"} & set(page.tags)
    assert not [name for name, _ in page.attributes if name in ("src", "href") or name.startswith("on")]
    assert "default-src 'none'; style-src 'unsafe-inline'; base-uri 'none'; form-action 'none'" in [
        value for _, value in page.attributes
    ]


@pytest.mark.skipif(not (shutil.which("chromium") and shutil.which("pdfinfo")), reason="no chromium or pdfinfo here")
@pytest.mark.parametrize("paper", ["A4", "Letter"])
def test_sixteen_mounts_print_on_one_page(tmp_path, paper):
    runs = plan_order(["grease-a", "pad-b"], n_mounts=8, steps_W=(40, 80, 120), n_ladder=1, seed=5)
    page, pdf = tmp_path / "sheet.html", tmp_path / "sheet.pdf"
    page.write_text(sheet(runs).replace("size: A4 portrait", f"size: {paper} portrait"), encoding="utf-8")
    options = ["--headless", "--no-sandbox", "--disable-gpu", "--no-pdf-header-footer"]
    subprocess.run(["chromium", *options, f"--print-to-pdf={pdf}", page.as_uri()], check=True, capture_output=True)

    told = subprocess.run(["pdfinfo", pdf], check=True, capture_output=True, text=True).stdout

    assert re.search(r"Pages:\s+1\b", told), told


@pytest.mark.parametrize(("hours", "words"), [(0, "0 h 00"), (2.0833333, "2 h 05"), (7.9999, "8 h 00")])
def test_clock_words(hours, words):
    assert clock(hours) == words
