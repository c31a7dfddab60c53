"""Finished weights: what is locked, and how the rest is fitted to it."""

from __future__ import annotations

from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np
from numpy.typing import NDArray
from scipy import sparse
from scipy.sparse.csgraph import dijkstra, shortest_path

from autoweight.errors import FileError, WeightsError, few, suggestion, unreadable
from autoweight.methods import Recall, afresh
from autoweight.recipes.recipe import Recipe
from autoweight.rig import ROW_SUM_TOLERANCE, Rig, Skeleton, Weights
from autoweight.rows import entry_rows, narrow, replaced, scaled, selected
from autoweight.surface import Surface
from autoweight.surface.inpainting import Filling

__all__ = ["ATTRIBUTE", "Locks", "find_locks", "impose", "marked", "read_numbers"]

ATTRIBUTE = "_LOCK"
"""Vertices where this attribute is not 0 are locked whatever the recipe says."""

LISTED = 10
HOP = 1e-3
"""What a joint gets of its neighbour's weight, against the neighbour one nearer."""
SOFT = 1e-2
"""Share of what the locks leave, below which the free weights of a vertex get help."""
REACH = 10.0
"""Girths after which a correction, (1 + 10) e⁻¹⁰ of itself, counts for nothing."""
FARTHEST = 90
"""Steps in the hierarchy after which joints are equally far."""
CHUNK = 1 << 14


@dataclass(frozen=True, eq=False)
class Locks:
    """Weights that may not change.

    Parameters
    ----------
    whole : ndarray, shape (n,), bool
        Vertices all of whose weights are locked.
    entries : csr_array, shape (n, j)
        The locked weights of the other vertices; an entry that is stored is locked, zeros
        included.
    rows : csr_array, shape (n, j)
        The weights of the vertices that are locked whole; the other rows are empty.
    free : ndarray, shape (j,), bool
        Joints that what is not locked may go to.
    skeleton : Skeleton
        Says which joints step in where all that is free at a vertex is 0.
    """

    whole: NDArray[np.bool_]
    entries: sparse.csr_array
    rows: sparse.csr_array
    free: NDArray[np.bool_]
    skeleton: Skeleton

    @classmethod
    def of_rows(cls, whole: NDArray[np.bool_], weights: Weights, skeleton: Skeleton) -> Locks:
        """Locks of the whole rows of some vertices, (n,), of weights that are there."""
        rows = selected(weights.matrix, whole[entry_rows(weights.matrix)])
        free = np.ones(len(skeleton), dtype=bool)
        return cls(whole, sparse.csr_array(rows.shape), rows, free, skeleton)

    @property
    def partial(self) -> NDArray[np.bool_]:
        """Vertices with some weights locked and some not, (n,)."""
        return np.diff(self.entries.indptr) > 0

    @property
    def summary(self) -> str:
        """One line for a person to read."""
        said = f"locked: all weights of {int(self.whole.sum())} vertices"
        if self.entries.nnz:
            said += f", {self.entries.nnz} single weights of {int(self.partial.sum())} more"
        return said

    def taken(self, vertices: NDArray[np.int64]) -> Locks:
        """The locks of some vertices, in their order."""
        return replace(
            self,
            whole=self.whole[vertices],
            entries=self.entries[vertices],
            rows=self.rows[vertices],
        )

    def joined(self, other: Locks) -> Locks:
        """These locks and, where these have none, the whole rows of others."""
        added = other.whole & ~self.whole & ~self.partial
        return replace(
            self,
            whole=self.whole | added,
            rows=replaced(self.rows, np.flatnonzero(added), other.rows[np.flatnonzero(added)]),
        )

    def dense(self, vertices: NDArray[np.int64]) -> tuple[NDArray[np.float64], NDArray[np.bool_]]:
        """Locked weights of some vertices, (r, j), 0 elsewhere, and where they are."""
        entries = self.entries[vertices]
        locked = np.zeros(entries.shape, dtype=bool)
        locked[entry_rows(entries), entries.indices] = True
        return entries.toarray(), locked

    def on(self, surface: Surface) -> Locks:
        """The locks of a surface, where one vertex stands for all that are in one place.

        Of several the first that is locked whole speaks, then the first that is in part.
        """
        rank = np.where(self.whole, 0, np.where(self.partial, 1, 2))
        rank[surface.loose] = 3  # in no place of the surface
        order = np.lexsort((rank, surface.weld))
        _, first = np.unique(surface.weld[order], return_index=True)
        return self.taken(order[first])

    def hold(self, weights: Weights) -> Weights:
        """The same weights with every locked one put back.

        Parameters
        ----------
        weights : Weights

        Returns
        -------
        Weights
            What is locked is equal bit for bit; the free weights of a vertex are scaled so that
            its row still sums to 1. Vertices without a lock, and those whose locked weights are
            in place already, are untouched.
        """
        matrix = weights.matrix
        part = np.flatnonzero(self.partial)
        fitted = self._fitted(matrix[part], part)
        whole = np.flatnonzero(self.whole)
        return Weights(replaced(replaced(matrix, part, fitted), whole, self.rows[whole]))

    def _fitted(self, solved: sparse.csr_array, vertices: NDArray[np.int64]) -> sparse.csr_array:
        """Rows of partly locked vertices, their free weights scaled to what the locks leave."""
        near = _kinship(self.skeleton)
        blocks = [sparse.csr_array((0, len(self.skeleton)))]
        for start in range(0, len(vertices), CHUNK):
            held, locked = self.dense(vertices[start : start + CHUNK])
            found = solved[start : start + CHUNK].toarray()
            unfit = (np.where(locked, found, 0.0) != held).any(axis=1)
            found[unfit] = _fit(found[unfit], held[unfit], locked[unfit], self.free, near)
            blocks.append(sparse.csr_array(found))
        return sparse.csr_array(sparse.vstack(blocks, format="csr"))


