"""What finished rigs have at the places most like one, and how far to believe near twins.

Trees even out what they are taught; a rig that is nearly the new one knows better. What each rig
has at its nearest place is learned from like any other trait, out of fold: a sample of one rig sees
the others only, so that trees find out how near is near enough (Wolpert, Stacked generalization,
Neural Networks 5(2), 1992).
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray
from scipy.spatial import cKDTree

from autoweight.taste.traits import COUNTERPART, FACING, OWN, PLACE, SHARES

__all__ = ["Neighbours", "familiar", "heed", "kindred", "opinion", "teachers", "twin"]

KNOWN, UNKNOWN = 0.5, 1.5
"""A place is like one learned from within so many bone lengths, and not at all beyond."""

BETWEEN = UNKNOWN / 0.5
"""Bone lengths that a weight of the counterpart is worth there: what the default halves between
both sides, as a skirt between two legs, is like nothing on rigs whose sides are apart."""

FACE, PULL = 0.15, 0.5
"""Bone lengths that a normal turned by a radian is worth, and a weight of the default's."""

SEVERAL = 3
"""Places of one rig that are looked at, the nearer the more."""

BEYOND = 4.0
"""Farther than this no place is like one."""

SAME = 0.01
"""Places nearer than this are the same."""

TWIN, LONE = 0.02, 0.1
"""A rig that is nearer than the first is a twin; of a single rig, by which trees cannot learn how
near is near enough, the second is half believed."""

WARY, DEAF = 0.07, 0.11
"""How far off a single rig is times how much it changes the default: from the first on it is heeded
less, from the second on not at all."""

AS_FAR = 0.5
"""Rigs nearer to each other than this share of how near the new one has any do not say how far it
can trust them."""

MOST = 0.9
"""Share of the places that tell how far off a rig is."""

CLOSE = 0.1
"""Rigs that are nearer to each other than this are so by accident of a few samples."""

OUT, OFF = 3.0, 6.0
"""A rig so many times farther from the others than they are from each other is followed no longer
without doubt, and not at all."""


class Neighbours:
    """Places of several rigs at their joints, to look others up among.

    Parameters
    ----------
    table : ndarray, shape (s, t)
        Traits.
    kind : ndarray, shape (s,), int
        The kind of joint each is asked about.
    given : ndarray, shape (s,)
        The weight that its rig has there.
    rig : ndarray, shape (s,), int
        Whose each is; numbered from 0.
    """

    def __init__(
        self,
        table: NDArray[np.float32],
        kind: NDArray[np.int64],
        given: NDArray[np.float32],
        rig: NDArray[np.int64],
    ) -> None:
        spots = _spots(table, kind)
        each = [rig == number for number in range(rig.max() + 1)]
        self._trees = [(cKDTree(spots[one]), given[one].astype(np.float64)) for one in each]

    def __call__(
        self, table: NDArray[np.float32], kind: NDArray[np.int64]
    ) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
        """What each rig has where it is most like some places.

        Parameters
        ----------
        table : ndarray, shape (m, t)
        kind : ndarray, shape (m,)

        Returns
        -------
        weight, away : ndarray, shape (rigs, m)
            The default's weight and `BEYOND` where a rig has no place that is like one.
        """
        spots = _spots(table, kind)
        weight = np.empty((len(self._trees), len(table)))
        away = np.empty_like(weight)
        for number, (tree, given) in enumerate(self._trees):
            far, which = tree.query(spots, SEVERAL, distance_upper_bound=BEYOND, workers=2)
            near = 1 / (far + SAME) ** 2  # none where there is no place
            total = near.sum(axis=1)
            mean = (near * np.append(given, 0.0)[which]).sum(axis=1) / np.maximum(total, SAME)
            weight[number] = np.where(total > 0, mean, table[:, OWN])
            away[number] = np.minimum(far[:, 0], BEYOND)
        return weight, away


def _spots(table: NDArray[np.float32], kind: NDArray[np.int64]) -> NDArray[np.float64]:
    """Points that are near each other where places are alike, and far apart for other joints."""
    return np.column_stack(
        [table[:, PLACE], FACE * table[:, FACING], PULL * table[:, SHARES], 2 * BEYOND * kind]
    )


