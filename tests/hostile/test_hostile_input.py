"""What comes from other people's machines is data: it names no code, no other file and no command of a terminal."""

import contextlib
import csv
import io
import json
import os
import re
import socket
import threading
from pathlib import Path

import nbformat
import pytest
from build_examples import build_settings
from filed_examples import make_campaign, snapshot
from fixtures_analysis import poisoned, small_template, write_small_campaign
from PIL import Image, PngImagePlugin

from thermlab.archives import listing as archive_list
from thermlab.archives.filing import archive
from thermlab.base.errors import ArchiveError, InputError, ThermlabError
from thermlab.base.files import PathRefusedError, check_target, inside, read_plain, replace_file
from thermlab.builds.settings import load_build
from thermlab.campaign.folder import load_campaign
from thermlab.campaign.parameters import check_parameters
from thermlab.campaign.runsheet import read_run_sheet
from thermlab.campaign.yaml_files import load_yaml
from thermlab.logs.settings import TimeSettings
from thermlab.reports.execute import execute_template
from thermlab.reports.make import report
from thermlab.reports.photos import MAX_PIXELS, read_photo
from thermlab.reports.results import read_json, runs_reduced_csv, to_results
from thermlab.runs.reading import check

ESCAPES = ("\x1b[2J\x1b]0;title\x07", "\x9b31m", "\x00", "\x7f", "\x08" * 5)


@pytest.fixture
def campaign(tmp_path):
    return write_small_campaign(tmp_path / "campaign")


# --- paths and links ------------------------------------------------------------------------------------------------

OUTSIDE = (
    "../secret.csv",
    "logs/../../secret.csv",
    "/etc/passwd",
    "//server/share/x.csv",
    "C:/Windows/win.ini",
    "c:secret.csv",
    "..\\secret.csv",
    "logs\\..\\..\\secret.csv",
    "logs/\x00.csv",
    "logs/\u202egpj.exe",
    "~/x.csv/..",
    ".",
    "",
    " ",
    "logs",
    "x" * 5000,
    "a/" * 3000 + "x",
)


@pytest.mark.parametrize("name", OUTSIDE)
def test_no_name_leaves_the_folder(tmp_path, name):
    (tmp_path / "secret.csv").write_text("secret")
    (tmp_path / "campaign" / "logs").mkdir(parents=True)

    with pytest.raises(PathRefusedError) as refused:
        inside(tmp_path / "campaign", name)

    assert refused.value.found.isprintable()
    assert len(refused.value.found) < 400


@pytest.mark.parametrize("kind", ["file", "folder", "chain", "loop", "device", "pipe", "socket"])
def test_links_out_and_what_is_no_file_are_refused_at_once(tmp_path, kind):
    folder = tmp_path / "campaign"
    folder.mkdir()
    (tmp_path / "secret.csv").write_text("secret")
    place = folder / "x.csv"
    name = place.name
    with contextlib.ExitStack() as stack:
        if kind == "file":
            place.symlink_to(tmp_path / "secret.csv")
        elif kind == "folder":
            place.symlink_to(tmp_path)
            name = "x.csv/secret.csv"
        elif kind == "chain":
            (folder / "y.csv").symlink_to("../secret.csv")
            place.symlink_to("y.csv")
        elif kind == "loop":
            place.symlink_to("x.csv")
        elif kind == "device":
            place.symlink_to("/dev/zero")
        elif kind == "pipe":
            os.mkfifo(place)
        else:
            listening = stack.enter_context(socket.socket(socket.AF_UNIX))
            stack.enter_context(contextlib.chdir(folder))  # such names may be 107 bytes long
            listening.bind("x.csv")
        with pytest.raises(PathRefusedError):
            inside(folder, name)


@pytest.mark.parametrize("place", ["/dev/zero", "/dev/stdin", "/proc/self/mem", "/dev/tty"])
def test_a_device_is_never_read(place):
    with pytest.raises(PathRefusedError):
        read_plain(place, 1000)