def find_locks(recipe: Recipe, rig: Rig, active: NDArray[np.bool_]) -> Locks | None:
    """What a recipe and the mesh's own `ATTRIBUTE` lock.

    Parameters
    ----------
    recipe : Recipe
    rig : Rig
    active : ndarray, shape (j,), bool
        Joints that may have weight.

    Returns
    -------
    Locks or None
        None where nothing is locked.

    Raises
    ------
    RecipeError
        A lock that names what is not there, or keeps weights the rig does not have.
    FileError
        A file of vertex numbers that cannot be read.
    WeightsError
        Locks that contradict each other, or leave a vertex no way to sum to 1; the message
        names every such vertex up to ten.
    """
    count, joints = len(rig.mesh.vertices), len(rig.skeleton)
    whole = np.zeros(count, dtype=bool)
    if rig.weights is not None:
        whole |= marked(rig)
    parts: list[tuple[NDArray[np.int64], NDArray[np.int64], float | None]] = []
    for number, lock in enumerate(recipe.lock):
        if rig.weights is None and (lock.weight is None or lock.dominated_by):
            raise recipe.error(
                ("lock", number),
                "the rig has no weights yet that could be kept; solve it first, or give a weight",
            )
        vertices = _vertices(recipe, rig, number)
        if not vertices.any():
            raise recipe.error(("lock", number), "no vertex meets all of its conditions")
        if lock.joints:
            named = recipe.chosen(rig.skeleton.names, "joint", "lock", number, "joints")
            parts.append((np.flatnonzero(vertices), np.flatnonzero(named), lock.weight))
        else:
            whole |= vertices
    if not (whole.any() or parts):
        return None
    kept = rig.weights.matrix if rig.weights else sparse.csr_array((count, joints))
    rows = selected(kept, whole[entry_rows(kept)])
    entries = _entries(parts, kept, whole, rig.skeleton)
    locks = Locks(whole, entries, rows, active, rig.skeleton)
    _check(locks)
    return locks


def _vertices(recipe: Recipe, rig: Rig, number: int) -> NDArray[np.bool_]:
    """Vertices that meet every condition of a lock."""
    lock, mesh, skeleton = recipe.lock[number], rig.mesh, rig.skeleton
    count = len(mesh.vertices)
    found = np.ones(count, dtype=bool)
    if lock.attribute is not None:
        if lock.attribute not in rig.attributes:
            raise recipe.error(
                ("lock", number, "attribute"),
                f"the mesh has no attribute {lock.attribute!r}; "
                f"{suggestion(lock.attribute, rig.attributes)}",
            )
        found &= marked(rig, lock.attribute)
    numbers = [np.array(lock.vertices, dtype=np.int64)] if lock.vertices else []
    if lock.file is not None:
        numbers.append(read_numbers(recipe.folder / lock.file))
    for given in numbers:
        outside = given[(given < 0) | (given >= count)]
        if len(outside):
            raise recipe.error(
                ("lock", number),
                f"there is no vertex {outside[0]}; the mesh has {count}, counted from 0",
            )
        listed = np.zeros(count, dtype=bool)
        listed[given] = True
        found &= listed
    if lock.parts:
        names = [part.name for part in mesh.parts]
        chosen = recipe.chosen(names, "part", "lock", number, "parts")
        found &= mesh.in_parts(chosen)
    if lock.dominated_by and rig.weights is not None:
        chosen = recipe.chosen(skeleton.names, "joint", "lock", number, "dominated_by")
        found &= chosen[rig.weights.dominant]
    if lock.near is not None and lock.radius is not None:
        with recipe.at("lock", number, "near"):
            centre = skeleton.positions[skeleton.number(lock.near)]
        found &= np.linalg.norm(mesh.vertices - centre, axis=1) <= lock.radius
    return found


