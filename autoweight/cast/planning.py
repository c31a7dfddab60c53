"""From a cast file to jobs: one for each character, pure data, every file by its path."""

from __future__ import annotations

import glob
import os
from dataclasses import asdict, dataclass
from pathlib import Path

import msgspec

from autoweight.batch.ledger import digest, signature
from autoweight.cast.sheet import Cast, Character, Garment, Level
from autoweight.io import READERS
from autoweight.recipes.reading import Step

__all__ = ["Job", "LevelJob", "plan"]

SPECIAL = "*?["


@dataclass(frozen=True)
class LevelJob:
    """A level of detail with its file found; see `Level`."""

    rig: str
    joints: tuple[str, ...]
    max_influences: int | None
    bits: int | None


@dataclass(frozen=True)
class Job:
    """All that a worker needs to know to do one character.

    Parameters
    ----------
    name : str
        Of the character, and of the folder below `folder` that its files go to.
    folder : str
        Of the whole cast's results.
    rig, recipe, weights, skeleton : str or None
        Absolute paths.
    root : str, optional
    levels : tuple of LevelJob
        The densest is not among them: it is the rig.
    garments : tuple of str
    formats : tuple of str
    max_influences, bits : int, optional
    flex, page : bool
    """

    name: str
    folder: str
    rig: str
    recipe: str | None
    weights: str | None
    skeleton: str | None
    root: str | None
    levels: tuple[LevelJob, ...]
    garments: tuple[str, ...]
    formats: tuple[str, ...]
    max_influences: int | None
    bits: int | None
    flex: bool
    page: bool

    @property
    def asked(self) -> str:
        """A digest of what is asked for and by which code, contents of files aside."""
        return digest(signature(), msgspec.json.encode(asdict(self)))


def plan(cast: Cast, folder: str | Path) -> list[Job]:
    """What is to be done for a cast.

    Parameters
    ----------
    cast : Cast
    folder : str or Path
        Where the results go.

    Returns
    -------
    list of Job
        In the order of the file, and of names where a pattern matches several.

    Raises
    ------
    RecipeError
        A pattern matches no rig, or two characters have one name.
    """
    literal = {_absolute(cast, each.rig) for each in cast.character if not _pattern(each.rig)}
    found = [
        (number, path)
        for number, each in enumerate(cast.character)
        for path in _matches(cast, each, number, literal)
    ]
    jobs = [
        (number, _job(cast, cast.character[number], path, os.path.abspath(folder)))
        for number, path in found
    ]
    # A level or garment of one is no character of its own, unless a table names it.
    parts = {each.rig for _, job in jobs for each in job.levels if each.rig != job.rig}
    parts |= {each for _, job in jobs for each in job.garments}
    jobs = [(number, job) for number, job in jobs if job.rig in literal or job.rig not in parts]
    names: dict[str, str] = {}
    for number, job in jobs:
        if job.name in names:
            raise cast.error(
                ("character", number),
                f"{names[job.name]} and {job.rig} are both called {job.name!r}; give one a name",
            )
        names[job.name] = job.rig
    return [job for _, job in jobs]


def _job(cast: Cast, character: Character, path: str, folder: str) -> Job:
    given, default = character, cast.defaults
    name = given.name or Path(path).stem
    levels = given.level if given.level is not None else default.level
    garments = given.garment if given.garment is not None else default.garment
    formats = given.formats if given.formats is not None else default.formats

    def placed(file: str | None) -> str | None:
        return None if file is None else _absolute(cast, file.replace("{name}", name))

    return Job(
        name=name,
        folder=folder,
        rig=path,
        recipe=placed(_first(given.recipe, default.recipe)),
        weights=placed(given.weights),
        skeleton=placed(_first(given.skeleton, default.skeleton)),
        root=given.root,
        levels=tuple(
            LevelJob(file, each.joints, each.max_influences, each.bits)
            for each in levels
            for file in _files(cast, each, name)
            if file != path
        ),
        garments=tuple(
            file for each in garments for file in _files(cast, each, name) if file != path
        ),
        formats=formats,
        max_influences=_first(given.max_influences, default.max_influences),
        bits=_first(given.bits, default.bits),
        flex=default.flex if given.flex is None else given.flex,
        page=default.page if given.page is None else given.page,
    )


def _first(given, default):
    return default if given is None else given


def _matches(cast: Cast, character: Character, number: int, literal: set[str]) -> list[str]:
    """The files that one table is about."""
    path = _absolute(cast, character.rig)
    if not _pattern(character.rig):
        return [path]
    where: tuple[Step, ...] = ("character", number, "rig")
    found = [file for file in _globbed(path) if file not in literal]
    if not found:
        raise cast.error(where, f"no rig matches {character.rig!r} in {cast.folder}; mend it")
    if character.name is not None and len(found) > 1:
        raise cast.error(
            ("character", number, "name"),
            f"{len(found)} rigs match {character.rig!r} and cannot all be called "
            f"{character.name!r}; leave the name out",
        )
    return found


def _files(cast: Cast, part: Level | Garment, name: str) -> list[str]:
    path = _absolute(cast, part.rig.replace("{name}", glob.escape(name)))
    return _globbed(path) if _pattern(part.rig) else [_absolute(cast, _named(part.rig, name))]


def _named(path: str, name: str) -> str:
    return path.replace("{name}", name)


def _globbed(path: str) -> list[str]:
    return sorted(
        each for each in glob.glob(path, recursive=True) if Path(each).suffix.lower() in READERS
    )


def _pattern(path: str) -> bool:
    return any(each in path for each in SPECIAL)


def _absolute(cast: Cast, path: str) -> str:
    return os.path.normpath(cast.folder / path)
