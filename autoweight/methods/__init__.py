"""The weighting methods, one a file, all of one form: a problem in, weights out."""

from __future__ import annotations

from collections.abc import Callable, Hashable
from dataclasses import dataclass, field
from importlib import import_module
from typing import Protocol, TypeVar

import numpy as np
from numpy.typing import NDArray
from scipy import sparse

from autoweight.errors import RecipeError, suggestion
from autoweight.machine.abreast import Ahead
from autoweight.recipes.profiles import Falloff
from autoweight.rig import Skeleton
from autoweight.skeleton.bones import Bones, Frames, Reaches, frames
from autoweight.skeleton.chains import Chain, chains
from autoweight.surface import Surface
from autoweight.surface.laplacian import Measured, measured
from autoweight.surface.visibility import Sight

__all__ = [
    "MEASURING",
    "METHODS",
    "Method",
    "Problem",
    "Progress",
    "Recall",
    "afresh",
    "find",
    "silent",
]

Progress = Callable[[str, float], None]
"""Called with what is being done and the share of it that is done, 0 to 1."""


T = TypeVar("T")


class Recall(Protocol):
    """Called with what is worked out, what it depends on besides surface and skeleton, and how.

    May answer with what came out when all of that was the same; nobody may change what it gives.
    """

    def __call__(self, what: str, depends: Hashable, make: Callable[[], T]) -> T: ...


def afresh(what: str, depends: Hashable, make: Callable[[], T]) -> T:
    """Recall of one who remembers nothing."""
    return make()


def silent(stage: str, share: float) -> None:
    """Progress that nobody watches."""


def deaf(decision: str) -> None:
    """Nobody who asks for reasons."""


@dataclass(frozen=True, eq=False)
class Problem:
    """What a method is given.

    Parameters
    ----------
    surface : Surface
        The n vertices to weight.
    skeleton : Skeleton
        All j joints, those that may not have weight included.
    bones : Bones
        The segments of the joints that may; a joint that is left out lends its own to its
        nearest ancestor that is not.
    active : ndarray, shape (j,), bool
        The joints that may have weight.
    progress : callable
        Told how far the work has got.
    chains : tuple of Chain
        Every joint in exactly one; what the skeleton implies when left out.
    falloffs : tuple of Falloff
        One for each chain; the defaults when left out.
    note : callable
        Told in words what a method decided by itself.
    recall : Recall
        Asked for what is dear to work out and does not depend on all of the problem.
    frames : Frames
        Where the bone of every joint lies, active or not; worked out when left out.
    sight : Sight
        Rays against the surface; made when left out.
    measured : Ahead
        Asked for `measure` of the surface, which may have begun already; made when left out.
    away : Reaches
        Asked how far vertices are from the nearest bone; made for each problem.
    """

    surface: Surface
    skeleton: Skeleton
    bones: Bones
    active: NDArray[np.bool_]
    progress: Progress = silent
    chains: tuple[Chain, ...] = ()
    falloffs: tuple[Falloff, ...] = ()
    note: Callable[[str], None] = deaf
    recall: Recall = afresh
    frames: Frames = field(default=None)  # type: ignore[assignment]
    sight: Sight = field(default=None)  # type: ignore[assignment]
    measured: Ahead[Measured] = field(default=None)  # type: ignore[assignment,arg-type]
    away: Reaches = field(init=False)

    def __post_init__(self) -> None:
        if not self.chains:
            object.__setattr__(self, "chains", chains(self.skeleton))
        if not self.falloffs:
            object.__setattr__(self, "falloffs", (Falloff(),) * len(self.chains))
        if self.sight is None:
            object.__setattr__(self, "sight", Sight(self.surface))
        if self.frames is None:
            object.__setattr__(self, "frames", frames(self.skeleton, self.sight.depth))
        if self.measured is None:
            object.__setattr__(self, "measured", measured(self.surface))
        away = self.recall(
            "reaches",
            self.active.tobytes(),
            lambda: Reaches(self.surface.vertices, self.bones),
        )
        object.__setattr__(self, "away", away)


Method = Callable[[Problem], "sparse.csr_array | NDArray[np.float64]"]
"""Returns (n, j) weights, not negative, zero for joints that are not active; any row sum."""

METHODS = {
    "auto": "autoweight.methods.auto:solve",
    "bands": "autoweight.methods.bands:solve",
    "biharmonic": "autoweight.methods.biharmonic:solve",
    "heat": "autoweight.methods.heat:solve",
    "inverse": "autoweight.methods.inverse:solve",
    "nearest": "autoweight.methods.nearest:solve",
    "volume": "autoweight.methods.volume:solve",
}
"""The built-in methods: name and where the function is."""

MEASURING = frozenset(["auto", "heat"])
"""Those of them that mostly ask for `Problem.measured`, which is worth beginning with early."""


def find(name: str) -> Method:
    """Look up a method.

    Parameters
    ----------
    name : str
        A built-in name, or ``package.module:function`` for one of the user's own.

    Returns
    -------
    callable
        Takes a `Problem`, returns (n, j) weights.

    Raises
    ------
    RecipeError
        No such method.
    """
    address = METHODS.get(name, name)
    module, _, function = address.partition(":")
    if not (module and function):
        hint = suggestion(name, METHODS)
        raise RecipeError(
            f"no method is named {name!r}, and one of your own is package.module:function; {hint}"
        )
    try:
        return getattr(import_module(module), function)
    except (ImportError, AttributeError) as error:
        raise RecipeError(f"method {name!r} cannot be imported: {error}") from error
