"""Chains in space: where along a limb a point is, however the limb bends and winds."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.spatial.transform import Rotation

from autoweight.methods import Problem
from autoweight.methods.territory import ancestors, levels
from autoweight.recipes.profiles import Falloff
from autoweight.vectors import unit

__all__ = ["ON_THE_JOINT", "ROPE", "Limb", "limbs"]

GENTLE = np.cos(np.radians(60))
"""A chain that turns by less than this at a joint is taken for a curve, which goes on turning."""

STRAIGHT = np.cos(np.radians(2))
"""A chain that turns by less than this at a joint has no plane it turns in."""

WINDING = np.radians(60)
"""A chain whose plane turns by more than this from joint to joint is bent, not wound."""

ON_THE_JOINT = 0.5
"""Centre of a band where nobody said: bones hand over at the joints between them."""

ROPE = 5
"""Joints of one chain, at least, that make a rope."""

EVEN = 1.5
"""Most that the longest bone of a rope exceeds the shortest by."""


@dataclass(frozen=True, eq=False)
class Limb:
    """A chain in space, with the joint it hangs from.

    Parameters
    ----------
    joints : ndarray, shape (m,), int
        Those of the chain that may have weight.
    hangs : int
        The joint it hangs from, -1 for none.
    points, normals : ndarray, shape (k, 3)
        The joint it hangs from, its joints, and the tip of the last where the file has one; and
        the planes that cut the limb there.
    screws : ndarray, shape (k - 1, 3)
        How the limb winds along each bone, as a rotation vector; 0 where it bends in one plane.
    falloff : Falloff
    tipped : bool
        Whether the last of the points is a tip.
    """

    joints: NDArray[np.intp]
    hangs: int
    points: NDArray[np.float64]
    normals: NDArray[np.float64]
    screws: NDArray[np.float64]
    falloff: Falloff
    tipped: bool = False

    @property
    def gaps(self) -> NDArray[np.float64]:
        """Lengths of the bones between its joints, in scene units, (k - 1 - tipped,)."""
        return self.lengths[: len(self.lengths) - self.tipped]

    @property
    def lengths(self) -> NDArray[np.float64]:
        """Lengths of all its bones, in scene units, (k - 1,)."""
        return np.linalg.norm(np.diff(self.points, axis=0), axis=1)

    @property
    def spans(self) -> NDArray[np.float64]:
        """The same for dividing by: a bone without length has next to none, (k - 1,)."""
        return np.maximum(self.lengths, 1e-9 * self.lengths.max(initial=0.0) or 1.0)

    @property
    def paces(self) -> NDArray[np.float64]:
        """The same, the first no longer than the limb's own part of it, (k - 1,)."""
        found = self.spans.copy()
        found[0] = min(found[0], self.lead)
        return found

    @property
    def ways(self) -> NDArray[np.float64]:
        """Directions of all its bones, (k - 1, 3); none for one without length."""
        return np.diff(self.points, axis=0) / self.spans[:, None]

    @property
    def is_rope(self) -> bool:
        """Whether it is many even bones that turn gently."""
        gaps = self.gaps[int(self.hangs >= 0) :]
        if len(gaps) < ROPE - 1 or gaps.min() <= 0 or gaps.max() > EVEN * gaps.min():
            return False
        ways = self.ways[int(self.hangs >= 0) :][: len(gaps)]
        return bool((np.einsum("ij,ij->i", ways[1:], ways[:-1]) > GENTLE).all())

    @property
    def sharp(self) -> NDArray[np.bool_]:
        """At an end of which bones the limb turns sharply, (k - 1,)."""
        turns = np.einsum("ij,ij->i", self.ways[1:], self.ways[:-1]) < GENTLE
        return np.append(turns, False) | np.append(False, turns)

    @property
    def shortest(self) -> float:
        """Length of its shortest bone, infinite where it has none."""
        return float(self.gaps[self.gaps > 0].min(initial=np.inf))

    @property
    def lead(self) -> float:
        """How far before its first joint a limb begins, in scene units.

        As far as its first bone is long, but not past the joint it hangs from: the bone between may
        be long, as in a palm, and is that joint's. Infinite where there is no telling.
        """
        gaps = self.lengths[: 2 if self.hangs >= 0 else 0]
        return float(gaps[gaps > 0].min(initial=np.inf))

    @property
    def stations(self) -> NDArray[np.float64]:
        """Where its joints are along it, the place where it begins first if it hangs, (k,)."""
        found = np.append(0.0, np.cumsum(self.gaps))
        if np.isfinite(self.lead):
            found[0] = found[-len(self.joints)] - self.lead
        return found

    def bone_of(self, count: int) -> NDArray[np.intp]:
        """For each of so many joints, the bone at whose end it is; -1 for none, (count + 1,).

        The last is nobody's, whom places between two trees belong to.
        """
        found = np.full(count + 1, -1)
        found[self.joints] = np.maximum(np.arange(len(self.joints)) - (self.hangs < 0), 0)
        return found

    def bone_at(self, along: NDArray[np.float64]) -> NDArray[np.intp]:
        """The bone that each position is on, the last one's beyond it."""
        bone = np.floor(along).astype(np.intp) + int(self.hangs >= 0)
        return np.clip(bone, 0, len(self.points) - 2)

    def along(self, points: NDArray[np.float64], bone: NDArray[np.integer]) -> NDArray[np.float64]:
        """Position of points along the limb, in joints; -1 is where it begins.

        Parameters
        ----------
        points : ndarray, shape (n, 3)
        bone : ndarray, shape (n,), int
            The bone each is round, counted along the limb; the search begins there.

        Returns
        -------
        ndarray, shape (n,)
            Between the cutting planes at both ends of its bone a point has the share of the way
            from one to the other; for a bend of constant curvature that is its share of the
            length of the axis.
        """
        last = len(self.points) - 2
        if last < 0:
            return np.zeros(len(points))
        bone = np.clip(bone, 0, last)
        for _ in range(3):
            back, front = self._heights(points, bone)
            bone = np.clip(bone - ((back < 0) & (front < 0)) + ((front > 0) & (back > 0)), 0, last)
        back, front = self._heights(points, bone)
        turn = np.einsum("ij,ij->i", self.normals[:-1], self.normals[1:]).clip(-1, 1)[bone]
        whole = np.sqrt(1 - turn**2)
        even = whole < 1e-6
        with np.errstate(invalid="ignore", divide="ignore"):
            share = np.where(
                even,
                back / (back - front),
                np.arctan2(back * whole, back * turn - front) / np.arccos(turn),
            )
        share = np.clip(np.nan_to_num(share, nan=0.5), 0, 1)
        for each in np.flatnonzero((self.screws != 0).any(axis=1)):
            inside = bone == each
            share[inside] = self._winding(points[inside], int(each), share[inside])
        beyond = (bone == last) & (front > 0) & (back > 0)
        share = np.where(beyond, 1 + front / self.spans[bone], share)
        place = np.asarray(bone + share, dtype=np.float64)
        if self.hangs < 0:
            return place
        return np.maximum((place - 1) * np.where(place < 1, self.spans[0] / self.lead, 1.0), -1.0)

    def _winding(
        self, points: NDArray[np.float64], bone: int, share: NDArray[np.float64]
    ) -> NDArray[np.float64]:
        """Share of a screw motion at which the moved cutting plane meets each point."""
        angle = np.linalg.norm(self.screws[bone])
        axis = self.screws[bone] / angle
        start, normal = self.points[bone], self.normals[bone]
        speed = _speed(self.screws[bone], self.points[bone + 1] - start)
        along = (speed @ axis) * axis
        # What the screw leaves between the planes at both ends is made up evenly.
        whole = np.array([angle])
        rest = self.normals[bone + 1] - _turned(normal, axis, whole)[0]
        for _ in range(3):  # Newton's method; the start is off by a few percent
            turn = angle * share
            plane = _turned(normal, axis, turn) + np.outer(share, rest)
            place = start + np.outer(share, along)
            place += np.outer(np.sin(turn) / angle, speed - along)
            place += np.outer((1 - np.cos(turn)) / angle, np.cross(axis, speed))
            height = np.einsum("ij,ij->i", points - place, plane)
            slope = np.einsum("ij,ij->i", points - place, angle * np.cross(axis, plane) + rest)
            slope -= np.einsum("ij,ij->i", _turned(speed, axis, turn), plane)
            share = np.clip(share - height / slope, 0, 1)
        return share

    def _heights(
        self, points: NDArray[np.float64], bone: NDArray[np.integer]
    ) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
        back = np.einsum("ij,ij->i", points - self.points[bone], self.normals[bone])
        front = np.einsum("ij,ij->i", points - self.points[bone + 1], self.normals[bone + 1])
        return back, front


