"""The command line; each command is also a function of the library.

Exit status: 0 done, 1 failed, 2 nothing done because of bad input. Commands
import what they need when they run, so that ``--help`` answers at once.
"""

from __future__ import annotations

import re
import sys
from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from thermlab import __version__
from thermlab.base.errors import InputError, Problem, ThermlabError

if TYPE_CHECKING:
    from collections.abc import Sequence

    from thermlab.reports.make import ReportOutcome

_PATH = click.Path(path_type=Path)


class Pairs(click.Command):
    """A command that takes ``-p NAME=VALUE`` for ``-p NAME VALUE``."""

    def parse_args(self, ctx: click.Context, args: list[str]) -> list[str]:
        """Cut names from values."""
        cut: list[str] = []
        for before, arg in zip(["", *args], args, strict=False):
            cut += arg.split("=", 1) if before in ("-p", "--parameter") else [arg]
        return super().parse_args(ctx, cut)


class Commands(click.Group):
    """A group of commands that turns our errors into lines on standard error and an exit status."""

    def invoke(self, ctx: click.Context) -> Any:
        """Run the command."""
        try:
            return super().invoke(ctx)
        except InputError as error:
            for problem in error.problems:
                click.echo(str(problem), err=True)
            ctx.exit(2)
        except BrokenPipeError:
            raise  # whoever read our output went away: click knows what to do
        except (ThermlabError, OSError, MemoryError) as error:
            click.echo("out of memory" if isinstance(error, MemoryError) else str(error), err=True)
            ctx.exit(1)

    def list_commands(self, ctx: click.Context) -> list[str]:  # noqa: ARG002
        """List commands in the order of work instead of the alphabet."""
        return list(self.commands)


@click.group(cls=Commands, context_settings={"help_option_names": ["-h", "--help"], "max_content_width": 100})
@click.version_option(__version__, prog_name="thermlab")
def main() -> None:
    """Compare thermal interface materials on your own bench, from logs to a report."""


@main.command()
@click.argument("folder", metavar="DIR", type=_PATH)
@click.option("--logs", type=_PATH, help="Folder of logs: both files are proposed from them, guesses marked.")
@click.option("--like", type=_PATH, help="Campaign of the same bench to take campaign.yaml from.")
def new(folder: Path, logs: Path | None, like: Path | None) -> None:
    """Start a campaign: a commented campaign.yaml and an empty run sheet in DIR."""
    if logs is not None and like is not None:
        raise InputError([Problem("--like", "--logs beside it", "one of the two")])
    if logs is not None:
        from thermlab.first_look.proposals import start_from_logs  # noqa: PLC0415

        found, proposed = start_from_logs(folder, logs)
        click.echo(proposed.summary(found))
        fill_in = "look at every GUESS in campaign.yaml and runs.csv"
    else:
        from thermlab.campaign.folder import new as start  # noqa: PLC0415

        start(folder, like=like)
        fill_in = "fill in campaign.yaml and runs.csv, put the logs into logs/"
    click.echo(f"{folder}: {fill_in}, then run: thermlab check {folder}")


@main.command()
@click.argument("campaign", type=_PATH)
def check(campaign: Path) -> None:
    """Check a campaign and its logs without computing anything."""
    from thermlab.runs.reading import check as look  # noqa: PLC0415

    click.echo(look(campaign).summary())


@main.command()
@click.argument("campaign", type=_PATH)
@click.argument("run", required=False)
@click.option("--once", is_flag=True, help="One look, then end.")
@click.option("--json", "as_json", is_flag=True, help="One JSON object a look, on a line of its own.")
def watch(campaign: Path, run: str | None, once: bool, as_json: bool) -> None:
    """Follow a run under way: where it is heading, when it may end, what is wrong.

    Without RUN, the run the readings have come to in the log that grew last.
    """
    from thermlab.watching.engine import follow  # noqa: PLC0415

    for look in follow(campaign, run, once=once):
        click.echo(look.to_json() if as_json else look.summary())


