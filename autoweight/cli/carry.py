"""``autoweight carry``."""

from __future__ import annotations

import os
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from autoweight.cli.options import (
    Choice,
    as_json,
    choosing,
    counterparts,
    each_of,
    emit,
    flatten,
    force,
    progress_to_stderr,
    quiet,
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
@click.option("--confidence", is_flag=True, help="Write how sure each vertex is as _CARRY, 0 to 1.")
@tidying
@choosing
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
    confidence: bool,
    max_influences: int | None,
    prune: float | None,
    bits: str | None,
    taken: Choice,
    flatten: bool,
    force: bool,
    as_json: bool,
    quiet: bool,
) -> None:
    """Carry the weights of FINISHED over to changed geometry in NEW.

    Vertices in the same place keep their weights exactly, unless an option or the recipe says how
    to tidy them. Several NEW, such as clothes and levels of detail, are weighted alike, so that
    what lies together moves together. A NEW without joints gets those of FINISHED. Of several
    characters each gets the weights of its namesake; the options choose in NEW.

    \b
    Example:
      autoweight carry axolotl/weighted.glb axolotl/axolotl.glb -o axolotl/carried.glb
    """
    from dataclasses import replace

    from autoweight.cli.writing import overridden
    from autoweight.errors import WeightsError
    from autoweight.io import check_output, load_all, save_all
    from autoweight.io.atomic import folder
    from autoweight.recipes.recipe import Recipe, Tidy, load_recipe
    from autoweight.stages.carrying import carry
    from autoweight.surface import prepare

    progress = progress_to_stderr(quiet)
    targets = _targets(finished, new, Path(output), force)
    progress("reading", 0)
    sources = load_all(finished, outside=taken.outside)
    most = 0
    for source in sources:
        if source.weights is None:
            raise WeightsError(
                f"{finished}: has no weights to carry; weight it with 'autoweight solve'"
            )
        most = max(most, int(source.weights.influences.max()))
    how = load_recipe(recipe) if recipe else Recipe()
    said = recipe or any(each is not None for each in (max_influences, prune, bits))
    tidying = overridden(how.tidy, max_influences, prune, bits)
    if not said:
        tidying = replace(tidying, max_influences=max(Tidy.max_influences, most))

    def carried_over(source: Rig, rig: Rig) -> tuple[Rig, dict[str, Any]]:
        """One character with its weights, and what came of it."""
        surface = prepare(rig.mesh)
        found = carry(
            source,
            rig,
            how,
            fill=fill,
            reach=reach,
            angle=angle,
            surface=surface,
            progress=progress,
        )
        weighted = found.finished(rig, tidying, surface=surface, untouched=not said)
        if confidence:
            marks = {**weighted.attributes, "_CARRY": found.confidence}
            weighted = replace(weighted, attributes=marks)
        told = {"vertices": len(rig.mesh.vertices), **found.counts, "notes": list(found.notes)}
        return weighted, told

    results: list[dict[str, Any]] = []
    written: list[list[Rig]] = []
    for path, target in zip(new, targets, strict=True):
        rigs = _load(path, sources, taken)
        if len(new) == 1 or target.parent.is_dir():
            check_output(rigs[0], target, force=force)
        written.append([])
        theirs = counterparts(path, rigs, finished, sources)
        for source, rig in zip(theirs, rigs, strict=True):
            with each_of(path, rig):
                weighted, told = carried_over(source, rig)
            written[-1].append(weighted)
            whose = {"character": rig.name} if rig.name else {}
            results.append({"new": path, "output": str(target), **whose, **told})
    progress("writing", 0)
    for rigs, target in zip(written, targets, strict=True):
        if len(new) > 1:
            folder(target.parent)
        save_all(rigs, target, bits=tidying.bits, force=force, flatten=flatten)
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


def _load(path: str, finished: list[Rig], taken: Choice) -> list[Rig]:
    """The rigs of a file, with the joints of the finished one where it has none."""
    from autoweight.errors import AutoweightError, SkeletonError
    from autoweight.io import load_all

    try:
        return taken.all(path)
    except SkeletonError as error:
        if taken.skeleton is not None or taken.root is not None or len(finished) > 1:
            raise
        try:
            given = taken.asked | {"skeleton": finished[0].skeleton}
            return load_all(path, **given)
        except AutoweightError:
            raise error from None


def _text(results: list[dict[str, Any]]) -> str:
    head = ("wrote", "vertices", "kept", "interpolated", "filled", "solved")
    named = [
        " ".join([result["output"], result.get("character", "")]).strip() for result in results
    ]
    rows = [head] + [
        (name, *(str(result[key]) for key in head[1:]))
        for name, result in zip(named, results, strict=True)
    ]
    notes = [
        f"{name}: {note}"
        for name, result in zip(named, results, strict=True)
        for note in result["notes"]
    ]
    return "\n".join([table(rows), *notes])
