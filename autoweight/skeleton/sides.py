"""Left and right: the mirror plane, and which joint is the other side's counterpart of which."""

from __future__ import annotations

import re
from collections import defaultdict
from collections.abc import Sequence
from dataclasses import dataclass
from itertools import product

import numpy as np
from numpy.typing import NDArray
from scipy.spatial.distance import cdist

from autoweight.errors import RecipeError
from autoweight.rig import Skeleton
from autoweight.vectors import diagonal

__all__ = [
    "AXES",
    "PAIR_TOLERANCE",
    "UNPAIRED",
    "Plane",
    "likely_plane",
    "opposite",
    "pairs",
    "sideless",
    "words",
]

AXES = ("x", "y", "z")
UNPAIRED = -1
PAIR_TOLERANCE = 0.02
"""How far a joint may be from its counterpart's mirror image, in diagonals of the joints' box."""

_SIDES = {"left": -1, "l": -1, "lf": -1, "lft": -1, "right": 1, "r": 1, "rt": 1, "rgt": 1}
_OTHER = {"left": "right", "l": "r", "lf": "rt", "lft": "rgt"}
_OTHER |= {right: left for left, right in _OTHER.items()}
_WORDS = re.compile(r"[A-Z]+(?![a-z])|[A-Z]?[a-z]+|[0-9]+")
_GLUED = re.compile(r"(left|right)", re.IGNORECASE)


@dataclass(frozen=True, eq=False)
class Plane:
    """A plane that one half of a character is the mirror image of the other across.

    Parameters
    ----------
    point : array_like, shape (3,)
        Any point of it, in bind space.
    normal : array_like, shape (3,)
        Toward the positive side; of any length but 0.

    Raises
    ------
    RecipeError
        A point or normal that is not three finite numbers, or a normal of no length.
    """

    point: NDArray[np.float64]
    normal: NDArray[np.float64]

    def __post_init__(self) -> None:
        point, normal = (np.asarray(each, dtype=np.float64) for each in (self.point, self.normal))
        if point.shape != (3,) or normal.shape != (3,):
            raise RecipeError(
                f"a plane needs a point and a normal of 3 numbers, got {point.shape} and "
                f"{normal.shape}"
            )
        length = np.linalg.norm(normal)
        if not (np.isfinite(point).all() and np.isfinite(length) and length > 0):
            raise RecipeError(
                f"a plane needs a finite point and a normal with a length, got {point.tolist()} "
                f"and {normal.tolist()}"
            )
        object.__setattr__(self, "point", point)
        object.__setattr__(self, "normal", normal / length)

    @classmethod
    def named(cls, text: str) -> Plane:
        """Read a plane from what a user types.

        Parameters
        ----------
        text : str
            An axis, ``x``, ``y`` or ``z``, for the plane through the origin that it is normal
            to; an axis and where the plane crosses it, ``x=0.25``; or six numbers with commas,
            the point and then the normal.

        Raises
        ------
        RecipeError
            None of these.
        """
        axis, equals, offset = text.strip().partition("=")
        try:
            if axis in AXES:
                normal = np.eye(3)[AXES.index(axis)]
                return cls(normal * (float(offset) if equals else 0.0), normal)
            point_and_normal = np.array(text.split(","), dtype=np.float64)
        except ValueError:
            point_and_normal = np.empty(0)
        if point_and_normal.shape != (6,):
            raise RecipeError(
                f"{text!r} is not a plane; give x, y or z, an axis and an offset such as x=0.25, "
                "or the six numbers of a point and a normal with commas between"
            )
        return cls(point_and_normal[:3], point_and_normal[3:])

    @property
    def name(self) -> str:
        """What `named` reads it from."""
        axis = int(np.abs(self.normal).argmax())
        if self.normal[axis] < 1:
            return ",".join(f"{each:.9g}" for each in (*self.point, *self.normal))
        offset = f"{self.point[axis]:.9g}"
        return AXES[axis] + ("" if float(offset) == 0 else f"={offset}")

    def heights(self, points: NDArray[np.float64]) -> NDArray[np.float64]:
        """Signed distance of each point, (n,), positive on the side of the normal."""
        return (points - self.point) @ self.normal

    def reflect(self, points: NDArray[np.float64]) -> NDArray[np.float64]:
        """The mirror image of each point, (n, 3)."""
        return points - 2 * self.heights(points)[:, None] * self.normal

    def turn(self, ways: NDArray[np.float64]) -> NDArray[np.float64]:
        """The mirror image of each direction, (n, 3)."""
        return ways - 2 * (ways @ self.normal)[:, None] * self.normal


