"""Bones: the segment of flesh that each joint moves, and how it lies.

Whoever needs to know where a joint's bone begins, ends and points asks here.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator
from dataclasses import dataclass
from functools import cached_property
from itertools import product

import numpy as np
from numpy.typing import NDArray

from autoweight.machine.keeping import kept
from autoweight.rig import Skeleton, nearest_above
from autoweight.rows import ranks
from autoweight.skeleton.axes import ALONG, pointing, shared_axis
from autoweight.skeleton.descent import descent
from autoweight.skeleton.sides import UNPAIRED, likely_plane, pairs
from autoweight.vectors import unit

__all__ = [
    "SAME",
    "Bones",
    "Depth",
    "Frames",
    "Reaches",
    "bones",
    "closest",
    "distances",
    "ending",
    "frames",
    "heirs",
    "leads",
    "links",
    "nearest",
]

Depth = Callable[[NDArray[np.float64], NDArray[np.float64]], NDArray[np.float64]]
"""How far it is from places, (k, 3), along unit ways, (k, 3), to where they leave the body, (k,);
infinite for one that does not: `autoweight.surface.visibility.Sight.depth`."""

INWARD = 0.45
"""Share of the way to where its axis leaves the body that a bone without an end goes."""

AS_LONG, APART = 0.05, 0.5
"""Two links are a pair if their lengths differ by less than this share, and the cosine between them
is less than this."""

SPREAD = np.tan(np.radians(2))
"""How far to each side the rays that look for where a bone leaves the body are off its way: the
one in the middle may slip through between two faces, or meet a tooth."""

RAYS = 5
"""The ray in the middle, and one to each side of it."""

ROUND = unit(np.array([each for each in product((-1.0, 0.0, 1.0), repeat=3) if any(each)]))
"""Ways all round a place, the same in a mirror, to tell how thick the flesh about it is."""

SAME = 1e-4
"""Joints nearer to each other than this, in extents of the skeleton, are in one place."""

BULGE = 1.5
"""Skin round a bone is at most so many times as far off as where it is nearest."""

CHUNK = 1 << 15
"""Points whose distances to all bones are held at once."""


@dataclass(frozen=True, eq=False)
class Bones:
    """Segments and the joint that moves each.

    Parameters
    ----------
    joint : ndarray, shape (b,), int32
        A joint with two children has two bones.
    head, tail : ndarray, shape (b, 3)
        Ends in bind space; they coincide where nothing tells a leaf's direction.
    """

    joint: NDArray[np.int32]
    head: NDArray[np.float64]
    tail: NDArray[np.float64]

    def __len__(self) -> int:
        return len(self.joint)

    def places(self, counts: NDArray[np.integer]) -> tuple[NDArray[np.float64], NDArray[np.intp]]:
        """Places evenly along the bones, both ends included where there are two or more.

        Parameters
        ----------
        counts : ndarray, shape (b,), int
            How many on each.

        Returns
        -------
        points : ndarray, shape (p, 3)
        which : ndarray, shape (p,), int
            The bone that each is on, ascending.
        """
        which = np.repeat(np.arange(len(self)), counts)
        share = ranks(counts) / np.maximum(counts[which] - 1, 1)
        return self.head[which] + share[:, None] * (self.tail - self.head)[which], which


@dataclass(frozen=True, eq=False)
class Frames:
    """The one bone of each joint that it is named for.

    Parameters
    ----------
    start, end : ndarray, shape (j, 3)
        In bind space; they coincide where nothing tells a bone's direction.
    axes : ndarray, shape (j, 3, 3)
        Unit vectors as columns, right-handed: along the bone, then two across it, turned with
        the joint's own axes.
    told : ndarray, shape (j,), bool
        Whether the file tells where the bone points: by a tip, a child, or the joints' axis.
    """

    start: NDArray[np.float64]
    end: NDArray[np.float64]
    axes: NDArray[np.float64]
    told: NDArray[np.bool_]


def frames(skeleton: Skeleton, depth: Depth | None = None) -> Frames:
    """Where the bone of each joint begins and ends, and how it lies.

    Parameters
    ----------
    skeleton : Skeleton
    depth : callable, optional
        Of the body, for bones that nothing ends.

    Returns
    -------
    Frames
        A bone ends at the joint's tip; else at the child along the axis the joints share; else,
        if the file has no tips, at the only child or in the middle of several. What is left has
        a bone along the axis, 0.45 of the way to where it leaves the body, the same for joints that
        are counterparts; without an axis, or a body, it goes on from its parent's bone for as far
        again. A last joint beside a limb, in whose flesh all of that would be, has no bone but its
        place. Joints that only hold what hangs from them, see `ending`, have one as last joints do.
    """
    at, above = skeleton.positions, descent(skeleton).above
    ahead = leads(skeleton)
    end = at.copy()
    for joint, below in enumerate(descent(skeleton).below):
        if joint in skeleton.tips:
            end[joint] = skeleton.tips[joint]
        elif ahead[joint] >= 0:
            end[joint] = at[ahead[joint]]
        elif below and not skeleton.tips:
            end[joint] = at[list(below)].mean(axis=0)
    told = (end != at).any(axis=1)
    left = ~told
    origin = at.copy()  # where the bone before begins, past joints in the same place
    doubled = _doubled(skeleton) | _turned(skeleton)
    for joint in np.flatnonzero(above >= 0).tolist():
        origin[joint] = origin[above[joint]] if doubled[joint] else at[above[joint]]
    before = at - origin
    end[left] += before[left]
    ways, left = pointing(skeleton), left | _crowned(skeleton)
    if ways is not None and left.any():
        length = np.linalg.norm(before, axis=1)
        if depth is not None:
            length[left] = INWARD * _way_out(skeleton, depth, ways, left)[left]
        left &= np.isfinite(length) & (length > 0)
        end[left] = at[left] + length[left, None] * ways[left]
        told |= left
    if depth is not None:
        idle = _beside(skeleton, depth, end)
        end[idle], told[idle] = at[idle], False
    return Frames(at, end, _across(skeleton, end - at), told)


def leads(skeleton: Skeleton) -> NDArray[np.intp]:
    """The child each joint's bone leads to: along the shared axis, or the only one; -1, (j,).

    In a file with tips every joint has a bone of its own, whose axis says where it goes: an only
    child elsewhere is not at its end.
    """
    at, pointed = skeleton.positions, pointing(skeleton)
    found = np.full(len(skeleton), -1)
    for joint, below in enumerate(descent(skeleton).below):
        if below and pointed is not None:
            ways = at[list(below)] - at[joint]
            length = np.linalg.norm(ways, axis=1)
            along = ways @ pointed[joint]
            lead = np.where(length > 0, along - ALONG * length, -1.0)
            best = int(lead.argmax())
            # Of two as far along it, one to each side, neither is its end.
            level = np.abs(lead - lead[best]) <= SAME * length[best]
            twin = level & (np.linalg.norm(ways - ways[best], axis=1) > SAME * length[best])
            if lead[best] > 0 and not twin.any():
                found[joint] = below[best]
        if len(below) == 1 and not skeleton.tips:
            found[joint] = below[0]
    return found


def _way_out(
    skeleton: Skeleton, depth: Depth, ways: NDArray[np.float64], wanted: NDArray[np.bool_]
) -> NDArray[np.float64]:
    """How far it is along its way from each wanted joint to where that leaves the body, (j,).

    The median of its rays and its counterpart's, so that those which slip between two fingers on
    one side alone do not set the sides apart; of two in the middle the shorter.
    """
    found = np.full((len(skeleton), RAYS), np.inf)
    at, turns = skeleton.positions[wanted], skeleton.orientations[wanted]
    found[wanted] = _depths(depth, at, ways[wanted], turns)
    other = np.arange(len(skeleton))
    plane = likely_plane(skeleton)
    if plane is not None:
        partner = pairs(skeleton, plane)
        alike = np.einsum("ji,ji->j", plane.turn(ways), ways[partner]) > ALONG
        shared = (partner != UNPAIRED) & alike & wanted & wanted[partner]
        other[shared] = partner[shared]
    return np.sort(np.concatenate([found, found[other]], axis=1), axis=1)[:, RAYS - 1]


def _beside(skeleton: Skeleton, depth: Depth, end: NDArray[np.float64]) -> NDArray[np.bool_]:
    """Which last joints are in the flesh of a limb that they hang beside, (j,).

    Such a joint, as one that swells a muscle or rounds an elbow, is turned as its parent is or as
    nothing else (common practice, no source). Its place and the end of its bone are no farther
    from bones between other joints than flesh goes all round these, and on to where it would leave
    the body it keeps to that limb: a belly hangs off it; an ear, a fin or a finger leads away.
    """
    at, above = skeleton.positions, descent(skeleton).above
    found = _unaimed(skeleton) & ~descent(skeleton).dividing & (end != at).any(axis=1)
    flesh = links(skeleton) & ~descent(skeleton).last
    flesh &= (at != at[np.maximum(above, 0)]).any(axis=1)
    last, tail = np.flatnonzero(found), np.flatnonzero(flesh)
    if not len(last) or not len(tail):
        return np.zeros(len(skeleton), dtype=bool)
    rods = Bones(above[tail].astype(np.int32), at[above[tail]], at[tail])
    on = end[last] - at[last]
    length = np.linalg.norm(on, axis=1)
    on /= length[:, None]
    out = np.median(_depths(depth, at[last], on, skeleton.orientations[last]), axis=1)
    fits = np.isfinite(out) & _within(depth, at[last])
    out[~fits] = 0.0
    _, middle, thin = _flesh(depth, rods, at[last])
    fits &= np.linalg.norm(at[last] - middle, axis=1) <= thin
    stop = at[last] + np.minimum(length, INWARD * out)[:, None] * on
    bone, middle, thin = _flesh(depth, rods, stop)
    fits &= np.linalg.norm(stop - middle, axis=1) <= thin
    along = unit(rods.tail[bone] - rods.head[bone])
    off = at[last] + out[:, None] * on - middle
    off -= np.einsum("ij,ij->i", off, along)[:, None] * along
    fits &= np.linalg.norm(off, axis=1) <= BULGE * thin
    found[last] = fits
    return found


def _unaimed(skeleton: Skeleton) -> NDArray[np.bool_]:
    """Last joints with siblings and no tip, turned as something that is there anyway, (j,).

    As the parent, as a sibling in the same place, or half-way between: all that axes can say.
    """
    at, ways = skeleton.positions, pointing(skeleton)
    near = SAME * float(np.ptp(at, axis=0).max())
    found = np.zeros(len(skeleton), dtype=bool)
    for joint, hanging in enumerate(skeleton.children):
        below = [child for child in hanging if child not in skeleton.apart]
        for each in below if len(below) > 1 else ():
            if skeleton.children[each] or each in skeleton.tips:
                continue
            if ways is None:
                found[each] = True
                continue
            there = np.linalg.norm(at[list(below)] - at[each], axis=1) <= near
            others = [joint, *np.array(below)[there & (np.array(below) != each)]]
            halves = unit(ways[joint] + ways[others])  # of what a limb is bent there
            found[each] = (np.concatenate([ways[others], halves]) @ ways[each] > ALONG).any()
    return found


def _within(depth: Depth, places: NDArray[np.float64]) -> NDArray[np.bool_]:
    """Which places are in the body: most ways round lead out of it, (k,)."""
    return np.isfinite(_all_round(depth, places)).mean(axis=1) > 0.5


def _flesh(
    depth: Depth, bones: Bones, places: NDArray[np.float64]
) -> tuple[NDArray[np.intp], NDArray[np.float64], NDArray[np.float64]]:
    """The nearest bone of places, where on it, and how far from there its flesh goes all round."""
    bone = nearest(places, bones)[0]
    middle = closest(places, bones, bone)
    return bone, middle, _all_round(depth, middle).min(axis=1)


def _all_round(depth: Depth, places: NDArray[np.float64]) -> NDArray[np.float64]:
    """Depths from places in all ways round, (k, ways)."""
    ways = np.tile(ROUND, (len(places), 1))
    return depth(np.repeat(places, len(ROUND), axis=0), ways).reshape(-1, len(ROUND))


def _depths(
    depth: Depth,
    origins: NDArray[np.float64],
    ways: NDArray[np.float64],
    turns: NDArray[np.float64],
) -> NDArray[np.float64]:
    """Depths along some ways and to all sides of them, (k, `RAYS`)."""
    # The joint's other two axes, so that a mirrored joint has mirrored rays.
    across = turns - np.einsum("ki,kij->kj", ways, turns)[:, None] * ways[:, :, None]
    sides = np.sort(np.linalg.norm(across, axis=1), axis=1)[:, 1:]
    order = np.argsort(np.linalg.norm(across, axis=1), axis=1, kind="stable")[:, 1:]
    across = np.take_along_axis(across, order[:, None], axis=2) / sides[:, None]
    tilts = SPREAD * np.array([[0, 0], [1, 0], [-1, 0], [0, 1], [0, -1]])
    rays = unit(ways[:, None] + np.einsum("kij,tj->kti", across, tilts))
    found = depth(np.repeat(origins, len(tilts), axis=0), rays.reshape(-1, 3))
    return found.reshape(-1, len(tilts))


def _across(skeleton: Skeleton, ways: NDArray[np.float64]) -> NDArray[np.float64]:
    """Axes along some ways and across them, (j, 3, 3), turned with each joint's own axes."""
    own = skeleton.orientations
    along = unit(ways)
    along = np.where(along.any(axis=1, keepdims=True), along, own[:, :, 1])
    shared = shared_axis(skeleton)
    # The next axis round from the one along the bone, where there is one; else the least along.
    if shared is not None:
        side = own @ np.roll(np.abs(shared), 1)
    else:
        least = np.abs(np.einsum("jik,ji->jk", own, along)).argmin(axis=1)
        side = own[np.arange(len(own)), :, least]
    flat = np.abs(np.einsum("ji,ji->j", side, along)) > ALONG
    side[flat] = own[flat, :, 2]
    side = unit(side - np.einsum("ji,ji->j", side, along)[:, None] * along)
    return np.stack([along, side, np.cross(along, side)], axis=2)


