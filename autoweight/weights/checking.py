"""How sound a rig is: its mesh, its joints, its weights."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray
from scipy import sparse

from autoweight.rig import Mesh, Rig, Skeleton, Weights
from autoweight.rows import entry_rows
from autoweight.skeleton.sides import likely_plane
from autoweight.surface import Surface, prepare
from autoweight.surface.health import health
from autoweight.weights.cutoff import cut_off
from autoweight.weights.locks import marked
from autoweight.weights.mirroring import differences, mendable, symmetry
from autoweight.weights.strays import NOTABLE, unwanted

__all__ = ["Fact", "check"]

TINY = 1e-3
"""Weights below this move nothing an eye can see, but cost and leak."""

ROUNDED = 1 / 65535
"""A step of 16 bits, which rounding to an exact sum may take away."""

OFF = 1e-5
"""Row sums further from 1 than this are more than rounding."""

APART = 1e-6
"""Weights on the two sides of a seam further apart than this open a crack."""

UNEVEN = 1e-4
"""Left and right further apart than this are told from rounding in the file."""

ODD = 2.001 / 255
"""The same on the plane between them, where 8 bits may leave a unit that no two can share."""

EXAMPLES = 5


@dataclass(frozen=True)
class Fact:
    """One line of a health report.

    Parameters
    ----------
    about : {"mesh", "skeleton", "weights"}
    name : str
        What was looked at.
    value : int, float or str
        What was found; a count where things were counted.
    finding : bool
        Whether somebody should look at it; otherwise it is only said.
    where : tuple
        The first few places: vertex numbers or joint names.
    mend : str
        What mends it, where one command does.
    """

    about: str
    name: str
    value: int | float | str
    finding: bool = False
    where: tuple[int | str, ...] = ()
    mend: str = ""

    @property
    def told(self) -> str:
        """The value for a person to read."""
        return f"{self.value:.4g}" if isinstance(self.value, float) else str(self.value)

    @property
    def aside(self) -> str:
        """Where it is and what mends it, for a person to read; empty where neither is known."""
        return "; ".join(filter(None, (", ".join(map(str, self.where)), self.mend)))


def check(rig: Rig, *, surface: Surface | None = None) -> list[Fact]:
    """Look a rig over.

    Parameters
    ----------
    rig : Rig
        With or without weights.
    surface : Surface, optional
        ``prepare(rig.mesh)``, when it is there already.

    Returns
    -------
    list of Fact
        Mesh first, then skeleton, then weights.

    Raises
    ------
    GeometryError
        The mesh has no face with any area.
    """
    surface = surface or prepare(rig.mesh)
    found = [*_mesh(rig, surface), *_skeleton(rig.skeleton, rig.mesh)]
    raw = rig.document.raw_weights if rig.document else None
    if raw is not None:
        found += _raw(raw)
    if rig.weights is None:
        broken = raw is not None
        found.append(Fact("weights", "weights", "broken" if broken else "none yet", broken))
    else:
        found += _weights(rig, rig.weights, surface)
    return found


def _mesh(rig: Rig, surface: Surface) -> list[Fact]:
    pieces = int(surface.components.max()) + 1
    found = [
        Fact("mesh", "vertices", len(rig.mesh.vertices)),
        Fact("mesh", "faces", len(rig.mesh.faces)),
        Fact("mesh", "parts", len(rig.mesh.parts)),
        Fact("mesh", "connected pieces", pieces),
    ]
    found += [Fact("mesh", "for the solver only", repair) for repair in surface.repairs]
    loose = _loose(rig.mesh)
    found.append(
        Fact("mesh", "vertices without a face", len(loose), where=tuple(loose[:EXAMPLES].tolist()))
    )
    state = health(surface)
    turned = np.flatnonzero(np.isin(surface.components, state.inside_out))
    places = (
        ("edges of more than two faces", state.crowded[:, 0], True),
        ("edges whose two faces are wound against each other", state.opposed[:, 0], True),
        (
            "pieces inside out",
            turned[np.unique(surface.components[turned], return_index=True)[1]],
            True,
        ),
        ("vertices where faces touch by a corner alone", state.pinched, False),
        ("edges of one face", state.rim[:, 0], False),
    )
    for name, where, finding in places:
        seen = surface.speakers[np.unique(where)[:EXAMPLES]]
        found.append(
            Fact("mesh", name, len(where), finding and len(where) > 0, tuple(map(int, seen)))
        )
    return [*found, Fact("mesh", "holes", state.holes)]


def _loose(mesh: Mesh) -> NDArray[np.intp]:
    """Vertices that no face has, and nobody will see."""
    return np.setdiff1d(np.arange(len(mesh.vertices)), mesh.faces)


def _skeleton(skeleton: Skeleton, mesh: Mesh) -> list[Fact]:
    child = np.flatnonzero(skeleton.parents >= 0)
    length = np.linalg.norm(
        skeleton.positions[child] - skeleton.positions[skeleton.parents[child]], axis=1
    )
    together = child[length <= 1e-9 * max(float(np.ptp(skeleton.positions)), 1e-30)]

    def named(joints: NDArray) -> tuple[str, ...]:
        return tuple(skeleton.names[each] for each in joints[:EXAMPLES])

    low, high = mesh.vertices.min(axis=0), mesh.vertices.max(axis=0)
    outside = np.maximum(np.maximum(low - skeleton.positions, skeleton.positions - high), 0)
    away = np.flatnonzero(np.linalg.norm(outside, axis=1) > mesh.diagonal)
    axes = skeleton.rest[:, :3, :3]
    mirrored = np.flatnonzero(np.linalg.det(axes) < 0)
    return [
        Fact("skeleton", "joints", len(skeleton)),
        Fact("skeleton", "roots", int((skeleton.parents < 0).sum())),
        Fact("skeleton", "joints on top of their parent", len(together), where=named(together)),
        # As where mesh and joints come in two units of length.
        Fact(
            "skeleton",
            "joints further off than the model is large",
            len(away),
            len(away) > 0,
            named(away),
        ),
        Fact(
            "skeleton",
            "joints with mirrored axes",
            len(mirrored),
            len(mirrored) > 0,
            named(mirrored),
        ),
    ]


def _raw(raw: sparse.csr_array) -> list[Fact]:
    """What only the file knows: a rig's own weights are mended when it is read."""
    row = entry_rows(raw)
    with np.errstate(invalid="ignore"):
        bad = np.unique(row[~(raw.data >= 0) | np.isinf(raw.data)])
    sums = np.bincount(row, raw.data, minlength=raw.shape[0])
    return [
        _vertices("vertices with weights that are negative or no numbers", bad),
        _vertices(
            "vertices whose weights do not sum to 1", np.flatnonzero(~(abs(sums - 1) <= OFF))
        ),
    ]


