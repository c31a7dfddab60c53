"""How near coarser levels of detail stay to the level they take their weights from.

    python benchmarks/levels.py [--data DIR] [--share SHARE]

Every rig of a folder is decimated (by quadrics: `igl.qslim`, and trimesh with fast-simplification
where that is installed) and the weights that its artist made are carried over. Printed are counts
by origin, the mean and greatest distance from the densest in ten random poses, and how many
vertices `autoweight.cast.levels.gap` finds further off than three times what the surface moved.
"""

import argparse
from dataclasses import replace
from pathlib import Path

import igl
import numpy as np
from artists import DATA
from scipy import sparse

import autoweight
from autoweight.cast.levels import gap
from autoweight.errors import GeometryError
from autoweight.rig import Mesh, Rig, Weights
from autoweight.stages.carrying import ORIGINS, carry
from autoweight.surface import Surface, prepare


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
        rows = sparse.csr_array(rig.weights.matrix[surface.speakers])
        dense = Rig(Mesh(surface.vertices, surface.faces), rig.skeleton, Weights(rows))
        for how, vertices, faces in decimated(surface, given.share):
            level = Rig(Mesh(vertices, faces), rig.skeleton)
            try:
                carried = carry(dense, level)
            except GeometryError as error:
                print(f"{path.stem:16} {how:8} {error}")
                continue
            away = gap(dense, replace(level, weights=carried.weights))
            total, bad = total + len(np.unique(faces)), bad + len(away.over)
            counts = " ".join(f"{carried.counts[each]:5}" for each in ORIGINS)
            print(
                f"{path.stem:16} {how:8} {counts}  mean {1e3 * away.mean:6.2f} ‰ "
                f"greatest {1e3 * away.worst:7.2f} ‰  bad {len(away.over)}"
            )
    print(f"{bad} of {total} vertices are bad")


if __name__ == "__main__":
    main()
