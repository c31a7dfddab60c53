"""Which joint's flesh goes on from which: the parent's, but along bones that joints divide."""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property

import numpy as np
from numpy.typing import NDArray

from autoweight.machine.keeping import kept
from autoweight.rig import Skeleton, hanging
from autoweight.skeleton.axes import ALONG, pointing

__all__ = ["Descent", "descent"]

ON_BONE, BETWEEN, STEP = 0.02, (0.1, 0.97), 0.05
"""A joint divides a bone if it is no further off it than this, and between these shares of it; two
such are further from each other. All in lengths of the bone."""


@dataclass(frozen=True, eq=False)
class Descent:
    """How flesh goes on from joint to joint.

    Parameters
    ----------
    above : ndarray, shape (j,), int
        The joint that each one's flesh goes on from, -1 for none: its parent, but along a divided
        bone the joint before; -1 too for what is apart.
    below : tuple of tuple of int
        The joints that go on from each, ascending.
    divided : tuple of tuple of int
        Bones with joints on them: where each begins, those joints in their order, its end.
    dividing : ndarray, shape (j,), bool
        Which joints divide a bone between two others.
    """

    above: NDArray[np.intp]
    below: tuple[tuple[int, ...], ...]
    divided: tuple[tuple[int, ...], ...]
    dividing: NDArray[np.bool_]

    @cached_property
    def last(self) -> NDArray[np.bool_]:
        """Which joints none goes on from, (j,)."""
        return np.array([not each for each in self.below], dtype=bool)


@kept
def descent(skeleton: Skeleton) -> Descent:
    """How flesh goes on along the joints of a skeleton.

    Parameters
    ----------
    skeleton : Skeleton

    Returns
    -------
    Descent
    """
    divided = _divided(skeleton)
    above = skeleton.parents.astype(np.intp)
    above[list(skeleton.apart)] = -1
    dividing = np.zeros(len(skeleton), dtype=bool)
    for line in divided:
        above[list(line[1:])] = line[:-1]
        dividing[list(line[1:-1])] = True
    return Descent(above, hanging(above), divided, dividing)


def _divided(skeleton: Skeleton) -> tuple[tuple[int, ...], ...]:
    """Bones with joints on them.

    Joints that lie one after another on a bone between two others, in line with it, divide
    that bone, as those that share out the twist of an arm do (common practice, no source).
    They hang from its beginning, by themselves or from each other, and that has one more
    child with children, or one at all if axes too say that all are in line. A root has no
    bone to divide, and what divides a bone has none of its own.
    """
    found: list[tuple[int, ...]] = []
    taken: set[int] = set()
    for joint, children in enumerate(skeleton.children):  # parents come first
        below = [child for child in children if child not in skeleton.apart]
        if len(below) < 2 or skeleton.parents[joint] < 0 or joint in taken:
            continue
        limbs = {child for child in below if skeleton.children[child]}
        for end in limbs or below:
            lying = {each: _divisors(skeleton, joint, end, each) for each in below if each != end}
            rest = {each for each, divisors in lying.items() if not divisors}
            line = sorted(pair for divisors in lying.values() for pair in divisors)
            sure = limbs or (not rest and pointing(skeleton) is not None)
            if line and sure and not rest & limbs:
                shares, divisors = zip(*line, strict=True)
                if (np.diff(shares) >= STEP).all():
                    found.append((joint, *divisors, end))
                    taken.update(divisors)
                break
    return tuple(found)


def _divisors(skeleton: Skeleton, joint: int, end: int, child: int) -> list[tuple[float, int]]:
    """A child and all that hangs from it, by share of the bone they lie on; none if not all."""
    own = [child]
    for each in own:
        own += skeleton.children[each]
    at, ways = skeleton.positions, pointing(skeleton)
    way = at[end] - at[joint]
    length = float(np.linalg.norm(way))
    if length == 0:
        return []
    way = way / length
    offset = at[own] - at[joint]
    share = offset @ way / length
    off = np.linalg.norm(offset - np.outer(share * length, way), axis=1) / length
    fits = (share >= BETWEEN[0]) & (share <= BETWEEN[1]) & (off <= ON_BONE)
    if ways is not None:
        fits &= ways[own] @ way > ALONG
    return list(zip(share.tolist(), own, strict=True)) if fits.all() else []
