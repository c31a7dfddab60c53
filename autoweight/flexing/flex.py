"""Put a rig through poses and measure where its skin suffers, and through which weights."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy import sparse

from autoweight.errors import RecipeError, SkeletonError, WeightsError, suggestion
from autoweight.flexing.bench import Bench, Place
from autoweight.flexing.chainline import Line, kinks, lines
from autoweight.flexing.handovers import hand_overs
from autoweight.flexing.overlap import SKIN, Stand, near_moved, sunk, thinned
from autoweight.flexing.straying import strays
from autoweight.methods import Progress, silent
from autoweight.pose.clip import Clip
from autoweight.pose.motion import range_of_motion
from autoweight.pose.skinning import SKINNINGS
from autoweight.recipes.recipe import Limits
from autoweight.rig import Rig
from autoweight.rows import one_each
from autoweight.skeleton.chains import chains
from autoweight.skeleton.sides import UNPAIRED, Plane
from autoweight.surface import Surface, prepare
from autoweight.weights.mirroring import symmetry
from autoweight.weights.strays import SAME

__all__ = ["Flexion", "flex"]


UNSURE = 2
"""So many points may sink in by where they happen to be chosen; the skin of more has sunk."""

LEADING = 0.5
"""A joint of a chain tells of its own hand-over from this share of its neighbours' turn."""


@dataclass(frozen=True, eq=False)
class Flexion:
    """What flexing found.

    Parameters
    ----------
    poses, joints : tuple of str
    figures : mapping of str to ndarray, shape (f, j)
        By the names of `Limits`: every figure that was taken, 0 for no fault, NaN where a pose
        does not turn the joint or there is nothing to measure.
    shapes : mapping of str to ndarray, shape (f, j)
        What is left of girth and volume, and the ranks of the stretch: ``girth``, ``volume``,
        ``stretch_min``, ``stretch_1``, ``stretch_99``, ``stretch_max``.
    places : tuple of Place
        The worst first; of each figure at each joint, or patch of stray weight, one.
    """

    poses: tuple[str, ...]
    joints: tuple[str, ...]
    figures: Mapping[str, NDArray[np.float64]]
    shapes: Mapping[str, NDArray[np.float64]]
    places: tuple[Place, ...]

    @property
    def means(self) -> dict[str, float]:
        """Each figure on average over the poses and joints it was taken at; 0 without any."""
        return {
            name: float(np.nanmean(values)) if not np.isnan(values).all() else 0.0
            for name, values in self.figures.items()
        }

    @property
    def findings(self) -> tuple[Place, ...]:
        """The places over their limits."""
        return tuple(place for place in self.places if place.severity > 1)


def flex(
    rig: Rig,
    clip: Clip | None = None,
    *,
    skin: str = "linear",
    limits: Limits | None = None,
    plane: Plane | None = None,
    surface: Surface | None = None,
    progress: Progress = silent,
) -> Flexion:
    """Put a rig through poses and rank where it suffers.

    Parameters
    ----------
    rig : Rig
        With weights.
    clip : Clip, optional
        The poses; a range of motion made from the skeleton when left out.
    skin : {"linear", "dual"}
        How vertices follow.
    limits : Limits, optional
    plane : Plane, optional
        What left and right are mirrored across; without one they are not compared.
    surface : Surface, optional
        ``prepare(rig.mesh)``, when it is there already.
    progress : callable, optional

    Returns
    -------
    Flexion

    Raises
    ------
    WeightsError
        The rig has no weights.
    SkeletonError
        The clip has another number of joints.
    RecipeError
        An unknown way to skin.
    """
    if rig.weights is None:
        raise WeightsError("there are no weights to flex; solve the rig first")
    if skin not in SKINNINGS:
        raise RecipeError(f"no skinning is named {skin!r}; {suggestion(skin, SKINNINGS)}")
    clip = clip or range_of_motion(rig.skeleton, plane)
    if clip.local.shape[1] != len(rig.skeleton):
        raise SkeletonError(
            f"clip {clip.name!r} moves {clip.local.shape[1]} joints, "
            f"the skeleton has {len(rig.skeleton)}"
        )
    surface = surface or prepare(rig.mesh)
    bench = Bench(rig, surface, clip, SKINNINGS[skin], skin == "linear", limits or Limits())
    places = []
    progress("measuring hand-overs", 0)
    places += hand_overs(bench, progress)
    progress("measuring chains", 0)
    places += _chains(bench)
    progress("looking for skin in skin", 0)
    places += _overlaps(bench, progress)
    progress("looking for stray weights", 0)
    places += strays(bench)
    if plane is not None:
        progress("comparing sides", 0)
        places += _sides(bench, plane)
    progress("measured", 1)
    places.sort(key=Place.rank)
    return Flexion(clip.labels, rig.skeleton.names, bench.figures, bench.shapes, tuple(places))


