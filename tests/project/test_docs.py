"""What README and docs show is true: commands, outputs, numbers, links, generated pages, pictures."""

import doctest
import importlib.util
import inspect
import json
import re
import shlex
import sys
from importlib.resources import files
from pathlib import Path

import click
import pytest
from click.testing import CliRunner
from demo_copies import demo_campaign, small_copy
from PIL import Image

import thermlab
from thermlab.campaign.settings import CampaignSettings
from thermlab.cli import main
from thermlab.reports import figures
from thermlab.reports.pictures import DPI, WIDTH_IN
from thermlab.reports.results import RUN_COLUMNS

ROOT = Path(__file__).parents[2]
PAGES = [*ROOT.glob("*.md"), *ROOT.glob("docs/*.md")]
BLOCK = re.compile(r"```(\w*)\n(.*?)```", flags=re.DOTALL)
FLAGS = doctest.ELLIPSIS | doctest.NORMALIZE_WHITESPACE


def text_of(name):
    return (ROOT / name).read_text(encoding="utf-8")


def blocks(name, language):
    return [body for kind, body in BLOCK.findall(text_of(name)) if kind == language]


def width_px(path):
    with Image.open(path) as image:
        return image.size[0]


@pytest.fixture(scope="module")
def kit(tmp_path_factory):
    """Make a folder in which the commands of the docs find the demo, with every reading."""
    folder = tmp_path_factory.mktemp("kit")
    small_copy(folder / "demo" / "chart-table", every=1)
    return folder


def examples(name):
    """Return the commands of a page with the output shown, in order."""
    found = []
    for body in blocks(name, "console"):
        for part in re.split(r"^\$ ", body, flags=re.MULTILINE)[1:]:
            command, _, shown = part.partition("\n")
            found.append((command, shown))
    return found


def test_the_tutorial_does_what_it_shows(kit, monkeypatch):
    monkeypatch.chdir(kit)
    shown = examples("docs/tutorial.md")
    assert len(shown) >= 7
    for command, expected in shown:
        program, *arguments = shlex.split(command)
        assert program == "thermlab"

        done = CliRunner().invoke(main, arguments)

        assert done.exit_code == 0, (command, done.output)
        # A line of dots stands for any lines; doctest would take it for a continuation only inside an example.
        assert doctest.OutputChecker().check_output(expected, done.output, FLAGS), f"$ {command}\n{done.output}"


def test_the_readme_runs(kit, monkeypatch):
    monkeypatch.chdir(kit)
    (body,) = blocks("README.md", "python")
    test = doctest.DocTestParser().get_doctest(body, {}, "README.md", "README.md", 0)
    said = []

    outcome = doctest.DocTestRunner(optionflags=FLAGS).run(test, out=said.append)

    assert outcome.attempted >= 6
    assert outcome.failed == 0, "".join(said)
    assert len(body.strip().splitlines()) <= 12


def test_the_truth_in_the_readme_is_the_one_of_the_demo():
    truth = demo_campaign()
    at = truth.steps_W.index(105.0)
    cooler, warmer = truth.difference_K["plover-paste"][at], truth.difference_K["dulse-pad"][at]

    said = " ".join(text_of("README.md").split())

    assert f"at 105 W plover-paste is {-cooler:.1f} K cooler and dulse-pad {warmer:.1f} K warmer" in said


def load_script(name):
    spec = importlib.util.spec_from_file_location(name, ROOT / "docs" / f"{name}.py")
    module = importlib.util.module_from_spec(spec)
    sys.modules[name] = module
    spec.loader.exec_module(module)
    return module


def test_generated_pages_are_what_the_code_says():
    for name, write in load_script("make_reference").PAGES.items():
        assert text_of(f"docs/{name}") == write().rstrip() + "\n", f"run: python docs/make_reference.py ({name})"


def test_the_shipped_schema_is_what_the_models_of_results_give():
    assert text_of("thermlab/reports/schemas/results-1.json") == load_script("make_reference").schema_text()


def test_every_key_has_a_meaning():
    for name in ("docs/formats.md", "docs/data-dictionary.md"):
        rows = [line for line in text_of(name).splitlines() if line.startswith("| `")]
        assert len(rows) > 40
        assert [row for row in rows if not row.rstrip("| ").split("|")[-1].strip() or row.endswith("|  |")] == []


