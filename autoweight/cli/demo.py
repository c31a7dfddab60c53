"""``autoweight demo``."""

from __future__ import annotations

import sys

import click

from autoweight.cli.options import as_json, emit, progress_to_stderr, quiet, table


@click.command()
@click.argument("folder", metavar="DIR")
@as_json
@quiet
def command(folder: str, as_json: bool, quiet: bool) -> None:
    """Model an axolotl and take it through the tool, step by step, into DIR.

    It is weighted by a recipe, checked and flexed; a planted fault is explained and mended; a
    ribbon through its tail is weighted, a swimming wave is masked, and pictures are drawn. Files
    of the same names are replaced. Leaves with 1 if the check or the flexing found something.

    \b
    Example:
      autoweight demo axolotl
    """
    from dataclasses import asdict
    from pathlib import Path

    from autoweight.demo.tour import tour
    from autoweight.io.atomic import folder as make

    make(folder)
    steps = list(tour(Path(folder), progress_to_stderr(quiet)))
    emit(
        {"steps": [asdict(step) for step in steps]},
        as_json,
        lambda: table(
            [
                row
                for step in steps
                for row in [
                    ("" if step.sound else "!", step.did, step.told),
                    *(("", "", f"  {path}") for path in step.files),
                ]
            ]
        ),
    )
    sys.exit(0 if all(step.sound for step in steps) else 1)
