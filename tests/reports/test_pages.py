"""Blocks of HTML: escaped in one place, whole, and in order."""

import re
from dataclasses import replace
from html import unescape
from html.parser import HTMLParser
from typing import get_args

import pytest
from fixtures_analysis import made_up_analysis, poisoned

from thermlab.compare.records import Caution, Verdict
from thermlab.reports import pages, tables
from thermlab.reports.render import contents, style_sheet
from thermlab.runs.records import NO_LOG


def every_block(analysis):
    yield pages.opening(analysis)
    yield pages.next_steps(analysis)
    yield pages.machine(analysis)
    yield pages.went_wrong(analysis)
    yield pages.method(analysis)
    yield pages.safety()
    yield pages.customer_sheet(analysis)
    yield pages.provenance(analysis)
    for name in ("differences", "throttle", "value", "runs", "secondary", "budget", "settings"):
        yield getattr(tables, name)(analysis)


class Reader(HTMLParser):
    """Collect tags and see that they are closed in order."""

    def __init__(self):
        super().__init__()
        self.tags, self.open, self.attributes = [], [], []

    def handle_starttag(self, tag, attrs):
        self.tags.append(tag)
        self.attributes += [name for name, _ in attrs]
        self.open.append(tag)

    def handle_endtag(self, tag):
        assert self.open.pop() == tag


def read(block):
    reader = Reader()
    reader.feed(block.html)
    reader.close()
    assert not reader.open
    return reader


def test_payloads_never_become_markup():
    for block in every_block(poisoned()):
        reader = read(block)
        assert "<img" not in block.html
        assert not {"img", "script", "b"} & set(reader.tags)
        assert not [name for name in reader.attributes if name.startswith("on")]


def test_the_payload_is_still_shown_as_text():
    assert "&lt;img src=x onerror=alert(1)&gt;" in pages.opening(poisoned()).html


@pytest.mark.parametrize(
    "analysis", [made_up_analysis(), made_up_analysis(comparison=None, throttle=None, value=None, budget=())]
)
def test_blocks_are_well_formed(analysis):
    for block in every_block(analysis):
        read(block)


def test_a_block_is_not_escaped_twice_and_anything_else_once():
    assert pages.escape(pages.Block("<p>")) == "<p>"
    assert pages.escape("<p>\"'") == "&lt;p&gt;&quot;&#x27;"
    assert pages.tag("p", "a", pages.tag("em", "<"), title='"').html == '<p title="&quot;">a<em>&lt;</em></p>'


def test_tables_have_heads_for_rows_and_columns_and_take_the_keyboard():
    block = pages.table("What", ("a", "b in W"), [("x", 1)], numeric=(1,))

    assert block.html.count('scope="col"') == 2
    assert block.html.count('scope="row"') == 1
    assert "<caption>What</caption>" in block.html
    assert 'tabindex="0"' in block.html
    assert 'role="region"' in block.html


def test_a_listing_has_a_row_per_record_and_marks_kinds_and_what_was_left_out():
    columns = [("what", "text", lambda one: one), ("long", "number", len), ("said", "wide", lambda one: one * 30)]

    html = pages.listing("Words", iter(["<b>", "cd"]), columns, left_out=lambda one: one == "cd").html

    assert html.count("<tr") == 3
    assert html.count('class="unusable"') == 1
    assert '<td class="number short">3</td>' in html
    assert '<td class="wide">cdcd' in html
    assert "&lt;b&gt;</th>" in html


def test_cautions_stand_before_the_answer():
    changed, second = Caution("The margin was changed.", "campaign"), Caution("second", "runs")
    html = pages.opening(made_up_analysis(caution_list=(changed, second))).html
    assert html.index("<h1>") < html.index("The margin was changed.") < html.index("second") < html.index('id="answer"')


def test_no_caution_leaves_no_empty_box():
    assert 'class="cautions"' not in pages.opening(made_up_analysis(caution_list=())).html


