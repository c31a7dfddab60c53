"""Small rigs of every kind that files come in, each with something that others do not have."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path
from typing import Any

import numpy as np
from bodies import straight, tube
from gltf_files import FLOAT, SHORT, UBYTE, USHORT, File
from numpy.typing import NDArray

from autoweight.rig import Mesh

BONE = 1.0
BOX = np.array([(x, y, z) for x in (0, 1) for y in (0, 1) for z in (0, 1)], dtype=float) - 0.5
BOX_FACES = np.array(
    [
        (0, 1, 3), (0, 3, 2), (4, 6, 7), (4, 7, 5), (0, 4, 5), (0, 5, 1),
        (2, 3, 7), (2, 7, 6), (0, 2, 6), (0, 6, 4), (1, 5, 7), (1, 7, 3),
    ]
)  # fmt: skip


def limb(bones: int = 3, radius: float = 0.3, rings: int = 13, around: int = 6) -> Mesh:
    """A closed tube along x, from 0 to its number of bones."""
    return tube(straight, bones * BONE, radius, rings, around)[0]


def boxes(count: int) -> Mesh:
    """Closed boxes in a row along x, a bone each, that do not touch."""
    steps = [(each + 0.5, 0, 0) for each in range(count)]
    vertices = [0.8 * BOX * (1, 0.5, 0.5) + step for step in steps]
    faces = [BOX_FACES + 8 * each for each in range(count)]
    return Mesh(np.concatenate(vertices), np.concatenate(faces))


def sheet(bones: int = 3, per_bone: int = 4, across: int = 5) -> Mesh:
    """An open grid along x."""
    count = bones * per_bone + 1
    x, z = np.meshgrid(np.linspace(0, bones, count), np.linspace(-0.5, 0.5, across), indexing="ij")
    i, j = (each.ravel() for each in np.indices((count - 1, across - 1)))
    a = i * across + j
    faces = np.concatenate(
        [
            np.column_stack([a, a + 1, a + across]),
            np.column_stack([a + 1, a + across + 1, a + across]),
        ]
    )
    return Mesh(np.column_stack([x.ravel(), 0 * x.ravel(), z.ravel()]), faces)


def add_mesh(
    file: File,
    mesh: Mesh,
    name: str,
    *,
    indexed: bool = True,
    quantised: tuple[int, int, bool] | None = None,
    weights: NDArray[np.float64] | None = None,
    targets: int = 0,
) -> int:
    """A mesh, its number; `quantised` is component type, greatest value and whether normalised."""
    points, faces = mesh.vertices, mesh.faces
    if not indexed:
        points = points[faces.ravel()]
    if quantised is None:
        position = file.accessor(points.tolist(), FLOAT, "VEC3")
    else:
        component, top, normalized = quantised
        low = points.min(axis=0)
        whole = np.rint((points - low) / np.ptp(points, axis=0).max() * top).astype(int)
        bounds = {"min": whole.min(axis=0).tolist(), "max": whole.max(axis=0).tolist()}
        position = file.accessor(whole.tolist(), component, "VEC3", normalized=normalized, **bounds)
        used = ["KHR_mesh_quantization"]
        file.tree |= {"extensionsUsed": used, "extensionsRequired": used}
    primitive: dict[str, Any] = {"attributes": {"POSITION": position}}
    if indexed:
        primitive["indices"] = file.accessor(faces.ravel().tolist(), USHORT)
    if weights is not None:
        padded = np.pad(weights, ((0, 0), (0, 4)))
        most = np.argsort(-padded, axis=1, kind="stable")[:, :4]
        values = np.take_along_axis(padded, most, axis=1)
        most[values == 0] = 0
        primitive["attributes"] |= {
            "JOINTS_0": file.accessor(most.tolist(), UBYTE, "VEC4"),
            "WEIGHTS_0": file.accessor(values.tolist(), FLOAT, "VEC4"),
        }
    if targets:
        shift = np.sin(points) / 10
        primitive["targets"] = [
            {"POSITION": file.accessor((shift * each).tolist(), FLOAT, "VEC3")}
            for each in range(1, targets + 1)
        ]
    return file.add("meshes", name=name, primitives=[primitive])


def add_chain(file: File, names: Sequence[str], top: dict[str, Any] | None = None) -> list[int]:
    """Joints a bone apart along x as nodes, the first where `top` says."""
    first = len(file.tree.get("nodes", []))
    for number, name in enumerate(names):
        node: dict[str, Any] = {"name": name}
        if number:
            node["translation"] = [BONE, 0.0, 0.0]
        elif top:
            node |= top
        if number + 1 < len(names):
            node["children"] = [first + number + 1]
        file.add("nodes", **node)
    return list(range(first, first + len(names)))


def add_skin(
    file: File, joints: Sequence[int], where: Sequence[Sequence[float]], name: str = "skin"
) -> int:
    """A skin whose joints were bound at these places, with the axes of the scene."""
    matrices = [[1, 0, 0, 0, 0, 1, 0, 0, 0, 0, 1, 0, -x, -y, -z, 1] for x, y, z in where]
    return file.add(
        "skins",
        name=name,
        joints=list(joints),
        inverseBindMatrices=file.accessor(matrices, FLOAT, "MAT4"),
    )


def chain_file(mesh: Mesh, bones: int = 3, *, top: dict[str, Any] | None = None, **more) -> File:
    """One mesh and one chain of joints."""
    file = File()
    joints = add_chain(file, [f"joint_{number}" for number in range(bones)], top)
    skin = add_skin(file, joints, [(number * BONE, 0, 0) for number in range(bones)])
    number = add_mesh(file, mesh, "body", **more)
    body = file.add("nodes", name="body", mesh=number, skin=skin)
    file.add("scenes", nodes=[joints[0], body])
    return file


def rigid_pieces() -> File:
    return chain_file(boxes(4), 4)


def two_rigid_joints() -> File:
    """Each box has one joint alone, and no box is shared."""
    return chain_file(boxes(3), 3, weights=np.repeat(np.eye(3), 8, axis=0))


def single_vertices() -> File:
    """A body with parts that are one vertex each, and a vertex no face uses."""
    file = chain_file(limb())
    for place in ((0.5, 1, 0), (2.5, 1, 0)):
        position = file.accessor([place], FLOAT, "VEC3")
        indices = file.accessor([0, 0, 0], USHORT)
        attributes = {"POSITION": position}
        file.tree["meshes"][0]["primitives"].append({"attributes": attributes, "indices": indices})
    return file


def a_sheet() -> File:
    return chain_file(sheet())


def rope() -> File:
    """Bones shorter than it is thick, which only bands keep apart."""
    return chain_file(limb(7, 0.7, 22, 5), 7)


def fleshless() -> File:
    """Joints far from any skin: a root on the floor, a pole and a target."""
    file = chain_file(limb())
    extra = [
        file.add("nodes", name="pole", translation=[0.0, 9.0, 0.0]),
        file.add("nodes", name="target", translation=[0.0, -9.0, 0.0]),
    ]
    file.tree["nodes"][0]["children"] = [1, *extra]
    file.tree["skins"] = []
    where = [(0, 0, 0), (1, 0, 0), (2, 0, 0), (0, 9, 0), (0, -9, 0)]
    add_skin(file, [0, 1, 2, *extra], where)
    return file


def two_skins() -> File:
    """A body and boxes on one skeleton, the second skin with fewer joints."""
    file = chain_file(limb())
    skin = add_skin(file, [1, 2], [(1, 0, 0), (2, 0, 0)], "few")
    shell = Mesh(limb(radius=0.4).vertices, limb().faces)
    number = add_mesh(file, shell, "coat")
    file.tree["scenes"][0]["nodes"].append(file.add("nodes", name="coat", mesh=number, skin=skin))
    return file


def two_characters(*, same_names: bool = True, together: bool = False) -> File:
    """Two skeletons, side by side; with joints of the same names, or all below one node."""
    file = File()
    tops = []
    for number, (character, mesh) in enumerate((("newt", limb()), ("robot", boxes(3)))):
        prefix = "" if same_names else f"{character}_"
        joints = add_chain(file, [f"{prefix}joint_{each}" for each in range(3)])
        skin = add_skin(file, joints, [(each, 0, 0) for each in range(3)], character)
        mesh_number = add_mesh(file, mesh, f"{character}_skin")
        body = file.add("nodes", name=f"{character}_skin", mesh=mesh_number, skin=skin)
        tops.append(
            file.add(
                "nodes", name=character, children=[joints[0], body], translation=[0, 0, 3 * number]
            )
        )
    if together:
        tops = [file.add("nodes", name="crowd", children=tops)]
    file.add("scenes", nodes=tops)
    return file


def one_name_each() -> File:
    return two_characters(same_names=False, together=True)


def no_indices() -> File:
    return chain_file(limb(rings=7, around=5), indexed=False)


def _quantised(component: int, top: int, normalized: bool) -> File:
    """Positions as whole numbers; the bind matrices bring them back to size, as exporters do."""
    mesh = limb()
    file = chain_file(mesh, quantised=(component, top, normalized))
    low, size = mesh.vertices.min(axis=0), np.ptp(mesh.vertices, axis=0).max()
    scale = size if normalized else size / top
    matrices = []
    for joint in range(3):
        x, y, z = low - (joint, 0, 0)
        matrices.append([scale, 0, 0, 0, 0, scale, 0, 0, 0, 0, scale, 0, x, y, z, 1])
    number = file.accessor(matrices, FLOAT, "MAT4")
    file.tree["skins"][0]["inverseBindMatrices"] = number
    return file


def eight_bits() -> File:
    return _quantised(UBYTE, 255, normalized=True)


def sixteen_bits() -> File:
    return _quantised(SHORT, 32767, normalized=False)


def morph_targets() -> File:
    return chain_file(limb(), targets=2)


def negative_scale() -> File:
    """A skeleton mirrored by a scale, as one side of a mirrored character is."""
    file = chain_file(limb(), top={"scale": [-1.0, 1.0, 1.0]})
    matrices = []
    for joint in range(3):
        matrices.append([-1, 0, 0, 0, 0, 1, 0, 0, 0, 0, 1, 0, -joint, 0, 0, 1])
    file.tree["skins"][0]["inverseBindMatrices"] = file.accessor(matrices, FLOAT, "MAT4")
    return file


def several_scenes() -> File:
    """The default scene is the second; a node is in neither."""
    file = chain_file(limb())
    stage = file.add("meshes", **chain_mesh(file))
    floor = file.add("nodes", name="floor", mesh=stage)
    file.add("nodes", name="spare", mesh=stage)
    first = file.tree["scenes"].pop()
    file.add("scenes", nodes=[floor])
    file.tree["scenes"].append(first)
    file.tree["scene"] = 1
    return file


def names_alike() -> File:
    """Two joints of one name and one without any, and a part whose name is a pattern."""
    file = chain_file(limb())
    for number, name in enumerate(("bone", "bone", "", 'Körper [1] *"')):
        file.tree["nodes"][number]["name"] = name
    del file.tree["nodes"][2]["name"]
    return file


def eight_influences() -> File:
    """Weights in two sets of four."""
    mesh = limb(10, rings=31)
    file = chain_file(mesh, 10)
    near = np.exp(-((mesh.vertices[:, :1] - np.arange(10)) ** 2) / 4)
    most = np.argsort(-near, axis=1)[:, :8]
    values = np.take_along_axis(near, most, axis=1)
    values /= values.sum(axis=1, keepdims=True)
    for number in (0, 1):
        four = slice(4 * number, 4 * number + 4)
        file.tree["meshes"][0]["primitives"][0]["attributes"] |= {
            f"JOINTS_{number}": file.accessor(most[:, four].tolist(), UBYTE, "VEC4"),
            f"WEIGHTS_{number}": file.accessor(values[:, four].tolist(), FLOAT, "VEC4"),
        }
    return file


def interleaved() -> File:
    """Places, joints and weights of 16 bits in one view, vertex after vertex."""
    mesh = limb()
    file = chain_file(mesh)
    kinds = {"POSITION": ("<f4", 3), "JOINTS_0": ("u1", 4), "WEIGHTS_0": ("<u2", 4)}
    rows = np.zeros(len(mesh.vertices), [(name, *kind) for name, kind in kinds.items()])
    rows["POSITION"], rows["JOINTS_0"] = mesh.vertices, [0, 1, 2, 0]
    share = np.clip(1.5 - np.abs(mesh.vertices[:, :1] - np.arange(3) - 0.5), 0.01, 1)
    whole = np.rint(65535 * share / share.sum(axis=1, keepdims=True)).astype(int)
    whole[:, 0] += 65535 - whole.sum(axis=1)
    rows["WEIGHTS_0"][:, :3] = whole
    view = file.view(rows.tobytes(), byteStride=rows.itemsize, target=34962)
    formats = {
        "POSITION": (FLOAT, "VEC3"),
        "JOINTS_0": (UBYTE, "VEC4"),
        "WEIGHTS_0": (USHORT, "VEC4"),
    }
    bounds = {"min": rows["POSITION"].min(axis=0), "max": rows["POSITION"].max(axis=0)}
    more = {
        "POSITION": {name: value.tolist() for name, value in bounds.items()},
        "WEIGHTS_0": {"normalized": True},
    }
    for name, (component, kind) in formats.items():
        file.tree["meshes"][0]["primitives"][0]["attributes"][name] = file.add(
            "accessors",
            bufferView=view,
            byteOffset=rows.dtype.fields[name][1],
            componentType=component,
            count=len(rows),
            type=kind,
            **more.get(name, {}),
        )
    return file


def points_and_lines() -> File:
    """Points before the triangles, lines and a fan after them, in one mesh."""
    file = chain_file(limb())
    primitives = file.tree["meshes"][0]["primitives"]
    attributes = primitives[0]["attributes"]
    fan = file.accessor([(0, 0, 1), (1, 0, 1), (1, 1, 1), (0, 1, 1)], FLOAT, "VEC3")
    primitives.insert(0, {"attributes": dict(attributes), "mode": 0})
    lines = file.accessor([0, 1, 2, 3], USHORT)
    primitives.append({"attributes": dict(attributes), "indices": lines, "mode": 1})
    primitives.append({"attributes": {"POSITION": fan}, "mode": 6})
    return file


def chain_mesh(file: File) -> dict[str, Any]:
    """A mesh without a skin."""
    position = file.accessor([(0, -1, 0), (3, -1, 0), (3, -1, 3)], FLOAT, "VEC3")
    return {"name": "floor", "primitives": [{"attributes": {"POSITION": position}}]}


KINDS = (
    rigid_pieces,
    two_rigid_joints,
    single_vertices,
    a_sheet,
    rope,
    fleshless,
    two_skins,
    two_characters,
    one_name_each,
    no_indices,
    eight_bits,
    sixteen_bits,
    morph_targets,
    negative_scale,
    several_scenes,
    names_alike,
    eight_influences,
    interleaved,
    points_and_lines,
)
"""Functions of no argument that put a glTF file together."""

SKELETON = """
    def SkelRoot "{character}"
    {{
        def Skeleton "Skel" (prepend apiSchemas = ["SkelBindingAPI"])
        {{
            uniform token[] joints = ["joint_0", "joint_0/joint_1", "joint_0/joint_1/joint_2"]
            uniform matrix4d[] bindTransforms = [{bind}]
            uniform matrix4d[] restTransforms = [{rest}]
        }}

        def Mesh "{character}Skin" (prepend apiSchemas = ["SkelBindingAPI"])
        {{
            point3f[] points = [{points}]
            int[] faceVertexCounts = [{sides}]
            int[] faceVertexIndices = [{corners}]
            rel skel:skeleton = </Scene/{character}/Skel>
        }}
    }}
