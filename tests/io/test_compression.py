"""Compressed glTF is read, against the encoders and decoders of the npm packages.

Sources: Khronos, KHR_draco_mesh_compression, EXT_meshopt_compression, KHR_meshopt_compression;
draco3dgltf and meshoptimizer from npm compress the files and say what should come out of them
(node/compress.mjs).
"""

from __future__ import annotations

import logging
import sys
from dataclasses import replace

import numpy as np
import pytest
from gltf_files import FLOAT, POSITIONS, UBYTE, binary_of, strip, tree_of
from tori import torus, weighted

from autoweight.errors import FileError
from autoweight.io import load, load_clips, load_shapes, save
from autoweight.io.gltf import accessors
from autoweight.rig import Weights

DRACO = "KHR_draco_mesh_compression"
MESHOPT = ["EXT_meshopt_compression", "KHR_meshopt_compression"]
draco = pytest.importorskip("DracoPy", reason="DracoPy is not installed")
meshopt = pytest.importorskip("meshopt", reason="meshopt is not installed")


def packed(file, tmp_path, run_node, kind):
    """A file compressed by the npm packages, and what they say is in it."""
    path = tmp_path / "packed.glb"
    return path, run_node("compress.mjs", file.glb(tmp_path / "plain.glb"), path, kind)


def lively():
    """The strip with bytes for joints and weights, an animation and a morph target."""
    file = strip(weights=False)
    primitive = file.tree["meshes"][0]["primitives"][0]
    pairs = [(0, 1, 0, 0)] * len(POSITIONS)
    parts = [(round(51 * y), 255 - round(51 * y), 0, 0) for _, y, _ in POSITIONS]
    primitive["attributes"] |= {
        "JOINTS_0": file.accessor(pairs, UBYTE, "VEC4"),
        "WEIGHTS_0": file.accessor(parts, UBYTE, "VEC4", normalized=True),
        "TEXCOORD_0": file.accessor([(x, y) for x, y, _ in POSITIONS], FLOAT, "VEC2"),
    }
    primitive["targets"] = [{"POSITION": file.accessor(POSITIONS, FLOAT, "VEC3")}]
    times = file.accessor([0.0, 0.5, 1.0], FLOAT, min=[0], max=[1])
    turns = file.accessor([(0, 0, 0, 1), (0, 0, 0.6, 0.8), (0, 0, 0, 1)], FLOAT, "VEC4")
    file.add(
        "animations",
        name="wave",
        channels=[{"sampler": 0, "target": {"node": 2, "path": "rotation"}}],
        samplers=[{"input": times, "output": turns}],
    )
    return file


def test_draco_streams_are_what_the_npm_decoder_makes_of_them(tmp_path, run_node, caplog):
    path, (theirs,) = packed(lively(), tmp_path, run_node, "draco")
    plain, rig = load(tmp_path / "plain.glb"), load(path)
    (said,) = [record.getMessage() for record in caplog.records]
    assert said == f"{path}: is compressed with {DRACO}; what is written of it is not"
    source = rig.document.source
    primitive = source.tree.meshes[0].primitives[0]
    np.testing.assert_array_equal(accessors.read(source, primitive.indices), theirs.pop("indices"))
    assert set(theirs) == set(primitive.attributes)
    for name, values in theirs.items():
        ours = accessors.read(source, primitive.attributes[name])
        np.testing.assert_array_equal(ours.ravel(), np.float32(values))
    # Draco orders vertices as it likes, so ours are the plain file's in some order.
    order = np.lexsort(rig.mesh.vertices.T), np.lexsort(plain.mesh.vertices.T)
    np.testing.assert_allclose(
        rig.mesh.vertices[order[0]], plain.mesh.vertices[order[1]], atol=2 / 2**14
    )
    np.testing.assert_array_equal(rig.weights.dense()[order[0]], plain.weights.dense()[order[1]])
    (clip,), (other,) = load_clips(rig), load_clips(plain)
    np.testing.assert_array_equal(clip.local, other.local)


@pytest.mark.parametrize("name", MESHOPT)
def test_meshopt_views_are_what_the_npm_decoder_makes_of_them(tmp_path, run_node, name, caplog):
    file = lively()
    file.tree["accessors"][0]["extras"] = {"filter": "EXPONENTIAL"}
    path, theirs = packed(file, tmp_path, run_node, name)
    plain, rig = load(tmp_path / "plain.glb"), load(path)
    assert name in caplog.text
    source = rig.document.source
    (buffer,) = source.buffers
    assert len(theirs) == len(source.tree.buffer_views) > 6
    for view, values in zip(source.tree.buffer_views, theirs, strict=True):
        assert bytes(buffer[view.byte_offset :][: view.byte_length]) == bytes(values)
        assert not view.extensions
    np.testing.assert_array_equal(rig.weights.dense(), plain.weights.dense())
    np.testing.assert_allclose(rig.mesh.vertices, plain.mesh.vertices, atol=1e-4)
    (shape,), (other,) = load_shapes(rig).values(), load_shapes(plain).values()
    np.testing.assert_array_equal(shape, other)


