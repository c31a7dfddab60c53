"""The axolotl: mesh and skeleton from the table of its limbs."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from functools import partial
from itertools import pairwise

import igl
import numpy as np
from numpy.typing import NDArray

from autoweight.demo.anatomy import LIMBS, Limb
from autoweight.demo.flesh import CELL, colours, field, finest, solid
from autoweight.demo.net import Skin, surface_net
from autoweight.errors import GeometryError
from autoweight.rig import Mesh, Part, Rig, Skeleton
from autoweight.vectors import unit

__all__ = ["Model", "axolotl", "model"]

METRE = 0.01
"""Metres in a unit of the anatomy."""
FLIP = np.array([-1.0, 1.0, 1.0])
LEAST = 0.7
EYE_RADIUS = 0.5
EYE, GLINT = (0.02, 0.01, 0.02), (0.9, 0.85, 0.85)
TO_GLINT = np.array([0.35, 0.6, 0.72])


@dataclass(frozen=True, eq=False)
class Model:
    """The axolotl with what a file of it has beyond a rig.

    Parameters
    ----------
    rig : Rig
        See `axolotl`.
    normals : ndarray, shape (n, 3)
        Unit length, outward.
    colours : ndarray, shape (n, 3)
        Linear red, green, blue, 0 to 1.
    """

    rig: Rig
    normals: NDArray[np.float64]
    colours: NDArray[np.float64]


def axolotl(resolution: float = 1.0) -> Rig:
    """The demo rig, modelled afresh.

    Parameters
    ----------
    resolution : float
        1 has about 20 thousand vertices; their number grows with the square.

    Returns
    -------
    Rig
        In metres, y up, facing +z, without weights; positions are whole in float32. It is mirror
        symmetric across x = 0 to the last bit, ``_L`` being at positive x. Parts: ``body``, which
        is closed, and ``eye_L``, ``eye_R``.

    Raises
    ------
    GeometryError
        A resolution at which the gills would fall apart.
    """
    return model(resolution).rig


def model(resolution: float = 1.0) -> Model:
    """The demo rig with its normals and colours; see `axolotl`."""
    if not resolution >= LEAST:
        raise GeometryError(f"resolution {resolution:g}: the gills fall apart below {LEAST}")
    shape = solid()
    lower, upper = shape.bounds
    body = surface_net(
        partial(field, shape),
        CELL / resolution,
        lower,
        upper,
        lambda points, cell: finest(points, cell) / resolution,
    )
    eye = _eye(resolution)
    away = body.vertices[:, 0] > 0
    pieces = {"body": _closed(body), "eye_L": eye, "eye_R": _mirrored(eye)}
    tint = colours(body.vertices)
    eye_tint = np.where((eye.normals @ TO_GLINT > 0.93)[:, None], GLINT, EYE)
    return Model(
        Rig(_mesh(pieces), skeleton()),
        np.concatenate([each.normals for each in pieces.values()]),
        np.concatenate([tint, tint[away], eye_tint, eye_tint]),
    )


def skeleton() -> Skeleton:
    """The joints, with y along the bone and x the hinge, so that ±x turns mirror each other."""
    names: list[str] = []
    parents: list[int] = []
    rest = []
    mirror = np.diag([*FLIP, 1.0])
    for limb in LIMBS:
        for side in ("_L", "_R") if limb.sided else ("",):
            above = limb.parent if limb.parent in names else limb.parent + side
            for joint, frame in zip(limb.joints, _frames(limb), strict=True):
                parents.append(names.index(above) if above else -1)
                names.append(joint + side)
                rest.append(mirror @ frame @ mirror if side == "_R" else frame)
                above = joint + side
    return Skeleton(tuple(names), np.array(parents), np.array(rest))


def _frames(limb: Limb) -> Iterator[NDArray[np.float64]]:
    for here, there in pairwise(limb.points):
        along = (there - here) / np.linalg.norm(there - here)
        hinge = np.cross(along, (0, 1, 0))
        hinge /= np.linalg.norm(hinge)
        frame = np.eye(4)
        frame[:3] = np.stack([hinge, along, np.cross(hinge, along), METRE * here], axis=1)
        yield frame


def _mesh(pieces: dict[str, Skin]) -> Mesh:
    vertices, faces, parts = [], [], []
    vertex = face = 0
    for name, skin in pieces.items():
        vertices.append(METRE * skin.vertices)
        faces.append(skin.faces + vertex)
        parts.append(
            Part(
                name,
                slice(vertex, vertex + len(skin.vertices)),
                slice(face, face + len(skin.faces)),
            )
        )
        vertex, face = parts[-1].vertices.stop, parts[-1].faces.stop
    stored = np.concatenate(vertices).astype(np.float32)  # so that a file gives back the same
    return Mesh(stored.astype(np.float64), np.concatenate(faces), tuple(parts))


def _mirrored(skin: Skin) -> Skin:
    return Skin(skin.vertices * FLIP, skin.normals * FLIP, skin.faces[:, ::-1])


def _closed(half: Skin) -> Skin:
    """A half with x ≥ 0 and its mirror image, sewn together along x = 0."""
    away = half.vertices[:, 0] > 0
    image = np.arange(len(away))
    image[away] = len(away) + np.arange(away.sum())
    other = _mirrored(half)
    return Skin(
        np.concatenate([half.vertices, other.vertices[away]]),
        np.concatenate([half.normals, other.normals[away]]),
        np.concatenate([half.faces, image[other.faces]]),
    )


def _eye(resolution: float) -> Skin:
    """The left eye, a ball."""
    centre = next(limb.points[0] for limb in LIMBS if limb.kind == "eye")
    halvings = max(1, round(3 + np.log2(resolution)))
    vertices, faces = igl.upsample(*igl.icosahedron(), number_of_subdivs=halvings)
    ball = unit(vertices)
    return Skin(centre + EYE_RADIUS * ball, ball, faces)