def ending(skeleton: Skeleton) -> NDArray[np.bool_]:
    """Which joints have a bone that ends at no child, (j,): see `frames` for where it ends.

    Last joints; and where bones point along y, those from which no chain goes on: all that hangs
    from them are last joints, or hangs in pairs to both sides, as ears do from a head.
    """
    found = descent(skeleton).last | _crowned(skeleton)
    found[descent(skeleton).above[_turned(skeleton)]] = True
    if skeleton.tips:
        tipped = np.isin(np.arange(len(skeleton)), list(skeleton.tips))
        return found | tipped | (leads(skeleton) < 0)
    return found


@kept
def _crowned(skeleton: Skeleton) -> NDArray[np.bool_]:
    """Joints that end a chain though something hangs from them, in a file without tips, (j,).

    A bone along y has a length, whether or not a child lies at its end; along x it may be no more
    than the link to a child; see `links`. A root's may point anywhere.
    """
    axis, ahead = shared_axis(skeleton), leads(skeleton)
    found = np.zeros(len(skeleton), dtype=bool)
    if axis is None or skeleton.tips or not axis[1]:
        return found
    at, above, last = skeleton.positions, descent(skeleton).above, descent(skeleton).last
    for joint, below in enumerate(descent(skeleton).below):
        if below and ahead[joint] < 0 and above[joint] >= 0:
            some = list(below)
            found[joint] = (last[some] | _paired(at[some] - at[joint])).all()
    return found