@pytest.mark.parametrize("kind", ["draco", *MESHOPT])
def test_what_is_written_is_plain_and_sound(tmp_path, run_node, validate, kind):
    path, _ = packed(lively(), tmp_path, run_node, kind)
    rig = load(path)
    fresh = np.random.default_rng(1).dirichlet(np.ones(2), len(rig.mesh.vertices))
    save(replace(rig, weights=Weights(fresh)), tmp_path / "out.glb")
    assert [each for each in validate(tmp_path / "out.glb") if each[0] < 2] == []
    before, after = tree_of(tmp_path / "plain.glb"), tree_of(tmp_path / "out.glb")
    for key in ("nodes", "skins", "animations", "scenes", "asset"):
        assert after[key] == before[key]
    assert "extensionsUsed" not in after and "extensionsRequired" not in after
    (primitive,) = after["meshes"][0]["primitives"]
    assert "extensions" not in primitive
    again = load(tmp_path / "out.glb")
    np.testing.assert_array_equal(again.mesh.vertices, rig.mesh.vertices)
    np.testing.assert_array_equal(again.mesh.faces, rig.mesh.faces)
    np.testing.assert_allclose(again.weights.dense(), fresh, atol=1e-7)
    uvs = primitive["attributes"]["TEXCOORD_0"]
    np.testing.assert_array_equal(
        accessors.read(again.document.source, uvs),
        accessors.read(rig.document.source, uvs),
    )


def draco_strip(**changes):
    """The strip with a Draco stream for its positions and faces, made in Python."""
    file = strip()
    primitive = file.tree["meshes"][0]["primitives"][0]
    faces = np.array([0, 1, 3, 0, 3, 2, 2, 3, 5, 2, 5, 4, 4, 5, 7, 4, 7, 6, 6, 7, 9, 6, 9, 8])
    stream = draco.encode(
        np.array(POSITIONS, np.float32), faces.reshape(-1, 3).astype(np.uint32), preserve_order=True
    )
    said = {"bufferView": file.view(stream), "attributes": {"POSITION": 0}}
    primitive["extensions"] = {DRACO: said | changes}
    for number in (primitive["attributes"]["POSITION"], primitive["indices"]):
        del file.tree["accessors"][number]["bufferView"]
    return file


def test_what_is_not_in_a_stream_stays_where_it_is(tmp_path):
    rig, plain = load(draco_strip().glb(tmp_path / "a.glb")), load(strip().glb(tmp_path / "b.glb"))
    np.testing.assert_allclose(rig.mesh.vertices, plain.mesh.vertices, atol=2 / 2**11)
    np.testing.assert_array_equal(rig.mesh.faces, plain.mesh.faces)
    np.testing.assert_array_equal(rig.weights.dense(), plain.weights.dense())


def test_one_description_for_two_streams_becomes_two(tmp_path):
    file = draco_strip()
    primitive = file.tree["meshes"][0]["primitives"][0]
    stream = primitive["extensions"][DRACO]["bufferView"]
    file.tree["bufferViews"].append(dict(file.tree["bufferViews"][stream]))
    other = {DRACO: primitive["extensions"][DRACO] | {"bufferView": stream + 1}}
    file.tree["meshes"][0]["primitives"].append(primitive | {"extensions": other})
    rig = load(file.glb(tmp_path / "two.glb"))
    first, second = rig.document.source.tree.meshes[0].primitives
    assert first.attributes["POSITION"] != second.attributes["POSITION"]
    assert first.attributes["JOINTS_0"] == second.attributes["JOINTS_0"]
    np.testing.assert_array_equal(rig.mesh.vertices[:10], rig.mesh.vertices[10:])


@pytest.mark.parametrize(
    ("changes", "said"),
    [
        ({"attributes": {"POSITION": 3}}, "no attribute 3, which should be POSITION"),
        ({"attributes": {"NORMAL": 0}}, "has NORMAL in its"),
        ({"attributes": {"WEIGHTS_0": 0}}, "is not what its"),
        ({"bufferView": 0}, "damaged"),
        ({"bufferView": 99}, "bufferView 99"),
        ({"bufferView": "a"}, "is not valid"),
    ],
)
def test_draco_that_does_not_fit_is_said(tmp_path, changes, said):
    path = draco_strip(**changes).glb(tmp_path / "bad.glb")
    with pytest.raises(FileError, match=said) as caught:
        load(path)
    assert str(caught.value).startswith(str(path))


