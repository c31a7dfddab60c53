"""Options that several commands share, and what they print with."""

from __future__ import annotations

import json
import sys
import time
from collections.abc import Callable
from typing import Any

import click

__all__ = [
    "PAGES",
    "as_json",
    "emit",
    "flatten",
    "force",
    "output",
    "progress_to_stderr",
    "quiet",
    "recipe",
    "root",
    "scheduler",
    "skeleton",
    "table",
    "tidying",
    "weights_table",
    "workers",
]

PAGES = (".html", ".htm")
"""Suffixes of the pages that commands write."""

as_json = click.option("--json", "as_json", is_flag=True, help="Print the result as JSON.")
quiet = click.option("--quiet", is_flag=True, help="Say nothing of progress.")
output = click.option("-o", "--output", required=True, metavar="OUT", help="File to write.")
force = click.option("--force", is_flag=True, help="Allow OUT to be the file that was read.")
flatten = click.option(
    "--flatten", is_flag=True, help="Write OpenUSD whole, not as a layer on top of what was read."
)
skeleton = click.option(
    "--skeleton", metavar="FILE", help="Joints in a JSON file, for a mesh that has none."
)
weights_table = click.option(
    "--weights", "weights_table", metavar="TABLE", help="Weights from a .npz or .csv table."
)
recipe = click.option("--recipe", "recipe_file", metavar="FILE", help="What to do, in a TOML file.")
root = click.option(
    "--root", metavar="NODE", help="Node whose hierarchy is the skeleton, where no skin names one."
)

_TIDYING = (
    click.option(
        "--max-influences",
        type=click.IntRange(1),
        metavar="N",
        help="Most joints a vertex may have.",
    ),
    click.option(
        "--prune",
        type=click.FloatRange(0, 1),
        metavar="WEIGHT",
        help="Weights below this become 0.",
    ),
    click.option(
        "--bits",
        type=click.Choice(["32", "16", "8"]),
        help="Bits of a weight in the file; 32 is floating point.",
    ),
)

scheduler = click.option(
    "--scheduler",
    metavar="ADDRESS",
    help="Dask scheduler whose workers do it, such as tcp://h:8786.",
)


def workers(default: int | None) -> Callable[..., Any]:
    """Option for how many jobs run at a time on this machine."""
    many = "as many as it has processors" if default is None else str(default)
    return click.option(
        "--workers",
        type=click.IntRange(1),
        default=default,
        metavar="N",
        help=f"Jobs at a time on this machine; {many} when left out.",
    )


def tidying(command: Callable[..., Any]) -> Callable[..., Any]:
    """Options that override the recipe's tidy table."""
    for option in reversed(_TIDYING):
        command = option(command)
    return command


QUIET_SECONDS = 1.0


def emit(result: dict[str, Any], as_json: bool, text: Callable[[], str]) -> None:
    """Print a result on stdout, for machines or for people."""
    click.echo(json.dumps(result, indent=2) if as_json else text())


def table(rows: list[tuple[str, ...]]) -> str:
    """Columns as wide as they need to be, two spaces apart."""
    widths = [max(map(len, column)) for column in zip(*rows, strict=True)]
    return "\n".join(
        "  ".join(cell.ljust(width) for cell, width in zip(row, widths, strict=True)).rstrip()
        for row in rows
    )


def progress_to_stderr(quiet: bool) -> Callable[[str, float], None]:
    """A progress callback that speaks up once the work has taken a second."""
    if quiet:
        return lambda stage, share: None
    begun = time.monotonic()
    shown = [""]

    def report(stage: str, share: float) -> None:
        if time.monotonic() - begun < QUIET_SECONDS:
            return
        if sys.stderr.isatty():
            click.echo(f"\r\033[K{stage} {share:.0%}", err=True, nl=share >= 1)
        elif stage != shown[0]:
            click.echo(stage, err=True)
        shown[0] = stage

    return report
