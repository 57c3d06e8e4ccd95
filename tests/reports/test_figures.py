"""Pictures: what they say, how they are marked, and that names are never mathematics."""

import io
import re
import subprocess
import sys
from dataclasses import replace
from html import escape
from pathlib import Path
from xml.etree import ElementTree as ET

import pytest
from fixtures_analysis import made_up_analysis
from PIL import Image

from thermlab.base.marks import PAGE, SEVERITY, treatment_marks
from thermlab.reports import figures
from thermlab.reports.pages import Block
from thermlab.reports.pictures import (
    DPI,
    NARROW_IN,
    WIDTH_IN,
    Picture,
    Pictures,
    late_limits,
    name_ends,
    new_figure,
    short,
    side,
    spread_labels,
    stack,
)
from thermlab.reports.render import drawings
from thermlab.runs.records import FLAG_NAMES

ALL = ("differences", "throttle", "rise_against_power", "traces", "checks", "doubtful_runs")


@pytest.fixture(scope="module")
def analysis():
    return made_up_analysis()


def spoiled(analysis):
    """Leave the first run out, for a reason that could be taken for mathematics."""
    first = replace(analysis.runs[0], used=False, reason="$fan$ left on <b>")
    return replace(analysis, runs=(first, *analysis.runs[1:]))


def drawn(analysis, name):
    made = getattr(figures, name)(analysis)
    return list(made) if isinstance(made, Pictures) else [made]


@pytest.mark.parametrize("name", ALL)
def test_every_figure_is_a_drawing_of_report_width_with_words(analysis, name):
    for picture in drawn(analysis, name):
        assert isinstance(picture, Picture)
        data = picture._repr_mimebundle_()
        (shown,) = drawings(data["text/html"])
        svg = ET.fromstring(shown)
        assert svg.get("width") == f"{WIDTH_IN * 72:g}pt"
        assert not svg.findall(".//{*}image")
        assert data["text/plain"] == picture.alt
        assert f'width="{round(WIDTH_IN * 96)}"' in data["text/html"]
        assert f'alt="{escape(picture.alt)}"' in data["text/html"]
        assert re.search(r"\d", picture.alt)
        assert Image.open(io.BytesIO(picture.png())).size[0] == round(WIDTH_IN * DPI)


def test_the_same_analysis_gives_the_same_bytes(analysis):
    one, again = figures.differences(analysis), figures.differences(analysis)

    assert (one.png(), one.svg(), one.described()) == (again.png(), again.svg(), again.described())


def test_the_words_of_a_drawing_are_text_in_a_font_that_has_a_stand_in(analysis):
    svg = figures.differences(analysis).svg()

    texts = ["".join(text.itertext()) for text in ET.fromstring(svg).iterfind(".//{*}text")]
    assert {"pad-b", "sheet-c", "← cooler", "warmer →"} <= set(texts)
    assert "'DejaVu Sans', Verdana, sans-serif" in svg


@pytest.mark.parametrize("name", ALL)
def test_lettering_is_at_least_11_px_high_on_a_telephone(analysis, name):
    # 360 px wide, a picture without a narrow form is 40 rem wide in its frame.
    for picture in drawn(analysis, name):
        wide, px = (picture.figure, 40 * 16) if picture.narrow is None else (picture.narrow, 360)
        per_point = px / (wide.get_size_inches()[0] * 72)
        assert min(text.get_fontsize() for text in texts_of(wide)) * per_point >= 11.0


@pytest.mark.parametrize("name", ["differences", "throttle", "rise_against_power"])
def test_the_figures_of_the_answer_have_a_narrow_form(analysis, name):
    (picture,) = drawn(analysis, name)

    assert picture.narrow.get_size_inches()[0] == NARROW_IN
    assert "narrow" in picture.described()


def test_alt_text_of_differences_has_the_numbers(analysis):
    item = analysis.comparison.treatments[1]

    alt = figures.differences(analysis).alt

    assert "sheet-c runs cooler" in alt
    assert f"by {-item.difference_K:.2f} K" in alt
    assert "margin of 1 K" in alt
    assert item.verdict in alt


def test_every_mount_is_drawn_against_power(analysis):
    used = {(run.treatment, run.mount) for run in analysis.runs if run.used}

    upper, lower = figures.rise_against_power(analysis).figure.axes

    for axes in (upper, lower):
        points = [line for line in axes.lines if line.get_linestyle() == "None" and len(line.get_xdata()) >= 4]
        assert len(points) == len(used)


def test_left_out_runs_are_marked_and_named(analysis):
    picture = figures.rise_against_power(analysis)

    assert "Left out: pad-b-2-100" in picture.alt
    assert any(line.get_marker() == "x" and line.get_color() == PAGE["wrong"] for line in picture.figure.axes[0].lines)


