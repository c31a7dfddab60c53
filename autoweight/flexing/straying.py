"""Stray weight in motion: how far it moves what it is on, and what of the mesh is to blame."""

from __future__ import annotations

from collections import Counter

import numpy as np
from numpy.typing import NDArray
from scipy import sparse

from autoweight.flexing.bench import Bench, Place
from autoweight.pose.skinning import linear_blend
from autoweight.rows import entry_rows, owners
from autoweight.surface.patches import islands
from autoweight.weights.cutoff import cut_off
from autoweight.weights.strays import SAME, cleaned, unwanted

__all__ = ["strays"]


def strays(bench: Bench) -> list[Place]:
    """Record how far stray weight moves what it is on, and each patch at its worst."""
    excess = unwanted(bench.weights, bench.surface, bench.skeleton)
    if excess.nnz == 0:
        return []
    reason = _reasons(bench, excess)
    patch = islands(excess, bench.surface.edges)
    row = entry_rows(excess)
    used = np.unique(row)
    local = np.searchsorted(used, row)
    clean = cleaned(bench.weights[used], excess[used])
    owner = owners(clean)
    # Weight of each joint by itself goes to the joint that holds the vertex otherwise.
    count = excess.nnz
    swap = sparse.csr_array(
        (
            np.concatenate([excess.data, -excess.data]),
            (
                np.tile(np.arange(count), 2),
                np.concatenate([excess.indices, owner[local]]),
            ),
        ),
        shape=(count, len(bench.skeleton)),
    )
    still = np.abs(bench.transforms - np.eye(4, dtype=np.float32)).max(axis=(2, 3)) < SAME
    places = []
    for joint in np.unique(excess.indices):
        mine = np.flatnonzero(excess.indices == joint)
        shift = linear_blend(bench.rest[row[mine]], swap[mine], bench.transforms)
        apart = np.linalg.norm(shift, axis=-1) / bench.rig.mesh.diagonal
        bench.figures["stray"][:, joint] = apart.max(axis=1)
        for label in np.unique(patch[mine]):
            here = np.flatnonzero(patch[mine] == label)
            pose = _telling(apart[:, here].max(axis=1), still[:, owner[local[mine[here]]]])
            value = float(apart[pose, here].max())
            vertices = row[mine[here]]
            weight = float(excess.data[mine[here]].mean())
            names = bench.skeleton.names
            held = names[np.bincount(owner[local[mine[here]]]).argmax()]
            mesh = Counter(reason[mine[here]]).most_common(1)[0][0]
            on = f"{weight:.2g} of {names[joint]} on {len(vertices)} vertices of {held}"
            far = f"{value:.2%} of the model's size"
            told = f"{on} moves them by {far}"
            if mesh:
                told = f"{on} is cut off, as {mesh}: it moves them by {far}; mend the mesh"
            places.append(
                Place(
                    "stray",
                    names[joint],
                    bench.clip.labels[pose],
                    value,
                    bench.limits.stray,
                    bench.in_mesh(vertices),
                    ((names[joint], weight),),
                    told,
                    mesh,
                )
            )
    return places


def _reasons(bench: Bench, excess: sparse.csr_array) -> NDArray[np.object_]:
    """What of the mesh makes each stored entry look stray; nothing where the weights do."""
    found = np.full(excess.nnz, "", dtype=object)
    for reason, part in cut_off(bench.weights, bench.surface, bench.skeleton, excess, SAME):
        found[part[entry_rows(excess), excess.indices] > 0] = reason
    return found


def _telling(apart: NDArray[np.float64], still: NDArray[np.bool_]) -> int:
    """The pose with most stray motion: if there is one, with what holds the vertices at rest."""
    resting = np.where(still.all(axis=1), apart, 0.0)
    return int((resting if resting.any() else apart).argmax())
