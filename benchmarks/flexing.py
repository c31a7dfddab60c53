"""How long flexing takes, and how much memory, on an axolotl of about 130 thousand vertices.

    python benchmarks/flexing.py [--resolution R]

Two motions of 200 poses: the range of motion, where few joints turn at a time, and one in which
every joint turns in every pose. Seconds are of the processor, so that other work on the machine
does not count; run it with OMP_NUM_THREADS=1. Beside them stands the ratio to skinning alone,
that is to moving all vertices once to all poses and measuring nothing.
"""

import argparse
import resource
import time
from dataclasses import replace

import numpy as np

from autoweight.demo import axolotl
from autoweight.flexing import flex
from autoweight.pose.clip import Clip, turned, world
from autoweight.pose.motion import range_of_motion
from autoweight.pose.skinning import carried, linear_blend
from autoweight.recipes.recipe import Recipe
from autoweight.rig import Skeleton
from autoweight.skeleton.sides import likely_plane
from autoweight.stages.solving import solve
from autoweight.weights.tidying import tidy

POSES = 200


def everything(skeleton: Skeleton) -> Clip:
    """All joints turn by up to 20°, at random."""
    random = np.random.default_rng(1)
    turns = np.radians(random.uniform(-20, 20, size=(POSES, len(skeleton), 3)))
    turns[:, skeleton.parents < 0] = 0
    return Clip("everything", np.arange(POSES, dtype=float), turned(skeleton, turns))


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--resolution", type=float, default=2.4)
    rig = axolotl(parser.parse_args().resolution)
    rig = replace(rig, weights=tidy(solve(rig, Recipe(method="heat")), mesh=rig.mesh))
    plane = likely_plane(rig.skeleton)
    before = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss
    print(f"{len(rig.mesh.vertices)} vertices, {len(rig.skeleton)} joints, {POSES} poses")
    print(f"{before / 2**20:.2f} GiB at most until here")
    for clip in (range_of_motion(rig.skeleton, plane).thinned(POSES), everything(rig.skeleton)):
        begun = time.process_time()
        transforms = carried(rig.skeleton, world(rig.skeleton, clip.local)).astype(np.float32)
        for part in np.array_split(transforms, 8):
            linear_blend(rig.mesh.vertices, rig.weights.matrix, part)
        skinned = time.process_time() - begun
        begun = time.process_time()
        found = flex(rig, clip, plane=plane)
        took = time.process_time() - begun
        most = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss
        print(
            f"{clip.name:16} {took:6.1f} s  {took / skinned:5.1f} × skinning  "
            f"{most / 2**20:.2f} GiB at most  {len(found.places)} places"
        )


if __name__ == "__main__":
    main()
