"""``autoweight ribbon``."""

from __future__ import annotations

import click

from autoweight.cli.options import Choice, as_json, choosing, emit, force, output, table


@click.command()
@click.argument("ribbon")
@output
@click.option(
    "--shape",
    metavar="CURVE",
    default="smooth",
    show_default=True,
    help="How a control's weight falls off: linear, smooth, smoother or gaussian.",
)
@click.option(
    "--reach",
    default=1.0,
    show_default=True,
    help="Half-width of a control's band, in joint spacings.",
)
@click.option("--hold", default=0.0, show_default=True, help="Half-width of the plateau.")
@click.option(
    "--row",
    "rows",
    multiple=True,
    metavar="AT:WEIGHTS",
    help="Exact weight of each control, with commas, at a place along the ribbon: 0 the first "
    "control, 1.5 half-way from the second to the third.",
)
@click.option(
    "--zero",
    multiple=True,
    metavar="CONTROL=FIRST:LAST",
    help="Rows of control points, from 0, on which a control has exactly nothing.",
)
@click.option("--mirror", metavar="PLANE", help="Write the other side's copy too: x, y or z.")
@click.option("--mirrored", metavar="FILE", help="File for that copy.")
@choosing
@force
@as_json
def command(
    ribbon: str,
    output: str,
    shape: str,
    reach: float,
    hold: float,
    rows: tuple[str, ...],
    zero: tuple[str, ...],
    mirror: str | None,
    mirrored: str | None,
    taken: Choice,
    force: bool,
    as_json: bool,
) -> None:
    """Weight the control points of RIBBON to its control joints.

    RIBBON and OUT are ribbon files (.json), or strip meshes two vertices wide in a rig file.
    Both edges of the ribbon get the same weights. Names tiny weights that were left, and leaves
    with 1 where there are any.

    \b
    Example:
      autoweight ribbon axolotl/tail_ribbon.json -o axolotl/tail_weighted.json
    """
    import sys
    from dataclasses import replace

    from autoweight.errors import RecipeError, naming
    from autoweight.io import GLTF, USD, check_place
    from autoweight.recipes.profiles import Falloff
    from autoweight.ribbons.ribbon import mirrored as other_side
    from autoweight.ribbons.weighing import leftovers, weigh
    from autoweight.skeleton.sides import Plane, opposite

    if (mirror is None) != (mirrored is None):
        raise RecipeError("--mirror and --mirrored belong together; give both")
    falloff = Falloff(shape=shape, reach=reach, hold=hold, rows=tuple(map(_row, rows)))
    nothing = dict(map(_zero, zero))
    across = Plane.named(mirror) if mirror else None
    for place in (output, mirrored):
        if place is not None:
            check_place(place, (".json", *GLTF, *USD), read=() if force else (ribbon,))
    with naming(ribbon):
        loaded = _load(ribbon, taken)
        weights = weigh(loaded, falloff, zero=nothing)
    finished = replace(loaded, weights=weights)
    written = [output]
    _save(finished, output)
    if across and mirrored:
        names = {name: opposite(name) for name in (*loaded.controls.names, *loaded.riders.names)}
        _save(other_side(finished, across, names), mirrored)
        written.append(mirrored)
    small = leftovers(finished)
    result = {
        "output": written,
        "control_points": weights.shape[0],
        "controls": weights.shape[1],
        "leftovers": dict(small),
    }
    emit(result, as_json, lambda: _text(result))
    sys.exit(1 if small else 0)


def _row(text: str):
    from autoweight.errors import RecipeError
    from autoweight.recipes.profiles import Row

    at, _, weights = text.partition(":")
    try:
        return Row(float(at), tuple(float(each) for each in weights.split(",")))
    except ValueError as error:
        raise RecipeError(f"--row {text!r}: write a place, a colon and weights, 0.5:1,0") from error


def _zero(text: str) -> tuple[str, slice]:
    from autoweight.errors import RecipeError

    joint, _, rows = text.rpartition("=")
    first, colon, last = rows.partition(":")
    try:
        return joint, slice(int(first), int(last if colon else first) + 1)
    except ValueError as error:
        raise RecipeError(
            f"--zero {text!r}: write a joint, = and its first and last row, tip=0:2"
        ) from error


def _load(path: str, taken: Choice):
    from autoweight.io.ribbon import load_ribbon
    from autoweight.ribbons.strips import from_strip

    return load_ribbon(path) if path.lower().endswith(".json") else from_strip(taken(path))


def _save(ribbon, path: str) -> None:
    from autoweight.io import save
    from autoweight.io.ribbon import save_ribbon
    from autoweight.ribbons.strips import strip

    if path.lower().endswith(".json"):
        save_ribbon(ribbon, path)
    else:
        save(strip(ribbon), path)


def _text(result: dict) -> str:
    return table(
        [
            *(("wrote", path) for path in result["output"]),
            ("control points", str(result["control_points"])),
            ("controls", str(result["controls"])),
            *(
                (f"! tiny weights of {name}", "on control points " + ", ".join(map(str, points)))
                for name, points in result["leftovers"].items()
            ),
        ]
    )
