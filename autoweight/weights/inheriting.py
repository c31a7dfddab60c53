"""A skeleton that changed: which joint takes over from which, and what went along with it."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy import sparse
from scipy.spatial.distance import cdist
from scipy.spatial.transform import Rotation

from autoweight.errors import SkeletonError
from autoweight.pose.skinning import linear_blend
from autoweight.rig import Skeleton, nearest_above
from autoweight.rows import one_each
from autoweight.vectors import unit

__all__ = ["Heirs", "follow", "inherit", "standing_in"]


@dataclass(frozen=True, eq=False)
class Heirs:
    """Which joint takes over from which.

    Parameters
    ----------
    table : csr_array, shape (j, new j)
        1 where the weight of a joint goes; once in every row.
    added : ndarray, shape (new j,), bool
        Joints that nothing goes to.
    notes : tuple of str
        What became of joints that only one of the skeletons has.
    """

    table: sparse.csr_array
    added: NDArray[np.bool_]
    notes: tuple[str, ...]


def inherit(source: Skeleton, target: Skeleton, weights: sparse.csr_array, *, near: float) -> Heirs:
    """Find the joint of a changed skeleton that takes over from each.

    Parameters
    ----------
    source, target : Skeleton
        Before and after.
    weights : csr_array, shape (n, j)
        What there is to inherit; only for what is told.
    near : float
        Distance within which joints of different names are the same, in scene units.

    Returns
    -------
    Heirs

    Raises
    ------
    SkeletonError
        The two have no joint in common.
    """
    goes = np.array([target.index.get(name, -1) for name in source.names])
    gone, fresh = np.flatnonzero(goes < 0), np.setdiff1d(np.arange(len(target)), goes)
    notes = []
    if len(gone) and len(fresh):
        from scipy.optimize import linear_sum_assignment  # slow to import, rarely needed

        apart = cdist(source.positions[gone], target.positions[fresh])
        old, new = linear_sum_assignment(np.minimum(apart, 2 * near))
        same = apart[old, new] <= near
        goes[gone[old[same]]] = fresh[new[same]]
        notes += [
            f"joint {source.names[a]!r} is {target.names[b]!r} now: it is in the same place"
            for a, b in zip(gone[old[same]], fresh[new[same]], strict=True)
        ]
    kept = goes >= 0
    if not kept.any():
        raise SkeletonError(
            f"none of the {len(source)} finished joints is among the {len(target)} new ones by "
            "name or by place; give the skeleton they share"
        )
    heirs = standing_in(source, kept)
    for joint in np.flatnonzero(~kept):
        heir = heirs[joint]
        goes[joint] = goes[heir]
        vertices = weights[:, [joint]].nnz
        notes.append(
            f"joint {source.names[joint]!r} is gone: the weight of its {vertices} vertices goes "
            f"to {target.names[goes[heir]]!r}"
        )
    added = np.ones(len(target), dtype=bool)
    added[goes] = False
    notes += [f"joint {target.names[each]!r} is new: solved" for each in np.flatnonzero(added)]
    return Heirs(one_each(goes, len(target)), added, tuple(notes))


def standing_in(skeleton: Skeleton, kept: NDArray[np.bool_]) -> NDArray[np.intp]:
    """Who has the weight of each joint when only some are kept.

    Parameters
    ----------
    skeleton : Skeleton
    kept : ndarray, shape (j,), bool
        At least one of them.

    Returns
    -------
    ndarray, shape (j,), int
        The joint itself or its nearest ancestor that is kept; where a root went with all between,
        the nearest by place.
    """
    found = nearest_above(skeleton.parents, kept)
    lost = np.flatnonzero(found < 0)
    stays = np.flatnonzero(kept)
    apart = cdist(skeleton.positions[lost], skeleton.positions[stays])
    found[lost] = stays[apart.argmin(axis=1)]
    return found


def follow(
    vertices: NDArray[np.float64],
    weights: sparse.csr_array,
    before: Skeleton,
    after: Skeleton,
    heirs: Heirs,
    *,
    slack: float,
) -> NDArray[np.float64]:
    """Where vertices are once they have followed joints that are elsewhere now.

    What was re-modelled round a joint went where the joint went. Only the places of joints tell,
    not their axes, which a change of convention may turn: each is moved, turned and scaled as
    its children were about it, and a leaf as its parent.

    Parameters
    ----------
    vertices : ndarray, shape (n, 3)
    weights : csr_array, shape (n, new j)
        Of the joints after.
    before, after : Skeleton
    heirs : Heirs
    slack : float
        Moves shorter than this are none, in scene units.

    Returns
    -------
    ndarray, shape (n, 3)
        Vertices without weight of a joint that moved are where they were, to the bit.
    """
    origin = np.full(len(after), -1)
    origin[heirs.table.indices[::-1]] = np.arange(len(before))[::-1]
    old_at, new_at = before.positions[origin], after.positions
    moved = np.tile(np.eye(4), (len(after), 1, 1))
    for joint, parent in enumerate(after.parents):
        if origin[joint] < 0:
            continue
        children = [child for child in after.children[joint] if origin[child] >= 0]
        was, now = old_at - old_at[joint], new_at - new_at[joint]
        linear = moved[parent, :3, :3] if parent >= 0 else np.eye(3)
        size, fresh = (np.linalg.norm(each[children], axis=1).sum() for each in (was, now))
        if size > slack and fresh > slack:
            if np.abs(was[children] - now[children]).max() <= slack:
                linear = np.eye(3)
            else:
                linear = fresh / size * _turn(was, now, children, origin >= 0)
        moved[joint, :3, :3] = linear
        moved[joint, :3, 3] = new_at[joint] - linear @ old_at[joint]
    far = np.abs(moved - np.eye(4)).max(axis=(1, 2)) > slack
    moved[~far] = np.eye(4)
    touched = np.asarray(weights @ far.astype(float)).ravel() > 0
    blended = linear_blend(vertices, weights, moved)
    return np.where(touched[:, None], blended, vertices)


def _turn(
    was: NDArray[np.float64],
    now: NDArray[np.float64],
    children: list[int],
    told: NDArray[np.bool_],
) -> NDArray[np.float64]:
    """The rotation of a joint by where its children went; the others decide the twist.

    What no joint decides, as the twist of a straight chain, is as little as can be.
    """
    length = np.linalg.norm(was, axis=1)
    say = np.zeros(len(was))
    say[told] = 1e-5 * (length[children].max() / np.maximum(length[told], length[children].max()))
    say[children] = 1
    told = (say > 0) & (length > 0) & (np.linalg.norm(now, axis=1) > 0)
    first, second = (np.concatenate([unit(each[told]), np.eye(3)]) for each in (was, now))
    weights = np.concatenate([say[told], np.full(3, 1e-10)])
    return Rotation.align_vectors(second, first, weights)[0].as_matrix()