@main.command(cls=Pairs)
@click.argument("campaigns", metavar="CAMPAIGN...", nargs=-1, required=True, type=_PATH)
@click.option(
    "-p", "--parameter", "given", nargs=2, multiple=True, metavar="NAME VALUE",
    help="Try another room_C, temperature_C, margin_K, reference_power_W or confidence_level; also as NAME=VALUE; "
    "may be repeated.",
)  # fmt: skip
@click.option("--out", type=_PATH, help="Folder of the report; with several campaigns, of their folders.")
@click.option("--jobs", type=click.IntRange(1, 64), default=1, show_default=True, help="Reports made at the same time.")
@click.option("--cluster", metavar="ADDRESS", help="Address of a scheduler that shares the work among machines.")
@click.option("--sheet", type=click.Choice(["customer"]), help="Write a sheet of two pages in plain words as well.")
@click.option("--anonymous", is_flag=True, help="Leave out what was written in words, photos, paths, file names.")
def report(campaigns: Sequence[Path], given: Sequence[tuple[str, str]], **how: Any) -> None:
    """Make the report of one or more campaigns, each in CAMPAIGN/report unless --out says otherwise."""
    from thermlab.reports.execute import use_light_validation  # noqa: PLC0415

    use_light_validation()
    from thermlab.reports.make import exit_status  # noqa: PLC0415
    from thermlab.reports.make import report as make  # noqa: PLC0415

    if how["cluster"] is not None and how["jobs"] > 1:
        allowed = "one of the two: workers are the cluster's"
        raise InputError([Problem("--jobs", f"{how['jobs']} beside --cluster", allowed)])
    names = [name for name, _ in given]
    twice = sorted({name for name in names if names.count(name) > 1})
    if twice:
        raise InputError([Problem(f"parameter {name}", "two values", "one value") for name in twice])
    outcomes = make(campaigns, parameters=dict(given), progress=sys.stderr.isatty(), **how)
    for outcome in outcomes:
        _tell(outcome, several=len(outcomes) > 1)
    if len(outcomes) > 1:
        for row in _summary(outcomes):
            click.echo(row, err=True)
        done = sum(outcome.state == "ok" for outcome in outcomes)
        click.echo(f"{done} of {len(outcomes)} reports done", err=done < len(outcomes))
    sys.exit(exit_status(outcomes))


@main.command()
@click.argument("folder", metavar="[DIR]", required=False, type=_PATH)
@click.option("--from", "from_campaign", metavar="CAMPAIGN", type=_PATH, help="A campaign under way: say what the next "
              "mount can still change. Takes only --mounts and --looks.")  # fmt: skip