def links(skeleton: Skeleton, frame: Frames | None = None) -> NDArray[np.bool_]:
    """Which joints have flesh of their parent on the way from there, (j,).

    Where bones have ends of their own, a parent has its flesh on the way to the child at its
    bone's end, and the ways to its other children only say where those hang. That is so in files
    with tips, and where bones point along y; joints whose bones point along x come from where a
    bone is no more than the link between two joints (common practice, no source), and then every
    link is flesh, as it is without a shared axis. What hangs in pairs to both sides of a joint
    whose bone leads to no child hangs on its flesh: the legs of a walker on its hull. And where
    bones have no ends of their own, what hangs from a root does so on its flesh: no bone before
    it could have what lies between. A joint in its parent's place that only holds last joints, of
    which `frame` makes some points, has none on the way to them: correctives of a shoulder hang so.
    """
    above, own = descent(skeleton).above, ~(_doubled(skeleton) | _turned(skeleton))
    found = above >= 0
    if frame is not None:
        found &= ~_held(skeleton, frame)
    axis = shared_axis(skeleton)
    if axis is None or not (skeleton.tips or axis[1]):
        return found & own
    ahead, at = leads(skeleton), skeleton.positions
    for joint, below in enumerate(descent(skeleton).below):
        rooted = above[joint] < 0 and not skeleton.tips
        if skeleton.tips or (ahead[joint] >= 0 and not rooted):
            found[list(below)] = False
            if ahead[joint] >= 0 and joint not in skeleton.tips:
                found[ahead[joint]] = True
            elif joint not in skeleton.tips:
                found[list(below)] = _paired(at[list(below)] - at[joint])
    return found & own