def _chains(bench: Bench) -> list[Place]:
    places = []
    for line in lines(bench.surface, bench.skeleton, bench.owner, chains(bench.skeleton)):
        poses = np.flatnonzero(bench.turned[:, list(line.chain.joints)].sum(axis=1) > 1)
        if len(poses) == 0:
            continue
        used = np.unique(line.rings.indices).astype(np.int64)
        near = Line(line.chain, line.stations, sparse.csr_array(line.rings[:, used]))
        found = kinks(near, bench.rest[used], bench.moved(used, poses))
        # What a neighbour's turn spills over says nothing of a joint that hardly turns itself.
        turn = np.linalg.norm(bench.turns[poses][:, list(line.chain.joints)], axis=-1)
        beside = np.pad(turn, ((0, 0), (1, 1)))
        found[turn < LEADING * np.maximum(beside[:, :-2], beside[:, 2:])] = np.nan
        bench.figures["kink"][np.ix_(poses, np.array(line.chain.joints))] = found
        for place, joint in enumerate(line.chain.joints):
            if np.isnan(found[:, place]).all():
                continue
            pose = int(poses[np.nanargmax(found[:, place])])
            rows = slice((place - 1) * line.stations, (place + 1) * line.stations)
            told = (
                f"the turn at {bench.skeleton.names[joint]} is "
                f"{bench.figures['kink'][pose, joint]:.0%} in one spot"
            )
            vertices = np.unique(line.rings[rows].indices).astype(np.int64)
            places.append(bench.place("kink", joint, pose, vertices, told))
    return places


def _overlaps(bench: Bench, progress: Progress) -> list[Place]:
    stand = thinned(bench.surface)
    share = stand.areas / stand.areas.sum()
    owner = bench.owner[stand.vertices]
    worst: dict[int, tuple[int, NDArray[np.int64]]] = {}
    overlap = bench.figures["overlap"]
    for pose, points in _sinking(bench, stand, progress):
        joint = int(np.bincount(owner[points]).argmax())
        overlap[pose, joint] = share[points].sum() - UNSURE * share.mean()
        if overlap[pose, joint] <= 0:
            overlap[pose, joint] = 0
            continue
        if joint not in worst or overlap[pose, joint] > overlap[worst[joint][0], joint]:
            worst[joint] = pose, points
    return [
        bench.place(
            "overlap",
            joint,
            pose,
            np.flatnonzero(np.isin(stand.region, points)),
            f"{overlap[pose, joint]:.1%} of the skin, most at {bench.skeleton.names[joint]}, "
            "sinks into other skin through its weights",
        )
        for joint, (pose, points) in worst.items()
    ]


def _sinking(
    bench: Bench, stand: Stand, progress: Progress
) -> Iterator[tuple[int, NDArray[np.int64]]]:
    """Poses with the points that sink in there, did not at rest, and would not if held stiff."""
    rest, owner = bench.rest[stand.vertices], bench.owner[stand.vertices]
    depth = SKIN * bench.rig.mesh.diagonal
    at_rest = sunk(stand, rest, np.arange(len(rest)), depth)
    alone = one_each(owner, len(bench.skeleton))
    for pose, points in enumerate(bench.moved(stand.vertices, slice(None))):
        progress("looking for skin in skin", pose / len(bench.clip))
        tested = np.setdiff1d(near_moved(rest, points, depth), at_rest, assume_unique=True)
        new = sunk(stand, points, tested, depth)
        if len(new):
            stiff = bench.skin(rest, alone, bench.transforms[pose])
            new = np.setdiff1d(new, sunk(stand, stiff, new, depth), assume_unique=True)
        if len(new):
            yield pose, new


def _sides(bench: Bench, plane: Plane) -> list[Place]:
    across = symmetry(bench.rig, plane, surface=bench.surface)
    match, flip = across.vertices.partner, across.flip
    bench.figures["asymmetry"][:] = 0
    paired = np.flatnonzero(match != UNPAIRED)
    other = sparse.csr_array(bench.weights[match[paired]][:, flip])
    gap = abs(bench.weights[paired] - other)
    differ = np.flatnonzero(gap.max(axis=1).toarray() > SAME)
    if len(differ) == 0:
        return []
    vertices = paired[differ]
    rest = bench.rest[vertices]
    apart = bench.moved(vertices, slice(None)) - bench.skin(rest, other[differ], bench.transforms)
    size = np.linalg.norm(apart, axis=-1) / bench.rig.mesh.diagonal
    # The joint whose weight differs most stands for the vertex, with its counterpart.
    most = gap[differ].argmax(axis=1)
    seat = np.minimum(most, flip[most])
    places = []
    for joint in np.unique(seat):
        here = np.flatnonzero(seat == joint)
        bench.figures["asymmetry"][:, joint] = size[:, here].max(axis=1)
        pose = int(bench.figures["asymmetry"][:, joint].argmax())
        told = (
            f"left and right of {bench.skeleton.names[joint]} differ in {len(here)} vertices, "
            f"by up to {bench.figures['asymmetry'][pose, joint]:.2%} of the model's size"
        )
        places.append(bench.place("asymmetry", int(joint), pose, vertices[here], told))
    return places
