"""``autoweight mirror``."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import click

from autoweight.cli.options import (
    Choice,
    as_json,
    choosing,
    each_of,
    flatten,
    force,
    output,
    progress_to_stderr,
    quiet,
    recipe,
    tidying,
)

if TYPE_CHECKING:
    from autoweight.recipes.recipe import Tidy
    from autoweight.rig import Weights
    from autoweight.weights.mirroring import MirrorReport


@click.command()
@click.argument("rig")
@output
@recipe
@click.option(
    "--plane",
    metavar="PLANE",
    help="x, y or z through the body's own middle; x=0 or x=0.25; or the six numbers of a point "
    "and a normal (x).",
)
@click.option(
    "--keep",
    type=click.Choice(["positive", "negative", "mean"]),
    help="Which side has the weights to keep, +x for plane x, or the mean of both (positive).",
)
@click.option(
    "--pair",
    "pairs",
    multiple=True,
    metavar="A=B",
    help="Joints that are counterparts whatever their names; may be given again.",
)
@tidying
@choosing
@flatten
@force
@as_json
@quiet
def command(
    rig: str,
    output: str,
    recipe_file: str | None,
    plane: str | None,
    keep: str | None,
    pairs: tuple[str, ...],
    max_influences: int | None,
    prune: float | None,
    bits: str | None,
    taken: Choice,
    flatten: bool,
    force: bool,
    as_json: bool,
    quiet: bool,
) -> None:
    """Make one side's weights the exact mirror image of the other's.

    Of a recipe its mirror, its locks and its tidy table count. Without one, no vertex gets more
    influences than RIG has already, and the precision stays.

    \b
    Example:
      autoweight mirror axolotl/weighted.glb -o axolotl/even.glb --plane x --keep positive
    """
    from dataclasses import replace

    from autoweight.cli.writing import Weighted, overridden, write_weights
    from autoweight.io import check_output
    from autoweight.recipes.recipe import Mirror, Recipe, Tidy, load_recipe
    from autoweight.stages.finishing import mirror_pass

    rigs = taken.all(rig)
    check_output(rigs[0], output, force=force)
    read = load_recipe(recipe_file) if recipe_file else None
    how = (read and read.mirror) or Mirror()
    how = replace(
        how,
        plane=plane or how.plane,
        keep=keep or how.keep,
        pairs=how.pairs + tuple(_pair(each) for each in pairs),
    )
    found = []
    for each in rigs:
        asked = read or Recipe(tidy=_as_it_is(each.weights) if each.weights else Tidy())
        tidy = overridden(asked.tidy, max_influences, prune, bits)
        asked = replace(asked, mirror=how, tidy=tidy)
        with each_of(rig, each):
            done = mirror_pass(each, asked, progress=progress_to_stderr(quiet))
        more = _more(done.mirrored) if done.mirrored else {}
        found.append(Weighted(done.weights, tidy.bits, done.decisions, more))
    write_weights(rigs, found, output, flatten=flatten, force=force, as_json=as_json)


def _as_it_is(weights: Weights) -> Tidy:
    """Limits that the weights keep to already."""
    from autoweight.recipes.recipe import Tidy
    from autoweight.weights.tidying import precision

    return Tidy(int(weights.influences.max()), 0, precision(weights))


def _pair(text: str) -> tuple[str, str]:
    first, equals, second = text.partition("=")
    if not equals:
        raise click.BadParameter(f"{text!r} is not A=B", param_hint="--pair")
    return first, second


def _more(report: MirrorReport) -> dict[str, Any]:
    """What of the rig is not symmetric."""
    order = report.distance.argsort(kind="stable")[::-1]
    return {
        "tolerance": report.tolerance,
        "asymmetric_vertices": {
            int(report.asymmetric[at]): float(report.distance[at]) for at in order
        },
        "shifted_joints": dict(report.shifted),
        "unpaired_joints": list(report.unpaired),
    }
