"""OpenUSD files, read and written, against OpenUSD's own library.

The rules are those of the UsdSkel schemas in the OpenUSD documentation (SkelRoot, Skeleton,
SkelBindingAPI).
"""

from __future__ import annotations

import sys
from dataclasses import replace

import numpy as np
import pytest
from scipy import sparse
from scipy.spatial.transform import Rotation
from tori import ring, torus

from autoweight.demo import axolotl
from autoweight.errors import FileError, SkeletonError
from autoweight.io import check_output, load, save
from autoweight.pose.skinning import carried, dual_quaternion, linear_blend
from autoweight.rig import Mesh, Part, Rig, Skeleton, Weights
from autoweight.stages.solving import solve

pxr = pytest.importorskip("pxr", reason="usd-core is not installed")
from pxr import Sdf, Usd, UsdGeom, UsdSkel  # noqa: E402
from usd_stages import complaints, stage_at  # noqa: E402

SCENE = """#usda 1.0
(
    defaultPrim = "Scene"
    metersPerUnit = 0.01
    upAxis = "Z"
)

def Xform "Scene"
{
    double3 xformOp:translate = (0, 0, 7)
    uniform token[] xformOpOrder = ["xformOp:translate"]

    def SkelRoot "Creature" (
        prepend references = @./parts.usda@</Geometry>
        prepend apiSchemas = ["SkelBindingAPI"]
    )
    {
        rel skel:skeleton = </Scene/Creature/Skel>

        def Skeleton "Skel"
        {
            uniform token[] joints = ["root", "root/arm", "root/arm/hand"]
            uniform matrix4d[] bindTransforms = [
                ((1, 0, 0, 0), (0, 1, 0, 0), (0, 0, 1, 0), (0, 0, 0, 1)),
                ((1, 0, 0, 0), (0, 1, 0, 0), (0, 0, 1, 0), (1, 0, 0, 1)),
                ((0, 1, 0, 0), (-1, 0, 0, 0), (0, 0, 1, 0), (2, 0, 0, 1)) ]
            uniform matrix4d[] restTransforms = [
                ((1, 0, 0, 0), (0, 1, 0, 0), (0, 0, 1, 0), (0, 0, 0, 1)),
                ((1, 0, 0, 0), (0, 1, 0, 0), (0, 0, 1, 0), (1, 0, 0, 1)),
                ((0, 1, 0, 0), (-1, 0, 0, 0), (0, 0, 1, 0), (1, 0, 0, 1)) ]
        }

        over "Skin"
        {
            uniform token[] skel:joints = ["root/arm/hand", "root"]
        }
    }

    def Camera "View"
    {
        float focalLength = 35
    }
}
"""

PARTS = """#usda 1.0

def "Geometry"
{
    def Mesh "Skin" (prepend apiSchemas = ["SkelBindingAPI"])
    {
        point3f[] points = [(0, 0, 0), (1, 0, 0), (2, 0, 0), (2, 1, 0), (1, 1, 0), (0, 1, 0),
                            (1, 2, 0)]
        int[] faceVertexCounts = [4, 4, 4, 2]
        int[] faceVertexIndices = [0, 1, 4, 5, 1, 2, 3, 4, 5, 4, 3, 6, 0, 1]
        matrix4d primvars:skel:geomBindTransform = (
            (1, 0, 0, 0), (0, 1, 0, 0), (0, 0, 1, 0), (0, 0, 3, 1))
        int[] primvars:skel:jointIndices = [1, 0, 1, 0, 0, 1, 0, 1, 1, 0, 1, 1, 0, 0] (
            interpolation = "vertex"
            elementSize = 2
        )
        float[] primvars:skel:jointWeights = [
            1, 0, 0.5, 0.5, 1, 0, 1, 0, 0.25, 0.75, 1, 0, 0.4, 0.6
        ] (
            interpolation = "vertex"
            elementSize = 2
        )
        float[] primvars:_LOCK = [0, 0, 0, 0, 0, 1, 1] (interpolation = "vertex")
        texCoord2f[] primvars:st = [(0, 0), (1, 0), (1, 1), (0, 1), (0, 0), (0, 0), (0, 0)] (
            interpolation = "vertex"
        )
    }

    def Mesh "Claw" (prepend apiSchemas = ["SkelBindingAPI"])
    {
        uniform token orientation = "leftHanded"
        point3f[] points = [(2, 0, 0), (2, 0.1, 0), (2.2, 0, 0)]
        int[] faceVertexCounts = [3]
        int[] faceVertexIndices = [0, 1, 2]
        int[] primvars:skel:jointIndices = [2] (
            interpolation = "constant"
            elementSize = 1
        )
        float[] primvars:skel:jointWeights = [1] (
            interpolation = "constant"
            elementSize = 1
        )
    }
}
"""


