"""A rig on the test bench: its poses, what is recorded of them, and the places worth a look."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.spatial.transform import Rotation

from autoweight.pose.clip import Clip, world
from autoweight.pose.motion import AXES, axes
from autoweight.pose.skinning import Skinning, carried, turning
from autoweight.recipes.recipe import Limits
from autoweight.rig import Rig, Skeleton
from autoweight.rows import owners
from autoweight.surface import Surface

__all__ = ["SHAPES", "Bench", "Place"]

STILL = np.radians(1.0)
"""A joint that is turned by less shows nothing of its hand-over."""

TELLING = 4
"""So many joints are named as the cause."""

SHAPES = ("girth", "volume", "stretch_min", "stretch_1", "stretch_99", "stretch_max")
"""What is kept of a hand-over's shape beside its figures: see `Flexion.shapes`."""


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


class Bench:
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
