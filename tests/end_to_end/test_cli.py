"""The command line: exit status, what goes to which stream, and what is not imported."""

import subprocess
import sys

import pytest
from click.testing import CliRunner
from fixtures_analysis import write_small_campaign

from thermlab import __version__
from thermlab.cli import main
from thermlab.reports.job import ReportOutcome


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
        (["-p", "marginK", "1"], "did you mean margin_K?"),
        (["-p", "margin_K", "-1"], "parameter margin_K: found '-1'"),
        (["-p", "campaign", "/etc"], "parameter 'campaign': found an unknown name"),
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
