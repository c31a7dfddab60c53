"""What refining does to the figures of flexing, round by round.

    python benchmarks/refining.py [RIG.glb ...]

The axolotl, weighted by its own recipe, is always among the rigs; the others are refined as they
are in the file. Every column but the first is a ratio to the state before. Leaves with 1 unless
the score has fallen by a fifth everywhere and no figure's mean has risen.
"""

import sys
from dataclasses import replace
from importlib.resources import files

from autoweight.demo import axolotl
from autoweight.io import load
from autoweight.recipes.recipe import Recipe, parse_recipe
from autoweight.rig import Rig
from autoweight.stages.refining import refine
from autoweight.stages.solving import first_pass

WANTED = 0.8


def show(name: str, rig: Rig, recipe: Recipe) -> bool:
    rounds = refine(rig, recipe).rounds
    start = rounds[0]
    there = [figure for figure, mean in start.means.items() if mean > 0]
    print(f"{name}: {start.score:.4f} of the limits")
    print(f"  {'round':6}{'score':>8}" + "".join(f"{figure:>10}" for figure in there))
    for each in rounds:
        ratios = "".join(f"{each.means[figure] / start.means[figure]:10.3f}" for figure in there)
        print(f"  {each.number:<6}{each.score / start.score:8.3f}{ratios}", end="")
        print(f"  {len(each.held)} joints held" + ("" if each.kept else ", not kept"))
    last = [each for each in rounds if each.kept][-1]
    sound = all(mean <= start.means[figure] * (1 + 1e-9) for figure, mean in last.means.items())
    return sound and last.score <= WANTED * start.score


def main() -> None:
    recipe = parse_recipe(files("autoweight.demo").joinpath("axolotl.toml").read_text())
    rig = axolotl()
    rig = replace(rig, weights=first_pass(rig, recipe).weights)
    good = [show("axolotl", rig, recipe)]
    good += [show(path.rpartition("/")[2], load(path), Recipe()) for path in sys.argv[1:]]
    sys.exit(not all(good))


if __name__ == "__main__":
    main()
