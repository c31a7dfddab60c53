"""How well and how fast weights are carried over.

    python benchmarks/carry.py [--large]

Quality, as mean and greatest L1 distance of a vertex's weights to the analytic ones: the demo, and
a torus in a ring of joints, with weights that are a smooth function of the place, onto other
triangles of the same surface. Speed: torus to torus of other triangles, at 130 thousand vertices
and with --large at 840 thousand, in seconds, peak memory of the process, and as a ratio to one
nearest-neighbour look-up of as many points (scipy's cKDTree).
"""

import argparse
import resource
import sys
import time
from dataclasses import replace
from pathlib import Path

import igl
import numpy as np
from scipy import sparse
from scipy.spatial import cKDTree

from autoweight.demo import axolotl
from autoweight.rig import Mesh, Rig, Weights
from autoweight.stages.carrying import carry

sys.path.insert(0, str(Path(__file__).parent.parent / "tests" / "given"))
from tori import analytic, bare, by_place, torus, weighted


def others(vertices: np.ndarray, faces: np.ndarray):
    """The same surface with other vertices and triangles."""
    faces = faces.astype(np.int64)
    yield "same", vertices, faces
    order = np.random.default_rng(0).permutation(len(vertices))
    yield "shuffled", vertices[order], np.argsort(order)[faces]
    yield "subdivided (Loop)", *igl.loop(vertices, faces)
    column = np.asfortranarray
    yield (
        "decimated to half",
        *igl.decimate(column(vertices), column(faces, np.int32), len(faces) // 2)[:2],
    )


def quality() -> None:
    demo = axolotl()
    demo = replace(demo, weights=Weights(sparse.csr_array(by_place(demo, demo.mesh.vertices))))
    ring = weighted(*torus(64, 24))
    print(f"{'':28}{'kept':>8}{'copied':>8}{'filled':>8}{'mean':>10}{'greatest':>10}")
    for name, rig, truth in (
        ("demo", demo, lambda points: by_place(demo, points)),
        ("torus", ring, analytic),
    ):
        kinds = list(others(rig.mesh.vertices, rig.mesh.faces))
        if name == "torus":
            kinds.append(("triangulated anew", *torus(71, 21)))
        for kind, vertices, faces in kinds:
            carried = carry(rig, Rig(Mesh(vertices, faces), rig.skeleton))
            off = np.abs(carried.weights.dense() - truth(vertices)).sum(axis=1)
            counts = carried.counts
            print(
                f"{name + ', ' + kind:28}{counts['kept']:8}{counts['interpolated']:8}"
                f"{counts['filled'] + counts['solved']:8}{off.mean():10.5f}{off.max():10.5f}"
            )


def speed(around: int, across: int) -> None:
    finished = weighted(*torus(around, across))
    count = len(finished.mesh.vertices)
    for kind, tube in (("same surface", 0.35), ("a layer above", 0.37)):
        new = bare(*torus(around + 7, across - 3, tube=tube))
        begun = time.perf_counter()
        cKDTree(finished.mesh.vertices).query(new.mesh.vertices)
        plain = time.perf_counter() - begun
        begun = time.perf_counter()
        carry(finished, new)
        spent = time.perf_counter() - begun
        peak = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1e6
        print(
            f"{count} to {len(new.mesh.vertices)} vertices, {kind}: {spent:.2f} s, "
            f"{peak:.2f} GB at most, {spent / plain:.1f} times a nearest-neighbour look-up"
        )


if __name__ == "__main__":
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--large", action="store_true", help="also 840 thousand vertices")
    arguments = parser.parse_args()
    quality()
    speed(576, 225)
    if arguments.large:
        speed(1466, 572)
