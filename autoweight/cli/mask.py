"""``autoweight mask``."""

from __future__ import annotations

import click

from autoweight.cli.options import as_json, force, output, quiet


@click.command()
@click.argument("rig")
@output
@click.option("--chain", required=True, metavar="JOINT:JOINT", help="First and last joint of it.")
@click.option("--full", metavar="JOINT:JOINT", help="Where the mask is 1; the whole chain if not.")
@click.option("--zero", multiple=True, metavar="JOINT", help="Where it is exactly 0; up to two.")
@click.option("--shape", default="smooth", show_default=True, help="Of the way from 1 to 0.")
@click.option("--name", default="_MASK", show_default=True, help="Attribute that gets the mask.")
@click.option("--into", metavar="SHAPE", help="Multiply the mask into this morph target.")
@click.option(
    "--wave",
    metavar="SIZE,LENGTH,AXIS",
    help="Add a sine under the mask as two morph targets a quarter apart, swinging along x, y, z.",
)
@force
@as_json
@quiet
def command(
    rig: str,
    output: str,
    chain: str,
    full: str | None,
    zero: tuple[str, ...],
    shape: str,
    name: str,
    into: str | None,
    wave: str | None,
    force: bool,
    as_json: bool,
    quiet: bool,
) -> None:
    """Write a falloff mask along a chain of RIG as a custom attribute.

    It is 1 along a stretch and falls to exactly 0 at the joints named, so that a shape that is
    multiplied by it never pulls away from what is attached there.

    \b
    Example:
      autoweight mask axolotl/weighted.glb -o axolotl/swimming.glb --chain spine_1:tail_10
        --full tail_1:tail_10 --zero spine_1 --wave 0.05,0.8,x
    """
