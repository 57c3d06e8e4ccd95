"""The command line: exit status, what goes to which stream, and what is not imported."""

import os
import subprocess
import sys

import pytest
from click.testing import CliRunner
from fixtures_analysis import write_small_campaign

import thermlab
from thermlab import __version__
from thermlab.cli import main
from thermlab.reports.make import ReportOutcome


def run(*arguments):
    return CliRunner().invoke(main, [str(argument) for argument in arguments])


@pytest.mark.parametrize("arguments", [["--help"], ["report", "--help"], ["--version"]])
def test_help_and_version_import_nothing_heavy(arguments):
    code = (
        "import sys\nfrom thermlab.cli import main\n"
        f"try:\n    main({arguments!r})\nexcept SystemExit as end:\n    assert end.code == 0\n"
        "heavy = {'pandas', 'numpy', 'scipy', 'matplotlib', 'papermill', 'nbformat', 'pydantic'} & set(sys.modules)\n"
        "assert not heavy, heavy\n"
    )

    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=False)

    assert done.returncode == 0, done.stderr


def test_the_package_runs_as_a_module():
    done = subprocess.run([sys.executable, "-m", "thermlab", "--version"], capture_output=True, text=True, check=True)

    assert done.stdout.strip() == f"thermlab, version {__version__}"


def test_new_makes_a_campaign_and_never_overwrites(tmp_path):
    first = run("new", tmp_path / "campaign")
    second = run("new", tmp_path / "campaign")

    assert first.exit_code == 0
    assert (tmp_path / "campaign" / "campaign.yaml").is_file()
    assert second.exit_code == 2
    assert "campaign.yaml: found a file that is there already" in second.stderr


def test_check_says_what_is_there(tmp_path):
    done = run("check", write_small_campaign(tmp_path / "campaign"))

    assert done.exit_code == 0, done.stderr
    assert "run r0: grease-a" in done.stdout


def test_bad_input_is_one_problem_a_line_on_standard_error(tmp_path):
    campaign = write_small_campaign(tmp_path / "campaign")
    (campaign / "runs.csv").write_text(
        "run,treatment,mount,set_power_W,log,start,end,exclude,note\nr,x,1,-5,no.csv,,,,\n"
    )

    for command in ("check", "report"):
        done = run(command, campaign)

        assert done.exit_code == 2
        assert done.stdout == ""
        lines = done.stderr.splitlines()
        assert len(lines) >= 3
        assert all(": found " in line and "; allowed: " in line for line in lines)
    assert not (campaign / "report").exists()


@pytest.mark.parametrize(
    ("options", "text"),
    [
        (["-p", "marginK", "1"], "the nearest known key is margin_K"),
        (["-p", "margin_K", "-1"], "parameter margin_K: found -1"),
        (["-p", "margin_K=-1"], "parameter margin_K: found -1"),
        (["--parameter", "margin_K=1", "-p", "margin_K", "2"], "found two values"),
        (["-p", "campaign", "/etc"], "parameter campaign: found the unknown key"),
        (["-p", "margin_K", "1", "-p", "margin_K", "2"], "found two values"),
        (["--cluster", "tcp://127.0.0.1:8786", "--jobs", "2"], "--jobs: found 2 beside --cluster"),
    ],
)
def test_bad_options_end_before_anything_runs(tmp_path, options, text):
    campaign = write_small_campaign(tmp_path / "campaign")

    done = run("report", campaign, *options)

    assert done.exit_code == 2
    assert text in done.stderr
    assert not (campaign / "report").exists()


def outcome(campaign, state, **more):
    return ReportOutcome(source=campaign, page=campaign / "report" / "report.html", state=state, **more)


