"""The nouns every stage passes on: mesh, skeleton, weights, rig.

All are frozen and validated once, when built; the code behind them trusts what it is given.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from functools import cached_property
from pathlib import Path
from typing import Any, Protocol

import numpy as np
from numpy.typing import NDArray
from scipy import sparse

from autoweight.errors import GeometryError, RecipeError, SkeletonError, WeightsError, suggestion
from autoweight.rows import owners
from autoweight.vectors import diagonal

__all__ = ["Document", "Mesh", "Part", "Rig", "Skeleton", "Weights", "hanging", "nearest_above"]

ROW_SUM_TOLERANCE = 1e-6

FAR = 1e18
"""The square of a coordinate beyond this may be more than float32 can hold, in scene units."""

ON_JOINT = 1e-9
"""A tip nearer to its joint than this, in extents of the skeleton, is on it."""


@dataclass(frozen=True)
class Part:
    """One named piece of a mesh, as the file divides it.

    Parameters
    ----------
    name : str
        Unique within its mesh.
    vertices, faces : slice
        Its ranges in the vertices and faces of the mesh, with start and stop set. Pieces that
        share vertices in the file share the range here.
    """

    name: str
    vertices: slice
    faces: slice


@dataclass(frozen=True, eq=False)
class Mesh:
    """Triangles in bind space, vertex for vertex as the file has them.

    Parameters
    ----------
    vertices : array_like, shape (n, 3)
        Positions in scene units, converted to float64.
    faces : array_like, shape (m, 3)
        Vertex indices, converted to int32.
    parts : sequence of Part, optional
        Named ranges; one part that spans everything when left out.

    Raises
    ------
    GeometryError
        An array of the wrong shape, no faces, an index out of range, a position that is not
        finite, or two parts with one name.
    """

    vertices: NDArray[np.float64]
    faces: NDArray[np.int32]
    parts: tuple[Part, ...] = ()

    def __post_init__(self) -> None:
        vertices = np.ascontiguousarray(self.vertices, dtype=np.float64)
        faces = np.asarray(self.faces)
        if vertices.ndim != 2 or vertices.shape[1] != 3:
            raise GeometryError(f"vertices: need shape (n, 3), got {vertices.shape}")
        if faces.ndim != 2 or faces.shape[1] != 3:
            raise GeometryError(f"faces: need shape (m, 3), got {faces.shape}")
        if len(vertices) == 0 or len(faces) == 0:
            raise GeometryError(
                f"the mesh is empty ({len(vertices)} vertices, {len(faces)} faces); "
                "give one with at least one triangle"
            )
        finite = np.isfinite(vertices).all(axis=1)
        if not finite.all():
            bad = np.flatnonzero(~finite)
            raise GeometryError(
                f"{len(bad)} vertex positions are not finite, the first is vertex {bad[0]}; "
                "repair them in the model"
            )
        away = np.flatnonzero((np.abs(vertices) > FAR).any(axis=1))
        if len(away):
            raise GeometryError(
                f"{len(away)} vertex positions are beyond {FAR:g}, the first is vertex {away[0]}; "
                "repair them in the model"
            )
        if faces.min() < 0 or faces.max() >= len(vertices):
            outside = np.flatnonzero(((faces < 0) | (faces >= len(vertices))).any(axis=1))
            raise GeometryError(
                f"{len(outside)} faces point outside the {len(vertices)} vertices, the first is "
                f"face {outside[0]}; export the mesh again"
            )
        parts = tuple(self.parts) or (Part("mesh", slice(0, len(vertices)), slice(0, len(faces))),)
        names = [part.name for part in parts]
        if len(set(names)) < len(names):
            twice = next(name for name in names if names.count(name) > 1)
            raise GeometryError(f"two parts are named {twice!r}; rename one")
        _freeze(self, vertices=vertices, faces=np.ascontiguousarray(faces, dtype=np.int32))
        object.__setattr__(self, "parts", parts)

    @cached_property
    def diagonal(self) -> float:
        """Length of the bounding-box diagonal, in scene units."""
        return diagonal(self.vertices)

    def in_parts(self, chosen: NDArray[np.bool_]) -> NDArray[np.bool_]:
        """Which vertices the faces of some parts use, (n,), given which parts, (p,)."""
        found = np.zeros(len(self.vertices), dtype=bool)
        for part, wanted in zip(self.parts, chosen, strict=True):
            if wanted:
                found[self.faces[part.faces]] = True
        return found


@dataclass(frozen=True, eq=False)
class Skeleton:
    """A forest of named joints with their bind transforms.

    Parameters
    ----------
    names : sequence of str
        Unique joint names.
    parents : array_like, shape (j,)
        Index of each joint's parent, -1 for a root; parents precede their children.
    rest : array_like, shape (j, 4, 4)
        World bind transforms acting on column vectors: ``rest[i, :3, 3]`` is where joint i is.
    tips : mapping of int to array_like, shape (3,), optional
        Where the bone of a joint ends in bind space, by the number of the joint, where the file
        says so: mostly of joints without children.
    apart : frozenset of int, optional
        Joints that no flesh hangs on, such as the socket of a prop, nor on any that hang from them:
        no bone leads to them.

    Raises
    ------
    SkeletonError
        No joints, two joints of one name, a parent that does not precede its child (which is
        also how a cycle shows), a transform that is not finite or cannot be inverted, or a tip
        that is not finite, on its joint or of no joint.
    """

    names: tuple[str, ...]
    parents: NDArray[np.int32]
    rest: NDArray[np.float64]
    tips: Mapping[int, NDArray[np.float64]] = field(default_factory=dict)
    apart: frozenset[int] = frozenset()

    def __post_init__(self) -> None:
        names = tuple(self.names)
        parents = np.ascontiguousarray(self.parents, dtype=np.int32)
        rest = np.ascontiguousarray(self.rest, dtype=np.float64)
        count = len(names)
        if count == 0:
            raise SkeletonError("there are no joints; name the hierarchy to weight to")
        if parents.shape != (count,) or rest.shape != (count, 4, 4):
            raise SkeletonError(
                f"{count} joint names need parents ({count},) and transforms ({count}, 4, 4), "
                f"got {parents.shape} and {rest.shape}"
            )
        if len(set(names)) < count:
            twice = next(name for name in names if names.count(name) > 1)
            raise SkeletonError(f"two joints are named {twice!r}; rename one")
        bad = np.flatnonzero((parents >= np.arange(count)) | (parents < -1))
        if len(bad):
            raise SkeletonError(
                f"the parent of joint {names[bad[0]]!r} does not come before it; "
                "list parents before children, without a cycle"
            )
        bad = np.flatnonzero(~(np.abs(rest) <= FAR).all(axis=(1, 2)))
        if len(bad) == 0:
            bad = np.flatnonzero(np.abs(np.linalg.det(rest[:, :3, :3])) < 1e-30)
        if len(bad):
            raise SkeletonError(
                f"the bind transform of joint {names[bad[0]]!r} is not finite or is singular; "
                "reset its scale and export again"
            )
        object.__setattr__(self, "names", names)
        object.__setattr__(self, "tips", _sound_tips(self.tips, names, rest[:, :3, 3]))
        _freeze(self, parents=parents, rest=rest)

    def __len__(self) -> int:
        return len(self.names)

    @property
    def positions(self) -> NDArray[np.float64]:
        """Where the joints are in bind space, (j, 3), in scene units."""
        return self.rest[:, :3, 3]

    @cached_property
    def index(self) -> Mapping[str, int]:
        """Joint number of each name."""
        return {name: number for number, name in enumerate(self.names)}

    def number(self, name: str) -> int:
        """The number of the joint of a name.

        Raises
        ------
        RecipeError
            There is none; the message has the nearest name that there is.
        """
        if name not in self.index:
            raise RecipeError(f"no joint is named {name!r}; {suggestion(name, self.names)}")
        return self.index[name]

    @cached_property
    def children(self) -> tuple[tuple[int, ...], ...]:
        """Joint numbers of each joint's children, ascending."""
        return hanging(self.parents)

    @cached_property
    def orientations(self) -> NDArray[np.float64]:
        """Axes of each joint in bind space, of length 1, as columns, (j, 3, 3)."""
        linear = self.rest[:, :3, :3]
        return linear / np.linalg.norm(linear, axis=1, keepdims=True)


