"""Reports: whole or not at all, and honest about what became of them."""

import base64
import csv
import hashlib
import json
import os
import re
import shutil
import subprocess
import sys
from pathlib import Path

import jsonschema
import nbformat
import numpy as np
import pytest
import yaml
from demo_copies import small_copy
from fixtures_analysis import all_finite, small_template, stand_in_template, write_small_campaign

from thermlab.base.errors import InputError
from thermlab.base.files import check_target, locked, publish, publish_failure
from thermlab.campaign.parameters import as_overrides, check_parameters
from thermlab.reports.execute import ExecutionFailedError, execute_template, normalise, template_path
from thermlab.reports.make import ReportJob, ReportOutcome, carried_results, exit_status, report
from thermlab.reports.models import results_schema
from thermlab.simulate.ladders import SimulatedTreatment, simulate_campaign
from thermlab.simulate.logs import run_name, write_campaign
from thermlab.simulate.network import passive_bench


def digests(folder):
    return {
        str(path.relative_to(folder)): hashlib.sha256(path.read_bytes()).hexdigest()
        for path in sorted(folder.rglob("*"))
        if path.is_file()
    }


@pytest.fixture(scope="module")
def made(tmp_path_factory):
    """One finished report of a made-up analysis."""
    folder = tmp_path_factory.mktemp("made")
    campaign = write_small_campaign(folder / "cam{paign}")
    before = digests(campaign)
    (outcome,) = report(campaign, parameters={"margin_K": "0.5"}, template=stand_in_template(folder))
    return campaign, outcome, before


def test_a_report_holds_exactly_its_files(made):
    campaign, outcome, before = made

    assert outcome.state == "ok", outcome.message
    names = {path.name for path in outcome.folder.iterdir()}
    pictures = {f"picture-{name}.svg" for name in ("differences", "wrong", "rise", "throttle", "traces", "checks")}
    assert names == {*ReportJob.files, *pictures}
    assert {name: digest for name, digest in digests(campaign).items() if not name.startswith("report/")} == before
    assert [path.name for path in campaign.iterdir() if path.name.startswith(".")] == []


def test_results_are_those_the_kernel_computed(made):
    _, outcome, _ = made
    results = json.loads((outcome.folder / "results.json").read_text())

    jsonschema.validate(results, results_schema())
    assert all_finite(results)
    assert results["overrides"] == {"margin_K": [None, 0.5]}
    rows = list(csv.DictReader((outcome.folder / "runs_reduced.csv").read_text().splitlines()))
    assert [row["run"] for row in rows] == [run["run"] for run in results["runs"]]


def test_status_says_ok(made):
    status = json.loads((made[1].folder / "status.json").read_text())

    assert status["state"] == "ok"
    assert set(status) == {"state", "cell", "message", "version"}


def test_the_page_is_one_file_without_script_or_network(made):
    page = made[1].page.read_text("utf-8")

    assert len(page) < 1_500_000
    assert "<script" not in page
    assert "default-src 'none'" in page
    assert not re.findall(r'(?:src|srcset|href)="(?!data:image/svg\+xml;base64,|#)[^"]*"', page)
    assert not re.findall(r"\bhttps?://", page)
    assert '<html lang="en">' in page
    assert "<title>Grease, pad or sheet – thermlab report</title>" in page
    assert page.count("<h1") == page.count("<main") == 1
    assert "No description" not in page


def test_every_picture_has_words_and_every_link_a_target(made):
    page = made[1].page.read_text("utf-8")

    pictures = re.findall(r"<img [^>]*?alt=\"([^\"]*)\"", page)
    assert len(pictures) == page.count("<img ") >= 5
    assert all(re.search(r"\d", alt) for alt in pictures)
    for anchor in re.findall(r'href="#([^"]+)"', page):
        assert f'id="{anchor}"' in page


def test_cautions_and_answer_come_first_and_the_code_never(made):
    page = made[1].page.read_text("utf-8")

    order = [
        "<h1>",
        'class="cautions"',
        'id="answer"',
        "<img ",
        'class="next"',
        ">What went wrong</h2>",
        ">Provenance</h2>",
    ]
    places = [page.index(part) for part in order]
    assert places == sorted(places)
    assert "check_parameters" not in page