def familiar(
    taught: NDArray[np.float32],
    kind: NDArray[np.int64],
    asked: NDArray[np.float32],
    its: NDArray[np.int64],
) -> NDArray[np.float64]:
    """How near each place is to one learned from at the same joint.

    Parameters
    ----------
    taught, asked : ndarray, shape (s, t) and (m, t)
        Traits.
    kind, its : ndarray, shape (s,) and (m,), int
        The kind of joint each is about.

    Returns
    -------
    ndarray, shape (m,)
        From 0 to 1.
    """

    def spots(table: NDArray[np.float32], kind: NDArray[np.int64]) -> NDArray[np.float64]:
        shared = BETWEEN * table[:, COUNTERPART]
        return np.column_stack([table[:, PLACE], shared, 4 * UNKNOWN * kind])

    tree = cKDTree(spots(taught, kind))
    away = tree.query(spots(asked, its), distance_upper_bound=UNKNOWN)[0]
    return np.clip((UNKNOWN - away) / (UNKNOWN - KNOWN), 0, 1)


def teachers(
    away: NDArray[np.float64], rig: NDArray[np.int64], asked: NDArray[np.float64]
) -> NDArray[np.bool_]:
    """Which rigs show by each other how far the new one can trust its neighbours.

    Parameters
    ----------
    away : ndarray, shape (rigs, s)
        From the samples of all rigs to each.
    rig : ndarray, shape (s,)
        Whose samples they are.
    asked : ndarray, shape (rigs, m)
        From the new rig to each.

    Returns
    -------
    ndarray, shape (rigs, rigs), bool
        Whether the samples of the first may look at the second: if it is no nearer than the new
        rig has any, as twins would teach that neighbours are always right; the farthest may always.
    """
    apart = np.full((len(away), len(away)), np.inf)
    for each in np.unique(rig):  # of a rig with few samples none may be among them
        apart[each] = np.median(away[:, rig == each], axis=1)
    apart = np.minimum(apart, apart.T)
    np.fill_diagonal(apart, -1.0)
    found = apart >= AS_FAR * np.median(asked, axis=1).min()
    found[np.arange(len(found)), apart.argmax(axis=1)] = True
    np.fill_diagonal(found, False)
    return found


def opinion(weight: NDArray[np.float64], away: NDArray[np.float64]) -> NDArray[np.float64]:
    """What the neighbours say on the whole, as traits.

    Parameters
    ----------
    weight, away : ndarray, shape (rigs, m)
        As found by `Neighbours`; infinitely far where a rig is not asked.

    Returns
    -------
    ndarray, shape (m, 3)
        The mean of what they have, the nearer the more; how near the nearest is; how far they
        disagree.
    """
    near = 1 / (away + TWIN) ** 2
    near /= near.sum(axis=0)
    mean = (near * weight).sum(axis=0)
    spread = np.sqrt((near * (weight - mean) ** 2).sum(axis=0))
    return np.column_stack([mean, away.min(axis=0), spread])


def kindred(taught: NDArray[np.float64], asked: NDArray[np.float64]) -> float:
    """How far to follow rigs that are nearer to each other than to the new one, 0 to 1.

    Parameters
    ----------
    taught : ndarray, shape (s,)
        From the samples of each to the nearest of the others.
    asked : ndarray, shape (m,)
        From the new rig's places to the nearest.
    """
    ratio = np.quantile(asked, MOST) / max(np.quantile(taught, MOST), CLOSE)
    return float(np.clip((OFF - ratio) / (OFF - OUT), 0, 1))


def heed(change: float, away: NDArray[np.float64]) -> float:
    """How far to heed a rig that no other confirms, 0 to 1.

    What is known of one place holds less the farther another is (Matheron, Economic Geology 58(8),
    1963), and there is more to lose the more is changed: one that overthrows the default is heeded
    from near, one that has a word to add from farther.

    Parameters
    ----------
    change : float
        Root mean square of what it changes of the default's weights.
    away : ndarray, shape (m,)
        From the new rig's places to its nearest, as found by `Neighbours`.
    """
    return float(np.clip((DEAF - change * np.median(away)) / (DEAF - WARY), 0, 1))


def twin(
    weight: NDArray[np.float64], away: NDArray[np.float64]
) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """What the nearest rig has, and how far to believe it as it is.

    Parameters
    ----------
    weight, away : ndarray, shape (rigs, m)
        As found by `Neighbours`.

    Returns
    -------
    weight, share : ndarray, shape (m,)
        The share is from 0 to 1: whole where a place of a twin is the same, which is a rig that is
        as near on half of its places at least. A near place of another rig is worth what the trees
        make of it.
    """
    off = np.median(away, axis=1)
    one = off.argmin()
    blur = TWIN if len(away) > 1 else LONE
    return weight[one], 1 / (1 + (away[one] ** 2 + off[one] ** 2) / blur**2)
