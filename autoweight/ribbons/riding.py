"""From control joints through a ribbon to a rig's joints: motion, and where it comes from."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from autoweight.errors import RecipeError, SkeletonError, WeightsError, suggestion
from autoweight.flexing import Place, flex
from autoweight.pose.clip import Clip, relative, rest_local, world
from autoweight.pose.skinning import carried, linear_blend, moved_by_each
from autoweight.recipes.recipe import Limits
from autoweight.ribbons.ribbon import Ribbon
from autoweight.ribbons.strips import strip
from autoweight.rig import Skeleton, Weights, nearest_above

__all__ = [
    "Carriage",
    "bend",
    "carriage",
    "driven",
    "driven_clip",
    "leaks",
    "ride",
    "riders_of",
    "without",
]

LITTLE = 0.1
"""A weight on a control point below this is taken for a leftover, not for the hand-over."""


@dataclass(frozen=True, eq=False)
class Carriage:
    """What a ribbon does to a joint that rides on it.

    Parameters
    ----------
    joint : str
    displacement : ndarray, shape (3,)
        Of the place on the surface where it rides, in scene units.
    controls : tuple of str
    shares : ndarray, shape (c, 3)
        Of each control joint; they sum to the displacement.
    strongest : str
        The control with the greatest share.
    points : tuple of int
        Control points through which it works, ascending.
    weight : float
        Its greatest weight there.
    left : float
        How far the place would still move without that control on those points, in scene units.
    """

    joint: str
    displacement: NDArray[np.float64]
    controls: tuple[str, ...]
    shares: NDArray[np.float64]
    strongest: str
    points: tuple[int, ...]
    weight: float
    left: float

    @property
    def leak(self) -> bool:
        """Whether what moves the joint is a leftover on the ribbon's control points."""
        return self.weight < LITTLE

    @property
    def told(self) -> str:
        """The same in a sentence."""
        moved = float(np.linalg.norm(self.displacement))
        said = (
            f"{self.joint} itself moves by {moved:.3g}, through the ribbon's control points "
            f"{_ranges(self.points)}, which carry up to {self.weight:.2g} of {self.strongest}"
        )
        if self.leak:
            said += f"; without that it would move by {self.left:.3g}"
        return said


def ride(ribbon: Ribbon, skeleton: Skeleton, controls: NDArray[np.float64]) -> NDArray[np.float64]:
    """World transforms of the joints that ride a ribbon.

    Parameters
    ----------
    ribbon : Ribbon
        With weights.
    skeleton : Skeleton
        The rig's, with the riders among its joints.
    controls : ndarray, shape (f, c, 4, 4)
        World transforms of the control joints, pose by pose.

    Returns
    -------
    ndarray, shape (f, k, 4, 4)
        Each rider keeps its bind-pose place in the frame of the surface it sits on.

    Raises
    ------
    SkeletonError
        A rider that the skeleton does not have.
    WeightsError
        The ribbon has no weights.
    """
    posed = bend(ribbon, controls)
    at = ribbon.riders.at
    rest = np.linalg.solve(ribbon.frames(at), skeleton.rest[_rider_joints(ribbon, skeleton)])
    return ribbon.frames(at, posed) @ rest


def bend(ribbon: Ribbon, controls: NDArray[np.float64]) -> NDArray[np.float64]:
    """Control points in other poses, by linear blend of their joints.

    Parameters
    ----------
    ribbon : Ribbon
        With weights.
    controls : ndarray, shape (f, c, 4, 4)
        World transforms of the controls.

    Returns
    -------
    ndarray, shape (f, p q, 3)

    Raises
    ------
    WeightsError
        The ribbon has no weights.
    """
    points, matrix = ribbon.points.reshape(-1, 3), _weights_of(ribbon).matrix
    return linear_blend(points, matrix, carried(ribbon.controls, controls))