@kept
def _turned(skeleton: Skeleton) -> NDArray[np.bool_]:
    """Last joints alone in their parent's place whose bones point elsewhere than its, (j,).

    As a jaw does that is hinged where its skull begins: neither is in place of the other.
    """
    at, above, below = skeleton.positions, descent(skeleton).above, descent(skeleton).below
    found, ways = np.zeros(len(skeleton), dtype=bool), pointing(skeleton)
    if ways is None:
        return found
    only = [each[0] for each in below if len(each) == 1]
    last = [each for each in only if not below[each] and above[above[each]] >= 0]
    off = np.linalg.norm(at[last] - at[above[last]], axis=1)
    elsewhere = np.einsum("ji,ji->j", ways[last], ways[above[last]]) < ALONG
    found[last] = (off <= SAME * np.ptp(at, axis=0).max()) & elsewhere
    return found


@kept
def _doubled(skeleton: Skeleton) -> NDArray[np.bool_]:
    """Which joints take over what their parent, in the same place, would move, (j,).

    Of joints one in another, such as those that hold an offset, the last has the flesh (common
    practice, no source). But a root may have what no other joint moves, unless the last is one that
    a body goes several ways from, as hips are. One turned elsewhere is no double.
    """
    at, above, below = skeleton.positions, descent(skeleton).above, descent(skeleton).below
    only = [each[0] for each in below if len(each) == 1]
    found = np.zeros(len(skeleton), dtype=bool)
    off = np.linalg.norm(at[only] - at[above[only]], axis=1)
    found[only] = off <= SAME * np.ptp(at, axis=0).max()
    found &= ~_turned(skeleton)
    for joint in np.flatnonzero(found & (above[above] < 0)).tolist():
        last = joint
        while len(below[last]) == 1 and found[below[last][0]]:
            last = below[last][0]
        found[joint] = len(below[last]) > 1
    return found


