"""The run sheet that waits for its logs and the bench sheet to print."""

import csv
import io
import re
import shutil
import subprocess
from dataclasses import replace
from html.parser import HTMLParser

import pytest

from thermlab.campaign.runsheet import read_run_sheet
from thermlab.planning.folder import NOT_MADE, bench_sheet_html, clock, run_sheet_csv
from thermlab.planning.make import plan
from thermlab.reports.pages import SAFETY

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


def planned(n_mounts=3, **changes):
    """Return a plan of two treatments whose first mounts run three steps."""
    asked = {"steps_W": (40.0, 80.0, 120.0), "time_constant_min": 12.0, "title": "Grease or pad", "seed": 5}
    return plan(
        treatments=["grease-a", "pad-b"], baseline="grease-a", margin_K=1.0, mounts=n_mounts, **asked, **changes
    )


@pytest.fixture(scope="module")
def made():
    return planned()


def test_the_run_sheet_is_read_back_without_a_problem(made, tmp_path):
    text = run_sheet_csv(made)

    read = read_run_sheet(text.encode(), tmp_path, treatments=["grease-a", "pad-b"], time=None)

    assert read.problems == ()
    assert [(line.run, line.treatment, line.mount, line.set_power_W) for line in read.runs] == [
        (run.run, run.treatment, run.mount, run.set_power_W) for run in made.runs
    ]
    assert all(line.exclude == NOT_MADE for line in read.runs)


def test_only_the_first_step_of_a_mount_asks_for_a_pre_soak(made):
    lines = list(csv.DictReader(io.StringIO(run_sheet_csv(made))))

    assert [bool(line["note"]) for line in lines] == [run.pre_soak for run in made.runs]
    assert f"pre-soak {made.split.times.pre_soak_min:g} min" in lines[0]["note"]
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
def test_the_check_list_asks_for_everything(made, word):
    assert word in Page(bench_sheet_html(made)).text


def test_every_safety_caution_is_on_the_bench_sheet_html(made):
    text = Page(bench_sheet_html(made)).text

    assert all(caution in text for caution in SAFETY[:-1])
    assert "no safety clearance" in text


def test_one_line_a_run_with_room_for_its_start_and_end_in_the_order_of_the_plan(made):
    page = bench_sheet_html(made)

    assert page.count("<tr>") == 1 + 2 * 3 + 4
    places = [page.index(f'<th scope="row">{run.treatment}</th><td>{run.mount}</td>') for run in made.runs]
    assert places == sorted(places)
    assert all(f'<th scope="col">{head}</th>' in page for head in ("Start", "End"))
    assert page.count('class="write"') == 3 * len(made.runs)


def test_chosen_texts_are_escaped(made):
    page = bench_sheet_html(replace(made, title=NASTY))

    assert "script" not in Page(page).tags
    assert NASTY in Page(page).text
    assert "<script>" not in page


def test_no_script_no_network_and_a_policy_that_says_so(made):
    page = Page(bench_sheet_html(made))

    assert not {"script", "link", "img", "iframe", "form", "object"} & set(page.tags)
    assert not [name for name, _ in page.attributes if name in ("src", "href") or name.startswith("on")]
    assert "default-src 'none'; img-src data:; style-src 'unsafe-inline'; base-uri 'none'; form-action 'none'" in [
        value for _, value in page.attributes
    ]


@pytest.mark.skipif(not (shutil.which("chromium") and shutil.which("pdfinfo")), reason="no chromium or pdfinfo here")
@pytest.mark.parametrize("paper", ["A4", "Letter"])
def test_sixteen_mounts_print_on_one_page(tmp_path, paper):
    page, pdf = tmp_path / "sheet.html", tmp_path / "sheet.pdf"
    page.write_text(
        bench_sheet_html(planned(8)).replace("size: A4 portrait", f"size: {paper} portrait"), encoding="utf-8"
    )
    options = ["--headless", "--no-sandbox", "--disable-gpu", "--no-pdf-header-footer"]
    subprocess.run(["chromium", *options, f"--print-to-pdf={pdf}", page.as_uri()], check=True, capture_output=True)

    told = subprocess.run(["pdfinfo", pdf], check=True, capture_output=True, text=True).stdout

    assert re.search(r"Pages:\s+1\b", told), told


@pytest.mark.parametrize(("hours", "words"), [(0, "0 h 00"), (2.0833333, "2 h 05"), (7.9999, "8 h 00")])
def test_clock_words(hours, words):
    assert clock(hours) == words
