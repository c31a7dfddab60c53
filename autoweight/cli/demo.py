"""``autoweight demo``."""

from __future__ import annotations

import sys
from typing import TYPE_CHECKING, Any

import click

from autoweight.cli.options import as_json, emit, progress_to_stderr, quiet, table

if TYPE_CHECKING:
    from pathlib import Path

    from autoweight.rig import Rig

SHEETS = {
    "tail": ("tail_1", "tail_3", "tail_5", "tail_7"),
    "arm": ("shoulder_L", "elbow_L", "wrist_L", "spine_3"),
    "digits": ("digit_1_1_L", "digit_2_1_L", "digit_2_2_L", "digit_3_1_L"),
    "head": ("head", "jaw", "snout", "gill_2_2_L"),
}


@click.command()
@click.argument("folder", metavar="DIR")
@as_json
@quiet
def command(folder: str, as_json: bool, quiet: bool) -> None:
    """Model an axolotl, weight it by a recipe, check it and draw the weights, all into DIR.

    Writes axolotl.glb, recipe.toml, weighted.glb and pictures; files of these names that are
    there are replaced. Leaves with 1 if the check found something.

    \b
    Example:
      autoweight demo axolotl
    """
    from pathlib import Path

    from autoweight.errors import FileError

    place = Path(folder)
    try:
        place.mkdir(parents=True, exist_ok=True)
    except OSError as error:
        raise FileError(f"{place}: cannot make this folder: {error.strerror or error}") from error
    result = _run(place, quiet)
    emit(result, as_json, lambda: _text(result))
    sys.exit(1 if result["findings"] else 0)


def _run(place: Path, quiet: bool) -> dict[str, Any]:
    from dataclasses import replace
    from importlib.resources import files
    from time import perf_counter

    from autoweight.checking import check
    from autoweight.demo import bound
    from autoweight.io import load, save
    from autoweight.io.atomic import write
    from autoweight.recipe import load_recipe
    from autoweight.solving import first_pass

    progress = progress_to_stderr(quiet)
    model, recipe_file, weighted = (
        place / name for name in ("axolotl.glb", "recipe.toml", "weighted.glb")
    )
    progress("modelling", 0)
    save(bound(), model)
    write(recipe_file, [files("autoweight.demo").joinpath("axolotl.toml").read_bytes()])

    begun = perf_counter()
    rig, recipe = load(model), load_recipe(recipe_file)
    solution = first_pass(rig, recipe, progress=progress)
    save(replace(rig, weights=solution.weights), weighted, bits=recipe.tidy.bits)
    seconds = perf_counter() - begun

    progress("checking", 0)
    written = load(weighted)
    findings = [fact.name for fact in check(written) if fact.finding]
    progress("drawing", 0)
    pictures = _draw(written, place)
    return {
        "model": str(model),
        "recipe": str(recipe_file),
        "weighted": str(weighted),
        "pictures": pictures,
        "vertices": len(rig.mesh.vertices),
        "joints": len(rig.skeleton),
        "seconds": round(seconds, 2),
        "findings": findings,
        "decisions": list(solution.decisions),
    }


def _draw(rig: Rig, place: Path) -> list[str]:
    from autoweight.demo import model
    from autoweight.view.picture import picture
    from autoweight.view.sheet import save_png, sheet

    built = model()
    portrait = place / "axolotl.png"
    save_png(picture(built.rig.mesh, built.colours), portrait)
    drawn = [str(portrait)]
    for name, joints in SHEETS.items():
        path = place / f"weights_{name}.png"
        sheet(rig, joints, path)
        drawn.append(str(path))
    return drawn


def _text(result: dict[str, Any]) -> str:
    found = ", ".join(result["findings"]) or "nothing to mend"
    return table(
        [
            (
                "modelled",
                result["model"],
                f"{result['vertices']} vertices, {result['joints']} joints",
            ),
            ("weighted", result["weighted"], f"by {result['recipe']} in {result['seconds']} s"),
            ("checked", "", found),
            *(("drew", path, "") for path in result["pictures"]),
        ]
    )