def pairs(
    skeleton: Skeleton,
    plane: Plane,
    overrides: Sequence[tuple[str, str]] = (),
    *,
    tolerance: float = PAIR_TOLERANCE,
) -> NDArray[np.int32]:
    """Find the counterpart of each joint across a plane.

    Two joints are a pair when their names differ in the word for the side alone (left and
    right, l and r, lf and rt, in any case, set off by a separator, a digit or a capital) and
    each is where the mirror image of the other would be. Numbers in the names are minded where
    that leads to a pair, and not where it does not, since some exporters number every joint. What
    is left is a pair where names differ in numbers alone and parents are a pair or the same.

    Parameters
    ----------
    skeleton : Skeleton
    plane : Plane
    overrides : sequence of (str, str), optional
        Pairs the user names, whatever their names and places; a joint twice is a centre joint.
    tolerance : float, optional
        How far a joint may be from its counterpart's mirror image, in diagonals of the joints'
        bounding box.

    Returns
    -------
    ndarray, shape (j,), int32
        The number of each joint's counterpart, its own for a joint on the plane, and `UNPAIRED`
        for one that is off the plane and has none. ``partner[partner[i]] == i`` where paired.

    Raises
    ------
    RecipeError
        An override names a joint that is not there, or one joint in two pairs.
    """
    partner = np.full(len(skeleton), UNPAIRED, dtype=np.int32)
    for first, second in overrides:
        one, other = skeleton.number(first), skeleton.number(second)
        for joint, wanted in ((one, other), (other, one)):
            if partner[joint] not in (UNPAIRED, wanted):
                raise RecipeError(
                    f"joint {skeleton.names[joint]!r} is in two mirror pairs; keep one of them"
                )
            partner[joint] = wanted

    at, image = skeleton.positions, plane.reflect(skeleton.positions)
    images = cdist(image, at)
    reach = tolerance * diagonal(at)
    _pair_by_side(skeleton, images, reach, partner)
    own = np.flatnonzero((partner == UNPAIRED) & (images.diagonal() <= reach))
    partner[own] = own
    _pair_by_number(skeleton, images, reach, partner)
    return partner


def _pair_by_side(
    skeleton: Skeleton,
    images: NDArray[np.float64],
    reach: float,
    partner: NDArray[np.int32],
) -> None:
    """Pair joints whose names differ in the side; `images` are distances from mirror images."""
    for minding_numbers in (True, False):
        left, right = _sorted_by_key(skeleton, partner == UNPAIRED, minding_numbers)
        for key in sorted(left.keys() & right.keys()):
            these, those = np.array(left[key]), np.array(right[key])
            apart = images[np.ix_(these, those)]
            if not (apart <= reach).any():
                continue
            chosen = _nearest_pairs(apart)
            near = apart[chosen] <= reach
            these, those = these[chosen[0][near]], those[chosen[1][near]]
            free = (partner[these] == UNPAIRED) & (partner[those] == UNPAIRED)
            partner[these[free]], partner[those[free]] = those[free], these[free]


def _nearest_pairs(
    apart: NDArray[np.float64],
) -> tuple[NDArray[np.intp], NDArray[np.intp]]:
    """Rows and columns of the pairs that are nearest to each other all together."""
    if apart.shape == (1, 1):
        return np.zeros(1, dtype=np.intp), np.zeros(1, dtype=np.intp)
    from scipy.optimize import linear_sum_assignment  # slow to import, rarely needed

    rows, columns = linear_sum_assignment(apart)
    return rows, columns


def _pair_by_number(
    skeleton: Skeleton,
    images: NDArray[np.float64],
    reach: float,
    partner: NDArray[np.int32],
) -> None:
    """Pair what is left and hangs from a pair, or from one joint, where only numbers differ.

    A joint that is copied to the other side may keep the word for its own and get a number.
    """
    plain = [[word for word in words(name) if not word.isdigit()] for name in skeleton.names]

    def nearest(joint: int) -> int:
        parent = skeleton.parents[joint]
        above = partner[parent] if parent >= 0 else parent
        if parent >= 0 and above == UNPAIRED:
            return UNPAIRED
        near = np.flatnonzero((images[joint] <= reach) & (partner == UNPAIRED))
        alike = [
            other
            for other in near.tolist()
            if skeleton.parents[other] == above and plain[other] == plain[joint]
        ]
        return min(alike, key=lambda other: images[joint, other], default=UNPAIRED)

    for joint in np.flatnonzero(partner == UNPAIRED).tolist():  # parents come first
        other = nearest(joint) if partner[joint] == UNPAIRED else UNPAIRED
        if other != UNPAIRED and nearest(other) == joint:
            partner[joint], partner[other] = other, joint