def visible_words(page):
    """Count the words that are seen before anything is opened."""
    body = page[page.index("<main") :]
    body = re.sub(r"<details>.*?(<summary>.*?</summary>).*?</details>", r"\1", body, flags=re.DOTALL)
    return len(re.sub(r"<[^>]+>", " ", body).split())


def test_at_most_1500_words_are_seen_before_anything_is_opened(made):
    page = made[1].page.read_text("utf-8")

    assert 300 < visible_words(page) <= 1500
    assert re.search(r'<p class="subtitle">[^<]+ <time class="written">Written 20[-0-9]{8}\.</time></p>', page)


def test_the_pictures_beside_the_page_are_those_in_it(made):
    page = made[1].page.read_text("utf-8")

    shown = [base64.b64decode(data) for data in re.findall(r'<img src="data:image/svg\+xml;base64,([^"]+)"', page)]
    filed = [path.read_bytes() for path in made[1].folder.glob("picture-*.svg")]
    assert sorted(shown) == sorted(filed)
    assert page.count('<source media="screen and (max-width: 30rem)"') == 3


def test_nothing_measured_yet_makes_a_short_page_that_says_what_to_do(tmp_path):
    campaign = small_copy(tmp_path / "campaign", every=10)
    with (campaign / "runs.csv").open(encoding="utf-8", newline="") as file:
        lines = list(csv.DictReader(file))
    with (campaign / "runs.csv").open("w", encoding="utf-8", newline="") as file:
        writer = csv.DictWriter(file, lines[0].keys(), lineterminator="\n")
        writer.writeheader()
        writer.writerows(line | {"exclude": "not made yet"} for line in lines)

    (outcome,) = report(campaign)

    assert outcome.state == "ok", outcome
    page = outcome.page.read_text("utf-8").replace("\N{NO-BREAK SPACE}", " ")
    assert "What to do next: nothing measured" in page
    assert "3 mounts of tern-grease" in page
    assert visible_words(page) < 350
    assert "<img " not in page


def test_the_notebook_carries_no_machine_and_no_clock(made):
    campaign, outcome, _ = made
    text = (outcome.folder / "report.ipynb").read_text("utf-8")
    notebook = nbformat.reads(text, as_version=4)

    nbformat.validate(notebook)
    assert str(campaign.parent) not in re.sub(r"sys\.path\.insert\(0, [^)]*\)", "", text)
    assert "papermill" not in json.dumps(dict(notebook.metadata))
    assert not [cell for cell in notebook.cells if set(cell.metadata) & {"papermill", "execution"}]
    injected = next(cell for cell in notebook.cells if cell["id"] == "injected-parameters")
    assert 'campaign = ".."' in injected.source
    assert not [o for cell in notebook.cells for o in cell.get("outputs", []) if o.output_type in ("stream", "error")]


def broken_report(tmp_path, code, **options):
    """Put a report that looks finished in place, then make one that fails."""
    campaign = write_small_campaign(tmp_path / "campaign")
    publish(campaign / "report", {name: b"old " + name.encode() for name in ReportJob.files})
    before = digests(campaign)
    (outcome,) = report(campaign, template=small_template(tmp_path, code), **options)
    after = digests(campaign)
    assert {name: after[name] for name in before} == before, "the old report or an input was touched"
    extra = sorted(set(after) - set(before))
    status = json.loads((campaign / "report" / ".failed" / "status.json").read_text())
    return outcome, status, extra


@pytest.mark.parametrize(
    ("code", "state", "message"),
    [
        ("import os; os._exit(3)", "died", "the kernel died"),
        ("raise KeyError('nothing of that name')", "failed", "KeyError: 'nothing of that name'"),
        ("import time; time.sleep(30)", "timeout", "longer than 1 s"),
    ],
    ids=["died", "failed", "timeout"],
)
def test_a_failure_leaves_the_old_report_and_says_what_happened(tmp_path, code, state, message):
    outcome, status, extra = broken_report(tmp_path, code, cell_timeout_s=1)

    assert outcome.state == status["state"] == state
    assert status["cell"] == outcome.cell == 3  # the injected cell counts
    assert message in status["message"]
    assert extra == ["report/.failed/report.ipynb", "report/.failed/status.json"]
    assert exit_status([outcome]) == 1