def test_a_summary_ends_a_command_for_several(tmp_path, monkeypatch):
    asked = {}

    def stand_in(campaigns, **options):
        asked.update(options)
        return tuple(
            outcome(c, s, message="line one\nline two") for c, s in zip(campaigns, ("ok", "died"), strict=True)
        )

    monkeypatch.setattr("thermlab.reports.make.report", stand_in)
    done = run("report", tmp_path / "a", tmp_path / "b", "-p", "room_C", "-5", "--jobs", "2", "--anonymous")

    assert done.exit_code == 1
    assert done.stdout.strip() == str(tmp_path / "a" / "report" / "report.html")
    assert "the report's kernel died: line one" in done.stderr
    table = [line.split() for line in done.stderr.splitlines()[-4:-1]]
    assert table == [["campaign", "state", "time"], ["a", "ok", "0.0", "s"], ["b", "died", "0.0", "s"]]
    assert "1 of 2 reports done" in done.stderr
    assert asked["parameters"] == {"room_C": "-5"}
    assert asked["jobs"] == 2
    assert asked["anonymous"] is True


def test_commands_are_listed_in_the_order_of_work():
    listed = run("--help").stdout

    assert listed.index("  new ") < listed.index("  check ") < listed.index("  report ")


@pytest.mark.parametrize(
    ("options", "text"),
    [
        (["--margin", "-1"], "--margin: found -1; allowed: more than 0\n"),
        (["--steps", "a,b"], "--steps: found the text 'a'; allowed: a finite number\n"),
        (["--baseline", "C"], "--baseline: found 'C'"),
        (["--mount-sd-dof", "3"], "--mount-sd-dof: found 3.0; allowed: only together with --mount-sd\n"),
        (["--day", "30"], "--day: found 30; allowed: at most 24\n"),
        (["--bench", "b"], "--bench: found 'b'; allowed: only together with an archive"),
        (["--pilot", "nowhere"], "--pilot nowhere: found no readable file"),
        (["--from", "nowhere"], "plan: found --baseline, --margin, --treatments together with a campaign under way"),
    ],
)
def test_an_error_of_a_plan_names_the_option(options, text):
    asked = {"--margin": "1", "--treatments": "A,B", "--baseline": "A"} | {options[0]: options[1]}

    done = run("plan", *(part for pair in asked.items() for part in pair))

    assert done.exit_code == 2
    assert done.stderr.startswith(text)


def test_a_plan_without_its_question_names_the_options():
    missing = [
        f"--{name}: found nothing; allowed: a value; it is required" for name in ("treatments", "baseline", "margin")
    ]

    assert run("plan").stderr.splitlines() == missing


def test_campaign_yaml_stands_for_its_folder(tmp_path):
    campaign = write_small_campaign(tmp_path / "campaign")

    for command in (["check"], ["plan", "--from"]):
        by_folder, by_file = run(*command, campaign), run(*command, campaign / "campaign.yaml")

        assert by_file.output == by_folder.output
        assert by_file.exit_code == by_folder.exit_code
    archived = run("archive", campaign / "campaign.yaml", "--to", tmp_path / "archive")
    assert "report/: found no report.html" in archived.stderr
    assert report_folder(campaign / "campaign.yaml") == campaign / "report"


def report_folder(path):
    (outcome,) = thermlab.report(path, template="no such template")
    return outcome.folder


@pytest.mark.parametrize("command", ["check", "new", "report"])
def test_a_folder_whose_name_is_not_utf_8_is_told_before_anything_is_done(tmp_path, command):
    campaign = tmp_path / os.fsdecode(b"caf\xe9")
    if command != "new":
        write_small_campaign(campaign)

    done = run(command, campaign)

    assert done.exit_code == 2
    assert "found a path that is not UTF-8 text; allowed: names in UTF-8" in done.stderr
    assert not (campaign / "report").exists()
    assert command != "new" or not campaign.exists()


def test_a_reader_who_goes_away_ends_a_command_without_a_traceback(tmp_path):
    campaign = write_small_campaign(tmp_path / "campaign")
    reading, writing = os.pipe()
    os.close(reading)

    command = [sys.executable, "-m", "thermlab", "check", str(campaign)]
    done = subprocess.run(command, stdout=writing, stderr=subprocess.PIPE, text=True, check=False)
    os.close(writing)

    assert (done.returncode, done.stderr) == (1, "")