def hanging(parents: NDArray[np.integer]) -> tuple[tuple[int, ...], ...]:
    """Numbers of those that have each for a parent, ascending."""
    found: list[list[int]] = [[] for _ in parents]
    for child, parent in enumerate(parents.tolist()):
        if parent >= 0:
            found[parent].append(child)
    return tuple(tuple(each) for each in found)


def nearest_above(parents: NDArray[np.integer], chosen: NDArray[np.bool_]) -> NDArray[np.intp]:
    """Each by its own number if it is chosen, else the nearest above that is, -1 for none, (j,)."""
    found = np.arange(len(parents))
    while len(idle := np.flatnonzero((found >= 0) & ~chosen[found])):
        found[idle] = parents[found[idle]]
    return found


@dataclass(frozen=True, eq=False)
class Weights:
    """How much each joint moves each vertex.

    Parameters
    ----------
    matrix : sparse array or array_like, shape (n, j)
        Converted to CSR float64 with sorted indices and no stored zeros.

    Raises
    ------
    WeightsError
        A value that is negative or not finite, or a row that does not sum to 1.
    """

    matrix: sparse.csr_array

    def __post_init__(self) -> None:
        matrix = sparse.csr_array(self.matrix, dtype=np.float64)
        if not matrix.has_canonical_format or (matrix.data == 0).any():
            matrix = matrix.copy()
            matrix.sum_duplicates()
            matrix.eliminate_zeros()
        if not np.isfinite(matrix.data).all():
            raise WeightsError("weights are not finite; solve them again")
        if matrix.nnz and matrix.data.min() < 0:
            raise WeightsError(f"a weight is negative ({matrix.data.min():g}); solve them again")
        sums = matrix.sum(axis=1)
        off = np.flatnonzero(np.abs(sums - 1) > ROW_SUM_TOLERANCE)
        if len(off):
            raise WeightsError(
                f"the weights of {len(off)} vertices do not sum to 1, the first is vertex "
                f"{off[0]} with {sums[off[0]]:g}; normalise them"
            )
        object.__setattr__(self, "matrix", matrix)

    @property
    def shape(self) -> tuple[int, int]:
        """Vertices and joints."""
        return self.matrix.shape

    @property
    def influences(self) -> NDArray[np.int32]:
        """Number of joints that move each vertex, (n,)."""
        return np.diff(self.matrix.indptr)

    @property
    def dominant(self) -> NDArray[np.int64]:
        """The joint with the largest weight at each vertex, (n,), the first of several."""
        return owners(self.matrix).astype(np.int64)

    def dense(self) -> NDArray[np.float64]:
        """The same as a full (n, j) array; for small meshes."""
        return self.matrix.toarray()