def test_bad_input_found_in_the_kernel_is_told_line_by_line(tmp_path):
    code = (
        "from thermlab.base.errors import InputError, Problem\n"
        "raise InputError([Problem('logs/a.csv:7', \"'x'\", 'a number'), Problem('logs/b.csv', 'no row', 'rows')])"
    )

    outcome, status, extra = broken_report(tmp_path, code)

    assert status["state"] == "bad input"
    assert outcome.message == status["message"]
    assert outcome.message.splitlines() == [
        "logs/a.csv:7: found 'x'; allowed: a number",
        "logs/b.csv: found no row; allowed: rows",
    ]
    assert extra == ["report/.failed/status.json"]
    assert exit_status([outcome]) == 2


def test_bad_input_writes_nothing_where_nothing_was(tmp_path):
    campaign = write_small_campaign(tmp_path / "campaign")
    code = "from thermlab.base.errors import InputError, Problem\nraise InputError([Problem('a', 'b', 'c')])"

    (outcome,) = report(campaign, template=small_template(tmp_path, code), out=tmp_path / "new" / "deep")

    assert outcome.state == "bad input"
    assert not (tmp_path / "new").exists()


def test_a_campaign_that_cannot_be_loaded_runs_nothing(tmp_path):
    campaign = write_small_campaign(tmp_path / "campaign")
    (campaign / "campaign.yaml").write_text("titel: x\n")

    (outcome,) = report(campaign, template=small_template(tmp_path, "1"))

    assert outcome.state == "bad input"
    assert "title" in outcome.message
    assert not (campaign / "report").exists()


def test_a_template_without_results_is_a_failure_that_says_so(tmp_path):
    outcome, status, _ = broken_report(tmp_path, "1")

    assert outcome.state == "failed"
    assert "carries no results" in status["message"]


def test_the_next_success_clears_the_failure(tmp_path, made):
    target = tmp_path / "report"
    publish(target, dict.fromkeys(ReportJob.files, b"old"))
    publish_failure(target, {"status.json": b"{}"})

    with locked(target):
        publish(target, dict.fromkeys(ReportJob.files, b"new"))

    assert sorted(path.name for path in target.iterdir()) == sorted(ReportJob.files)
    assert [path.name for path in tmp_path.iterdir()] == ["report"]


def test_one_failing_campaign_never_stops_the_others(tmp_path):
    good, bad = write_small_campaign(tmp_path / "good"), tmp_path / "bad"
    write_small_campaign(bad)
    (bad / "runs.csv").write_text("run\n")

    outcomes = report([bad, good], jobs=2, out=tmp_path / "out", template=small_template(tmp_path, "1/0"))

    assert [outcome.state for outcome in outcomes] == ["bad input", "failed"]
    assert [outcome.folder.name for outcome in outcomes] == ["bad", "good"]
    assert "ZeroDivisionError" in outcomes[1].message
    assert exit_status(outcomes) == 1


def test_two_campaigns_of_one_name_need_two_folders(tmp_path):
    paths = [write_small_campaign(tmp_path / place / "campaign") for place in ("a", "b")]

    with pytest.raises(InputError, match="two reports for one folder"):
        report(paths, out=tmp_path / "out")


@pytest.mark.parametrize("content", ["notes.txt", "sub/x", ".hidden"])
def test_a_folder_that_holds_anything_else_is_refused(tmp_path, content):
    campaign = write_small_campaign(tmp_path / "campaign")
    file = campaign / "report" / content
    file.parent.mkdir(parents=True)
    file.write_text("mine")

    (outcome,) = report(campaign, template=small_template(tmp_path, "1"))

    assert outcome.state == "bad input"
    assert file.parts[len(campaign.parts) + 1] in outcome.message
    assert file.read_text() == "mine"


def test_a_file_is_no_target(tmp_path):
    (tmp_path / "report").write_text("x")

    with pytest.raises(InputError, match="found a file"):
        check_target(tmp_path / "report", ReportJob.files)


