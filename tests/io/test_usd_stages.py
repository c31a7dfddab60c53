"""What production stages are made of: instances, variants, values over time; and damaged ones.

Source: OpenUSD, "Scenegraph instancing", "VariantSet" and "TimeCode" in its glossary.
"""

from __future__ import annotations

import subprocess
import sys
import textwrap
from dataclasses import replace

import numpy as np
import pytest
from scipy import sparse
from tori import torus, weighted

from autoweight.errors import AutoweightError, FileError
from autoweight.io import load, load_all, save, save_all
from autoweight.io.usd import library
from autoweight.pose.clip import Clip, rest_local
from autoweight.rig import Weights

pxr = pytest.importorskip("pxr", reason="usd-core is not installed")
from pxr import Sdf, Usd, UsdGeom, UsdSkel  # noqa: E402
from usd_stages import complaints, stage_at  # noqa: E402

CROWD = """#usda 1.0
(
    defaultPrim = "Crowd"
    metersPerUnit = 1
    upAxis = "Y"
)

def Xform "Crowd"
{
    def "One" (
        instanceable = true
        prepend references = @./torus.usda@
    )
    {
    }

    def "Two" (
        instanceable = true
        prepend references = @./torus.usda@
    )
    {
        double3 xformOp:translate = (5, 0, 0)
        uniform token[] xformOpOrder = ["xformOp:translate"]
    }
}
"""


@pytest.fixture
def ring(tmp_path):
    rig = weighted(*torus(16, 8))
    save(rig, tmp_path / "torus.usda")
    return rig


def fresh(rig, seed=1):
    dense = np.random.default_rng(seed).dirichlet(np.ones(8), len(rig.mesh.vertices))
    return replace(rig, weights=Weights(sparse.csr_array(dense)))


@pytest.mark.parametrize("flatten", [False, True])
def test_instances_are_read_and_become_prims_of_their_own(tmp_path, ring, flatten):
    path = tmp_path / "crowd.usda"
    path.write_text(CROWD)
    found = load_all(path)
    assert [rig.name for rig in found] == ["One", "Two"]
    for rig in found:
        np.testing.assert_allclose(rig.mesh.vertices, ring.mesh.vertices, atol=1e-6)
        np.testing.assert_allclose(rig.weights.dense(), ring.weights.dense(), atol=1e-6)
    two = fresh(found[1])
    clip = Clip("still", np.array([0.0]), rest_local(two.skeleton)[None])
    out = tmp_path / "out.usda"
    save(two, out, clips=[clip], flatten=flatten)
    assert complaints(out) == []
    stage = stage_at(out)
    assert stage.GetPrimAtPath("/Crowd/One").IsInstance()
    assert not stage.GetPrimAtPath("/Crowd/Two").IsInstance()
    one, again = load_all(out)
    np.testing.assert_allclose(one.weights.dense(), ring.weights.dense(), atol=1e-6)
    np.testing.assert_allclose(again.weights.dense(), two.weights.dense(), atol=1e-6)
    assert stage.GetPrimAtPath("/Crowd/Two/Skeleton/still").IsA(UsdSkel.Animation)
    save_all([fresh(rig, seed) for seed, rig in enumerate(found)], tmp_path / "both.usda")
    for seed, rig in enumerate(load_all(tmp_path / "both.usda")):
        np.testing.assert_allclose(rig.weights.dense(), fresh(rig, seed).weights.dense(), atol=1e-6)


def test_values_over_time_are_read_at_the_first_and_said(tmp_path, ring, caplog):
    path = tmp_path / "torus.usda"
    stage = stage_at(path)
    mesh = UsdGeom.Mesh(stage.GetPrimAtPath("/Rig/mesh"))
    points = np.array(mesh.GetPointsAttr().Get())
    mesh.GetPointsAttr().Clear()
    mesh.GetPointsAttr().Set(pxr.Vt.Vec3fArray.FromNumpy(points), 7)
    mesh.GetPointsAttr().Set(pxr.Vt.Vec3fArray.FromNumpy(points + np.float32(1)), 9)
    stage.Export(str(tmp_path / "moving.usda"))
    rig = load(tmp_path / "moving.usda")
    np.testing.assert_allclose(rig.mesh.vertices, ring.mesh.vertices, atol=1e-6)
    (said,) = [record.getMessage() for record in caplog.records]
    assert said == (
        f"{tmp_path / 'moving.usda'}: read at the default or first time, but changes with it: "
        "/Rig/mesh.points"
    )


