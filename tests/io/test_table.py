"""Weight tables."""

import csv
from dataclasses import replace

import numpy as np
import pytest
from calling import CliRunner
from scipy import sparse

from autoweight.cli import main
from autoweight.errors import FileError, WeightsError
from autoweight.io import load, load_weights, save
from autoweight.rig import Mesh, Rig, Skeleton, Weights


def rig(names=("hip, left", "knee", "ümlaut")):
    values = np.random.default_rng(4).dirichlet(np.ones(3), 5)
    values[2] = (0, 1, 0)
    return Rig(
        Mesh(np.random.default_rng(5).random((5, 3)), [(0, 1, 2), (2, 3, 4)]),
        Skeleton(names, [-1, 0, 1], np.tile(np.eye(4), (3, 1, 1))),
        Weights(values),
    )


@pytest.mark.parametrize("suffix", ["npz", "csv"])
def test_tables_come_back_bit_for_bit(tmp_path, suffix):
    path = tmp_path / f"weights.{suffix}"
    save(rig(), path)
    np.testing.assert_array_equal(load_weights(path, rig()).dense(), rig().weights.dense())
    first = path.read_bytes()
    save(rig(), path)
    assert path.read_bytes() == first


@pytest.mark.parametrize("suffix", ["npz", "csv"])
def test_joints_are_matched_by_name(tmp_path, suffix):
    path = tmp_path / f"weights.{suffix}"
    save(rig(), path)
    other = Skeleton(
        ("ümlaut", "new", "hip, left", "knee"), [-1] * 4, np.tile(np.eye(4), (4, 1, 1))
    )
    found = load_weights(path, replace(rig(), skeleton=other, weights=None)).dense()
    np.testing.assert_array_equal(found[:, [2, 3, 0]], rig().weights.dense())
    assert not found[:, 1].any()
    with pytest.raises(FileError, match="has joint 'knee', which the rig has not; did you mean"):
        load_weights(path, rig(("hip, left", "knees", "ümlaut")))


def test_scipy_reads_the_npz(tmp_path):
    save(rig(), tmp_path / "weights.npz")
    found = sparse.load_npz(tmp_path / "weights.npz")
    np.testing.assert_array_equal(found.toarray(), rig().weights.dense())
    with np.load(tmp_path / "weights.npz") as file:
        assert file["joints"].tolist() == list(rig().skeleton.names)


def test_csv_is_plain_csv(tmp_path):
    save(rig(), tmp_path / "weights.csv")
    with (tmp_path / "weights.csv").open(newline="") as file:
        rows = list(csv.DictReader(file))
    assert {row["joint"] for row in rows} == set(rig().skeleton.names)
    assert [row for row in rows if row["vertex"] == "2"] == [
        {"vertex": "2", "joint": "knee", "weight": "1.0"}
    ]


def test_numbers_rounded_by_hand(tmp_path):
    path = tmp_path / "weights.csv"
    path.write_text(
        'vertex,joint,weight\n0,knee,.33\n0,ümlaut,.33\n0,"hip, left",.33\n'
        + "".join(f"{vertex},knee,1\n" for vertex in range(1, 5))
    )
    np.testing.assert_allclose(load_weights(path, rig()).dense()[0], 1 / 3)


@pytest.mark.parametrize(
    ("text", "error", "message"),
    [
        ("", FileError, "first line is not vertex,joint,weight"),
        ("vertex,joint,weight\n", FileError, "no weights"),
        ("vertex,joint,weight\n0,knee\n", FileError, "no weights in it, or lines"),
        ("vertex,joint,weight\n0,knee,1\n1,knee\n", FileError, "not a weight table"),
        ("vertex,joint,weight\n0,knee,x\n", FileError, "not a weight table"),
        ("vertex,joint,weight\n-1,knee,1\n", FileError, "negative"),
        ("vertex,joint,weight\n5,knee,1\n", FileError, "weights for 6 vertices, the mesh has 5"),
        ("vertex,joint,weight\n0,knee,1\n", WeightsError, "4 vertices do not sum to 1"),
        ("vertex,joint,weight\n0,knee,nan\n", WeightsError, "not finite"),
    ],
)
def test_broken_csv(tmp_path, text, error, message):
    path = tmp_path / "weights.csv"
    path.write_text(text)
    with pytest.raises(error, match=message) as caught:
        load_weights(path, rig())
    assert str(caught.value).startswith(f"{path}: ")


def test_broken_npz(tmp_path):
    path = tmp_path / "weights.npz"
    path.write_bytes(b"rubbish")
    with pytest.raises(FileError, match="not a weight table"):
        load_weights(path, rig())
    sparse.save_npz(path, rig().weights.matrix)
    with pytest.raises(FileError, match="joints is not a file"):
        load_weights(path, rig())
    with pytest.raises(FileError, match="cannot read"):
        load_weights(tmp_path / "none.npz", rig())
    save(rig(), path)
    smaller = Mesh(rig().mesh.vertices[:3], [(0, 1, 2)])
    with pytest.raises(FileError, match="weights for 5 vertices, the mesh has 3"):
        load_weights(path, Rig(smaller, rig().skeleton))


def test_tidy_puts_a_table_into_the_rig(tmp_path):
    # The rig has other weights of its own, so what comes out can only be the table's.
    built = rig()
    save(built, tmp_path / "rig.glb")
    swapped = replace(built, weights=Weights(built.weights.dense()[:, [1, 2, 0]]))
    save(swapped, tmp_path / "weights.csv")
    done = CliRunner().invoke(
        main,
        ["tidy", str(tmp_path / "rig.glb"), "--weights", str(tmp_path / "weights.csv")]
        + ["--prune", "0", "-o", str(tmp_path / "out.glb")],
    )
    assert done.exit_code == 0, done.output
    found = load(tmp_path / "out.glb").weights.dense()
    np.testing.assert_allclose(found, swapped.weights.dense(), atol=1e-6)


def test_an_index_outside_the_table_is_refused(tmp_path):
    """Scipy takes such an array without a look and reads beyond it later."""
    finished = rig()
    save(finished, tmp_path / "table.npz")
    with np.load(tmp_path / "table.npz") as file:
        held = dict(file)
    held["indices"] = np.where(held["indices"] == 0, 9, held["indices"])
    np.savez(tmp_path / "table.npz", **held)
    with pytest.raises(FileError, match="is not a weight table"):
        load_weights(tmp_path / "table.npz", finished)


def test_rows_outside_the_table_are_refused(tmp_path):
    """Their differences wrap round to what is in order, which is all that scipy looks at."""
    finished = rig()
    save(finished, tmp_path / "table.npz")
    with np.load(tmp_path / "table.npz") as file:
        held = dict(file)
    held["indptr"] = held["indptr"].astype(np.int64)
    held["indptr"][1:-1] = np.linspace(1, 4, len(held["indptr"]) - 2).astype(np.int64) << 61
    np.savez(tmp_path / "table.npz", **held)
    with pytest.raises(FileError, match="is not a weight table"):
        load_weights(tmp_path / "table.npz", finished)


def test_a_name_of_no_characters_is_refused(tmp_path):
    """Numpy takes any four bytes for a character; Python does not."""
    finished = rig()
    save(finished, tmp_path / "table.npz")
    with np.load(tmp_path / "table.npz") as file:
        held = dict(file)
    held["joints"].view(np.uint32)[0] = 0x7FFFFFFF
    np.savez(tmp_path / "table.npz", **held)
    with pytest.raises(FileError, match="a joint's name is no text"):
        load_weights(tmp_path / "table.npz", finished)
