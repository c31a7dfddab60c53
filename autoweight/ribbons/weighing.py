"""Control joints weighted on a ribbon's control points, and weights there that are too small."""

from __future__ import annotations

from collections.abc import Mapping

import numpy as np

from autoweight.errors import RecipeError, WeightsError, suggestion
from autoweight.recipes.profiles import Falloff
from autoweight.ribbons.ribbon import Ribbon
from autoweight.rig import Weights

__all__ = ["leftovers", "weigh"]

SMALL = 1e-2
"""Weights below this are too small to be meant."""


def weigh(
    ribbon: Ribbon,
    falloff: Falloff | None = None,
    *,
    zero: Mapping[str, slice] | None = None,
) -> Weights:
    """Weights of the control joints on the control points.

    Parameters
    ----------
    ribbon : Ribbon
    falloff : Falloff, optional
        Bands or exact rows. A row of control points sits where its distance along the ribbon
        falls between the joints' own.
    zero : mapping of str to slice, optional
        Rows of control points on which a joint is to have exactly no weight: beyond a head or a
        tip that must not be pulled. The other joints of the row share what it had.

    Returns
    -------
    Weights
        The same on every control point of a row, so that both edges move as one.

    Raises
    ------
    RecipeError
        A joint that is not a control of the ribbon.
    WeightsError
        A row of control points that is left without any joint.
    """
    stations = ribbon.distance(ribbon.nearest(ribbon.controls.positions))
    joints = np.argsort(stations, kind="stable")
    stations = stations[joints]
    along = np.interp(ribbon.stations, stations, np.arange(len(joints), dtype=np.float64))
    dense = np.zeros((len(ribbon.points), len(ribbon.controls)))
    dense[:, joints] = (falloff or Falloff()).weights(along, stations)
    touched = np.zeros(len(dense), dtype=bool)  # the other rows stay exact
    for name, rows in (zero or {}).items():
        touched[rows] |= dense[rows, _control(ribbon, name)] > 0
        dense[rows, _control(ribbon, name)] = 0
    total = dense.sum(axis=1)
    if not (total > 0).all():
        raise WeightsError(
            f"row {int((total <= 0).argmax())} of the ribbon's control points is left without "
            "weight; leave one joint there that is not zeroed"
        )
    dense[touched] /= total[touched, None]
    return Weights(np.repeat(dense, ribbon.points.shape[1], axis=0))


def leftovers(ribbon: Ribbon) -> list[tuple[str, list[int]]]:
    """Control joints with weights too small to be meant, and the control points that have them.

    Parameters
    ----------
    ribbon : Ribbon
        With weights.

    Returns
    -------
    list of (str, list of int)
        A small weight on a control point still moves all that rides nearby.
    """
    if ribbon.weights is None:
        return []
    matrix = ribbon.weights.matrix.tocoo()
    small = matrix.data < SMALL
    return [
        (ribbon.controls.names[joint], np.sort(matrix.row[small & (matrix.col == joint)]).tolist())
        for joint in np.unique(matrix.col[small])
    ]


def _control(ribbon: Ribbon, name: str) -> int:
    if name not in ribbon.controls.index:
        hint = suggestion(name, ribbon.controls.names)
        raise RecipeError(f"the ribbon has no control joint {name!r}; {hint}")
    return ribbon.controls.index[name]
