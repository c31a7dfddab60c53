"""How near the default comes to artists' weights, pack by pack, beside three plain recipes.

    python benchmarks/artists.py [--data DIR] [--choose] [--all-methods] [RIG...]

takes the packs of open rigs in a folder, the animals and the garment that the package dm_control
carries (extra `bench`), and any weighted `.glb`, `.gltf` or `.npz` beside them: those of one folder
are a pack. One hand has one taste, so what counts is the mean over packs.

Each rig is weighted twice: with the joints skipped that have no weight in the file, and as the file
comes. All methods have the same joints and bones; 4 influences at most. Printed are the mean L1 of
the weights / the deformation error in thousandths of the diagonal, as
`autoweight.weights.comparing` defines them, and the best of the plain recipes, rig by rig.

`--choose` tries other values for the constants of the default and picks, for each pack, the one
that is best on the other packs: what the choice is worth on a pack that it was not made on.

An `.npz` has V (n, 3), F (m, 3), joint_names, joint_parents (-1 for a root), joint_heads (j, 3),
and the weights as W_row, W_col, W_val.
"""

import argparse
import struct
import xml.etree.ElementTree as ElementTree
from concurrent.futures import ProcessPoolExecutor
from dataclasses import replace
from importlib import import_module
from importlib.util import find_spec
from multiprocessing import get_context
from pathlib import Path

import numpy as np
from scipy import sparse

import autoweight
from autoweight.methods import Problem
from autoweight.methods.equilibrium import equilibrium
from autoweight.recipes.recipe import Recipe, literal
from autoweight.rig import Mesh, Rig, Skeleton, Weights
from autoweight.rows import scaled
from autoweight.skeleton.bones import bones, closest, distances, frames
from autoweight.skeleton.roles import without_flesh
from autoweight.stages.planning import plan, roles
from autoweight.stages.solving import solve
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


PLAIN = {
    "heat c=1": plain_heat,
    "nearest": autoweight.methods.find("nearest"),
    "inverse": autoweight.methods.find("inverse"),
}
DEFAULT = "auto"
OURS = ("heat", "bands", "volume", DEFAULT)

PACKS = {
    "dinosaurs": "apatosaurus parasaurolophus stegosaurus trex triceratops velociraptor",
    "people": "beach casual farmer king punk swat witch worker",
    "sea": "whale shark dolphin koi puffer bluetang fish1",
    "machines": "enemy enemy_2legs enemy_large enemy_flying tank lever",
    "beasts": "spider frog snake character soldier",
}
REFERENCE = "Fox", "RiggedFigure"

CONSTANTS = {
    "autoweight.methods.heat.PULL": (5.0, 8.0),
    "autoweight.methods.heat.FALL": (8, 12),
    "autoweight.methods.heat.CRISP": (1.15, 1.3, 1.5),
    "autoweight.methods.stretches.BEYOND": (1.0, 1.2),
    "autoweight.skeleton.bones.INWARD": (0.35, 0.45, 0.6),
    "autoweight.skeleton.bones.APART": (0.0, 0.5),
    "autoweight.skeleton.roles.OUTSIDE": (0.01, 0.02),
}
"""Other values tried by `--choose`; one constant at a time is another than the default's."""


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


BEHIND = 1.05
"""Times the L1 of the best plain recipe from which a rig is marked as behind."""


def packs(data: Path, more: list[Path]) -> dict[str, dict[str, Path | tuple[Path, Path]]]:
    """Files of the rigs of each pack, by name."""
    found: dict[str, dict[str, Path | tuple[Path, Path]]] = {}
    for pack, names in PACKS.items():
        files = {name: data / "rigs" / f"{name}.glb" for name in names.split()}
        found[pack] = {name: path for name, path in files.items() if path.exists()}
    files = {name: data / f"{name}.glb" for name in REFERENCE}
    found["reference"] = {name: path for name, path in files.items() if path.exists()}
    package = find_spec("dm_control")
    if package and package.submodule_search_locations:
        root = Path(package.submodule_search_locations[0])
        found["dm_control"] = {
            name: (root / skin, root / model) for name, (skin, model) in SKINS.items()
        }
    elif (data / "dog.npz").exists():
        found["dm_control"] = {"dog": data / "dog.npz"}
    for path in more:
        found.setdefault(path.resolve().parent.name, {})[path.stem] = path
    return {pack: files for pack, files in found.items() if files}


def read(source: Path | tuple[Path, Path]) -> Rig:
    if isinstance(source, tuple):
        return from_mujoco(*source)
    return from_npz(source) if source.suffix == ".npz" else autoweight.load(source)


def capped(weights: sparse.csr_array, most: int = 4) -> Weights:
    full = weights.toarray()
    np.put_along_axis(full, np.argsort(-full, axis=1, kind="stable")[:, most:], 0.0, axis=1)
    return Weights(sparse.csr_array(full / full.sum(axis=1, keepdims=True)))


def measured(task: tuple) -> list[tuple[float, float]]:
    """L1 and deformation of some methods on one rig, skipped and then as it comes."""
    source, methods, changed = task
    usual = {name: constant(name) for name in changed}
    try:
        for name, value in changed.items():
            constant(name, value)
        return _measured(read(source), methods)
    finally:
        for name, value in usual.items():
            constant(name, value)


