"""``autoweight bench``."""

from __future__ import annotations

import sys
from collections.abc import Sequence
from dataclasses import asdict
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from autoweight.cli.options import Choice, as_json, choosing, emit, scheduler, table, workers

if TYPE_CHECKING:
    from autoweight.stages.league import Summary


@click.command()
@click.argument("rigs", nargs=-1, required=True)
@click.option(
    "--methods",
    metavar="NAMES",
    help="With commas; a built-in name, package.module:function, a recipe file, which brings its "
    "parameters, or like: in the taste of the other RIGS. Every built-in one otherwise.",
)
@click.option(
    "--repeats",
    default=3,
    show_default=True,
    type=click.IntRange(1),
    help="Runs that the time of a line is the median of.",
)
@click.option("--seconds", default=120.0, show_default=True, help="Most time for one line.")
@click.option("--megabytes", default=8000, show_default=True, help="Most memory for one line.")
@click.option("--csv", "csv_file", metavar="FILE", help="Write the table there as well.")
@click.option("--plot", metavar="FILE", help="Draw time against nearness there, as SVG.")
@click.option(
    "--keep", metavar="DIR", help="Keep results there, and do not do again what is there already."
)
@choosing
@scheduler
@workers(1)
@as_json
def command(
    rigs: tuple[str, ...],
    methods: str | None,
    repeats: int,
    seconds: float,
    megabytes: int,
    csv_file: str | None,
    plot: str | None,
    keep: str | None,
    taken: Choice,
    scheduler: str | None,
    workers: int,
    as_json: bool,
) -> None:
    """Run weighting methods on RIGS that have weights, and say how near they come to them.

    A folder stands for the rigs in it.

    Each method runs in a process of its own: one that crashes, or outstays its limits, is a line
    of the table and not the end. Leaves with 1 where a method did not finish.

    \b
    What is measured, with weights capped at 4 joints a vertex:
      seconds, megabytes    median of the repeats; peak of the process
      l1                    mean of the sum of differences, 0 to 2
      precision, recall     of the joints at a vertex, those in both weightings
      deformation, _max     mean and largest distance in random poses, in
                            bounding-box diagonals
      step                  how abruptly weights change along edges
      uneven                largest difference between left and right
      influences            joints a vertex
      flex_worst, _mean     worst place in 60 poses and mean over places, in
                            limits of `autoweight flex`
    L1, precision, recall and deformation are those of Xu et al., TOG 39(4), 2020. Over several
    rigs, means come with 95 % confidence intervals.

    \b
    Example:
      autoweight bench axolotl/weighted.glb --methods heat,nearest
    """
    from autoweight.errors import WeightsError
    from autoweight.io import check_place
    from autoweight.stages.league import DEFAULTS, Limits, league, summaries
    from autoweight.view.plot import save_plot

    for place, suffix in ((csv_file, ".csv"), (plot, ".svg")):
        if place:
            check_place(place, (suffix,))
    for rig in rigs:
        if not Path(rig).is_dir() and taken(rig).weights is None:
            raise WeightsError(f"{rig}: has no weights to come near to; bench rigs that have some")
    files = [file for rig in rigs for file in _files(rig)]
    names = [name.strip() for name in methods.split(",")] if methods else DEFAULTS
    limits = Limits(seconds=seconds, megabytes=megabytes, repeats=repeats)
    results = league(
        files,
        names,
        limits,
        taken=taken.asked,
        scheduler=scheduler,
        workers=workers,
        keep=keep,
    )
    rows = [each.flat() for each in results]
    means = summaries(results) if len(files) > 1 else []
    if csv_file:
        _write_csv(csv_file, rows)
    if plot:
        save_plot(results, plot)
    emit(
        {
            "results": rows,
            **({"means": [_finite(asdict(each)) for each in means]} if means else {}),
        },
        as_json,
        lambda: "\n".join([table([tuple(rows[0]), *map(_cells, rows)]), *_told(means)]),
    )
    sys.exit(1 if any(each.measures is None for each in results) else 0)


def _files(given: str) -> list[str]:
    """A rig, or those in a folder."""
    from autoweight.errors import FileError
    from autoweight.io import READERS

    if not Path(given).is_dir():
        return [given]
    found = sorted(str(each) for each in Path(given).iterdir() if each.suffix.lower() in READERS)
    if not found:
        raise FileError(f"{given}: no file in this folder is a rig")
    return found


def _told(means: Sequence[Summary]) -> list[str]:
    """Means with their intervals, for people."""
    if not means:
        return []
    rows: list[tuple[str, ...]] = [("method", "measure", "rigs", "mean", "95 % between")]
    for each in means:
        between = f"{each.low:.4g} and {each.high:.4g}" if each.low == each.low else ""
        rows.append((each.method, each.measure, str(each.rigs), f"{each.mean:.4g}", between))
    return ["", table(rows)]


def _finite(row: dict[str, Any]) -> dict[str, Any]:
    """Not-a-number as null: JSON has no other word for it."""
    return {key: None if value != value else value for key, value in row.items()}


def _cells(row: dict) -> tuple[str, ...]:
    return tuple(
        "" if value is None else f"{value:.4g}" if isinstance(value, float) else str(value)
        for value in row.values()
    )


def _write_csv(path: str, rows: list[dict]) -> None:
    import csv
    import io

    from autoweight.io.atomic import write

    text = io.StringIO()
    writer = csv.DictWriter(text, rows[0])
    writer.writeheader()
    writer.writerows(rows)
    write(path, [text.getvalue().encode()])
