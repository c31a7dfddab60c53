"""How near the methods come to artists' weights, beside three plain recipes.

    python benchmarks/artists.py [--data DIR] [RIG...]

takes the open reference rigs of a folder, the animals and the garment that the package dm_control
carries (extra `bench`), and any weighted `.glb`, `.gltf` or `.npz` beside them. A rig's joints
without weight are skipped. An `.npz` has V (n, 3), F (m, 3), joint_names, joint_parents (-1 for a
root), joint_heads (j, 3), and the weights as W_row, W_col, W_val.

Printed for each rig: mean L1 of the weights / deformation error in thousandths of the diagonal,
as `autoweight.weights.comparing` defines them, all with 4 influences at most, and the default
method, `auto`, as a ratio to the best of the plain ones. Bands and volume hand over at the joints.
"""

import argparse
import struct
import xml.etree.ElementTree as ElementTree
from dataclasses import replace
from importlib.util import find_spec
from pathlib import Path

import numpy as np
from scipy import sparse

import autoweight
from autoweight.methods import Problem
from autoweight.methods.equilibrium import equilibrium
from autoweight.recipes.profiles import Falloff
from autoweight.rig import Mesh, Rig, Skeleton, Weights
from autoweight.rows import scaled
from autoweight.skeleton.bones import bones, closest, distances
from autoweight.surface import prepare
from autoweight.surface.visibility import Sight
from autoweight.weights.comparing import compare

DATA = Path(__file__).parents[2] / "shared" / "data"
SKINS = {
    "dog": ("suite/dog_assets/dog_skin.skn", "suite/dog.xml"),
    "rodent": (
        "locomotion/walkers/assets/rodent_walker_skin.skn",
        "locomotion/walkers/assets/rodent.xml",
    ),
    "jersey": (
        "locomotion/soccer/assets/humanoid/jersey.skn",
        "locomotion/walkers/assets/humanoid_CMU_V2020.xml",
    ),
}


def plain_heat(problem: Problem) -> sparse.csr_array:
    """Baran & Popović (TOG 26(3), 2007) to the letter: c = 1, the nearest bone a ray sees."""
    surface, segments = problem.surface, problem.bones
    count = len(surface)
    away = distances(surface.vertices, segments)
    order = np.argsort(away, axis=1, kind="stable")
    bone, seen, sight = order[:, 0].copy(), np.zeros(count, dtype=bool), Sight(surface)
    for rank in range(min(6, len(segments))):
        left = np.flatnonzero(~seen)
        place = closest(surface.vertices[left], segments, order[left, rank])
        clear = left[sight.clear(place, surface.vertices[left])]
        bone[clear], seen[clear] = order[clear, rank], True
    # The paper has one closed body; a piece that sees no bone would have no temperature.
    seen |= (np.bincount(surface.components, seen) == 0)[surface.components]
    warm = np.flatnonzero(seen)
    sources = sparse.csr_array(
        (np.ones(len(warm)), (warm, segments.joint[bone[warm]])),
        shape=(count, len(problem.skeleton)),
    )
    near = np.maximum(away[np.arange(count), bone], 1e-3 * np.ptp(surface.vertices, axis=0).max())
    return equilibrium(surface, sources, np.where(seen, 1 / near**2, 0.0))


def on_the_joint(name: str):
    """A method of bands that hand over where the bones bend."""

    def solve(problem: Problem) -> sparse.csr_array:
        falloffs = (Falloff(centre=0.5),) * len(problem.chains)
        return autoweight.methods.find(name)(replace(problem, falloffs=falloffs))

    return solve


PLAIN = {
    "heat c=1": plain_heat,
    "nearest": autoweight.methods.find("nearest"),
    "inverse": autoweight.methods.find("inverse"),
}
OURS = {
    "bands": on_the_joint("bands"),
    "volume": on_the_joint("volume"),
    "heat": autoweight.methods.find("heat"),
    "auto": autoweight.methods.find("auto"),
}
RECIPES = PLAIN | OURS


def from_arrays(vertices, faces, names, parents, heads, weights) -> Rig:
    rest = np.tile(np.eye(4), (len(names), 1, 1))
    rest[:, :3, 3] = heads
    return Rig(
        Mesh(vertices, faces),
        Skeleton(tuple(names), parents, rest),
        Weights(scaled(sparse.csr_array(weights))),
    )


def from_npz(path: Path) -> Rig:
    z = np.load(path)
    shape = (len(z["V"]), len(z["joint_names"]))
    weights = sparse.coo_array((z["W_val"], (z["W_row"], z["W_col"])), shape=shape)
    names = [str(name) for name in z["joint_names"]]
    return from_arrays(z["V"], z["F"], names, z["joint_parents"], z["joint_heads"], weights)