def _weights(rig: Rig, weights: Weights, surface: Surface) -> list[Fact]:
    matrix = weights.matrix
    influences = weights.influences
    histogram = np.bincount(influences)
    below = matrix.data < TINY - ROUNDED  # what was pruned there may be rounded to less in the file
    tiny = np.flatnonzero(np.bincount(entry_rows(matrix)[below], minlength=len(influences)))
    # The first vertex of each place speaks for it; the others have to agree.
    apart = abs(matrix - matrix[surface.speakers[surface.weld]])
    crack = np.bincount(entry_rows(apart)[apart.data > APART], minlength=len(influences)) > 0
    crack[surface.loose] = False  # they are nobody's twins
    cracked = np.flatnonzero(crack)
    stray = _stray(rig.skeleton, matrix[surface.speakers], surface)
    return [
        Fact(
            "weights",
            "influences a vertex",
            ", ".join(f"{many}: {number}" for many, number in enumerate(histogram) if number),
        ),
        _vertices(f"vertices with weights under {TINY:g}", tiny),
        _vertices("vertices that differ from their twin across a seam", cracked),
        *stray,
        *_sides(rig, weights, surface),
        Fact(
            "weights",
            "joints without vertices",
            len(rig.unused_joints),
            where=rig.unused_joints[:EXAMPLES],
        ),
    ]


def _sides(rig: Rig, weights: Weights, surface: Surface) -> list[Fact]:
    plane = likely_plane(rig.skeleton)
    if plane is None:
        return [Fact("weights", "left and right", "no joints are named for the two sides")]
    across = symmetry(rig, plane, surface=surface, own=True)
    plane = across.plane
    apart = differences(weights, across)
    alone = np.flatnonzero(np.isnan(apart))
    on_plane = across.vertices.side[surface.weld] == 0
    uneven = apart > np.where(on_plane, ODD, UNEVEN)
    evened = int((uneven & mendable(weights, across, marked(rig))).sum())
    which = "them" if evened == uneven.sum() else f"{evened} of them"
    mend = f"solve --mirror {plane.name}, or mirror --plane {plane.name}, makes {which} equal"
    differing = _vertices(
        "vertices whose weights differ from their counterpart's", np.flatnonzero(uneven)
    )
    return [
        Fact("weights", f"largest difference of the two sides of {plane.name}", _largest(apart)),
        replace(differing, mend=mend if evened else ""),
        Fact(
            "weights",
            "vertices without a counterpart",
            len(alone),
            where=tuple(int(each) for each in alone[:EXAMPLES]),
        ),
    ]


def _largest(apart: NDArray[np.float64]) -> float:
    known = apart[~np.isnan(apart)]
    return float(known.max()) if len(known) else 0.0


def _stray(skeleton: Skeleton, matrix: sparse.csr_array, surface: Surface) -> list[Fact]:
    excess = unwanted(matrix, surface, skeleton, NOTABLE)
    found = []
    for reason, part in cut_off(matrix, surface, skeleton, excess, NOTABLE):
        columns = part.tocsc()
        by_joint = np.split(surface.speakers[columns.indices], columns.indptr[1:-1])
        for name, vertices in zip(skeleton.names, by_joint, strict=True):
            if len(vertices):
                what = (
                    f"vertices cut off from the other weight of {name}: {reason}"
                    if reason
                    else f"vertices with stray weight of {name}"
                )
                where = tuple(np.sort(vertices)[:EXAMPLES].tolist())
                about = "mesh" if reason else "weights"
                found.append(Fact(about, what, len(vertices), finding=True, where=where))
    if not any(fact.about == "weights" for fact in found):
        found.append(Fact("weights", "vertices with stray weight", 0))
    return found


def _vertices(name: str, where: NDArray) -> Fact:
    return Fact(
        "weights", name, len(where), len(where) > 0, tuple(int(each) for each in where[:EXAMPLES])
    )
