"""The axolotl as a glTF document: unwrapped, coloured, bound to its root, one place finished."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
from numpy.typing import NDArray
from scipy import sparse

from autoweight.demo.axolotl import Model, model
from autoweight.io.gltf import made
from autoweight.rig import Mesh, Part, Rig, Weights
from autoweight.weights.locks import ATTRIBUTE

__all__ = ["bound", "cut"]

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
    built = cut(model(resolution))
    mesh = built.rig.mesh
    rig = made(
        mesh,
        built.rig.skeleton,
        normals=built.normals,
        uvs=_unwrapped(mesh),
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


def cut(whole: Model) -> Model:
    """The model with the vertices along x = 0 there twice, once for the faces of each side.

    In the order of the file that `bound` has.
    """
    mesh = whole.rig.mesh
    right = _right_faces(mesh)
    source, faces, parts = [], [], []
    vertex = face = 0
    for part in mesh.parts:
        own = mesh.faces[part.faces]
        # a vertex and a side make a vertex of the file
        kept, number = np.unique(2 * own + right[part.faces, None], return_inverse=True)
        source.append(kept // 2)
        faces.append(number.reshape(-1, 3) + vertex)
        parts.append(
            Part(part.name, slice(vertex, vertex + len(kept)), slice(face, face + len(own)))
        )
        vertex, face = vertex + len(kept), face + len(own)
    chosen = np.concatenate(source)
    split = Mesh(mesh.vertices[chosen], np.concatenate(faces), tuple(parts))
    return Model(Rig(split, whole.rig.skeleton), whole.normals[chosen], whole.colours[chosen])


def _unwrapped(mesh: Mesh) -> NDArray[np.float64]:
    """Texture coordinates: what is seen from the left above, its mirror image below for the right.

    v counts downward (Khronos, glTF 2.0, section 3.8).
    """
    right = np.zeros(len(mesh.vertices), dtype=bool)
    right[mesh.faces[_right_faces(mesh)]] = True
    low = mesh.vertices.min(axis=0)
    along, up = ((mesh.vertices - low) / np.ptp(mesh.vertices, axis=0))[:, [2, 1]].T
    half = (1 - up) / 2
    return np.stack([along, np.where(right, 1 - half, half)], axis=1)


def _right_faces(mesh: Mesh) -> NDArray[np.bool_]:
    return mesh.vertices[mesh.faces, 0].sum(axis=1) < 0
