"""Your own method: ten lines, and it runs in the league beside the built-in ones.

    python examples/own_method.py

or, from the folder it is in, ``autoweight bench RIG --methods heat,own_method:solve``, or in a
recipe ``method = "own_method:solve"``.
"""

import sys
from dataclasses import replace
from pathlib import Path

import numpy as np

import autoweight
from autoweight.methods import Problem
from autoweight.skeleton.bones import distances


def solve(problem: Problem) -> np.ndarray:
    """A joint's weight falls like a bell with the distance to its nearest bone."""
    surface, bones = problem.surface, problem.bones
    away = distances(surface.vertices, bones)  # (n vertices, b bones), in scene units
    away = away / away.min(axis=1, keepdims=True).clip(1e-9)  # 1 for the nearest bone
    bell = np.exp(-4 * (away - 1) ** 2)

    weights = np.zeros((len(surface), len(problem.skeleton)))
    for bone, joint in enumerate(bones.joint):  # a joint with two children has two bones
        weights[:, joint] = np.maximum(weights[:, joint], bell[:, bone])
    return weights  # the caller scales rows to sum to 1


def main() -> None:
    from autoweight.demo import bound
    from autoweight.stages.league import Limits, league
    from autoweight.stages.solving import first_pass

    rig = bound()
    autoweight.save(replace(rig, weights=first_pass(rig).weights), "reference.glb")
    sys.path.insert(0, str(Path(__file__).parent))  # so that own_method can be imported
    for line in league(
        ["reference.glb"], ["heat", "nearest", "own_method:solve"], Limits(repeats=1)
    ):
        if line.measures is None:
            print(line.method, line.trouble)
        else:
            measures = line.measures
            print(f"{line.method:18}{measures.seconds:6.2f} s   L1 {measures.l1:.3f}")


if __name__ == "__main__":  # the league starts processes that import this file
    main()