def test_a_link_in_a_campaign_does_not_choose_where_the_report_goes(tmp_path):
    campaign = write_small_campaign(tmp_path / "campaign")
    (tmp_path / "elsewhere").mkdir()
    (campaign / "report").symlink_to(tmp_path / "elsewhere")

    (outcome,) = report(campaign, template=small_template(tmp_path, "1"))

    assert outcome.state == "bad input"
    assert "found a link" in outcome.message
    assert list((tmp_path / "elsewhere").iterdir()) == []


def test_exit_status():
    def outcome(state):
        return ReportOutcome(source=Path("c"), page=Path("r/report.html"), state=state)

    assert exit_status([outcome("ok")]) == 0
    assert exit_status([outcome("bad input"), outcome("bad input")]) == 2
    assert exit_status([outcome("ok"), outcome("bad input")]) == 1
    assert exit_status([outcome("ok"), outcome("died")]) == 1


# --- putting files in place -----------------------------------------------------------------------------------------


def test_a_second_writer_is_turned_away_and_a_stale_lock_is_not_in_the_way(tmp_path):
    target = tmp_path / "report"
    code = (
        "import sys; from pathlib import Path; from thermlab.base.files import locked\n"
        "with locked(Path(sys.argv[1])): print('in', flush=True); sys.stdin.read()"
    )
    other = subprocess.Popen(
        [sys.executable, "-c", code, str(target)], stdin=subprocess.PIPE, stdout=subprocess.PIPE, text=True
    )
    assert other.stdout.readline() == "in\n"

    with pytest.raises(Exception, match="another process is writing here"), locked(target):
        pass

    other.kill()
    other.communicate()
    assert (tmp_path / ".report.lock").exists()
    with locked(target):
        publish(target, {"a": b"1"})
    assert [path.name for path in tmp_path.iterdir()] == ["report"]


@pytest.mark.parametrize("exchange", [True, False])
def test_a_process_killed_at_any_step_leaves_old_or_new_and_whole(tmp_path, exchange):
    seen = set()
    for stop in range(1, 30):
        target = tmp_path / f"{exchange}{stop}" / "report"
        target.parent.mkdir()
        publish(target, {"a": b"old a", "b": b"old b"})
        code = KILLER.format(stop=stop, exchange=exchange)
        ended = subprocess.run([sys.executable, "-c", code, str(target)], check=False, capture_output=True, text=True)
        assert ended.returncode in (0, 9), ended.stderr
        with locked(target):  # what the next run does first
            pass
        found = {path.name: path.read_text() for path in target.iterdir()}
        assert found in ({"a": "old a", "b": "old b"}, {"a": "new a", "b": "new b"})
        assert [path.name for path in target.parent.iterdir()] == ["report"]
        seen.add(found["a"])
        if ended.returncode == 0:
            break
    assert ended.returncode == 0, "the process was killed at every step tried"
    assert seen == {"old a", "new a"}


KILLER = """
import os, pathlib, shutil, sys
from thermlab.base import files
left = {stop}
def dying(function):
    def call(*args, **kwargs):
        global left
        left -= 1
        if left == 0:
            os._exit(9)
        return function(*args, **kwargs)
    return call
for owner, name in ((pathlib.Path, "mkdir"), (pathlib.Path, "rename"), (pathlib.Path, "open"), (os, "fsync"),
                    (shutil, "rmtree")):
    setattr(owner, name, dying(getattr(owner, name)))
files._exchange = dying(files._exchange) if {exchange} else lambda one, other: False
target = pathlib.Path(sys.argv[1])
with files.locked(target):
    files.publish(target, dict(a=b"new a", b=b"new b"))
"""


def test_a_full_disk_changes_nothing(tmp_path, monkeypatch):
    target = tmp_path / "report"
    publish(target, {"a": b"old"})

    def full(*_):
        raise OSError(28, "No space left on device")

    monkeypatch.setattr(os, "fsync", full)
    with pytest.raises(OSError, match="No space left"):
        publish(target, {"a": b"new"})

    assert (target / "a").read_bytes() == b"old"
    assert [path.name for path in tmp_path.iterdir()] == ["report"]


