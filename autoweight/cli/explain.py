"""``autoweight explain``."""

from __future__ import annotations

import sys
from typing import TYPE_CHECKING, Any

import click

from autoweight.cli.options import Choice, as_json, choosing, emit, force, table

if TYPE_CHECKING:
    from autoweight.flexing.explaining import Explanation
    from autoweight.ribbons.riding import Carriage


@click.command()
@click.argument("rig")
@click.option(
    "--turn",
    "turns",
    multiple=True,
    required=True,
    metavar="JOINT=AXIS:DEGREES",
    help="Turn a joint about its own x, y or z, or bend, side or twist; may be given again.",
)
@click.option(
    "--ribbon",
    metavar="FILE",
    help="Turn the controls of this ribbon, which RIG rides.",
)
@click.option("--at", metavar="VERTICES", help="Vertices to explain, such as 12,40-52.")
@click.option("--region", "joint", metavar="JOINT", help="Explain the vertices a joint holds.")
@click.option("-o", "--output", metavar="OUT", help="Write RIG with the repair in it.")
@choosing
@force
@as_json
def command(
    rig: str,
    turns: tuple[str, ...],
    ribbon: str | None,
    at: str | None,
    joint: str | None,
    output: str | None,
    taken: Choice,
    force: bool,
    as_json: bool,
) -> None:
    """Say why vertices of RIG move: through which weights, or because their joint itself does.

    Every vertex's displacement is split exactly into each joint's weight times its motion, and
    that into its own turn and those of its ancestors. Leaves with 1 when the weights are the
    cause and stay as they are, 0 when they are not or were mended, 2 when the file cannot be used.

    \b
    Example:
      autoweight explain axolotl/weighted.glb --turn hip_L=bend:60 --region gill_2_1_L
    """
    from dataclasses import replace

    from autoweight.errors import RecipeError, naming
    from autoweight.flexing.explaining import STILL, Turn, explain, posed, region
    from autoweight.io import check_output, save
    from autoweight.io.ribbon import load_ribbon
    from autoweight.ribbons.riding import carriage, driven, riders_of
    from autoweight.skeleton.sides import likely_plane
    from autoweight.surface import prepare
    from autoweight.weights.tidying import precision

    if (at is None) == (joint is None):
        raise RecipeError("say which vertices to explain: --at VERTICES or --region JOINT")
    asked = [Turn.read(turn) for turn in turns]
    loaded = taken(rig)
    if output:
        check_output(loaded, output, force=force)
    plane = likely_plane(loaded.skeleton)
    carriages: list[Carriage] = []
    if ribbon is not None:
        strip = load_ribbon(ribbon)
        with naming(ribbon):
            controls = posed(strip.controls, asked, plane)
    with naming(rig):
        if ribbon is None:
            pose = posed(loaded.skeleton, asked, plane)
        else:
            pose = driven(strip, loaded.skeleton, controls[None])[0]
        surface = prepare(loaded.mesh)
        vertices = (
            region(loaded, joint, surface=surface)
            if joint
            else _numbers(at or "", len(loaded.mesh.vertices))
        )
        found = explain(loaded, pose, vertices, surface=surface)
    if ribbon is not None:
        carriages = [
            carriage(strip, controls, name)
            for name in riders_of(strip, loaded.skeleton, found.joints)
        ]
    if output:
        if found.repair is None or loaded.weights is None:
            raise RecipeError(f"there is no repair to write to {output}; {found.verdict}")
        repaired = replace(loaded, weights=found.repair.weights)
        save(repaired, output, bits=precision(loaded.weights), force=force)
    result = _result(rig, found, output, carriages)
    emit(result, as_json, lambda: _text(found, output, carriages, STILL * loaded.mesh.diagonal))
    sys.exit(1 if found.cause == "weights" and not output else 0)


def _numbers(text: str, count: int) -> list[int]:
    """Vertex numbers out of a list such as 3,8-11."""
    from autoweight.errors import RecipeError

    found: list[int] = []
    for piece in text.split(","):
        first, dash, last = piece.strip().partition("-")
        if not (first.isdigit() and (last.isdigit() or not dash)):
            raise RecipeError(f"{piece!r} is no vertex number or range; give such as 12,40-52")
        begin, end = int(first), int(last if dash else first)
        if not begin <= end < count:
            raise RecipeError(f"there are no vertices {piece}; name some of 0 to {count - 1}")
        found += range(begin, end + 1)
    return found


def _result(
    rig: str, found: Explanation, output: str | None, carriages: list[Carriage]
) -> dict[str, Any]:
    repair = found.repair
    return {
        "rig": rig,
        "cause": found.cause,
        "verdict": found.verdict,
        "vertices": found.vertices.tolist(),
        "displacement": found.displacement.tolist(),
        "joints": list(found.joints),
        "shares": found.shares.tolist(),
        "motions": [
            {
                "joint": motion.joint,
                "weight": motion.weight,
                "vertices": motion.vertices,
                "share": motion.share,
                "moves": motion.moves,
                "sources": dict(motion.sources),
            }
            for motion in found.motions
        ],
        "ribbon": [
            {
                "joint": each.joint,
                "displacement": each.displacement.tolist(),
                "shares": dict(zip(each.controls, each.shares.tolist(), strict=True)),
                "strongest": each.strongest,
                "points": list(each.points),
                "weight": each.weight,
                "left": each.left,
            }
            for each in carriages
        ],
        "repair": repair
        and {
            "vertices": repair.vertices.tolist(),
            "taken": dict(repair.taken),
            "before": repair.before,
            "after": repair.after,
            "output": output,
        },
    }


def _text(found: Explanation, output: str | None, carriages: list[Carriage], still: float) -> str:
    def told(moved: float) -> str:
        """A distance, without the last digits that rounding left of none."""
        return f"{moved:.3g}" if moved > still else "0"

    lines = [found.verdict, *(each.told for each in carriages)]
    rows: list[tuple[str, ...]] = [
        ("joint", "weight", "vertices", "share", "would move them", "through")
    ]
    for motion in found.motions:
        through = ", ".join(f"{name} {told(moved)}" for name, moved in motion.sources)
        rows.append(
            (
                motion.joint,
                f"{motion.weight:.3g}",
                str(motion.vertices),
                told(motion.share),
                told(motion.moves),
                through,
            )
        )
    if found.motions:
        lines.append(table(rows))
    if found.repair:
        taken = ", ".join(f"up to {most:.3g} of {name}" for name, most in found.repair.taken)
        lines.append(
            f"repair: take {taken} from {len(found.repair.vertices)} vertices; they then move "
            f"{told(found.repair.after)} apart from the joint that holds them, not "
            f"{told(found.repair.before)}"
        )
        lines.append(f"wrote {output}" if output else "-o OUT writes it")
    return "\n".join(lines)
