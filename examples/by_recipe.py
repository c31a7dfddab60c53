"""By recipe: say how each chain is weighted, and get the same again tomorrow.

    python examples/by_recipe.py

Weights the axolotl and writes by_recipe.glb beside you.
"""

from dataclasses import replace

import autoweight
from autoweight.demo import bound
from autoweight.recipes.recipe import parse_recipe
from autoweight.stages.solving import first_pass

RECIPE = """
method = "heat"

# A tail swims: wide, soft bands.
[[chain]]
joints = ["tail_*"]
method = "bands"
falloff = { shape = "smoother", reach = 1.5 }

# Digits bend by rule, and none moves its neighbour.
[[chain]]
joints = ["digit_*", "toe_*"]
method = "bands"
falloff = { shape = "smooth", hold = 0.15 }

# Eyes roll in one piece.
[[rigid]]
parts = ["eye_*"]

[tidy]
max_influences = 4
bits = 16
"""

rig = bound()
recipe = parse_recipe(RECIPE)  # or load_recipe("axolotl.toml")
solution = first_pass(rig, recipe)  # solved, tidied, rounded to 16 bits
for decision in solution.decisions:
    print("-", decision)
autoweight.save(replace(rig, weights=solution.weights), "by_recipe.glb", bits=recipe.tidy.bits)