@pytest.fixture
def stderr_of(monkeypatch, capfd):
    """What the library writes there, past Python's own; nothing was told before."""
    monkeypatch.setattr(library, "_TOLD", set())
    return lambda: capfd.readouterr().err


def test_what_the_library_warns_of_is_told_once_in_a_line(tmp_path, ring, caplog, stderr_of):
    path, gone = tmp_path / "torus.usda", tmp_path / "gone.usda"
    path.write_text(path.read_text().replace("(\n", "(\n    subLayers = [@./gone.usda@]\n", 1))
    rig = load(path)
    save(rig, tmp_path / "out.usda", bits=16)
    load(path)
    assert [record.getMessage() for record in caplog.records] == [
        f"OpenUSD: Could not load sublayer @{gone}@ of layer @{path}@; skipping."
    ]
    assert stderr_of() == ""


def test_what_an_error_says_already_is_not_told_beside_it(tmp_path, ring, caplog, stderr_of):
    (tmp_path / "crowd.usda").write_text(CROWD.replace("./torus.usda", "./gone.usda"))
    with pytest.raises(FileError, match=r"Could not open asset @.*gone\.usda@"):
        load(tmp_path / "crowd.usda")
    assert not caplog.records and stderr_of() == ""


def test_a_mesh_without_points_is_no_part(tmp_path, ring):
    """What a part becomes that was deleted to the last face."""
    path = tmp_path / "torus.usda"
    stage = stage_at(path)
    empty = UsdGeom.Mesh.Define(stage, "/Rig/Empty")
    UsdSkel.BindingAPI.Apply(empty.GetPrim()).CreateSkeletonRel().SetTargets(["/Rig/Skeleton"])
    stage.Export(str(tmp_path / "more.usda"))
    rig = load(tmp_path / "more.usda")
    assert [part.name for part in rig.mesh.parts] == ["mesh"]
    save(fresh(rig), tmp_path / "out.usda")
    assert load(tmp_path / "out.usda").weights is not None


def test_a_transform_over_time_is_that_of_its_first(tmp_path, ring, caplog):
    """Only the transform of a mesh that is yet to be bound is a part of where its points are."""
    stage = Usd.Stage.CreateNew(str(tmp_path / "moving.usda"))
    UsdGeom.Xform.Define(stage, "/Top").AddTranslateOp().Set((0, 1, 0), 5)
    UsdGeom.Xformable(stage.GetPrimAtPath("/Top")).GetOrderedXformOps()[0].Set((0, 2, 0), 6)
    mesh = UsdGeom.Mesh.Define(stage, "/Top/Ring")
    mesh.CreatePointsAttr(pxr.Vt.Vec3fArray.FromNumpy(ring.mesh.vertices.astype(np.float32)))
    mesh.CreateFaceVertexCountsAttr([3] * len(ring.mesh.faces))
    mesh.CreateFaceVertexIndicesAttr(ring.mesh.faces.ravel().tolist())
    stage.Save()
    rig = load(tmp_path / "moving.usda", skeleton=ring.skeleton)
    np.testing.assert_allclose(rig.mesh.vertices, ring.mesh.vertices + [0, 1, 0], atol=1e-6)
    assert "/Top.xformOp:translate" in caplog.text


def test_variants_are_read_as_selected_and_said(tmp_path, ring, caplog):
    path = tmp_path / "shapes.usda"
    path.write_text(
        textwrap.dedent(
            """\
            #usda 1.0
            (
                defaultPrim = "Rig"
                metersPerUnit = 1
                upAxis = "Y"
            )

            def "Rig" (
                variants = { string shape = "wide" }
                prepend variantSets = "shape"
                prepend references = @./torus.usda@
            )
            {
                variantSet "shape" = {
                    "narrow" {}
                    "wide" {
                        over "mesh"
                        {
                            matrix4d primvars:skel:geomBindTransform = (
                                (2, 0, 0, 0), (0, 2, 0, 0), (0, 0, 2, 0), (0, 0, 0, 1))
                        }
                    }
                }
            }
            """
        )
    )
    rig = load(path)
    np.testing.assert_allclose(rig.mesh.vertices, 2 * ring.mesh.vertices, atol=1e-6)
    assert "variants that are selected: /Rig{shape=wide}" in caplog.text
    save(fresh(rig), tmp_path / "over.usda")
    again = load(tmp_path / "over.usda")
    np.testing.assert_array_equal(again.mesh.vertices, rig.mesh.vertices)
    np.testing.assert_allclose(again.weights.dense(), fresh(rig).weights.dense(), atol=1e-6)
    assert complaints(tmp_path / "over.usda") == []