def _held(skeleton: Skeleton, frame: Frames) -> NDArray[np.bool_]:
    """Which joints hang from one that only holds last joints, some of them points, (j,)."""
    at, above = skeleton.positions, descent(skeleton).above
    near = SAME * np.ptp(at, axis=0).max()
    last = descent(skeleton).last
    point = last & (frame.end == at).all(axis=1)
    found = np.zeros(len(skeleton), dtype=bool)
    for joint, below in enumerate(descent(skeleton).below):
        some = list(below)
        if above[joint] >= 0 and last[some].all() and point[some].any():
            found[some] = np.linalg.norm(at[joint] - at[above[joint]]) <= near
    return found


def _paired(ways: NDArray[np.float64]) -> NDArray[np.bool_]:
    """Which ways have another as long and well apart, (k,)."""
    length = np.linalg.norm(ways, axis=1)
    alike = np.abs(length[:, None] - length) < AS_LONG * length
    return (alike & (ways @ ways.T < APART * length[:, None] * length)).any(axis=1)


def bones(
    skeleton: Skeleton, active: NDArray[np.bool_] | None = None, frame: Frames | None = None
) -> Bones:
    """Bones of a skeleton.

    Parameters
    ----------
    skeleton : Skeleton
    active : ndarray, shape (j,), bool, optional
        Joints that may have weight; the bones of the others go to their nearest ancestor that
        may, and are dropped where there is none. All may when left out.
    frame : Frames, optional
        ``frames(skeleton)``, when more is known.

    Returns
    -------
    Bones
        One for each parent-child pair with flesh between them, moved by the parent, then one for
        each joint whose bone no child ends, as `frames` has it.
    """
    frame = frame or frames(skeleton)
    child = np.flatnonzero(links(skeleton, frame))
    parent = descent(skeleton).above[child]
    last = np.flatnonzero(ending(skeleton))
    joint = np.concatenate([parent, last])
    head = np.concatenate([frame.start[parent], frame.start[last]])
    tail = np.concatenate([frame.start[child], frame.end[last]])
    if active is not None:
        joint = heirs(skeleton, active)[joint]
    kept = joint >= 0
    return Bones(joint[kept].astype(np.int32), head[kept], tail[kept])