@pytest.mark.skipif(sys.platform == "win32", reason="no such limit")
def test_too_few_open_files_are_said_with_what_helps(tmp_path):
    campaign = write_small_campaign(tmp_path / "campaign")
    limit = (
        "import resource; resource.setrlimit(resource.RLIMIT_NOFILE, (24, 24)); from thermlab.cli import main; main()"
    )

    done = subprocess.run(
        [sys.executable, "-c", limit, "report", str(campaign)], capture_output=True, text=True, check=False
    )

    assert done.returncode == 1
    assert "only 24 files may be open at once here: try `ulimit -n 1024`" in done.stderr


def test_no_room_for_the_report_is_a_failure_that_says_so(tmp_path, monkeypatch):
    campaign = write_small_campaign(tmp_path / "campaign")

    def full(*_):
        raise OSError(28, "No space left on device")

    monkeypatch.setattr("thermlab.reports.make.publish", full)
    monkeypatch.setattr("thermlab.reports.make.finished_files", lambda *_: {"results.json": b"{}"})
    (outcome,) = report(campaign, template=small_template(tmp_path, "1"))

    assert outcome.state == "failed"
    assert "No space left" in outcome.message


# --- parameters -----------------------------------------------------------------------------------------------------


def test_parameters_are_checked_all_at_once():
    given = {"margin_K": "0", "room_c": "3", "temperature_C": "hot", "confidence_level": 95, "x\nimport os": 1}

    with pytest.raises(InputError) as caught:
        check_parameters(given)

    text = str(caught.value)
    assert len(caught.value.problems) == 5
    assert "the nearest known key is room_C" in text
    assert "parameter margin_K: found 0; allowed: more than 0: the smallest difference" in text
    assert "parameter confidence_level: found 95; allowed: at most 0.999999: a fraction" in text
    assert "\nimport os" not in text.replace("\\nimport os", "")


@pytest.mark.parametrize("value", ["nan", "inf", True, [1.0], "1; import os"])
def test_values_that_are_no_finite_number_are_refused(value):
    with pytest.raises(InputError, match="margin_K"):
        check_parameters({"margin_K": value})


def test_text_and_none_are_read_as_on_a_command_line():
    checked = check_parameters(
        {"room_C": " 30 ", "margin_K": None, "temperature_C": "None", "reference_power_W": "-0"}
        | {"reference_power_W": 90}
    )

    assert as_overrides(checked) == {"room_C": 30.0, "reference_power_W": 90.0}


def test_names_the_template_does_not_declare_never_reach_it(tmp_path):
    template = small_template(tmp_path, "1")

    with pytest.raises(InputError, match="an unknown name"):
        execute_template(template, {"campaign": "x", "x\nimport os; os.system('touch gone')#": 1})

    assert not (tmp_path / "gone").exists()


def test_normalised_notebooks_of_one_run_and_another_are_equal(tmp_path):
    template = small_template(tmp_path, "print(campaign)")

    def run():
        notebook = execute_template(template, {"campaign": str(tmp_path)})
        return nbformat.writes(normalise(notebook, parameters={"campaign": "c"}, paths={str(tmp_path): "c"}))

    first = run()

    assert first == run()
    assert str(tmp_path) not in first


def test_a_kernel_that_dies_is_found_out_by_its_exception_alone(tmp_path):
    with pytest.raises(ExecutionFailedError) as caught:
        execute_template(small_template(tmp_path, "import os; os._exit(1)"), {"campaign": ""})

    assert caught.value.state == "died"
    assert caught.value.notebook is not None


# --- from logs to a report ------------------------------------------------------------------------------------------