@pytest.fixture
def scene(tmp_path):
    (tmp_path / "parts.usda").write_text(PARTS)
    path = tmp_path / "scene.usda"
    path.write_text(SCENE)
    return path


def query(stage: Usd.Stage, root: str, mesh: str) -> UsdSkel.SkinningQuery:
    cache = UsdSkel.Cache()
    cache.Populate(UsdSkel.Root(stage.GetPrimAtPath(root)), Usd.PrimDefaultPredicate)
    return cache.GetSkinningQuery(stage.GetPrimAtPath(mesh))


def test_a_scene_is_read_in_bind_space(scene):
    rig = load(scene)
    assert rig.skeleton.names == ("root", "arm", "hand")
    assert rig.skeleton.parents.tolist() == [-1, 0, 1]
    np.testing.assert_array_equal(rig.skeleton.positions, [[0, 0, 0], [1, 0, 0], [2, 0, 0]])
    np.testing.assert_array_equal(rig.skeleton.rest[2] @ [1, 0, 0, 0], [0, 1, 0, 0])
    assert [part.name for part in rig.mesh.parts] == ["Skin", "Claw"]
    np.testing.assert_array_equal(rig.mesh.vertices[:7, 2], 3)
    np.testing.assert_array_equal(rig.mesh.vertices[7:, 2], 0)
    assert rig.mesh.faces.tolist() == [
        [0, 1, 4], [0, 4, 5], [1, 2, 3], [1, 3, 4], [5, 4, 3], [5, 3, 6], [9, 8, 7],
    ]  # fmt: skip
    np.testing.assert_allclose(
        rig.weights.dense(),
        [
            [1, 0, 0], [0.5, 0, 0.5], [0, 0, 1], [0, 0, 1], [0.25, 0, 0.75],
            [1, 0, 0], [0, 0, 1], [0, 0, 1], [0, 0, 1], [0, 0, 1],
        ],
        atol=1e-7,
    )  # fmt: skip
    np.testing.assert_array_equal(rig.attributes["_LOCK"], [0, 0, 0, 0, 0, 1, 1, 0, 0, 0])


def test_weights_are_a_layer_on_top_and_nothing_else_changes(scene, tmp_path):
    before = {path: path.read_bytes() for path in tmp_path.iterdir()}
    rig = load(scene)
    fresh = np.random.default_rng(1).dirichlet(np.ones(3), len(rig.mesh.vertices))
    folder = tmp_path / "out"
    folder.mkdir()
    save(replace(rig, weights=Weights(sparse.csr_array(fresh))), folder / "weighted.usda")
    assert {path: path.read_bytes() for path in before} == before

    layer = Sdf.Layer.FindOrOpen(str(folder / "weighted.usda"))
    assert list(layer.subLayerPaths) == ["../scene.usda"]
    opinions = []
    layer.Traverse("/", opinions.append)
    assert {str(path).rsplit(".", 1)[-1] for path in opinions if path.IsPropertyPath()} == {
        "skel:joints",
        "primvars:skel:jointIndices",
        "primvars:skel:jointWeights",
    }
    assert all(
        layer.GetPrimAtPath(path).specifier == Sdf.SpecifierOver
        for path in opinions
        if path.IsPrimPath()
    )
    below, above = stage_at(scene), stage_at(folder / "weighted.usda")
    assert UsdGeom.GetStageUpAxis(above) == "Z"
    assert UsdGeom.GetStageMetersPerUnit(above) == 0.01
    assert above.GetDefaultPrim().GetPath() == "/Scene"
    assert [prim.GetPath() for prim in below.Traverse()] == [p.GetPath() for p in above.Traverse()]
    for prim in below.Traverse():
        for attribute in prim.GetAttributes():
            if attribute.GetName() not in (
                "primvars:skel:jointIndices",
                "skel:joints",
                "primvars:skel:jointWeights",
            ):
                assert above.GetAttributeAtPath(attribute.GetPath()).Get() == attribute.Get()
    # The joint the part did not have is added behind those it has.
    joints = above.GetAttributeAtPath("/Scene/Creature/Skin.skel:joints").Get()
    assert list(joints) == ["root/arm/hand", "root", "root/arm"]
    again = load(folder / "weighted.usda").weights
    np.testing.assert_allclose(again.dense(), fresh, atol=1e-7)