# --- damaged files --------------------------------------------------------------------------------


@pytest.fixture
def probe(monkeypatch, tmp_path):
    """Another program in place of the one that reads a stage first."""

    def put(code):
        (tmp_path / "probe.py").write_text(textwrap.dedent(code))
        monkeypatch.setattr(library, "PROBE", tmp_path / "probe.py")

    return put


@pytest.mark.parametrize(
    ("code", "said"),
    [
        ("import os, signal; os.kill(os.getpid(), signal.SIGSEGV)", "brings the library down"),
        ("import os; os.abort()", "brings the library down"),
        (
            """
            import resource
            resource.setrlimit(resource.RLIMIT_CORE, (0, 0))
            resource.setrlimit(resource.RLIMIT_CPU, (1, 5))
            while True: pass
            """,
            "longer than a file of its size",
        ),
        ("import sys; print('noise', file=sys.stderr); sys.exit('no such thing')", "no such thing"),
    ],
)
def test_a_file_that_ends_the_process_is_an_error(tmp_path, ring, probe, code, said):
    if sys.platform == "win32":
        pytest.skip("has no signals")
    probe(code)
    with pytest.raises(FileError, match=rf"torus\.usda: is not an OpenUSD file.*{said}"):
        load(tmp_path / "torus.usda")


def test_memory_and_time_are_limited_by_the_size_of_the_files(tmp_path, ring):
    pytest.importorskip("resource", reason="has no limits for a process")
    code = f"""
        import sys, resource
        sys.path.insert(0, {str(library.PROBE.parent)!r})
        import probe
        probe.read({str(tmp_path / "torus.usda")!r})
        print(resource.getrlimit(resource.RLIMIT_AS)[0], resource.getrlimit(resource.RLIMIT_CPU)[0])
    """
    done = subprocess.run(
        [sys.executable, "-c", textwrap.dedent(code)], capture_output=True, text=True, check=True
    )
    memory, seconds = map(int, done.stdout.split())
    size = (tmp_path / "torus.usda").stat().st_size
    assert memory == (2 << 30) + 32 * size
    assert seconds == 20


def test_text_that_is_not_utf_8_is_an_error(tmp_path, ring):
    content = (tmp_path / "torus.usda").read_bytes()
    bad = content.replace(b'"ring5"', b'"ri\xff\xfe5"')
    assert bad != content
    (tmp_path / "bad.usda").write_bytes(bad)
    with pytest.raises(AutoweightError, match=r"bad\.usda: "):
        load(tmp_path / "bad.usda")


@pytest.mark.parametrize("suffix", ["usda", "usdc", "usdz"])
def test_damaged_files_are_an_error_or_a_rig(tmp_path, ring, suffix):
    """Bytes changed and cut; a crash would end the test run itself."""
    random = np.random.default_rng(9)
    save(ring, tmp_path / f"whole.{suffix}")
    content = (tmp_path / f"whole.{suffix}").read_bytes()
    for number in range(8):
        bad = bytearray(content)
        for at in random.integers(len(bad), size=4):
            bad[at] = random.integers(256)
        if number % 4 == 0:
            del bad[random.integers(len(bad)) :]
        path = tmp_path / f"bad{number}.{suffix}"
        path.write_bytes(bad)
        try:
            assert np.isfinite(load(path).mesh.vertices).all()
        except AutoweightError as error:
            assert str(error).startswith(f"{path}: ")


@pytest.mark.parametrize(
    ("spoil", "told"),
    [
        (lambda indices, weights: weights.SetElementSize(9), r"jointWeights \(9 each, vertex\)"),
        (lambda indices, weights: indices.SetInterpolation("varying"), r"\(\d each, varying\)"),
        (lambda indices, weights: weights.GetAttr().Clear(), "no jointWeights"),
    ],
)
def test_influences_that_the_library_leaves_out_are_not_taken_for_none(tmp_path, ring, spoil, told):
    stage = stage_at(tmp_path / "torus.usda")
    primvars = UsdGeom.PrimvarsAPI(stage.GetPrimAtPath("/Rig/mesh"))
    spoil(*(primvars.GetPrimvar(f"skel:joint{what}") for what in ("Indices", "Weights")))
    stage.Export(str(tmp_path / "spoiled.usda"))
    with pytest.raises(FileError, match=f"{told}.* does not use as they are; export it again"):
        load(tmp_path / "spoiled.usda")