def marked(rig: Rig, attribute: str = ATTRIBUTE) -> NDArray[np.bool_]:
    """Vertices where a custom value of the mesh is not 0, (n,); none where it has no such value."""
    if attribute not in rig.attributes:
        return np.zeros(len(rig.mesh.vertices), dtype=bool)
    values = np.asarray(rig.attributes[attribute])
    return np.asarray(values.reshape(len(values), -1).any(axis=1), dtype=bool)


def read_numbers(path: Path) -> NDArray[np.int64]:
    """Vertex numbers from a ``.npy``, ``.csv`` or ``.txt`` file.

    Raises
    ------
    FileError
        It cannot be read, or holds something else.
    """
    try:
        if path.suffix.lower() == ".npy":
            found = np.load(path, allow_pickle=False)
        elif path.suffix.lower() in (".csv", ".txt"):
            words = path.read_text(encoding="utf-8").replace(",", " ").split()
            found = np.array([int(word) for word in words], dtype=np.int64)
        else:
            raise FileError(f"{path}: vertex numbers are read from .npy, .csv or .txt")
    except OSError as error:
        raise unreadable(path, error) from error
    except ValueError as error:
        raise FileError(f"{path}: has not only vertex numbers ({error}); mend it") from error
    if not np.issubdtype(found.dtype, np.integer):
        raise FileError(f"{path}: vertex numbers are whole, these are {found.dtype}")
    return found.ravel().astype(np.int64)


def _entries(
    parts: list[tuple[NDArray[np.int64], NDArray[np.int64], float | None]],
    kept: sparse.csr_array,
    whole: NDArray[np.bool_],
    skeleton: Skeleton,
) -> sparse.csr_array:
    """The locks of single weights, as one matrix whose stored entries are locked."""
    table = np.empty((0, 4))  # vertex, joint, locked weight, present weight
    for vertices, joints, weight in parts:
        now = kept[vertices][:, joints].toarray().ravel()
        value = now if weight is None else np.full(len(now), weight)
        places = np.repeat(vertices, len(joints)), np.tile(joints, len(vertices))
        table = np.vstack([table, np.column_stack([*places, value, now])])
    table = table[np.lexsort(table.T[1::-1])]
    same = (table[1:, :2] == table[:-1, :2]).all(axis=1)
    vertex, joint = table[:, 0].astype(np.int64), table[:, 1].astype(np.int64)
    clash = whole[vertex] & (table[:, 2] != table[:, 3])
    clash[1:] |= same & (table[1:, 2] != table[:-1, 2])
    _refuse(
        "locks give two values to",
        [f"{skeleton.names[joint[at]]!r} at vertex {vertex[at]}" for at in np.flatnonzero(clash)],
        "leave out one of them",
    )
    once = ~np.concatenate([[False], same])[: len(table)] & ~whole[vertex]
    ends = np.concatenate([[0], np.cumsum(np.bincount(vertex[once], minlength=kept.shape[0]))])
    return sparse.csr_array((table[once, 2], joint[once], ends), shape=kept.shape)


def _check(locks: Locks) -> None:
    """Refuse partly locked vertices that cannot sum to 1."""
    sums = locks.entries.sum(axis=1)
    decided = np.bincount(
        entry_rows(locks.entries),
        locks.free[locks.entries.indices],
        minlength=len(sums),
    )
    above = sums > 1 + ROW_SUM_TOLERANCE
    short = locks.partial & (decided == locks.free.sum()) & (sums < 1 - ROW_SUM_TOLERANCE)
    for wrong, what, mend in (
        (above, "the locked weights sum to more than 1 at", "lower or unlock some of them"),
        (short, "every joint is locked, but the weights sum to less than 1 at", "unlock a joint"),
    ):
        _refuse(what, [f"vertex {at} ({sums[at]:g})" for at in np.flatnonzero(wrong)], mend)


