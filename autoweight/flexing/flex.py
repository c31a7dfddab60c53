"""Put a rig through poses and measure where its skin suffers, and through which weights."""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterator, Mapping
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray
from scipy import sparse
from scipy.spatial.transform import Rotation

from autoweight.errors import RecipeError, SkeletonError, WeightsError, suggestion
from autoweight.flexing.chainline import Line, kinks, lines
from autoweight.flexing.overlap import SKIN, Stand, near_moved, sunk, thinned
from autoweight.flexing.shape import Shape, measure
from autoweight.flexing.zones import Zone, zones
from autoweight.methods import Progress, silent
from autoweight.pose.clip import Clip, world
from autoweight.pose.motion import AXES, axes, range_of_motion
from autoweight.pose.skinning import SKINNINGS, Skinning, carried, linear_blend, turning
from autoweight.recipes.recipe import Limits
from autoweight.rig import Rig, Skeleton
from autoweight.rows import entry_rows, one_each, owners
from autoweight.skeleton.chains import chains
from autoweight.skeleton.sides import UNPAIRED, Plane
from autoweight.surface import Surface, prepare
from autoweight.surface.patches import islands
from autoweight.weights.cutoff import cut_off
from autoweight.weights.mirroring import symmetry
from autoweight.weights.strays import cleaned, unwanted

__all__ = ["Flexion", "Place", "flex"]

STILL = np.radians(1.0)
"""A joint that is turned by less shows nothing of its hand-over."""

FACES_AT_ONCE = 400_000
"""Faces times poses that are measured together; bounds the memory."""

TELLING = 4
"""So many joints are named as the cause."""

WRUNG = np.radians(40.0)
WRUNG_ALONG = 0.9
"""From this turn, and this near to the limb (squared cosine), a pose shows a candy wrapper."""

ALONE = 1.05
"""A hand-over whose joints meet at no more than this times the joint's own turn is its alone."""

UNSURE = 2
"""So many points may sink in by where they happen to be chosen; the skin of more has sunk."""

LEADING = 0.5
"""A joint of a chain tells of its own hand-over from this share of its neighbours' turn."""

PRESENT = 0.05
"""A joint with less than this mean weight on a hand-over has no say in it."""

SLIVER = 0.02
"""An edge shorter than this, by the middle one about, is that of a face without width."""

SAME = 1e-6
"""Weights nearer than this are the same."""


@dataclass(frozen=True, eq=False)
class Place:
    """Something to look at.

    Parameters
    ----------
    figure : str
        A name of `Limits`.
    joint : str
        Where it is; of stray weight, the joint it belongs to.
    pose : str
        The pose that shows it most.
    value, limit : float
        The worst there, and what it may be.
    vertices : ndarray, shape (v,)
        Of the user's mesh.
    causes : tuple of (str, float)
        Joints and their mean weight on those vertices, or how much of it is too much.
    told : str
        The same in a sentence.
    mesh : str
        What of the mesh is to be mended, where the weights are not to blame.
    """

    figure: str
    joint: str
    pose: str
    value: float
    limit: float
    vertices: NDArray[np.int64]
    causes: tuple[tuple[str, float], ...]
    told: str
    mesh: str = ""

    @property
    def severity(self) -> float:
        """How many times the limit; above 1 it is a finding."""
        return self.value / self.limit

    def rank(self) -> tuple[float, str, str]:
        """What places are sorted by, the worst first."""
        return -self.severity, self.figure, self.joint


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


SHAPES = ("girth", "volume", "stretch_min", "stretch_1", "stretch_99", "stretch_max")


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
    bench = _Bench(rig, surface, clip, SKINNINGS[skin], skin == "linear", limits or Limits())
    places = []
    progress("measuring hand-overs", 0)
    places += _hand_overs(bench, progress)
    progress("measuring chains", 0)
    places += _chains(bench)
    progress("looking for skin in skin", 0)
    places += _overlaps(bench, progress)
    progress("looking for stray weights", 0)
    places += _strays(bench)
    if plane is not None:
        progress("comparing sides", 0)
        places += _sides(bench, plane)
    progress("measured", 1)
    places.sort(key=Place.rank)
    return Flexion(clip.labels, rig.skeleton.names, bench.figures, bench.shapes, tuple(places))


