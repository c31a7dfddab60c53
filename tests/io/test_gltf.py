"""glTF files: what is read, what is written, what comes back untouched.

Rules and formulas are those of the glTF 2.0 specification (Khronos) unless another source is
named. The file is also read by two programs that are not ours: the Khronos validator and three.js.
"""

import json
import struct
from dataclasses import replace

import numpy as np
import pytest
from gltf_files import (
    BYTE,
    FACES,
    FLOAT,
    INVERSE_BIND,
    JOINTS,
    POSITIONS,
    SHORT,
    UBYTE,
    UINT,
    UPPER,
    USHORT,
    WEIGHTS,
    binary_of,
    strip,
    tree_of,
)
from hypothesis import given, settings
from hypothesis import strategies as st

import autoweight
from autoweight.errors import AutoweightError, FileError, GeometryError, SkeletonError, WeightsError
from autoweight.io import gltf, load, load_clips, load_weights, save
from autoweight.io.gltf import accessors
from autoweight.pose.clip import world
from autoweight.pose.skinning import carried, linear_blend
from autoweight.recipes.recipe import Recipe
from autoweight.rig import Mesh, Part, Skeleton, Weights

BY_QUARTERS = np.column_stack([1 - np.array(UPPER), UPPER])


def even(rig):
    """Other weights than any file here has."""
    share = np.full(rig.mesh.vertices.shape[:1] + (len(rig.skeleton),), 1 / len(rig.skeleton))
    return replace(rig, weights=Weights(share))


def moved(x=0.0, y=0.0, z=0.0, scale=1.0):
    matrix = np.diag([scale, scale, scale, 1.0])
    matrix[:3, 3] = x, y, z
    return matrix


def columns(matrix):
    return np.asarray(matrix).T.ravel().tolist()


# --- reading --------------------------------------------------------------------------------------


@pytest.mark.parametrize("kind", ["glb", "embedded", "side"])
def test_tutorial_strip(tmp_path, kind):
    file = strip()
    if kind == "glb":
        path = file.glb(tmp_path / "strip.glb")
    else:
        side = "side data.bin" if kind == "side" else None
        path = file.gltf(tmp_path / "strip.gltf", side)
    rig = load(path)
    np.testing.assert_array_equal(rig.mesh.vertices, POSITIONS)
    np.testing.assert_array_equal(rig.mesh.faces.ravel(), FACES)
    np.testing.assert_array_equal(rig.weights.dense(), BY_QUARTERS)
    assert rig.skeleton.names == ("lower", "upper")
    assert rig.skeleton.parents.tolist() == [-1, 0]
    np.testing.assert_array_equal(rig.skeleton.positions, [(0.5, 1, 0)] * 2)
    assert [part.name for part in rig.mesh.parts] == ["strip"]


@pytest.mark.parametrize("joints", [UBYTE, USHORT])
@pytest.mark.parametrize("weights", [UBYTE, USHORT, FLOAT])
@pytest.mark.parametrize("indices", [UBYTE, USHORT, UINT])
def test_component_types(tmp_path, joints, weights, indices):
    file = strip(weights=False)
    primitive = file.tree["meshes"][0]["primitives"][0]
    top = {UBYTE: 255, USHORT: 65535, FLOAT: 1}[weights]
    values = [[round(each * top) if top > 1 else each for each in row] for row in WEIGHTS]
    primitive["indices"] = file.accessor(FACES, indices)
    primitive["attributes"]["JOINTS_0"] = file.accessor(JOINTS, joints, "VEC4")
    primitive["attributes"]["WEIGHTS_0"] = file.accessor(
        values, weights, "VEC4", normalized=top > 1
    )
    rig = load(file.glb(tmp_path / "strip.glb"))
    np.testing.assert_array_equal(rig.mesh.faces.ravel(), FACES)
    np.testing.assert_allclose(rig.weights.dense(), BY_QUARTERS, atol=0.6 / top if top > 1 else 0)


@pytest.mark.parametrize(
    ("component", "top"), [(BYTE, 127), (SHORT, 32767), (UBYTE, 255), (USHORT, 65535)]
)
@pytest.mark.parametrize("normalized", [True, False])
def test_quantised_positions(tmp_path, component, top, normalized):
    file = strip()
    whole = [[round(each * 2) for each in row] for row in POSITIONS]
    attributes = file.tree["meshes"][0]["primitives"][0]["attributes"]
    attributes["POSITION"] = file.accessor(whole, component, "VEC3", normalized=normalized)
    file.tree["extensionsUsed"] = file.tree["extensionsRequired"] = ["KHR_mesh_quantization"]
    rig = load(file.glb(tmp_path / "strip.glb"))
    scale = top if normalized else 1
    np.testing.assert_allclose(rig.mesh.vertices, np.array(whole) / scale, rtol=1e-15)


def test_interleaved(tmp_path):
    file = strip(weights=False)
    rows = [
        struct.pack("<3f4B4f", *position, *joint, *weight)
        for position, joint, weight in zip(POSITIONS, JOINTS, WEIGHTS, strict=True)
    ]
    view = file.view(b"".join(rows), byteStride=32)
    shared = {"bufferView": view, "count": 10}
    file.tree["meshes"][0]["primitives"][0]["attributes"] = {
        "POSITION": file.add("accessors", componentType=FLOAT, type="VEC3", **shared),
        "JOINTS_0": file.add(
            "accessors", componentType=UBYTE, type="VEC4", byteOffset=12, **shared
        ),
        "WEIGHTS_0": file.add(
            "accessors", componentType=FLOAT, type="VEC4", byteOffset=16, **shared
        ),
    }
    rig = load(file.glb(tmp_path / "strip.glb"))
    np.testing.assert_array_equal(rig.mesh.vertices, POSITIONS)
    np.testing.assert_array_equal(rig.weights.dense(), BY_QUARTERS)


@pytest.mark.parametrize("base", [True, False])
def test_sparse_accessor(tmp_path, base):
    file = strip()
    number = file.tree["meshes"][0]["primitives"][0]["attributes"]["POSITION"]
    accessor = file.tree["accessors"][number]
    if not base:
        del accessor["bufferView"]
    accessor["sparse"] = {
        "count": 2,
        "indices": {"bufferView": file.view(struct.pack("<2H", 3, 9)), "componentType": USHORT},
        "values": {"bufferView": file.view(struct.pack("<6f", 7, 7, 7, 8, 8, 8))},
    }
    expected = np.array(POSITIONS) if base else np.zeros((10, 3))
    expected[[3, 9]] = [[7], [8]]
    rig = load(file.glb(tmp_path / "strip.glb"))
    np.testing.assert_array_equal(rig.mesh.vertices, expected)


