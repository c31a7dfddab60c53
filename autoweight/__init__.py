"""Procedural auto-weighting: a mesh and its joints in, skin weights ready for cleanup out.

>>> import autoweight
>>> rig = autoweight.load("axolotl.glb")  # doctest: +SKIP
>>> weights = autoweight.tidy(autoweight.solve(rig))  # doctest: +SKIP
"""

from __future__ import annotations

from importlib import import_module
from typing import Any

__version__ = "0.1.0"

# Imported on first use: the command line must answer --help without loading scipy.
_HOME = {
    "AutoweightError": "autoweight.errors",
    "Mesh": "autoweight.rig",
    "Part": "autoweight.rig",
    "Recipe": "autoweight.recipes.recipe",
    "Rig": "autoweight.rig",
    "Skeleton": "autoweight.rig",
    "Tidy": "autoweight.recipes.recipe",
    "Weights": "autoweight.rig",
    "carry": "autoweight.stages.carrying",
    "learn": "autoweight.stages.liking",
    "like": "autoweight.stages.liking",
    "load": "autoweight.io",
    "mirror": "autoweight.weights.mirroring",
    "save": "autoweight.io",
    "solve": "autoweight.stages.solving",
    "tidy": "autoweight.weights.tidying",
}

__all__ = [*_HOME, "__version__"]


def __getattr__(name: str) -> Any:
    if name not in _HOME:
        raise AttributeError(f"module 'autoweight' has no attribute {name!r}")
    return getattr(import_module(_HOME[name]), name)


def __dir__() -> list[str]:
    return __all__
