"""Ribbons as strip meshes of their control points, there and back."""

from __future__ import annotations

import igl
import numpy as np

from autoweight.errors import GeometryError
from autoweight.ribbons.ribbon import Ribbon
from autoweight.rig import Mesh, Rig, Weights
from autoweight.surface import prepare

__all__ = ["from_strip", "strip"]


def strip(ribbon: Ribbon) -> Rig:
    """A ribbon's control points as a strip mesh that its control joints move.

    Parameters
    ----------
    ribbon : Ribbon

    Returns
    -------
    Rig
        Vertex ``along * q + across``; for a ribbon of degree 1 the mesh is the surface itself.
    """
    p, q = ribbon.points.shape[:2]
    corner = (q * np.arange(p - 1)[:, None] + np.arange(q - 1)).ravel()
    faces = np.concatenate(
        [
            np.stack([corner, corner + q, corner + 1], axis=1),
            np.stack([corner + 1, corner + q, corner + q + 1], axis=1),
        ]
    )
    return Rig(Mesh(ribbon.points.reshape(-1, 3), faces), ribbon.controls, ribbon.weights)


def from_strip(rig: Rig) -> Ribbon:
    """A ribbon of degree 1 from a strip mesh two vertices wide.

    Parameters
    ----------
    rig : Rig
        One open strip of triangles, and the control joints that move it.

    Returns
    -------
    Ribbon
        It begins at the end that is nearer to the first joint. Its knots are the numbers of its
        rows: 0, 1, 2 and so on.

    Raises
    ------
    GeometryError
        The mesh is no such strip.
    """
    surface = prepare(rig.mesh)
    loops = igl.boundary_loop_all(surface.faces)
    if len(loops) != 1 or len(loops[0]) != len(surface) or len(surface) % 2:
        raise GeometryError(
            "the mesh is not a strip two vertices wide; give one row of faces with one outline"
        )
    loop = np.asarray(loops[0])
    count = len(loop)
    place = np.empty(count, dtype=np.int64)
    place[loop] = np.arange(count)
    # Opposite vertices have places that sum to the same number round the outline. Edges across
    # the strip vote for it; of the diagonals and the outline itself no sum has as many.
    votes = np.bincount(place[surface.edges].sum(axis=1) % count, minlength=count)
    fold = int(votes.argmax())
    if fold % 2 == 0 or votes[fold] != count // 2:
        raise GeometryError(
            "the mesh is not a strip: its vertices do not lie opposite each other in pairs"
        )
    one = ((fold + 1) // 2 + np.arange(count // 2)) % count
    rows = np.stack([loop[one], loop[(fold - one) % count]], axis=1)
    points = surface.vertices[rows]
    first = rig.skeleton.positions[0]
    if (
        np.linalg.norm(points[-1] - first, axis=1).min()
        < np.linalg.norm(points[0] - first, axis=1).min()
    ):
        rows = rows[::-1]
    weights = rig.weights and Weights(rig.weights.matrix[surface.speakers[rows.ravel()]])
    along = np.arange(len(rows), dtype=np.float64)
    return Ribbon(
        surface.vertices[rows],
        (1, 1),
        (np.concatenate([along[:1], along, along[-1:]]), np.array([0.0, 0, 1, 1])),
        rig.skeleton,
        weights=weights,
    )
