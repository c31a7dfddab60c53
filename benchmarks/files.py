"""How long reading and writing a GLB file takes, beside moving the same bytes.

Usage: python benchmarks/files.py [VERTICES ...]
"""

from __future__ import annotations

import os
import sys
import tempfile
import time
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path

import numpy as np
from scipy import sparse

from autoweight.io import load, save
from autoweight.io.gltf import made
from autoweight.rig import Mesh, Rig, Skeleton, Weights

JOINTS, INFLUENCES, REPEATS = 60, 4, 3


def sheet(count: int) -> Rig:
    """A square of about `count` vertices with random weights to four of 60 joints."""
    side = round(count**0.5)
    across, along = np.meshgrid(*[np.linspace(0, 1, side)] * 2, indexing="ij")
    vertices = np.column_stack([across.ravel(), along.ravel(), np.sin(9 * across.ravel())])
    corner = np.arange(side * side).reshape(side, side)
    a, b, c, d = corner[:-1, :-1], corner[1:, :-1], corner[1:, 1:], corner[:-1, 1:]
    faces = np.concatenate([np.stack(each, -1).reshape(-1, 3) for each in ((a, b, c), (a, c, d))])
    rest = np.tile(np.eye(4), (JOINTS, 1, 1))
    rest[:, 0, 3] = np.linspace(0, 1, JOINTS)
    names = tuple(f"joint_{number}" for number in range(JOINTS))
    bare = made(
        Mesh(vertices, faces),
        Skeleton(names, np.arange(JOINTS) - 1, rest),
        normals=np.tile([0.0, 0, 1], (len(vertices), 1)),
        uvs=vertices[:, :2],
    )
    rng = np.random.default_rng(0)
    shape = (len(vertices), INFLUENCES)
    chosen = rng.integers(0, JOINTS // INFLUENCES, shape) * INFLUENCES + np.arange(INFLUENCES)
    values = rng.dirichlet(np.ones(INFLUENCES), len(vertices))
    start = INFLUENCES * np.arange(len(vertices) + 1)
    matrix = sparse.csr_array(
        (values.ravel(), chosen.ravel(), start), shape=(len(vertices), JOINTS)
    )
    return replace(bare, weights=Weights(matrix))


def best(work: Callable[[], object]) -> float:
    """Least time of a few runs, in seconds."""
    times = []
    for _ in range(REPEATS):
        begun = time.perf_counter()
        work()
        times.append(time.perf_counter() - begun)
    return min(times)


def copied(source: Path, target: Path) -> None:
    """Write a file's bytes and wait for the disk, as a save does."""
    with target.open("wb") as file:
        file.write(source.read_bytes())
        file.flush()
        os.fsync(file.fileno())


def main() -> None:
    counts = [int(each) for each in sys.argv[1:]] or [13_000, 130_000, 840_000]
    print("vertices  bits     MB   load s  / reading   save s  / copying")
    with tempfile.TemporaryDirectory() as folder:
        path, other = Path(folder) / "sheet.glb", Path(folder) / "copy.glb"
        for count in counts:
            rig = sheet(count)
            for bits in (32, 16, 8):
                writing = best(lambda rig=rig, bits=bits: save(rig, path, bits=bits))
                reading = best(lambda: load(path))
                plain, copying = best(path.read_bytes), best(lambda: copied(path, other))
                print(
                    f"{len(rig.mesh.vertices):8d}  {bits:4d}  {path.stat().st_size / 1e6:5.1f}"
                    f"  {reading:7.3f}  {reading / plain:9.1f}"
                    f"  {writing:7.3f}  {writing / copying:9.1f}"
                )


if __name__ == "__main__":
    main()