@pytest.fixture(scope="module")
def bench_campaign(tmp_path_factory):
    """A small campaign whose truth is known: two treatments, two mounts each, three steps."""
    simulated = simulate_campaign(
        passive_bench(),
        [
            SimulatedTreatment(name="grease-a", resistance_K_per_W=0.12, mount_sd_K_per_W=0.001),
            SimulatedTreatment(name="paste-b", resistance_K_per_W=0.07, mount_sd_K_per_W=0.001),
        ],
        steps_W=(50.0, 70.0, 90.0),
        rng=np.random.default_rng(11),
        n_mounts=2,
        soak_min=40.0,
    )
    name = run_name(simulated.mounts[0], 50.0)
    folder = write_campaign(
        tmp_path_factory.mktemp("bench") / "secret-campaign",
        simulated,
        settings={"limits": {"temperature_C": 95.0, "room_C": 35.0}},
        sheet={name: {"note": "spread by secret-hand"}},
    )
    return folder, simulated


def test_the_report_finds_the_truth_in_the_logs(bench_campaign):
    folder, simulated = bench_campaign
    before = digests(folder)

    (outcome,) = report(folder)

    assert outcome.state == "ok", outcome.message
    results = json.loads((outcome.folder / "results.json").read_text())
    jsonschema.validate(results, results_schema())
    (item,) = results["comparison"]["treatments"]
    low, high = item["simultaneous_interval_K"]
    assert low <= simulated.difference_K["paste-b"][-1] <= high
    assert item["verdict"] == "cooler by more than the margin"
    page = outcome.page.read_text("utf-8")
    assert "paste-b runs cooler than grease-a by more than the margin of 1\u00a0K" in page
    assert "secret-hand" in page
    after = digests(folder)
    assert {name: digest for name, digest in after.items() if not name.startswith("report/")} == before


def test_a_room_above_the_limit_is_refused_before_a_kernel_starts(bench_campaign, tmp_path, monkeypatch):
    monkeypatch.setattr("thermlab.reports.execute.execute_template", None)

    (outcome,) = report(bench_campaign[0], out=tmp_path / "out", parameters={"room_C": 99})

    assert outcome.state == "bad input"
    assert "95 degC at a room of 99 degC" in outcome.message
    assert not (tmp_path / "out").exists()


def test_a_report_never_takes_the_place_of_that_of_another_campaign(bench_campaign, tmp_path):
    folder, _ = bench_campaign
    out = tmp_path / "out"
    (first,) = report(folder, out=out)
    before = {path.name: path.read_bytes() for path in out.iterdir()}
    other = shutil.copytree(folder, tmp_path / "other", ignore=shutil.ignore_patterns("report"))
    for path in [*(other / "logs").iterdir(), other / "campaign.yaml", other / "runs.csv"]:
        path.write_bytes(path.read_bytes() + b"\n")

    (second,) = report(other, out=out)

    assert (first.state, second.state) == ("ok", "bad input")
    assert "the report of " in second.message
    assert {path.name: path.read_bytes() for path in out.iterdir()} == before
    (other / "runs.csv").write_bytes((folder / "runs.csv").read_bytes())
    assert report(other, out=out)[0].state == "ok"


def test_an_anonymous_report_names_no_file_and_path_and_nothing_a_person_wrote(bench_campaign, tmp_path):
    folder = shutil.copytree(bench_campaign[0], tmp_path / "secret-copy", ignore=shutil.ignore_patterns("report"))
    rows = list(csv.DictReader((folder / "runs.csv").read_text("utf-8").splitlines()))
    rows[1] |= {"exclude": "secret-door stood open", "lot": "secret-lot", "condition": "secret-age"}
    rows[2] |= {"exclude": "§q7"}
    with (folder / "runs.csv").open("w", encoding="utf-8", newline="") as file:
        writer = csv.DictWriter(file, list(dict.fromkeys([*rows[0], "lot", "condition"])), restval="")
        writer.writeheader()
        writer.writerows(rows)
    written = yaml.safe_load((folder / "campaign.yaml").read_text("utf-8"))
    written |= {"title": "secret-title", "bench": "secret-bench"}
    written["treatments"]["paste-b"] |= {"description": "secret-recipe", "handling": "secret-handling"}
    written["prior"] = {"mount_sd_K": 0.4, "at_power_W": 90, "dof": 8, "source": "secret-source"}
    (folder / "campaign.yaml").write_text(yaml.safe_dump(written), encoding="utf-8")
    logs = [path.name for path in (folder / "logs").iterdir()]

    (outcome,) = report(folder, out=tmp_path / "out", anonymous=True)
    (named,) = report(folder, out=tmp_path / "named")

    assert outcome.state == "ok", outcome.message
    for name in (path.name for path in outcome.folder.iterdir()):
        text = (outcome.folder / name).read_text("utf-8")
        for secret in ("secret-", "§q7", str(folder), str(tmp_path), *logs):
            assert secret not in text, (name, secret)
    assert "file 1" in (outcome.folder / "results.json").read_text("utf-8")
    told = named.page.read_text("utf-8")
    assert "§q7" in told
    for secret in ("hand", "door", "title", "bench", "recipe", "handling", "source"):
        assert f"secret-{secret}" in told, secret
    one, other = (json.loads((made.folder / "results.json").read_text("utf-8")) for made in (outcome, named))
    assert one["comparison"]["treatments"][0]["interval_K"] == other["comparison"]["treatments"][0]["interval_K"]