class _Bench:
    """A rig on the test bench: what all measurements share."""

    def __init__(
        self,
        rig: Rig,
        surface: Surface,
        clip: Clip,
        skin: Skinning,
        linear: bool,
        limits: Limits,
    ) -> None:
        assert rig.weights is not None
        self.rig, self.clip, self.skin, self.linear, self.limits = rig, clip, skin, linear, limits
        self.skeleton = rig.skeleton
        self.surface = surface
        self.weights = rig.weights.matrix[self.surface.speakers]
        self.rest = self.surface.vertices
        transforms = carried(self.skeleton, world(self.skeleton, clip.local))
        self.transforms = transforms.astype(np.float32)
        self.owner = owners(self.weights)
        self.bones = axes(self.skeleton)[:, AXES.index("twist")]
        self.turns = _own_turns(self.skeleton, transforms)
        self.turned = np.linalg.norm(self.turns, axis=-1) > STILL
        size = (len(clip), len(self.skeleton))
        self.figures = {name: np.full(size, np.nan) for name, _ in limits.items()}
        for name in ("overlap", "stray"):  # looked for everywhere
            self.figures[name][:] = 0
        self.shapes = {name: np.full(size, np.nan) for name in SHAPES}

    def moved(self, vertices: NDArray[np.int64], poses: NDArray[np.int64] | slice) -> NDArray:
        """Surface vertices in some poses, (f, v, 3)."""
        return self.skin(self.rest[vertices], self.weights[vertices], self.transforms[poses])

    def in_mesh(self, vertices: NDArray[np.int64]) -> NDArray[np.int64]:
        """Vertices of the user's mesh that surface vertices stand for."""
        wanted = np.zeros(len(self.surface), dtype=bool)
        wanted[vertices] = True
        return np.flatnonzero(wanted[self.surface.weld])

    def causes(self, vertices: NDArray[np.int64]) -> tuple[tuple[str, float], ...]:
        """The joints with most weight on some surface vertices."""
        mean = self.weights[vertices].mean(axis=0)
        most = np.argsort(-mean, kind="stable")[:TELLING]
        return tuple(
            (self.skeleton.names[joint], float(mean[joint])) for joint in most if mean[joint] > 0
        )

    def place(
        self, figure: str, joint: int, pose: int, vertices: NDArray[np.int64], told: str
    ) -> Place:
        """A place at the value that was recorded for a pose and joint."""
        return Place(
            figure,
            self.skeleton.names[joint],
            self.clip.labels[pose],
            float(self.figures[figure][pose, joint]),
            getattr(self.limits, figure),
            self.in_mesh(vertices),
            self.causes(vertices),
            told,
        )


def _own_turns(skeleton: Skeleton, transforms: NDArray) -> NDArray[np.float64]:
    """Rotation vector of each joint against its parent, in the axes of bind space, (f, j, 3).

    0 where either is scaled to nothing or mirrored: there is no turn, and nothing to measure.
    """
    count = transforms.shape[:2]
    rotation, turns = turning(transforms[..., :3, :3].reshape(-1, 3, 3))
    turn, turns = rotation.as_quat().reshape(*count, 4), turns.reshape(count)
    root = skeleton.parents < 0
    above = np.where(root[None, :, None], [0, 0, 0, 1], turn[:, skeleton.parents])
    own = Rotation.from_quat(above.reshape(-1, 4)).inv() * Rotation.from_quat(turn.reshape(-1, 4))
    known = turns & (root | turns[:, skeleton.parents])
    return np.where(known[..., None], own.as_rotvec().reshape(*count, 3), 0)


def _hand_overs(bench: _Bench, progress: Progress) -> list[Place]:
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


def _shape(bench: _Bench, zone: Zone, poses: NDArray[np.int64]) -> Shape:
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


def _record(bench: _Bench, zone: Zone, poses: NDArray[np.int64], shape: Shape) -> None:
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
    bench: _Bench, zone: Zone, poses: NDArray[np.int64]
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
    bench: _Bench, zone: Zone, poses: NDArray[np.int64], about: NDArray[np.float64]
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
    axis = turns / np.linalg.norm(turns, axis=-1, keepdims=True)
    angle = np.maximum(angle, np.linalg.norm(turns, axis=-1))
    return angle, (axis @ about) ** 2


def _across(zone: Zone, rest: NDArray[np.float64]) -> NDArray[np.float64]:
    """Unit normal of the loop where the joint carries half; zero without one."""
    half = zone.contour.shape[0] // 2
    at = zone.contour @ rest
    at = at - at.mean(axis=0) if half else at
    normal = np.cross(at[:half], at[half:]).sum(axis=0)
    return normal / max(float(np.linalg.norm(normal)), 1e-300)


def _worst(bench: _Bench, zone: Zone, poses: NDArray[np.int64]) -> list[Place]:
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
    bench: _Bench, figure: str, zone: Zone, pose: int, shape: Shape
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
    bench: _Bench, zone: Zone, pose: int, shape: Shape
) -> tuple[NDArray[np.int32], NDArray[np.float64]]:
    """The edges that are stretched most, and how long they are by the middle one of the zone."""
    rest, moved = bench.rest[zone.vertices], bench.moved(zone.vertices, np.array([pose]))[0]
    first, second = zone.edges.T
    length = np.linalg.norm(rest[first] - rest[second], axis=1)
    ratio = np.linalg.norm(moved[first] - moved[second], axis=1) / length
    most = ratio >= shape.stretch[0, 2] * (1 - SAME)
    return zone.edges[most], length[most] / np.median(length)


def _told(bench: _Bench, figure: str, joint: int, pose: int) -> str:
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


def _chains(bench: _Bench) -> list[Place]:
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


def _overlaps(bench: _Bench, progress: Progress) -> list[Place]:
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
    bench: _Bench, stand: Stand, progress: Progress
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


def _strays(bench: _Bench) -> list[Place]:
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


def _reasons(bench: _Bench, excess: sparse.csr_array) -> NDArray[np.object_]:
    """What of the mesh makes each stored entry look stray; nothing where the weights do."""
    found = np.full(excess.nnz, "", dtype=object)
    for reason, part in cut_off(bench.weights, bench.surface, bench.skeleton, excess, SAME):
        found[part[entry_rows(excess), excess.indices] > 0] = reason
    return found


def _telling(apart: NDArray[np.float64], still: NDArray[np.bool_]) -> int:
    """The pose with most stray motion: if there is one, with what holds the vertices at rest."""
    resting = np.where(still.all(axis=1), apart, 0.0)
    return int((resting if resting.any() else apart).argmax())


def _sides(bench: _Bench, plane: Plane) -> list[Place]:
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