@pytest.mark.parametrize("suffix", [".usda", ".usdc", ".usdz"])
def test_flattened_files_stand_alone(scene, tmp_path, suffix):
    rig = load(scene)
    fresh = np.random.default_rng(2).dirichlet(np.ones(3), len(rig.mesh.vertices))
    out = tmp_path / f"alone{suffix}"
    save(replace(rig, weights=Weights(sparse.csr_array(fresh))), out, flatten=True)
    scene.unlink()
    (tmp_path / "parts.usda").unlink()
    alone = load(out)
    np.testing.assert_allclose(alone.weights.dense(), fresh, atol=1e-7)
    np.testing.assert_array_equal(alone.mesh.vertices, rig.mesh.vertices)
    assert stage_at(out).GetPrimAtPath("/Scene/View").GetAttribute("focalLength").Get() == 35


def test_the_file_itself_is_replaced_only_when_forced(scene):
    rig = load(scene)
    fresh = np.random.default_rng(3).dirichlet(np.ones(3), len(rig.mesh.vertices))
    rig = replace(rig, weights=Weights(sparse.csr_array(fresh)))
    before = scene.read_text()
    with pytest.raises(FileError, match="--force"):
        save(rig, scene)
    assert scene.read_text() == before
    save(rig, scene, force=True)
    np.testing.assert_allclose(load(scene).weights.dense(), fresh, atol=1e-7)
    assert "references = @./parts.usda@</Geometry>" in scene.read_text()


def test_constant_influences_stay_constant_as_long_as_they_can(scene, tmp_path):
    rig = load(scene)
    for rigid in (True, False):
        dense = rig.weights.dense().copy()
        dense[7:] = [0, 1, 0]
        if not rigid:
            dense[8] = [0, 0.5, 0.5]
        out = tmp_path / f"claw_{rigid}.usda"
        save(replace(rig, weights=Weights(sparse.csr_array(dense))), out)
        claw = query(stage_at(out), "/Scene/Creature", "/Scene/Creature/Claw")
        assert claw.IsRigidlyDeformed() == rigid
        np.testing.assert_allclose(load(out).weights.dense(), dense, atol=1e-7)


def test_custom_values_are_written_and_read(scene, tmp_path):
    rig = load(scene)
    count = len(rig.mesh.vertices)
    lock, trust = np.arange(count) % 2 == 0, np.linspace(0, 1, count, dtype=np.float32)
    save(replace(rig, attributes={"_LOCK": lock, "_CARRY": trust}), tmp_path / "custom.usda")
    again = load(tmp_path / "custom.usda").attributes
    np.testing.assert_array_equal(again["_LOCK"], lock)
    np.testing.assert_array_equal(again["_CARRY"], trust)


UNBOUND = """#usda 1.0
def SkelRoot "Root"
{
    def Skeleton "Skel"
    {
        uniform token[] joints = ["a", "a/b"]
        uniform matrix4d[] restTransforms = [
            ((1, 0, 0, 0), (0, 1, 0, 0), (0, 0, 1, 0), (0, 0, 1, 1)),
            ((1, 0, 0, 0), (0, 1, 0, 0), (0, 0, 1, 0), (1, 0, 0, 1)) ]
    }

    def Mesh "Body"
    {
        double3 xformOp:translate = (0, 0, 5)
        uniform token[] xformOpOrder = ["xformOp:translate"]
        point3f[] points = [(0, 0, 0), (1, 0, 0), (0, 1, 0)]
        int[] faceVertexCounts = [3]
        int[] faceVertexIndices = [0, 1, 2]
    }
}
"""


