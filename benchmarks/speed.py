"""How fast a first pass is: file to file, beside the straightforward recipe, and by method.

Usage: python benchmarks/speed.py [--against CHECKOUT [--rounds N]] [RESOLUTION ...]

The body is the axolotl; 0.72, 2.45 and 6.2 have about 13, 130 and 840 thousand vertices. Joints at
the ends of digits and gill stalks are skipped, which leaves 60 of 84. Ratios are taken in one run,
turn about, so that they hold on any machine; seconds and memory are those of this one. Memory is
that of all processes of a run together, pages that they share counted once, in a run of its own.

With --against, file to file alone is measured, here and in another checkout of this repository
(`git worktree add` makes one), and the weights of both are compared.
"""

from __future__ import annotations

import argparse
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
HERE = Path(__file__).resolve().parent.parent
LOOK = 0.1
"""Seconds between two looks at memory."""
MOVED = 2e-3
PROGRAM = "from autoweight.cli import main; main(prog_name='autoweight')"


def begin(source: Path, target: Path, checkout: Path = HERE) -> subprocess.Popen[bytes]:
    """Begin ``autoweight solve``."""
    skips = [word for pattern in SKIP for word in ("--skip", pattern)]
    return subprocess.Popen(
        [sys.executable, "-c", PROGRAM, "solve", str(source), "-o", str(target), *skips, "--quiet"],
        stdout=subprocess.DEVNULL,
        cwd=target.parent,
        env={**os.environ, "PYTHONPATH": str(checkout)},
    )


def file_to_file(source: Path, target: Path, checkout: Path = HERE) -> tuple[float, float]:
    """Wall and processor seconds of it."""
    before = os.times()
    begun = time.perf_counter()
    with begin(source, target, checkout) as child:
        code = child.wait()
    wall = time.perf_counter() - begun
    if code:
        raise SystemExit(f"solve left with {code}")
    after = os.times()
    return wall, sum(after[2:4]) - sum(before[2:4])


def peak(source: Path, target: Path, checkout: Path = HERE) -> float:
    """Most megabytes it has, in a run of its own: to look holds up the processes looked at."""
    found = 0.0
    with begin(source, target, checkout) as child:
        while child.poll() is None:
            found = max(found, memory(child.pid))
            time.sleep(LOOK)
    return found


def memory(process: int) -> float:
    """Megabytes that a process and its children have, each shared page counted once; 0 when gone.

    Where the system does not say (it is Linux that does), not a number.
    """
    if not Path("/proc/self/smaps_rollup").exists():
        return np.nan
    found = 0
    try:
        children = Path(f"/proc/{process}/task/{process}/children").read_text()
    except (FileNotFoundError, ProcessLookupError):
        return 0.0
    for each in [process, *map(int, children.split())]:
        try:
            rows = Path(f"/proc/{each}/smaps_rollup").read_text().splitlines()
        except (FileNotFoundError, ProcessLookupError):
            continue  # it has ended, and its result was not fetched yet
        found += sum(int(row.split()[1]) for row in rows if row.startswith("Pss:"))
    return found / 1e3


def compare(source: Path, folder: Path, other: Path, rounds: int) -> None:
    """Run both checkouts turn about, and print medians, ratios and how far weights moved."""
    count = len(load(source).mesh.vertices)
    targets = {"here": folder / "here.glb", "against": folder / "against.glb"}
    places = {"here": HERE, "against": other}
    runs = np.array(
        [
            [file_to_file(source, targets[name], places[name]) for name in places]
            for _ in range(rounds)
        ]
    )
    most = [peak(source, targets[name], places[name]) for name in places]
    for name, (wall, cpu), had in zip(places, np.median(runs, axis=0), most, strict=True):
        print(f"{name:10s}  {count:8d}  {wall:6.2f}  {cpu:6.2f}  {had:7.0f}")
    wall, cpu = np.median(runs[:, 0] / runs[:, 1], axis=0)
    print(f"ratio                 {wall:6.2f}  {cpu:6.2f}  {most[0] / most[1]:7.2f}")
    mine, theirs = (load(each).weights for each in targets.values())
    assert mine is not None and theirs is not None
    moved = abs(mine.matrix - theirs.matrix).max(axis=1).toarray()
    far = int((moved > MOVED).sum())
    print(f"weights moved by {moved.max():.1e} at the most; {far} by over {MOVED:g}", flush=True)


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
    parser = argparse.ArgumentParser(description="How fast a first pass is.")
    parser.add_argument("resolutions", nargs="*", type=float, default=RESOLUTIONS)
    parser.add_argument("--against", type=Path, help="another checkout of this repository")
    parser.add_argument("--rounds", type=int, default=3, help="runs of each, turn about")
    chosen = parser.parse_args()
    if chosen.against and not (chosen.against / "autoweight").is_dir():
        parser.error(f"{chosen.against}: no checkout of this repository")
    print("file to file  vertices  wall s   cpu s  peak MB")
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        source = folder / "axolotl.glb"
        for resolution in chosen.resolutions:
            save(axolotl(resolution), source)
            if chosen.against:
                compare(source, folder, chosen.against.resolve(), chosen.rounds)
                continue
            count = len(load(source).mesh.vertices)
            wall, cpu = file_to_file(source, folder / "weighted.glb")
            most = peak(source, folder / "weighted.glb")
            asked = TARGETS.get(resolution, "")
            asked = f"  asked {asked}" if asked else ""
            print(f"solve         {count:8d}  {wall:6.2f}  {cpu:6.2f}  {most:7.0f}{asked}")
    if not chosen.against:
        in_process()


def in_process() -> None:
    """Heat beside the straightforward recipe, and the other methods beside heat."""
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
