"""Weights in a table of their own, by joint name.

``.npz`` has the arrays of `scipy.sparse.save_npz`, so that `scipy.sparse.load_npz` reads it, and
one more, ``joints``, with the name of each column. ``.csv`` has the columns vertex, joint and
weight and a row for each weight that is not 0; vertices are numbered from 0 as in the mesh file.
"""

from __future__ import annotations

import csv
import io
import sys
from collections.abc import Sequence
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray
from scipy import sparse

from autoweight.errors import FileError, WeightsError, naming, suggestion, unreadable
from autoweight.io import atomic
from autoweight.rig import ROW_SUM_TOLERANCE, Rig, Weights
from autoweight.rows import entry_rows

__all__ = ["load", "save_all"]

EXTRAS = ()
HEADER = ["vertex", "joint", "weight"]
# Four weights rounded to two digits miss 1 by no more than 0.02; what misses by more is somebody's
# mistake, and what misses by less than the tolerance of `Weights` is left as it is.
ROUNDED = 0.025


def save_all(rigs: Sequence[Rig], path: Path, *, bits: int | None) -> None:
    """Write the weights of a rig; see `autoweight.io.save_all`.

    Numbers are written in full, so `bits` says nothing here.
    """
    if len(rigs) > 1:
        cast = ", ".join(rig.name for rig in rigs)
        raise FileError(f"a table has the weights of one character; take one of {cast} by --root")
    (rig,) = rigs
    if rig.weights is None:
        raise WeightsError("there are no weights to write; solve them first")
    matrix, names = rig.weights.matrix, np.array(rig.skeleton.names)
    if path.suffix.lower() == ".npz":
        content = io.BytesIO()
        np.savez(
            content,
            format=np.array(b"csr"),
            _is_array=np.array(True),
            shape=np.array(matrix.shape),
            data=matrix.data,
            indices=matrix.indices,
            indptr=matrix.indptr,
            joints=names,
        )
        atomic.write(path, [content.getbuffer()])
        return
    text = io.StringIO(newline="")
    writer = csv.writer(text, lineterminator="\n")
    writer.writerow(HEADER)
    writer.writerows(
        zip(
            entry_rows(matrix).tolist(),
            names[matrix.indices].tolist(),
            matrix.data.tolist(),
            strict=True,
        )
    )
    atomic.write(path, [text.getvalue().encode()])


def load(path: str | Path, rig: Rig) -> Weights:
    """Read weights for a rig from a table.

    Parameters
    ----------
    path : str or Path
        ``.npz`` or ``.csv``.
    rig : Rig
        Its joints may be in another order than the table's, and be more.

    Returns
    -------
    Weights
        Rows that miss 1 by a little, as numbers rounded by hand do, are scaled.

    Raises
    ------
    FileError, WeightsError
        The file cannot be read, has other vertices or a joint that the rig has not, or rows that
        do not sum to 1.
    """
    path = Path(path)
    try:
        vertex, joint, names, values, count = (
            _from_npz(path) if path.suffix.lower() == ".npz" else _from_csv(path)
        )
    except OSError as error:
        raise unreadable(path, error) from error
    except Exception as error:  # a broken archive fails in no end of ways
        raise FileError(f"{path}: is not a weight table ({error}); export it again") from error
    shape = (len(rig.mesh.vertices), len(rig.skeleton))
    if (count or shape[0]) != shape[0] or (len(vertex) and vertex.max() >= shape[0]):
        have = count or int(vertex.max()) + 1
        raise FileError(
            f"{path}: has weights for {have} vertices, the mesh has {shape[0]}; "
            "use the table of this mesh"
        )
    unknown = [name for name in names if name not in rig.skeleton.index]
    if unknown:
        raise FileError(
            f"{path}: has joint {unknown[0]!r}, which the rig has not; "
            f"{suggestion(unknown[0], rig.skeleton.names)}"
        )
    column = np.array([rig.skeleton.index[name] for name in names], dtype=np.int32)
    matrix = sparse.csr_array(sparse.coo_array((values, (vertex, column[joint])), shape=shape))
    sums = matrix.sum(axis=1)
    miss = np.abs(sums - 1)
    rounded = (miss < ROUNDED) & (miss > ROW_SUM_TOLERANCE)
    matrix.data /= np.repeat(np.where(rounded, sums, 1.0), np.diff(matrix.indptr))
    with naming(path):
        return Weights(matrix)


Triplets = tuple[NDArray[Any], NDArray[Any], list[str], NDArray[Any], int | None]


def _from_npz(path: Path) -> Triplets:
    with np.load(path, allow_pickle=False) as file:
        names = _texts(file["joints"])
        data, indices, indptr = file["data"], file["indices"], file["indptr"]
        rows, columns = (int(each) for each in file["shape"])
    if columns != len(names):
        raise ValueError(f"{columns} columns but {len(names)} joint names")
    if (indptr < 0).any() or (indptr > len(indices)).any():  # so far that differences wrap round
        raise ValueError("its rows are outside its values")
    matrix = sparse.csr_array((data, indices, indptr), shape=(rows, columns))
    matrix.check_format(full_check=True)  # else what points outside is read from anywhere
    matrix = matrix.tocoo()
    return matrix.row, matrix.col, names, matrix.data, rows


def _texts(array: NDArray[Any]) -> list[str]:
    """The strings of an array, whose characters numpy takes without a look."""
    if array.dtype.kind != "U" or array.ndim != 1:
        raise ValueError("its joints are not a list of names")
    codes = np.ascontiguousarray(array.astype(array.dtype.newbyteorder("="))).view(np.uint32)
    if ((codes > sys.maxunicode) | ((codes >= 0xD800) & (codes < 0xE000))).any():
        raise ValueError("a joint's name is no text")
    return [str(name) for name in array]


def _from_csv(path: Path) -> Triplets:
    with path.open(encoding="utf-8-sig", newline="") as file:
        rows = csv.reader(file)
        header = [cell.strip().lower() for cell in next(rows, [])]
        if header != HEADER:
            raise ValueError(f"the first line is not {','.join(HEADER)}")
        columns = list(zip(*(row for row in rows if row), strict=True))
    if len(columns) != len(HEADER):
        raise ValueError("there are no weights in it, or lines of different lengths")
    names, joint = np.unique(np.array(columns[1]), return_inverse=True)
    vertex = np.array(columns[0]).astype(np.int64)
    if vertex.min() < 0:
        raise ValueError("a vertex number is negative")
    return vertex, joint, names.tolist(), np.array(columns[2]).astype(np.float64), None
