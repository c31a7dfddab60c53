"""Ribbons in a JSON file.

.. code-block:: json

    {"degree": [1, 1],
     "knots": [[0, 0, 1, 2, 2], [0, 0, 1, 1]],
     "points": [[[0, 0, -0.1], [0, 0, 0.1]],
                [[1, 0, -0.1], [1, 0, 0.1]],
                [[2, 0, -0.1], [2, 0, 0.1]]],
     "controls": [{"name": "base", "position": [0, 0, 0]},
                  {"name": "tip", "position": [2, 0, 0]}],
     "riders": [{"joint": "tail_1", "along": 0.5, "across": 0.5}],
     "weights": [[[1, 0], [1, 0]], [[0.5, 0.5], [0.5, 0.5]], [[0, 1], [0, 1]]]}

Degree and knots are given along the ribbon, then across it; a row of ``points`` lies across it.
``controls`` are joints as in a skeleton file. ``weights`` has a number for each control in the
place of each point. ``rational`` (one number a point, the W of NURBS), ``riders`` and ``weights``
may be left out.
"""

from __future__ import annotations

from pathlib import Path

import msgspec
import numpy as np

from autoweight.errors import FileError, naming
from autoweight.io import atomic
from autoweight.io.joints import Joint, built, decoded, listed
from autoweight.ribbons.ribbon import Ribbon, Riders
from autoweight.rig import Weights

__all__ = ["load_ribbon", "save_ribbon"]

Position = tuple[float, float, float]


class Rider(msgspec.Struct, forbid_unknown_fields=True):
    """A joint on the surface."""

    joint: str
    along: float
    across: float


class File(msgspec.Struct, forbid_unknown_fields=True, omit_defaults=True):
    """The whole file."""

    degree: tuple[int, int]
    knots: tuple[list[float], list[float]]
    points: list[list[Position]]
    controls: list[Joint]
    rational: list[list[float]] | None = None
    riders: list[Rider] = []
    weights: list[list[list[float]]] | None = None


def load_ribbon(path: str | Path) -> Ribbon:
    """Read a ribbon.

    Parameters
    ----------
    path : str or Path

    Returns
    -------
    Ribbon

    Raises
    ------
    FileError, GeometryError, SkeletonError, WeightsError
        The file cannot be read, breaks the format, or its numbers do not fit each other.
    """
    file = decoded(path, File, "ribbon")
    if len({len(row) for row in file.points}) != 1:
        raise FileError(f"{path}: the rows of points are not of one length")
    controls = built(file.controls, path)
    weights = None
    if file.weights is not None:
        try:
            dense = np.array(file.weights, dtype=np.float64)
        except ValueError as error:
            raise FileError(f"{path}: the rows of weights are not of one length") from error
        # Joints are sorted when they are read, so that parents come first.
        column = [controls.index[joint.name] for joint in file.controls]
        sorted_back = np.argsort(column)
        weights = dense.reshape(-1, dense.shape[-1])[:, sorted_back]
    with naming(path):
        return Ribbon(
            np.array(file.points),
            file.degree,
            (np.array(file.knots[0]), np.array(file.knots[1])),
            controls,
            np.ones((len(file.points), len(file.points[0])))
            if file.rational is None
            else np.array(file.rational),
            Riders(
                tuple(rider.joint for rider in file.riders),
                np.array([(rider.along, rider.across) for rider in file.riders]),
            ),
            None if weights is None else Weights(weights),
        )


def save_ribbon(ribbon: Ribbon, path: str | Path) -> None:
    """Write a ribbon, whole or not at all.

    Parameters
    ----------
    ribbon : Ribbon
    path : str or Path

    Raises
    ------
    FileError
        The file cannot be written.
    """
    shape = ribbon.points.shape[:2]
    plain = bool((ribbon.rational == 1).all())
    file = File(
        degree=ribbon.degree,
        knots=(ribbon.knots[0].tolist(), ribbon.knots[1].tolist()),
        points=ribbon.points.tolist(),
        controls=listed(ribbon.controls),
        rational=None if plain else ribbon.rational.tolist(),
        riders=[
            Rider(name, *at)
            for name, at in zip(ribbon.riders.names, ribbon.riders.at.tolist(), strict=True)
        ],
        weights=None
        if ribbon.weights is None
        else ribbon.weights.dense().reshape(*shape, -1).tolist(),
    )
    atomic.write(path, [msgspec.json.format(msgspec.json.encode(file), indent=1), b"\n"])
