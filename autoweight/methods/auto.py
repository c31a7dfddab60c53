"""The method for each piece of a mesh, chosen by what the piece is, with the reason."""

from __future__ import annotations

from collections import Counter
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray
from scipy import sparse

from autoweight.errors import few
from autoweight.methods import Problem
from autoweight.methods.bands import solve as solve_bands
from autoweight.methods.heat import solve as solve_heat
from autoweight.methods.limbs import ON_THE_JOINT, ROPE, Limb, limbs
from autoweight.methods.territory import divided
from autoweight.methods.volume import solve as solve_volume
from autoweight.rows import firsts, ranks, replaced, uniform
from autoweight.skeleton.bones import nearest
from autoweight.surface.pieces import parts_of_pieces, pieces_of

__all__ = ["Choice", "choose", "solve"]

FLAT = 0.5
"""Length of a piece's summed area vector, to its area, from which it is a patch."""

TORN = 0.5
"""Share of a part's area in patches from which it is not a surface any more."""

MANY = 0.25
"""No patch of such a part has more of it than this: a cape is one patch, and whole."""

OVER = 1.5
"""Reach of a rope's bands where nobody said: over more than a bone, which is shorter than the rope
is thick; as wide as quadratic B-splines are."""

SHORT = 0.75
"""Mean length of a rope's bones, at most, to its thickness. Heat hands over in about a thickness,
so it blurs bones that are shorter, and longer ones do not need bands."""

LONG = 3.0
"""Length of a rope, at least, to its thickness."""

FEW = 1000
"""Vertices of a piece that are looked at to tell whether a closer look is worth it."""

SINGLE = 0.95
"""Share of a piece's area that must be of one chain for it to be a rope."""

REASONS = {
    "heat": "a whole surface that heat can travel",
    "bands": "a rope round one chain of bones shorter than it is thick, which heat would blur",
    "volume": "mostly patches that do not go round their limb, which only the inside joins",
}

NAMED = 3
"""Joints named in a reason before the rest are only counted."""


@dataclass(frozen=True, eq=False)
class Choice:
    """Some pieces of a part, and how they are weighted.

    Parameters
    ----------
    part : str
        As the user's file names it.
    method : {'heat', 'bands', 'volume', 'rigid', 'seated'}
    reason : str
    vertices : ndarray, shape (k,), int
        Of the surface.
    pieces : int
        How many there are.
    """

    part: str
    method: str
    reason: str
    vertices: NDArray[np.intp]
    pieces: int

    def __str__(self) -> str:
        many = f"{self.pieces} pieces" if self.pieces > 1 else "1 piece"
        return f"{self.part}: {self.method} for {many}, {self.reason}"


def choose(problem: Problem) -> tuple[Choice, ...]:
    """Decide on a method for every piece, but for what heat finds to be rigid.

    Parameters
    ----------
    problem : Problem

    Returns
    -------
    tuple of Choice
        Every vertex is in exactly one.
    """
    surface = problem.surface
    pieces, home = surface.components, parts_of_pieces(surface)
    torn = _torn(problem, home)
    method = np.where(torn[home], "volume", "heat")
    if not torn.all():
        method[_ropes(problem) & (method == "heat")] = "bands"
    found = []
    for part, name in enumerate(surface.parts):
        for how in ("heat", "bands", "volume"):
            own = (home == part) & (method == how)
            if own.any():
                vertices = np.flatnonzero(own[pieces])
                found.append(Choice(name, how, REASONS[how], vertices, int(own.sum())))
    return tuple(found)


def solve(problem: Problem) -> sparse.csr_array:
    """Weights by the method that suits each piece of the mesh.

    Parameters
    ----------
    problem : Problem
        Its `note` is told every choice.

    Returns
    -------
    csr_array, shape (n, j)
        Rows sum to 1.
    """
    choices = choose(problem)
    used = {choice.method for choice in choices}
    by_method = {
        "heat": solve_heat,
        "bands": solve_bands,
        "volume": solve_volume,
    }
    ropes = tuple(each.usual(centre=ON_THE_JOINT, reach=OVER) for each in problem.falloffs)
    tasks = {"bands": replace(problem, falloffs=ropes)}
    found = sparse.csr_array((len(problem.surface), len(problem.skeleton)))
    for method in sorted(used):
        rows = np.concatenate([each.vertices for each in choices if each.method == method])
        rows.sort()
        solved = sparse.csr_array(by_method[method](tasks.get(method, problem)))
        found = replaced(found, rows, solved[rows]) if len(used) > 1 else solved
    for choice in choices:
        for each in _settled(choice, found, problem):
            problem.note(str(each))
    return found