def test_a_skeleton_outside_the_roots_of_its_meshes_moves_them_all_the_same(tmp_path, ring):
    # What has to be under a SkelRoot is what is skinned, not the Skeleton (OpenUSD, SkelRoot).
    path = tmp_path / "rig.usda"
    save(ring, path)
    stage = stage_at(path)
    mesh = next(prim for prim in stage.Traverse() if prim.IsA(UsdGeom.Mesh))
    root = UsdSkel.Root.Define(stage, "/Rig/Other").GetPath()
    moved = root.AppendChild(mesh.GetName())
    Sdf.CopySpec(stage.GetRootLayer(), mesh.GetPath(), stage.GetRootLayer(), moved)
    stage.RemovePrim(mesh.GetPath())
    stage.GetPrimAtPath("/Rig").SetTypeName("Xform")
    stage.GetRootLayer().Save()
    cache, top = UsdSkel.Cache(), UsdSkel.Root(stage.GetPrimAtPath(root))
    cache.Populate(top, Usd.PrimDefaultPredicate)
    (binding,) = cache.ComputeSkelBindings(top, Usd.PrimDefaultPredicate)
    assert binding.GetSkeleton().GetPath() == "/Rig/Skeleton"
    np.testing.assert_allclose(load(path).weights.dense(), ring.weights.dense(), atol=1e-7)
    stage.GetPrimAtPath(root).SetTypeName("Xform")
    stage.GetRootLayer().Save()
    with pytest.raises(FileError, match=f"{moved} is not under a SkelRoot, so nothing moves it"):
        load(path)


@pytest.mark.parametrize("way", ["over", "flattened", "itself"])
def test_values_that_are_kept_once_and_numbered(tmp_path, ring, way):
    # Any primvar may be indexed, and the library skins by the flattened values (UsdGeomPrimvar).
    path = tmp_path / "rig.usda"
    save(ring, path)
    stage = stage_at(path)
    mesh = next(prim for prim in stage.Traverse() if prim.IsA(UsdGeom.Mesh))
    primvars, bound = UsdGeom.PrimvarsAPI(mesh), UsdSkel.BindingAPI(mesh)
    count = len(ring.mesh.vertices)
    for primvar in (bound.GetJointIndicesPrimvar(), bound.GetJointWeightsPrimvar()):
        rows = np.array(primvar.Get()).reshape(count, -1)
        once, numbers = np.unique(rows, axis=0, return_inverse=True)
        assert len(once) < count
        primvar.Set(type(primvar.Get()).FromNumpy(np.ascontiguousarray(once[::-1]).ravel()))
        primvar.SetIndices((len(once) - 1 - numbers.ravel()).tolist())
    for name in ("_LOCK", "_OTHER", "tone"):
        primvar = primvars.CreatePrimvar(name, Sdf.ValueTypeNames.IntArray, "vertex")
        primvar.Set([0, 1])
        primvar.SetIndices([1] * 3 + [0] * (count - 3))
    stage.GetRootLayer().Save()
    read = load(path)
    np.testing.assert_allclose(read.weights.dense(), ring.weights.dense(), atol=1e-7)
    np.testing.assert_array_equal(read.attributes["_LOCK"], [1] * 3 + [0] * (count - 3))
    out = path if way == "itself" else tmp_path / "out.usda"
    locks = np.arange(count) % 2
    wanted = replace(fresh(read), attributes=read.attributes | {"_LOCK": locks})
    save(wanted, out, flatten=way == "flattened", force=True)
    again = load(out)
    np.testing.assert_allclose(again.weights.dense(), wanted.weights.dense(), atol=1e-7)
    np.testing.assert_array_equal(again.attributes["_LOCK"], locks)
    mesh = (stage := stage_at(out)).GetPrimAtPath(mesh.GetPath())
    assert stage
    for name in ("_OTHER", "tone"):
        kept = UsdGeom.PrimvarsAPI(mesh).GetPrimvar(name)
        assert kept.IsIndexed() and list(kept.ComputeFlattened()) == [1] * 3 + [0] * (count - 3)
    query = UsdSkel.Cache()
    query.Populate(UsdSkel.Root.Find(mesh), Usd.PrimDefaultPredicate)
    skinning = query.GetSkinningQuery(mesh)
    joints, weights = skinning.ComputeJointInfluences()
    dense = np.zeros((count, 8))
    width = skinning.GetNumInfluencesPerComponent()
    rows = np.repeat(np.arange(count), width)
    np.add.at(dense, (rows, np.array(joints)), np.array(weights))
    np.testing.assert_allclose(dense, wanted.weights.dense(), atol=1e-7)