def test_matrix_columns_begin_at_four_bytes(tmp_path):
    # The specification's example of a MAT3 of bytes, section 3.6.2.4: three bytes, one of padding.
    file = strip()
    view = file.view(struct.pack("<12B", 1, 2, 3, 0, 4, 5, 6, 0, 7, 8, 9, 0))
    number = file.add("accessors", bufferView=view, componentType=UBYTE, count=1, type="MAT3")
    source = load(file.glb(tmp_path / "strip.glb")).document.source
    np.testing.assert_array_equal(
        accessors.read(source, number), [[[1, 4, 7], [2, 5, 8], [3, 6, 9]]]
    )


@pytest.mark.parametrize(
    ("mode", "expected"),
    [
        (4, [(0, 1, 2)]),
        (5, [(0, 1, 2), (1, 3, 2), (2, 3, 4)]),
        (6, [(1, 2, 0), (2, 3, 0), (3, 4, 0)]),
    ],
)
def test_topology(tmp_path, mode, expected):
    # Section 3.7.2.1: strips p_i = {v_i, v_(i+1+i%2), v_(i+2-i%2)}, fans {v_(i+1), v_(i+2), v_0}.
    file = strip()
    primitive = file.tree["meshes"][0]["primitives"][0]
    primitive |= {"mode": mode, "indices": file.accessor(range(5), USHORT)}
    rig = load(file.glb(tmp_path / "strip.glb"))
    assert [tuple(face) for face in rig.mesh.faces.tolist()] == expected


def test_no_index_buffer_and_points_are_no_mesh(tmp_path):
    file = strip()
    primitives = file.tree["meshes"][0]["primitives"]
    del primitives[0]["indices"]
    primitives.append(primitives[0] | {"mode": 0})
    rig = load(file.glb(tmp_path / "strip.glb"))
    assert rig.mesh.faces.tolist() == [[0, 1, 2], [3, 4, 5], [6, 7, 8]]
    assert len(rig.mesh.parts) == 1


def test_several_sets_of_weights(tmp_path):
    file = strip()
    attributes = file.tree["meshes"][0]["primitives"][0]["attributes"]
    halves = [tuple(each / 2 for each in row) for row in WEIGHTS]
    attributes["WEIGHTS_0"] = file.accessor(halves, FLOAT, "VEC4")
    attributes["JOINTS_1"] = file.accessor([(0, 0, 1, 0)] * 10, UBYTE, "VEC4")
    attributes["WEIGHTS_1"] = file.accessor([(0, 0, 0.5, 0)] * 10, FLOAT, "VEC4")
    rig = load(file.glb(tmp_path / "strip.glb"))
    np.testing.assert_array_equal(rig.weights.dense(), BY_QUARTERS / 2 + [0, 0.5])


def test_joints_are_reordered_and_written_back_in_the_order_of_the_file(tmp_path):
    file = strip()
    file.tree["skins"][0]["joints"] = [2, 1]  # the child first
    rig = load(file.glb(tmp_path / "strip.glb"))
    assert rig.skeleton.names == ("lower", "upper")
    np.testing.assert_array_equal(rig.weights.dense(), BY_QUARTERS[:, ::-1])
    save(rig, tmp_path / "out.glb")
    again = load(tmp_path / "out.glb")
    assert tree_of(tmp_path / "out.glb")["skins"] == file.tree["skins"]
    np.testing.assert_array_equal(again.weights.dense(), rig.weights.dense())


def test_parents_skip_nodes_that_are_not_joints(tmp_path):
    file = strip()
    file.tree["nodes"][1]["children"] = [3]
    file.add("nodes", name="between", children=[2], translation=[0, 0.5, 0])
    rig = load(file.glb(tmp_path / "strip.glb"))
    assert rig.skeleton.parents.tolist() == [-1, 0]


def test_nodes_without_names(tmp_path):
    file = strip()
    for node in file.tree["nodes"]:
        del node["name"]
    assert load(file.glb(tmp_path / "strip.glb")).skeleton.names == ("node_1", "node_2")


def test_the_transform_of_a_skinned_node_plays_no_part(tmp_path):
    file = strip()
    file.tree["nodes"][0]["translation"] = [5, 6, 7]
    rig = load(file.glb(tmp_path / "strip.glb"))
    np.testing.assert_array_equal(rig.mesh.vertices, POSITIONS)


def test_bind_space_with_a_scaled_hierarchy(tmp_path):
    # Modelled in centimetres under a node that makes metres of them: joints and vertices agree.
    file = strip()
    hundredfold = [tuple(100 * each for each in row) for row in POSITIONS]
    attributes = file.tree["meshes"][0]["primitives"][0]["attributes"]
    attributes["POSITION"] = file.accessor(hundredfold, FLOAT, "VEC3")
    inverse = np.linalg.inv(moved(50, 100))
    matrices = [columns(moved(scale=0.01) @ inverse)] * 2
    file.tree["skins"][0]["inverseBindMatrices"] = file.accessor(matrices, FLOAT, "MAT4")
    rig = load(file.glb(tmp_path / "strip.glb"))
    np.testing.assert_allclose(rig.skeleton.positions, [(50, 100, 0)] * 2, rtol=1e-6)
    assert rig.mesh.vertices.max() == 200


def test_broken_weights_are_kept_raw(tmp_path):
    file = strip()
    attributes = file.tree["meshes"][0]["primitives"][0]["attributes"]
    broken = [(-0.5, 1.5, 0.0, 0.0), (0.0,) * 4, *WEIGHTS[2:]]
    attributes["WEIGHTS_0"] = file.accessor(broken, FLOAT, "VEC4")
    attributes["JOINTS_0"] = file.accessor([(0, 1, 0, 0)] * 10, UBYTE, "VEC4")
    rig = load(file.glb(tmp_path / "strip.glb"))
    assert rig.weights is None
    np.testing.assert_array_equal(rig.document.raw_weights.toarray()[0], [-0.5, 1.5])
    assert rig.document.raw_weights[[1]].nnz == 0


def test_weights_that_miss_one_are_normalised(tmp_path):
    file = strip()
    attributes = file.tree["meshes"][0]["primitives"][0]["attributes"]
    doubled = [tuple(2 * each for each in row) for row in WEIGHTS]
    attributes["WEIGHTS_0"] = file.accessor(doubled, FLOAT, "VEC4")
    rig = load(file.glb(tmp_path / "strip.glb"))
    np.testing.assert_array_equal(rig.weights.dense(), BY_QUARTERS)
    np.testing.assert_array_equal(rig.document.raw_weights.toarray(), 2 * BY_QUARTERS)


# --- a mesh with joints but no skin ---------------------------------------------------------------


def unbound(tmp_path, **nodes):
    file = strip(weights=False, skin=False)
    for number, more in nodes.items():
        file.tree["nodes"][int(number.removeprefix("node"))] |= more
    return file.glb(tmp_path / "unbound.glb")