def test_a_mesh_that_was_never_bound_is_bound(tmp_path):
    (tmp_path / "bare.usda").write_text(UNBOUND)
    rig = load(tmp_path / "bare.usda")
    assert rig.weights is None
    np.testing.assert_array_equal(rig.mesh.vertices[:, 2], 5)
    np.testing.assert_array_equal(rig.skeleton.positions, [[0, 0, 1], [1, 0, 1]])
    dense = np.array([[1, 0], [0.5, 0.5], [0.25, 0.75]])
    save(replace(rig, weights=Weights(sparse.csr_array(dense))), tmp_path / "bound.usda")
    again = load(tmp_path / "bound.usda")
    np.testing.assert_array_equal(again.weights.dense(), dense)
    np.testing.assert_array_equal(again.mesh.vertices, rig.mesh.vertices)
    body = query(stage_at(tmp_path / "bound.usda"), "/Root", "/Root/Body")
    assert body.HasJointInfluences()


PLAIN = """#usda 1.0
(
    defaultPrim = "Prop"
    metersPerUnit = 1
    upAxis = "Y"
)

def Xform "Prop"
{
    def Xform "Skeleton"
    {
        def Mesh "Upper"
        {
            point3f[] points = [(0, 0, 0), (1, 0, 0), (0, 1, 0)]
            int[] faceVertexCounts = [3]
            int[] faceVertexIndices = [0, 1, 2]
        }
    }

    def Mesh "Lower"
    {
        double3 xformOp:translate = (0, 0, 5)
        uniform token[] xformOpOrder = ["xformOp:translate"]
        point3f[] points = [(0, 0, 0), (1, 0, 0), (0, 1, 0)]
        int[] faceVertexCounts = [3]
        int[] faceVertexIndices = [0, 1, 2]
    }
}
"""


@pytest.mark.parametrize("flatten", [False, True])
def test_a_file_without_joints_is_given_some(tmp_path, flatten):
    (tmp_path / "plain.usda").write_text(PLAIN)
    with pytest.raises(SkeletonError, match="--skeleton FILE"):
        load(tmp_path / "plain.usda")
    skeleton = Skeleton(["hip:left", "knee"], [-1, 0], ring().rest[:2], {1: (3, 0.5, 0)})
    rig = load(tmp_path / "plain.usda", skeleton=skeleton)
    assert rig.skeleton.names == skeleton.names
    assert {joint: tuple(tip) for joint, tip in rig.skeleton.tips.items()} == {1: (3, 0.5, 0)}
    np.testing.assert_array_equal(rig.mesh.vertices[:, 2], [0, 0, 0, 5, 5, 5])
    dense = np.random.default_rng(8).dirichlet(np.ones(2), 6)
    out = tmp_path / "rigged.usda"
    save(replace(rig, weights=Weights(sparse.csr_array(dense))), out, flatten=flatten)
    again = load(out)
    assert again.skeleton.names == skeleton.names
    np.testing.assert_allclose(again.skeleton.rest, skeleton.rest)
    np.testing.assert_allclose(again.weights.dense(), dense, atol=1e-7)
    np.testing.assert_array_equal(again.mesh.vertices, rig.mesh.vertices)
    assert complaints(out) == []
    with pytest.raises(SkeletonError, match="leave out --skeleton"):
        load(out, skeleton=skeleton)


def many_influences() -> Rig:
    """Two parts and two roots, names a prim may not have, seven joints a vertex."""
    vertices, faces = torus(24, 10)
    many = len(vertices)
    mesh = Mesh(
        np.concatenate([vertices, vertices + [0, 0, 2]]),
        np.concatenate([faces, faces + many]),
        [
            Part("skin 1", slice(0, many), slice(0, len(faces))),
            Part("skin.1", slice(many, 2 * many), slice(len(faces), 2 * len(faces))),
        ],
    )
    names = ["hip:left", "hip left", "1st", "Skeleton", "e", "f", "g", "h"]
    skeleton = Skeleton(names, [-1, 0, 1, -1, 3, 4, 5, 6], ring().rest)
    dense = np.random.default_rng(4).dirichlet(np.ones(7), 2 * many)
    dense = np.column_stack([dense, np.zeros(2 * many)])
    return Rig(mesh, skeleton, Weights(sparse.csr_array(dense)))