def test_a_file_that_claims_to_be_empty_is_not_read_beyond_its_bound():
    # Files of /proc say they have no bytes and yield as many as they like.
    with contextlib.suppress(PathRefusedError):
        assert len(read_plain("/proc/self/status", 10)) <= 10


@pytest.mark.parametrize("name", ["campaign.yaml", "runs.csv"])
def test_the_two_files_themselves_may_not_be_links_out(campaign, tmp_path, name):
    (campaign / name).rename(tmp_path / "elsewhere")
    (campaign / name).symlink_to(tmp_path / "elsewhere")

    with pytest.raises(InputError, match="leads out of the campaign folder"):
        load_campaign(campaign)


@pytest.mark.parametrize("name", [".report.old", ".report.new", ".report.lock"])
def test_links_sent_with_a_campaign_choose_no_place_to_write(campaign, tmp_path, name):
    elsewhere = tmp_path / "elsewhere"
    elsewhere.mkdir()
    (campaign / name).symlink_to(elsewhere / "made" if name.endswith("lock") else elsewhere)

    (outcome,) = report(campaign, template=small_template(tmp_path, "1/0"))

    assert outcome.state == "failed"
    assert list(elsewhere.iterdir()) == []
    assert not (campaign / "report").is_symlink()


@pytest.mark.parametrize("name", ["report.html", ".failed"])
def test_links_within_a_report_folder_are_refused(campaign, tmp_path, name):
    (tmp_path / "elsewhere").mkdir()
    (campaign / "report").mkdir()
    (campaign / "report" / name).symlink_to(tmp_path / "elsewhere")

    with pytest.raises(InputError, match="a folder that holds"):
        check_target(campaign / "report", ("report.html",))


def test_a_folder_by_the_name_of_a_file_of_ours_is_not_removed(campaign):
    mine = campaign / "report" / "results.json"
    mine.mkdir(parents=True)

    with pytest.raises(InputError, match=r"a folder that holds results\.json"):
        check_target(campaign / "report", ("results.json",))


def test_a_link_in_the_place_of_a_staged_page_is_not_written_through(tmp_path):
    (tmp_path / "precious").write_text("precious")
    (tmp_path / f".index.html.new-{os.getpid()}").symlink_to(tmp_path / "precious")

    replace_file(tmp_path / "index.html", b"page")

    assert (tmp_path / "precious").read_text() == "precious"
    assert (tmp_path / "index.html").read_bytes() == b"page"


def test_a_link_in_the_place_of_the_lock_of_an_archive_is_refused(tmp_path):
    store = tmp_path / "store"
    store.mkdir()
    (store / archive_list.LOCK).symlink_to(tmp_path / "made")

    with pytest.raises(ArchiveError):
        archive(make_campaign(tmp_path / "campaign"), to=store)

    assert not (tmp_path / "made").exists()


# --- yaml and json --------------------------------------------------------------------------------------------------

LAUGHS = "a: &a [x, x]\n" + "".join(f"{c}: &{c} [*{p}, *{p}]\n" for p, c in zip("abcdefgh", "bcdefghi", strict=True))
BOMBS = {
    "aliases": LAUGHS.encode(),
    "merge keys": b"a: &a {x: 1}\nb: {<<: *a}\n",
    "code": b"title: !!python/object/apply:os.system ['touch gone']\n",
    "own tag": b"title: !x y\n",
    "depth of lists": b"[" * 100_000,
    "depth of tables": b"{a: " * 100_000,
    "depth of lines": b"".join(b" " * i + b"-\n" for i in range(1000)),
    "many values": b"- 1\n" * 200_000,
    "many keys": b"".join(b"k%d: 1\n" % i for i in range(60_000)),
    "one long word": b"title: " + b"x" * (1 << 20),
    "too large": b"#\n" * (1 << 20),
    "huge number": b"margin: 1" + b"0" * 5000,
    "documents": b"a: 1\n---\n" * 10_000,
    "not utf-8": b"title: \xff\xfe",
    "nul": b"title: a\0b",
    "cut off": b'title: "abc',
    "anchors alone": b"&a &b &c",
    "directive": b"%YAML 9.9\n%TAG ! tag:x,2000:\n---\na: 1\n",
}


