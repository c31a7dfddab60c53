"""``autoweight mask``."""

from __future__ import annotations

import math

import click

from autoweight.cli.options import (
    Choice,
    as_json,
    choosing,
    emit,
    force,
    output,
    progress_to_stderr,
    quiet,
    table,
)

AXES = {"x": (1.0, 0.0, 0.0), "y": (0.0, 1.0, 0.0), "z": (0.0, 0.0, 1.0)}


@click.command()
@click.argument("rig")
@output
@click.option("--chain", required=True, metavar="JOINT:JOINT", help="First and last joint of it.")
@click.option(
    "--full",
    required=True,
    metavar="JOINT:JOINT",
    help="Where the mask is 1, from the first joint to the second.",
)
@click.option(
    "--zero",
    multiple=True,
    required=True,
    metavar="JOINT",
    help="Where it is exactly 0; one joint before --full, one behind it, or both.",
)
@click.option(
    "--shape",
    metavar="CURVE",
    default="smooth",
    show_default=True,
    help="How it falls from 1 to 0: linear, smooth, smoother or gaussian.",
)
@click.option("--name", default="_MASK", show_default=True, help="Attribute that gets the mask.")
@click.option("--into", metavar="TARGET", help="Multiply the mask into this morph target of RIG.")
@click.option(
    "--wave",
    metavar="SIZE,LENGTH,AXIS",
    help="Add a sine under the mask as two morph targets a quarter of a wave apart: how far it "
    "swings, how long a wave is (scene units), and along x, y or z.",
)
@choosing
@force
@as_json
@quiet
def command(
    rig: str,
    output: str,
    chain: str,
    full: str,
    zero: tuple[str, ...],
    shape: str,
    name: str,
    into: str | None,
    wave: str | None,
    taken: Choice,
    force: bool,
    as_json: bool,
    quiet: bool,
) -> None:
    """Write a falloff mask along a chain of RIG as a custom attribute.

    It is 1 along a stretch and falls to exactly 0 at the joints named, so that a shape that is
    multiplied by it never pulls away from what is attached there.

    \b
    Example:
      autoweight mask axolotl/weighted.glb -o axolotl/swimming.glb --chain spine_3:tail_8
        --full tail_2:tail_8 --zero spine_3 --wave 0.02,0.3,x
    """
    from dataclasses import replace

    import numpy as np

    from autoweight.errors import RecipeError, naming, suggestion
    from autoweight.io import GLTF, USD, check_output, load_shapes, save
    from autoweight.stages.masking import Wave, along_chain, chain_between, mask, stretch

    if not name.startswith("_"):
        raise RecipeError(f"--name {name!r}: custom attributes begin with an underscore")
    swing = _wave(wave) if wave else None
    ends, whole = _two("--chain", chain), _two("--full", full)
    progress = progress_to_stderr(quiet)
    loaded = taken(rig)
    holds = GLTF if swing or into else {**GLTF, **USD}
    check_output(loaded, output, suffixes=holds, force=force)
    with naming(rig):
        if into is not None and into not in (there := load_shapes(loaded)):
            raise RecipeError(f"no morph target is named {into!r}; {suggestion(into, there)}")
        joints = chain_between(loaded.skeleton, *ends)
        where = stretch(loaded.skeleton, joints, whole, zero=zero, shape=shape)
        along = along_chain(loaded, joints, progress=progress)
    values = mask(along, where)
    shapes = {}
    if swing:
        size, length, axis = swing
        for label, phase in (("wave_sine", 0.0), ("wave_cosine", 90.0)):
            shapes[label] = Wave(size, length, axis, phase).displacement(along, values)
    masked = replace(loaded, attributes={**loaded.attributes, name: values.astype(np.float32)})
    save(masked, output, force=force, shapes=shapes, fades={into: values} if into else None)
    result = {
        "output": output,
        "attribute": name,
        "full": int((values == 1).sum()),
        "between": int(((values > 0) & (values < 1)).sum()),
        "zero": int((values == 0).sum()),
        "shapes": list(shapes),
        "faded": into,
    }
    emit(result, as_json, lambda: _text(result))


def _two(option: str, text: str) -> tuple[str, str]:
    from autoweight.errors import RecipeError

    first, colon, last = text.partition(":")
    if not (first and colon and last):
        raise RecipeError(f"{option} {text!r}: write two joints with a colon, tail_1:tail_8")
    return first, last


def _wave(text: str) -> tuple[float, float, tuple[float, float, float]]:
    from autoweight.errors import RecipeError

    parts = text.split(",")
    if len(parts) != 3 or parts[2] not in AXES:
        raise RecipeError(f"--wave {text!r}: write size, length and x, y or z, such as 0.02,0.3,x")
    try:
        size, length = float(parts[0]), float(parts[1])
    except ValueError:
        size = length = math.nan
    if not (math.isfinite(size) and math.isfinite(length)):
        raise RecipeError(f"--wave {text!r}: size and length are numbers in scene units; mend them")
    return size, length, AXES[parts[2]]


def _text(result: dict) -> str:
    return table(
        [
            ("wrote", result["output"]),
            (result["attribute"], f"1 on {result['full']} vertices"),
            ("", f"between on {result['between']}"),
            ("", f"exactly 0 on {result['zero']}"),
            *(("morph target", shape) for shape in result["shapes"]),
            *([("multiplied into", result["faded"])] if result["faded"] else []),
        ]
    )
