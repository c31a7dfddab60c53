"""The axolotl as a glTF document: unwrapped, coloured, bound to its root, one place finished."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
from numpy.typing import NDArray
from scipy import sparse

from autoweight.demo.axolotl import Model, model
from autoweight.io.gltf import made
from autoweight.locks import ATTRIBUTE
from autoweight.rig import Mesh, Part, Rig, Weights

__all__ = ["bound"]

MATERIAL = {
    "name": "skin",
    "pbrMetallicRoughness": {"metallicFactor": 0.0, "roughnessFactor": 0.55},
}

CROWN, CROWN_RADIUS = (0.0, 0.042, 0.066), 0.012


def bound(resolution: float = 1.0) -> Rig:
    """The demo rig as a file has it, freshly bound: all but one place to the root joint.

    Parameters
    ----------
    resolution : float
        See `axolotl`.

    Returns
    -------
    Rig
        With a document to be saved with. The mesh is that of `axolotl`, cut along x = 0 where
        its texture coordinates have their seam. The crown of the head stands for what is
        finished by hand: it is bound to the head and locked by ``_LOCK``.
    """
    built, side = _cut(model(resolution))
    rig = made(
        built.rig.mesh,
        built.rig.skeleton,
        normals=built.normals,
        uvs=_unwrapped(built.rig.mesh.vertices, side),
        colours=built.colours,
        material=MATERIAL,
    )
    crown = np.linalg.norm(rig.mesh.vertices - CROWN, axis=1) < CROWN_RADIUS
    count, head = len(crown), rig.skeleton.index["head"]
    weights = sparse.csr_array(
        (np.ones(count), np.where(crown, head, 0), np.arange(count + 1)),
        shape=(count, len(rig.skeleton)),
    )
    return replace(rig, weights=Weights(weights), attributes={ATTRIBUTE: crown.astype(np.float32)})


def _cut(whole: Model) -> tuple[Model, NDArray[np.bool_]]:
    """The model with the vertices of its middle there twice, and which vertices are right ones."""
    mesh = whole.rig.mesh
    right_face = mesh.vertices[mesh.faces, 0].sum(axis=1) < 0
    source, right, faces, parts = [], [], [], []
    vertex = face = 0
    for part in mesh.parts:
        own = mesh.faces[part.faces]
        # a vertex and a side make a vertex of the file
        corner = 2 * own + right_face[part.faces, None]
        kept, number = np.unique(corner, return_inverse=True)
        source.append(kept // 2)
        right.append(kept % 2 == 1)
        faces.append(number.reshape(-1, 3) + vertex)
        parts.append(
            Part(part.name, slice(vertex, vertex + len(kept)), slice(face, face + len(own)))
        )
        vertex, face = vertex + len(kept), face + len(own)
    chosen = np.concatenate(source)
    cut = Mesh(mesh.vertices[chosen], np.concatenate(faces), tuple(parts))
    return (
        Model(Rig(cut, whole.rig.skeleton), whole.normals[chosen], whole.colours[chosen]),
        np.concatenate(right),
    )


def _unwrapped(vertices: NDArray[np.float64], right: NDArray[np.bool_]) -> NDArray[np.float64]:
    """Texture coordinates: what is seen from the left above, its mirror image below for the right.

    v counts downward (Khronos, glTF 2.0, section 3.8).
    """
    low = vertices.min(axis=0)
    along, up = ((vertices - low) / np.ptp(vertices, axis=0))[:, [2, 1]].T
    half = (1 - up) / 2
    return np.stack([along, np.where(right, 1 - half, half)], axis=1)