def test_root_names_the_hierarchy(tmp_path):
    path = unbound(tmp_path, node0={"translation": [0, 3, 0], "scale": [2, 2, 2]})
    rig = load(path, root="lower")
    assert rig.skeleton.names == ("lower", "upper")
    np.testing.assert_array_equal(rig.skeleton.positions, [(0.5, 1, 0)] * 2)
    np.testing.assert_allclose(rig.mesh.vertices, 2 * np.array(POSITIONS) + [0, 3, 0])
    assert rig.weights is None


def test_the_first_skin_leaves_the_mesh_where_it_is(tmp_path, validate):
    path = unbound(tmp_path, node0={"translation": [0, 3, 0], "scale": [2, 2, 2]})
    rig = even(load(path, root="lower"))
    save(rig, tmp_path / "out.glb")
    again = load(tmp_path / "out.glb")
    # In the scene a vertex is at sum w_j G_j B_j v; the mesh node's own transform has no say now.
    nodes = again.document.hierarchy.world[list(again.document.joint_nodes)]
    drawn = linear_blend(again.mesh.vertices, again.weights.matrix, carried(again.skeleton, nodes))
    np.testing.assert_allclose(drawn, rig.mesh.vertices, atol=1e-6)
    assert [each for each in validate(tmp_path / "out.glb") if each[0] == 0] == []


def test_without_root_the_error_names_a_candidate(tmp_path):
    with pytest.raises(SkeletonError, match=r"unbound\.glb: has no skin.*--root, such as 'lower'"):
        load(unbound(tmp_path))


def test_unknown_root(tmp_path):
    with pytest.raises(SkeletonError, match="has no node 'lowr'; did you mean 'lower'"):
        load(unbound(tmp_path), root="lowr")


def test_root_for_a_file_with_a_skin(tmp_path):
    path = strip().glb(tmp_path / "strip.glb")
    assert load(path, root="upper").weights is not None
    with pytest.raises(FileError, match="leave out --root"):
        load(path, root="strip")


def test_one_mesh_shown_twice_gets_weights_of_its_own(tmp_path, validate):
    file = strip(weights=False, skin=False)
    file.add("nodes", name="other", mesh=0, translation=[3, 0, 0])
    file.tree["scenes"][0]["nodes"].append(3)
    rig = load(file.glb(tmp_path / "twice.glb"), root="lower")
    assert [part.name for part in rig.mesh.parts] == ["strip", "other"]
    np.testing.assert_array_equal(rig.mesh.vertices[10:], rig.mesh.vertices[:10] + [3, 0, 0])
    share = np.repeat([(1.0, 0.0), (0.0, 1.0)], 10, axis=0)
    save(replace(rig, weights=Weights(share)), tmp_path / "out.glb")
    again = load(tmp_path / "out.glb")
    np.testing.assert_array_equal(again.weights.dense(), share)
    np.testing.assert_allclose(again.mesh.vertices, rig.mesh.vertices, atol=1e-6)
    assert [each for each in validate(tmp_path / "out.glb") if each[0] == 0] == []
    save(again, tmp_path / "more.glb")
    assert (tmp_path / "more.glb").read_bytes() == (tmp_path / "out.glb").read_bytes()


def test_lights_and_cameras_below_the_root_are_no_joints(tmp_path):
    file = strip(weights=False, skin=False)
    file.tree["nodes"][2]["children"] = [3, 4, 5]
    file.add("nodes", name="lamp", extensions={"KHR_lights_punctual": {"light": 0}})
    file.add("nodes", name="eye", camera=0)
    file.add("nodes", name="tip")
    rig = load(file.glb(tmp_path / "strip.glb"), root="lower")
    assert rig.skeleton.names == ("lower", "upper", "tip")


def test_a_mesh_that_another_skin_shows_is_left_to_it(tmp_path):
    file = strip()
    file.add("skins", joints=[1, 2])
    file.add("nodes", name="other", mesh=0, skin=1)
    file.add("nodes", name="same", mesh=0, skin=0)
    path = file.glb(tmp_path / "two.glb")
    save(even(load(path, parts=["strip"])), tmp_path / "out.glb")
    tree = tree_of(tmp_path / "out.glb")
    assert tree["meshes"][0] == tree_of(path)["meshes"][0]
    assert [node.get("mesh") for node in tree["nodes"]] == [1, None, None, 0, 1]


def test_points_and_lines_get_weights_with_the_first_skin(tmp_path, validate):
    file = strip(weights=False, skin=False)
    (primitive,) = file.tree["meshes"][0]["primitives"]
    dots = {"POSITION": file.accessor([(0, 0, 0), (1, 2, 0)], FLOAT, "VEC3")}
    file.tree["meshes"][0]["primitives"] += [
        {"attributes": dots, "mode": 0},
        {"attributes": primitive["attributes"], "mode": 3},
    ]
    rig = load(file.glb(tmp_path / "dots.glb"), root="lower")
    assert [part.name for part in rig.mesh.parts] == ["strip/0"]
    assert rig.mesh.vertices.shape == (12, 3)
    share = autoweight.solve(rig, Recipe(method="nearest"))
    save(replace(rig, weights=share), tmp_path / "out.glb")
    assert [each for each in validate(tmp_path / "out.glb") if each[0] == 0] == []
    assert load(tmp_path / "out.glb").mesh.vertices.shape == (10, 3)


def test_a_skin_without_matrices_or_weights_is_bound_where_its_nodes_are(tmp_path):
    file = strip(weights=False)
    del file.tree["skins"][0]["inverseBindMatrices"]
    rig = load(file.glb(tmp_path / "strip.glb"))
    np.testing.assert_array_equal(rig.skeleton.positions, [(0.5, 1, 0)] * 2)
    save(even(rig), tmp_path / "out.glb")
    source = load(tmp_path / "out.glb").document.source
    (skin,) = source.tree.skins
    np.testing.assert_array_equal(
        accessors.read(source, skin.inverse_bind_matrices), [np.reshape(INVERSE_BIND, (4, 4)).T] * 2
    )


def test_joints_from_a_skeleton_file(tmp_path, validate):
    file = strip(weights=False, skin=False)
    joints = [
        {"name": "a", "position": [0, 0, 0]},
        {"name": "b", "position": [0, 1, 0], "parent": "a"},
        {"name": "c", "position": [1, 1, 0]},
    ]
    (tmp_path / "joints.json").write_text(json.dumps({"joints": joints}))
    rig = load(file.glb(tmp_path / "strip.glb"), skeleton=tmp_path / "joints.json")
    assert rig.skeleton.names == ("a", "b", "c")
    save(even(rig), tmp_path / "out.glb")
    again = load(tmp_path / "out.glb")
    np.testing.assert_allclose(again.skeleton.rest, rig.skeleton.rest)
    assert tree_of(tmp_path / "out.glb")["nodes"][1:3] == file.tree["nodes"][1:3]
    assert [each for each in validate(tmp_path / "out.glb") if each[0] == 0] == []


# --- several skins --------------------------------------------------------------------------------


