"""Recomputing believes nothing that was filed: every file is made again and compared, both ways."""

import json
import re
import shutil

import pytest
from demo_copies import small_copy
from filed_examples import example_results, make_campaign, sha256

from thermlab import __version__
from thermlab.archives.bags import MANIFEST, TAG_MANIFEST, encode_path, is_bag
from thermlab.archives.filing import archive
from thermlab.base.files import walk_files
from thermlab.reports.make import report
from thermlab.verifying.check import compare_results, recompute_bag, verify


@pytest.fixture(scope="module")
def filed(tmp_path_factory):
    """Return a bag with a real report."""
    folder = small_copy(tmp_path_factory.mktemp("recompute") / "demo")
    (made,) = report(folder)
    assert made.state == "ok", made.message
    return archive(folder, to=folder.parent / "store").bag


@pytest.fixture
def bag(filed, tmp_path):
    """Return a copy of it that may be written."""
    copy = shutil.copytree(filed, tmp_path / filed.name)
    for place in copy.rglob("*"):
        place.chmod(0o755 if place.is_dir() else 0o644)
    return copy


def forge(bag, name, change):
    """Change a filed file and write sums that fit."""
    place = bag / "data" / name
    place.write_bytes(change(place.read_bytes()))
    for listing, belongs in ((MANIFEST, True), (TAG_MANIFEST, False)):
        names = [n for n in walk_files(bag)[0] if n.startswith("data/") == belongs and n != TAG_MANIFEST]
        lines = (f"{sha256((bag / n).read_bytes())}  {encode_path(n)}\n" for n in names)
        (bag / listing).write_text("".join(lines), encoding="utf-8")
    return verify(bag, recompute=True)


def edited(change):
    """Return what edits JSON as text."""

    def apply(content):
        value = json.loads(content)
        return json.dumps(change(value) or value).encode()

    return apply


def test_what_nobody_touched_does_not_move(bag):
    found = verify(bag, recompute=True)

    assert found.ok, found.summary()
    assert found.recomputed[0].n_numbers > 300
    assert "none moved" in found.summary()


def drop_half(results):
    results["runs"] = results["runs"][::2]


def drop_comparison(results):
    results["comparison"] = None


def drop_key(results):
    del results["throttle"]["treatments"][0]["throttle_power_W"]


def drop_cautions(results):
    results["cautions"] = []


def turn_verdict(results):
    results["comparison"]["treatments"][0]["verdict"] = "cooler by more than the margin"


def long_number(results):
    results["bench"]["mount_sd_K"] = 10**400


def overrides(results):
    results["overrides"] = {"margin_K": 3}


def settings(results):
    results["settings"]["checks"] = {}


@pytest.mark.parametrize(
    "change",
    [drop_half, drop_comparison, drop_key, drop_cautions, turn_verdict, long_number, overrides, settings],
)
def test_forged_results_are_told(bag, change):
    found = forge(bag, "report/results.json", edited(change))

    assert all(check.ok for check in found.bags)  # the sums fit
    assert not found.ok
    assert "none moved" not in found.summary()


@pytest.mark.parametrize(
    "content", [b"", b"{}", b"[]", b"null", b'{"schema": 1}', b"[" * 100_000, b'{"schema": 1, "ru']
)
def test_results_that_are_no_results_are_told(bag, content):
    found = forge(bag, "report/results.json", lambda _: content)

    assert not found.ok
    assert "not recomputed" in found.summary()


def rewrite_cell(notebook):
    cell = next(
        cell for cell in notebook["cells"] if cell["cell_type"] == "code" and "analyse" in "".join(cell["source"])
    )
    cell["source"] = "import os"


def test_a_page_that_was_written_on_another_day_says_the_same(bag):
    found = forge(bag, "report/report.html", lambda content: re.sub(rb"Written 20\d\d", b"Written 1999", content))

    assert found.recomputed[0].moved == ()


