"""``autoweight check``."""

from __future__ import annotations

import sys

import click

from autoweight.cli.options import as_json, emit, root, skeleton, table


@click.command()
@click.argument("rig")
@skeleton
@root
@as_json
def command(rig: str, skeleton: str | None, root: str | None, as_json: bool) -> None:
    """Report the health of RIG: its mesh, its joints, its weights.

    Leaves with 0 when all is sound, 1 when there is something to look at (marked with !), 2 when
    the file cannot be used.

    \b
    Example:
      autoweight check axolotl/weighted.glb
    """
    from dataclasses import asdict

    from autoweight.errors import naming
    from autoweight.io import load
    from autoweight.weights.checking import check

    loaded = load(rig, skeleton=skeleton, root=root)
    with naming(rig):
        facts = check(loaded)
    findings = sum(fact.finding for fact in facts)
    emit(
        {"rig": rig, "findings": findings, "facts": [asdict(fact) for fact in facts]},
        as_json,
        lambda: table(
            [
                (
                    "!" if fact.finding else "",
                    fact.about,
                    fact.name,
                    fact.told,
                    ", ".join(map(str, fact.where)),
                )
                for fact in facts
            ]
        ),
    )
    sys.exit(1 if findings else 0)
