"""Why a vertex moves: through whose weights, and what moves those joints."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from typing import Literal

import numpy as np
from numpy.typing import NDArray
from scipy import sparse

from autoweight.errors import RecipeError, WeightsError, suggestion
from autoweight.pose.clip import turned, world
from autoweight.pose.motion import AXES, axes
from autoweight.pose.skinning import carried, linear_blend, moved_by_each
from autoweight.rig import Rig, Skeleton, Weights
from autoweight.rows import entry_rows, owners, replaced, selected
from autoweight.skeleton.sides import Plane
from autoweight.surface import Surface, prepare
from autoweight.surface.patches import islands
from autoweight.weights.locks import marked
from autoweight.weights.strays import SAME, cleaned, remaining, unrelated, unwanted

__all__ = ["STILL", "Explanation", "Motion", "Repair", "Turn", "explain", "posed", "region"]

STILL = 1e-9
"""Vertices that move by less than this many bounding-box diagonals stay where they are."""

MOST = 0.95
"""Causes are named until they make up this share of the motion."""

WORTH_SAYING = 0.1
"""The lesser of two causes is mentioned from this share of the greater."""

OWN_AXES = ("x", "y", "z")


@dataclass(frozen=True)
class Turn:
    """A joint turned about one of its axes.

    Parameters
    ----------
    joint : str
    axis : {"x", "y", "z", "bend", "side", "twist"}
        Of the joint's own bind transform, or as in the range of motion.
    degrees : float
    """

    joint: str
    axis: str
    degrees: float

    @classmethod
    def read(cls, text: str) -> Turn:
        """Read ``JOINT=AXIS:DEGREES``.

        Raises
        ------
        RecipeError
            It is not of that form.
        """
        joint, equals, how = text.rpartition("=")
        axis, colon, degrees = how.partition(":")
        try:
            angle = float(degrees)
        except ValueError:
            angle = np.nan
        if not (equals and colon and np.isfinite(angle)):
            raise RecipeError(f"{text!r} is no turn; give JOINT=AXIS:DEGREES, such as hip_L=x:60")
        return cls(joint, axis, angle)


@dataclass(frozen=True)
class Motion:
    """What one joint does to the vertices that are asked about.

    Parameters
    ----------
    joint : str
    weight : float
        Its mean weight on the vertices it has weight on.
    vertices : int
        So many of them.
    share : float
        Mean length of its share of their displacement, in scene units.
    moves : float
        Mean distance it would carry those vertices if it held them alone, in scene units.
    sources : tuple of (str, float)
        Whose turn that comes from: itself or ancestors, and the mean distance through each; the
        greatest first.
    """

    joint: str
    weight: float
    vertices: int
    share: float
    moves: float
    sources: tuple[tuple[str, float], ...]


@dataclass(frozen=True, eq=False)
class Repair:
    """The least change of weights that stops the motion.

    Parameters
    ----------
    weights : Weights
        Rows that need no change are bit for bit as they were.
    vertices : ndarray, shape (r,)
        Of the user's mesh, whose rows change.
    taken : tuple of (str, float)
        The joints that lose weight there, and how much at most.
    before, after : float
        How far the pose moves those vertices apart from the joint that holds them, on average,
        in scene units.
    """

    weights: Weights
    vertices: NDArray[np.int64]
    taken: tuple[tuple[str, float], ...]
    before: float
    after: float


@dataclass(frozen=True, eq=False)
class Explanation:
    """Where a displacement comes from.

    Parameters
    ----------
    vertices : ndarray, shape (v,)
        Of the user's mesh.
    displacement : ndarray, shape (v, 3)
        Of each, in scene units.
    joints : tuple of str
        The k joints with weight on them.
    shares : ndarray, shape (v, k, 3)
        Weight times the joint's motion; they sum to the displacement.
    motions : tuple of Motion
        One for each of those joints that moves, the greatest share first.
    cause : {"weights", "joints", "nothing"}
        Joints the vertices have little to do with, the joints that hold them, or none moves.
    verdict : str
        The same in words and figures.
    repair : Repair, optional
        Where the weights are the cause, not those of a hand-over, and there is other weight to
        fall back on.
    """

    vertices: NDArray[np.int64]
    displacement: NDArray[np.float64]
    joints: tuple[str, ...]
    shares: NDArray[np.float64]
    motions: tuple[Motion, ...]
    cause: Literal["weights", "joints", "nothing"]
    verdict: str
    repair: Repair | None


def posed(
    skeleton: Skeleton, turns: Iterable[Turn], plane: Plane | None = None
) -> NDArray[np.float64]:
    """World transforms of a skeleton with some joints turned.

    Parameters
    ----------
    skeleton : Skeleton
    turns : iterable of Turn
        Each joint once.
    plane : Plane, optional
        As for `autoweight.pose.motion.axes`.

    Returns
    -------
    ndarray, shape (j, 4, 4)

    Raises
    ------
    RecipeError
        A joint or axis that is not there.
    """
    vectors = np.zeros((1, len(skeleton), 3))
    for turn in turns:
        joint = skeleton.number(turn.joint)
        if turn.axis in OWN_AXES:
            axis = skeleton.rest[joint, :3, OWN_AXES.index(turn.axis)]
        elif turn.axis in AXES:
            axis = axes(skeleton, plane)[joint, AXES.index(turn.axis)]
        else:
            raise RecipeError(
                f"no axis is named {turn.axis!r}; {suggestion(turn.axis, OWN_AXES + AXES)}"
            )
        vectors[0, joint] = np.radians(turn.degrees) * axis / np.linalg.norm(axis)
    return world(skeleton, turned(skeleton, vectors))[0]


def region(rig: Rig, joint: str, *, surface: Surface | None = None) -> NDArray[np.int64]:
    """The vertices that a joint holds more of than any other does, stray weight aside.

    Parameters
    ----------
    rig : Rig
        With weights.
    joint : str
    surface : Surface, optional
        ``prepare(rig.mesh)``, when it is there already.

    Returns
    -------
    ndarray, shape (v,)
        Of the user's mesh.

    Raises
    ------
    RecipeError
        No such joint, or it is the heaviest nowhere.
    WeightsError
        The rig has no weights.
    """
    number = rig.skeleton.number(joint)
    if rig.weights is None:
        raise WeightsError("there are no weights to explain; solve the rig first")
    surface = surface or prepare(rig.mesh)
    weights = rig.weights.matrix[surface.speakers]
    held = _holders(weights, unwanted(weights, surface, rig.skeleton)) == number
    if not held.any():
        raise RecipeError(f"{joint!r} is the heaviest joint of no vertex; name vertices instead")
    return np.flatnonzero(held[surface.weld])


def explain(
    rig: Rig,
    pose: NDArray[np.float64],
    vertices: Sequence[int] | NDArray,
    *,
    surface: Surface | None = None,
) -> Explanation:
    """Say why vertices move in a pose, and what would stop it.

    A vertex is held by its heaviest joint, stray weight aside. What that joint does to it is the
    joints' doing; what the others add to that, the weights'.

    Parameters
    ----------
    rig : Rig
        With weights.
    pose : ndarray, shape (j, 4, 4)
        World transforms of the joints; `posed` makes them.
    vertices : sequence of int
        Of the user's mesh.
    surface : Surface, optional
        ``prepare(rig.mesh)``, when it is there already.

    Returns
    -------
    Explanation

    Raises
    ------
    WeightsError
        The rig has no weights.
    RecipeError
        No vertices, or one that is not there.
    """
    if rig.weights is None:
        raise WeightsError("there are no weights to explain; solve the rig first")
    asked = np.unique(np.asarray(vertices, dtype=np.int64))
    count = len(rig.mesh.vertices)
    if len(asked) == 0 or asked[0] < 0 or asked[-1] >= count:
        raise RecipeError(f"vertices: name some of 0 to {count - 1}")
    surface = surface or prepare(rig.mesh)
    weights = rig.weights.matrix[surface.speakers]
    excess = unwanted(weights, surface, rig.skeleton)
    holder = _holders(weights, excess)[surface.weld[asked]]
    transforms = carried(rig.skeleton, pose)

    held = rig.weights.matrix[asked].tocsc()
    joints = np.flatnonzero(np.diff(held.indptr))
    points = rig.mesh.vertices[asked]
    motion = moved_by_each(points, transforms[joints]) - points[:, None]
    shares = held[:, joints].toarray()[:, :, None] * motion
    displacement = shares.sum(axis=1)
    by_joint = _moved_each(transforms[holder], points) - points
    by_weights = displacement - by_joint
    motions = _motions(rig.skeleton, transforms, points, held[:, joints].toarray(), joints, shares)
    names = tuple(rig.skeleton.names[joint] for joint in joints)

    size = _mean_length(by_joint), _mean_length(by_weights)
    cause: Literal["weights", "joints", "nothing"] = "joints" if size[0] >= size[1] else "weights"
    if max(size) <= STILL * rig.mesh.diagonal:
        cause = "nothing"
    stray = _stray_share(held[:, joints].toarray(), motion, by_joint)
    culprits = joints[_most(stray)] if cause == "weights" else joints[:0]
    repair, stays = None, "that is where the joints hand over, which has to stay"
    if cause == "weights":
        places = np.unique(surface.weld[asked]).astype(np.int64)
        change = _stray_change(excess, places, culprits, surface.edges)
        if change.nnz == 0:
            change = _whole_change(weights, excess, places, culprits, unrelated(rig.skeleton))
        finished = np.bincount(surface.weld, marked(rig), minlength=len(surface)) > 0
        change = sparse.csr_array(sparse.diags_array((~finished).astype(float)) @ change)
        change.eliminate_zeros()
        repair = _repair(rig, surface.weld, weights, change, transforms)
        if repair is None and finished[places].any():
            stays = f"{int(finished[places].sum())} of its vertices are locked, and stay"
    unmended = stays if repair is None else ""
    verdict = _verdict(rig.skeleton, cause, size, motions, holder, culprits, unmended)
    return Explanation(asked, displacement, names, shares, motions, cause, verdict, repair)


def _holders(weights: sparse.csr_array, excess: sparse.csr_array) -> NDArray[np.int32]:
    """The heaviest joint of each vertex, stray weight aside."""
    return owners(remaining(weights, excess))


def _moved_each(transforms: NDArray, points: NDArray) -> NDArray[np.float64]:
    """Every point by its own transform, (v, 3)."""
    return np.einsum("vab,vb->va", transforms[:, :3, :3], points) + transforms[:, :3, 3]


def _mean_length(vectors: NDArray) -> float:
    return float(np.linalg.norm(vectors, axis=-1).mean()) if len(vectors) else 0.0


def _motions(
    skeleton: Skeleton,
    transforms: NDArray,
    points: NDArray,
    weights: NDArray,
    joints: NDArray[np.int64],
    shares: NDArray,
) -> tuple[Motion, ...]:
    found = []
    for place, joint in enumerate(joints):
        mine = weights[:, place] > 0
        share = _mean_length(shares[mine, place])
        if share == 0:
            continue
        at = points[mine]
        found.append(
            Motion(
                skeleton.names[joint],
                float(weights[mine, place].mean()),
                int(mine.sum()),
                share,
                _mean_length(moved_by_each(at, transforms[[joint]])[:, 0] - at),
                _sources(skeleton, transforms, int(joint), at),
            )
        )
    return tuple(sorted(found, key=lambda each: -each.share * each.vertices))


def _sources(
    skeleton: Skeleton, transforms: NDArray, joint: int, points: NDArray
) -> tuple[tuple[str, float], ...]:
    """What each joint from here to the root adds to what its parent already does.

    The differences telescope: T_j v − v = Σ_a (T_a v − T_parent(a) v) over j and its ancestors.
    """
    found = []
    while joint >= 0:
        parent = int(skeleton.parents[joint])
        before = moved_by_each(points, transforms[[parent]])[:, 0] if parent >= 0 else points
        added = _mean_length(moved_by_each(points, transforms[[joint]])[:, 0] - before)
        if added > STILL * max(float(np.abs(points).max()), 1e-300):
            found.append((skeleton.names[joint], added))
        joint = parent
    return tuple(sorted(found, key=lambda each: -each[1]))


def _stray_share(weights: NDArray, motion: NDArray, by_joint: NDArray) -> NDArray[np.float64]:
    """How much each joint adds to what the holders do, (k,)."""
    return (weights * np.linalg.norm(motion - by_joint[:, None], axis=-1)).sum(axis=0)


def _most(amounts: NDArray[np.float64]) -> NDArray[np.int64]:
    """The fewest that make up most of a sum, the greatest first."""
    order = np.argsort(-amounts, kind="stable")
    reached = np.cumsum(amounts[order])
    return order[: int(np.searchsorted(reached, MOST * reached[-1])) + 1]


def _stray_change(
    excess: sparse.csr_array,
    places: NDArray[np.int64],
    culprits: NDArray[np.int64],
    edges: NDArray[np.int32],
) -> sparse.csr_array:
    """The stray patches of the culprits that reach some places, (n, j)."""
    at = np.zeros(excess.shape[0], dtype=bool)
    at[places] = True
    row = entry_rows(excess)
    patch = islands(excess, edges)
    guilty = np.isin(excess.indices, culprits)
    return selected(excess, guilty & np.isin(patch, patch[guilty & at[row]]))


def _whole_change(
    weights: sparse.csr_array,
    excess: sparse.csr_array,
    places: NDArray[np.int64],
    culprits: NDArray[np.int64],
    strangers: NDArray[np.bool_],
) -> sparse.csr_array:
    """All that culprits have at some places, but for what hand-overs need, (n, j)."""
    at = np.zeros(weights.shape[0], dtype=bool)
    at[places] = True
    row = entry_rows(weights)
    holder = _holders(weights, excess)[row]
    guilty = np.isin(weights.indices, culprits) & strangers[holder, weights.indices]
    return selected(weights, at[row] & guilty)


def _repair(
    rig: Rig,
    weld: NDArray[np.int32],
    weights: sparse.csr_array,
    change: sparse.csr_array,
    transforms: NDArray,
) -> Repair | None:
    assert rig.weights is not None
    left = (weights - change).sum(axis=1)
    places = np.flatnonzero((np.diff(change.indptr) > 0) & (left > SAME))
    if len(places) == 0:
        return None
    fresh = cleaned(weights[places], change[places])
    row_of = np.full(len(left), -1)
    row_of[places] = np.arange(len(places))
    vertices = np.flatnonzero(row_of[weld] >= 0)
    rows = row_of[weld[vertices]]
    repaired = Weights(replaced(rig.weights.matrix, vertices, fresh[rows]))
    holder = owners(fresh)[rows]
    points = rig.mesh.vertices[vertices]
    held = _moved_each(transforms[holder], points)
    apart = [
        _mean_length(linear_blend(points, each.matrix[vertices], transforms) - held)
        for each in (rig.weights, repaired)
    ]
    taken = change[places].max(axis=0).toarray()
    return Repair(
        repaired,
        vertices,
        tuple((rig.skeleton.names[joint], float(taken[joint])) for joint in np.flatnonzero(taken)),
        apart[0],
        apart[1],
    )


def _verdict(
    skeleton: Skeleton,
    cause: str,
    size: tuple[float, float],
    motions: tuple[Motion, ...],
    holder: NDArray[np.int32],
    culprits: NDArray[np.int64],
    unmended: str,
) -> str:
    holders = np.bincount(holder)
    held_by = skeleton.names[int(holders.argmax())]
    of = held_by if (holders > 0).sum() == 1 else f"{held_by} and others"
    by_name = {motion.joint: motion for motion in motions}
    if cause == "nothing":
        return f"nothing: in this pose the vertices of {of} stay where they are"
    if cause == "weights":
        names = [skeleton.names[joint] for joint in culprits]
        parts = [
            f"{motion.weight:.2g} of {name} on {motion.vertices} vertices of {of} "
            f"moves them by {motion.share:.3g}" + _through(motion)
            for name in names
            if (motion := by_name.get(name))
        ]
        said = f"the weights: {'; '.join(parts)}"
        if unmended:
            said += f"; {unmended}"
        if size[0] > WORTH_SAYING * size[1]:
            said += f"; besides, {held_by} itself moves by {size[0]:.3g}"
        return said
    moved = by_name.get(held_by)
    said = f"not the weights: {held_by} itself moves by {size[0]:.3g}"
    if moved:
        said += _through(moved)
    if size[1] > WORTH_SAYING * size[0]:
        said += f"; the weights of other joints change that by {size[1]:.3g}"
    return said


def _through(motion: Motion) -> str:
    """What else than itself moves a joint."""
    others = [name for name, _ in motion.sources if name != motion.joint]
    own = any(name == motion.joint for name, _ in motion.sources)
    if not others:
        return ""
    return f", {'also ' if own else ''}carried along by {', '.join(others)}"