def heirs(skeleton: Skeleton, active: NDArray[np.bool_]) -> NDArray[np.intp]:
    """Who takes over from each joint that may not have weight.

    Parameters
    ----------
    skeleton : Skeleton
    active : ndarray, shape (j,), bool

    Returns
    -------
    ndarray, shape (j,)
        The joint itself where it is active, else the nearest that is of those whose flesh it
        goes on from, -1 for none.
    """
    return nearest_above(descent(skeleton).above, active)


def closest(
    points: NDArray[np.float64], bones: Bones, which: NDArray[np.integer]
) -> NDArray[np.float64]:
    """Closest place on one bone to each point.

    Parameters
    ----------
    points : ndarray, shape (n, 3)
    bones : Bones
    which : ndarray, shape (n,), int
        The bone asked about for each point.

    Returns
    -------
    ndarray, shape (n, 3)
    """
    head = bones.head[which]
    along = bones.tail[which] - head
    length = np.einsum("ij,ij->i", along, along)
    share = np.einsum("ij,ij->i", points - head, along) / np.where(length > 0, length, 1.0)
    return head + np.clip(share, 0, 1)[:, None] * along


def distances(points: NDArray[np.float64], bones: Bones) -> NDArray[np.float64]:
    """Straight-line distance of every point to every bone.

    Parameters
    ----------
    points : ndarray, shape (n, 3)
    bones : Bones

    Returns
    -------
    ndarray, shape (n, b)
        In scene units.
    """
    found = np.empty((len(bones), len(points)))
    for number, away in enumerate(_reaching(points, bones)):
        found[number] = away
    return found.T


def nearest(
    points: NDArray[np.float64], bones: Bones
) -> tuple[NDArray[np.intp], NDArray[np.float64]]:
    """The nearest bone of each point, by straight lines, and how far it is.

    Parameters
    ----------
    points : ndarray, shape (n, 3)
    bones : Bones

    Returns
    -------
    bone : ndarray, shape (n,), int
        The first of those that are as far.
    away : ndarray, shape (n,)
        In scene units.
    """
    # What is least so far, not a table of all to look through, which outgrows any cache.
    bone, least = np.zeros(len(points), dtype=np.intp), np.full(len(points), np.inf)
    for number, away in enumerate(_reaching(points, bones)):
        closer = away < least
        bone[closer] = number
        np.minimum(least, away, out=least)
    return bone, least


def _reaching(points: NDArray[np.float64], bones: Bones) -> Iterator[NDArray[np.float64]]:
    """Distances of all points to one bone after another, (n,)."""
    points = np.ascontiguousarray(points.T)
    for head, tail in zip(bones.head, bones.tail, strict=True):
        along = tail - head
        length = along @ along
        way = points - head[:, None]
        if length > 0:
            share = along @ way / length
            way -= along[:, None] * np.clip(share, 0, 1, out=share)
        yield np.sqrt(np.einsum("in,in->n", way, way))


class Reaches:
    """Straight-line distance of points to the nearest bone, in scene units, worked out when asked.

    Parameters
    ----------
    points : ndarray, shape (n, 3)
    bones : Bones
    """

    def __init__(self, points: NDArray[np.float64], bones: Bones) -> None:
        self.points, self.bones = points, bones

    @cached_property
    def _known(self) -> NDArray[np.float64]:
        """What was asked for, not a number where nobody has, (n,)."""
        return np.full(len(self.points), np.nan)

    def __getitem__(self, some: NDArray[np.integer] | slice) -> NDArray[np.float64]:
        """Of some of the points, by number, as an array is asked."""
        new = np.zeros(len(self.points), dtype=bool)
        new[some] = True
        asked = np.flatnonzero(new & np.isnan(self._known))
        for start in range(0, len(asked), CHUNK):
            chunk = asked[start : start + CHUNK]
            self._known[chunk] = nearest(self.points[chunk], self.bones)[1]
        return self._known[some]
