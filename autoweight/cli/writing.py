"""How commands that make weights write them and say what they wrote."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import replace
from typing import Any

from autoweight.cli.options import emit, table
from autoweight.recipes.recipe import Tidy
from autoweight.rig import Rig, Weights

__all__ = ["overridden", "write_weights"]


def overridden(
    tidy: Tidy, max_influences: int | None, prune: float | None, bits: str | None
) -> Tidy:
    """A tidy table with what was said on the command line in place of its own."""
    said: dict[str, Any] = {
        "max_influences": max_influences,
        "prune": prune,
        "bits": None if bits is None else int(bits),
    }
    return replace(tidy, **{key: value for key, value in said.items() if value is not None})


def write_weights(
    rig: Rig,
    weights: Weights,
    bits: int,
    output: str,
    *,
    decisions: Sequence[str] = (),
    more: Mapping[str, Any] | None = None,
    flatten: bool,
    force: bool,
    as_json: bool,
) -> None:
    """Write tidied weights into a copy of the rig's file, and print a summary."""
    import numpy as np

    from autoweight.io import save

    final = replace(rig, weights=weights)
    save(final, output, bits=bits, force=force, flatten=flatten)
    histogram = np.bincount(weights.influences)
    result: dict[str, Any] = {
        "output": output,
        "vertices": weights.shape[0],
        "joints": weights.shape[1],
        "influences": {many: int(count) for many, count in enumerate(histogram) if count},
        "unused_joints": list(final.unused_joints),
        "decisions": list(decisions),
        **(more or {}),
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