def test_plain_papermill_runs_the_same_notebook(bench_campaign, tmp_path):
    folder, _ = bench_campaign
    out = tmp_path / "plain.ipynb"
    command = [sys.executable, "-m", "papermill", str(template_path("comparison")), str(out), "--no-progress-bar"]

    subprocess.run(
        [*command, "-p", "campaign", folder.name, "-p", "room_C", "30"],
        check=True,
        cwd=folder.parent,
        capture_output=True,
    )

    assert [path.name for path in tmp_path.iterdir()] == ["plain.ipynb"]
    results = carried_results(json.loads(out.read_text("utf-8")))
    jsonschema.validate(results, results_schema())
    assert results["overrides"]["room_C"] == [35.0, 30.0]


def test_a_report_writes_nothing_elsewhere_but_what_is_said(bench_campaign, tmp_path):
    """A list of fonts and an empty profile are the libraries'."""
    home, temporary = tmp_path / "home", tmp_path / "temporary"
    home.mkdir()
    temporary.mkdir()
    plain = {name: value for name, value in os.environ.items() if not name.startswith(("XDG_", "IPYTHON", "MPL"))}

    subprocess.run(
        [sys.executable, "-m", "thermlab", "report", str(bench_campaign[0]), "--out", str(tmp_path / "out")],
        check=True,
        cwd=temporary,
        env=plain | {"HOME": str(home), "TMPDIR": str(temporary)},
        capture_output=True,
    )

    written = {str(path.relative_to(home)) for path in home.rglob("*") if path.is_file()}
    assert not {name for name in written if not name.startswith((".cache/", ".config/", ".ipython/"))}
    assert not list(temporary.iterdir())
    assert sorted(path.name for path in tmp_path.iterdir()) == ["home", "out", "temporary"]


def test_payloads_in_every_text_never_reach_a_page_as_markup(tmp_path):
    campaign = write_small_campaign(tmp_path / "campaign")
    template = stand_in_template(tmp_path, **{"import analyse\n": "import analyse_poisoned as analyse\n"})

    (outcome,) = report(campaign, template=template)

    assert outcome.state == "ok", outcome.message
    page = outcome.page.read_text("utf-8")
    assert "onerror=alert(1)" in page  # it is shown, as text
    assert "<img src=x" not in page
    assert set(re.findall(r"<(?!/)([a-zA-Z][a-zA-Z0-9]*)", page)) <= PAGE_TAGS
    notebook = nbformat.reads((outcome.folder / "report.ipynb").read_text("utf-8"), as_version=4)
    for cell in notebook.cells:
        for output in cell.get("outputs", []):
            assert "<img src=x" not in output.data.get("text/html", "")
            assert "text/markdown" not in output.data
    assert "'=cmd()" in (outcome.folder / "runs_reduced.csv").read_text()


PAGE_TAGS = {
    "html", "head", "meta", "picture", "source", "time", "em",
    "title", "style", "body", "a", "div", "nav", "p", "ol", "li", "main", "h1", "h2", "h3",
    "ul", "span", "strong", "figure", "img", "table", "caption", "thead", "tbody", "tr", "th", "td", "code",
    "details", "summary",
}  # fmt: skip
