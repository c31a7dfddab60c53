"""``autoweight compare``."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import click

from autoweight.cli.options import (
    Choice,
    as_json,
    choosing,
    counterparts,
    each_of,
    emit_each,
    table,
)

if TYPE_CHECKING:
    from autoweight.rig import Rig

WORST = 10


@click.command()
@click.argument("a")
@click.argument("b")
@choosing
@as_json
def command(a: str, b: str, taken: Choice, as_json: bool) -> None:
    """Say how far the weights of rig B are from those of rig A.

    Joints are matched by name. Where the meshes differ, B is read at the closest point of its
    surface.

    \b
    Example:
      autoweight compare axolotl/weighted.glb axolotl/eight_bits.glb
    """
    rigs = taken.all(a)
    results = [
        _compared(a, b, first, second)
        for first, second in zip(rigs, counterparts(a, rigs, b, taken.all(b)), strict=True)
    ]
    emit_each(rigs, results, as_json, map(_text, results), {"a": a, "b": b})


def _compared(a: str, b: str, first: Rig, second: Rig) -> dict[str, Any]:
    import numpy as np

    from autoweight.weights.comparing import compare_rigs

    with each_of(b, second):
        found = compare_rigs(first, second)
    joints = np.argsort(-found.joints, kind="stable")
    worst = np.argsort(-found.vertices, kind="stable")[:WORST]
    return {
        "a": a,
        "b": b,
        "weights": found.difference.weights,
        "precision": found.precision,
        "recall": found.recall,
        "deformation": found.difference.deformation,
        "deformation_max": found.deformation_max,
        "joints": {first.skeleton.names[each]: float(found.joints[each]) for each in joints},
        "worst_vertices": {int(each): float(found.vertices[each]) for each in worst},
    }


def _text(result: dict) -> str:
    return table(
        [
            ("mean L1 of the weights", f"{result['weights']:.4f}", "0 the same, 2 nothing shared"),
            ("influence precision", f"{result['precision']:.3f}", "of B's, how many A has"),
            ("influence recall", f"{result['recall']:.3f}", "of A's, how many B has"),
            ("mean deformation", f"{result['deformation']:.3e}", "bounding-box diagonals"),
            ("largest deformation", f"{result['deformation_max']:.3e}", "bounding-box diagonals"),
            *(
                (f"joint {name}", f"{value:.4f}", "its share of the mean L1")
                for name, value in list(result["joints"].items())[:WORST]
                if value > 0
            ),
            *(
                (f"vertex {vertex}", f"{value:.4f}", "its L1")
                for vertex, value in result["worst_vertices"].items()
                if value > 0
            ),
        ]
    )
