"""``autoweight cast``."""

from __future__ import annotations

import sys
from collections.abc import Callable, Iterator
from contextlib import contextmanager, nullcontext
from pathlib import Path
from typing import TYPE_CHECKING

import click

from autoweight.cli.options import as_json, emit, quiet, say, scheduler, table, workers

if TYPE_CHECKING:
    from autoweight.cast.running import Line


@click.command()
@click.argument("cast", required=False)
@click.option(
    "-o",
    "--output",
    metavar="OUT",
    help="Folder for the results; CAST_weighted beside CAST when left out. With --draft the "
    "file to write.",
)
@click.option("--draft", metavar="FOLDER", help="Write a cast file for the rigs of a folder.")
@scheduler
@workers(None)
@as_json
@quiet
def command(
    cast: str | None,
    output: str | None,
    draft: str | None,
    scheduler: str | None,
    workers: int | None,
    as_json: bool,
    quiet: bool,
) -> None:
    """Weight the many characters that CAST names, with their levels of detail and garments.

    CAST is a TOML file; --draft writes one for the rigs of a folder, to be edited and then given.

    What was done already, from the same files by the same recipe, is not done again. A rig that
    cannot be used is a line of the table and not the end. OUT gets a folder for each character,
    index.html to look at in the morning, and the same as cast.csv and cast.json.

    Leaves with 0 when all is sound, 1 when something is to be looked at or failed, 2 when CAST
    cannot be used.

    \b
    Example:
      autoweight cast --draft axolotl -o cast.toml
    """
    if (cast is None) == (draft is None):
        raise click.UsageError("give a cast file, or --draft and a folder to write one for")
    if draft is not None:
        _draft(draft, output)
        return
    assert cast is not None
    from autoweight.cast.page import row, summary, write_tables
    from autoweight.cast.running import SOUND, run
    from autoweight.cast.sheet import load_cast
    from autoweight.errors import FileError

    into = Path(output) if output else Path(cast).with_name(f"{Path(cast).stem}_weighted")
    with _progress(quiet) as told:
        lines = run(load_cast(cast), into, scheduler=scheduler, workers=workers, told=told)
    emit({"characters": [row(line) for line in lines]}, as_json, lambda: _text(lines))
    if not as_json:
        say(summary(lines))
    try:
        written = write_tables(lines, into, Path(cast).stem)
    except FileError as error:  # the work is done and told; a full disk is no fault of the file
        click.echo(f"autoweight: {error}", err=True)
        sys.exit(1)
    if not as_json:
        say(f"wrote  {written[-1]}")
    sys.exit(0 if all(line.verdict == SOUND for line in lines) else 1)


def _draft(folder: str, output: str | None) -> None:
    from autoweight.cast.drafting import draft
    from autoweight.io import check_place
    from autoweight.io.atomic import write

    if output:
        check_place(output, (".toml",))
    text = draft(folder, Path(output).absolute().parent if output else Path.cwd())
    if output:
        write(output, [text.encode()])
        say(f"wrote  {output}")
    else:
        say(text, nl=False)


@contextmanager
def _progress(quiet: bool) -> Iterator[Callable[[int, int, Line | None], None]]:
    """How far it is: a bar on a terminal, a line for each that failed elsewhere."""
    from rich.console import Console
    from rich.progress import BarColumn, MofNCompleteColumn, Progress, TextColumn
    from rich.progress import TimeRemainingColumn as Left

    from autoweight.cast.running import FAILED

    console = Console(stderr=True, quiet=quiet, highlight=False)
    columns = (
        BarColumn(),
        MofNCompleteColumn(),
        TextColumn("{task.fields[failed]} failed"),
        Left(),
        TextColumn("{task.description}"),
    )
    silent = quiet or not console.is_terminal
    bar = Progress(*columns, console=console, transient=True, disable=silent)
    # Older versions of rich end even a bar that is not shown with an empty line.
    with nullcontext() if silent else bar:
        task = bar.add_task("", total=None, failed=0)
        failed = 0

        def told(done: int, many: int, line: Line | None) -> None:
            nonlocal failed
            if line is not None and line.verdict == FAILED:
                failed += 1
                bar.console.print(f"{line.job.name}: {line.trouble}", markup=False, soft_wrap=True)
            name = line.job.name if line else ""
            bar.update(task, completed=done, total=many, failed=failed, description=name)

        yield told


def _text(lines: list[Line]) -> str:
    """The table for people, what needs them first."""
    rows: list[tuple[str, ...]] = [("verdict", "name", "severity", "change", "levels off", "what")]
    for line in lines:
        told = line.told
        levels = [each["worst"] for each in told.levels] if told else []
        what = line.trouble or (told.findings[0] if told and told.findings else "")
        change = line.change
        rows.append(
            (
                line.verdict,
                line.job.name,
                f"{told.severity:.2f}" if told and told.worst else "",
                "" if change is None else f"{change:.2g}",
                f"{max(levels):.2g}" if levels else "",
                what if len(what) <= WIDE else what[: WIDE - 1] + "…",
            )
        )
    return table(rows)


WIDE = 90
"""Characters of a reason in the table; the page has all of it."""