def _rider_joints(ribbon: Ribbon, skeleton: Skeleton) -> list[int]:
    """Joint numbers of a ribbon's riders in the skeleton of the rig.

    Raises
    ------
    SkeletonError
        The rig has no joint of that name.
    """
    missing = [name for name in ribbon.riders.names if name not in skeleton.index]
    if missing:
        raise SkeletonError(
            f"rider {missing[0]!r} is not a joint of the rig; "
            f"{suggestion(missing[0], skeleton.names)}"
        )
    return [skeleton.index[name] for name in ribbon.riders.names]


def driven(
    ribbon: Ribbon, skeleton: Skeleton, controls: NDArray[np.float64]
) -> NDArray[np.float64]:
    """Poses of a rig whose ribbon is bent.

    Parameters
    ----------
    ribbon : Ribbon
        With weights.
    skeleton : Skeleton
        The rig's.
    controls : ndarray, shape (f, c, 4, 4)
        World transforms of the control joints.

    Returns
    -------
    ndarray, shape (f, j, 4, 4)
        World transforms. Riders are where the ribbon carries them, joints of the rig that are
        control joints too are where those are, and all others hang from their parent as in the
        bind pose.

    Raises
    ------
    SkeletonError
        A rider that is not a joint of the rig.
    WeightsError
        The ribbon has no weights.
    """
    placed = dict(
        zip(
            _rider_joints(ribbon, skeleton),
            np.moveaxis(ride(ribbon, skeleton, controls), 1, 0),
            strict=True,
        )
    )
    for name in set(ribbon.controls.names) & set(skeleton.names):
        moved = carried(ribbon.controls, controls)[:, ribbon.controls.index[name]]
        placed.setdefault(skeleton.index[name], moved @ skeleton.rest[skeleton.index[name]])
    rest = rest_local(skeleton)
    found = np.empty((len(controls), len(skeleton), 4, 4))
    for joint, parent in enumerate(skeleton.parents):  # parents come first
        if joint in placed:
            found[:, joint] = placed[joint]
        else:
            found[:, joint] = rest[joint] if parent < 0 else found[:, parent] @ rest[joint]
    return found


def driven_clip(ribbon: Ribbon, skeleton: Skeleton, clip: Clip) -> Clip:
    """A clip of a ribbon's control joints as a clip of the rig's joints.

    Parameters
    ----------
    ribbon : Ribbon
        With weights.
    skeleton : Skeleton
    clip : Clip
        Of ``ribbon.controls``.

    Returns
    -------
    Clip
        With the same times and labels.
    """
    poses = driven(ribbon, skeleton, world(ribbon.controls, clip.local))
    return replace(clip, local=relative(skeleton, poses))


def leaks(ribbon: Ribbon, clip: Clip, limits: Limits | None = None) -> list[Place]:
    """Where control joints move control points that they have nothing to do with.

    Parameters
    ----------
    ribbon : Ribbon
        With weights.
    clip : Clip
        Of ``ribbon.controls``.
    limits : Limits, optional

    Returns
    -------
    list of Place
        The stray places of `autoweight.flexing.flex` for the strip of control points, whose
        numbers they give as vertices; sizes are in diagonals of the ribbon.

    Raises
    ------
    WeightsError
        The ribbon has no weights.
    """
    # On a strip of a few controls even near kin have no business beyond their own hand-overs.
    controls = ribbon.controls
    apart = replace(controls, parents=np.full(len(controls), -1, dtype=np.int32))
    poses = replace(clip, local=world(controls, clip.local))
    found = flex(replace(strip(ribbon), skeleton=apart), poses, limits=limits)
    return [
        replace(place, told=f"on the ribbon, {place.told.replace('vertices', 'control points')}")
        for place in found.places
        if place.figure == "stray"
    ]