@pytest.mark.parametrize("raw", BOMBS.values(), ids=BOMBS)
def test_yaml_bombs_are_refused_or_stay_text(raw):
    tree = load_yaml(raw, "campaign.yaml")

    assert tree.problems or len(str(tree.data)) <= 2 * len(raw)
    for problem in tree.problems:
        assert problem.where.startswith("campaign.yaml")
        assert str(problem).isprintable()
        assert len(str(problem)) < 1000


JSON = {
    "deep": b"[" * 200_000,
    "nan": b'{"a": NaN}',
    "digits": b"1" * 10_000,
    "binary": bytes(range(256)),
    "empty": b"",
}


@pytest.mark.parametrize("raw", JSON.values(), ids=JSON)
def test_a_results_file_of_somebody_else_is_bounded(tmp_path, raw):
    (tmp_path / "results.json").write_bytes(raw)

    with pytest.raises(InputError, match="no JSON"):
        read_json(tmp_path / "results.json")


# --- text that a terminal or a spreadsheet would obey ---------------------------------------------------------------


@pytest.mark.parametrize("key", ["title", "bench", "currency", "description", "handling"])
@pytest.mark.parametrize("escape", ESCAPES, ids=ascii)
def test_no_text_of_the_settings_commands_a_terminal(campaign, key, escape):
    text = (campaign / "campaign.yaml").read_text()
    quoted = json.dumps("x" + escape)
    if key in ("title", "bench"):
        text = "".join(f"{key}: {quoted}\n" if line.startswith(key) else line for line in text.splitlines(True))
    elif key == "currency":
        text += f"currency: {quoted}\n"
    else:
        text = text.replace("pad-b: {}", f"pad-b: {{{key}: {quoted}}}")
    assert quoted in text
    (campaign / "campaign.yaml").write_text(text)

    with pytest.raises(InputError) as error:
        load_campaign(campaign)

    assert key in str(error.value)
    assert str(error.value).isprintable()


@pytest.mark.parametrize("key", ["build", "title", "lot", "notes", "signature"])
@pytest.mark.parametrize("escape", ESCAPES[:2], ids=ascii)
def test_no_text_of_a_build_commands_a_terminal(tmp_path, key, escape):
    (tmp_path / "build.yaml").write_text(json.dumps(build_settings(**{key: "x" + escape})))

    with pytest.raises(InputError, match=f"build.yaml:1 \\({key}\\)"):
        load_build(tmp_path)


@pytest.mark.parametrize("column", ["run", "mount", "note", "exclude"])
@pytest.mark.parametrize("escape", ESCAPES[:2], ids=ascii)
def test_no_cell_of_the_run_sheet_commands_a_terminal(campaign, column, escape):
    rows = list(csv.DictReader(io.StringIO((campaign / "runs.csv").read_text())))
    rows[0][column] = "x" + escape
    with (campaign / "runs.csv").open("w", newline="") as file:
        writer = csv.DictWriter(file, list(rows[0]))
        writer.writeheader()
        writer.writerows(rows)

    with pytest.raises(InputError) as error:
        load_campaign(campaign)

    assert f"runs.csv:2 ({column})" in str(error.value)
    assert str(error.value).isprintable()