def test_every_key_of_the_schema_and_of_the_settings_is_in_the_docs():
    schema = json.loads(files("thermlab.reports").joinpath("schemas/results-1.json").read_text(encoding="utf-8"))
    dictionary, formats = text_of("docs/data-dictionary.md"), text_of("docs/formats.md")

    assert [key for key in schema["properties"] if f"`{key}`" not in dictionary] == []
    assert [key for key in RUN_COLUMNS if f"| `{key}` |" not in dictionary] == []
    assert [key for key in CampaignSettings.model_fields if not re.search(rf"`(cooling\.)?{key}`", formats)] == []


@pytest.mark.parametrize("page", PAGES, ids=lambda page: page.name)
def test_links_and_pictures_lead_somewhere(page):
    text = re.sub(r"```.*?```", "", page.read_text(encoding="utf-8"), flags=re.DOTALL)
    for alt, target in re.findall(r"(!?)\[(?:[^\]]|\n)*?\]\(([^)\s]+)\)", text):
        if target.startswith(("http:", "https:", "#", "mailto:")):
            continue
        assert (page.parent / target.partition("#")[0]).exists(), target
        if alt:
            assert width_px(page.parent / target) > 400
    assert [alt for alt in re.findall(r"!\[((?:[^\]]|\n)*?)\]\(", text) if len(alt) < 10] == []


def commands_in(page):
    """Return every command line that a page shows, in blocks and in the text."""
    text = page.read_text(encoding="utf-8")
    code = "".join(body for kind, body in BLOCK.findall(text) if kind != "python")
    shown = re.findall(r"^(?:\$ )?(thermlab [a-z][^\n#]*)", code, flags=re.MULTILINE)
    text = BLOCK.sub("", text)
    return [*shown, *re.findall(r"`(thermlab (?:[a-z]+)[^`\n]*)`", text)]


@pytest.mark.parametrize("page", PAGES, ids=lambda page: page.name)
def test_commands_shown_exist_with_their_options(page):
    for command in commands_in(page):
        words = shlex.split(command.replace("…", ""))[1:]
        assert words[0] in main.commands, command
        known = {name for option in main.commands[words[0]].params for name in (*option.opts, *option.secondary_opts)}
        used = [word for word in words[1:] if re.match(r"--?[a-z]", word)]
        assert [word for word in used if word not in known | {"--help", "-h"}] == [], command


def test_the_readme_names_every_command_and_keeps_to_two_screens():
    text = text_of("README.md")

    assert [name for name in main.commands if f"`thermlab {name}" not in text] == []
    assert len(text.splitlines()) <= 110
    assert all(isinstance(command, click.Command) for command in main.commands.values())
    for name in main.commands:
        assert name in thermlab.__all__, f"thermlab.{name} is a command, but no function of the package"


def test_every_figure_has_its_question():
    text = text_of("docs/figures.md")

    functions = inspect.getmembers(figures, inspect.isfunction)
    drawn = [name for name, made in functions if made.__module__ == figures.__name__ and not name.startswith("_")]
    assert len(drawn) == 6
    assert [name for name in drawn if f"`figures.{name}`" not in text] == []
    assert text.count("\n## ") == len(re.findall(r"\?\n\n`(?:figures|plan_pages)\.", text))


def test_pictures_are_small_and_made_by_the_present_style():
    assert (ROOT / "docs" / "report.png").stat().st_size < 300_000
    for name in load_script("make_pictures").FIGURES:
        path = ROOT / "docs" / "pictures" / f"{name}.png"
        assert path.stat().st_size < 120_000
        assert width_px(path) == round(WIDTH_IN * DPI), "run: python docs/make_pictures.py"


def test_names_in_the_glossary_are_names_in_the_code():
    rows = [line.split("|") for line in text_of("docs/glossary.md").splitlines() if line.startswith("| ")][2:]
    code = "".join(path.read_text(encoding="utf-8") for path in (ROOT / "thermlab").rglob("*.py"))

    named = [name for row in rows for name in re.findall(r"`(\w+)`", row[3])]

    assert len(named) > 20
    assert [name for name in named if name not in code] == []


def test_the_changelog_leads_with_changed_numbers():
    for part in text_of("CHANGELOG.md").split("\n## ")[1:]:
        assert re.findall(r"^### (.+)$", part, flags=re.MULTILINE)[0] == "Changed numbers"
