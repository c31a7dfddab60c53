"""How commands that make weights tidy them, write them and say what they wrote."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from typing import TYPE_CHECKING, Any

from autoweight.cli.options import emit, table
from autoweight.recipe import Tidy
from autoweight.rig import Rig, Weights

if TYPE_CHECKING:
    from autoweight.locks import Locks

__all__ = ["overridden", "write_tidied"]


def overridden(
    tidy: Tidy, max_influences: int | None, prune: float | None, bits: str | None
) -> Tidy:
    """A tidy table with what was said on the command line in place of its own."""
    said = {
        "max_influences": max_influences,
        "prune": prune,
        "bits": None if bits is None else int(bits),
    }
    return replace(tidy, **{key: value for key, value in said.items() if value is not None})


def write_tidied(
    rig: Rig,
    weights: Weights,
    how: Tidy,
    output: str,
    *,
    locks: Locks | None = None,
    decisions: Sequence[str] = (),
    force: bool,
    as_json: bool,
) -> None:
    """Tidy weights, write them into a copy of the rig's file, and print a summary."""
    import numpy as np

    from autoweight.io import save
    from autoweight.tidying import quantise, tidy

    final = quantise(tidy(weights, how, mesh=rig.mesh, skeleton=rig.skeleton), how.bits)
    if locks:
        final = locks.hold(final, rig.skeleton)
    save(replace(rig, weights=final), output, bits=how.bits, force=force)
    histogram = np.bincount(final.influences)
    result: dict[str, Any] = {
        "output": output,
        "vertices": final.shape[0],
        "joints": final.shape[1],
        "influences": {many: int(count) for many, count in enumerate(histogram) if count},
        "unused_joints": list(replace(rig, weights=final).unused_joints),
        "decisions": list(decisions),
    }
    emit(result, as_json, lambda: _text(result))


def _text(result: dict[str, Any]) -> str:
    influences = ", ".join(f"{many}: {count}" for many, count in result["influences"].items())
    return table(
        [
            ("wrote", result["output"]),
            ("vertices", str(result["vertices"])),
            ("joints", f"{result['joints']}, {len(result['unused_joints'])} without vertices"),
            ("influences a vertex", influences),
            *(("", decision) for decision in result["decisions"]),
        ]
    )