def carriage(ribbon: Ribbon, controls: NDArray[np.float64], joint: str) -> Carriage:
    """Split the motion of a rider into what each control joint adds.

    Parameters
    ----------
    ribbon : Ribbon
        With weights.
    controls : ndarray, shape (c, 4, 4)
        World transforms of the control joints.
    joint : str
        A rider.

    Returns
    -------
    Carriage

    Raises
    ------
    RecipeError
        Not a rider of the ribbon.
    WeightsError
        The ribbon has no weights.
    """
    if joint not in ribbon.riders.names:
        raise RecipeError(f"no rider is named {joint!r}; {suggestion(joint, ribbon.riders.names)}")
    weights = _weights_of(ribbon)
    mix = ribbon.mix(ribbon.riders.at[[ribbon.riders.names.index(joint)]])[0]
    motion = _motion(ribbon, controls)
    through = mix[:, None] * weights.dense()
    # The surface is linear in its control points, and those in their weights.
    shares = np.einsum("pc,pcx->cx", through, motion)
    strongest = int(np.linalg.norm(shares, axis=1).argmax())
    points = np.flatnonzero(through[:, strongest])
    name = ribbon.controls.names[strongest]
    left = np.zeros(3)
    if len(points) > 0 and (weights.dense()[points, strongest] < 1).all():
        rest = without(ribbon, name, points)
        left = np.einsum("pc,pcx->x", mix[:, None] * rest.dense(), motion)
    return Carriage(
        joint,
        shares.sum(axis=0),
        ribbon.controls.names,
        shares,
        name,
        tuple(points.tolist()),
        float(weights.matrix[points][:, [strongest]].max()) if len(points) else 0.0,
        float(np.linalg.norm(left)),
    )


def riders_of(ribbon: Ribbon, skeleton: Skeleton, joints: Iterable[str]) -> list[str]:
    """The riders that carry some joints of a rig: themselves or their nearest ancestors that ride.

    Parameters
    ----------
    ribbon : Ribbon
    skeleton : Skeleton
    joints : iterable of str

    Returns
    -------
    list of str
        In the order of the joints, each once.
    """
    ride = nearest_above(skeleton.parents, np.isin(skeleton.names, ribbon.riders.names))
    found = dict.fromkeys(int(ride[skeleton.index[name]]) for name in joints)
    return [skeleton.names[joint] for joint in found if joint >= 0]


def without(ribbon: Ribbon, control: str, points: NDArray[np.integer]) -> Weights:
    """Weights of a ribbon with a control joint taken off some control points.

    Parameters
    ----------
    ribbon : Ribbon
        With weights.
    control : str
    points : ndarray, shape (k,)

    Returns
    -------
    Weights
        The other joints of those points share what it had; all other rows are bit for bit the
        same.

    Raises
    ------
    WeightsError
        The ribbon has no weights, or one of the points has no other joint.
    """
    dense = _weights_of(ribbon).dense()
    dense[points, ribbon.controls.index[control]] = 0
    total = dense[points].sum(axis=1, keepdims=True)
    if not (total > 0).all():
        raise WeightsError(f"{control!r} alone holds a control point; it cannot be taken off")
    dense[points] /= total
    return Weights(dense)


def _weights_of(ribbon: Ribbon) -> Weights:
    if ribbon.weights is None:
        raise WeightsError("the ribbon has no weights; give it some with 'autoweight ribbon'")
    return ribbon.weights


def _motion(ribbon: Ribbon, controls: NDArray[np.float64]) -> NDArray[np.float64]:
    """How far each control joint would carry each control point alone, (p q, c, 3)."""
    points = ribbon.points.reshape(-1, 3)
    return moved_by_each(points, carried(ribbon.controls, controls)) - points[:, None]


def _ranges(numbers: tuple[int, ...]) -> str:
    """Numbers with their runs drawn together: 3, 8–11."""
    if not numbers:
        return ""
    runs = np.split(np.array(numbers), np.flatnonzero(np.diff(numbers) > 1) + 1)
    return ", ".join(str(run[0]) if len(run) == 1 else f"{run[0]}–{run[-1]}" for run in runs)