def meshopt_strip(**changes):
    """The strip with its positions in a meshopt stream, made in Python, and nowhere else."""
    file = strip()
    stream = meshopt.encode_gltf_buffer(np.array(POSITIONS, np.float32), "ATTRIBUTES")
    said = {
        "buffer": 0,
        "byteOffset": len(file.bytes),
        "byteLength": len(stream),
        "byteStride": 12,
        "count": len(POSITIONS),
        "mode": "ATTRIBUTES",
    }
    file.bytes += stream
    view = file.tree["bufferViews"][0]
    view |= {"buffer": 1, "byteOffset": 0, "extensions": {MESHOPT[0]: said | changes}}
    file.bare = [{"byteLength": 120}]
    return file


@pytest.mark.parametrize(
    ("changes", "said"),
    [
        ({}, None),
        ({"count": 9}, "stands for 9 times 12"),
        ({"count": 10**15}, "stands for"),
        ({"byteStride": 10, "count": 12}, "in fours"),
        ({"byteStride": 0}, "is not valid"),
        ({"mode": "VERTICES"}, "mode must be"),
        ({"filter": "OCTAHEDRAL"}, "filter"),
        ({"byteOffset": 0}, "damaged"),
        ({"byteLength": 10**9}, "reaches outside"),
        ({"buffer": 1}, "reaches outside"),
        ({"buffer": 7}, "refers to buffer 7"),
    ],
)
def test_meshopt_that_does_not_fit_is_said(tmp_path, changes, said):
    path = meshopt_strip(**changes).glb(tmp_path / "bad.glb")
    if said is None:
        np.testing.assert_array_equal(load(path).mesh.vertices, POSITIONS)
        return
    with pytest.raises(FileError, match=said) as caught:
        load(path)
    assert str(caught.value).startswith(str(path))


def test_a_small_stream_cannot_ask_for_more_memory_than_it_could_fill(tmp_path):
    many = 10**9
    file = meshopt_strip(count=many)
    file.tree["bufferViews"][0]["byteLength"] = 12 * many
    file.bare[0]["byteLength"] = 12 * many
    file.tree["accessors"][0]["count"] = many
    with pytest.raises(FileError, match="stands for"):
        load(file.glb(tmp_path / "bomb.glb"))


@pytest.mark.parametrize(
    ("package", "made"), [("DracoPy", draco_strip), ("meshopt", meshopt_strip)]
)
def test_without_a_decoder_the_mend_is_named(tmp_path, monkeypatch, package, made):
    path = made().glb(tmp_path / "packed.glb")
    monkeypatch.setitem(sys.modules, package, None)
    with pytest.raises(FileError, match=f"pip install {package}$"):
        load(path)


def test_bytes_to_fall_back_to_need_no_decoder(tmp_path, monkeypatch):
    file = meshopt_strip()
    file.bare = []
    file.tree["bufferViews"][0]["buffer"] = 0
    monkeypatch.setitem(sys.modules, "meshopt", None)
    rig = load(file.glb(tmp_path / "both.glb"))
    np.testing.assert_array_equal(rig.mesh.vertices, POSITIONS)


def test_damaged_streams_are_an_error_or_a_rig(tmp_path):
    """Bytes changed and cut; a crash would end the test run itself."""
    random = np.random.default_rng(5)
    logging.getLogger("autoweight").setLevel(logging.ERROR)
    try:
        for made in (draco_strip, meshopt_strip):
            content = bytearray(made().glb(tmp_path / "packed.glb").read_bytes())
            start = len(content) - len(binary_of(tmp_path / "packed.glb"))
            for _ in range(150):
                bad = content.copy()
                for at in random.integers(start, len(bad), 6):
                    bad[at] = random.integers(256)
                (tmp_path / "bad.glb").write_bytes(bad)
                try:
                    assert np.isfinite(load(tmp_path / "bad.glb").mesh.vertices).all()
                except Exception as error:
                    assert type(error).__module__ == "autoweight.errors", error
    finally:
        logging.getLogger("autoweight").setLevel(logging.NOTSET)


def test_a_torus_comes_back_in_its_own_order(tmp_path, run_node):
    """Enough vertices for several blocks of the codec."""
    save(weighted(*torus(48, 20)), tmp_path / "torus.glb")
    plain = load(tmp_path / "torus.glb")
    run_node("compress.mjs", tmp_path / "torus.glb", tmp_path / "packed.glb", MESHOPT[0])
    rig = load(tmp_path / "packed.glb")
    np.testing.assert_array_equal(rig.mesh.vertices, plain.mesh.vertices)
    assert (rig.weights.matrix != plain.weights.matrix).nnz == 0
    # A stream of triangles may begin each at another corner.
    turned = [np.roll(rig.mesh.faces, turn, axis=1) for turn in range(3)]
    assert np.any([(each == plain.mesh.faces).all(axis=1) for each in turned], axis=0).all()
