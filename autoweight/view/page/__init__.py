"""One self-contained page that shows a rig, its weights and its motion in any browser."""

from __future__ import annotations

import base64
import gzip
import html
import json
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from importlib.resources import files
from typing import Any

import numpy as np
from numpy.typing import ArrayLike, NDArray

from autoweight.errors import WeightsError
from autoweight.flexing import Place as Worst
from autoweight.pose.clip import Clip
from autoweight.rig import Rig, Skeleton, Weights
from autoweight.rows import entry_rows
from autoweight.skeleton.chains import chains
from autoweight.surface import Surface, prepare
from autoweight.view.colours import scale

__all__ = [
    "Place",
    "contents",
    "from_flexing",
    "laid_out",
    "motion",
    "page",
    "scripts",
    "source",
    "told_clip",
]


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


def from_flexing(places: Sequence[Worst], skeleton: Skeleton, clip: Clip) -> list[Place]:
    """Places that flexing found, as the page shows them in the clip they were found in."""
    return [
        Place(
            f"{place.pose}: {place.told}",
            vertex=int(place.vertices[0]),
            joint=skeleton.index[place.joint],
            frame=clip.labels.index(place.pose),
        )
        for place in places
    ]


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
    meta, arrays = contents(
        rig,
        title=title,
        weightings=tuple(weightings),
        clip=clip,
        places=places,
        layers=layers,
        surface=surface,
    )
    for number, weights in enumerate(weightings.values()):
        counts, joint, weight = _heaviest_first(weights)
        arrays |= {f"counts{number}": counts, f"joint{number}": joint, f"weight{number}": weight}
    packed = "\n".join(
        f'<script type="application/octet-stream" id="{name}">{_packed(values)}</script>'
        for name, values in arrays.items()
    )
    return laid_out(meta, arrays=packed, script=source("inside.js") + scripts())


def contents(
    rig: Rig,
    *,
    title: str,
    weightings: tuple[str, ...],
    clip: Clip | None = None,
    places: Sequence[Place] = (),
    layers: Mapping[str, ArrayLike] | None = None,
    surface: Surface | None = None,
) -> tuple[dict[str, Any], dict[str, NDArray]]:
    """What a page of a rig is filled with, all but the weights.

    Parameters
    ----------
    rig : Rig
    title : str
    weightings : tuple of str
        Names of the weightings it shows.
    clip, places, layers, surface : optional
        As for `page`.

    Returns
    -------
    meta : dict
        Can be written as JSON.
    arrays : dict of str to ndarray
    """
    painted = {name: np.asarray(values, dtype="<f4") for name, values in (layers or {}).items()}
    arrays: dict[str, NDArray] = {
        "positions": rig.mesh.vertices.astype("<f4"),
        "normals": _normals(surface or prepare(rig.mesh)),
        "faces": rig.mesh.faces.astype("<u4"),
    }
    for number, values in enumerate(painted.values()):
        arrays[f"layer{number}"] = values
    if clip is not None:
        arrays["clip"] = motion(clip)
    return _meta(rig, title, list(weightings), clip, places, painted), arrays


def motion(clip: Clip) -> NDArray[np.float32]:
    """A clip as the page plays it: local transforms, column-major."""
    return np.ascontiguousarray(clip.local.swapaxes(-1, -2), dtype="<f4")


def source(name: str) -> str:
    """A file of the page."""
    return files(__package__).joinpath(name).read_text()


def scripts() -> str:
    """The scripts of the page, which share one scope, but for the one that fetches arrays."""
    return source("body.js") + source("page.js")


def laid_out(meta: dict[str, Any], *, script: str, style: str = "", **slots: str) -> str:
    """The page as one file.

    Parameters
    ----------
    meta : dict
        From `contents`.
    script, style : str
        All of the script; what is added to the style.
    **slots : str
        HTML for the places of the template that a plain page leaves empty: `arrays`, `desk` under
        the heading, `beside` and `below` the character.
    """
    filled = {
        "title": html.escape(meta["title"]),
        "style": source("page.css") + style,
        "meta": _json(meta),
        "script": script,
        **{name: slots.get(name, "") for name in ("arrays", "desk", "beside", "below")},
    }
    # One pass over the template, so that nothing that is filled in is searched again.
    pieces = source("page.html").split("{{")
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
    skeleton, weights = rig.skeleton, rig.weights
    moving = weights.matrix.indices if weights else np.empty(0, dtype=np.int64)
    moved = np.bincount(moving, minlength=len(skeleton))
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
        "most": int(weights.influences.max()) if weights else 0,
        "chains": [
            {"name": chain.name, "joints": list(chain.joints)} for chain in chains(skeleton)
        ],
        "weightings": weightings,
        "clip": None if clip is None else told_clip(clip),
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


def told_clip(clip: Clip) -> dict[str, Any]:
    """Length, speed and names of the poses of a clip."""
    return {"frames": len(clip), "rate": _rate(clip), "labels": list(clip.labels)}


def _rate(clip: Clip) -> float:
    """Frames a second; a clip of one frame has no rate of its own."""
    return float(1 / np.diff(clip.times).mean()) if len(clip) > 1 else 1.0


def _heaviest_first(weights: Weights) -> tuple[NDArray, NDArray, NDArray]:
    """Number of influences of each vertex, and all joints and weights, heaviest first."""
    matrix = weights.matrix
    order = np.lexsort((-matrix.data, entry_rows(matrix)))
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