def constant(name: str, *value: float) -> float:
    """A constant of a module, after it was set to a value, if one is given."""
    module, _, called = name.rpartition(".")
    for each in value:
        setattr(import_module(module), called, each)
    return getattr(import_module(module), called)


def _measured(rig: Rig, methods: tuple[str, ...]) -> list[tuple[float, float]]:
    surface = prepare(rig.mesh)
    bare = replace(rig, weights=None, attributes={})
    found = []
    for skip in (tuple(map(literal, rig.unused_joints)), ()):
        sight = Sight(surface)
        idle = roles(rig.skeleton, sight)
        active = plan(Recipe(skip=skip), bare, idle).active
        skeleton = without_flesh(rig.skeleton, idle, np.zeros(len(active), dtype=bool))
        frame = frames(skeleton, sight.depth)
        limbs = bones(skeleton, active, frame)
        problem = Problem(surface, skeleton, limbs, active, frames=frame, sight=sight)
        for method in methods:
            if method in PLAIN:
                rows = scaled(sparse.csr_array(PLAIN[method](problem)))[surface.weld]
            else:
                rows = solve(bare, Recipe(method=method, skip=skip), surface=surface).matrix
            apart = compare(rig, capped(rows), surface=surface)
            found.append((apart.weights, 1000 * apart.deformation))
    return found


def scores(
    pool: ProcessPoolExecutor, groups: dict, methods: tuple[str, ...], changed: dict | None = None
) -> dict:
    """For each rig of each pack (2, methods, 2): skipped and as it comes, L1 and deformation."""
    tasks = [
        (source, methods, changed or {}) for files in groups.values() for source in files.values()
    ]
    results = iter(np.reshape(each, (2, len(methods), 2)) for each in pool.map(measured, tasks))
    return {pack: {name: next(results) for name in files} for pack, files in groups.items()}


def cell(pair) -> str:
    return f"{pair[0]:.3f} / {pair[1]:5.2f}"


def row(name: str, *cells: str) -> None:
    print(f"| {name:<16} |", " | ".join(cells), "|", flush=True)


def report(pool: ProcessPoolExecutor, groups: dict, every: bool) -> None:
    methods = (*PLAIN, *(OURS if every else (DEFAULT,)))
    found = scores(pool, groups, methods)
    shown = methods[len(PLAIN) :]
    heads = [f"{method}, {how}" for method in shown for how in ("skipped", "as it comes")]
    row("", "best plain, skipped", "as it comes", *heads)
    row("---", *["---"] * (2 + len(heads)))
    means = {}
    for pack, rigs in found.items():
        lines = []
        for name, scored in rigs.items():
            best = np.stack([each[each[: len(PLAIN), 0].argmin()] for each in scored])
            ours = [scored[how, len(PLAIN) + at] for at in range(len(shown)) for how in (0, 1)]
            lines.append([*best, *ours])
            late = any(ours[how - 2][0] > BEHIND * best[how, 0] for how in (0, 1))
            row(f"{name}{' (behind)' * late}", *map(cell, lines[-1]))
        means[pack] = np.mean(lines, axis=0)
        row(f"**{pack}**", *map(cell, means[pack]))
    five = [means[pack] for pack in PACKS if pack in means]
    if five:
        row("**five packs**", *map(cell, np.mean(five, axis=0)))
    row("**all packs**", *map(cell, np.mean(list(means.values()), axis=0)))


def choose(pool: ProcessPoolExecutor, groups: dict) -> None:
    """What each pack gets if a constant is chosen on the others."""
    tried: dict[str, dict] = {"as it is": {}}
    for name, values in CONSTANTS.items():
        others = [value for value in values if value != constant(name)]
        tried |= {f"{name.rpartition('.')[2]} {value:.3g}": {name: value} for value in others}
    means = {}
    for name, changed in tried.items():
        found = scores(pool, groups, (DEFAULT,), changed)
        means[name] = np.array([np.mean([*rigs.values()], axis=0)[:, 0] for rigs in found.values()])
        row(name, *map(cell, means[name].mean(axis=0)))
    left = []
    for number, pack in enumerate(groups):
        rest = {each: np.delete(means[each], number, axis=0)[..., 0].mean() for each in means}
        best = min(rest, key=rest.__getitem__)
        left.append(means[best][number])
        row(f"{pack}, left out", *map(cell, left[-1]), best)
    row("mean, left out", *map(cell, np.mean(left, axis=0)))


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("rigs", nargs="*", type=Path, metavar="RIG")
    parser.add_argument("--data", type=Path, default=DATA)
    parser.add_argument("--choose", action="store_true", help="constants, leaving a pack out")
    parser.add_argument("--all-methods", action="store_true", help="bands, volume and heat too")
    given = parser.parse_args()
    groups = packs(given.data, given.rigs)
    if not groups:
        raise SystemExit(f"{given.data}: no rigs there; name some, or install the extra 'bench'")
    with ProcessPoolExecutor(mp_context=get_context("spawn")) as pool:
        report(pool, groups, given.all_methods)
        if given.choose:
            judged = {pack: files for pack, files in groups.items() if pack in PACKS}
            choose(pool, judged or groups)


if __name__ == "__main__":
    main()
