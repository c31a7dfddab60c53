"""``autoweight info``."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import click

from autoweight.cli.options import Choice, as_json, choosing, emit_each, table

if TYPE_CHECKING:
    from autoweight.rig import Rig, Skeleton

SHOWN = 8
"""Names listed before the rest are only counted."""


@click.command()
@click.argument("rig")
@choosing
@as_json
def command(rig: str, taken: Choice, as_json: bool) -> None:
    """Say what is in RIG: its parts, chains of joints, attributes and size.

    \b
    Example:
      autoweight info axolotl/axolotl.glb
    """
    rigs = taken.all(rig)
    facts = [{"rig": rig, **_facts(each)} for each in rigs]
    emit_each(rigs, facts, as_json, map(_text, facts), {"rig": rig})


def _facts(loaded: Rig) -> dict[str, Any]:
    import numpy as np

    from autoweight.skeleton.chains import chains

    joints = loaded.skeleton
    return {
        "vertices": len(loaded.mesh.vertices),
        "faces": len(loaded.mesh.faces),
        "diagonal": loaded.mesh.diagonal,
        "parts": {
            part.name: part.vertices.stop - part.vertices.start for part in loaded.mesh.parts
        },
        "joints": len(joints),
        "axis": _axis(joints),
        "tips": {
            joints.names[joint]: np.round(tip, 9).tolist() for joint, tip in joints.tips.items()
        },
        "no_weight": _no_weight(loaded),
        "chains": {
            chain.name: [joints.names[each] for each in chain.joints] for chain in chains(joints)
        },
        "weights": _state(loaded),
        "attributes": sorted(loaded.attributes),
    }


def _axis(joints: Skeleton) -> str | None:
    """The axis that joints share, as +y or -x."""
    from autoweight.skeleton.axes import shared_axis

    axis = shared_axis(joints)
    if axis is None:
        return None
    number = int(abs(axis).argmax())
    return f"{'+' if axis[number] > 0 else '-'}{'xyz'[number]}"


def _no_weight(rig: Rig) -> list[str]:
    """Joints that solving leaves out by itself, and why."""
    from autoweight.errors import GeometryError
    from autoweight.stages.planning import roles
    from autoweight.surface import prepare
    from autoweight.surface.visibility import Sight

    try:
        surface = prepare(rig.mesh)
    except GeometryError as error:  # info is for unsound files too
        return [f"not told: {error}"]
    return [str(each) for each in roles(rig.skeleton, Sight(surface))]


def _state(rig: Rig) -> str:
    if rig.weights is not None:
        return "yes"
    broken = rig.document is not None and rig.document.raw_weights is not None
    return "broken" if broken else "none yet"


def _text(facts: dict) -> str:
    return table(
        [
            ("vertices", str(facts["vertices"]), ""),
            ("faces", str(facts["faces"]), ""),
            ("diagonal", f"{facts['diagonal']:.6g}", "scene units"),
            *(("part", name, f"{count} vertices") for name, count in facts["parts"].items()),
            ("joints", str(facts["joints"]), ""),
            ("axis", facts["axis"] or "none", "bones point along it" if facts["axis"] else ""),
            *(("left out", *each.partition(": no weight, ")[::2]) for each in facts["no_weight"]),
            ("tips", str(len(facts["tips"])), _named(list(facts["tips"]))),
            *(("chain", name, " ".join(run)) for name, run in facts["chains"].items()),
            ("weights", facts["weights"], ""),
            *(("attribute", name, "") for name in facts["attributes"]),
        ]
    )


def _named(names: list[str]) -> str:
    more = f" and {len(names) - SHOWN} more" if len(names) > SHOWN else ""
    return " ".join(names[:SHOWN]) + more