def test_what_went_wrong_lists_lost_and_doubtful_runs_with_reasons():
    html = pages.went_wrong(made_up_analysis()).html

    assert html.count("<tr") == 3
    assert "shed power at limit" in html
    assert "left out" in html
    assert "used, doubtful" in html
    assert "2.3\u00a0K were still to come." in html


def test_nothing_wrong_is_said():
    analysis = made_up_analysis()
    clean = tuple(replace(run, flags=(), used=True, reason="") for run in analysis.runs)

    assert "Nothing" in pages.went_wrong(replace(analysis, runs=clean)).html


def test_provenance_shows_checksums_versions_and_overrides():
    html = pages.provenance(made_up_analysis(overrides={"margin_K": (1.0, 0.5)})).html

    assert "a" * 64 in html
    assert "margin_K: 0.5 instead of 1" in html
    for name in ("thermlab", "Python", "numpy", "pandas", "scipy"):
        assert name in html


def test_overridden_settings_are_marked():
    html = tables.settings(made_up_analysis(overrides={"margin_K": (2.0, 1.0)})).html

    assert "1 (changed for this report)" in html


def test_the_table_of_runs_has_every_run_with_its_evidence():
    analysis = made_up_analysis()

    html = tables.runs(analysis).html

    assert all(f">{run.run}</th>" in html for run in analysis.runs)
    assert "held_power_W 93.1" in html
    assert html.count("<table>") == 2


def test_cautions_on_the_throttle_power_stand_where_it_is_said_and_not_before_the_answer():
    analysis = made_up_analysis()
    room, shared = Caution("The room is warmer.", "throttle power", "beside"), Caution("Shared.", "rise curve")
    throttle = replace(analysis.throttle, caution_list=(room, shared))
    ladder = Caution("Ladder mean, offset and so on.", "other estimands", "beside")
    comparison = replace(analysis.comparison, caution_list=(shared, ladder))
    analysis = replace(analysis, throttle=throttle, comparison=comparison, caution_list=(shared, ladder, room))

    first, machine = pages.opening(analysis).html, pages.machine(analysis).html

    assert "Shared." in first
    assert "Shared." not in machine
    assert "The room is warmer." not in first
    assert "Ladder mean" not in first
    assert machine.index("The room is warmer.") < machine.index("would throttle at about")
    assert "Ladder mean" in pages.section_cautions(analysis, "comparison").html


def test_notes_on_a_file_stand_beside_its_checksum():
    analysis = made_up_analysis()
    name = next(iter(analysis.sha256))
    note = Caution(f"{name}: 3 lines before the header skipped", name, "beside")
    analysis = replace(analysis, caution_list=(*analysis.caution_list, note))

    assert "lines before the header" not in pages.opening(analysis).html
    assert "3 lines before the header skipped" in pages.provenance(analysis).html


def test_no_caution_is_lost_between_the_sections():
    analysis = made_up_analysis()
    shown = pages.opening(analysis).html + pages.machine(analysis).html
    shown += pages.section_cautions(analysis, "comparison").html

    assert not [text for text in analysis.cautions if pages.escape(pages.together(text)) not in shown]


def test_without_limits_and_prices_the_machine_section_says_so():
    analysis = made_up_analysis(throttle=None, value=None)
    settings = analysis.campaign.settings.model_copy(update={"limits": None})
    unlimited = replace(analysis, campaign=replace(analysis.campaign, settings=settings))

    assert "No throttle power: no run could be used." in pages.machine(analysis).html
    assert "No throttle power: no temperature limit was given." in pages.machine(unlimited).html


def test_contents_come_from_the_headings():
    html = '<h2 id="a">One</h2><h3 id="x">no</h3><h2 class="y" id="b-c">Two <em>&amp;</em></h2>'

    assert contents(html).splitlines() == ['<li><a href="#a">One</a></li>', '<li><a href="#b-c">Two &amp;</a></li>']