def opposite(name: str) -> str:
    """What a name would be on the other side; the same where it has no word for a side.

    >>> opposite("LeftArm_01"), opposite("gill_1_R"), opposite("tail")
    ('RightArm_01', 'gill_1_L', 'tail')
    """
    for word in _WORDS.finditer(name):
        start = word.start()
        for piece in _GLUED.split(word.group()):
            other = _OTHER.get(piece.lower())
            if other:
                cased = other.upper() if piece.isupper() else other
                cased = cased[0].upper() + cased[1:] if piece[0].isupper() else cased
                return name[:start] + cased + name[start + len(piece) :]
            start += len(piece)
    return name


def sideless(name: str) -> str:
    """A name's words in lower case, without the first that is for a side.

    >>> sideless("LeftArm_01"), sideless("gill_1_R"), sideless("tail")
    ('arm 1', 'gill 1', 'tail')
    """
    pieces = words(name)
    side = next((place for place, word in enumerate(pieces) if word in _SIDES), len(pieces))
    kept = pieces[:side] + pieces[side + 1 :]
    return " ".join(str(int(word)) if word.isdigit() else word for word in kept)


def likely_plane(skeleton: Skeleton) -> Plane | None:
    """The plane normal to an axis across which most names are pairs.

    Through the origin, or where a character stands elsewhere, in the middle of what names pair,
    if it pairs at least half of that.

    Parameters
    ----------
    skeleton : Skeleton

    Returns
    -------
    Plane or None
        None where no two joints are a pair across any of the three.
    """
    at = skeleton.positions
    reach = PAIR_TOLERANCE * diagonal(at)
    left, right = _sorted_by_key(skeleton, np.ones(len(skeleton), dtype=bool), True)
    named = [(*left[key], *right[key]) for key in left.keys() & right.keys()]
    middles = [at[list(both)].mean(axis=0) for both in named if len(both) == 2]
    origins = [np.zeros(3), *([np.median(middles, axis=0)] if middles else [])]
    found = []
    for point, normal in product(origins, np.eye(3)):
        plane = Plane(point * normal, normal)
        partner = np.full(len(skeleton), UNPAIRED, dtype=np.int32)
        _pair_by_side(skeleton, cdist(plane.reflect(at), at), reach, partner)
        count = int((partner != UNPAIRED).sum())
        # Elsewhere than at the origin a few may pair by chance.
        found.append((count if not point.any() or count >= len(named) else 0, plane))
    # Of equals the origin goes first, and x.
    count, plane = max(found, key=lambda each: each[0])
    return plane if count else None


def _sorted_by_key(
    skeleton: Skeleton, wanted: NDArray[np.bool_], minding_numbers: bool
) -> tuple[dict[tuple[str, ...], list[int]], dict[tuple[str, ...], list[int]]]:
    """Left and right joints by their name with the side struck out; a name may have two sides."""
    left: dict[tuple[str, ...], list[int]] = defaultdict(list)
    right: dict[tuple[str, ...], list[int]] = defaultdict(list)
    for joint in np.flatnonzero(wanted):
        pieces = words(skeleton.names[joint])
        if not minding_numbers:
            pieces = [word for word in pieces if not word.isdigit()]
        for place, word in enumerate(pieces):
            if word in _SIDES:
                key = (*pieces[:place], "", *pieces[place + 1 :])
                (left if _SIDES[word] < 0 else right)[key].append(int(joint))
    return left, right


def words(name: str) -> list[str]:
    """The words of a name, in lower case: set off by a separator, a digit or a capital.

    >>> words("LeftArm_01")
    ['left', 'arm', '01']
    """
    return [
        piece
        for word in _WORDS.findall(name)
        for piece in _GLUED.split(word.lower())  # leftarm: set off by nothing, but plain
        if piece
    ]