@pytest.mark.parametrize("escape", ESCAPES, ids=ascii)
@pytest.mark.parametrize("place", ["header", "cell", "other column"])
def test_what_is_said_about_a_log_commands_no_terminal(campaign, escape, place):
    header = f"t,die{escape},p,room" if place == "header" else "t,die,p,room"
    other = f"x{escape}" if place == "other column" else "x"
    cell = f"2{escape}" if place == "cell" else "21"
    text = f"{header},{other}\n0,20,50,20,a\n1,{cell},50,20,{escape}\n2,20,50,20,a\n"
    (campaign / "logs" / "0.csv").write_text(text, encoding="utf-8")

    try:
        said = check(campaign).summary()
    except InputError as error:
        said = str(error)

    assert said.replace("\n", "").isprintable()


FORMULAS = (
    "=1+1",
    "+1",
    "-1+1",
    "@SUM(1)",
    "\t=1",
    "\r=1",
    "\n=1",
    " =1",
    "\ufeff=1",
    "\u200b=1",
    "＝1",
    "＋1",
    "－1",
    "＠x",
)


@pytest.mark.parametrize("formula", FORMULAS, ids=ascii)
def test_a_spreadsheet_takes_no_text_of_an_export_for_a_formula(formula):
    results = to_results(poisoned())
    for run in results["runs"]:
        run.update(
            dict.fromkeys(("run", "treatment", "mount", "note", "lot", "condition", "reason", "sensor"), formula)
        )

    rows = list(csv.DictReader(io.StringIO(runs_reduced_csv(results), newline="")))

    assert len(rows) == len(results["runs"])
    for row in rows:
        assert [cell for cell in row.values() if cell == formula] == []
        assert row["note"] == "'" + formula.replace("\r", "\n")
    assert float(rows[3]["rise_K"]) == results["runs"][3]["rise_K"]  # a negative number would stay a number as well


# --- images ---------------------------------------------------------------------------------------------------------


def test_an_image_bomb_costs_no_memory(tmp_path):
    import tracemalloc

    wide = int(MAX_PIXELS**0.5) + 100
    small = io.BytesIO()
    Image.new("1", (wide, wide)).save(small, format="PNG")
    (tmp_path / "bomb.png").write_bytes(small.getvalue())
    tracemalloc.start()
    try:
        with pytest.raises(InputError, match=f"found {wide} x {wide} pixels"):
            read_photo(tmp_path, "bomb.png", alt="x")
        assert tracemalloc.get_traced_memory()[1] < 4_000_000
    finally:
        tracemalloc.stop()


def test_a_text_bomb_within_an_image_is_not_unpacked(tmp_path):
    info = PngImagePlugin.PngInfo()
    info.add_text("Comment", "x" * 50_000_000, zip=True)
    out = io.BytesIO()
    Image.new("RGB", (8, 8)).save(out, format="PNG", pnginfo=info)
    assert len(out.getvalue()) < 100_000
    (tmp_path / "text.png").write_bytes(out.getvalue())

    try:
        photo = read_photo(tmp_path, "text.png", alt="x")
    except InputError as error:
        assert "text.png" in str(error)  # noqa: PT017 - refused or made small: both are right
    else:
        assert len(photo.jpeg) < 10_000


# --- parameters and the kernel --------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    "name",
    [
        "x\nimport os",
        "class",
        "__class__",
        "campaign",
        "room_C ",
        "room_C\n",
        "rооm_C",
        "",
        "anonymous=1;x",
        "a" * 10_000,
    ],
    ids=lambda name: ascii(name)[:20],
)
def test_parameter_names_are_those_that_are_known_and_no_other(name):
    with pytest.raises(InputError) as error:
        check_parameters({name: 1.0})

    assert str(error.value).isprintable()
    assert len(str(error.value)) < 600


@pytest.mark.parametrize(
    "value", [[1], {"a": 1}, b"1", object(), "1e400", "1_0", "__import__('os')", 10**400, "９" * 400]
)
def test_parameter_values_are_plain_numbers(value):
    with pytest.raises(InputError, match="parameter room_C: found"):
        check_parameters({"room_C": value})


