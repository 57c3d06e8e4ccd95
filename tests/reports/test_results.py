"""results.json and runs_reduced.csv."""

import csv
import io
import json
import math
from dataclasses import replace

import jsonschema
import pytest
from fixtures_analysis import all_finite, made_up_analysis

from thermlab.base.errors import InputError
from thermlab.reports.models import results_schema
from thermlab.reports.results import (
    MIME,
    plain,
    read_results,
    results_json,
    runs_reduced_csv,
    to_results,
)


@pytest.fixture(scope="module")
def results():
    return to_results(made_up_analysis())


def test_results_follow_the_shipped_schema(results):
    schema = results_schema()

    jsonschema.Draft202012Validator.check_schema(schema)
    jsonschema.validate(json.loads(results_json(results)), schema)


def test_results_keep_full_precision_and_the_order_made(results):
    analysis = made_up_analysis()

    read = json.loads(results_json(results))

    assert [run["run"] for run in read["runs"]] == [run.run for run in analysis.runs]
    assert [run["rise_K"] for run in read["runs"]] == [run.rise_K for run in analysis.runs]
    assert read["comparison"]["treatments"][0]["difference_K"] == analysis.comparison.treatments[0].difference_K


def test_results_have_no_number_that_is_none(results):
    assert all_finite(json.loads(results_json(results)))


@pytest.mark.parametrize("bad", [math.nan, math.inf, -math.inf])
def test_nan_and_infinity_are_refused(bad):
    analysis = made_up_analysis()
    runs = (replace(analysis.runs[0], rise_K=bad), *analysis.runs[1:])

    with pytest.raises(ValueError, match="cannot be reported"):
        to_results(replace(analysis, runs=runs))


def test_without_comparison_throttle_and_value_the_keys_are_null():
    results = to_results(made_up_analysis(comparison=None, throttle=None, value=None))

    assert results["comparison"] is results["throttle"] is results["value"] is None
    jsonschema.validate(json.loads(results_json(results)), results_schema())


def test_a_schema_violation_is_seen(results):
    wrong = json.loads(results_json(results))
    wrong["comparison"]["treatments"][0]["verdict"] = "probably better"

    with pytest.raises(jsonschema.ValidationError, match="probably better"):
        jsonschema.validate(wrong, results_schema())


def test_csv_has_one_line_per_run_and_defuses_formulas():
    analysis = made_up_analysis()
    wicked = replace(analysis.runs[0], note="=cmd()", lot="+1", condition="@x", reason="-2", run="\tr")

    text = runs_reduced_csv(to_results(replace(analysis, runs=(wicked, *analysis.runs[1:]))))

    rows = list(csv.DictReader(io.StringIO(text)))
    assert len(rows) == len(analysis.runs)
    assert rows[0]["note"] == "'=cmd()"
    assert rows[0]["lot"] == "'+1"
    assert rows[0]["condition"] == "'@x"
    assert rows[0]["reason"] == "'-2"
    assert rows[0]["run"] == "'\tr"
    assert float(rows[1]["rise_K"]) == analysis.runs[1].rise_K


def test_csv_writes_what_is_missing_as_nothing_and_truth_in_words():
    analysis = made_up_analysis()
    runs = (replace(analysis.runs[0], rise_K=None, settled=None), *analysis.runs[1:])

    rows = list(csv.DictReader(io.StringIO(runs_reduced_csv(to_results(replace(analysis, runs=runs))))))

    assert rows[0]["rise_K"] == rows[0]["settled"] == ""
    assert rows[1]["used"] == "true"


def test_a_notebook_is_handed_the_results_as_data(results):
    bundle = results._repr_mimebundle_()

    assert bundle[MIME] == dict(results)
    assert "45 runs" in bundle["text/plain"]


def test_plain_takes_numpy_apart():
    import numpy as np

    assert plain({"a": np.float64(0.5), "b": np.int64(3), "c": np.array([1.0, 2.0]), "d": (True, None)}) == {
        "a": 0.5,
        "b": 3,
        "c": [1.0, 2.0],
        "d": [True, None],
    }


def test_plain_refuses_what_has_no_place():
    with pytest.raises(TypeError, match="object has no place"):
        plain(object())


# --- reading back ---------------------------------------------------------------------------------------------------


def written_to(tmp_path, text):
    path = tmp_path / "results.json"
    path.write_text(text, encoding="utf-8")
    return path


def test_what_is_written_is_read_back_as_it_is(results, tmp_path):
    assert read_results(written_to(tmp_path, results_json(results))) == json.loads(results_json(results))


def test_keys_of_another_version_are_left_alone_and_missing_ones_may_be_missing(results, tmp_path):
    other = json.loads(results_json(results)) | {"of_a_later_version": [1]}
    del other["overrides"], other["uncertainty_combined"]

    assert read_results(written_to(tmp_path, json.dumps(other))) == other


@pytest.mark.parametrize(
    ("place", "bad", "where"),
    [
        (("comparison", "treatments", 0, "verdict"), "probably better", "comparison.treatments.0.verdict"),
        (("runs", 0, "rise_K"), [1.0], "runs.0.rise_K"),
        (("campaign", "sha256", "a.csv"), "1", "campaign.sha256.a.csv"),
        (("runs",), 3, "runs"),
    ],
)
def test_a_wrong_type_is_refused_with_file_and_key(results, tmp_path, place, bad, where):
    wrong = part = json.loads(results_json(results))
    for key in place[:-1]:
        part = part[key]
    part[place[-1]] = bad
    path = written_to(tmp_path, json.dumps(wrong))

    with pytest.raises(InputError) as caught:
        read_results(path)

    assert [problem.where for problem in caught.value.problems] == [f"{path}: {where}"]


def test_results_say_when_the_runs_were_made_whatever_their_offsets():
    analysis = made_up_analysis()
    # The second is a reading: of it one moment is known.
    times = [("2026-03-30T00:30:00-02:00", "2026-03-30T01:10:00-02:00"), ("2026-03-30T01:00:00+01:00", None)]
    times += [("2026-03-30T02:40:00+01:00", "2026-03-30T03:20:00+01:00"), ("09:15:00", "09:55:00"), (None, None)]
    runs = tuple(replace(run, start=a, end=b) for run, (a, b) in zip(analysis.runs, times, strict=False))

    measured = to_results(replace(analysis, runs=runs))["campaign"]["measured"]

    assert measured == {"from": "2026-03-30T01:00:00+01:00", "to": "2026-03-30T01:10:00-02:00"}
    assert to_results(replace(analysis, runs=runs[3:]))["campaign"]["measured"] is None


PLACES = ("runs.0.rise_K", "bench.mount_sd_K", "comparison.treatments.0.interval_K", "throttle.treatments.0.interval_W")


@pytest.mark.parametrize("place", PLACES)
def test_the_schema_misses_a_key_that_every_file_has(place):
    results = json.loads(results_json(to_results(made_up_analysis())))
    jsonschema.validate(results, results_schema())
    *way, key = place.split(".")
    part = results
    for step in way:
        part = part[int(step) if step.isdigit() else step]
    del part[key]

    with pytest.raises(jsonschema.ValidationError, match=f"'{key}' is a required property"):
        jsonschema.validate(results, results_schema())
