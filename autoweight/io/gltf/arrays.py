"""The arrays of a rig out of the accessors of a glTF file, part by part."""

from __future__ import annotations

from typing import Any

import numpy as np
from numpy.typing import NDArray
from scipy import sparse

from autoweight.errors import FileError, GeometryError
from autoweight.io import parts
from autoweight.io.gltf import accessors
from autoweight.io.gltf.binding import Binding
from autoweight.io.gltf.container import Container
from autoweight.io.gltf.pieces import TRIANGLE_FAN, TRIANGLES, Piece

__all__ = ["Arrays"]


class Arrays:
    """The arrays of a rig in the course of being read, part by part."""

    def __init__(self, source: Container, joint_nodes: tuple[int, ...]) -> None:
        self.source = source
        self.joint = {node: number for number, node in enumerate(joint_nodes)}
        self.count = 0
        self.face_count = 0
        self.found_vertices: list[NDArray[np.float64]] = []
        self.found_faces: list[NDArray[Any]] = []
        self.found_weights: list[sparse.csr_array | None] = []
        self.found_customs: list[tuple[slice, dict[str, NDArray[Any]]]] = []

    def add(self, attributes: dict[str, int], binding: Binding, part: str) -> slice:
        """Read the vertices of one block; where they are in the rig.

        Parameters
        ----------
        attributes : dict of str to int
            The accessor of each attribute that is read.
        binding : Binding
        part : str
            What messages call it.

        Raises
        ------
        FileError
            An attribute is missing, of another length or of another kind.
        """
        if "POSITION" not in attributes:
            raise FileError(f"part {part!r} has no positions; export it again")
        read = {
            name: (accessors.read if name.startswith("JOINTS") else accessors.read_floats)(
                self.source, number
            )
            for name, number in attributes.items()
        }
        position = read["POSITION"]
        if position.ndim != 2 or position.shape[1] != 3:
            raise FileError(f"part {part!r} has positions that are not VEC3; export it again")
        for name, values in read.items():
            if len(values) != len(position):
                raise FileError(
                    f"part {part!r} has {len(position)} positions but {len(values)} of {name}; "
                    "export it again"
                )
        span = slice(self.count, self.count + len(position))
        self.count = span.stop
        vertices = position.astype(np.float64)
        if not np.array_equal(binding.place, np.eye(4)):
            vertices = vertices @ binding.place[:3, :3].T + binding.place[:3, 3]
        self.found_vertices.append(vertices)
        self.found_weights.append(self._weights(read, binding, part))
        customs = {name: values for name, values in read.items() if name.startswith("_")}
        self.found_customs.append((span, customs))
        return span

    def add_faces(self, piece: Piece, vertices: slice) -> slice:
        """Read the triangles of one primitive; where they are in the rig."""
        count = vertices.stop - vertices.start
        if piece.primitive.indices is None:
            corners = np.arange(count, dtype=np.int32)
        else:
            corners = accessors.read(self.source, piece.primitive.indices)
            if corners.ndim != 1 or corners.dtype.kind != "u":
                raise FileError(f"part {piece.name!r} has indices of a wrong type; export it again")
        if len(corners) and corners.max() >= count:
            raise GeometryError(
                f"part {piece.name!r} has a face that points to vertex {corners.max()} of "
                f"{count}; export it again"
            )
        faces = _triangles(corners, piece.primitive.mode)
        if vertices.start:
            faces = faces.astype(np.int32) + np.int32(vertices.start)
        self.found_faces.append(faces)
        span = slice(self.face_count, self.face_count + len(faces))
        self.face_count = span.stop
        return span

    def vertices(self) -> NDArray[np.float64]:
        """Positions in bind space, (n, 3)."""
        return _joined(self.found_vertices)

    def faces(self) -> NDArray[Any]:
        """Vertex numbers of the rig, (m, 3)."""
        return _joined(self.found_faces)

    def weights(self) -> sparse.csr_array | None:
        """All weights, with empty rows for parts without; None if no part has any."""
        sizes = [len(vertices) for vertices in self.found_vertices]
        return parts.stacked(self.found_weights, sizes, len(self.joint))

    def attributes(self) -> dict[str, NDArray[Any]]:
        """Custom values for every vertex, 0 where a part has none."""
        return parts.attributes(self.found_customs, self.count)

    def _weights(
        self, read: dict[str, NDArray[Any]], binding: Binding, part: str
    ) -> sparse.csr_array | None:
        sets = sorted(
            (name.removeprefix("WEIGHTS_") for name in read if name.startswith("WEIGHTS_")), key=int
        )
        if not sets:
            return None
        missing = [number for number in sets if f"JOINTS_{number}" not in read]
        if missing:
            raise FileError(
                f"part {part!r} has WEIGHTS_{missing[0]} but no JOINTS_{missing[0]}; export "
                "it again"
            )
        for name, values in read.items():
            if name.startswith(("JOINTS", "WEIGHTS")) and values.shape[1:] != (4,):
                raise FileError(f"part {part!r} has {name} that is not VEC4; export it again")
            if name.startswith("JOINTS") and values.dtype.kind != "u":
                raise FileError(
                    f"part {part!r} has {name} that are no whole numbers from 0; export it again"
                )
        joints = np.concatenate([read[f"JOINTS_{number}"] for number in sets], axis=1)
        values = np.concatenate([read[f"WEIGHTS_{number}"] for number in sets], axis=1)
        column = np.array([self.joint[node] for node in binding.joints], dtype=np.int32)
        return parts.from_slots(joints, values, column, len(self.joint), part)


def _joined(pieces: list[NDArray[Any]]) -> NDArray[Any]:
    return pieces[0] if len(pieces) == 1 else np.concatenate(pieces)


def _triangles(corners: NDArray[Any], mode: int) -> NDArray[Any]:
    """Faces of a list, strip or fan (Khronos, glTF 2.0, section 3.7.2.1)."""
    if mode == TRIANGLES:
        return corners[: len(corners) // 3 * 3].reshape(-1, 3)
    count = max(0, len(corners) - 2)
    step = np.arange(count)
    if mode == TRIANGLE_FAN:
        return corners[np.stack([step + 1, step + 2, np.zeros_like(step)], axis=1)]
    odd = step % 2
    return corners[np.stack([step, step + 1 + odd, step + 2 - odd], axis=1)]
