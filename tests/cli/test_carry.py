"""``autoweight carry``, as it is typed."""

from __future__ import annotations

import json
from dataclasses import replace

import numpy as np
import pytest
from calling import CliRunner
from gltf_files import strip
from scipy import sparse
from tori import bare, torus, weighted

from autoweight.cli import main
from autoweight.io import load, save
from autoweight.rig import Weights


@pytest.fixture
def folder(tmp_path, monkeypatch):
    """A finished torus, two that were modelled after it, and one without joints."""
    monkeypatch.chdir(tmp_path)
    save(weighted(*torus(48, 20)), "finished.glb")
    for name, size, tube in (("coarse", (24, 10), 0.35), ("coat", (40, 17), 0.37)):
        new = bare(*torus(*size, tube=tube))
        first = sparse.csr_array(np.eye(8)[np.zeros(len(new.mesh.vertices), dtype=int)])
        save(replace(new, weights=Weights(first)), f"{name}.glb")
    vertices, faces = torus(48, 20)
    lines = [f"v {x:.9g} {y:.9g} {z:.9g}" for x, y, z in vertices]
    lines += [f"f {a} {b} {c}" for a, b, c in faces + 1]
    (tmp_path / "plain.obj").write_text("\n".join(lines))
    return tmp_path


def run(*arguments: str) -> tuple[int, str, str]:
    result = CliRunner().invoke(main, ["carry", *arguments])
    return result.exit_code, result.stdout, result.stderr


def test_the_same_file_comes_out_bit_for_bit(folder):
    code, out, _ = run("finished.glb", "finished.glb", "-o", "out.glb", "--quiet", "--json")
    assert code == 0
    assert json.loads(out)["carried"][0]["kept"] == 960
    first, second = (load(name).weights.matrix for name in ("finished.glb", "out.glb"))
    assert first.data.tobytes() == second.data.tobytes()
    assert (folder / "out.glb").read_bytes() == (folder / "finished.glb").read_bytes()


def test_what_is_locked_meets_no_cap(folder):
    finished = load("finished.glb")
    locked = np.arange(len(finished.mesh.vertices)) < 200
    marked = {"_LOCK": locked.astype(np.float32)}
    save(replace(finished, attributes=marked), "locked.glb")
    code, _, _ = run("locked.glb", "finished.glb", "-o", "out.glb", "--max-influences", "1")
    assert code == 0
    written = load("out.glb")
    assert written.attributes["_LOCK"].dtype == np.float32  # as the file had it
    out, before = written.weights.matrix, finished.weights.matrix
    assert (out[locked] != before[locked]).nnz == 0
    assert np.diff(out[~locked].indptr).max() == 1


def test_clothes_and_levels_of_detail_in_one_call(folder):
    code, out, _ = run("finished.glb", "coarse.glb", "coat.glb", "-o", "out", "--confidence")
    assert code == 0
    rows = [line.split() for line in out.splitlines()]
    assert rows[0] == ["wrote", "vertices", "kept", "interpolated", "filled", "solved"]
    assert [row[0] for row in rows[1:]] == ["out/coarse.glb", "out/coat.glb"]
    coat = load("out/coat.glb")
    trust = np.asarray(coat.attributes["_CARRY"]).ravel()
    assert ((trust > 0.5) & (trust < 1)).all()
    assert coat.weights.influences.max() <= 4


def test_a_plain_mesh_gets_the_joints(folder):
    code, _, _ = run("finished.glb", "plain.obj", "-o", "out.glb")
    assert code == 0
    out = load("out.glb")
    assert out.skeleton.names == load("finished.glb").skeleton.names
    np.testing.assert_allclose(out.weights.dense(), load("finished.glb").weights.dense(), atol=1e-4)


def test_a_usd_file_without_joints_gets_them_too(folder):
    pxr = pytest.importorskip("pxr.Usd", reason="usd-core is not installed")
    save(load("finished.glb"), "whole.usda")
    stage = pxr.Stage.Open("whole.usda")
    stage.RemovePrim("/Rig/Skeleton")
    stage.GetPrimAtPath("/Rig").SetTypeName("Xform")
    for each in ("skel:skeleton", "primvars:skel:jointIndices", "primvars:skel:jointWeights"):
        stage.GetPrimAtPath("/Rig/mesh").RemoveProperty(each)
    stage.Export("bare.usda")
    code, _, _ = run("finished.glb", "bare.usda", "-o", "out.usda")
    assert code == 0
    first, second = (load(name).weights.matrix for name in ("finished.glb", "out.usda"))
    assert (first != second).nnz == 0


def test_a_plain_mesh_among_several_is_written_as_glb(folder):
    code, out, _ = run("finished.glb", "plain.obj", "coat.glb", "-o", "out")
    assert code == 0, out
    assert sorted(path.name for path in (folder / "out").iterdir()) == ["coat.glb", "plain.glb"]


def test_tidying_that_was_asked_for_reaches_kept_vertices(folder):
    code, _, _ = run("finished.glb", "finished.glb", "-o", "out.glb", "--max-influences", "1")
    assert code == 0
    assert load("out.glb").weights.influences.max() == 1


@pytest.mark.parametrize(
    ("arguments", "said"),
    [
        (("finished.glb", "coarse.glb", "-o", "finished.glb"), "is the finished rig"),
        (("finished.glb", "coarse.glb", "-o", "coarse.glb"), "--force"),
        (("finished.glb", "coarse.glb", "coat.glb", "-o", "plain.obj"), "name a folder"),
        (("finished.glb", "coarse.glb", "./coarse.glb", "-o", "out"), "two results"),
        (("finished.glb", "coarse.glb", "coat.glb", "-o", "no/out"), "there is no folder no"),
        (("finished.glb", "gone.glb", "-o", "out.glb"), "gone.glb"),
        (("finished.glb", "coarse.glb", "gone.glb", "-o", "out"), "gone.glb"),
    ],
)
def test_what_cannot_be_done_leaves_everything_as_it_was(folder, arguments, said):
    before = {path: path.read_bytes() for path in folder.rglob("*") if path.is_file()}
    code, out, error = run(*arguments)
    assert code == 2
    assert out == ""
    assert said in error and error.count("\n") == 1
    assert {path: path.read_bytes() for path in folder.rglob("*") if path.is_file()} == before


def test_a_mesh_without_faces_is_told_what_is_wrong(tmp_path):
    finished = strip().glb(tmp_path / "finished.glb")
    (tmp_path / "points.obj").write_text("v 0 0 0\nv 1 0 0\nv 0 1 0\n")
    done = CliRunner().invoke(
        main, ["carry", str(finished), str(tmp_path / "points.obj"), "-o", str(tmp_path / "o.glb")]
    )
    assert done.exit_code == 2
    assert done.stderr == (
        f"autoweight: {tmp_path}/points.obj: has no mesh with faces; export it with some\n"
    )