@pytest.mark.parametrize("suffix", [".usda", ".usdc", ".usdz"])
def test_a_rig_from_elsewhere_passes_every_validator(tmp_path, suffix):
    rig, out = many_influences(), tmp_path / f"fresh{suffix}"
    save(rig, out)
    assert complaints(out) == []
    stage = stage_at(out)
    prim = UsdSkel.Skeleton(stage.GetPrimAtPath("/Rig/Skeleton"))
    assert UsdSkel.Topology(prim.GetJointsAttr().Get()).Validate() == (True, "")
    again = load(out)
    assert again.skeleton.names == rig.skeleton.names
    assert again.skeleton.parents.tolist() == rig.skeleton.parents.tolist()
    np.testing.assert_allclose(again.skeleton.rest, rig.skeleton.rest, atol=1e-12)
    np.testing.assert_array_equal(again.mesh.faces, rig.mesh.faces)
    np.testing.assert_allclose(again.mesh.vertices, rig.mesh.vertices, atol=1e-6)
    np.testing.assert_allclose(again.weights.dense(), rig.weights.dense(), atol=6e-8)


def test_an_overlay_passes_every_validator(tmp_path):
    save(many_influences(), tmp_path / "fresh.usda")
    save(load(tmp_path / "fresh.usda"), tmp_path / "over.usda")
    assert complaints(tmp_path / "over.usda") == []


def test_gltf_and_usd_keep_the_weights_of_each_other_bit_for_bit(tmp_path):
    save(many_influences(), tmp_path / "start.glb")
    rig = load(tmp_path / "start.glb")
    save(rig, tmp_path / "middle.usdc")
    middle = load(tmp_path / "middle.usdc")
    save(middle, tmp_path / "end.glb")
    for other in (middle, load(tmp_path / "end.glb")):
        assert (other.weights.matrix != rig.weights.matrix).nnz == 0
        assert other.skeleton.names == rig.skeleton.names
        np.testing.assert_allclose(other.skeleton.rest, rig.skeleton.rest, atol=1e-6)
        np.testing.assert_array_equal(other.mesh.vertices, rig.mesh.vertices)
        np.testing.assert_array_equal(other.mesh.faces, rig.mesh.faces)


@pytest.mark.parametrize("method", ["classicLinear", "dualQuaternion"])
def test_skinning_is_that_of_usdskel(tmp_path, method):
    """`UsdSkel.SkinningQuery.ComputeSkinnedPoints` on the demo's body, over 20 poses.

    Every joint turns by up to half a radian about each axis; the demo is 0.3 units long.
    """
    rig = axolotl()
    save(replace(rig, weights=solve(rig)), tmp_path / "demo.usdc")
    rig = load(tmp_path / "demo.usdc", parts=["body"])
    stage = stage_at(tmp_path / "demo.usdc")
    mesh = stage.GetPrimAtPath("/Rig/body")
    UsdSkel.BindingAPI(mesh).CreateSkinningMethodAttr(method)
    points = UsdGeom.Mesh(mesh).GetPointsAttr().Get()
    skinning = query(stage, "/Rig", "/Rig/body")
    ours = linear_blend if method == "classicLinear" else dual_quaternion
    parents, rest = rig.skeleton.parents, rig.skeleton.rest
    local = [
        rest[joint] if parent < 0 else np.linalg.inv(rest[parent]) @ rest[joint]
        for joint, parent in enumerate(parents)
    ]
    random = np.random.default_rng(6)
    for _ in range(20):
        world = rest.copy()
        for joint, parent in enumerate(parents):
            turn = np.eye(4)
            turn[:3, :3] = Rotation.from_rotvec(random.uniform(-0.5, 0.5, 3)).as_matrix()
            world[joint] = (world[parent] if parent >= 0 else np.eye(4)) @ local[joint] @ turn
        moved = carried(rig.skeleton, world)
        theirs = pxr.Vt.Vec3fArray(points)
        assert skinning.ComputeSkinnedPoints(
            pxr.Vt.Matrix4dArray.FromNumpy(np.ascontiguousarray(moved.swapaxes(1, 2))), theirs
        )
        found = ours(rig.mesh.vertices, rig.weights.matrix, moved)
        assert np.abs(found - np.array(theirs)).max() < 1e-6