def two_skins(second, *, joints=(1, 2)):
    """The strip twice; the second skin has inverse bind matrices of its own."""
    file = strip()
    file.add("meshes", name="again", primitives=file.tree["meshes"][0]["primitives"])
    matrices = file.accessor([columns(each) for each in second], FLOAT, "MAT4")
    file.add("skins", joints=list(joints), inverseBindMatrices=matrices)
    file.add("nodes", name="again", mesh=1, skin=1)
    file.tree["scenes"][0]["nodes"].append(3)
    return file


def test_skins_that_differ_by_a_space_are_brought_together(tmp_path):
    bind = np.reshape(INVERSE_BIND, (4, 4)).T
    space = moved(3, 0, 0, scale=2)
    rig = load(two_skins([bind @ space] * 2).glb(tmp_path / "two.glb"))
    assert rig.skeleton.names == ("lower", "upper")
    np.testing.assert_allclose(
        rig.mesh.vertices[10:], 2 * rig.mesh.vertices[:10] + [3, 0, 0], atol=1e-6
    )


def test_skins_bound_in_different_poses(tmp_path):
    bind = np.reshape(INVERSE_BIND, (4, 4)).T
    path = two_skins([bind, bind @ moved(1)]).glb(tmp_path / "two.glb")
    with pytest.raises(SkeletonError, match=r"bind joint 'upper' in different poses.*--part"):
        load(path)
    assert len(load(path, parts=["again"]).mesh.vertices) == 10


def test_skins_that_share_no_joint_stand_as_in_the_scene(tmp_path):
    file = two_skins([np.linalg.inv(moved(0.5, 2))], joints=[4])
    file.tree["nodes"][2]["children"] = [4]
    file.add("nodes", name="tip", translation=[0, 1, 0])
    weights = file.accessor([(1.0, 0, 0, 0)] * 10, FLOAT, "VEC4")
    joints = file.accessor([(0, 0, 0, 0)] * 10, UBYTE, "VEC4")
    attributes = file.tree["meshes"][0]["primitives"][0]["attributes"]
    file.tree["meshes"][1]["primitives"] = [
        {"attributes": attributes | {"JOINTS_0": joints, "WEIGHTS_0": weights}}
    ]
    rig = load(file.glb(tmp_path / "two.glb"))
    assert rig.skeleton.names == ("lower", "upper", "tip")
    np.testing.assert_allclose(rig.skeleton.positions[2], (0.5, 2, 0))
    np.testing.assert_allclose(rig.mesh.vertices[10:], rig.mesh.vertices[:10], atol=1e-7)


def test_a_skin_takes_in_joints_of_another(tmp_path, validate):
    bind = np.reshape(INVERSE_BIND, (4, 4)).T
    file = two_skins([bind @ moved(3)], joints=[2])
    weights = file.accessor([(1.0, 0, 0, 0)] * 10, FLOAT, "VEC4")
    joints = file.accessor([(0, 0, 0, 0)] * 10, UBYTE, "VEC4")
    attributes = file.tree["meshes"][0]["primitives"][0]["attributes"]
    file.tree["meshes"][1]["primitives"] = [
        {"attributes": attributes | {"JOINTS_0": joints, "WEIGHTS_0": weights}}
    ]
    rig = even(load(file.glb(tmp_path / "two.glb")))
    save(rig, tmp_path / "out.glb")
    again = load(tmp_path / "out.glb")
    assert tree_of(tmp_path / "out.glb")["skins"][1]["joints"] == [2, 1]
    np.testing.assert_allclose(again.weights.dense(), 0.5)
    np.testing.assert_allclose(again.mesh.vertices, rig.mesh.vertices, atol=1e-6)
    assert [each for each in validate(tmp_path / "out.glb") if each[0] == 0] == []


# --- parts ----------------------------------------------------------------------------------------


def two_materials():
    """One mesh of two primitives that share their vertices."""
    file = strip()
    (primitive,) = file.tree["meshes"][0]["primitives"]
    file.tree["materials"] = [{"name": "cloth"}, {}]
    file.tree["meshes"][0]["primitives"] = [
        primitive | {"indices": file.accessor(FACES[:12], USHORT), "material": 0},
        primitive | {"indices": file.accessor(FACES[12:], USHORT), "material": 1},
    ]
    return file


def test_primitives_that_share_vertices(tmp_path):
    rig = load(two_materials().glb(tmp_path / "two.glb"))
    cloth, other = rig.mesh.parts
    assert (cloth.name, other.name) == ("strip/cloth", "strip/1")
    assert cloth.vertices == other.vertices == slice(0, 10)
    assert (cloth.faces, other.faces) == (slice(0, 4), slice(4, 8))
    save(even(rig), tmp_path / "out.glb")
    first, second = tree_of(tmp_path / "out.glb")["meshes"][0]["primitives"]
    assert first["attributes"] == second["attributes"]


def test_only_the_parts_asked_for_change(tmp_path):
    bind = np.reshape(INVERSE_BIND, (4, 4)).T
    path = two_skins([bind, bind]).glb(tmp_path / "two.glb")
    rig = load(path, parts=["aga*"])
    assert [part.name for part in rig.mesh.parts] == ["again"]
    save(even(rig), tmp_path / "out.glb")
    np.testing.assert_array_equal(
        load(tmp_path / "out.glb").weights.dense(), np.vstack([BY_QUARTERS, np.full((10, 2), 0.5)])
    )
    assert tree_of(tmp_path / "out.glb")["meshes"][0] == tree_of(path)["meshes"][0]


def test_unknown_part(tmp_path):
    with pytest.raises(FileError, match="has no part 'strap'; did you mean 'strip'"):
        load(strip().glb(tmp_path / "strip.glb"), parts=["strap"])


def test_a_first_skin_is_for_a_whole_mesh(tmp_path):
    file = two_materials()
    del file.tree["nodes"][0]["skin"]
    path = file.glb(tmp_path / "two.glb")
    with pytest.raises(FileError, match="--part 'strip'"):
        load(path, root="lower", parts=["strip/cloth"])
    assert len(load(path, root="lower", parts=["strip"]).mesh.parts) == 2


# --- writing --------------------------------------------------------------------------------------


