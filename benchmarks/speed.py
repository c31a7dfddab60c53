"""How fast a first pass is: file to file, beside the straightforward recipe, and by method.

Usage: python benchmarks/speed.py [RESOLUTION ...]

The body is the axolotl; 0.72, 2.45 and 6.2 have about 13, 130 and 840 thousand vertices. Joints at
the ends of digits and gill stalks are skipped, which leaves 60. Ratios are taken in one process,
one after the other, so that they hold on any machine; seconds and memory are those of this one.
"""

from __future__ import annotations

import os
import subprocess
import sys
import tempfile
import time
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path

import igl
import igl.embree
import numpy as np
from numpy.typing import NDArray
from scipy import sparse

from autoweight.demo import axolotl
from autoweight.io import load, save
from autoweight.methods import Problem, find
from autoweight.recipes.recipe import Recipe
from autoweight.rig import Rig
from autoweight.skeleton.bones import bones, distances
from autoweight.skeleton.sides import Plane
from autoweight.stages.planning import plan
from autoweight.stages.solving import solve
from autoweight.surface import prepare
from autoweight.weights.mirroring import mirror

RESOLUTIONS = 0.72, 2.45, 6.2
TARGETS = {0.72: "1.2 s", 2.45: "4 s", 6.2: "25 s, 2000 MB"}
SKIP = "digit_*_2_?", "toe_*_2_?", "gill_*_3_?"
MIDDLE = 2.45
PROGRAM = "from autoweight.cli import main; main(prog_name='autoweight')"


def file_to_file(source: Path, target: Path) -> tuple[float, float, float]:
    """Wall seconds, processor seconds and peak megabytes of ``autoweight solve``."""
    skips = [word for pattern in SKIP for word in ("--skip", pattern)]
    command = [sys.executable, "-c", PROGRAM, "solve", str(source), "-o", str(target), *skips]
    begun = time.perf_counter()
    with subprocess.Popen([*command, "--quiet"], stdout=subprocess.DEVNULL) as child:
        _, status, usage = os.wait4(child.pid, 0)
        child.returncode = os.waitstatus_to_exitcode(status)
    if child.returncode:
        raise SystemExit(f"solve left with {child.returncode}")
    return time.perf_counter() - begun, usage.ru_utime + usage.ru_stime, usage.ru_maxrss / 1e3


def problem(rig: Rig) -> Problem:
    planned = plan(Recipe(skip=SKIP), rig)
    return Problem(
        prepare(rig.mesh),
        rig.skeleton,
        bones(rig.skeleton, planned.active),
        planned.active,
        chains=planned.chains,
        falloffs=planned.falloffs,
    )


def straightforward(given: Problem) -> NDArray[np.float64]:
    """Baran & Popović 2007 as it stands in the paper, by libigl's own functions, all at once."""
    surface = given.surface
    vertices, faces = surface.vertices, surface.faces.astype(np.int64)
    away = distances(vertices, given.bones)
    for number in range(len(given.bones)):
        seen = igl.embree.bone_visible(
            vertices, faces, given.bones.head[number], given.bones.tail[number]
        )
        away[~seen, number] = np.inf
    nearest = away.argmin(axis=1)
    least = away.min(axis=1)
    known = np.isfinite(least)
    mass = np.asarray(igl.massmatrix(vertices, faces).diagonal())
    heated = np.where(known, mass / np.maximum(least, 1e-12) ** 2, 0.0)
    source = np.zeros((len(vertices), len(given.skeleton)))
    source[known, given.bones.joint[nearest[known]]] = heated[known]
    matrix = sparse.csc_matrix(-igl.cotmatrix(vertices, faces) + sparse.diags(heated))
    none = np.empty((0, source.shape[1]))
    return igl.min_quad_with_fixed(
        matrix,
        -source,
        np.empty(0, dtype=np.int64),
        none,
        sparse.csc_matrix((0, len(vertices))),
        none,
        True,
    )


def seconds(work: Callable[[], object], repeats: int = 3) -> float:
    """Least of a few runs."""
    least = np.inf
    for _ in range(repeats):
        begun = time.perf_counter()
        work()
        least = min(least, time.perf_counter() - begun)
    return least


def main() -> None:
    chosen = [float(each) for each in sys.argv[1:]] or RESOLUTIONS
    print("file to file        vertices  wall s   cpu s  peak MB  asked")
    with tempfile.TemporaryDirectory() as folder:
        source, target = Path(folder, "axolotl.glb"), Path(folder, "weighted.glb")
        for resolution in chosen:
            save(axolotl(resolution), source)
            count = len(load(source).mesh.vertices)
            wall, cpu, peak = file_to_file(source, target)
            asked = TARGETS.get(resolution, "")
            print(f"solve               {count:8d}  {wall:6.2f}  {cpu:6.2f}  {peak:7.0f}  {asked}")

    rig = axolotl(MIDDLE)
    print(f"\nin one process, {len(rig.mesh.vertices)} vertices; welding is in every figure")
    ours = seconds(lambda: find("heat")(problem(rig)))
    plain = seconds(lambda: straightforward(problem(rig)))
    print(
        f"heat                {ours:6.2f} s  {ours / plain:5.2f} of the straightforward {plain:.2f}"
    )
    for name in ("bands", "volume"):
        method = find(name)
        took = seconds(lambda method=method: method(problem(rig)), 1)  # type: ignore[misc]
        print(f"{name:18s}  {took:6.2f} s  {took / ours:5.2f} of heat's")
    weighted = replace(rig, weights=solve(rig, Recipe(method="nearest")))
    took = seconds(lambda: mirror(weighted, Plane.named("x")))
    print(f"mirror              {took:6.2f} s  {took / ours:5.2f} of heat's")


if __name__ == "__main__":
    main()