def limbs(problem: Problem) -> list[Limb]:
    """The chains of a problem in space, those that others hang from first.

    Parameters
    ----------
    problem : Problem

    Returns
    -------
    list of Limb
        Without joints that may not have weight, and without chains of only those.
    """
    skeleton, active = problem.skeleton, problem.active
    up = ancestors(problem)
    found = []
    level = levels(up)
    pairs = sorted(
        zip(problem.chains, problem.falloffs, strict=True),
        key=lambda each: (level[each[0].joints[0]], each[0].joints),
    )
    for chain, falloff in pairs:
        joints = np.array([each for each in chain.joints if active[each]], dtype=np.intp)
        if len(joints) == 0:
            continue
        hangs = int(up[joints[0]])
        line = joints if hangs < 0 else np.append(hangs, joints)
        points = skeleton.positions[line]
        tip = skeleton.tips.get(int(joints[-1]))
        if tip is not None:
            points = np.vstack([points, tip])
        before = up[line[0]]
        lead = skeleton.positions[before] if before >= 0 else None
        normals, screws = _wound(points, _normals(points, lead))
        falloff = falloff.usual(centre=ON_THE_JOINT)
        found.append(Limb(joints, hangs, points, normals, screws, falloff, tip is not None))
    return found


def _normals(points: NDArray[np.float64], lead: NDArray[np.float64] | None) -> NDArray[np.float64]:
    """Normals of the planes that cut a line of joints, toward its end, (k, 3)."""
    if len(points) == 1:
        return np.zeros((1, 3))
    ways = unit(np.diff(points, axis=0))
    for each in range(len(ways)):  # a bone without length goes the way of the one before
        if not ways[each].any() and each:
            ways[each] = ways[each - 1]
    before, after = ways[:-1], ways[1:]
    middle = unit(before + after)
    middle = np.where((middle != 0).any(axis=1)[:, None], middle, before)
    first, last = ways[0], ways[-1]
    if len(middle):
        first = _mirrored(ways[0], middle[0])
        last = _mirrored(ways[-1], middle[-1])
    if lead is not None:
        come = unit(points[0] - lead)
        if come @ ways[0] > GENTLE:
            first = unit(come + ways[0])
    return np.vstack([first, middle, last])


