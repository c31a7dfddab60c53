"""``autoweight tidy``."""

from __future__ import annotations

import click

from autoweight.cli.options import as_json, force, output, tidying


@click.command()
@click.argument("rig")
@output
@tidying
@force
@as_json
def command(
    rig: str,
    output: str,
    max_influences: int | None,
    prune: float | None,
    bits: str | None,
    force: bool,
    as_json: bool,
) -> None:
    """Prune, cap, normalise and quantise the weights that RIG already has.

    \b
    Example:
      autoweight tidy axolotl/weighted.glb -o axolotl/eight_bits.glb --max-influences 3 --bits 8
    """
    from autoweight.cli.writing import overridden, write_tidied
    from autoweight.errors import WeightsError
    from autoweight.io import load
    from autoweight.recipe import Tidy

    loaded = load(rig)
    if loaded.weights is None:
        raise WeightsError(f"{rig}: has no weights to tidy; weight it with 'autoweight solve'")
    how = overridden(Tidy(), max_influences, prune, bits)
    write_tidied(loaded, loaded.weights, how, output, force=force, as_json=as_json)