def texts_of(figure):
    from matplotlib.text import Text

    # Axes keep labels of ticks outside their range, which are never drawn.
    hidden = set()
    for axes in figure.axes:
        for axis in (axes.xaxis, axes.yaxis):
            shown = {id(tick) for tick in axis._update_ticks()} if axes.axison else set()
            for tick in [*axis.majorTicks, *axis.minorTicks]:
                if id(tick) not in shown:
                    hidden |= {id(tick.label1), id(tick.label2)}
    found = [text for text in figure.findobj(Text) if text.get_text() and text.get_visible()]
    return [text for text in found if id(text) not in hidden]


@pytest.mark.parametrize("name", ALL)
def test_names_with_dollars_and_markup_are_drawn_letter_by_letter(name):
    names = {r"$\frac{1}$": 0.0, "<img src=x onerror=alert(1)>": 0.004, "$x$": -0.02}
    wicked = spoiled(made_up_analysis(names=names))

    for picture in drawn(wicked, name):
        picture.png()
        assert not [text for text in texts_of(picture.figure) if "$" in text.get_text() and text.get_parse_math()]


def test_no_text_runs_out_of_the_picture(analysis):
    long = made_up_analysis(names={"a grease with quite a long name": 0.0, "another one of that sort, no. 2": 0.004})
    for one in (analysis, spoiled(long)):
        for name in ALL:
            for picture in drawn(one, name):
                for figure in filter(None, (picture.figure, picture.narrow)):
                    figure.draw_without_rendering()
                    width, height = figure.get_size_inches() * figure.dpi
                    for text in texts_of(figure):
                        box = text.get_window_extent()
                        assert box.x0 >= -1, (name, text)
                        assert box.x1 <= width + 1, (name, text)
                        assert box.y0 >= -1, (name, text)
                        assert box.y1 <= height + 1, (name, text)


def test_the_answer_picture_has_no_overlapping_text(analysis):
    far = [made_up_analysis(names={"grease-a": 0.0, "pad-b": by}) for by in (-0.04, 0.04)]
    for one, name in ((analysis, "throttle"), *((each, "differences") for each in (analysis, *far))):
        picture = drawn(one, name)[0]
        for figure in (picture.figure, picture.narrow):
            figure.draw_without_rendering()
            boxes = [(text.get_text(), text.get_window_extent()) for text in texts_of(figure)]
            for place, (label, box) in enumerate(boxes):
                for other, second in boxes[place + 1 :]:
                    assert not box.overlaps(second), (name, label, other)


def test_many_runs_and_mounts_are_spread_over_several_pictures():
    many = made_up_analysis(mounts=7)

    assert len(drawn(many, "traces")) == 3
    assert len(drawn(many, "checks")) == 3


def test_checks_that_found_nothing_are_named_and_take_no_row(analysis):
    (picture,) = drawn(analysis, "checks")
    rows = [text.get_text() for text in picture.figure.axes[0].get_yticklabels()]
    below = picture.figure.texts[-1].get_text().replace("\n", " ")

    assert sorted(rows + re.split(", ", below.removeprefix("Found on no run: ").rstrip("."))) == sorted(FLAG_NAMES)


def test_each_doubtful_run_has_a_panel_with_its_reason(analysis):
    doubtful = [run for run in analysis.runs if not run.used or run.worst() in ("doubtful", "unusable")]

    (picture,) = drawn(analysis, "doubtful_runs")

    titles = [axes.get_title(loc="left") for axes in picture.figure.axes if axes.axison]
    assert [title.splitlines()[0] for title in titles] == [run.run for run in doubtful]
    assert "2.3\u00a0K were still to come." in "".join(titles)


def test_pictures_are_small_files(analysis):
    assert max(len(picture.svg()) for name in ALL for picture in drawn(analysis, name)) < 250_000


def test_where_there_is_nothing_to_draw_a_sentence_says_so(analysis):
    empty = replace(analysis, comparison=None, throttle=None, traces=(), runs=())

    for name in ALL:
        assert isinstance(getattr(figures, name)(empty), Block)


def luminance(colour):
    parts = [int(colour[i : i + 2], 16) / 255 for i in (1, 3, 5)]
    linear = [c / 12.92 if c <= 0.04045 else ((c + 0.055) / 1.055) ** 2.4 for c in parts]
    return 0.2126 * linear[0] + 0.7152 * linear[1] + 0.0722 * linear[2]


def contrast(one, other):
    light, dark = sorted((luminance(one), luminance(other)), reverse=True)
    return (light + 0.05) / (dark + 0.05)