def test_the_style_sheet_asks_for_nothing_from_outside():
    sheet = style_sheet()

    assert "url(" not in sheet
    assert "@import" not in sheet
    assert "--ink:" in sheet


def test_budget_and_secondaries_say_what_stands_behind_the_intervals():
    """Effective degrees of freedom and coverage factor; the offset test with its power; scatter of each treatment."""
    analysis = made_up_analysis()
    budget = tables.budget(analysis).html
    for words in ("effective degrees of freedom", "coverage factor k", "expanded uncertainty"):
        assert words in budget
    shown = tables.secondary(analysis).html
    assert "chance to find" in shown
    assert "A clean result proves nothing" in shown
    for name in analysis.comparison.mount_sd_by_treatment:
        assert name in shown
    assert "Lack of fit of the rise curve" in shown


TERMS = (
    r"confiden|interval|p[- ]value|welch|dunnett|holm|cochran|signific|standard (?!\))|deviation|varianc|freedom|"
    r"estimand|equivalent|equivalence|simultan|predict|uncertain|probab|statist|hypothes|replicat|sample|95 %|extrapol|"
    r"\bmean\b|\bmounts?\b"
)


@pytest.mark.parametrize("verdict", get_args(Verdict))
@pytest.mark.parametrize("known", [True, False])
def test_the_sheet_for_a_customer_speaks_no_statistics(verdict, known):
    analysis = made_up_analysis()
    comparison = analysis.comparison
    gone = {} if known else {"difference_K": None, "interval_K": None, "simultaneous_interval_K": None}
    items = tuple(replace(item, verdict=verdict, **gone) for item in comparison.treatments)
    throttle = replace(
        analysis.throttle,
        treatments=tuple(
            replace(one, extrapolation=0.1, hottest_above_K=4.0, hottest_less_W=7.3)
            for one in analysis.throttle.treatments
        ),
    )
    analysis = replace(analysis, comparison=replace(comparison, treatments=items), throttle=throttle)

    said = re.sub(r"<[^>]+>", " ", pages.customer_sheet(analysis).html)

    assert re.findall(TERMS, said, flags=re.IGNORECASE) == []
    for heading in ("What we found", "What it means in your room", "What to keep in mind", "Safety"):
        assert heading in said
    assert "no test went so high" in said
    assert "the hottest part is up to 4 °C hotter, and the machine slows itself down at about 7.3 W less" in (
        said.replace("\xa0", " ")
    )
    assert ("On the bench it read" in said) == (known and verdict != "in doubt")
    assert "slows itself down" in said
    assert all(text in unescape(said) for text in pages.SAFETY)


def test_the_sheet_for_a_customer_says_what_the_tests_rest_on():
    analysis = made_up_analysis()
    plain = pages.customer_sheet(analysis).html
    settings = analysis.campaign.settings
    early = settings.model_copy(update={"decision": settings.decision.model_copy(update={"mounts_planned": 99})})
    by_hand = tuple(replace(run, flags=(NO_LOG,)) for run in analysis.runs)
    told = replace(analysis, campaign=replace(analysis.campaign, settings=early), runs=by_hand)

    said = pages.customer_sheet(told).html

    assert "not finished" not in plain
    assert "written reading" not in plain
    assert "each material is to be put on 99 times" in said
    assert f"{sum(run.used for run in by_hand)} of {len(by_hand)} test runs left a written reading alone" in said
    assert re.findall(TERMS, re.sub(r"<[^>]+>", " ", said), flags=re.IGNORECASE) == []


def test_the_sheet_for_a_customer_needs_neither_comparison_nor_limit():
    bare = replace(made_up_analysis(), comparison=None, throttle=None)
    settings = bare.campaign.settings.model_copy(update={"limits": None})
    bare = replace(bare, campaign=replace(bare.campaign, settings=settings))

    said = pages.customer_sheet(bare).html

    assert "Nothing can be compared yet." in said
    assert "What it means in your room" not in said
    assert pages.customer_sheet(bare, None).html == ""