def _refuse(what: str, where: list[str], mend: str) -> None:
    if where:
        raise WeightsError(f"{what} {few(where, LISTED)}; {mend}")


def _fit(
    found: NDArray[np.float64],
    held: NDArray[np.float64],
    locked: NDArray[np.bool_],
    free: NDArray[np.bool_],
    near: NDArray[np.float64],
) -> NDArray[np.float64]:
    """Rows (r, j) with the locked weights in place and the free ones scaled to the rest."""
    open_ = ~locked & free
    rest = np.where(open_, found, 0.0)
    room = np.clip(1 - held.sum(axis=1, keepdims=True), 0, None)
    # Where the solver gave next to nothing to the free joints, the kin of those it chose step in.
    kin = np.where(open_, np.where(open_, 0.0, found) @ near, 0.0)
    lacking = np.clip(SOFT * room - rest.sum(axis=1, keepdims=True), 0, None)
    rest += lacking * _shares(kin)
    return np.where(locked, held, room * _shares(rest))


def _shares(rows: NDArray[np.float64]) -> NDArray[np.float64]:
    """Rows scaled to sum to 1; an empty one stays empty."""
    total = rows.sum(axis=1, keepdims=True)
    return np.divide(rows, total, where=total > 0, out=np.zeros_like(rows))


def _kinship(skeleton: Skeleton) -> NDArray[np.float64]:
    """How near each joint is to each in the hierarchy, (j, j), falling by `HOP` a step."""
    child = np.flatnonzero(skeleton.parents >= 0)
    bonds = sparse.csr_array(
        (np.ones(len(child)), (child, skeleton.parents[child])), shape=(len(skeleton),) * 2
    )
    steps = shortest_path(narrow(bonds), directed=False, unweighted=True)
    return HOP ** np.minimum(steps, FARTHEST)


def impose(
    surface: Surface,
    solved: Weights,
    locks: Locks,
    girth: NDArray[np.float64],
    recall: Recall = afresh,
) -> Weights:
    """Fit solved weights to locked ones.

    Parameters
    ----------
    surface : Surface
    solved : Weights
        For its n vertices, without regard to the locks.
    locks : Locks
        Of the same vertices.
    girth : ndarray, shape (n,)
        Over what distance a difference dies out at each vertex, in scene units.
    recall : Recall, optional
        Answers with what earlier fits on the same surface worked out.

    Returns
    -------
    Weights
        Locked weights are equal bit for bit.

    Notes
    -----
    What the locks change at their own vertices is carried on into the free ones and fades there,
    with value and slope, by the fill that also closes gaps (`autoweight.surface.inpainting`).
    Beyond a locked area with an even change it falls as (1 + x) exp(−x), x the distance in
    girths. All joints have the same operator, so the corrections of a row sum to 0.
    """
    target = locks.hold(solved)
    fixed = locks.whole | locks.partial
    change = sparse.csr_array(target.matrix - solved.matrix)
    change.eliminate_zeros()
    begins = np.flatnonzero(np.diff(change.indptr))
    loose = _around(surface, begins, girth) & ~fixed
    if not loose.any():
        return target

    fade = recall(
        "fade",
        (loose.tobytes(), girth.tobytes()),
        lambda: Filling(surface, ~loose, span=girth, fade=True),
    )
    faded = fade(change)
    rows = sparse.csr_array(target.matrix[loose] + faded[loose])
    rows.data = np.clip(rows.data, 0, None)
    return Weights(replaced(target.matrix, np.flatnonzero(loose), scaled(rows)))


def _around(
    surface: Surface, begins: NDArray[np.int64], girth: NDArray[np.float64]
) -> NDArray[np.bool_]:
    """Vertices near enough to some to notice a change there, (n,)."""
    if len(begins) == 0:
        return np.zeros(len(surface), dtype=bool)
    lengths = surface.adjacency.tocoo(copy=True)  # it shares its values otherwise
    lengths.data /= (girth[lengths.row] + girth[lengths.col]) / 2
    away = dijkstra(lengths.tocsr(), indices=begins, min_only=True, limit=REACH)
    return np.isfinite(away)
