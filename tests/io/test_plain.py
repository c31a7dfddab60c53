"""OBJ and PLY meshes with joints in a JSON file."""

import json
import struct
from dataclasses import replace

import numpy as np
import pytest

import autoweight
from autoweight.errors import FileError, GeometryError, SkeletonError
from autoweight.io import joints, load, save
from autoweight.recipes.recipe import Recipe

PLATE = [(0, 0, 0), (1, 0, 0), (1, 1, 0), (0, 1, 0), (0, 2, 0), (1, 2, 0), (0.5, 2.5, 0)]
HEADER = (
    "ply\nformat {} 1.0\nelement vertex 7\nproperty float x\nproperty float y\nproperty float z\n"
    "element face {}\nproperty list uchar int vertex_indices\nend_header\n"
)
SKELETON = {
    "joints": [
        {"name": "b", "parent": "a", "matrix": np.eye(4).tolist()},
        {"name": "a", "position": [0.5, 0, 0]},
    ]
}


@pytest.fixture
def skeleton(tmp_path):
    path = tmp_path / "joints.json"
    path.write_text(json.dumps(SKELETON))
    return path


def surface(faces):
    """Every triangle of a flat mesh by its corners' sum, and its area: how it is cut is free."""
    points = np.array(PLATE)[np.asarray(faces)]
    return (
        np.abs(np.cross(points[:, 1] - points[:, 0], points[:, 2] - points[:, 0])[:, 2]).sum() / 2
    )


def test_obj_keeps_the_order_of_its_vertices(tmp_path, skeleton):
    lines = [f"v {x} {y} {z}" for x, y, z in PLATE]
    # A quad, a pentagon whose corners have several texture coordinates, relative numbers.
    lines += ["vt 0 0", "vt 1 1", "vn 0 0 1", "usemtl none", "f 1/1/1 2/2/1 3/1/1 4/2/1"]
    lines += ["o two", "f 4/2 3/2 6/1 7/1 5/1", "f -1 -2 -3"]
    (tmp_path / "plate.obj").write_text("\n".join(lines))
    rig = load(tmp_path / "plate.obj", skeleton=skeleton)
    np.testing.assert_array_equal(rig.mesh.vertices, PLATE)
    assert rig.mesh.faces.shape == (6, 3)
    assert surface(rig.mesh.faces) == pytest.approx(1 + 1.25 + 0.25)
    assert rig.skeleton.names == ("a", "b")
    assert rig.skeleton.parents.tolist() == [-1, 0]


def test_ply_ascii_with_quads(tmp_path, skeleton):
    rows = [" ".join(map(str, each)) for each in PLATE] + ["4 0 1 2 3", "3 3 2 4"]
    (tmp_path / "plate.ply").write_text(HEADER.format("ascii", 2) + "\n".join(rows) + "\n")
    rig = load(tmp_path / "plate.ply", skeleton=skeleton)
    np.testing.assert_array_equal(rig.mesh.vertices, PLATE)
    assert surface(rig.mesh.faces) == pytest.approx(1.5)


@pytest.mark.parametrize("order", ["little", "big"])
def test_ply_binary(tmp_path, skeleton, order):
    sign = "<" if order == "little" else ">"
    content = HEADER.format(f"binary_{order}_endian", 2).encode()
    content += b"".join(struct.pack(f"{sign}3f", *each) for each in PLATE)
    content += struct.pack(f"{sign}B3iB3i", 3, 0, 1, 2, 3, 2, 3, 4)
    (tmp_path / "plate.ply").write_bytes(content)
    rig = load(tmp_path / "plate.ply", skeleton=skeleton)
    np.testing.assert_array_equal(rig.mesh.vertices, PLATE)
    assert rig.mesh.faces.tolist() == [[0, 1, 2], [2, 3, 4]]


def test_plain_mesh_to_glb(tmp_path, skeleton, validate):
    (tmp_path / "plate.obj").write_text(
        "\n".join(f"v {x} {y} {z}" for x, y, z in PLATE) + "\nf 1 2 3\nf 3 4 5 6\n"
    )
    rig = load(tmp_path / "plate.obj", skeleton=skeleton)
    weighted = autoweight.solve(rig, Recipe(method="nearest"))
    save(replace(rig, weights=weighted), tmp_path / "plate.glb")
    again = load(tmp_path / "plate.glb")
    np.testing.assert_array_equal(again.mesh.vertices, rig.mesh.vertices)
    np.testing.assert_array_equal(again.weights.dense(), weighted.dense())
    np.testing.assert_allclose(again.skeleton.rest, rig.skeleton.rest)
    assert [each for each in validate(tmp_path / "plate.glb") if each[0] < 2] == []