class Document(Protocol):
    """The file a rig came from, kept so that it can be written again with nothing else changed."""

    @property
    def path(self) -> Path | None:
        """The file; None for one that is not in a file yet."""

    @property
    def raw_weights(self) -> sparse.csr_array | None:
        """The weights as the file has them, (n, j), sound or not; None where it has none."""


@dataclass(frozen=True, eq=False)
class Rig:
    """A mesh, the skeleton that moves it, and its weights once there are any.

    Parameters
    ----------
    mesh : Mesh
    skeleton : Skeleton
    weights : Weights, optional
        One row for each vertex of the mesh, one column for each joint.
    document : Document, optional
        What the rig was read from.
    attributes : mapping of str to array, optional
        Custom values for each vertex, by their name in the file (``_LOCK`` and the like).
    name : str, optional
        What the character is called in a file that has several; empty where it is the only one.

    Raises
    ------
    WeightsError
        Weights or attributes that do not fit the mesh and skeleton.
    """

    mesh: Mesh
    skeleton: Skeleton
    weights: Weights | None = None
    document: Document | None = None
    attributes: Mapping[str, NDArray[Any]] = field(default_factory=dict)
    name: str = ""

    def __post_init__(self) -> None:
        wanted = (len(self.mesh.vertices), len(self.skeleton))
        if self.weights is not None and self.weights.shape != wanted:
            raise WeightsError(f"weights: need shape {wanted}, got {self.weights.shape}")
        for name, values in self.attributes.items():
            if len(values) != wanted[0]:
                raise WeightsError(
                    f"attribute {name!r}: need {wanted[0]} values, got {len(values)}"
                )

    @property
    def unused_joints(self) -> tuple[str, ...]:
        """Names of the joints that move no vertex; none while there are no weights."""
        if self.weights is None:
            return ()
        used = np.bincount(self.weights.matrix.indices, minlength=len(self.skeleton)) > 0
        return tuple(np.array(self.skeleton.names)[~used].tolist())


def _sound_tips(
    tips: Mapping[int, Any], names: tuple[str, ...], positions: NDArray[np.float64]
) -> dict[int, NDArray[np.float64]]:
    """Tips in the order of their joints, checked."""
    found: dict[int, NDArray[np.float64]] = {}
    extent = float(np.abs(positions).max())
    for joint in sorted(tips):
        tip = np.array(tips[joint], dtype=np.float64)
        if not 0 <= joint < len(names):
            raise SkeletonError(f"there is a tip of joint {joint}, but only {len(names)} joints")
        if tip.shape != (3,) or not np.isfinite(tip).all():
            raise SkeletonError(
                f"the tip of joint {names[joint]!r} is not three finite numbers; give a position"
            )
        if np.linalg.norm(tip - positions[joint]) <= ON_JOINT * extent:
            raise SkeletonError(
                f"the tip of joint {names[joint]!r} is on the joint; move it to where the bone "
                "ends, or leave it out"
            )
        tip.setflags(write=False)
        found[joint] = tip
    return found


def _freeze(noun: object, **arrays: NDArray[Any]) -> None:
    for name, array in arrays.items():
        view = array.view()  # the caller's own array stays writable
        view.setflags(write=False)
        object.__setattr__(noun, name, view)