@pytest.mark.parametrize(
    ("name", "change"),
    [
        ("report/report.html", lambda _: b""),
        ("report/report.html", lambda content: content[: len(content) // 2]),
        ("report/report.html", lambda content: re.sub(rb"undecided|equivalent|cooler", b"warmer", content)),
        ("report/runs_reduced.csv", lambda _: b""),
        ("report/runs_reduced.csv", lambda content: b"\n".join(content.splitlines()[:-2])),
        ("report/runs_reduced.csv", lambda content: content + content.splitlines()[-1] + b"\n"),
        ("report/report.ipynb", edited(rewrite_cell)),
        ("report/report.ipynb", edited(lambda _: {"cells": []})),
        ("settings.json", edited(lambda value: value | {"margin_K": 9.0})),
    ],
)
def test_a_forged_page_table_notebook_or_copy_of_the_settings_is_told(bag, name, change):
    found = forge(bag, name, change)

    assert all(check.ok for check in found.bags)
    assert [moved.where for moved in found.recomputed[0].moved if moved.where.startswith(name.split("/")[-1])]


def test_a_report_of_another_version_is_compared_as_far_as_both_go_and_that_is_said(bag):
    def older(results):
        results["thermlab_version"] = "0.0.9"

    found = forge(bag, "report/results.json", edited(older))

    assert found.ok, found.summary()
    assert "; 0 numbers of today's are not in it; its page and notebook were not compared" in found.summary()
    assert not forge(bag, "report/runs_reduced.csv", lambda content: content.replace(b".", b".1", 1)).ok


def test_numbers_that_are_gone_from_an_older_report_are_counted(bag):
    def older(results):
        results["thermlab_version"] = "0.0.9"
        del results["throttle"]["treatments"][0]["throttle_power_W"]

    assert "; 1 numbers of today's are not in it" in forge(bag, "report/results.json", edited(older)).summary()


def test_what_is_wrong_with_one_bag_is_said_of_that_bag_alone(filed, bag):
    store = bag.parent
    for number in (1, 2):
        shutil.copytree(bag, store / f"other-{number}")
    (store / "other-1" / MANIFEST).write_bytes(b"0" * 64 + b"  data/" + b"a" * 5000)
    (store / "other-2" / "data/campaign/campaign.yaml").write_bytes(b"[" * 1000)

    found = verify(store, recompute=True)

    assert {check.bag: check.ok for check in found.bags} == {filed.name: True, "other-1": False, "other-2": False}
    assert "a path of 5005 characters" in found.summary()
    assert {again.bag: again.ok for again in found.recomputed}[filed.name]


def test_no_name_and_no_value_of_a_bag_commands_a_terminal(bag):
    def colour(results):
        results["runs"][0]["run"] = "r1\x1b[2J"
        results["thermlab_version"] = f"{__version__}\x1b]0;title\x07\u202e"

    forge(bag, "report/results.json", edited(colour))
    odd = bag.rename(bag.with_name("\x1b[31mred\x07"))

    text = verify(odd, recompute=True).summary()

    assert "red" in text
    assert all(c.isprintable() or c == "\n" for c in text)


def test_items_of_one_name_are_told_apart_by_their_place():
    old = {"runs": [{"run": "r", "rise_K": float(place)} for place in range(1000)]}
    new = {"runs": [*old["runs"][:999], {"run": "r", "rise_K": -1.0}]}

    n_numbers, moved = compare_results(old, new)

    assert n_numbers == 1000
    assert [item.where for item in moved] == ["runs[r #999].rise_K"]


def test_a_bag_without_inputs_cannot_be_recomputed(tmp_path):
    assert recompute_bag(tmp_path).reason == "it holds no inputs"
    assert not is_bag(tmp_path)


def test_a_campaign_that_gives_no_report_any_more_is_told(tmp_path):
    bag = archive(make_campaign(tmp_path / "c"), to=tmp_path / "store").bag

    assert "campaign.yaml" in recompute_bag(bag).reason


# Differences -------------------------------------------------------------------------------------------------------


def test_equal_results_move_nothing():
    results = example_results({})

    assert compare_results(results, json.loads(json.dumps(results)) | {"created": "later"}) == (7, ())


def test_moved_numbers_are_named_with_their_change():
    old, new = example_results({}), example_results({})
    new["comparison"]["treatments"][0]["difference_K"] = -1.1
    new["comparison"]["treatments"][0]["verdict"] = "undecided"

    _, moved = compare_results(old, new)

    by_place = {item.where: item for item in moved}
    number = by_place["comparison.treatments[pad-b].difference_K"]
    assert str(number) == "comparison.treatments[pad-b].difference_K: -1.21 -> -1.1, by +0.11 (+9.09 %)"
    assert by_place["comparison.treatments[pad-b].verdict"].new == "undecided"


def test_the_smallest_change_of_a_number_counts():
    old, new = example_results({}), example_results({})
    new["bench"]["mount_sd_K"] = 0.4 + 1e-16 * 0.6

    assert [item.where for item in compare_results(old, new)[1]] == ["bench.mount_sd_K"]


def test_what_appears_or_vanishes_is_named_and_what_a_later_version_adds_is_not():
    old, new = example_results({}), example_results({})
    new["comparison"]["treatments"].append({"treatment": "pad-c"})
    del new["bench"]["mount_sd_K"]
    new["bench"]["added_later"] = 1.0

    places = {item.where: (item.old, item.new) for item in compare_results(old, new)[1]}

    assert places == {
        "comparison.treatments[pad-c]": ("absent", {"treatment": "pad-c"}),
        "bench.mount_sd_K": (0.4, "absent"),
    }
    assert "bench.added_later" in {item.where for item in compare_results(old, new, strict=True)[1]}
