"""Results as tidy frames and on one screen."""

import math

import numpy as np
import pytest
from fixtures_analysis import made_up_analysis

import thermlab
from thermlab.base.showing import Shown
from thermlab.compare.analysis import Analysis
from thermlab.compare.records import Caution, Comparison, ThrottlePower
from thermlab.reports.results import RUN_COLUMNS, runs_reduced_csv, to_results
from thermlab.reports.summaries import MOST_CAUTIONS, WIDTH, block, summary, to_frame

MADE_UP = made_up_analysis()


def test_what_people_get_back_shows_itself():
    for kind in (Analysis, Comparison, ThrottlePower):
        assert issubclass(kind, Shown)
        assert kind.__str__ is Shown.__str__
        assert not hasattr(kind, "__dict__") or "__slots__" in vars(kind)


def test_runs_have_the_columns_of_the_file():
    frame = to_frame(MADE_UP)

    first_line = runs_reduced_csv(to_results(MADE_UP)).splitlines()[0]
    assert list(frame.columns) == list(RUN_COLUMNS) == first_line.split(",")
    assert frame["run"].tolist() == [run.run for run in MADE_UP.runs]
    assert frame["rise_K"].tolist() == pytest.approx([run.rise_K or math.nan for run in MADE_UP.runs], nan_ok=True)
    assert "shed power at limit (unusable)" in frame["flags"].tolist()


def test_candidates_come_one_to_a_row_with_intervals_in_two_columns():
    comparison = MADE_UP.comparison

    frame = comparison.to_frame()

    assert frame["treatment"].tolist() == [item.treatment for item in comparison.treatments]
    low, high = comparison.treatments[0].simultaneous_interval_K
    assert frame.loc[0, "simultaneous_interval_low_K"] == low
    assert frame.loc[0, "simultaneous_interval_high_K"] == high
    assert frame["difference_K"].dtype == np.float64


def test_an_interval_that_cannot_be_had_is_missing():
    alone = made_up_analysis(mounts=1).comparison.to_frame()

    assert alone["interval_low_K"].isna().all()
    assert alone["interval_high_K"].isna().all()


def test_throttle_powers_too():
    powers = MADE_UP.throttle.to_frame()

    assert powers["throttle_power_W"].tolist() == [item.throttle_power_W for item in MADE_UP.throttle.treatments]
    assert "interval_low_W" in powers


def test_anything_else_is_refused():
    with pytest.raises(TypeError, match="no frame can be made of int"):
        to_frame(3)


@pytest.mark.parametrize("result", [MADE_UP, MADE_UP.comparison, MADE_UP.throttle], ids=["all", "comparison", "power"])
def test_a_summary_is_one_screen_with_cautions_first(result):
    text = summary(result)
    lines = text.splitlines()

    assert len(lines) <= 40
    assert max(map(len, lines)) <= WIDTH + 30
    assert "nan" not in text
    assert "None" not in text
    if result.cautions:
        assert lines.index("Cautions:") <= 2
    shown = block(result).html
    assert "<script" not in shown
    assert shown.count("<table>") == shown.count("</table>")


def test_printing_a_comparison_aligns_numbers_and_names_the_interval():
    lines = str(MADE_UP.comparison).splitlines()
    head = next(line for line in lines if line.startswith("candidate"))
    rows = [line for line in lines if line.startswith(("pad-b ", "sheet-c "))]

    assert "95 % simultaneous confidence interval in K" in head
    assert len(rows) == 2
    assert len({row.index(" to ") > 0 for row in rows}) == 1


def test_many_cautions_do_not_fill_the_screen():
    many = made_up_analysis(caution_list=tuple(Caution(f"caution {i}", "runs") for i in range(20)))

    assert f"- and {20 - MOST_CAUTIONS} more in .cautions" in summary(many)


def test_a_notebook_shows_escaped_names():
    wicked = made_up_analysis(names={"<b>x</b>": 0.0, "<script>y</script>": 0.004})

    assert "<script>y" not in block(wicked.comparison).html
    assert "&lt;script&gt;y" in block(wicked.comparison).html


def test_the_ten_line_path_begins_at_the_package():
    assert thermlab.analyse.__module__ == "thermlab.compare.analysis"
    assert thermlab.Analysis is Analysis
