"""What is left of the shape where a joint hands over: girth, volume, edges, folds."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
from numpy.typing import NDArray
from scipy import sparse

from autoweight.flexing.bench import SHAPES, Bench, Place
from autoweight.flexing.shape import Shape, measure
from autoweight.flexing.zones import Zone, zones
from autoweight.methods import Progress
from autoweight.pose.skinning import linear_blend
from autoweight.vectors import unit
from autoweight.weights.strays import SAME

__all__ = ["hand_overs"]

FACES_AT_ONCE = 400_000
"""Faces times poses that are measured together; bounds the memory."""

WRUNG = np.radians(40.0)
WRUNG_ALONG = 0.9
"""From this turn, and this near to the limb (squared cosine), a pose shows a candy wrapper."""

ALONE = 1.05
"""A hand-over whose joints meet at no more than this times the joint's own turn is its alone."""

PRESENT = 0.05
"""A joint with less than this mean weight on a hand-over has no say in it."""

SLIVER = 0.02
"""An edge shorter than this, by the middle one about, is that of a face without width."""


def hand_overs(bench: Bench, progress: Progress) -> list[Place]:
    """Record the shape of every hand-over in the poses that turn its joint, and the worst of it."""
    every = zones(bench.surface, bench.skeleton, bench.weights)
    places = []
    for number, zone in enumerate(every):
        poses = np.flatnonzero(bench.turned[:, zone.joint])
        step = max(1, FACES_AT_ONCE // len(zone.faces))
        for begin in range(0, len(poses), step):
            some = poses[begin : begin + step]
            _record(bench, zone, some, _shape(bench, zone, some))
        if len(poses):
            places += _worst(bench, zone, poses)
        progress("measuring hand-overs", (number + 1) / len(every))
    return places


def _shape(bench: Bench, zone: Zone, poses: NDArray[np.int64]) -> Shape:
    rest = bench.rest[zone.vertices]
    corners = zone.vertices[zone.faces]
    third = sparse.csr_array(
        (
            np.full(corners.size, 1 / 3),
            zone.faces.ravel(),
            np.arange(0, corners.size + 1, 3),
        ),
        shape=(len(corners), len(zone.vertices)),
    )
    normal = np.cross(
        rest[zone.faces[:, 1]] - rest[zone.faces[:, 0]],
        rest[zone.faces[:, 2]] - rest[zone.faces[:, 0]],
    )
    spin = bench.transforms[poses].copy()
    spin[..., :3, 3] = 0
    facing = linear_blend(normal, sparse.csr_array(third @ bench.weights[zone.vertices]), spin)
    return measure(zone, rest, bench.moved(zone.vertices, poses), facing)


def _record(bench: Bench, zone: Zone, poses: NDArray[np.int64], shape: Shape) -> None:
    joint = zone.joint
    girth_due, volume_due = _due(bench, zone, poses) if bench.linear else (0.0, 0.0)
    values = (shape.girth, shape.volume, *shape.stretch.T)
    for name, value in zip(SHAPES, values, strict=True):
        bench.shapes[name][poses, joint] = value
    bench.figures["girth"][poses, joint] = np.maximum(1 - shape.girth - girth_due, 0)
    bench.figures["volume"][poses, joint] = np.maximum(1 - shape.volume - volume_due, 0)
    bench.figures["stretch"][poses, joint] = np.maximum(shape.stretch[:, 2] - 1, 0)
    bench.figures["fold"][poses, joint] = shape.fold
    angle, along = _turn(bench, zone, poses, bench.bones[zone.joint])
    alone = angle < ALONE * np.linalg.norm(bench.turns[poses, joint], axis=-1)
    shown = (angle > WRUNG) & (along > WRUNG_ALONG) & alone
    lost = (1 - shape.volume) / (1 - np.cos(angle)) - (1 / 3 if bench.linear else 0.0)
    bench.figures["wrapper"][poses, joint] = np.where(shown, np.maximum(lost, 0), np.nan)


def _due(
    bench: Bench, zone: Zone, poses: NDArray[np.int64]
) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """What linear blending takes from girth and volume of a hand-over, whatever the weights.

    Half-way between two rotations by θ apart everything across the axis shrinks by cos θ/2, and
    the section's area by that for each of its own axes across. A zone whose share falls evenly
    loses (1 − cos θ)/3 of its volume.
    """
    across = _across(zone, bench.rest[zone.vertices])
    angle, along = _turn(bench, zone, poses, across)
    cosine = np.cos(angle / 2)
    girth = 1 - np.abs(cosine) * np.sqrt(along * cosine**2 + 1 - along)
    return girth, (1 - np.cos(angle)) / 3


def _turn(
    bench: Bench, zone: Zone, poses: NDArray[np.int64], about: NDArray[np.float64]
) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Widest angle between the joints that meet in a zone, and how far it is about the limb.

    The second is the squared cosine between the joint's axis of turning and what it turns round.
    """
    mean = bench.weights[zone.vertices].mean(axis=0)
    met = np.union1d(np.flatnonzero(mean > PRESENT), zone.joint)
    spin = bench.transforms[poses][:, met, :3, :3]
    trace = np.einsum("faij,fbij->fab", spin, spin).min(axis=(1, 2))
    angle = np.arccos(np.clip((trace - 1) / 2, -1, 1))
    turns = bench.turns[poses, zone.joint]
    angle = np.maximum(angle, np.linalg.norm(turns, axis=-1))
    return angle, (unit(turns) @ about) ** 2


def _across(zone: Zone, rest: NDArray[np.float64]) -> NDArray[np.float64]:
    """Unit normal of the loop where the joint carries half; zero without one."""
    half = zone.contour.shape[0] // 2
    at = zone.contour @ rest
    at = at - at.mean(axis=0) if half else at
    normal = np.cross(at[:half], at[half:]).sum(axis=0)
    return normal / max(float(np.linalg.norm(normal)), 1e-300)


def _worst(bench: Bench, zone: Zone, poses: NDArray[np.int64]) -> list[Place]:
    found = []
    for figure in ("girth", "volume", "wrapper", "stretch", "fold"):
        values = bench.figures[figure][poses, zone.joint]
        if np.isnan(values).all() or not np.nanmax(values) > 0:
            continue
        pose = int(poses[np.nanargmax(values)])
        shape = _shape(bench, zone, np.array([pose]))
        place = bench.place(
            figure,
            zone.joint,
            pose,
            zone.vertices[_seat(bench, figure, zone, pose, shape)],
            _told(bench, figure, zone.joint, pose),
        )
        if figure == "stretch" and (_stretched(bench, zone, pose, shape)[1] < SLIVER).all():
            told = f"{place.told}, all of them too short to show; mend the mesh"
            place = replace(place, told=told, mesh="faces there have next to no width")
        found.append(place)
    return found


def _seat(
    bench: Bench, figure: str, zone: Zone, pose: int, shape: Shape
) -> NDArray[np.int64] | slice:
    """The zone's vertices that a figure comes from."""
    if figure == "girth":
        return np.unique(zone.contour.indices)
    if figure == "fold":
        return np.unique(zone.faces[shape.folded[0]])
    if figure == "stretch":
        return np.unique(_stretched(bench, zone, pose, shape)[0])
    return slice(None)


def _stretched(
    bench: Bench, zone: Zone, pose: int, shape: Shape
) -> tuple[NDArray[np.int32], NDArray[np.float64]]:
    """The edges that are stretched most, and how long they are by the middle one of the zone."""
    rest, moved = bench.rest[zone.vertices], bench.moved(zone.vertices, np.array([pose]))[0]
    first, second = zone.edges.T
    length = np.linalg.norm(rest[first] - rest[second], axis=1)
    ratio = np.linalg.norm(moved[first] - moved[second], axis=1) / length
    most = ratio >= shape.stretch[0, 2] * (1 - SAME)
    return zone.edges[most], length[most] / np.median(length)


def _told(bench: Bench, figure: str, joint: int, pose: int) -> str:
    name = bench.skeleton.names[joint]
    if figure in ("girth", "volume"):
        left, more = bench.shapes[figure][pose, joint], bench.figures[figure][pose, joint]
        what = "cross-section" if figure == "girth" else "volume"
        than = " than any weights must lose" if bench.linear else ""
        if left < 0:
            return f"the {what} at {name} is turned inside out, {more:.0%} less is left{than}"
        return f"{left:.0%} of the {what} at {name} is left, {more:.0%} less{than}"
    if figure == "wrapper":
        left = bench.shapes["volume"][pose, joint]
        return f"twisted, {name} keeps {left:.0%} of its volume and is wrung like a candy wrapper"
    if figure == "stretch":
        least, most = (bench.shapes[f"stretch_{end}"][pose, joint] for end in ("1", "99"))
        return f"edges at {name} are stretched to {most:.2f} and pressed to {least:.2f}"
    return f"{bench.figures[figure][pose, joint]:.0%} of the skin at {name} is folded over"