def _wound(
    points: NDArray[np.float64], normals: NDArray[np.float64]
) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Cutting planes and screws of a line of joints that turns gently and out of one plane.

    At evenly spaced points of a helix the normal lies in the plane of the two bones that meet,
    so two such frames, one joint apart, give its screw exactly; the tangents follow from it.
    """
    count = len(points)
    screws = np.zeros((max(count - 1, 0), 3))
    if count < 4:
        return normals, screws
    ways = unit(np.diff(points, axis=0))
    cosine = np.einsum("ij,ij->i", ways[:-1], ways[1:])
    side = unit(ways[1:] - ways[:-1])
    clear = (cosine > GENTLE - 1e-9) & (cosine < STRAIGHT)
    frames = np.stack([normals[1:-1], side, np.cross(normals[1:-1], side)], axis=2)
    steps = np.einsum("iba,ibc->iac", frames[:-1], frames[1:])  # in the frame it starts from
    both = clear[:-1] & clear[1:]
    turns = np.zeros((len(steps), 3))
    if both.any():
        turns[both] = Rotation.from_matrix(steps[both]).as_rotvec()
    twist = np.abs(turns[:, 0])
    turns[(twist < 1e-6) | (twist > WINDING)] = 0
    screws[1:-1] = np.einsum("iab,ib->ia", frames[:-1], turns)
    for end, frame, turn in ((0, frames[0], turns[0]), (-1, frames[-1], turns[-1])):
        screws[end] = frame @ turn  # the ends go on as the bones beside them do
    pace = np.zeros((count, 3))
    for each in np.flatnonzero((screws != 0).any(axis=1)):
        speed = unit(_speed(screws[each], points[each + 1] - points[each]))
        angle = np.linalg.norm(screws[each])
        pace[each] += speed
        pace[each + 1] += _turned(speed, screws[each] / angle, np.array([angle]))[0]
    return np.where((pace != 0).any(axis=1)[:, None], unit(pace), normals), screws


def _speed(screw: NDArray[np.float64], way: NDArray[np.float64]) -> NDArray[np.float64]:
    """Speed at the start of the screw motion that goes a way in one unit of time.

    The way is the left Jacobian of the rotation times the speed: Chirikjian, Stochastic Models,
    Information Theory, and Lie Groups 2 (2012), 10.6.
    """
    angle = np.linalg.norm(screw)
    cross = np.cross(screw / angle, np.eye(3)).T
    jacobian = np.eye(3) + (1 - np.cos(angle)) / angle * cross
    jacobian += (1 - np.sin(angle) / angle) * cross @ cross
    return np.linalg.solve(jacobian, way)


def _turned(
    vector: NDArray[np.float64], axis: NDArray[np.float64], angles: NDArray[np.float64]
) -> NDArray[np.float64]:
    """A vector turned about a unit axis by each angle, (n, 3): Rodrigues' formula."""
    straight = (vector @ axis) * axis
    return (
        straight
        + np.outer(np.cos(angles), vector - straight)
        + np.outer(np.sin(angles), np.cross(axis, vector))
    )


def _mirrored(way: NDArray[np.float64], normal: NDArray[np.float64]) -> NDArray[np.float64]:
    """The normal at the other end of a bone of a curve that turns evenly."""
    if way @ normal < np.cos(np.arccos(GENTLE) / 2):
        return way
    return 2 * (way @ normal) * way - normal
