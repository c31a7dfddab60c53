"""One self-contained page that shows a rig, its weights and its motion in any browser."""

from __future__ import annotations

import base64
import gzip
import html
import json
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from importlib.resources import files

import numpy as np
from numpy.typing import ArrayLike, NDArray

from autoweight.errors import WeightsError
from autoweight.pose.clip import Clip
from autoweight.rig import Rig, Weights
from autoweight.skeleton.chains import chains
from autoweight.surface import Surface, prepare
from autoweight.view.colours import scale

__all__ = ["Place", "page"]


@dataclass(frozen=True)
class Place:
    """Somewhere the page can take its reader to.

    Parameters
    ----------
    text : str
        What is there, in words.
    vertex : int
    joint, frame : int
        Shown on arrival; -1 to leave them as they are.
    """

    text: str
    vertex: int
    joint: int = -1
    frame: int = -1


def page(
    rig: Rig,
    *,
    title: str = "",
    before: Weights | None = None,
    clip: Clip | None = None,
    places: Sequence[Place] = (),
    layers: Mapping[str, ArrayLike] | None = None,
    surface: Surface | None = None,
) -> str:
    """Lay a rig out as one HTML file that needs nothing else.

    Parameters
    ----------
    rig : Rig
        With weights.
    title : str, optional
    before : Weights, optional
        Another weighting of the same rig, shown to the left of a movable split.
    clip : Clip, optional
        Motion to play.
    places : sequence of Place, optional
        Worst first.
    layers : mapping of str to array, shape (n,), optional
        Values for each vertex that the character can be coloured by.
    surface : Surface, optional
        ``prepare(rig.mesh)``, when it is there already.

    Returns
    -------
    str

    Raises
    ------
    WeightsError
        The rig has no weights.
    """
    if rig.weights is None:
        raise WeightsError("there are no weights to show; weight the rig with 'autoweight solve'")
    weightings = {"before": before, "after": rig.weights} if before else {"": rig.weights}
    painted = {name: np.asarray(values, dtype="<f4") for name, values in (layers or {}).items()}
    blobs: dict[str, NDArray] = {
        "positions": rig.mesh.vertices.astype("<f4"),
        "normals": _normals(surface or prepare(rig.mesh)),
        "faces": rig.mesh.faces.astype("<u4"),
    }
    for number, weights in enumerate(weightings.values()):
        counts, joint, weight = _heaviest_first(weights)
        blobs |= {f"counts{number}": counts, f"joint{number}": joint, f"weight{number}": weight}
    for number, values in enumerate(painted.values()):
        blobs[f"layer{number}"] = values
    if clip is not None:
        blobs["clip"] = clip.local.swapaxes(-1, -2).astype("<f4")
    source = files(__package__)
    filled = {
        "title": html.escape(title),
        "style": source.joinpath("page.css").read_text(),
        "meta": _json(_meta(rig, title, list(weightings), clip, places, painted)),
        "blobs": "\n".join(
            f'<script type="application/octet-stream" id="{name}">{_packed(values)}</script>'
            for name, values in blobs.items()
        ),
        "script": "".join(source.joinpath(name).read_text() for name in ("body.js", "page.js")),
    }
    # One pass over the template, so that nothing that is filled in is searched again.
    pieces = source.joinpath("page.html").read_text().split("{{")
    return pieces[0] + "".join(
        filled[name] + rest for name, rest in (piece.split("}}", 1) for piece in pieces[1:])
    )


def _meta(
    rig: Rig,
    title: str,
    weightings: list[str],
    clip: Clip | None,
    places: Sequence[Place],
    layers: Mapping[str, NDArray],
) -> dict:
    skeleton, matrix = rig.skeleton, rig.weights.matrix  # type: ignore[union-attr]
    moved = np.bincount(matrix.indices, minlength=len(skeleton))
    return {
        "title": title,
        "joints": [
            {
                "name": name,
                "parent": int(skeleton.parents[number]),
                "rest": skeleton.rest[number].T.ravel().tolist(),
                "vertices": int(moved[number]),
            }
            for number, name in enumerate(skeleton.names)
        ],
        "joint": int(moved.argmax()),
        "most": int(rig.weights.influences.max()),  # type: ignore[union-attr]
        "chains": [
            {"name": chain.name, "joints": list(chain.joints)} for chain in chains(skeleton)
        ],
        "weightings": weightings,
        "clip": None
        if clip is None
        else {"frames": len(clip), "rate": _rate(clip), "labels": clip.labels},
        "places": [vars(place) for place in places],
        "layers": [
            {"name": name, "range": [float(values.min()), max(float(values.max()), 1e-9)]}
            for name, values in layers.items()
        ],
        "ramp": np.concatenate(
            [np.round(255 * scale(np.linspace(0, 1, 256))), np.full((256, 1), 255)], axis=1
        )
        .astype(int)
        .ravel()
        .tolist(),
    }


def _rate(clip: Clip) -> float:
    """Frames a second; a clip of one frame has no rate of its own."""
    return float(1 / np.diff(clip.times).mean()) if len(clip) > 1 else 1.0


def _heaviest_first(weights: Weights) -> tuple[NDArray, NDArray, NDArray]:
    """Number of influences of each vertex, and all joints and weights, heaviest first."""
    matrix = weights.matrix
    row = np.repeat(np.arange(matrix.shape[0]), weights.influences)
    order = np.lexsort((-matrix.data, row))
    return (
        weights.influences.astype("<u2"),
        matrix.indices[order].astype("<u2"),
        matrix.data[order].astype("<f4"),
    )


def _normals(surface: Surface) -> NDArray[np.int8]:
    """Of the welded surface, so that seams do not show; padded to four bytes for the GPU."""
    normals = np.zeros((len(surface.weld), 4), dtype=np.int8)
    normals[:, :3] = np.round(127 * surface.normals[surface.weld])
    return normals


def _packed(values: NDArray) -> str:
    # No time stamp: the same rig is the same page.
    return base64.b64encode(gzip.compress(values.tobytes(), 6, mtime=0)).decode()


def _json(meta: dict) -> str:
    # A name with </script> in it must not end the element that holds it.
    return json.dumps(meta).replace("<", "\\u003c")