def _torn(problem: Problem, home: NDArray[np.intp]) -> NDArray[np.bool_]:
    """Whether each part of the mesh is mostly patches: open pieces that do not go round a limb.

    The area vectors of the faces of a closed surface sum to nothing, those of a flat patch to its
    whole area.
    """
    surface = problem.surface
    pieces = surface.components[surface.faces[:, 0]]
    area = np.bincount(pieces, surface.face_areas)
    vectors = surface.face_normals * surface.face_areas[:, None]
    facing = np.column_stack([np.bincount(pieces, each) for each in vectors.T])
    patch = np.linalg.norm(facing, axis=1) > FLAT * area
    parts = len(surface.parts)
    whole = np.bincount(home, area, minlength=parts)
    largest = np.zeros(parts)
    np.maximum.at(largest, home, area * patch)
    patched = np.bincount(home, area * patch, minlength=parts)
    return (patched > TORN * whole) & (largest < MANY * whole)


def _ropes(problem: Problem) -> NDArray[np.bool_]:
    """Whether each piece is round one chain of even bones that turns gently."""
    surface = problem.surface
    parts = limbs(problem)
    fit = [number for number, limb in enumerate(parts) if limb.is_rope]
    pieces = surface.components
    area = np.bincount(pieces, surface.areas)
    if not fit or len(area) == 1 < len(parts):  # the one piece there is has every chain in it
        return np.zeros(len(area), dtype=bool)
    fit = _may_hold(problem, parts, fit)
    if not fit:
        return np.zeros(len(area), dtype=bool)
    owner = divided(problem).owner
    some = owner >= 0
    joints = sparse.csr_array(
        (surface.areas[some], (pieces[some], owner[some])),
        shape=(len(area), len(problem.skeleton)),
    ).toarray()
    found = []
    for number in fit:
        own = joints[:, parts[number].joints]
        held = own.sum(axis=1)
        length = parts[number].gaps.mean() * (own > 0).sum(axis=1)
        thickness = held / (np.pi * np.maximum(length, 1e-9))
        thin = (parts[number].gaps.mean() < SHORT * thickness) & (length > LONG * thickness)
        found.append(thin & (held > SINGLE * area) & ((own > 0).sum(axis=1) >= ROPE))
    return np.any(found, axis=0)


def _may_hold(problem: Problem, parts: list[Limb], fit: list[int]) -> list[int]:
    """Of some limbs those whose bones are the nearest to most of some piece, by a few vertices.

    A cheap no for the usual case: dividing a large surface among the bones takes seconds.
    """
    pieces, order = problem.surface.components, pieces_of(problem.surface).order
    size = np.bincount(pieces)
    step = np.maximum(size // FEW, 1)
    some = order[ranks(size) % step[pieces[order]] == 0]
    bone, _ = nearest(problem.surface.vertices[some], problem.bones)
    owner, whole = problem.bones.joint[bone], np.bincount(pieces[some])
    return [
        number
        for number in fit
        if (np.bincount(pieces[some], np.isin(owner, parts[number].joints)) > whole / 2).any()
    ]


def _settled(choice: Choice, found: sparse.csr_array, problem: Problem) -> list[Choice]:
    """A choice, with the pieces that heat lets move as one as some of their own."""
    if choice.method != "heat" or len(problem.skeleton) == 1:
        return [choice]
    pieces = problem.surface.components
    piece, first = pieces[choice.vertices], firsts(pieces)
    own = np.zeros(len(first), dtype=bool)
    own[piece] = True
    one = uniform(found, pieces) & own
    many = np.diff(found.indptr)[first]
    stiff, seated = one & (many == 1), one & (many > 1)
    held = Counter(
        problem.skeleton.names[joint] for joint in found.indices[found.indptr[first[stiff]]]
    )
    listed = few([name for name, _ in held.most_common()], NAMED)
    kinds = [
        ("heat", choice.reason, own & ~one),
        ("rigid", f"one joint's alone: {listed}", stiff),
        ("seated", "they move as the place does that they sit on", seated),
    ]
    return [
        Choice(choice.part, method, reason, choice.vertices[those[piece]], int(those.sum()))
        for method, reason, those in kinds
        if those.any()
    ]