@click.option("--margin", "margin_K", metavar="K", type=float, help="Smallest difference that matters.")
@click.option("--treatments", metavar="A,B,...", help="What is compared, the baseline included.")
@click.option("--baseline", metavar="A", help="The treatment the others are compared with.")
@click.option("--goal", type=click.Choice(["difference", "equivalence"]), help="What is to be shown.  [difference]")
@click.option("--power", type=float, help="Chance of showing it.  [0.8]")
@click.option("--looks", type=click.Choice(["end", "halfway", "every mount"]), help="When it is answered.  [end]")
@click.option("--hours", metavar="H", type=float, help="Bench hours to be spent; default: what the question needs.")
@click.option("--mounts", type=int, help="Mounts of each treatment, in place of --hours.")
@click.option("--mount-sd", "mount_sd_K", metavar="K", type=float, help="SD between mounts at the reference step.")
@click.option("--mount-sd-dof", "mount_sd_dof", metavar="N", type=float, help="Degrees of freedom behind --mount-sd.")
@click.option("--pilot", metavar="PATH", help="Take the mount SD from a campaign or a results.json instead.")
@click.option("--archive", metavar="DIR", help="Pool the mount SD from the archived campaigns of one bench instead.")
@click.option("--bench", help="Which bench within --archive.")
@click.option("--steps", "steps_W", metavar="W,W,...", help="Power steps the bench can run.  [40,56,72,88,104,120]")
@click.option("--reference", "reference_power_W", metavar="W", type=float, help="Step compared at.  [the highest]")
@click.option("--time-constant", "time_constant_min", metavar="MIN", type=float, help="Time constant of the bench.")
@click.option("--soak", "soak_min", metavar="MIN", type=float, help="Soak; default: from the time constant, or 40.")
@click.option("--day", "day_h", metavar="H", type=float, help="Bench hours in a day.  [8]")
@click.option("--limit", "temperature_C", metavar="C", type=float, help="Temperature limit of the device.  [95]")
@click.option("--room", "room_C", metavar="C", type=float, help="The customer's room.  [35]")
@click.option("--no-throttle", "throttle", flag_value=False, default=None, help="The throttle power is not asked for.")
@click.option("--random-steps", "step_order", flag_value="random", default=None, help="Draw the order of steps too.")
@click.option("--seed", type=int, help="Seed of the order.  [1]")
def plan(folder: Path | None, from_campaign: Path | None, **given: Any) -> None:
    """Plan mounts, power steps and their order; DIR becomes a campaign that waits for its logs.

    Without DIR the plan is only shown. DIR holds campaign.yaml, runs.csv, bench_sheet.html (print it) and plan.json.
    """
    from thermlab.planning import make as planning  # noqa: PLC0415
    from thermlab.planning import pages as plan_pages  # noqa: PLC0415
    from thermlab.planning.records import Plan  # noqa: PLC0415

    request = {name: value for name, value in given.items() if value is not None}
    try:
        made = planning.plan(folder, from_campaign=from_campaign, **request)
    except InputError as error:
        raise InputError(_by_option(problem, click.get_current_context()) for problem in error.problems) from None
    said = plan_pages.plan_sentences(made) if isinstance(made, Plan) else plan_pages.outlook_sentences(made)
    for sentence in said:
        click.echo(sentence)
    if folder is not None:
        click.echo(f"{folder}: print bench_sheet.html, fill in campaign.yaml, then run: thermlab check {folder}")


def _by_option(problem: Problem, ctx: click.Context) -> Problem:
    """Return a problem of a plan in the words of the command line."""
    options = {str(option.name): option.opts[-1] for option in ctx.command.params if isinstance(option, click.Option)}
    if problem.where.startswith("plan"):
        label = problem.where.removeprefix("plan: ")
        # Words such as "mounts" are options only where a list of fields is meant.
        fields = [name for name in options if "_" in name or problem.where == "plan"]
        names = re.compile(rf"\b({'|'.join(fields)})\b")
        found, allowed = (names.sub(lambda name: options[name[0]], text) for text in (problem.found, problem.allowed))
        return Problem(options.get(label, problem.where), found, allowed)
    given = [(options[name], str(value)) for name, value in ctx.params.items() if name in options]
    paths = {value.removesuffix("/campaign.yaml"): option for option, value in given}
    named = paths.get(problem.where)
    return replace(problem, where=f"{named} {problem.where}") if named else problem


@main.command()
@click.argument("build", type=_PATH)
@click.option("--out", type=_PATH, help="Folder of the record; default: BUILD/record.")
def record(build: Path, out: Path | None) -> None:
    """Make the record of a finished machine: pass, refer or fail, on one page."""
    from thermlab.reports.execute import use_light_validation  # noqa: PLC0415

    use_light_validation()
    from thermlab.builds.make import record as make  # noqa: PLC0415

    outcome = make(build, out=out, progress=sys.stderr.isatty())
    if outcome.state == "ok":
        click.echo(f"{outcome.verdict}: {outcome.message}")
    _tell(outcome, page="record")
    sys.exit({"ok": 0, "bad input": 2}.get(outcome.state, 1))


