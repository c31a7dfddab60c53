"""The cast file: which characters there are and what is to be done with each."""

from __future__ import annotations

from dataclasses import dataclass, field, replace
from pathlib import Path

from autoweight.batch.apart import Limits
from autoweight.errors import RecipeError, suggestion
from autoweight.io import READERS, WRITERS
from autoweight.recipes.reading import Source, Step, read, text_of
from autoweight.recipes.recipe import BITS

__all__ = ["Cast", "Character", "Defaults", "Garment", "Level", "load_cast", "parse_cast"]


@dataclass(frozen=True)
class Level:
    """A level of detail, which takes its weights from the densest.

    Parameters
    ----------
    rig : str
        Its file; may be a pattern, and ``{name}`` stands for the name of the character.
    joints : tuple of str
        Patterns of the joints that have weight in it. That of the others goes to their nearest
        ancestor which has. All of the file's when empty.
    max_influences, bits : int, optional
        Instead of the character's.
    """

    rig: str
    joints: tuple[str, ...] = ()
    max_influences: int | None = None
    bits: int | None = None


@dataclass(frozen=True)
class Garment:
    """Something that follows the body.

    Parameters
    ----------
    rig : str
        Its file, as of a level.
    """

    rig: str


@dataclass(frozen=True)
class Defaults:
    """What holds for characters that do not say otherwise.

    Parameters
    ----------
    recipe : str, optional
        File that says how to weight.
    skeleton : str, optional
        File with the joints, for meshes that have none.
    formats : tuple of str
        Suffixes of the files to write, such as ``glb``; that of the rig when empty.
    max_influences, bits : int, optional
        Instead of the recipe's.
    level, garment : tuple
    flex, page : bool
        Whether to flex the result, and to write the page that shows it.
    """

    recipe: str | None = None
    skeleton: str | None = None
    formats: tuple[str, ...] = ()
    max_influences: int | None = None
    bits: int | None = None
    level: tuple[Level, ...] = ()
    garment: tuple[Garment, ...] = ()
    flex: bool = True
    page: bool = True


@dataclass(frozen=True)
class Character:
    """A character, or as many as files match.

    Parameters
    ----------
    rig : str
        Its file, relative to the cast file; may be a pattern. What another table names, or is a
        level or garment of another, is no character by a pattern.
    name : str, optional
        The file's without its suffix when left out.
    weights : str, optional
        File of a finished rig whose weights are carried over, instead of solving.
    root : str, optional
        Which character of the file.
    recipe, skeleton, formats, max_influences, bits, level, garment, flex, page
        See `Defaults`.
    """

    rig: str
    name: str | None = None
    weights: str | None = None
    root: str | None = None
    recipe: str | None = None
    skeleton: str | None = None
    formats: tuple[str, ...] | None = None
    max_influences: int | None = None
    bits: int | None = None
    level: tuple[Level, ...] | None = None
    garment: tuple[Garment, ...] | None = None
    flex: bool | None = None
    page: bool | None = None


@dataclass(frozen=True)
class Cast:
    """All of them.

    Parameters
    ----------
    character : tuple of Character
    defaults : Defaults
    limits : Limits
        What the work on one character may use.
    source : Source, optional
        The file it was read from.
    """

    character: tuple[Character, ...]
    defaults: Defaults = field(default_factory=Defaults)
    limits: Limits = field(default_factory=Limits)
    source: Source | None = field(default=None, repr=False, compare=False)

    def error(self, path: tuple[Step, ...], problem: str) -> RecipeError:
        """An error that says where in the file it is."""
        return self.source.error(path, problem) if self.source else RecipeError(problem)

    @property
    def folder(self) -> Path:
        """What its paths are relative to."""
        return Path(self.source.name if self.source else "cast.toml").absolute().parent


def load_cast(path: str | Path) -> Cast:
    """Read a cast file.

    Parameters
    ----------
    path : str or Path

    Returns
    -------
    Cast

    Raises
    ------
    FileError, RecipeError
        It cannot be read, or says what cannot be done; with the line.
    """
    return parse_cast(text_of(path), str(path))


def parse_cast(text: str, name: str) -> Cast:
    """Read a cast from TOML text; see `load_cast`."""
    cast, source = read(text, name, Cast)
    cast = replace(cast, source=source)
    if not cast.character:
        raise cast.error(("character",), "no character; add a [[character]] table with its rig")
    if not (cast.limits.seconds > 0 and cast.limits.megabytes > 0):
        raise cast.error(("limits",), "limits are above 0")
    _check(cast, cast.defaults, ("defaults",))
    for number, each in enumerate(cast.character):
        where = ("character", number)
        if Path(each.rig).suffix.lower() not in {*READERS, ""}:
            known = sorted(READERS)
            raise cast.error(
                (*where, "rig"), f"no rig is read from {each.rig}; {suggestion('', known)}"
            )
        if each.name is not None and (not each.name or {"/", "\\"} & set(each.name)):
            raise cast.error((*where, "name"), f"{each.name!r} cannot name a folder; change it")
        _check(cast, each, where)
    return cast


def _check(cast: Cast, asked: Defaults | Character, where: tuple[Step, ...]) -> None:
    known = sorted(suffix[1:] for suffix in WRITERS)
    for number, suffix in enumerate(asked.formats or ()):
        if suffix not in known:
            raise cast.error(
                (*where, "formats", number),
                f"nothing is written as {suffix!r}; {suggestion(suffix, known)}",
            )
    capped: list[tuple[tuple[Step, ...], Defaults | Character | Level]] = [(where, asked)]
    capped += [((*where, "level", number), each) for number, each in enumerate(asked.level or ())]
    for place, each in capped:
        if each.bits is not None and each.bits not in BITS:
            raise cast.error((*place, "bits"), f"bits are 32, 16 or 8, not {each.bits}")
        if each.max_influences is not None and each.max_influences < 1:
            raise cast.error((*place, "max_influences"), "at least 1 joint moves a vertex")
