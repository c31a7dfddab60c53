"""``autoweight carry``."""

from __future__ import annotations

import os
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from autoweight.cli.options import (
    as_json,
    emit,
    flatten,
    force,
    progress_to_stderr,
    quiet,
    root,
    skeleton,
    table,
    tidying,
)

if TYPE_CHECKING:
    from autoweight.rig import Rig


@click.command()
@click.argument("finished")
@click.argument("new", nargs=-1, required=True)
@click.option(
    "-o", "--output", required=True, metavar="OUT", help="File to write; a folder for several NEW."
)
@click.option(
    "--fill",
    type=click.Choice(["inpaint", "solve"]),
    default="inpaint",
    show_default=True,
    help="Where nothing matches, continue the weights around (inpaint) or weight afresh (solve).",
)
@click.option(
    "--reach",
    type=click.FloatRange(0, 1, min_open=True),
    default=0.05,
    show_default=True,
    help="Farthest match, in bounding-box diagonals.",
)
@click.option(
    "--angle",
    type=click.FloatRange(0, 90, min_open=True),
    default=30.0,
    show_default=True,
    help="Most that normals may differ, in degrees.",
)
@click.option("--recipe", metavar="FILE", help="How to weight what is weighted afresh.")
@click.option("--part", "parts", multiple=True, metavar="GLOB", help="Weight these parts of NEW.")
@click.option("--confidence", is_flag=True, help="Write how sure each vertex is as _CARRY, 0 to 1.")
@tidying
@skeleton
@root
@flatten
@force
@as_json
@quiet
def command(
    finished: str,
    new: tuple[str, ...],
    output: str,
    fill: str,
    reach: float,
    angle: float,
    recipe: str | None,
    parts: tuple[str, ...],
    confidence: bool,
    max_influences: int | None,
    prune: float | None,
    bits: str | None,
    skeleton: str | None,
    root: str | None,
    flatten: bool,
    force: bool,
    as_json: bool,
    quiet: bool,
) -> None:
    """Carry the weights of FINISHED over to changed geometry in NEW.

    Vertices in the same place keep their weights exactly, unless an option or the recipe says how
    to tidy them. Several NEW, such as clothes and levels of detail, are weighted alike, so that
    what lies together moves together. A NEW without joints gets those of FINISHED.

    \b
    Example:
      autoweight carry axolotl/weighted.glb axolotl/axolotl.glb -o axolotl/carried.glb
    """
    from dataclasses import replace

    from autoweight.cli.writing import overridden
    from autoweight.errors import WeightsError, naming
    from autoweight.io import check_output, load, save
    from autoweight.io.atomic import folder
    from autoweight.recipes.recipe import Recipe, Tidy, load_recipe
    from autoweight.rig import Weights
    from autoweight.rows import replaced
    from autoweight.stages.carrying import carry
    from autoweight.surface import prepare
    from autoweight.weights.tidying import quantise, tidy

    progress = progress_to_stderr(quiet)
    targets = _targets(finished, new, Path(output), force)
    progress("reading", 0)
    source = load(finished)
    if source.weights is None:
        raise WeightsError(
            f"{finished}: has no weights to carry; weight it with 'autoweight solve'"
        )
    how = load_recipe(recipe) if recipe else Recipe()
    said = recipe or any(each is not None for each in (max_influences, prune, bits))
    tidying = overridden(how.tidy, max_influences, prune, bits)
    if not said:
        most = int(source.weights.influences.max())
        tidying = replace(tidying, max_influences=max(Tidy.max_influences, most))

    results: list[dict[str, Any]] = []
    written: list[Rig] = []
    for path, target in zip(new, targets, strict=True):
        rig = _load(path, source, skeleton, root, parts)
        if len(new) == 1 or target.parent.is_dir():
            check_output(rig, target, force=force)
        with naming(path):
            surface = prepare(rig.mesh)
            carried = carry(
                source,
                rig,
                how,
                fill=fill,
                reach=reach,
                angle=angle,
                surface=surface,
                progress=progress,
            )
        weights = tidy(
            carried.weights, tidying, mesh=rig.mesh, skeleton=rig.skeleton, surface=surface
        )
        if not said:
            kept = carried.kept.nonzero()[0]
            weights = Weights(replaced(weights.matrix, kept, carried.weights.matrix[kept]))
        attributes = dict(rig.attributes)
        if carried.locks is not None:
            attributes["_LOCK"] = carried.locks
        if confidence:
            attributes["_CARRY"] = carried.confidence
        final = quantise(weights, tidying.bits)
        written.append(replace(rig, weights=final, attributes=attributes))
        results.append(
            {
                "new": path,
                "output": str(target),
                "vertices": len(rig.mesh.vertices),
                **carried.counts,
                "notes": list(carried.notes),
            }
        )
    progress("writing", 0)
    for rig, target in zip(written, targets, strict=True):
        if len(new) > 1:
            folder(target.parent)
        save(rig, target, bits=tidying.bits, force=force, flatten=flatten)
    emit({"finished": finished, "carried": results}, as_json, lambda: _text(results))


def _targets(finished: str, new: tuple[str, ...], output: Path, force: bool) -> list[Path]:
    """Where each result goes."""
    from autoweight.errors import FileError

    several = len(new) > 1 or output.is_dir()
    targets = [output / _written_as(Path(path)) for path in new] if several else [output]
    if several and output.exists() and not output.is_dir():
        raise FileError(f"{output}: is a file; name a folder for several rigs")
    if several and not output.parent.is_dir():
        raise FileError(
            f"{output}: cannot write, there is no folder {output.parent}; make it first"
        )
    if several and not os.access(output if output.is_dir() else output.parent, os.W_OK):
        raise FileError(f"{output}: cannot write (Permission denied); choose another place")
    for number, target in enumerate(targets):
        if target in targets[:number]:
            raise FileError(f"{target}: two results have this name; carry them one by one")
        if not force and target.exists() and target.samefile(finished):
            raise FileError(f"{target}: is the finished rig; choose another name or pass --force")
    return targets


def _written_as(path: Path) -> str:
    """The name of a result in a folder: its own, as GLB where its format holds no weights."""
    from autoweight.io import WRITERS

    return path.name if path.suffix.lower() in WRITERS else f"{path.stem}.glb"


def _load(
    path: str, finished: Rig, skeleton: str | None, root: str | None, parts: tuple[str, ...]
) -> Rig:
    """A rig, with the joints of the finished one where it has none."""
    from autoweight.errors import AutoweightError, SkeletonError
    from autoweight.io import load

    try:
        return load(path, skeleton=skeleton, root=root, parts=parts)
    except SkeletonError as error:
        if skeleton is not None or root is not None:
            raise
        try:
            return load(path, skeleton=finished.skeleton, parts=parts)
        except AutoweightError:
            raise error from None


def _text(results: list[dict[str, Any]]) -> str:
    head = ("wrote", "vertices", "kept", "interpolated", "filled", "solved")
    rows = [head] + [
        (result["output"], *(str(result[key]) for key in head[1:])) for result in results
    ]
    notes = [f"{result['output']}: {note}" for result in results for note in result["notes"]]
    return "\n".join([table(rows), *notes])
