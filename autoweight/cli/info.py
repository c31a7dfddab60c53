"""``autoweight info``."""

from __future__ import annotations

from typing import TYPE_CHECKING

import click

from autoweight.cli.options import as_json, emit, root, skeleton, table

if TYPE_CHECKING:
    from autoweight.rig import Rig


@click.command()
@click.argument("rig")
@skeleton
@root
@as_json
def command(rig: str, skeleton: str | None, root: str | None, as_json: bool) -> None:
    """Say what is in RIG: its parts, chains of joints, attributes and size.

    \b
    Example:
      autoweight info axolotl/axolotl.glb
    """
    from autoweight.io import load
    from autoweight.skeleton.chains import chains

    loaded = load(rig, skeleton=skeleton, root=root)
    joints = loaded.skeleton
    facts = {
        "rig": rig,
        "vertices": len(loaded.mesh.vertices),
        "faces": len(loaded.mesh.faces),
        "diagonal": loaded.mesh.diagonal,
        "parts": {
            part.name: part.vertices.stop - part.vertices.start for part in loaded.mesh.parts
        },
        "joints": len(joints),
        "chains": {
            chain.name: [joints.names[each] for each in chain.joints] for chain in chains(joints)
        },
        "weights": _state(loaded),
        "attributes": sorted(loaded.attributes),
    }
    emit(facts, as_json, lambda: _text(facts))


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
            *(("chain", name, " ".join(run)) for name, run in facts["chains"].items()),
            ("weights", facts["weights"], ""),
            *(("attribute", name, "") for name in facts["attributes"]),
        ]
    )
