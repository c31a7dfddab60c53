"""Joint transforms over time, and where they put the joints."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.spatial.transform import Rotation

from autoweight.errors import SkeletonError
from autoweight.pose.transforms import decompose
from autoweight.rig import Skeleton

__all__ = ["Clip", "relative", "rest_local", "turned", "world"]


@dataclass(frozen=True, eq=False)
class Clip:
    """A run of poses.

    Parameters
    ----------
    name : str
    times : array_like, shape (f,)
        In seconds, ascending.
    local : array_like, shape (f, j, 4, 4)
        Transform of each joint relative to its parent joint; of a root, its world transform.
    labels : sequence of str, optional
        What each pose is called; its time when left out.

    Raises
    ------
    SkeletonError
        Shapes that do not fit each other, no frame, times that do not ascend, or a value that
        is not finite.
    """

    name: str
    times: NDArray[np.float64]
    local: NDArray
    labels: tuple[str, ...] = ()

    def __post_init__(self) -> None:
        times = np.ascontiguousarray(self.times, dtype=np.float64)
        local = np.ascontiguousarray(self.local, dtype=np.float64)
        if times.ndim != 1 or local.ndim != 4 or local.shape[::2] != (len(times), 4):
            raise SkeletonError(
                f"clip {self.name!r}: need times (f,) and transforms (f, j, 4, 4), "
                f"got {times.shape} and {local.shape}"
            )
        if len(times) == 0 or not (np.diff(times) > 0).all():
            raise SkeletonError(f"clip {self.name!r}: needs frames whose times ascend")
        if not (np.isfinite(times).all() and np.isfinite(local).all()):
            raise SkeletonError(f"clip {self.name!r}: a time or transform is not finite")
        labels = tuple(self.labels) or tuple(f"{self.name} {time:.3f} s" for time in times)
        if len(labels) != len(times):
            raise SkeletonError(
                f"clip {self.name!r}: {len(times)} frames cannot have {len(labels)} labels"
            )
        object.__setattr__(self, "labels", labels)
        for name, array in (("times", times), ("local", local)):
            array = array.view()
            array.setflags(write=False)
            object.__setattr__(self, name, array)

    def __len__(self) -> int:
        return len(self.times)

    def parts(
        self, local: NDArray[np.float64], names: Sequence[str], form: str
    ) -> tuple[NDArray[np.float64], NDArray[np.float64], NDArray[np.float64]]:
        """Transforms of some of its joints as a file has them: translations, rotations, scales.

        Parameters
        ----------
        local : ndarray, shape (f, k, 4, 4)
            Of some joints, within what they hang from in the file.
        names : sequence of str
            Of these joints.
        form : str
            What is to hold them, for the message.

        Returns
        -------
        translation, rotation, scale : ndarray, shape (f, k, 3), (f, k, 4), (f, k, 3)

        Raises
        ------
        SkeletonError
            A joint is sheared, which such parts cannot say.
        """
        frames, count = local.shape[:2]
        move, turn, scale, exact = decompose(local.reshape(-1, 4, 4))
        if not exact.all():
            joint = int(np.flatnonzero(~exact)[0]) % count
            raise SkeletonError(
                f"clip {self.name!r}: joint {names[joint]!r} is sheared, which {form} cannot say; "
                "give it a uniform scale"
            )
        move, scale = (each.reshape(frames, count, 3) for each in (move, scale))
        return move, turn.reshape(frames, count, 4), scale

    def of(self, skeleton: Skeleton) -> NDArray[np.float64]:
        """Its transforms, (f, j, 4, 4), to be changed at will.

        Raises
        ------
        SkeletonError
            It moves another number of joints.
        """
        if self.local.shape[1] != len(skeleton):
            raise SkeletonError(
                f"clip {self.name!r}: moves {self.local.shape[1]} joints of {len(skeleton)}"
            )
        return self.local.copy()

    def thinned(self, frames: int) -> Clip:
        """The same with no more than so many frames, evenly chosen with both ends."""
        if len(self) <= frames:
            return self
        kept = np.unique(np.linspace(0, len(self) - 1, frames).round().astype(int))
        labels = tuple(self.labels[each] for each in kept)
        return Clip(self.name, self.times[kept], self.local[kept], labels)


def rest_local(skeleton: Skeleton) -> NDArray:
    """Bind transform of each joint relative to its parent, (j, 4, 4); of a root, its own."""
    return relative(skeleton, skeleton.rest)


def relative(skeleton: Skeleton, world: NDArray) -> NDArray:
    """World transforms relative to the parent joint's, (..., j, 4, 4): the reverse of `world`."""
    found = np.array(world)
    child = np.flatnonzero(skeleton.parents >= 0)
    above = world[..., skeleton.parents[child], :, :]
    found[..., child, :, :] = np.linalg.solve(above, world[..., child, :, :])
    return found


def world(skeleton: Skeleton, local: NDArray) -> NDArray:
    """Forward kinematics.

    Parameters
    ----------
    skeleton : Skeleton
    local : ndarray, shape (..., j, 4, 4)

    Returns
    -------
    ndarray, shape (..., j, 4, 4)
        World transforms.
    """
    found = np.array(local)
    for joint, parent in enumerate(skeleton.parents):  # parents come first
        if parent >= 0:
            found[..., joint, :, :] = found[..., parent, :, :] @ local[..., joint, :, :]
    return found


def turned(skeleton: Skeleton, turns: NDArray[np.float64]) -> NDArray:
    """Turn joints about where they are, from the bind pose.

    Parameters
    ----------
    skeleton : Skeleton
    turns : ndarray, shape (f, j, 3)
        Rotation vectors in radians, in the axes of bind space. A joint's children are carried
        along and turn further.

    Returns
    -------
    ndarray, shape (f, j, 4, 4)
        Local transforms.
    """
    frames, joints = turns.shape[:2]
    spin = Rotation.from_rotvec(turns.reshape(-1, 3)).as_matrix().reshape(frames, joints, 3, 3)
    about = np.zeros((frames, joints, 4, 4))
    about[..., :3, :3] = spin
    at = skeleton.positions
    about[..., :3, 3] = at - (spin @ at[:, :, None])[..., 0]
    about[..., 3, 3] = 1
    above = np.where(
        (skeleton.parents >= 0)[:, None, None], skeleton.rest[skeleton.parents], np.eye(4)
    )
    return np.linalg.solve(above, about @ skeleton.rest)