def test_a_last_joint_that_no_mesh_lists_is_the_tip_of_the_one_above(tmp_path):
    skeleton = ring()
    mesh = Mesh(*torus(24, 12))
    weights = np.zeros((len(mesh.vertices), len(skeleton)))
    weights[:, 0] = 1
    path = tmp_path / "ring.usda"
    save(Rig(mesh, skeleton, Weights(sparse.csr_array(weights))), path)
    assert not load(path).skeleton.tips
    stage = Usd.Stage.Open(str(path))
    skel = next(each for each in stage.Traverse() if each.IsA(UsdSkel.Skeleton))
    body = next(each for each in stage.Traverse() if each.IsA(UsdGeom.Mesh))
    joints = UsdSkel.Skeleton(skel).GetJointsAttr().Get()
    UsdSkel.BindingAPI(body).CreateJointsAttr(joints[:-1])
    stage.GetRootLayer().Save()
    rig = load(path)
    assert len(rig.skeleton) == len(skeleton)
    assert list(rig.skeleton.tips) == [len(skeleton) - 2]
    np.testing.assert_allclose(
        rig.skeleton.tips[len(skeleton) - 2], skeleton.positions[-1], atol=1e-6
    )


@pytest.mark.parametrize(
    ("old", "new", "error", "said"),
    [
        ('def SkelRoot "Creature"', 'def Xform "Creature"', FileError, "under a SkelRoot"),
        ('"root/arm", "root/arm/hand"', '"root/arm/hand", "root/arm"', SkeletonError, "again"),
        ('def Skeleton "Skel"', 'def Scope "Skel"', SkeletonError, "no Skeleton"),
        ('["root/arm/hand", "root"]', '["root/leg", "root"]', SkeletonError, "'root/leg'"),
        ("#usda 1.0", "#usda one", FileError, "not an OpenUSD file"),
        ('def Skeleton "Skel"', 'def def "Skel"', FileError, r"usda:20:9: Expected"),
        ("bindTransforms = [", "bindTransforms = [((1, 0, 0, 0), (0, 1, 0, 0), (0, 0, 1, 0), "
         "(0, 0, 0, 1)), ", SkeletonError, "4 bind transforms"),
    ],
)  # fmt: skip
def test_broken_scenes_are_said_in_one_message(scene, old, new, error, said):
    text = scene.read_text()
    assert old in text
    scene.write_text(text.replace(old, new))
    with pytest.raises(error, match=said) as caught:
        load(scene)
    assert str(caught.value).startswith(str(scene))


@pytest.mark.parametrize(
    ("old", "new", "said"),
    [
        ("[2] (", "[3] (", "weights for joint 3 of 3"),
        ("[4, 4, 4, 2]", "[4, 4, 4, 4]", "16 corners"),
        ("[0, 1, 2]", "[0, 1, 9]", "outside its 3 points"),
        ("0.4, 0.6", "0.4", "14 joint indices and 13 weights"),
    ],
)
def test_broken_parts_are_said_in_one_message(scene, old, new, said):
    parts = scene.parent / "parts.usda"
    text = parts.read_text()
    assert text.count(old) == 1
    parts.write_text(text.replace(old, new))
    with pytest.raises(FileError, match=said):
        load(scene)


def test_parts_and_skeletons_are_chosen_by_name(scene):
    assert len(load(scene, parts=["Claw"]).mesh.vertices) == 3
    assert len(load(scene, parts=["/Scene/Creature/S*"]).mesh.vertices) == 7
    assert len(load(scene, root="Skel").mesh.vertices) == 10
    with pytest.raises(FileError, match="no part 'Tail'; there are Skin, Claw"):
        load(scene, parts=["Tail"])
    with pytest.raises(SkeletonError, match="no skeleton at 'Bones'; there are Scene"):
        load(scene, root="Bones")


def test_without_usd_core_the_mend_is_named(scene, monkeypatch):
    monkeypatch.setitem(sys.modules, "pxr.Sdf", None)
    with pytest.raises(FileError, match="pip install usd-core"):
        load(scene)


def test_without_usd_core_it_is_said_before_the_work(tmp_path, monkeypatch):
    monkeypatch.setitem(sys.modules, "pxr.Sdf", None)
    out = tmp_path / "out.usdc"
    with pytest.raises(FileError, match=f"^{out}: .* pip install usd-core"):
        check_output(many_influences(), out)


def test_written_twice_is_the_same(tmp_path):
    for name in ("one.usda", "two.usda"):
        save(many_influences(), tmp_path / name)
    assert (tmp_path / "one.usda").read_bytes() == (tmp_path / "two.usda").read_bytes()