def rich():
    """A file with a bit of everything that must come back as it was."""
    file = strip()
    attributes = file.tree["meshes"][0]["primitives"][0]["attributes"]
    attributes["TEXCOORD_0"] = file.accessor([(x, y) for x, y, _ in POSITIONS], FLOAT, "VEC2")
    file.tree["meshes"][0]["primitives"][0] |= {
        "material": 0,
        "targets": [{"POSITION": file.accessor(POSITIONS, FLOAT, "VEC3")}],
    }
    file.tree["meshes"][0] |= {"weights": [0.25], "extras": {"targetNames": ["grün"]}}
    picture = file.view(b"\x89PNG\r\n\x1a\n12345")  # not a multiple of 4 bytes
    times = file.accessor([0.0, 0.5, 1.0], FLOAT, min=[0], max=[1])
    turns = file.accessor([(0, 0, 0, 1), (0, 0, 0.6, 0.8), (0, 0, 0, 1)], FLOAT, "VEC4")
    file.tree |= {
        "animations": [
            {
                "name": "wave",
                "channels": [{"sampler": 0, "target": {"node": 2, "path": "rotation"}}],
                "samplers": [{"input": times, "output": turns}],
            }
        ],
        "cameras": [{"type": "perspective", "perspective": {"yfov": 0.8, "znear": 0.1}}],
        "images": [{"bufferView": picture, "mimeType": "image/png"}],
        "textures": [{"source": 0}],
        "materials": [{"name": "glas", "extensions": {"VENDOR_x": {"deep": [1, {"er": None}]}}}],
        "extensionsUsed": ["VENDOR_x"],
        "extras": {"big": 12345678901234567890, "small": 1e-300, "text": "ß\n"},
    }
    file.add("nodes", name="camera", camera=0, extras=[True])
    file.tree["scenes"][0]["nodes"].append(3)
    return file


def without_weights(tree, binary):
    """A file's JSON with every accessor replaced by what is in it, but for weights."""
    tree = json.loads(json.dumps(tree))

    def content(number):
        accessor = tree["accessors"][number]
        view = tree["bufferViews"][accessor["bufferView"]]
        start = view["byteOffset"]
        return [
            {key: value for key, value in accessor.items() if key not in ("bufferView",)},
            binary[start : start + view["byteLength"]].hex(),
        ]

    for mesh in tree["meshes"]:
        for primitive in mesh["primitives"]:
            primitive["attributes"] = {
                name: content(number)
                for name, number in primitive["attributes"].items()
                if not name.startswith(("JOINTS", "WEIGHTS"))
            }
            primitive["indices"] = content(primitive["indices"])
            primitive["targets"] = [
                {name: content(number) for name, number in target.items()}
                for target in primitive["targets"]
            ]
    for image in tree["images"]:
        view = tree["bufferViews"][image.pop("bufferView")]
        image["bytes"] = binary[view["byteOffset"] :][: view["byteLength"]].hex()
    for animation in tree["animations"]:
        for sampler in animation["samplers"]:
            sampler |= {key: content(sampler[key]) for key in ("input", "output")}
    for skin in tree["skins"]:
        skin["inverseBindMatrices"] = content(skin["inverseBindMatrices"])
    for kind in ("accessors", "bufferViews", "buffers"):
        tree.pop(kind, None)
    return tree


@pytest.mark.parametrize("bits", [32, 16, 8])
def test_everything_but_weights_comes_back(tmp_path, bits, validate):
    path = rich().glb(tmp_path / "rich.glb")
    save(even(load(path)), tmp_path / "out.glb", bits=bits)
    before = without_weights(tree_of(path), binary_of(path))
    after = without_weights(tree_of(tmp_path / "out.glb"), binary_of(tmp_path / "out.glb"))
    assert after == before
    assert binary_of(tmp_path / "out.glb").startswith(binary_of(path))
    own = {each for each in validate(tmp_path / "out.glb") if each[0] == 0}
    assert own <= set(validate(path))  # the picture and the extension are not real


def test_text_file_keeps_its_buffers(tmp_path):
    path = rich().gltf(tmp_path / "rich.gltf", "rich.bin")
    side = (tmp_path / "rich.bin").read_bytes()
    save(even(load(path)), tmp_path / "out.gltf")
    assert (tmp_path / "rich.bin").read_bytes() == side
    assert tree_of(tmp_path / "out.gltf")["buffers"][0] == tree_of(path)["buffers"][0]
    np.testing.assert_array_equal(load(tmp_path / "out.gltf").weights.dense(), 0.5)


@pytest.mark.parametrize("side", [None, "rich.bin"])
def test_text_file_to_binary_file_and_back(tmp_path, side):
    rig = load(rich().gltf(tmp_path / "rich.gltf", side))
    save(rig, tmp_path / "one.glb")
    save(load(tmp_path / "one.glb"), tmp_path / "two.gltf")
    save(load(tmp_path / "two.gltf"), tmp_path / "three.glb")
    assert (tmp_path / "three.glb").read_bytes() == (tmp_path / "one.glb").read_bytes()
    (buffer,) = tree_of(tmp_path / "one.glb")["buffers"]
    assert "uri" not in buffer
    before = without_weights(rich().tree, bytes(rich().bytes))
    after = without_weights(tree_of(tmp_path / "one.glb"), binary_of(tmp_path / "one.glb"))
    assert after == before


def test_two_data_uris_become_one_chunk(tmp_path):
    file = rich()
    path = file.gltf(tmp_path / "rich.gltf")
    tree = tree_of(path)
    tree["buffers"].append({"byteLength": 5, "uri": "data:application/gltf-buffer;base64,AQIDBAU="})
    tree["bufferViews"].append({"buffer": 1, "byteLength": 5})
    tree["images"].append({"bufferView": len(tree["bufferViews"]) - 1, "mimeType": "image/png"})
    path.write_text(json.dumps(tree))
    save(load(path), tmp_path / "out.glb")
    view = tree_of(tmp_path / "out.glb")["bufferViews"][-1]
    assert view["buffer"] == 0
    assert binary_of(tmp_path / "out.glb")[view["byteOffset"] :][:5] == bytes([1, 2, 3, 4, 5])


def test_further_chunks_come_back(tmp_path):
    path = strip().glb(tmp_path / "strip.glb")
    content = path.read_bytes()
    more = struct.pack("<I4s", 8, b"MORE") + b"whatever"
    path.write_bytes(
        content[:8] + struct.pack("<I", len(content) + len(more)) + content[12:] + more
    )
    save(even(load(path)), tmp_path / "out.glb")
    assert (tmp_path / "out.glb").read_bytes().endswith(more)
    np.testing.assert_array_equal(load(tmp_path / "out.glb").weights.dense(), 0.5)


def test_a_byte_order_mark_and_a_stride_of_0_are_let_pass(tmp_path):
    file = strip()
    file.tree["bufferViews"][0]["byteStride"] = 0
    file.add("meshes", primitives=[])
    path = file.gltf(tmp_path / "strip.gltf")
    path.write_bytes(b"\xef\xbb\xbf" + path.read_bytes())
    rig = load(path)
    np.testing.assert_array_equal(rig.mesh.vertices, POSITIONS)
    save(rig, tmp_path / "out.gltf")
    assert tree_of(tmp_path / "out.gltf")["meshes"] == file.tree["meshes"]


@pytest.mark.parametrize("suffix", ["glb", "gltf"])
@pytest.mark.parametrize("bits", [32, 16, 8])
def test_written_again_it_is_the_same(tmp_path, suffix, bits):
    rig = load(rich().glb(tmp_path / "rich.glb"))
    values = np.random.default_rng(1).dirichlet(np.ones(2), 10)
    first, second = tmp_path / f"first.{suffix}", tmp_path / f"second.{suffix}"
    save(replace(rig, weights=Weights(values)), first, bits=bits)
    save(load(first), second, bits=bits)
    assert second.read_bytes() == first.read_bytes()