def test_a_folder_name_is_not_code_and_the_kernel_is_heard_on_this_machine_only(tmp_path):
    folder = tmp_path / 'x"); open("gone", "w"); ("{0} %s \\N{DIGIT ONE} \' \n'
    code = (
        "import os, pathlib\n"
        "handles = [f'/proc/self/fd/{n}' for n in os.listdir('/proc/self/fd')]\n"
        "mine = {os.readlink(handle) for handle in handles if os.path.lexists(handle)}\n"
        "places = [line.split() for name in ('tcp', 'tcp6') if os.path.exists(f'/proc/self/net/{name}')\n"
        "          for line in pathlib.Path(f'/proc/self/net/{name}').read_text().splitlines()[1:]]\n"
        "listening = [p[1] for p in places if p[3] == '0A' and f'socket:[{p[9]}]' in mine]\n"
        "print([campaign, os.listdir('.'), listening])"
    )

    executed = execute_template(small_template(tmp_path, code), {"campaign": str(folder)})

    said = next(o.text for cell in executed.cells[3:4] for o in cell.outputs)
    named, files, listening = eval(said)
    assert named == str(folder)
    assert "gone" not in files
    assert {place.split(":")[0] for place in listening} <= {"0100007F"}  # 127.0.0.1
    nbformat.validate(executed)


def test_make_lab_serves_this_machine_only_and_asks_for_a_token():
    from jupyter_server.serverapp import ServerApp

    recipe = (Path(__file__).resolve().parents[2] / "Makefile").read_text(encoding="utf-8").split("\nlab:")[1]
    recipe = recipe.split("\n\n")[0]
    assert not {"--ip", "ServerApp.ip", "token", "password", "allow_origin", "allow_remote"} & set(
        re.split(r"[ =]", recipe)
    )
    server = ServerApp()
    assert server.ip == "localhost"
    assert not server.allow_remote_access
    assert len(server.identity_provider_class(parent=server).token) >= 32


# --- nothing hangs --------------------------------------------------------------------------------------------------

HEADER = "run,treatment,mount,set_power_W,log,start,end,exclude,note\n"
SHEETS = {
    "cells of the header": "\n" + "a," * 1_500_000,
    "commas": "," * 3_000_000,
    "quotes": '"' * 3_000_000,
    "line ends": "\r" * 3_000_000,
    "one cell": "x" * 3_000_000,
    "rows": "r,a,1,1,l,,,,\n" * 200_000,
    "quoted line ends": '"' + "\n" * 3_000_000,
}


@pytest.mark.parametrize("text", SHEETS.values(), ids=SHEETS)
def test_a_run_sheet_of_any_shape_costs_no_more_than_ten_times_its_size(tmp_path, text):
    import tracemalloc

    raw = (text if text.startswith("\n") else HEADER + text).encode()
    time = TimeSettings(columns=["t"], unit="s")
    tracemalloc.start()
    try:
        found = read_run_sheet(raw, tmp_path, treatments=("a",), time=time)
        peak = tracemalloc.get_traced_memory()[1]
    finally:
        tracemalloc.stop()

    assert found.problems
    assert len(found.problems) <= 101
    assert peak < 10 * len(raw) + 16_000_000


def test_a_pipe_among_the_files_of_an_archive_does_not_hang(tmp_path):
    store = tmp_path / "store"
    store.mkdir()
    os.mkfifo(store / archive_list.LIST)
    done = threading.Event()

    def file():
        with contextlib.suppress(ThermlabError):
            archive(make_campaign(tmp_path / "campaign"), to=store)
        done.set()

    threading.Thread(target=file, daemon=True).start()

    assert done.wait(10)


def test_refusing_leaves_the_campaign_as_it_was(campaign):
    (campaign / "campaign.yaml").write_bytes(BOMBS["aliases"])
    before = snapshot(campaign)

    (outcome,) = report(campaign)

    assert outcome.state == "bad input"
    assert snapshot(campaign) == before
