"""Every file that the result for a character depends on."""

from __future__ import annotations

import json
from collections.abc import Iterator
from contextlib import suppress
from importlib.util import find_spec
from pathlib import Path
from urllib.parse import unquote

from autoweight.cast.planning import Job
from autoweight.errors import AutoweightError
from autoweight.recipes.recipe import Recipe, load_recipe

__all__ = ["inputs"]


def inputs(job: Job) -> list[str]:
    """Paths of the files a job reads, each once.

    Parameters
    ----------
    job : Job

    Returns
    -------
    list of str
        Files that are named and not there are among them: reading them says so.
    """
    rigs = [job.rig, job.weights, *(each.rig for each in job.levels), *job.garments]
    found = [part for rig in rigs if rig for part in _parts(rig)]
    found += [each for each in (job.skeleton, job.recipe) if each]
    if job.recipe:
        with suppress(AutoweightError):  # the job itself will say what is wrong with it
            found += _named_in(load_recipe(job.recipe))
    return list(dict.fromkeys(found))


def _parts(rig: str) -> Iterator[str]:
    """A rig's file, and those it names."""
    yield rig
    path = Path(rig)
    suffix = path.suffix.lower()
    if suffix == ".gltf":
        try:
            document = json.loads(path.read_bytes())
        except (OSError, ValueError):
            return
        for buffer in document.get("buffers", ()):
            uri = buffer.get("uri", "")
            if uri and not uri.startswith("data:"):
                yield str(path.parent / unquote(uri))
    elif suffix in (".usda", ".usdc") and path.exists() and find_spec("pxr"):
        from pxr import UsdUtils

        layers, assets, _ = UsdUtils.ComputeAllDependencies(str(path))
        yield from sorted(each.realPath for each in layers if each.realPath)
        yield from sorted(each for each in assets if Path(each).is_file())


def _named_in(recipe: Recipe) -> Iterator[str]:
    """Files and modules that a recipe names."""
    yield from (str(recipe.folder / each) for each in recipe.files)
    for each in sorted(recipe.methods):
        module, colon, _ = each.partition(":")
        try:
            spec = find_spec(module) if colon else None
        except ModuleNotFoundError:
            spec = None
        if spec and spec.origin:
            yield spec.origin