def test_weighting_again_and_again_does_not_grow_the_file(tmp_path):
    path = tmp_path / "out.glb"
    save(load(rich().glb(tmp_path / "rich.glb")), path, bits=8)
    first = path.read_bytes()
    for bits in (32, 16, 32, 8):
        save(load(path), path, bits=bits, force=True)
    assert path.read_bytes() == first


def test_an_accessor_that_something_else_uses_is_left_alone(tmp_path):
    file = strip()
    attributes = file.tree["meshes"][0]["primitives"][0]["attributes"]
    file.tree["extensionsUsed"] = ["VENDOR_x"]
    file.tree["nodes"][2]["extensions"] = {"VENDOR_x": {"copy": attributes["WEIGHTS_0"]}}
    old = file.tree["accessors"][attributes["WEIGHTS_0"]].copy()
    path = file.glb(tmp_path / "strip.glb")
    save(even(load(path)), tmp_path / "out.glb")
    tree = tree_of(tmp_path / "out.glb")
    assert tree["accessors"][attributes["WEIGHTS_0"]] == old
    assert tree["bufferViews"][old["bufferView"]] == file.tree["bufferViews"][old["bufferView"]]


def test_fewer_sets_leave_nothing_behind(tmp_path, validate):
    names = tuple(f"joint {number}" for number in range(9))
    rest = np.tile(np.eye(4), (9, 1, 1))
    skeleton = Skeleton(names, np.arange(9) - 1, rest)
    rig = gltf.made(Mesh(POSITIONS, np.reshape(FACES, (-1, 3))), skeleton)
    wide = replace(rig, weights=Weights(np.random.default_rng(2).dirichlet(np.ones(9), 10)))
    narrow = replace(rig, weights=Weights(np.tile(np.eye(9)[4], (10, 1))))
    save(wide, tmp_path / "wide.glb")
    attributes = tree_of(tmp_path / "wide.glb")["meshes"][0]["primitives"][0]["attributes"]
    assert {"JOINTS_2", "WEIGHTS_2"} < set(attributes)
    assert validate(tmp_path / "wide.glb") == []
    again = load(tmp_path / "wide.glb")
    np.testing.assert_allclose(again.weights.dense(), wide.weights.dense(), atol=1e-7)
    save(replace(again, weights=narrow.weights), tmp_path / "narrow.glb")
    save(narrow, tmp_path / "direct.glb")
    assert (tmp_path / "narrow.glb").read_bytes() == (tmp_path / "direct.glb").read_bytes()


def test_more_than_256_joints(tmp_path, validate):
    count = 300
    rest = np.tile(np.eye(4), (count, 1, 1))
    rest[:, 0, 3] = np.arange(count)
    skeleton = Skeleton(tuple(f"j{i}" for i in range(count)), np.arange(count) - 1, rest)
    rig = gltf.made(Mesh(POSITIONS, np.reshape(FACES, (-1, 3))), skeleton)
    share = np.zeros((10, count))
    share[:, 299] = 1
    save(replace(rig, weights=Weights(share)), tmp_path / "out.glb", bits=8)
    np.testing.assert_array_equal(load(tmp_path / "out.glb").weights.dense(), share)
    assert validate(tmp_path / "out.glb") == []