def test_marks_are_readable_on_paper_and_differ_in_more_than_colour():
    marks = treatment_marks([f"t{i}" for i in range(8)], "t3")

    assert next(iter(marks)) == "t3"
    assert len({mark.marker for mark in marks.values()}) == 8
    assert len({mark.line for mark in marks.values()}) == 8
    for mark in marks.values():
        assert contrast(mark.colour, PAGE["paper"]) >= 4.5
        assert contrast(mark.colour, PAGE["sheet"]) >= 4.5


def test_the_ninth_treatment_does_not_look_like_the_first():
    marks = list(treatment_marks([f"t{i}" for i in range(20)], "t0").values())

    assert len({(mark.colour, mark.marker) for mark in marks}) == 20


@pytest.mark.parametrize("name", ["ink", "muted", "link", "wrong", "caution-edge"])
def test_page_colours_have_enough_contrast(name):
    for ground in ("paper", "sheet", "wash", "caution-wash"):
        assert contrast(PAGE[name], PAGE[ground]) >= 4.5


def test_letters_in_the_picture_of_checks_can_be_read():
    for severity, colour in SEVERITY.items():
        ink = PAGE["sheet"] if severity == "unusable" else PAGE["ink"]
        assert contrast(ink, colour) >= 4.5


def test_colours_live_in_one_place():
    from thermlab.base import marks

    folder = Path(marks.__file__).parents[1]
    hexadecimal = re.compile(r"#[0-9a-fA-F]{6}\b|#[0-9a-fA-F]{3}\b(?=[\s;\"'])")
    files = [path for path in folder.rglob("*") if path.suffix in (".py", ".css", ".j2") and path.name != "marks.py"]
    assert len(files) > 60
    assert not {file.name: found for file in files if (found := hexadecimal.findall(file.read_text("utf-8")))}


def test_marks_live_in_one_place():
    """A treatment's marker and line come from its mark; shapes named in figures are for grey keys and left-out runs."""
    from thermlab.base import marks

    folder = Path(marks.__file__).parents[1]
    named = re.compile(r"""(?:marker=|, )["']([sxD^vpPX*h8<>dH])["']""")
    words = re.compile(r"""color=["'](?!none)[a-z]+["']|\bcmap=|\bpalette=""")
    for path in folder.rglob("figures*.py"):
        text = path.read_text("utf-8")
        assert named.findall(text) == [], path.name
        assert words.findall(text) == [], path.name


def test_names_are_cut_and_labels_moved_apart():
    assert short("x" * 100).count("\n") <= 1
    assert max(map(len, short("a very long name of a treatment indeed").split("\n"))) <= 16
    placed = spread_labels([1.0, 1.1, 5.0], 1.0)
    assert placed[1] - placed[0] == pytest.approx(1.0)
    assert placed[2] == 5.0


def test_names_beside_lines_stay_apart_and_beside_the_axes():
    with new_figure(3.0) as figure:
        (axes,) = stack(figure, [2.0], left=1.0, right=1.5, top=0.3, gap=0.2)
        axes.set_ylim(0.0, 1.0)
        name_ends(axes, [("top", 1.0, PAGE["muted"]), ("also top", 0.99, PAGE["muted"]), ("low", 0.2, PAGE["muted"])])

    heights = [text.get_position()[1] for text in axes.texts]
    assert heights[0] == pytest.approx(1.0)
    assert heights[0] - heights[1] >= 0.185 / 2.0 - 1e-9
    assert heights[2] == pytest.approx(0.2)


def test_panels_below_each_other_have_the_heights_asked_and_one_scale():
    with new_figure(4.0) as figure:
        upper, lower = stack(figure, [1.5, 0.5], left=1.0, right=0.3, top=0.4, gap=0.2)

    assert [axes.get_position().height * 4.0 for axes in (upper, lower)] == pytest.approx([1.5, 0.5])
    assert (upper.get_position().y0 - lower.get_position().y1) * 4.0 == pytest.approx(0.2)
    lower.set_xlim(3.0, 7.0)
    assert upper.get_xlim() == (3.0, 7.0)
    assert [side(lower, x) for x in (3.1, 5.0, 6.9)] == ["left", "center", "right"]


@pytest.mark.parametrize(("late", "limits"), [([50.0, 50.2], (49.1, 51.1)), ([40.0, 50.0], (39.0, 51.0))])
def test_limits_leave_out_the_first_rise_and_show_two_degrees_at_least(late, limits):
    assert late_limits([0.0, 30.0, *late * 3]) == pytest.approx(limits)
    assert late_limits([float("nan")] * 4) == (0.0, 1.0)


def test_library_modules_do_not_import_matplotlib():
    modules = "thermlab.reports.results, thermlab.reports.make, thermlab.reports.tables"
    code = f"import sys, {modules}; sys.exit('matplotlib' in sys.modules)"
    assert subprocess.run([sys.executable, "-c", code], check=False).returncode == 0
