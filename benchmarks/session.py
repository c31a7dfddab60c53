"""What a change of one chain's falloff costs in a session, beside the first solve.

Usage: python benchmarks/session.py [RESOLUTION]

The body is the axolotl with 60 of its 84 joints (2.45, the default, has about 130 thousand
vertices) and its tail in bands. Processor seconds, in one process; bits are compared with a
solve afresh.
"""

from __future__ import annotations

import sys
import time
from collections.abc import Callable
from dataclasses import replace
from typing import TypeVar

from autoweight.demo import axolotl
from autoweight.recipes.profiles import Falloff
from autoweight.recipes.recipe import ChainRule, Recipe
from autoweight.stages.planning import active_joints
from autoweight.stages.session import Session
from autoweight.stages.solving import solve

SKIP = "digit_*_2_?", "toe_*_2_?", "gill_*_3_?"
T = TypeVar("T")


def timed(work: Callable[[], T]) -> tuple[T, float]:
    begun = time.process_time()
    return work(), time.process_time() - begun


def recipe(reach: float) -> Recipe:
    tail = ChainRule(("tail_*",), method="bands", falloff=Falloff(reach=reach))
    return Recipe(skip=SKIP, chain=(tail,))


def main() -> None:
    rig = axolotl(float(sys.argv[1]) if len(sys.argv) > 1 else 2.45)
    rig = replace(rig, weights=None)
    used = int(active_joints(recipe(1.0), rig.skeleton)[0].sum())
    print(f"{len(rig.mesh.vertices)} vertices, {used} of {len(rig.skeleton)} joints")
    for verb in ("solve", "first_pass"):
        session, first = timed(lambda: Session(rig))
        _, more = timed(lambda: getattr(session, verb)(recipe(1.0)))  # noqa: B023
        first += more
        again = []
        for reach in (1.1, 1.2, 1.3):
            again.append(timed(lambda: getattr(session, verb)(recipe(reach)))[1])  # noqa: B023
        least = min(again)
        print(f"{verb:10s}  first {first:6.2f} s  a changed falloff {least:6.2f} s  ", end="")
        print(f"{least / first:5.2f} of it")
    same = (session.solve(recipe(1.3)).matrix != solve(rig, recipe(1.3)).matrix).nnz == 0
    print("bits as afresh:", "yes" if same else "NO")


if __name__ == "__main__":
    main()
