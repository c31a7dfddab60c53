"""A taste in a file: plain arrays, nothing that runs when it is read."""

from __future__ import annotations

import io
import zipfile
from dataclasses import fields
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from autoweight.errors import FileError, unreadable
from autoweight.io import atomic
from autoweight.taste.builds import Build
from autoweight.taste.learning import Lesson, Taste
from autoweight.taste.traits import TRAITS

__all__ = ["SUFFIX", "load_taste", "save_taste"]

SUFFIX = ".npz"

VERSION = 3
"""Raised when what the samples mean changes: an older taste then says so and is not read."""

LARGEST = 200_000_000
"""Bytes a taste may have unpacked; what `learn` writes has a tenth at most."""


def save_taste(taste: Taste, path: str | Path) -> None:
    """Write a taste.

    Parameters
    ----------
    taste : Taste
    path : str or Path
        Ends in ``.npz``.

    Raises
    ------
    FileError
        Another suffix, or the place cannot be written to.
    """
    if Path(path).suffix.lower() != SUFFIX:
        raise FileError(f"{path}: a taste is written as {SUFFIX}; name it so")
    arrays: dict[str, NDArray[Any]] = {
        "autoweight_taste": np.array(VERSION),
        "traits": np.array(TRAITS),
        "rigs": np.array([each.name for each in taste.lessons]),
        "digests": np.array([each.digest for each in taste.lessons]),
    }
    for number, lesson in enumerate(taste.lessons):
        for field in fields(Build):
            value = getattr(lesson.build, field.name)
            arrays[f"{number}_{field.name}"] = np.array(value)
        for name in ("joint", "samples", "weight", "area"):
            arrays[f"{number}_of_{name}"] = getattr(lesson, name)
    content = io.BytesIO()
    np.savez_compressed(content, allow_pickle=False, **arrays)
    atomic.write(path, [content.getbuffer()])


def load_taste(path: str | Path) -> Taste:
    """Read a taste.

    Parameters
    ----------
    path : str or Path

    Returns
    -------
    Taste

    Raises
    ------
    FileError
        It cannot be read, is no taste, or one of another version.
    """
    damaged = FileError(f"{path}: is damaged or no taste; make it again with 'autoweight learn'")
    try:
        with zipfile.ZipFile(path) as packed:
            if sum(each.file_size for each in packed.infolist()) > LARGEST:
                raise FileError(f"{path}: is larger than any taste; make it again")
        with np.load(path, allow_pickle=False) as file:
            if "autoweight_taste" not in file:
                raise damaged
            if int(file["autoweight_taste"]) != VERSION or tuple(file["traits"]) != TRAITS:
                raise FileError(
                    f"{path}: was learned by another version of autoweight; "
                    "make it again with 'autoweight learn'"
                )
            lessons = tuple(
                _lesson(file, number, str(name), str(digest))
                for number, (name, digest) in enumerate(
                    zip(file["rigs"], file["digests"], strict=True)
                )
            )
    except OSError as error:
        raise unreadable(path, error) from error
    except (ValueError, KeyError, TypeError, zipfile.BadZipFile, EOFError) as error:
        raise damaged from error
    if not lessons:
        raise damaged
    return Taste(lessons)


def _lesson(file: Any, number: int, name: str, digest: str) -> Lesson:
    """One rig's arrays, checked as far as whoever uses them relies on it."""

    def array(key: str, shape: tuple[int, ...], kind: type[np.generic]) -> NDArray[Any]:
        found = file[f"{number}_{key}"]
        if found.shape != shape or found.dtype != kind or not np.isfinite(found).all():
            raise ValueError(key)
        return found

    words = tuple(str(each) for each in file[f"{number}_words"])
    count, samples = len(words), len(file[f"{number}_of_joint"])
    build = Build(
        words,
        array("fleshed", (count,), np.bool_),
        array("side", (count,), np.int64),
        array("mirror", (3, 3), np.float64),
        array("lateral", (3,), np.float64),
        array("parent", (count,), np.int64),
        array("place", (count, 3), np.float64),
        array("way", (count, 3), np.float64),
        array("length", (count,), np.float64),
        array("held", (count,), np.float64),
        float(array("size", (), np.float64)),
    )
    joint = array("of_joint", (samples,), np.int16)
    if samples == 0 or joint.min() < 0 or joint.max() >= count:
        raise ValueError("joint")
    if build.parent.min() < -1 or build.parent.max() >= count:
        raise ValueError("parent")
    if not (build.size > 0 and (build.length > 0).all()):
        raise ValueError("length")
    return Lesson(
        name,
        digest,
        build,
        joint,
        array("of_samples", (samples, len(TRAITS)), np.float32),
        array("of_weight", (samples,), np.float32),
        array("of_area", (samples,), np.float32),
    )