def from_mujoco(skin: Path, model: Path) -> Rig:
    """A skin file and the model with the tree of its bodies (MuJoCo, XML reference, asset/skin)."""
    content = skin.read_bytes()
    vertices, textures, faces, count = struct.unpack_from("<4i", content)
    at = 16
    places = np.frombuffer(content, "<f4", 3 * vertices, at).reshape(-1, 3)
    at += 12 * vertices + 8 * textures
    corners = np.frombuffer(content, "<i4", 3 * faces, at).reshape(-1, 3)
    at += 12 * faces
    found = {}
    for _ in range(count):
        name = content[at : at + 40].split(b"\0")[0].decode()
        head = np.frombuffer(content, "<f4", 3, at + 40)
        (held,) = struct.unpack_from("<i", content, at + 68)
        rows = np.frombuffer(content, "<i4", held, at + 72)
        found[name] = head, rows, np.frombuffer(content, "<f4", held, at + 72 + 4 * held)
        at += 72 + 8 * held
    above: dict[str, str | None] = {}

    def walk(element, parent):
        for child in element:
            if child.tag == "body":
                above[child.get("name")] = parent
                walk(child, child.get("name") if child.get("name") in found else parent)
            elif child.tag == "worldbody":
                walk(child, parent)

    walk(ElementTree.parse(model).getroot(), None)
    names = [name for name in above if name in found]  # as the walk met them: parents first
    parents = [-1 if above[name] is None else names.index(above[name]) for name in names]
    weights = sparse.lil_array((vertices, len(names)))
    for column, name in enumerate(names):
        weights[found[name][1], [column]] = found[name][2]
    heads = [found[name][0] for name in names]
    return from_arrays(places, corners, names, parents, heads, weights)


def rigs(data: Path, more: list[Path]):
    package = find_spec("dm_control")
    if package and package.submodule_search_locations:
        root = Path(package.submodule_search_locations[0])
        for name, (skin, model) in SKINS.items():
            yield name, from_mujoco(root / skin, root / model)
    elif (data / "dog.npz").exists():
        yield "dog", from_npz(data / "dog.npz")
    for path in [data / "Fox.glb", data / "RiggedFigure.glb", *more]:
        if path in more or path.exists():
            yield path.stem, from_npz(path) if path.suffix == ".npz" else autoweight.load(path)


def capped(weights: sparse.csr_array, most: int = 4) -> Weights:
    full = weights.toarray()
    np.put_along_axis(full, np.argsort(-full, axis=1, kind="stable")[:, most:], 0.0, axis=1)
    return Weights(sparse.csr_array(full / full.sum(axis=1, keepdims=True)))


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("rigs", nargs="*", type=Path, metavar="RIG")
    parser.add_argument("--data", type=Path, default=DATA)
    given = parser.parse_args()
    print(
        f"{'rig':<16}{'vertices':>9}{'joints':>7}", *(f"{name:>14}" for name in RECIPES), " ratio"
    )
    rows = []
    for name, rig in rigs(given.data, given.rigs):
        surface = prepare(rig.mesh)
        active = np.asarray(rig.weights.matrix.sum(axis=0)).ravel() > 0
        problem = Problem(surface, rig.skeleton, bones(rig.skeleton, active), active)
        row = []
        for recipe in RECIPES.values():
            weights = capped(scaled(sparse.csr_array(recipe(problem)))).matrix[surface.weld]
            apart = compare(rig, Weights(weights), surface=surface)
            row.append((apart.weights, 1000 * apart.deformation))
        rows.append(row)
        cells = (f"{weights:.3f} /{moved:6.2f}" for weights, moved in row)
        ratio = row[-1][0] / min(each[0] for each in row[: len(PLAIN)])
        print(f"{name:<16}{len(surface):>9}{active.sum():>7}", *cells, f"{ratio:6.2f}", flush=True)
    if not rows:
        raise SystemExit(f"{given.data}: no rigs there; name some, or install the extra 'bench'")
    means = np.mean(rows, axis=0)
    best = np.mean(np.min(np.array(rows)[:, : len(PLAIN)], axis=1), axis=0)
    cells = (f"{weights:.3f} /{moved:6.2f}" for weights, moved in means)
    print(f"{'mean':<32}", *cells)
    print(f"mean of the best plain recipe of each rig: {best[0]:.3f} /{best[1]:6.2f}")


if __name__ == "__main__":
    main()
