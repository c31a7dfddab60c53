"""How near coarser levels of detail stay to the level they take their weights from.

    python benchmarks/levels.py [--data DIR] [--share SHARE]

Every rig of a folder is decimated (by quadrics: `igl.qslim`, and trimesh with fast-simplification
where that is installed) and the weights that its artist made are carried over. A vertex is judged
in ten random poses by its distance from a place of the dense surface, over the distance that the
decimation moved it from there: from the nearest place, the nearest that faces the same way, or the
nearest on the piece that most of its own piece lies on, whichever explains it best. One that is
over three times as far off, a thousandth of the diagonal aside, counts as bad.
"""

import argparse
from pathlib import Path

import igl
import numpy as np
from artists import DATA
from scipy import sparse
from scipy.spatial import cKDTree

import autoweight
from autoweight.errors import GeometryError
from autoweight.pose.motion import random_poses
from autoweight.pose.skinning import linear_blend
from autoweight.rig import Mesh, Rig, Skeleton, Weights
from autoweight.stages.carrying import ORIGINS, carry
from autoweight.surface import Surface, prepare
from autoweight.surface.places import Ground, Places

TIMES = 3
"""How many times as far as the surface moved a vertex may be off."""

SLACK = 1e-3
"""Bounding-box diagonals that are let pass."""


def decimated(surface: Surface, share: float):
    """The surface with a share of its faces left, by each library that can."""
    count = int(share * len(surface.faces))
    column = np.asfortranarray
    vertices, faces, *_ = igl.qslim(
        column(surface.vertices), column(surface.faces, np.int32), count
    )
    if len(faces):  # it gives up on surfaces that are not manifold
        yield "qslim", vertices, faces
    try:
        import trimesh

        whole = trimesh.Trimesh(surface.vertices, surface.faces, process=False)
        found = whole.simplify_quadric_decimation(face_count=count)
    except ImportError:
        return
    yield "trimesh", np.asarray(found.vertices), np.asarray(found.faces)


def places(ground: Ground, level: Mesh) -> list[Places]:
    """Where each vertex of a level may be said to lie on the dense surface."""
    surface, target = ground.surface, prepare(level)
    nearest = ground.nearest(level.vertices)
    piece = surface.components[surface.faces[:, 0]]
    own, landed = target.components[target.weld], piece[nearest.face]
    alike = nearest
    for each in np.unique(own):
        at = np.flatnonzero(own == each)
        faces = np.flatnonzero(piece == np.bincount(landed[at]).argmax())
        alike = alike.put(at, ground.nearest(level.vertices[at], faces))
    facing = nearest
    directions = np.random.default_rng(0).normal(size=(128, 3))
    toward = cKDTree(directions / np.linalg.norm(directions, axis=1, keepdims=True)).query(
        target.normals[target.weld]
    )[1]
    for each in np.unique(toward):
        at, faces = np.flatnonzero(toward == each), ground.flat @ directions[each] > 0
        if faces.any():
            found = ground.nearest(level.vertices[at], np.flatnonzero(faces))
            facing = facing.put(at, found)
    return [nearest, alike, facing]


def judged(
    ground: Ground, rows: sparse.csr_array, skeleton: Skeleton, level: Mesh, weights: Weights
) -> tuple[np.ndarray, np.ndarray]:
    """Farthest each vertex is off in any pose, and that over what the surface moved."""
    poses = random_poses(skeleton)[:10]
    posed = linear_blend(level.vertices, weights.matrix, poses)
    ratio = np.full(len(level.vertices), np.inf)
    off = ratio.copy()
    for each in places(ground, level):
        there = sparse.csr_array(each.interpolator(ground.surface) @ rows)
        apart = np.linalg.norm(posed - linear_blend(each.position, there, poses), axis=2)
        worst = apart.max(axis=0) / ground.diagonal
        moved = np.maximum(each.distance / ground.diagonal, 1e-12)
        here = np.maximum(worst - SLACK, 0) / moved
        better = (here < ratio) | ((here == ratio) & (worst < off))
        ratio[better], off[better] = here[better], worst[better]
    drawn = np.isin(np.arange(len(off)), level.faces)
    return off[drawn], ratio[drawn]


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--data", type=Path, default=DATA / "rigs")
    parser.add_argument("--share", type=float, default=0.5, help="of the faces that is left")
    given = parser.parse_args()
    total = bad = 0
    for path in sorted(given.data.glob("*.glb")):
        rig = autoweight.load(path)
        if rig.weights is None:
            continue
        surface = prepare(rig.mesh)
        ground = Ground(surface)
        rows = sparse.csr_array(rig.weights.matrix[surface.speakers])
        dense = Rig(Mesh(surface.vertices, surface.faces), rig.skeleton, Weights(rows))
        for how, vertices, faces in decimated(surface, given.share):
            level = Mesh(vertices, faces)
            try:
                carried = carry(dense, Rig(level, rig.skeleton))
            except GeometryError as error:
                print(f"{path.stem:16} {how:8} {error}")
                continue
            off, ratio = judged(ground, rows, rig.skeleton, level, carried.weights)
            wrong = int((ratio > TIMES).sum())
            total, bad = total + len(off), bad + wrong
            counts = " ".join(f"{carried.counts[each]:5}" for each in ORIGINS)
            print(
                f"{path.stem:16} {how:8} {counts}  mean {1e3 * off.mean():6.2f} ‰ "
                f"greatest {1e3 * off.max():7.2f} ‰  bad {wrong}"
            )
    print(f"{bad} of {total} vertices are bad")


if __name__ == "__main__":
    main()
