"""What finished rigs have that the default does not give, as samples to learn it from."""

from __future__ import annotations

import hashlib
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy import sparse

from autoweight.errors import WeightsError
from autoweight.methods import Problem
from autoweight.rig import Rig
from autoweight.skeleton.bones import bones
from autoweight.surface import Surface
from autoweight.taste.builds import Build, build
from autoweight.taste.traits import candidates, sight, traits

__all__ = ["Example", "Lesson", "Taste", "digest", "learned"]

SAMPLES = 120_000
"""Vertices with a joint each that are kept at most, all rigs together: more have like places among
them, though trees learn from a part."""


@dataclass(frozen=True, eq=False)
class Example:
    """A finished rig, and what the default makes of it.

    Parameters
    ----------
    name : str
    rig : Rig
        With weights.
    surface : Surface
    solved : csr_array, shape (n, j)
        Rows of the surface, with weight for those joints alone that have some in the rig.
    """

    name: str
    rig: Rig
    surface: Surface
    solved: sparse.csr_array


@dataclass(frozen=True, eq=False)
class Lesson:
    """What one finished rig teaches.

    Parameters
    ----------
    name : str
        Of the rig.
    digest : str
        Of its mesh and joints.
    build : Build
        Of its joints; flesh is on those that have weight.
    joint : ndarray, shape (m,), int16
        The joint of each sample.
    samples : ndarray, shape (m, t), float32
        Traits, as in `autoweight.taste.traits.TRAITS`.
    weight : ndarray, shape (m,), float32
        What the rig has there.
    area : ndarray, shape (m,), float32
        What each sample stands for; 1 on the mean.
    """

    name: str
    digest: str
    build: Build
    joint: NDArray[np.int16]
    samples: NDArray[np.float32]
    weight: NDArray[np.float32]
    area: NDArray[np.float32]


@dataclass(frozen=True, eq=False)
class Taste:
    """What some finished rigs teach.

    Parameters
    ----------
    lessons : tuple of Lesson
        One for each rig.
    """

    lessons: tuple[Lesson, ...]

    @property
    def names(self) -> str:
        """The rigs it is from, in words."""
        return ", ".join(each.name for each in self.lessons)


def learned(examples: Sequence[Example]) -> Taste:
    """Learn from finished rigs.

    Parameters
    ----------
    examples : sequence of Example

    Returns
    -------
    Taste

    Raises
    ------
    WeightsError
        There is none, or one has no weights.
    """
    if not examples:
        raise WeightsError("there is no finished rig to learn from; name one at least")
    return Taste(tuple(_lesson(each, SAMPLES // len(examples)) for each in examples))


def digest(rig: Rig) -> str:
    """A number that tells a mesh with its joints from any other, in hexadecimal."""
    found = hashlib.sha256()
    for array in (rig.mesh.vertices, rig.mesh.faces, rig.skeleton.positions):
        found.update(np.ascontiguousarray(array).tobytes())
    found.update("\n".join(rig.skeleton.names).encode())
    return found.hexdigest()


def _lesson(example: Example, most: int) -> Lesson:
    rig, surface = example.rig, example.surface
    own = _own(example)
    used = np.bincount(own.indices, minlength=len(rig.skeleton)) > 0
    problem = Problem(surface, rig.skeleton, bones(rig.skeleton, used), used)
    like = build(rig.skeleton, used, problem.frames, surface, example.solved)
    seen = sight(problem, like, example.solved)
    vertex, joint = candidates(seen)
    if len(vertex) > most:
        kept = np.sort(np.random.default_rng(0).permutation(len(vertex))[:most])
        vertex, joint = vertex[kept], joint[kept]
    area = surface.areas[vertex]
    return Lesson(
        example.name,
        digest(rig),
        like,
        joint.astype(np.int16),
        traits(seen, vertex, joint),
        np.asarray(own[vertex, joint]).ravel().astype(np.float32),
        (area / area.mean()).astype(np.float32),
    )


def _own(example: Example) -> sparse.csr_array:
    """Weights of a finished rig on its surface: the mean where several vertices share a place."""
    surface, weights = example.surface, example.rig.weights
    if weights is None:
        raise WeightsError(f"{example.name}: has no weights to learn from; give a finished rig")
    return sparse.csr_array(surface.mean @ weights.matrix)
