"""``autoweight explain``."""

from __future__ import annotations

import sys
from typing import TYPE_CHECKING, Any

import click

from autoweight.cli.options import as_json, emit, force, table

if TYPE_CHECKING:
    from autoweight.explaining import Explanation


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
@click.option("--at", metavar="VERTICES", help="Vertices to explain, such as 12,40-52.")
@click.option("--region", "joint", metavar="JOINT", help="Explain the vertices a joint holds.")
@click.option("-o", "--output", metavar="OUT", help="Write RIG with the repair in it.")
@force
@as_json
def command(
    rig: str,
    turns: tuple[str, ...],
    at: str | None,
    joint: str | None,
    output: str | None,
    force: bool,
    as_json: bool,
) -> None:
    """Say why vertices of RIG move: through which weights, or because their joint itself does.

    Every vertex's displacement is split exactly into each joint's weight times its motion, and
    that into its own turn and those of its ancestors. Leaves with 1 when the weights are the
    cause, 0 when they are not, 2 when the file cannot be used.

    \b
    Example:
      autoweight explain axolotl/weighted.glb --turn hip_L=bend:60 --region gill_2_1_L
    """
    from dataclasses import replace

    from autoweight.errors import RecipeError, naming
    from autoweight.explaining import Turn, explain, posed, region
    from autoweight.io import load, save
    from autoweight.sides import likely_plane
    from autoweight.tidying import precision

    if (at is None) == (joint is None):
        raise RecipeError("say which vertices to explain: --at VERTICES or --region JOINT")
    loaded = load(rig)
    vertices = region(loaded, joint) if joint else _numbers(at or "")
    plane = likely_plane(loaded.skeleton)
    pose = posed(loaded.skeleton, [Turn.read(turn) for turn in turns], plane)
    with naming(rig):
        found = explain(loaded, pose, vertices)
    if output:
        if found.repair is None or loaded.weights is None:
            raise RecipeError(f"there is no repair to write to {output}; {found.verdict}")
        repaired = replace(loaded, weights=found.repair.weights)
        save(repaired, output, bits=precision(loaded.weights), force=force)
    result = _result(rig, found, output)
    emit(result, as_json, lambda: _text(found, output))
    sys.exit(1 if found.cause == "weights" and not output else 0)


def _numbers(text: str) -> list[int]:
    """Vertex numbers out of a list such as 3,8-11."""
    from autoweight.errors import RecipeError

    found: list[int] = []
    for piece in text.split(","):
        first, dash, last = piece.strip().partition("-")
        if not (first.isdigit() and (last.isdigit() or not dash)):
            raise RecipeError(f"{piece!r} is no vertex number or range; give such as 12,40-52")
        found += range(int(first), int(last if dash else first) + 1)
    return found


def _result(rig: str, found: Explanation, output: str | None) -> dict[str, Any]:
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
        "repair": repair
        and {
            "vertices": repair.vertices.tolist(),
            "taken": dict(repair.taken),
            "before": repair.before,
            "after": repair.after,
            "output": output,
        },
    }


def _text(found: Explanation, output: str | None) -> str:
    lines = [found.verdict]
    rows: list[tuple[str, ...]] = [
        ("joint", "weight", "vertices", "share", "would move them", "through")
    ]
    for motion in found.motions:
        through = ", ".join(f"{name} {moved:.3g}" for name, moved in motion.sources)
        rows.append(
            (
                motion.joint,
                f"{motion.weight:.3g}",
                str(motion.vertices),
                f"{motion.share:.3g}",
                f"{motion.moves:.3g}",
                through,
            )
        )
    if found.motions:
        lines.append(table(rows))
    if found.repair:
        taken = ", ".join(f"up to {most:.3g} of {name}" for name, most in found.repair.taken)
        lines.append(
            f"repair: take {taken} from {len(found.repair.vertices)} vertices; they then move "
            f"{found.repair.after:.3g} apart from the joint that holds them, not "
            f"{found.repair.before:.3g}"
        )
        lines.append(f"wrote {output}" if output else "-o OUT writes it")
    return "\n".join(lines)
