"""One cell of the run sheet is written, all else stays byte for byte, and only what is valid is written."""

import csv
import io
import random
import stat

import pytest

from thermlab.base.errors import InputError
from thermlab.campaign.folder import load_campaign
from thermlab.explore.sheet_edit import cell_ranges, exclude_run, lift_exclusion

YAML = """\
title: Two greases
baseline: grease-a
treatments: {grease-a: {}, "pad, b": {}}
decision: {margin_K: 1.0}
log:
  time: {columns: [t], unit: s}
  temperature: {columns: [die], unit: degC}
  power: {columns: [p], unit: W}
ambient_constant: {value_C: 22.0, u_K: 1.0}
"""
HEAD = "run,treatment,mount,set_power_W,log,start,end,exclude,note"
LINES = (
    "a1,grease-a,1,40,logs/a1.csv,,,,first of the day",
    '"b1","pad, b",1,40,logs/b1.csv,,,"","said ""warm"" by the clerk, twice"',
    "a2,grease-a,2,40,logs/a2.csv,,,fan left on,",
)


def folder_with(tmp_path, sheet):
    """Return a campaign folder whose sheet has these bytes."""
    (tmp_path / "logs").mkdir(exist_ok=True)
    for name in ("a1", "b1", "a2"):
        (tmp_path / "logs" / f"{name}.csv").write_text("t,die,p\n0,30,40\n1,31,40\n", encoding="utf-8")
    (tmp_path / "campaign.yaml").write_text(YAML, encoding="utf-8")
    (tmp_path / "runs.csv").write_bytes(sheet)
    return tmp_path


@pytest.fixture
def folder(tmp_path):
    return folder_with(tmp_path, ("\n".join([HEAD, *LINES]) + "\n").encode())


def sheet_of(folder):
    return (folder / "runs.csv").read_bytes()


def test_only_the_one_cell_changes(folder):
    before = sheet_of(folder)

    edit = exclude_run(folder, "a1", "door stood open")

    assert sheet_of(folder) == before.replace(b"logs/a1.csv,,,,first", b"logs/a1.csv,,,door stood open,first")
    assert (edit.line, edit.before, edit.after) == (2, "", "door stood open")
    assert {run.run: run.exclude for run in load_campaign(folder).runs} == {
        "a1": "door stood open", "b1": "", "a2": "fan left on"
    }  # fmt: skip


@pytest.mark.parametrize("end", ["\n", "\r\n", "\r"], ids=["lf", "crlf", "cr"])
@pytest.mark.parametrize("bom", [b"", b"\xef\xbb\xbf"], ids=["plain", "bom"])
@pytest.mark.parametrize("last", [True, False], ids=["ended", "unended"])
def test_line_ends_and_byte_order_mark_survive(tmp_path, end, bom, last):
    text = end.join(["", HEAD, LINES[0], ",,,,,,,,", LINES[1] + ",", "", LINES[2]]) + (end if last else "")
    folder = folder_with(tmp_path, bom + text.encode())
    before = sheet_of(folder)

    exclude_run(folder, "b1", "pad slipped")

    assert sheet_of(folder) == before.replace(b',,,"","said', b',,,"pad slipped","said')


def test_a_line_break_within_quotes_survives(tmp_path):
    odd = 'b1,"pad, b",1,40,logs/b1.csv,,,,"two\nlines, with ""quotes"""'
    folder = folder_with(tmp_path, "\n".join([HEAD, LINES[0], odd, LINES[2]]).encode())

    exclude_run(folder, "a2", "fan left on, twice")

    assert sheet_of(folder).decode() == "\n".join([HEAD, LINES[0], odd, LINES[2]]).replace(
        "fan left on,", '"fan left on, twice",'
    )


def test_columns_may_stand_in_any_order(tmp_path):
    names = ["note", "exclude", "end", "start", "log", "set_power_W", "mount", "treatment", "run", "lot"]
    rows = [",".join(names), "Grüße aus Gdańsk,,,,logs/a1.csv, 40 , 1, grease-a , a1 ,7", ""]
    folder = folder_with(tmp_path, "\n".join(rows).encode())
    before = sheet_of(folder)

    exclude_run(folder, "a1", "Zug am Fenster – 3 min")

    assert sheet_of(folder) == before.replace("Gdańsk,,".encode(), "Gdańsk,Zug am Fenster – 3 min,".encode())


@pytest.mark.parametrize("reason", ['said "no"', "one, two", "=1+1", "'", '"', 'a"b', "x" * 1000])
def test_any_plain_reason_comes_back_as_given_and_can_be_lifted(folder, reason):
    before = sheet_of(folder)

    exclude_run(folder, "a1", f"  {reason} ")
    assert next(run.exclude for run in load_campaign(folder).runs if run.run == "a1") == reason
    lift_exclusion(folder, "a1")

    quoted = before.replace(b"logs/a1.csv,,,,", b'logs/a1.csv,,,"",')
    assert sheet_of(folder) in (before, quoted)


def test_a_backup_is_kept_of_each_state(folder):
    first = sheet_of(folder)
    one = exclude_run(folder, "a1", "draught")
    second = sheet_of(folder)
    two = lift_exclusion(folder, "a2")

    assert one.backup.name == "runs.csv.bak-1"
    assert one.backup.read_bytes() == first
    assert two.backup.name == "runs.csv.bak-2"
    assert two.backup.read_bytes() == second
    assert sorted(path.name for path in folder.iterdir()) == [
        "campaign.yaml", "logs", "runs.csv", "runs.csv.bak-1", "runs.csv.bak-2"
    ]  # fmt: skip