@pytest.mark.parametrize(
    ("name", "content", "error", "message"),
    [
        ("a.obj", "", GeometryError, "no mesh with faces"),
        ("a.obj", "v 0 0 0\nv 1 0 0\nv 0 1 0\n", GeometryError, "no mesh with faces"),
        ("a.obj", "v 0 0 0\nv 1 0 0\nv 0 1 0\nf 1 2 9\n", FileError, "out of bounds"),
        ("a.obj", "v 0 0 nan\nv 1 0 0\nv 0 1 0\nf 1 2 3\n", GeometryError, "not finite"),
        ("a.ply", "", FileError, "cannot be read as PLY"),
        ("a.ply", "rubbish", FileError, "cannot be read as PLY"),
        ("a.ply", HEADER.format("ascii", 1) + "0 0 0\n", GeometryError, "no mesh"),
        ("a.ply", HEADER.format("binary_little_endian", 1), FileError, "triangles only"),
    ],
)
def test_broken_meshes(tmp_path, skeleton, name, content, error, message):
    (tmp_path / name).write_text(content)
    with pytest.raises(error, match=message) as caught:
        load(tmp_path / name, skeleton=skeleton)
    assert str(caught.value).startswith(f"{tmp_path / name}: ")


def test_options_that_do_not_go_with_a_plain_mesh(tmp_path, skeleton):
    (tmp_path / "a.obj").write_text("v 0 0 0\nv 1 0 0\nv 0 1 0\nf 1 2 3\n")
    with pytest.raises(SkeletonError, match="--skeleton FILE"):
        load(tmp_path / "a.obj")
    with pytest.raises(SkeletonError, match="--root cannot name"):
        load(tmp_path / "a.obj", root="a")
    with pytest.raises(FileError, match="leave out --part"):
        load(tmp_path / "a.obj", skeleton=skeleton, parts=["a"])
    with pytest.raises(FileError, match="cannot read"):
        load(tmp_path / "none.obj", skeleton=skeleton)


@pytest.mark.parametrize(
    ("text", "error", "message"),
    [
        ("", FileError, "is not a skeleton file"),
        ('{"joints": [{"nam": "a"}]}', FileError, "nam"),
        ('{"joints": []}', SkeletonError, "no joints"),
        ('{"joints": [{"name": "a"}]}', SkeletonError, "needs a position or a matrix"),
        (
            '{"joints": [{"name": "a", "position": [0, 0, 0]},'
            ' {"name": "a", "position": [1, 1, 1]}]}',
            SkeletonError,
            "two joints are named 'a'",
        ),
        (
            '{"joints": [{"name": "arm", "position": [0, 0, 0], "parent": "arn"}]}',
            SkeletonError,
            "parent 'arn', which is not there; did you mean 'arm'",
        ),
        (
            '{"joints": [{"name": "a", "position": [0, 0, 0], "parent": "b"},'
            ' {"name": "b", "position": [0, 0, 0], "parent": "a"}]}',
            SkeletonError,
            "break the cycle",
        ),
        (
            '{"joints": [{"name": "a", "matrix": [[1,0,0,0],[0,1,0,0],[0,0,1,0],[1,2,3,1]]}]}',
            SkeletonError,
            "give it by rows",
        ),
        (
            '{"joints": [{"name": "a", "matrix": [[0,0,0,0],[0,1,0,0],[0,0,1,0],[0,0,0,1]]}]}',
            SkeletonError,
            "singular",
        ),
    ],
)
def test_broken_skeletons(tmp_path, text, error, message):
    path = tmp_path / "joints.json"
    path.write_text(text)
    with pytest.raises(error, match=message) as caught:
        joints.load(path)
    assert str(caught.value).startswith(f"{path}: ")


def test_a_skeleton_file_that_an_editor_marked_as_utf_8(tmp_path):
    (tmp_path / "a.obj").write_text("v 0 0 0\nv 1 0 0\nv 0 1 0\nf 1 2 3\n")
    text = '{"joints": [{"name": "a", "position": [0, 0, 0]}]}'
    (tmp_path / "joints.json").write_text(text, encoding="utf-8-sig")
    rig = load(tmp_path / "a.obj", skeleton=tmp_path / "joints.json")
    assert rig.skeleton.names == ("a",)
