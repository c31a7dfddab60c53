"""How near a rig comes to its artist's weights in the taste of its kin, each left out in turn.

    python benchmarks/kin.py [--few N] [--carry] [--as-it-comes] [--by STRANGER...] RIG RIG...
    python benchmarks/kin.py --dense RIG RIG...

takes finished rigs of one kind. Each is weighted by a plain solve and in the taste of the others,
joints without weight left out, and both are compared with the weights it has: mean L1 /
deformation in thousandths of the diagonal, as `autoweight.weights.comparing` defines them, after
tidying. With --as-it-comes joints without weight are not left out. With --carry also the best that
carrying any one of the others over gives. With --by the rigs are taught by those strangers, and not
by each other. With --few each is taught by N of the others, six such sets drawn at random if there
are more.

With --dense the first rig is weighted in the taste of the next three, all cut finer to ten thousand
vertices or more, and what that costs is printed.
"""

import argparse
import random
import time
from dataclasses import replace
from itertools import combinations
from pathlib import Path

import numpy as np
from scipy import sparse
from trimesh.remesh import subdivide

import autoweight
from autoweight.errors import AutoweightError, SkeletonError
from autoweight.recipes.recipe import Recipe
from autoweight.rig import Mesh, Rig, Weights
from autoweight.rows import normalised
from autoweight.stages.solving import first_pass
from autoweight.surface import Surface, prepare
from autoweight.taste.learning import Taste
from autoweight.weights.comparing import compare

DENSE = 10_000

SETS = 6


def apart(rig: Rig, weights: Weights, surface: Surface | None = None) -> tuple[float, float]:
    """L1 and deformation in thousandths of the diagonal, against the weights the rig has."""
    found = compare(rig, weights, surface=surface)
    return found.weights, 1000 * found.deformation


def carried(rig: Rig, others: list[Rig]) -> tuple[float, float]:
    """The nearest of what carrying each of the others over gives, by L1."""
    found = [(np.inf, np.inf)]
    for other in others:
        try:
            over = autoweight.carry(other, replace(rig, weights=None), reach=1.0)
        except AutoweightError:  # unlike sizes and joints cannot be carried
            continue
        found.append(apart(rig, autoweight.tidy(over.weights)))
    return min(found)


def dense(rig: Rig) -> Rig:
    """The rig with every face cut in four until it is dense, and weights between as means."""
    surface = prepare(rig.mesh)
    vertices, faces = surface.vertices, surface.faces
    held = {"weights": rig.weights.matrix[surface.speakers].toarray()}
    while len(vertices) < DENSE:
        vertices, faces, held = subdivide(vertices, faces, vertex_attributes=held)
    weights = Weights(normalised(sparse.csr_array(held["weights"])))
    return Rig(Mesh(vertices, faces), rig.skeleton, weights)


def cost(rigs: list[Rig]) -> None:
    """What learning from all but the first and weighting the first takes."""
    new, *finished = (dense(rig) for rig in rigs)
    clock, work = time.perf_counter(), time.process_time()
    autoweight.like(replace(new, weights=None), finished)
    clock, work = time.perf_counter() - clock, time.process_time() - work
    status = Path("/proc/self/status").read_text()
    peak = int(status.split("VmHWM:")[1].split()[0]) / 1024
    sizes = ", ".join(str(len(each.mesh.vertices)) for each in (new, *finished))
    print(f"{sizes} vertices: {clock:.1f} s, {work:.1f} s of processor time, peak {peak:.0f} MB")


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("rigs", nargs="+", type=Path, metavar="RIG")
    parser.add_argument("--by", nargs="+", type=Path, default=[], metavar="STRANGER")
    parser.add_argument("--few", type=int, metavar="N")
    parser.add_argument("--carry", action="store_true")
    parser.add_argument("--as-it-comes", action="store_true")
    parser.add_argument("--dense", action="store_true")
    given = parser.parse_args()
    if given.dense:
        cost([autoweight.load(path) for path in given.rigs[:4]])
        return
    rigs = {path: autoweight.load(path) for path in given.rigs}
    teachers = given.by or given.rigs
    lessons = dict(zip(teachers, autoweight.learn(teachers).lessons, strict=True))
    rows = []
    for path, rig in rigs.items():
        surface = prepare(rig.mesh)
        bare = replace(rig, weights=None)
        recipe = Recipe() if given.as_it_comes else Recipe(skip=rig.unused_joints)
        plain = apart(rig, first_pass(bare, recipe, surface=surface).weights, surface)
        kin = [rigs[other] for other in rigs if other != path]
        over = [carried(rig, kin)] if given.carry else []
        others = [lessons[other] for other in teachers if other != path]
        sets = list(combinations(others, given.few or len(others)))
        for several in random.Random(0).sample(sets, min(len(sets), SETS)):
            try:
                taught = autoweight.like(bare, Taste(several), recipe, surface=surface)
            except SkeletonError as error:
                print(error)
                continue
            row = [plain, apart(rig, taught.weights, surface), *over]
            rows.append(row)
            cells = (f"{weights:.3f} /{moved:6.2f}" for weights, moved in row)
            ratio = np.divide(row[1], row[0])
            by = f" by {', '.join(each.name for each in several)}" if given.few else ""
            name = path.stem + by
            print(f"{name:<36}", *cells, f"   taught to plain {ratio[0]:.2f} {ratio[1]:.2f}")
    if not rows:
        raise SystemExit("the rigs have no joint in common")
    means = np.mean(rows, axis=0)
    ratio = means[1] / means[0]
    cells = (f"{weights:.3f} /{moved:6.2f}" for weights, moved in means)
    print(f"{'mean':<36}", *cells, f"   taught to plain {ratio[0]:.2f} {ratio[1]:.2f}")


if __name__ == "__main__":
    main()
