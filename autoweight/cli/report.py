"""``autoweight report``."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from autoweight.cli.options import (
    PAGES,
    Choice,
    as_json,
    choosing,
    each_of,
    emit_each,
    ended,
    endings,
    output,
    progress_to_stderr,
    quiet,
    recipe,
)

if TYPE_CHECKING:
    from autoweight.methods import Progress
    from autoweight.recipes.recipe import Recipe
    from autoweight.rig import Rig


@click.command()
@click.argument("rig")
@output
@recipe
@choosing
@as_json
@quiet
def command(
    rig: str, output: str, recipe_file: str | None, taken: Choice, as_json: bool, quiet: bool
) -> None:
    """Write a review of RIG as one HTML file: check, worst places, pictures, recipe, versions.

    With a recipe, its ranges and limits hold for the flexing, and it is printed. Each of several
    characters gets a file, with its name behind OUT's.

    \b
    Example:
      autoweight report axolotl/weighted.glb -o axolotl/report.html --recipe axolotl/recipe.toml
    """
    from autoweight.io import check_place
    from autoweight.recipes.recipe import Recipe, load_recipe

    check_place(output, PAGES, read=(rig,))
    progress = progress_to_stderr(quiet)
    asked = load_recipe(recipe_file) if recipe_file else Recipe()
    rigs = taken.all(rig)
    results = []
    for each, ending in zip(rigs, endings(rigs), strict=True):
        place = ended(output, ending)
        check_place(place, PAGES, read=(rig,))
        with each_of(rig, each):
            title = " ".join([Path(rig).stem, each.name]).strip()
            results.append(_review(each, title, place, asked, progress))
    emit_each(
        rigs,
        results,
        as_json,
        (f"wrote  {result['output']}  {result['bytes'] / 1e6:.1f} MB" for result in results),
        {"rig": rig},
    )


def _review(rig: Rig, title: str, output: str, asked: Recipe, progress: Progress) -> dict[str, Any]:
    """Write the review of one character, and say what was found."""
    from autoweight.flexing import flex
    from autoweight.io.atomic import write
    from autoweight.pose.motion import range_of_motion
    from autoweight.skeleton.sides import likely_plane
    from autoweight.surface import prepare
    from autoweight.view.report import report
    from autoweight.weights.checking import check

    plane = likely_plane(rig.skeleton)
    clip = range_of_motion(rig.skeleton, plane, asked)
    surface = prepare(rig.mesh)
    facts = check(rig, surface=surface)
    found = flex(rig, clip, limits=asked.limits, plane=plane, surface=surface, progress=progress)
    progress("drawing", 0)
    source = asked.source.text if asked.source else ""
    text = report(rig, facts, found, clip, title=title, recipe=source).encode()
    write(output, [text])
    return {
        "output": output,
        "bytes": len(text),
        "findings": sum(fact.finding for fact in facts),
        "over": len(found.findings),
    }
