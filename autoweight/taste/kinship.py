"""Which joints of two rigs are counterparts: by name, else by structure, side and place."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.spatial.distance import cdist
from scipy.spatial.transform import Rotation

from autoweight.taste.builds import Build

__all__ = ["Kin", "counterparts", "fallen"]

NEAR = 0.25
"""Joints of unlike names are the same from this far apart at most, in what `_unlike` adds up."""

NAMELESS = 0.7
"""Trust in a counterpart that was found without its name."""

STEADY, ASTRAY = np.cos(np.radians((50.0, 90.0)))
"""A bone that points up to 50° elsewhere than its counterpart is trusted, from 90° on not."""

STRETCH = 3.0
"""How many times as long or short, for its skeleton, a bone may be; at the square of that it is
not trusted at all."""


ENOUGH = 3
"""Kinds of joint of one name that are needed to tell which axis is up."""

CLEARLY = 0.5
"""Joints lie as if turned if a turn leaves at most this share of how far they are apart."""

STRANGE, AKIN = 0.6**2, 0.8**2
"""What rigs have in common, as the product of its shares of both surfaces: with three fifths of
each they are strangers still, with four fifths kin without doubt."""

QUARTERS = 90 * np.concatenate([np.eye(3), -np.eye(3)])


@dataclass(frozen=True, eq=False)
class Kin:
    """The counterparts of a finished rig's joints in a new one.

    Parameters
    ----------
    of : ndarray, shape (old j,), int
        The kind of joint of the new rig that each is, -1 for none; see `Build.kinds`.
    trust : ndarray, shape (kinds,)
        How far the joints of each kind are built alike, 0 to 1; 0 without a counterpart.
    named : ndarray, shape (kinds,), bool
        Which were found by name.
    turn : ndarray, shape (3, 3)
        Turns directions of the finished rig into those of the new one, which may lie otherwise.
    share : float
        How much of both surfaces hangs on joints that are built alike, 0 to 1.
    """

    of: NDArray[np.int64]
    trust: NDArray[np.float64]
    named: NDArray[np.bool_]
    turn: NDArray[np.float64]
    share: float


def counterparts(new: Build, old: Build) -> Kin:
    """Find the joints of a finished rig in a new one.

    Parameters
    ----------
    new, old : Build

    Returns
    -------
    Kin
        A joint is trusted if its parent or one of its children has its counterpart in the same
        relation to it, and its bone points about as its counterpart's and is about as long.
    """
    match = _matched(new, old)  # the old kind of each new one
    known = np.flatnonzero(match >= 0)
    mine, its = new.first[known], old.first[match[known]]
    named = np.array([new.words[a] == old.words[b] for a, b in zip(mine, its, strict=True)], bool)
    turn = _turn(new, old, mine[named], its[named])
    cosine = np.einsum("ij,ij->i", new.way[mine], old.way[its] @ turn.T)
    ratio = np.abs(np.log((new.length[mine] / new.size) / (old.length[its] / old.size)))
    alike = np.clip((cosine - ASTRAY) / (STEADY - ASTRAY), 0, 1)
    alike *= np.clip(2 - ratio / np.log(STRETCH), 0, 1)
    alike *= np.where(named, 1.0, NAMELESS)

    # Pairs of parent and child that both rigs have.
    count = len(new.first)
    below = np.flatnonzero((new.parent >= 0) & new.fleshed)
    above = new.kinds[new.parent[below]]
    hangs = np.zeros((len(old.first),) * 2, dtype=bool)
    lower = np.flatnonzero(old.parent >= 0)
    hangs[old.kinds[lower], old.kinds[old.parent[lower]]] = True
    child = new.kinds[below]
    shared = (match[child] >= 0) & (match[above] >= 0) & hangs[match[child], match[above]]
    kept = np.zeros(count, dtype=bool)
    kept[child[shared]] = kept[above[shared]] = True
    kept |= count == 1
    trust, by_name = np.zeros(count), np.zeros(count, dtype=bool)
    trust[known] = np.where(kept[known], alike, 0.0)
    by_name[known] = named
    back = np.full(len(old.first), -1)
    back[match[known]] = known
    theirs = np.zeros(len(old.first))
    theirs[match[known]] = trust[known]
    share = float((new.holds @ trust) * (old.holds @ theirs))
    akin = min(max((share - STRANGE) / (AKIN - STRANGE), 0.0), 1.0)
    return Kin(back[old.kinds], trust * akin, by_name, turn, share)


def fallen(new: Build, old: Build, kin: Kin) -> bool:
    """Whether a rig has another axis up: a quarter turn makes its joints lie as the other's do.

    Parameters
    ----------
    new, old : Build
    kin : Kin
        Of the two. Fewer than `ENOUGH` joints of one name tell nothing.

    Returns
    -------
    bool
    """
    joints = np.flatnonzero((kin.of >= 0) & kin.named[np.maximum(kin.of, 0)])
    if len(np.unique(kin.of[joints])) < ENOUGH:
        return False
    mine, its = _laid(new, old, new.first[kin.of[joints]], joints)
    turns = Rotation.from_euler("xyz", QUARTERS, degrees=True)
    nearest = min(float(np.linalg.norm(mine - turn.apply(its))) for turn in turns)
    apart = float(np.linalg.norm(mine - its))
    return nearest < CLEARLY * apart and nearest < 0.5 * float(np.linalg.norm(mine))


def _laid(
    new: Build, old: Build, mine: NDArray[np.intp], its: NDArray[np.intp]
) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Where counterparts are from the middle of all, one row each."""
    here, there = new.place[mine], old.place[its]
    return here - here.mean(axis=0), there - there.mean(axis=0)