@settings(max_examples=40)
@given(
    seed=st.integers(0, 2**32 - 1),
    joints=st.integers(1, 13),
    bits=st.sampled_from([32, 16, 8]),
    sharpness=st.sampled_from([0.02, 0.3, 5.0]),
)
def test_any_weights_come_back(tmp_path_factory, seed, joints, bits, sharpness):
    path = tmp_path_factory.mktemp("any") / "out.glb"
    rng = np.random.default_rng(seed)
    values = rng.dirichlet(np.full(joints, sharpness), 10)
    rest = np.tile(np.eye(4), (joints, 1, 1))
    skeleton = Skeleton(tuple(f"j{i}" for i in range(joints)), np.arange(joints) - 1, rest)
    rig = gltf.made(Mesh(POSITIONS, np.reshape(FACES, (-1, 3))), skeleton)
    save(replace(rig, weights=Weights(values)), path, bits=bits)
    again = load(path)
    step = {32: 2.0**-24, 16: 1 / 65535, 8: 1 / 255}[bits]
    assert np.abs(again.document.raw_weights.toarray() - values).max() < step

    source = again.document.source
    attributes = source.tree.meshes[0].primitives[0].attributes
    sets = range(len(attributes) // 2)
    stored = np.hstack([accessors.read(source, attributes[f"WEIGHTS_{each}"]) for each in sets])
    chosen = np.hstack([accessors.read(source, attributes[f"JOINTS_{each}"]) for each in sets])
    assert (chosen[stored == 0] == 0).all()
    assert (np.diff(stored.astype(np.float64), axis=1) <= 0).all()  # the heaviest first
    if bits == 32:
        total = np.zeros(10, np.float32)
        for column in stored.T:  # the validator's own sum
            total += column
        assert (np.abs(1 - total) <= 2e-7 * np.count_nonzero(stored, axis=1)).all()
    else:
        assert (stored.astype(int).sum(axis=1) == 2**bits - 1).all()
    for row, column in zip(stored, chosen, strict=True):
        assert len(set(column[row > 0])) == (row > 0).sum()


def test_custom_values(tmp_path, validate):
    rng = np.random.default_rng(3)
    values = {
        "_LOCK": rng.random(10).astype(np.float32),
        "_SIDE": rng.integers(0, 200, 10).astype(np.uint8),
        "_PAIR": rng.integers(0, 60000, (10, 3)).astype(np.uint16),
        "_DONE": rng.random(10) < 0.5,
    }
    rig = load(rich().glb(tmp_path / "rich.glb"))
    save(replace(rig, attributes=values), tmp_path / "out.glb")
    again = load(tmp_path / "out.glb")
    assert set(again.attributes) == set(values)
    for name, wanted in values.items():
        np.testing.assert_array_equal(again.attributes[name], wanted)
        assert again.attributes[name].dtype == (np.uint8 if wanted.dtype == bool else wanted.dtype)
    own = {each for each in validate(tmp_path / "out.glb") if each[0] == 0}
    assert own <= set(validate(tmp_path / "rich.glb"))
    save(again, tmp_path / "more.glb")
    assert (tmp_path / "more.glb").read_bytes() == (tmp_path / "out.glb").read_bytes()
    changed = dict(again.attributes) | {"_LOCK": values["_LOCK"] / 2}
    save(replace(again, attributes=changed), tmp_path / "less.glb")
    np.testing.assert_array_equal(
        load(tmp_path / "less.glb").attributes["_LOCK"], values["_LOCK"] / 2
    )


@pytest.mark.parametrize(("name", "width"), [("LOCK", 1), ("_LOCK", 5)])
def test_custom_values_that_do_not_fit(tmp_path, name, width):
    rig = load(strip().glb(tmp_path / "strip.glb"))
    with pytest.raises(WeightsError, match="attribute"):
        save(replace(rig, attributes={name: np.zeros((10, width))}), tmp_path / "out.glb")
    assert not (tmp_path / "out.glb").exists()


def test_the_file_itself_needs_force(tmp_path):
    path = strip().glb(tmp_path / "strip.glb")
    before = path.read_bytes()
    (tmp_path / "link.glb").symlink_to(path)
    for target in (path, tmp_path / "link.glb"):
        with pytest.raises(FileError, match=r"is the file the rig was read from.*--force"):
            save(even(load(path)), target)
    assert path.read_bytes() == before
    save(even(load(path)), tmp_path / "link.glb", force=True)
    np.testing.assert_array_equal(load(path).weights.dense(), 0.5)


def test_weights_that_did_not_change_stay_as_they_are(tmp_path):
    file = strip()
    attributes = file.tree["meshes"][0]["primitives"][0]["attributes"]
    eighths = [[round(255 * each) for each in row] for row in WEIGHTS]
    attributes["WEIGHTS_0"] = file.accessor(eighths, UBYTE, "VEC4", normalized=True)
    path = file.glb(tmp_path / "strip.glb")
    save(load(path), tmp_path / "out.glb")
    assert tree_of(tmp_path / "out.glb") == tree_of(path)
    assert binary_of(tmp_path / "out.glb") == binary_of(path)
    save(load(path), tmp_path / "out.glb", bits=16)
    assert tree_of(tmp_path / "out.glb") != tree_of(path)


def test_a_rig_without_weights(tmp_path):
    path = strip(weights=False).glb(tmp_path / "strip.glb")
    save(load(path), tmp_path / "out.glb")
    assert tree_of(tmp_path / "out.glb") == tree_of(path)


# --- a file from nothing --------------------------------------------------------------------------


def test_made_from_nothing(tmp_path, validate):
    turned = np.array([[0.0, -2, 0, 1], [1, 0, 0, 2], [0, 0, -1, 3], [0, 0, 0, 1]])
    sheared = np.eye(4)
    sheared[0, 1] = 0.7
    skeleton = Skeleton(
        ("a", "b", "c", "d"), [-1, 0, 0, -1], [moved(1, 2, 3), turned, sheared, moved(0, 5)]
    )
    vertices = np.array(POSITIONS + POSITIONS)
    faces = np.reshape(FACES, (-1, 3))
    parts = (
        Part("one", slice(0, 10), slice(0, 8)),
        Part("two", slice(10, 20), slice(8, 12)),
        Part("three", slice(10, 20), slice(12, 16)),
    )
    rig = gltf.made(
        Mesh(vertices, np.vstack([faces, faces + 10]), parts),
        skeleton,
        normals=np.tile([0.0, 0, 1], (20, 1)),
        uvs=vertices[:, :2] / 2,
        material={"name": "skin"},
    )
    np.testing.assert_allclose(rig.skeleton.rest, skeleton.rest, atol=1e-6)
    np.testing.assert_array_equal(rig.mesh.vertices, vertices)
    np.testing.assert_array_equal(rig.mesh.faces, np.vstack([faces, faces + 10]))
    assert [part.vertices for part in rig.mesh.parts] == [part.vertices for part in parts]
    save(even(rig), tmp_path / "out.glb")
    again = load(tmp_path / "out.glb")
    nodes = again.document.hierarchy.world[list(again.document.joint_nodes)]
    np.testing.assert_allclose(nodes, skeleton.rest, atol=1e-6)
    problems = [each for each in validate(tmp_path / "out.glb") if each[0] < 2]
    assert problems == []


# --- other readers --------------------------------------------------------------------------------


@pytest.mark.parametrize("bits", [32, 8])
def test_three_js_puts_the_vertices_where_linear_blend_does(tmp_path, run_node, bits):
    file = rich()
    del file.tree["images"], file.tree["textures"]
    file.tree["meshes"][0]["weights"] = [0]
    # A scene that turns and scales the whole, so that bind space is not scene space.
    file.add(
        "nodes", name="up", children=[1], rotation=[0.5, -0.5, 0.5, 0.5], scale=[0.1, 0.1, 0.1]
    )
    file.tree["scenes"][0]["nodes"] = [0, 4]
    values = np.random.default_rng(5).dirichlet(np.ones(2), 10)
    rig = replace(load(file.glb(tmp_path / "rich.glb")), weights=Weights(values))
    save(rig, tmp_path / "out.glb", bits=bits)
    again = load(tmp_path / "out.glb")

    (clip,) = load_clips(again)
    np.testing.assert_array_equal(clip.times, [0, 0.5, 1])
    frames = carried(again.skeleton, world(again.skeleton, clip.local))
    posed = linear_blend(again.mesh.vertices, again.weights.matrix, frames)
    to_scene = again.document.hierarchy.world[1] @ np.linalg.inv(again.skeleton.rest[0])
    for frame, time in enumerate((0.0, 0.5)):
        (theirs,) = run_node("pose.mjs", tmp_path / "out.glb", time)
        ours = posed[frame] @ to_scene[:3, :3].T + to_scene[:3, 3]
        np.testing.assert_allclose(np.reshape(theirs, (-1, 3)), ours, atol=1e-6)
    assert np.abs(posed[1] - posed[0]).max() > 0.5


# --- broken files ---------------------------------------------------------------------------------


def _set(*keys, value):
    def change(file):
        place = file.tree
        for key in keys[:-1]:
            place = place[key]
        place[keys[-1]] = value

    return change


@pytest.mark.parametrize(
    ("change", "error", "message"),
    [
        (_set("accessors", 0, "count", value=11), FileError, "accessor 0 reaches outside"),
        (_set("accessors", 0, "count", value=-1), FileError, r"\$.accessors\[0\].count"),
        (_set("accessors", 0, "count", value="x"), FileError, r"\$.accessors\[0\].count"),
        (_set("accessors", 0, "componentType", value=5124), FileError, "component type 5124"),
        (_set("accessors", 0, "type", value="VEC2"), FileError, "not VEC3"),
        (_set("accessors", 0, "bufferView", value=99), FileError, "refers to bufferView 99"),
        (_set("bufferViews", 0, "byteOffset", value=9999), FileError, "reaches outside"),
        (_set("bufferViews", 0, "byteStride", value=4), FileError, "elements overlap"),
        (_set("bufferViews", 0, "buffer", value=1), FileError, "refers to buffer 1"),
        (_set("nodes", 0, "mesh", value=4), FileError, "refers to mesh 4"),
        (_set("nodes", 0, "skin", value=4), FileError, "refers to skin 4"),
        (_set("nodes", 1, "children", value=[7]), FileError, "refers to node 7"),
        (_set("nodes", 1, "children", value=[1]), SkeletonError, "its own ancestor"),
        (_set("nodes", 2, "children", value=[1]), SkeletonError, "its own ancestor"),
        (_set("nodes", 0, "children", value=[2]), SkeletonError, "'upper' has two parents"),
        (_set("skins", 0, "joints", value=[]), SkeletonError, "has no joints"),
        (_set("skins", 0, "joints", value=[1, 9]), FileError, "node 9 as a joint"),
        (_set("skins", 0, "joints", value=[1]), FileError, "weights for joint 1 of 1"),
        (_set("skins", 0, "joints", value=[1, 2, 0]), FileError, "3 joints but inverse bind"),
        (_set("skins", value=[]), FileError, "refers to skin 0"),
        (_set("meshes", value=[]), FileError, "refers to mesh 0"),
        (_set("nodes", value=[]), FileError, "has no mesh"),
        (_set("asset", "version", value="1.0"), FileError, "is glTF 1.0"),
        (_set("asset", value={}), FileError, "version"),
    ],
)
def test_broken_json(tmp_path, change, error, message):
    file = strip()
    change(file)
    path = file.glb(tmp_path / "bad.glb")
    with pytest.raises(error, match=message) as caught:
        load(path)
    assert str(caught.value).startswith(f"{path}: ")


def test_broken_arrays(tmp_path):
    file = strip()
    primitive = file.tree["meshes"][0]["primitives"][0]
    primitive["indices"] = file.accessor([0, 1, 10], USHORT)
    with pytest.raises(GeometryError, match=r"bad\.glb: part 'strip' .*vertex 10 of 10"):
        load(file.glb(tmp_path / "bad.glb"))
    file = strip()
    nan = [(np.nan, 0.0, 0.0), *POSITIONS[1:]]
    file.tree["meshes"][0]["primitives"][0]["attributes"]["POSITION"] = file.accessor(
        nan, FLOAT, "VEC3"
    )
    del file.tree["accessors"][-1]["min"], file.tree["accessors"][-1]["max"]
    with pytest.raises(GeometryError, match=r"bad\.glb: 1 vertex positions are not finite"):
        load(file.glb(tmp_path / "bad.glb"))
    file = strip()
    singular = file.accessor([INVERSE_BIND, [0] * 16], FLOAT, "MAT4")
    file.tree["skins"][0]["inverseBindMatrices"] = singular
    with pytest.raises(SkeletonError, match="'upper' is not finite or is singular"):
        load(file.glb(tmp_path / "bad.glb"))


def test_truncated_at_every_length(tmp_path):
    content = strip().glb(tmp_path / "strip.glb").read_bytes()
    path = tmp_path / "cut.glb"
    for length in (0, 3, 4, 11, 12, 19, 20, 25, 200, len(content) - 300, len(content) - 1):
        path.write_bytes(content[:length])
        with pytest.raises(FileError, match=r"cut\.glb: "):
            load(path)


@settings(max_examples=150)
@given(st.data())
def test_a_flipped_byte_is_an_error_or_a_rig(tmp_path_factory, data):
    path = tmp_path_factory.mktemp("flip") / "flip.glb"
    content = bytearray(strip().glb(path).read_bytes())
    content[data.draw(st.integers(0, len(content) - 1))] = data.draw(st.integers(0, 255))
    path.write_bytes(content)
    try:
        load(path)
    except AutoweightError as error:
        assert str(error).startswith(f"{path}")


@pytest.mark.parametrize(
    ("uri", "message"),
    [
        ("data:text/plain,hello", "not base64"),
        ("data:application/octet-stream;base64,A", "damaged"),
        ("https://example.org/a.bin", "fetch it"),
        ("missing.bin", r"missing\.bin: cannot read"),
        ("data:application/octet-stream;base64,AAAA", "truncated: buffer 0"),
    ],
)
def test_broken_buffers(tmp_path, uri, message):
    path = strip().gltf(tmp_path / "strip.gltf")
    tree = tree_of(path)
    tree["buffers"][0]["uri"] = uri
    path.write_text(json.dumps(tree))
    with pytest.raises(FileError, match=message):
        load(path)


def test_an_unknown_suffix(tmp_path):
    with pytest.raises(FileError, match=r"cannot read '\.txt'"):
        load(tmp_path / "rig.txt")


@pytest.mark.parametrize(
    ("component", "kind", "message"),
    [(FLOAT, "VEC4", "JOINTS_0 that are no whole numbers"), (UBYTE, "VEC3", "that is not VEC4")],
)
def test_joints_of_a_wrong_type(tmp_path, component, kind, message):
    file = strip()
    width = int(kind[-1])
    attributes = file.tree["meshes"][0]["primitives"][0]["attributes"]
    attributes["JOINTS_0"] = file.accessor([(0,) * width] * 10, component, kind)
    with pytest.raises(FileError, match=message):
        load(file.glb(tmp_path / "strip.glb"))


def test_positions_whose_squares_overflow(tmp_path):
    file = strip()
    attributes = file.tree["meshes"][0]["primitives"][0]["attributes"]
    attributes["POSITION"] = file.accessor([(1e30, 0, 0), *POSITIONS[1:]], FLOAT, "VEC3")
    with pytest.raises(GeometryError, match=r"1 vertex positions are beyond 1e\+18"):
        load(file.glb(tmp_path / "strip.glb"))


def test_text_that_is_not_utf8_in_a_place_nobody_reads(tmp_path):
    file = strip()
    file.tree["extras"] = {"note": "MARK"}
    path = file.glb(tmp_path / "strip.glb")
    path.write_bytes(path.read_bytes().replace(b"MARK", b"\xff\xfe\xff\xfe"))
    with pytest.raises(FileError, match=r"is not valid glTF 2\.0"):
        load(path)


def test_joints_of_one_name_are_told_apart(tmp_path):
    """Names of nodes need not be unique (Khronos, glTF 2.0, section 3.3)."""
    file = strip()
    file.tree["nodes"][2]["name"] = "lower"
    rig = load(file.glb(tmp_path / "rig.glb"))
    assert rig.skeleton.names == ("lower", "lower#2")
    save(rig, tmp_path / "table.csv")
    weights = load_weights(tmp_path / "table.csv", rig)
    save(replace(rig, weights=weights), tmp_path / "again.glb")
    again = load(tmp_path / "again.glb")
    np.testing.assert_array_equal(again.weights.dense(), rig.weights.dense())
    assert [node["name"] for node in tree_of(tmp_path / "again.glb")["nodes"]][1:] == ["lower"] * 2


def test_json_that_is_nested_too_deep(tmp_path):
    file = strip()
    path = file.gltf(tmp_path / "deep.gltf")
    path.write_text(path.read_text()[:-1] + ', "extras": ' + "[" * 100_000 + "]" * 100_000 + "}")
    with pytest.raises(FileError, match="nested too deep"):
        load(path)
