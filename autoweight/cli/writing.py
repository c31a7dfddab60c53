"""How commands that make weights write them and say what they wrote."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace
from typing import Any

from autoweight.cli.options import emit_each, table
from autoweight.recipes.recipe import Tidy
from autoweight.rig import Rig, Weights

__all__ = ["Weighted", "overridden", "write_weights"]


@dataclass(frozen=True, eq=False)
class Weighted:
    """What a command made of one character, and what it says of that."""

    weights: Weights
    bits: int
    decisions: Sequence[str] = ()
    more: Mapping[str, Any] = field(default_factory=dict)


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
    rigs: Sequence[Rig],
    found: Sequence[Weighted],
    output: str,
    *,
    flatten: bool,
    force: bool,
    as_json: bool,
) -> None:
    """Write tidied weights into a copy of the rigs' file, and print a summary."""
    from autoweight.io import save_all

    final = [replace(rig, weights=each.weights) for rig, each in zip(rigs, found, strict=True)]
    bits = max(each.bits for each in found)
    save_all(final, output, bits=bits, force=force, flatten=flatten)
    results = [_summary(rig, each, output) for rig, each in zip(final, found, strict=True)]
    emit_each(rigs, results, as_json, map(_text, results), {"output": output})


def _summary(rig: Rig, found: Weighted, output: str) -> dict[str, Any]:
    import numpy as np

    histogram = np.bincount(found.weights.influences)
    return {
        "output": output,
        "vertices": found.weights.shape[0],
        "joints": found.weights.shape[1],
        "influences": {many: int(count) for many, count in enumerate(histogram) if count},
        "unused_joints": list(rig.unused_joints),
        "decisions": list(found.decisions),
        **found.more,
    }


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