def test_writing_the_same_again_does_nothing_even_with_the_campaign_read_before(folder):
    campaign = load_campaign(folder)
    exclude_run(campaign, "a1", "draught")
    after = sheet_of(folder)

    again = exclude_run(campaign, "a1", "draught")

    assert again.backup is None
    assert "already" in again.note
    assert sheet_of(folder) == after
    assert not (folder / "runs.csv.bak-2").exists()


def test_a_sheet_changed_since_it_was_read_is_left_alone(folder):
    campaign = load_campaign(folder)
    changed = sheet_of(folder).replace(b"first of the day", b"second of the day")
    (folder / "runs.csv").write_bytes(changed)

    with pytest.raises(InputError, match="changed since the campaign was read"):
        exclude_run(campaign, "a1", "draught")

    assert sheet_of(folder) == changed
    assert not list(folder.glob("runs.csv.bak*"))


def test_a_sheet_changed_at_the_last_moment_is_left_alone(folder, monkeypatch):
    from thermlab.explore import sheet_edit

    def check_while_somebody_saves(*_):
        (folder / "runs.csv").write_bytes(sheet_of(folder) + b"\n")

    monkeypatch.setattr(sheet_edit, "_refuse_invalid", check_while_somebody_saves)
    before = sheet_of(folder)

    with pytest.raises(InputError, match="changed since"):
        exclude_run(folder, "a1", "draught")

    assert sheet_of(folder) == before + b"\n"
    assert not list(folder.glob("runs.csv.bak*"))


@pytest.mark.parametrize(
    ("reason", "message"),
    [
        ("", "found nothing"),
        (" \t ", "found nothing"),
        ("two\nlines", "one line of text without control characters"),
        ("bell\a", "one line of text without control characters"),
        ("a\u2028b", "one line of text without control characters"),
        ("\u202egnorw", "one line of text without control characters"),
        ("half \ud800", "one line of text without control characters"),
        ("x" * 1001, "1001 characters"),
    ],
)
def test_reasons_that_cannot_stand_in_a_cell_are_refused(folder, reason, message):
    before = sheet_of(folder)

    with pytest.raises(InputError, match=message):
        exclude_run(folder, "a1", reason)

    assert sheet_of(folder) == before


def test_an_unknown_run_is_refused_with_the_known_ones(folder):
    with pytest.raises(InputError, match="found 'a3'; allowed: a run of the run sheet; nearest: 'a2', 'a1'"):
        exclude_run(folder, "a3", "draught")


def test_lifting_is_refused_where_the_sheet_would_not_be_valid(folder):
    (folder / "logs" / "a2.csv").unlink()
    before = sheet_of(folder)

    with pytest.raises(InputError, match=r"runs\.csv:4 \(log\).*does not exist"):
        lift_exclusion(folder, "a2")

    assert sheet_of(folder) == before


def test_a_preview_writes_nothing(folder):
    before = sheet_of(folder)

    edit = exclude_run(folder, "a1", "draught <b>", write=False)

    assert (edit.after, edit.backup) == ("draught <b>", None)
    assert "draught &lt;b&gt;" in edit._repr_html_()
    assert "nothing has been" in str(edit)
    for run in ("a1", "a2"):
        without = exclude_run(folder, run, "", write=False)
        assert "needs a reason" in without.note
        assert without.before == without.after
    assert sheet_of(folder) == before
    assert not list(folder.glob("runs.csv.bak*"))


def test_a_failed_write_leaves_the_sheet_and_no_backup(folder, monkeypatch):
    from thermlab.explore import sheet_edit

    def full(*_):
        raise OSError("no space left")

    monkeypatch.setattr(sheet_edit, "replace_file", full)
    before = sheet_of(folder)

    with pytest.raises(OSError, match="no space left"):
        exclude_run(folder, "a1", "draught")

    assert sheet_of(folder) == before
    assert sorted(path.name for path in folder.iterdir()) == ["campaign.yaml", "logs", "runs.csv"]


def test_permissions_survive(folder):
    (folder / "runs.csv").chmod(0o640)

    exclude_run(folder, "a1", "draught")

    assert stat.S_IMODE((folder / "runs.csv").stat().st_mode) == 0o640


def test_a_campaign_with_problems_is_refused(folder):
    (folder / "runs.csv").write_bytes(sheet_of(folder).replace(b",40,", b",x,", 1))

    with pytest.raises(InputError, match="set_power_W"):
        exclude_run(folder, "b1", "draught")


def test_a_sheet_with_semicolons_keeps_them(folder):
    path = folder / "runs.csv"
    before = sheet_of(folder).replace(b"pad, b", b"#").replace(b",", b";").replace(b"#", b"pad, b")
    path.write_bytes(before)

    exclude_run(folder, "a1", "door open; draught, too")

    assert sheet_of(folder) == before.replace(b"a1.csv;;;;", b'a1.csv;;;"door open; draught, too";')
    lift_exclusion(folder, "a1")
    assert sheet_of(folder) == before.replace(b"a1.csv;;;;", b'a1.csv;;;"";')


@pytest.mark.parametrize("between", [",", ";", "\t"])
def test_cells_are_found_where_the_csv_module_finds_them(between):
    rng = random.Random(7)
    for _ in range(3000):
        text = "".join(
            rng.choice(['"', '""', ",", ";", "\t", "\n", "\r\n", "\r", "a", " ", "é", "=,"]) for _ in range(14)
        )
        try:
            theirs = list(csv.reader(io.StringIO(text, newline=""), delimiter=between, strict=True))
        except csv.Error:
            continue
        mine = [
            [c[1:-1].replace('""', '"') if len(c) > 1 and c[0] == c[-1] == '"' else c for c in cells]
            for cells in ([text[a:b] for a, b in row] for row in cell_ranges(text, between))
        ]
        assert mine == theirs, repr(text)
