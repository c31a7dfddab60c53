"""Morph targets of glTF (Khronos, glTF 2.0, section 3.7.2.2)."""

import numpy as np
import pytest
from gltf_files import FACES, FLOAT, INVERSE_BIND, POSITIONS, USHORT, strip, tree_of

from autoweight.errors import FileError
from autoweight.io import load, load_shapes, save
from autoweight.io.gltf import accessors

UP = np.tile([0.0, 1, 0], (10, 1))


def shaped():
    """The strip with one morph target that lifts it, used by an animation, and a second part."""
    file = strip()
    (primitive,) = file.tree["meshes"][0]["primitives"]
    target = {
        "POSITION": file.accessor(UP.tolist(), FLOAT, "VEC3"),
        "NORMAL": file.accessor((2 * UP).tolist(), FLOAT, "VEC3"),
    }
    normals = file.accessor([(0, 0, 1)] * 10, FLOAT, "VEC3")
    primitive["attributes"]["NORMAL"] = normals
    other = file.accessor([(x + 5, y, z) for x, y, z in POSITIONS], FLOAT, "VEC3")
    still = file.accessor([(0, 0, 0)] * 10, FLOAT, "VEC3")
    file.tree["meshes"][0] |= {
        "primitives": [
            primitive | {"targets": [target]},
            {
                "attributes": primitive["attributes"] | {"POSITION": other},
                "indices": file.accessor(FACES, USHORT),
                "targets": [{"POSITION": still, "NORMAL": still}],
            },
        ],
        "weights": [0.5],
        "extras": {"targetNames": ["lift"], "kept": 1},
    }
    file.add(
        "animations",
        channels=[{"sampler": 0, "target": {"node": 0, "path": "weights"}}],
        samplers=[
            {
                "input": file.accessor([0.0, 1.0], FLOAT, min=[0], max=[1]),
                "output": file.accessor([0.25, 0.75], FLOAT),
            }
        ],
    )
    return file


def test_shapes_are_read_by_name(tmp_path):
    file = shaped()
    found = load_shapes(load(file.glb(tmp_path / "strip.glb")))
    np.testing.assert_array_equal(found["lift"], np.vstack([UP, 0 * UP]))
    del file.tree["meshes"][0]["extras"]
    assert list(load_shapes(load(file.glb(tmp_path / "strip.glb")))) == ["shape_0"]
    assert load_shapes(load(strip().glb(tmp_path / "strip.glb"))) == {}


def test_a_shape_is_added(tmp_path, validate):
    wave = np.random.default_rng(6).normal(size=(20, 3)).astype(np.float32)
    save(load(shaped().glb(tmp_path / "a.glb")), tmp_path / "out.glb", shapes={"wave": wave})
    found = load_shapes(load(tmp_path / "out.glb"))
    assert list(found) == ["lift", "wave"]
    np.testing.assert_array_equal(found["lift"], np.vstack([UP, 0 * UP]))
    np.testing.assert_array_equal(found["wave"], wave)
    tree = tree_of(tmp_path / "out.glb")
    assert tree["meshes"][0]["weights"] == [0.5, 0.0]
    assert tree["meshes"][0]["extras"] == {"targetNames": ["lift", "wave"], "kept": 1}
    (sampler,) = (
        tree["animations"][0]["samplers"][each["sampler"]]
        for each in tree["animations"][0]["channels"]
    )
    assert tree["accessors"][sampler["output"]]["count"] == 4  # two times, two targets
    assert [each for each in validate(tmp_path / "out.glb") if each[0] == 0] == []


def test_a_shape_moves_nothing_of_parts_that_were_not_read(tmp_path, validate):
    rig = load(shaped().glb(tmp_path / "a.glb"), parts=["strip/1"])
    save(rig, tmp_path / "out.glb", shapes={"wave": UP})
    found = load_shapes(load(tmp_path / "out.glb"))
    np.testing.assert_array_equal(found["wave"], np.vstack([0 * UP, UP]))
    assert [each for each in validate(tmp_path / "out.glb") if each[0] == 0] == []


def test_a_shape_in_the_space_of_its_mesh(tmp_path):
    # The second skin's mesh is modelled twice as small and turned: what is up in bind space is
    # half as long along its own x.
    file = strip()
    space = np.array([[0.0, -2, 0, 0], [2, 0, 0, 0], [0, 0, 2, 0], [0, 0, 0, 1]])
    bind = np.reshape(INVERSE_BIND, (4, 4)).T @ space
    matrices = file.accessor([bind.T.ravel().tolist()] * 2, FLOAT, "MAT4")
    file.add("meshes", primitives=file.tree["meshes"][0]["primitives"])
    file.add("skins", joints=[1, 2], inverseBindMatrices=matrices)
    file.add("nodes", mesh=1, skin=1)
    file.tree["scenes"][0]["nodes"].append(3)
    save(load(file.glb(tmp_path / "a.glb")), tmp_path / "o.glb", shapes={"up": np.vstack([UP, UP])})
    np.testing.assert_allclose(load_shapes(load(tmp_path / "o.glb"))["up"], np.vstack([UP, UP]))
    tree = tree_of(tmp_path / "o.glb")
    accessor = tree["meshes"][1]["primitives"][0]["targets"][0]["POSITION"]
    np.testing.assert_allclose(tree["accessors"][accessor]["max"], [0.5, 0, 0], atol=1e-12)


def test_a_shape_fades_with_its_normals(tmp_path, validate):
    mask = np.linspace(0, 1, 20)
    path = tmp_path / "out.glb"
    save(load(shaped().glb(tmp_path / "a.glb")), path, fades={"lift": mask})
    found = load_shapes(load(path))["lift"]
    np.testing.assert_allclose(found[:10], mask[:10, None] * UP, atol=1e-7)
    source = load(path).document.source
    normals = accessors.read(source, source.tree.meshes[0].primitives[0].targets[0]["NORMAL"])
    np.testing.assert_allclose(normals, 2 * mask[:10, None] * UP, atol=1e-7)
    assert [each for each in validate(path) if each[0] == 0] == []


def test_names_that_do_not_fit(tmp_path):
    rig = load(shaped().glb(tmp_path / "a.glb"))
    with pytest.raises(FileError, match="has a morph target 'lift' already"):
        save(rig, tmp_path / "out.glb", shapes={"lift": np.zeros((20, 3))})
    with pytest.raises(FileError, match="has no morph target 'left'; did you mean 'lift'"):
        save(rig, tmp_path / "out.glb", fades={"left": np.zeros(20)})
    assert not (tmp_path / "out.glb").exists()