"""


def usd_scene(path: Path, characters: Sequence[tuple[str, Mesh]]) -> Path:
    """A stage of several skeletons, written as text."""

    def placed(x: float) -> str:
        return f"((1, 0, 0, 0), (0, 1, 0, 0), (0, 0, 1, 0), ({x}, 0, 0, 1))"

    bodies = [
        SKELETON.format(
            character=character,
            bind=", ".join(map(placed, (0, 1, 2))),
            rest=", ".join(map(placed, (0, 1, 1))),
            points=", ".join(str(tuple(each)) for each in mesh.vertices.tolist()),
            sides=", ".join(["3"] * len(mesh.faces)),
            corners=", ".join(map(str, mesh.faces.ravel().tolist())),
        )
        for character, mesh in characters
    ]
    path.write_text(
        '#usda 1.0\n(defaultPrim = "Scene"\n upAxis = "Y"\n metersPerUnit = 1)\n\n'
        'def Xform "Scene"\n{\n' + "\n".join(bodies) + "}\n"
    )
    return path


def usd_files(folder: Path) -> list[Path]:
    """One character in OpenUSD, and two."""
    return [
        usd_scene(folder / "one.usda", [("Newt", limb())]),
        usd_scene(folder / "two.usda", [("Newt", limb()), ("Robot", boxes(3))]),
    ]
