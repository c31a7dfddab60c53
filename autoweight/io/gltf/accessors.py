"""Arrays out of a glTF file's accessors, as views on its bytes wherever that can be.

Source: Khronos, glTF 2.0, sections 3.6.2 (accessors) and 3.6.2.4 (alignment).
"""

from __future__ import annotations

from typing import Any

import numpy as np
from numpy.typing import NDArray

from autoweight.errors import FileError
from autoweight.io.gltf.container import Container
from autoweight.io.gltf.schema import nth

__all__ = ["BYTE", "FLOAT", "UNSIGNED_BYTE", "UNSIGNED_SHORT", "read", "read_floats"]

BYTE, UNSIGNED_BYTE, SHORT, UNSIGNED_SHORT, UNSIGNED_INT, FLOAT = (
    5120,
    5121,
    5122,
    5123,
    5125,
    5126,
)
DTYPES: dict[int, np.dtype[Any]] = {
    BYTE: np.dtype("<i1"),
    UNSIGNED_BYTE: np.dtype("<u1"),
    SHORT: np.dtype("<i2"),
    UNSIGNED_SHORT: np.dtype("<u2"),
    UNSIGNED_INT: np.dtype("<u4"),
    FLOAT: np.dtype("<f4"),
}
# Columns and rows of an element.
SHAPES = {
    "SCALAR": (1, 1),
    "VEC2": (1, 2),
    "VEC3": (1, 3),
    "VEC4": (1, 4),
    "MAT2": (2, 2),
    "MAT3": (3, 3),
    "MAT4": (4, 4),
}


def read(source: Container, index: int) -> NDArray[Any]:
    """An accessor's elements with the component type of the file.

    Parameters
    ----------
    source : Container
    index : int
        Number of the accessor.

    Returns
    -------
    ndarray, shape (count,), (count, k) for vectors, (count, k, k) for matrices
        Matrices act on column vectors. Often a read-only view of the file.

    Raises
    ------
    FileError
        The accessor reaches outside its bytes, or they are behind an extension.
    """
    accessor = nth(source.tree.accessors, index, "accessor")
    what = f"accessor {index}"
    if accessor.component_type not in DTYPES or accessor.type not in SHAPES:
        raise FileError(
            f"{what} has component type {accessor.component_type} and type {accessor.type!r}, "
            "which glTF 2.0 does not know; export it again"
        )
    dtype = DTYPES[accessor.component_type]
    columns, rows = SHAPES[accessor.type]
    shape = (accessor.count, columns, rows)
    if accessor.buffer_view is None:
        # All zero. No file says so of more elements than it has bytes of anything else.
        if accessor.count > sum(map(len, filter(None, source.buffers))):
            raise FileError(
                f"{what} has {accessor.count} elements but no bytes; the file is damaged, export "
                "it again"
            )
        found = np.zeros(shape, dtype)
    else:
        found = _view(source, accessor.buffer_view, accessor.byte_offset, dtype, shape, what)
    if accessor.sparse is not None:
        sparse = accessor.sparse
        if sparse.indices.component_type not in (UNSIGNED_BYTE, UNSIGNED_SHORT, UNSIGNED_INT):
            raise FileError(f"{what} has sparse indices that are not unsigned; export it again")
        at = _view(
            source,
            sparse.indices.buffer_view,
            sparse.indices.byte_offset,
            DTYPES[sparse.indices.component_type],
            (sparse.count, 1, 1),
            what,
        ).ravel()
        if at.max() >= accessor.count:
            raise FileError(f"{what} has a sparse index out of range; export it again")
        values = sparse.values
        found = found.copy()
        found[at] = _view(
            source,
            values.buffer_view,
            values.byte_offset,
            dtype,
            (sparse.count, columns, rows),
            what,
        )
    if accessor.type.startswith("MAT"):
        return found.transpose(0, 2, 1)
    return found[:, 0, 0] if accessor.type == "SCALAR" else found[:, 0, :]


def read_floats(source: Container, index: int) -> NDArray[Any]:
    """As `read`, with integers of a normalised accessor turned to numbers in -1..1."""
    found = read(source, index)
    if not source.tree.accessors[index].normalized or found.dtype.kind == "f":
        return found
    scaled = found / np.float64(np.iinfo(found.dtype).max)
    return np.maximum(scaled, -1.0) if found.dtype.kind == "i" else scaled


def _view(
    source: Container,
    index: int,
    offset: int,
    dtype: np.dtype[Any],
    shape: tuple[int, int, int],
    what: str,
) -> NDArray[Any]:
    view = nth(source.tree.buffer_views, index, "bufferView")
    content = nth(source.buffers, view.buffer, "buffer")
    if content is None:
        names = ", ".join(view.extensions) or "no extension"
        raise FileError(
            f"{what} has no bytes of its own ({names} holds them); this compression cannot be "
            "decoded here, export the file without it"
        )
    # Columns of a matrix begin at multiples of 4 bytes.
    column = shape[2] * dtype.itemsize
    if shape[1] > 1:
        column += -column % 4
    element = shape[1] * column
    stride = view.byte_stride or element  # some exporters write 0 for none
    used = offset + stride * (shape[0] - 1) + element
    if (
        stride < element
        or used > view.byte_length
        or view.byte_offset + view.byte_length > len(content)
    ):
        raise FileError(
            f"{what} reaches outside its bytes, or its elements overlap (bufferView {index}); "
            "the file is damaged, export it again"
        )
    return np.ndarray(
        shape, dtype, content, view.byte_offset + offset, (stride, column, dtype.itemsize)
    )
