"""Commands for finished work: the record of a build, filing, verifying, history."""

from __future__ import annotations

import sys
from pathlib import Path

import click

from thermlab.errors import InputError, ThermlabError

_PATH = click.Path(path_type=Path)


@click.command()
@click.argument("build", type=_PATH)
@click.option("--out", type=_PATH, help="Folder of the record; default: BUILD/record.")
def record(build: Path, out: Path | None) -> None:
    """Make the record of a finished machine: pass, refer or fail, on one page."""
    from thermlab.execution import use_light_validation  # noqa: PLC0415

    use_light_validation()
    from thermlab.records import record as make  # noqa: PLC0415

    outcome = make(build, out=out, progress=sys.stderr.isatty())
    if outcome.state == "ok":
        click.echo(f"{outcome.verdict}: {outcome.message}")
        click.echo(str(outcome.page))
        return
    if outcome.state == "bad input":
        click.echo(outcome.message, err=True)
        sys.exit(2)
    cell = "" if outcome.cell is None else f" in cell {outcome.cell}"
    click.echo(f"{build}: the record {outcome.state}{cell}: {outcome.message.splitlines()[0]}", err=True)
    if (outcome.folder / ".failed").is_dir():
        click.echo(f"{build}: as far as it got: {outcome.folder / '.failed'}", err=True)
    sys.exit(1)


@click.command()
@click.argument("sources", metavar="CAMPAIGN-OR-BUILD...", nargs=-1, required=True, type=_PATH)
@click.option(
    "--to", "target", metavar="ARCHIVE", required=True, type=_PATH, help="The archive; made if it is missing."
)
def archive(sources: tuple[Path, ...], target: Path) -> None:
    """File campaigns or builds with their reports, for good; the sources are only read."""
    from thermlab.archives import archive as file  # noqa: PLC0415

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


@click.command()
@click.argument("place", metavar="BAG-OR-ARCHIVE", type=_PATH)
@click.option("--recompute", is_flag=True, help="Run the archived inputs again and say which numbers moved.")
@click.option("--last", metavar="HASH", help="Last hash of the list as it was kept elsewhere; it must be in the list.")
def verify(place: Path, recompute: bool, last: str | None) -> None:
    """Check every byte of a bag or an archive; name what changed, is missing or was added."""
    from thermlab.verifying import verify as check  # noqa: PLC0415

    found = check(place, recompute=recompute, last=last)
    click.echo(found.summary(), err=not found.ok)
    sys.exit(0 if found.ok else 1)


@click.command()
@click.argument("archive", type=_PATH)
@click.option("--bench", help="Only this bench.")
@click.option("--confidence-level", type=click.FloatRange(0.0, 1.0, min_open=True, max_open=True), default=0.95,
              show_default=True, help="Of the intervals, as a fraction.")  # fmt: skip
def history(archive: Path, bench: str | None, confidence_level: float) -> None:
    """Say what an archive teaches, and write history.html into it."""
    from thermlab.archive_index import write_index  # noqa: PLC0415
    from thermlab.histories import history as look  # noqa: PLC0415
    from thermlab.history_page import write_history  # noqa: PLC0415

    found = look(archive, confidence_level=confidence_level, bench=bench)
    click.echo(found.summary())
    click.echo(str(write_history(found, archive)))
    write_index(archive)


COMMANDS = (record, archive, verify, history)
