"""What the user asked for, and the file it is written down in."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from dataclasses import dataclass, field, fields, replace
from fnmatch import fnmatchcase
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from autoweight.errors import RecipeError, suggestion
from autoweight.recipes.profiles import Falloff
from autoweight.recipes.reading import Source, Step, read, spelt, text_of
from autoweight.skeleton.sides import Plane

__all__ = [
    "BITS",
    "KEEPS",
    "Attach",
    "ChainRule",
    "Limits",
    "Lock",
    "Mirror",
    "MotionRule",
    "Recipe",
    "Rigid",
    "Source",
    "Tidy",
    "literal",
    "load_recipe",
    "parse_recipe",
]

KEEPS = ("positive", "negative", "mean")
"""Whose weights count in a mirror: the side of the normal, the other, or both alike."""

BITS = (32, 16, 8)
"""Precisions of a weight in a file: single floats, or whole multiples of 1/65535 or 1/255."""


@dataclass(frozen=True)
class ChainRule:
    """How some joints are weighted.

    Parameters
    ----------
    joints : tuple of str
        Shell-style patterns of their names. Those that are parent and child make a chain.
    method : str, optional
        Instead of the recipe's.
    falloff : Falloff, optional
        Instead of the recipe's.
    """

    joints: tuple[str, ...]
    method: str | None = None
    falloff: Falloff | None = None


@dataclass(frozen=True)
class Attach:
    """How some parts move with others, where what is found by itself is not wanted.

    Parameters
    ----------
    parts : tuple of str
        Shell-style patterns of parts of the mesh.
    follow : tuple of str
        Patterns of the parts they lie on and take their weights from. When left out they stay
        as they were solved.
    """

    parts: tuple[str, ...]
    follow: tuple[str, ...] = ()


@dataclass(frozen=True)
class Rigid:
    """Vertices that one joint alone moves.

    Parameters
    ----------
    parts : tuple of str
        Shell-style patterns of whole parts of the mesh.
    joints : tuple of str
        Patterns of joints: the vertices that one of them moves more than any other joint does.
    to : str, optional
        The joint that moves them. When left out, a part goes to the joint that has most of it,
        and what a joint moves most, to that joint.
    """

    parts: tuple[str, ...] = ()
    joints: tuple[str, ...] = ()
    to: str | None = None

    def __post_init__(self) -> None:
        if bool(self.parts) == bool(self.joints):
            raise RecipeError("rigid: name parts or joints, one of the two")


@dataclass(frozen=True)
class Lock:
    """Weights that are finished.

    Which vertices: those that meet every condition given, all of them without one. Which
    weights of theirs: those of the named joints, all of them without names.

    Parameters
    ----------
    joints : tuple of str
        Shell-style patterns of the joints whose weights are locked.
    attribute : str, optional
        Vertices where this attribute of the mesh is not 0.
    file : str, optional
        Vertices whose numbers are in this ``.npy``, ``.csv`` or ``.txt`` file.
    vertices : tuple of int
        Vertices of these numbers, counted from 0 as in the file of the rig.
    parts : tuple of str
        Patterns of the parts of the mesh they are in.
    dominated_by : tuple of str
        Patterns of joints, one of which moves them more now than any other joint does.
    near : str, optional
        A joint they are near.
    radius : float, optional
        How near, in scene units.
    weight : float, optional
        The value the named joints get at these vertices; without it they keep what they have.
    """

    joints: tuple[str, ...] = ()
    attribute: str | None = None
    file: str | None = None
    vertices: tuple[int, ...] = ()
    parts: tuple[str, ...] = ()
    dominated_by: tuple[str, ...] = ()
    near: str | None = None
    radius: float | None = None
    weight: float | None = None

    def __post_init__(self) -> None:
        conditions = (self.attribute, self.file, self.near)
        named = self.joints or self.vertices or self.parts or self.dominated_by
        if not named and all(each is None for each in conditions):
            raise RecipeError("lock: say which vertices or which joints")
        if (self.near is None) != (self.radius is None):
            raise RecipeError("lock: near and radius belong together; give both")
        if self.radius is not None and not self.radius > 0:
            raise RecipeError(f"lock: the radius is {self.radius:g}; make it above 0")
        if self.weight is not None and not self.joints:
            raise RecipeError("lock: a weight needs the joints that get it")
        if self.weight is not None and not 0 <= self.weight <= 1:
            raise RecipeError(f"lock: the weight is {self.weight:g}; make it 0 to 1")


@dataclass(frozen=True)
class Mirror:
    """That one side is made the mirror image of the other.

    Parameters
    ----------
    plane : str
        As `autoweight.skeleton.sides.Plane.named` reads it; an axis alone is for the body's own
        middle, which mostly is the origin.
    keep : {'positive', 'negative', 'mean'}
        Whose weights count.
    pairs : tuple of (str, str)
        Joint pairs that names and places do not give; a joint twice is a centre joint.
    tolerance : float
        How far a vertex may be from a mirror image to be its counterpart, in bounding-box
        diagonals.
    """

    plane: str = "x"
    keep: str = "positive"
    pairs: tuple[tuple[str, str], ...] = ()
    tolerance: float = 1e-4

    def __post_init__(self) -> None:
        Plane.named(self.plane)
        if self.keep not in KEEPS:
            raise RecipeError(f"nothing is kept by {self.keep!r}; {suggestion(self.keep, KEEPS)}")
        if not self.tolerance > 0:
            raise RecipeError(f"mirror: the tolerance is {self.tolerance:g}; make it above 0")


@dataclass(frozen=True)
class Tidy:
    """How weights are cleaned before they are written.

    Parameters
    ----------
    max_influences : int
        Most joints a vertex may have.
    prune : float
        Weights below this become 0.
    bits : {32, 16, 8}
        Precision in the file: float, or whole numbers whose sum is exactly 65535 or 255.
    """

    max_influences: int = 4
    prune: float = 0.001
    bits: int = 32

    def __post_init__(self) -> None:
        if self.max_influences < 1:
            raise RecipeError(
                f"max_influences is {self.max_influences}; a vertex needs at least one"
            )
        if not 0 <= self.prune <= 1:
            raise RecipeError(f"prune is {self.prune:g}; make it 0 to 1")
        if self.bits not in BITS:
            raise RecipeError(f"bits is {self.bits}; weights are written with 32, 16 or 8")


@dataclass(frozen=True)
class MotionRule:
    """How far some joints turn each way when the rig is flexed, in degrees.

    Parameters
    ----------
    joints : tuple of str
        Shell-style patterns of their names.
    bend, side, twist : float, optional
        In the plane the chain bends in, out of it, and about the bone; 0 for not at all, and
        what suits the kind of chain when left out.
    """

    joints: tuple[str, ...]
    bend: float | None = None
    side: float | None = None
    twist: float | None = None

    def __post_init__(self) -> None:
        for name in ("bend", "side", "twist"):
            degrees = getattr(self, name)
            if degrees is not None and not 0 <= degrees <= 180:
                raise RecipeError(f"{name} is {degrees:g} degrees; make it 0 to 180")


@dataclass(frozen=True)
class Limits:
    """What each figure may be before it is a finding.

    Parameters
    ----------
    girth : float
        Share of the cross-section at a hand-over that is lost beyond what linear blending takes
        from any weights.
    volume : float
        Share of the volume of a hand-over that is lost, likewise.
    wrapper : float
        Share of its volume that a twisted hand-over loses for each 1 − cos of the angle, beyond
        the third that linear blending takes of the most even one; a sixth is the worst.
    stretch : float
        Share of its length at rest by which an edge of a hand-over is longer than that; of all
        but the 1 % most stretched.
    fold : float
        Share of the skin of a hand-over that is inside out or has no area left.
    overlap : float
        Share of all skin that newly sinks into other skin and would not if every vertex
        followed its heaviest joint alone.
    kink : float
        How far a chain's bend is in one spot: 0 evenly spread, 1 all in one place.
    asymmetry : float
        How far left and right are apart when they are moved alike, in bounding-box diagonals.
    stray : float
        How far stray weight moves a vertex, in bounding-box diagonals.
    """

    girth: float = 0.25
    volume: float = 0.2
    wrapper: float = 0.06
    stretch: float = 3.0
    fold: float = 0.25
    overlap: float = 0.04
    kink: float = 0.6
    asymmetry: float = 1e-3
    stray: float = 1e-4

    def __post_init__(self) -> None:
        for name, limit in self.items():
            if not limit > 0:
                raise RecipeError(f"limit {name!r} is {limit:g}; give a number above 0")

    def items(self) -> Iterator[tuple[str, float]]:
        """Name and value of each."""
        return ((field.name, getattr(self, field.name)) for field in fields(self))


@dataclass(frozen=True)
class Recipe:
    """What the user asked for, with a default for everything.

    Parameters
    ----------
    method : str
        A name `autoweight.methods.find` knows.
    skip : tuple of str
        Shell-style patterns of the joints that get no weight.
    use : tuple of str
        Patterns of joints that may have weight whatever they are found to be.
    like : tuple of str, optional
        Files of finished rigs, or of what was learned from some, beside the recipe; None to
        follow nobody.
    falloff : Falloff
        Of the chains that no rule gives their own.
    chain : tuple of ChainRule
        No joint in two of them.
    attach : tuple of Attach
        Where two name a part, the later counts.
    rigid : tuple of Rigid
    lock : tuple of Lock
    mirror : Mirror, optional
        None to leave the sides as they are.
    tidy : Tidy
    motion : tuple of MotionRule
        Where two name a joint, the later counts.
    limits : Limits
    source : Source, optional
        The file it was read from.
    """

    method: str = "auto"
    skip: tuple[str, ...] = ()
    use: tuple[str, ...] = ()
    like: tuple[str, ...] | None = None
    falloff: Falloff = field(default_factory=Falloff)
    chain: tuple[ChainRule, ...] = ()
    attach: tuple[Attach, ...] = ()
    rigid: tuple[Rigid, ...] = ()
    lock: tuple[Lock, ...] = ()
    mirror: Mirror | None = None
    tidy: Tidy = field(default_factory=Tidy)
    motion: tuple[MotionRule, ...] = ()
    limits: Limits = field(default_factory=Limits)
    source: Source | None = field(default=None, repr=False, compare=False)

    @property
    def folder(self) -> Path:
        """What the files it names are relative to."""
        return Path(self.source.name).parent if self.source else Path()

    @property
    def files(self) -> tuple[str, ...]:
        """The files it names, as it spells them."""
        return (*(self.like or ()), *(lock.file for lock in self.lock if lock.file))

    @property
    def methods(self) -> frozenset[str]:
        """The methods it names, its own and those of its chains."""
        return frozenset([self.method, *(rule.method for rule in self.chain if rule.method)])

    def error(self, path: Sequence[Step], problem: str | Exception) -> RecipeError:
        """An error that says where in the recipe it is.

        Parameters
        ----------
        path : sequence of str and int
            Keys and list numbers down to what is wrong.
        problem : str or Exception
            What is wrong with it, and the mend.
        """
        if self.source:
            return self.source.error(path, problem)
        return RecipeError(f"{spelt(path)}: {problem}")

    @contextmanager
    def at(self, *path: Step) -> Iterator[None]:
        """Errors of the recipe that come through say where in it they are; see `error`."""
        try:
            yield
        except RecipeError as error:
            raise self.error(path, error) from error

    def chosen(self, names: Sequence[str], what: str, *path: Step) -> NDArray[np.bool_]:
        """Which of some names the patterns at a place of the recipe mean.

        Parameters
        ----------
        names : sequence of str
            What there is in the rig.
        what : str
            What they are names of, for the message.
        *path : str and int
            Keys and list numbers down to the patterns.

        Returns
        -------
        ndarray, shape (len(names),), bool

        Raises
        ------
        RecipeError
            A pattern that matches none.
        """
        patterns: Any = self
        for step in path:
            patterns = patterns[step] if isinstance(step, int) else getattr(patterns, step)
        found = np.zeros(len(names), dtype=bool)
        for number, pattern in enumerate(patterns):
            matched = np.array([fnmatchcase(name, pattern) for name in names], dtype=bool)
            if not matched.any():
                raise self.error(
                    (*path, number), f"no {what} matches {pattern!r}; {suggestion(pattern, names)}"
                )
            found |= matched
        return found


def literal(name: str) -> str:
    """The pattern that a name alone matches.

    >>> literal("arm[0]")
    'arm[[]0]'
    """
    return "".join(f"[{each}]" if each in "*?[" else each for each in name)


def load_recipe(path: str | Path) -> Recipe:
    """Read a recipe from a TOML file.

    Parameters
    ----------
    path : str or Path

    Returns
    -------
    Recipe

    Raises
    ------
    FileError
        The file cannot be read.
    RecipeError
        It is not TOML, has a key that means nothing, or a value that is not what the key needs.
        The message names the file and the line.
    """
    return parse_recipe(text_of(path), str(path))


def parse_recipe(text: str, name: str = "recipe") -> Recipe:
    """Read a recipe from TOML text.

    Parameters
    ----------
    text : str
    name : str, optional
        What messages call it.

    Returns
    -------
    Recipe

    Raises
    ------
    RecipeError
        See `load_recipe`.
    """
    recipe, source = read(text, name, Recipe)
    return replace(recipe, source=source)
