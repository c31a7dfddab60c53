"""Tips: where last bones end, told from sockets and other nodes that hang the same way."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from autoweight.rig import ON_JOINT, Skeleton
from autoweight.skeleton.axes import ALONG, pointing

__all__ = ["with_tips"]

AHEAD = 0.5
"""Cosine between a bone and the one before it, at least, where no axis tells a tip."""

LONGEST = 2.0
"""A tip is at most so many of the skeleton's longest bones away from its joint."""


def with_tips(skeleton: Skeleton, candidates: Mapping[int, NDArray[np.float64]]) -> Skeleton:
    """A skeleton with those candidates as tips that lie where a bone can end.

    Parameters
    ----------
    skeleton : Skeleton
    candidates : mapping of int to ndarray, shape (k, 3)
        For some joints, places that may be their tips, each in the frame of its joint.

    Returns
    -------
    Skeleton
        A tip lies along the axis that the joints share; the farthest one does where several do.
        Where they share none, a joint's only candidate is its tip if the bone before goes on
        there. What lies elsewhere, such as a socket for a prop, is left out.
    """
    at = skeleton.positions
    bones = np.linalg.norm(at - at[skeleton.parents], axis=1)[skeleton.parents >= 0]
    least = ON_JOINT * float(np.abs(at).max())
    most = LONGEST * bones.max() if bones.any() else np.inf
    placed: dict[int, NDArray[np.float64]] = {}
    for joint, local in candidates.items():
        places = local @ skeleton.rest[joint, :3, :3].T + at[joint]
        away = np.linalg.norm(places - at[joint], axis=1)
        sound = (away > least) & (away <= most)
        if sound.any():
            placed[joint] = places[sound]
    alone = {joint: places[0] for joint, places in placed.items() if len(places) == 1}
    along = pointing(skeleton)
    if along is None:
        along = pointing(replace(skeleton, tips={**skeleton.tips, **alone}))
    found = dict(skeleton.tips)
    for joint, places in placed.items():
        ways = places - at[joint]
        away = np.linalg.norm(ways, axis=1)
        parent = skeleton.parents[joint]
        if along is not None:
            fits = ways @ along[joint] > ALONG * away
        elif len(places) == 1 and parent >= 0:
            before = at[joint] - at[parent]
            fits = ways @ before >= AHEAD * away * np.linalg.norm(before)
        else:
            continue
        if fits.any():
            found[joint] = places[np.where(fits, away, 0.0).argmax()]
    return replace(skeleton, tips=found)