def _turn(
    new: Build, old: Build, mine: NDArray[np.intp], its: NDArray[np.intp]
) -> NDArray[np.float64]:
    """The rotation that lays joints of one name as those of the new rig lie, (3, 3).

    That of least squares (Kabsch, Acta Crystallographica A32, 1976) which keeps the middle plane,
    where it clearly explains how they lie; else none, as a pose is no turn of the whole.
    """
    if len(mine) < ENOUGH or not (new.lateral.any() and old.lateral.any()):
        return np.eye(3)
    here, there = _laid(new, old, mine, its)
    held = np.r_[np.inf, np.ones(len(here))]
    turn, _ = Rotation.align_vectors(
        np.vstack([new.lateral, here]), np.vstack([old.lateral, there]), weights=held
    )
    left = np.linalg.norm(here - turn.apply(there))
    clear = left < CLEARLY * np.linalg.norm(here - there)
    return turn.as_matrix() if clear else np.eye(3)


def _matched(new: Build, old: Build) -> NDArray[np.int64]:
    """The old kind of each new kind of joint, by name and then by build, -1 for none."""
    index = {key: kind for kind, key in enumerate(old.keys)}
    match = np.array([index.get(key, -1) for key in new.keys], dtype=np.int64)
    mine = np.flatnonzero((match < 0) & new.fleshed[new.first])
    its = np.setdiff1d(np.flatnonzero(old.fleshed[old.first]), match)
    if len(mine) == 0 or len(its) == 0:
        return match
    from scipy.optimize import linear_sum_assignment  # slow to import, rarely needed

    apart = _unlike(new, old, mine, its, match)
    first, second = linear_sum_assignment(np.minimum(apart, 2 * NEAR))
    same = apart[first, second] <= NEAR
    match[mine[first[same]]] = its[second[same]]
    return match


def _unlike(
    new: Build,
    old: Build,
    mine: NDArray[np.intp],
    its: NDArray[np.intp],
    match: NDArray[np.int64],
) -> NDArray[np.float64]:
    """How differently kinds of joints are placed, point and hang, (mine, its)."""
    here, there = new.first[mine], old.first[its]
    apart = cdist(new.place[here], old.place[there])
    apart += 0.1 * (1 - new.way[here] @ old.way[there].T)
    above = new.parent[here]
    wanted = np.where(above >= 0, match[new.kinds[np.maximum(above, 0)]], -1)
    beyond = old.parent[there]
    found = np.where(beyond >= 0, old.kinds[np.maximum(beyond, 0)], -1)
    apart += np.where((wanted[:, None] >= 0) & (wanted[:, None] != found), 0.1, 0.0)
    one_sided = (new.side[here] != 0)[:, None] != (old.side[there] != 0)
    return np.where(one_sided, np.inf, apart)
