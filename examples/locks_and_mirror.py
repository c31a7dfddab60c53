"""Locks and mirror: keep what is finished, and make the right side equal to the left.

    python examples/locks_and_mirror.py

The head of a first pass stands for work finished by hand. Writes locked.glb beside you.
"""

from dataclasses import replace

import numpy as np

import autoweight
from autoweight.demo import bound
from autoweight.recipes.recipe import parse_recipe
from autoweight.stages.solving import first_pass

rig = bound()
rig = replace(rig, weights=first_pass(rig).weights)
head = rig.weights.dominant == rig.skeleton.index["head"]

RECIPE = """
method = "bands"

[[lock]]                    # every vertex that the head moves most
dominated_by = ["head"]

[mirror]
plane = "x"
keep = "positive"           # the left of the axolotl
"""

solution = first_pass(rig, parse_recipe(RECIPE))
changed = abs(solution.weights.matrix - rig.weights.matrix).sum(axis=1) > 0
print(f"of {head.sum()} vertices of the head {changed[head].sum()} changed")
print(f"of {np.sum(~head)} others {changed[~head].sum()} changed")
print(*solution.mirrored.lines, sep="\n")
autoweight.save(replace(rig, weights=solution.weights), "locked.glb")
