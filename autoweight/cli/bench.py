"""``autoweight bench``."""

from __future__ import annotations

import sys

import click

from autoweight.cli.options import as_json, emit, table


@click.command()
@click.argument("rigs", nargs=-1, required=True)
@click.option(
    "--methods",
    default="heat,nearest,inverse",
    show_default=True,
    metavar="NAMES",
    help="With commas; a built-in name or package.module:function.",
)
@click.option("--repeats", default=3, show_default=True, type=click.IntRange(1))
@click.option("--seconds", default=120.0, show_default=True, help="Most time for one line.")
@click.option("--megabytes", default=8000, show_default=True, help="Most memory for one line.")
@click.option("--csv", "csv_file", metavar="FILE", help="Write the table there as well.")
@as_json
def command(
    rigs: tuple[str, ...],
    methods: str,
    repeats: int,
    seconds: float,
    megabytes: int,
    csv_file: str | None,
    as_json: bool,
) -> None:
    """Run weighting methods on RIGS that have weights, and say how near they come to them.

    Each method runs in a process of its own: one that crashes, or outstays its limits, is a line
    of the table and not the end. Leaves with 1 where a method did not finish.

    \b
    Example:
      autoweight bench axolotl/weighted.glb --methods heat,nearest
    """
    from autoweight.league import Limits, league

    limits = Limits(seconds=seconds, megabytes=megabytes, repeats=repeats)
    results = league(rigs, [name.strip() for name in methods.split(",")], limits)
    rows = [each.flat() for each in results]
    if csv_file:
        _write_csv(csv_file, rows)
    emit({"results": rows}, as_json, lambda: table([tuple(rows[0]), *map(_cells, rows)]))
    sys.exit(1 if any(each.measures is None for each in results) else 0)


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
