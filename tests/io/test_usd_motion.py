"""Motion in OpenUSD files, against OpenUSD's own skinning and validators.

Source: OpenUSD, UsdSkel schemas (SkelAnimation, SkelBindingAPI); `UsdSkel.SkinningQuery` of
usd-core says where an animated point is.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from scipy import sparse
from scipy.spatial.transform import Rotation
from tori import torus, weighted

from autoweight.errors import SkeletonError
from autoweight.io import load, load_clips, save
from autoweight.pose.clip import Clip, rest_local, world
from autoweight.pose.skinning import carried, linear_blend
from autoweight.rig import Weights

pxr = pytest.importorskip("pxr", reason="usd-core is not installed")
from pxr import Gf, Sdf, Usd, UsdGeom, UsdSkel  # noqa: E402
from usd_stages import complaints, stage_at  # noqa: E402

PLACED = """#usda 1.0
(
    defaultPrim = "Stage"
    metersPerUnit = 0.01
    upAxis = "Z"
    timeCodesPerSecond = 30
    startTimeCode = 12
    endTimeCode = 20
)

def Xform "Stage"
{{
    double3 xformOp:translate = (3, 4, 5)
    float3 xformOp:rotateXYZ = (20, 30, 40)
    uniform token[] xformOpOrder = ["xformOp:translate", "xformOp:rotateXYZ"]

    def SkelRoot "Rig" (prepend references = @./torus.usda@</Rig>)
    {{
        over "Skeleton"
        {{
            {over}
        }}
    }}
}}
"""
ELSEWHERE = """uniform matrix4d[] bindTransforms = [{}]""".format(
    ", ".join(
        f"((0, 1, 0, 0), (-1, 0, 0, 0), (0, 0, 1, 0), ({-np.sin(turn)}, {np.cos(turn)}, 0, 1))"
        for turn in 2 * np.pi * np.arange(8) / 8
    )
)
"""The ring bound a quarter turn from where it rests."""


def clip_of(skeleton, frames=5, name="wave about") -> Clip:
    random = np.random.default_rng(3)
    local = np.tile(rest_local(skeleton), (frames, 1, 1, 1))
    turns = Rotation.from_rotvec(random.uniform(-0.4, 0.4, (frames * len(skeleton), 3)))
    local[..., :3, :3] = local[..., :3, :3] @ turns.as_matrix().reshape(frames, -1, 3, 3)
    local[:, 1:3] = rest_local(skeleton)[1:3]  # two that stay at rest
    local[:, 0, :3, 3] += random.uniform(-1, 1, (frames, 3))
    local[:, 4, :3, :3] *= 1.25  # exact in a half float
    return Clip(name, np.arange(frames) / 10, local)


def skinned(stage, mesh, time):
    """Where OpenUSD draws the points of a mesh at a time, in the world."""
    root = UsdSkel.Root.Find(stage.GetPrimAtPath(mesh))
    cache = UsdSkel.Cache()
    cache.Populate(root, Usd.TraverseInstanceProxies(Usd.PrimDefaultPredicate))
    prim = stage.GetPrimAtPath(mesh)
    skinning = cache.GetSkinningQuery(prim)
    bound = UsdSkel.BindingAPI(prim).GetInheritedSkeleton()
    query = cache.GetSkelQuery(bound)
    points = pxr.Vt.Vec3fArray(UsdGeom.Mesh(prim).GetPointsAttr().Get())
    assert skinning.ComputeSkinnedPoints(query.ComputeSkinningTransforms(time), points, time)
    place = np.array(UsdGeom.XformCache(time).GetLocalToWorldTransform(bound.GetPrim()))
    return np.array(points) @ place[:3, :3] + place[3, :3]


@pytest.fixture
def placed(tmp_path):
    """A stage that refers to a skinned torus and puts it elsewhere."""
    save(weighted(*torus(16, 8)), tmp_path / "torus.usda")

    def made(over=""):
        path = tmp_path / "placed.usda"
        path.write_text(PLACED.format(over=over))
        return path

    return made


@pytest.mark.parametrize("suffix", [".usda", ".usdc", ".usdz"])
def test_motion_is_that_of_our_skinning(placed, tmp_path, suffix):
    rig = load(placed())
    clip = clip_of(rig.skeleton)
    out = tmp_path / f"moved{suffix}"
    save(rig, out, clips=[clip])
    assert complaints(out) == []
    stage = stage_at(out)
    assert (stage.GetStartTimeCode(), stage.GetEndTimeCode()) == (0, 20)
    assert stage.GetTimeCodesPerSecond() == 30
    mesh = "/Stage/Rig/mesh"
    place = np.array(
        UsdGeom.XformCache().GetLocalToWorldTransform(stage.GetPrimAtPath("/Stage/Rig"))
    )
    for seconds, local in zip(clip.times, clip.local, strict=True):
        moved = carried(rig.skeleton, world(rig.skeleton, local))
        ours = linear_blend(rig.mesh.vertices, rig.weights.matrix, moved)
        ours = ours @ place[:3, :3] + place[3, :3]
        np.testing.assert_allclose(skinned(stage, mesh, seconds * 30), ours, atol=2e-6)


def test_a_skeleton_bound_elsewhere_moves_where_it_rests(placed, tmp_path):
    """What plays as the bind pose is drawn where the stage drew it before, at rest."""
    path = placed(ELSEWHERE)
    rig = load(path)
    still = Clip("still", np.array([0.0, 1.0]), np.stack([rest_local(rig.skeleton)] * 2))
    turned = clip_of(rig.skeleton)
    save(rig, tmp_path / "moved.usda", clips=[still, turned])
    before = skinned(stage_at(path), "/Stage/Rig/mesh", Usd.TimeCode.Default())
    after = skinned(stage_at(tmp_path / "moved.usda"), "/Stage/Rig/mesh", 30)
    np.testing.assert_allclose(after, before, atol=2e-6)
    first, second = load_clips(load(tmp_path / "moved.usda"))[-2:]
    np.testing.assert_allclose(second.local, turned.local, atol=1e-6)
    assert first.name == "still" or len(first) == 5


def test_motion_is_read_back(placed, tmp_path):
    rig = load(placed())
    clips = [clip_of(rig.skeleton), clip_of(rig.skeleton, 3, "Mesh")]
    save(rig, tmp_path / "moved.usda", clips=clips)
    again = load_clips(load(tmp_path / "moved.usda"))
    assert [clip.name for clip in again] == ["wave_about", "Mesh"]
    for found, clip in zip(again, clips, strict=True):
        np.testing.assert_allclose(found.times, clip.times, atol=1e-12)
        np.testing.assert_allclose(found.local, clip.local, atol=1e-6)


def test_only_motion_is_written_where_the_weights_are_those_of_the_file(placed, tmp_path):
    rig = load(placed())
    save(rig, tmp_path / "moved.usda", clips=[clip_of(rig.skeleton)])
    layer = Sdf.Layer.FindOrOpen(str(tmp_path / "moved.usda"))
    names = []
    layer.Traverse("/", names.append)
    assert {str(each).rsplit(".", 1)[-1] for each in names if each.IsPropertyPath()} == {
        "joints", "translations", "rotations", "scales", "skel:animationSource",
    }  # fmt: skip
    joints = layer.GetPrimAtPath("/Stage/Rig/Skeleton/wave_about").attributes["joints"].default
    assert len(joints) == 6  # two stay where they rest
    save(rig, tmp_path / "weights.usda", bits=8)
    layer = Sdf.Layer.FindOrOpen(str(tmp_path / "weights.usda"))
    assert layer.GetAttributeAtPath("/Stage/Rig/mesh.primvars:skel:jointWeights")


def test_motion_goes_from_gltf_to_openusd_and_back(tmp_path):
    save(weighted(*torus(16, 8)), tmp_path / "torus.glb")
    rig = load(tmp_path / "torus.glb")
    clip = clip_of(rig.skeleton)
    save(rig, tmp_path / "torus.glb", clips=[clip], force=True)
    rig = load(tmp_path / "torus.glb")
    save(rig, tmp_path / "torus.usdc", clips=load_clips(rig))
    assert complaints(tmp_path / "torus.usdc") == []
    middle = load(tmp_path / "torus.usdc")
    save(middle, tmp_path / "back.glb", clips=load_clips(middle))
    (again,) = load_clips(load(tmp_path / "back.glb"))
    np.testing.assert_allclose(again.local, clip.local, atol=2e-6)
    np.testing.assert_allclose(again.times, clip.times, atol=1e-6)


def test_a_sheared_joint_is_refused(placed, tmp_path):
    rig = load(placed())
    clip = clip_of(rig.skeleton)
    local = clip.local.copy()
    local[2, 5, 0, 1] += 0.5
    with pytest.raises(SkeletonError, match="'ring5' is sheared"):
        save(rig, tmp_path / "moved.usda", clips=[replace(clip, local=local)])
    with pytest.raises(SkeletonError, match="moves 7 joints of 8"):
        save(rig, tmp_path / "moved.usda", clips=[replace(clip, local=local[:, :7])])
    assert not (tmp_path / "moved.usda").exists()


def test_a_file_that_gets_joints_under_a_transform_rests_where_it_was(tmp_path):
    """With new joints, skinning takes over from the mesh's transform; the points stay."""
    rig = weighted(*torus(16, 8))
    stage = Usd.Stage.CreateNew(str(tmp_path / "bare.usda"))
    top = UsdGeom.Xform.Define(stage, "/Prop")
    top.AddTransformOp().Set(Gf.Matrix4d().SetRotate(Gf.Rotation((1, 2, 3), 50)))
    mesh = UsdGeom.Mesh.Define(stage, "/Prop/Ring")
    mesh.AddTranslateOp().Set((1, 2, 3))
    mesh.CreatePointsAttr(pxr.Vt.Vec3fArray.FromNumpy(rig.mesh.vertices.astype(np.float32)))
    mesh.CreateFaceVertexCountsAttr([3] * len(rig.mesh.faces))
    mesh.CreateFaceVertexIndicesAttr(rig.mesh.faces.ravel().tolist())
    stage.Save()
    place = np.array(mesh.ComputeLocalToWorldTransform(0))
    bare = load(tmp_path / "bare.usda", skeleton=rig.skeleton)
    fresh = np.random.default_rng(1).dirichlet(np.ones(8), len(bare.mesh.vertices))
    clip = Clip("still", np.array([0.0]), rest_local(rig.skeleton)[None])
    save(
        replace(bare, weights=Weights(sparse.csr_array(fresh))),
        tmp_path / "rigged.usda",
        clips=[clip],
    )
    drawn = skinned(stage_at(tmp_path / "rigged.usda"), "/Prop/Ring", 0)
    np.testing.assert_allclose(drawn, rig.mesh.vertices @ place[:3, :3] + place[3, :3], atol=2e-6)