@main.command()
@click.argument("sources", metavar="CAMPAIGN-OR-BUILD...", nargs=-1, required=True, type=_PATH)
@click.option(
    "--to", "target", metavar="ARCHIVE", required=True, type=_PATH, help="The archive; made if it is missing."
)
def archive(sources: tuple[Path, ...], target: Path) -> None:
    """File campaigns or builds with their reports, for good; the sources are only read."""
    from thermlab.archives.filing import archive as file  # noqa: PLC0415

    states = []
    for source in sources:
        try:
            click.echo(file(source, to=target).summary())
            states.append(0)
        except ThermlabError as error:
            for line in str(error).splitlines():
                click.echo(f"{source}: {line}" if len(sources) > 1 else line, err=True)
            states.append(2 if isinstance(error, InputError) else 1)
    sys.exit(states[0] if len(set(states)) == 1 else 1)


@main.command()
@click.argument("place", metavar="BAG-OR-ARCHIVE", type=_PATH)
@click.option("--recompute", is_flag=True, help="Run the archived inputs again and say which numbers moved.")
@click.option("--last", metavar="HASH", help="Last hash of the list as it was kept elsewhere; it must be in the list.")
def verify(place: Path, recompute: bool, last: str | None) -> None:
    """Check every byte of a bag or an archive; name what changed, is missing or was added."""
    from thermlab.verifying.check import verify as check  # noqa: PLC0415

    found = check(place, recompute=recompute, last=last)
    click.echo(found.summary(), err=not found.ok)
    sys.exit(0 if found.ok else 1)


@main.command()
@click.argument("archive", type=_PATH)
@click.option("--bench", help="Only this bench.")
@click.option("--confidence-level", type=click.FloatRange(0.0, 1.0, min_open=True, max_open=True), default=0.95,
              show_default=True, help="Of the intervals, as a fraction.")  # fmt: skip
def history(archive: Path, bench: str | None, confidence_level: float) -> None:
    """Say what an archive teaches, and write history.html and history.json into it."""
    from thermlab.archives.listing import write_index  # noqa: PLC0415
    from thermlab.histories.findings import history as look  # noqa: PLC0415
    from thermlab.histories.page import write_history  # noqa: PLC0415

    found = look(archive, confidence_level=confidence_level, bench=bench)
    click.echo(found.summary())
    click.echo(str(write_history(found, archive)))
    write_index(archive)


def _summary(outcomes: Sequence[ReportOutcome]) -> list[str]:
    """Return a table of what became of each campaign."""
    rows = [(outcome.source.resolve().name, outcome.state, f"{outcome.seconds:.1f} s") for outcome in outcomes]
    width = max(len("campaign"), *(len(name) for name, _, _ in rows))
    return [f"{name:{width}}  {state:9}  {took:>9}" for name, state, took in [("campaign", "state", "time"), *rows]]


def _tell(outcome: ReportOutcome, *, several: bool = False, page: str = "report") -> None:
    """Say where a page is and what it answers, or why there is none."""
    if outcome.state == "ok":
        click.echo(str(outcome.page))
        results = outcome.folder / "results.json"
        if page == "report" and results.is_file():
            from thermlab.reports.results import filed_lines, read_json  # noqa: PLC0415

            found: Any = read_json(results)  # checked when it was written: what would check it again takes numpy along
            for line in filed_lines(found):
                click.echo(line)
    elif outcome.state == "bad input":
        for line in outcome.message.splitlines():
            click.echo(f"{outcome.source}: {line}" if several else line, err=True)
    else:
        what = {"failed": " failed", "died": "'s kernel died", "timeout": " took too long"}[outcome.state]
        cell = "" if outcome.cell is None else f" in cell {outcome.cell}"
        click.echo(f"{outcome.source}: the {page}{what}{cell}: {outcome.message.splitlines()[0]}", err=True)
        if (outcome.folder / ".failed").is_dir():
            click.echo(f"{outcome.source}: as far as it got: {outcome.folder / '.failed'}", err=True)
