"""Falloff masks along a chain, and waves that stay inside them."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

from autoweight.errors import RecipeError
from autoweight.methods import Progress, silent
from autoweight.recipes.profiles import SHAPES, Falloff, Points, curve
from autoweight.recipes.recipe import Recipe
from autoweight.rig import Rig, Skeleton
from autoweight.skeleton.chains import Chain
from autoweight.stages.solving import solve

__all__ = ["Stretch", "Wave", "along_chain", "chain_between", "mask", "stations", "stretch"]


@dataclass(frozen=True)
class Stretch:
    """Where a mask is 1 and where it ends, as distances along a chain in scene units.

    Parameters
    ----------
    full : pair of float
        From here to here it is 1.
    zero : pair of float
        It is exactly 0 up to the first and from the second on; infinite where the mask stays 1
        to the end of the body.
    shape : str or sequence of (t, value)
        Of the way between; see `autoweight.recipes.profiles.curve`.

    Raises
    ------
    RecipeError
        Distances that are not in order.
    """

    full: tuple[float, float]
    zero: tuple[float, float] = (-np.inf, np.inf)
    shape: str | Points = "smooth"

    def __post_init__(self) -> None:
        before, begin, end, after = self.zero[0], *self.full, self.zero[1]
        if not before < begin <= end < after:
            raise RecipeError(
                f"a mask that is 0 at {before:g}, 1 from {begin:g} to {end:g} and 0 at {after:g} "
                "is not in order along its chain; name the joints from the body outward"
            )
        if isinstance(self.shape, str) and self.shape not in SHAPES:
            raise RecipeError(f"no shape is named {self.shape!r}; there are {', '.join(SHAPES)}")


def mask(along: ArrayLike, where: Stretch) -> NDArray[np.float64]:
    """Values of a mask.

    Parameters
    ----------
    along : array_like, shape (n,)
        Distance along the chain, of vertices from `along_chain` or of a ribbon's control points
        from its ``stations``.
    where : Stretch

    Returns
    -------
    ndarray, shape (n,)
        0 to 1.
    """
    along = np.asarray(along, dtype=np.float64)
    (before, after), (begin, end) = where.zero, where.full
    rising = (begin - along) / (begin - before) if np.isfinite(before) else np.zeros_like(along)
    falling = (along - end) / (after - end) if np.isfinite(after) else np.zeros_like(along)
    return curve(where.shape, np.maximum(rising, falling))


def chain_between(skeleton: Skeleton, first: str, last: str) -> Chain:
    """The joints from one to another further out.

    Parameters
    ----------
    skeleton : Skeleton
    first, last : str
        The second hangs from the first, however far down; or from its ancestor, and then the
        chain goes up from the first and down again.

    Returns
    -------
    Chain

    Raises
    ------
    RecipeError
        A name that is not there, or joints of two hierarchies.
    """
    up, down = (_ancestors(skeleton, name) for name in (first, last))
    shared = [joint for joint in up if joint in down]
    if not shared:
        raise RecipeError(f"joints {first!r} and {last!r} are in two hierarchies")
    meeting = shared[0]
    joints = up[: up.index(meeting)] + [meeting] + down[: down.index(meeting)][::-1]
    return Chain(f"{first} to {last}", tuple(joints))


def stations(skeleton: Skeleton, chain: Chain) -> NDArray[np.float64]:
    """Distance of each joint of a chain from its first, along the bones, (m,), scene units."""
    step = np.diff(skeleton.positions[list(chain.joints)], axis=0)
    return np.concatenate([[0.0], np.cumsum(np.linalg.norm(step, axis=1))])


def stretch(
    skeleton: Skeleton,
    chain: Chain,
    full: tuple[str, str],
    zero: Sequence[str] = (),
    shape: str | Points = "smooth",
) -> Stretch:
    """A stretch between joints of a chain.

    Parameters
    ----------
    skeleton : Skeleton
    chain : Chain
    full : pair of str
        The mask is 1 from the first joint to the second.
    zero : sequence of str
        Joints at which it is exactly 0, one before the stretch, one behind it, or both.
    shape : str or sequence of (t, value)

    Returns
    -------
    Stretch

    Raises
    ------
    RecipeError
        A joint that is not of the chain, inside the stretch, or a second one on its side.
    """
    place = dict(
        zip((skeleton.names[each] for each in chain.joints), stations(skeleton, chain), strict=True)
    )
    for name in (*full, *zero):
        if name not in place:
            raise RecipeError(f"joint {name!r} is not of chain {chain.name!r}: {', '.join(place)}")
    begin, end = sorted(float(place[name]) for name in full)
    ends = [-np.inf, np.inf]
    for name in zero:
        side = int(place[name] > begin)
        if begin <= place[name] <= end or np.isfinite(ends[side]):
            raise RecipeError(
                f"the mask cannot end at joint {name!r}; name one joint before "
                f"{full[0]!r}, one behind {full[1]!r}, or both"
            )
        ends[side] = float(place[name])
    return Stretch((begin, end), (ends[0], ends[1]), shape)


def along_chain(rig: Rig, chain: Chain, *, progress: Progress = silent) -> NDArray[np.float64]:
    """How far along a chain each vertex is.

    Linear bands interpolate what is given at the joints, so here they interpolate distance. A
    joint that is not of the chain stands where the chain is when it hangs from it: a limb is as
    far along the body as its shoulder, and a mask is the same all over it.

    Parameters
    ----------
    rig : Rig
    chain : Chain
    progress : callable, optional

    Returns
    -------
    ndarray, shape (n,)
        In scene units from the chain's first joint. It ends with the last joint: what is beyond
        is as far along as that.
    """
    place = dict(zip(chain.joints, stations(rig.skeleton, chain), strict=True))
    # What the chain itself hangs from is where its topmost joint is.
    distance = np.full(len(rig.skeleton), place[min(chain.joints)])
    for joint, parent in enumerate(rig.skeleton.parents):  # parents come first
        if joint in place or parent >= 0:
            distance[joint] = place.get(joint, distance[parent])
    recipe = Recipe(method="bands", falloff=Falloff(shape="linear", reach=1.0, centre=0.0))
    return solve(rig, recipe, progress=progress).matrix @ distance


@dataclass(frozen=True)
class Wave:
    """A sine that runs along a chain.

    Parameters
    ----------
    amplitude, wavelength : float
        In scene units.
    axis : array_like, shape (3,)
        Which way it swings, in bind space; of any length but 0.
    phase : float
        In degrees: two shapes a quarter apart, weighted by cosine and sine, make it travel.

    Raises
    ------
    RecipeError
        A wavelength that is not above 0, or an axis of no length.
    """

    amplitude: float
    wavelength: float
    axis: tuple[float, float, float]
    phase: float = 0.0

    def __post_init__(self) -> None:
        if not self.wavelength > 0:
            raise RecipeError(f"the wavelength is {self.wavelength:g}; make it above 0")
        if not np.linalg.norm(self.axis) > 0:
            raise RecipeError("the axis of a wave has no length; give it a direction")

    def displacement(self, along: ArrayLike, values: ArrayLike) -> NDArray[np.float64]:
        """How far the wave moves each vertex under a mask.

        Parameters
        ----------
        along, values : array_like, shape (n,)
            Distance along the chain, and the mask's values there.

        Returns
        -------
        ndarray, shape (n, 3)
            In scene units; exactly 0 where the mask is.
        """
        turn = 2 * np.pi * np.asarray(along) / self.wavelength + np.radians(self.phase)
        size = self.amplitude * np.asarray(values) * np.sin(turn)
        return size[:, None] * (np.asarray(self.axis) / np.linalg.norm(self.axis))


def _ancestors(skeleton: Skeleton, name: str) -> list[int]:
    """A joint and all it hangs from, upward."""
    found = [skeleton.number(name)]
    while skeleton.parents[found[-1]] >= 0:
        found.append(int(skeleton.parents[found[-1]]))
    return found
