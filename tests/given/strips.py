"""Ribbons for the tests: strips along x with joints and riders."""

import numpy as np

from autoweight import Skeleton
from autoweight.ribbons.ribbon import Ribbon, Riders

CLAMPED = np.array([0, 0, 0, 0, 1, 2, 3, 4, 4, 4, 4.0])


def tail(**changes) -> Ribbon:
    """Seven rows of two control points along x, bent by three joints."""
    along = np.arange(7.0)
    points = np.stack(
        np.broadcast_arrays(along[:, None], [-0.2, 0.2], np.sin(along)[:, None]), axis=2
    )
    rest = np.tile(np.eye(4), (3, 1, 1))
    rest[:, 0, 3] = [0, 3, 6]
    fields = {
        "points": points,
        "degree": (3, 1),
        "knots": (CLAMPED, [0, 0, 1, 1]),
        "controls": Skeleton(("base", "middle", "tip"), [-1, -1, -1], rest),
        "riders": Riders(("a", "b"), [[1.5, 0.5], [4, 0.5]]),
    }
    return Ribbon(**{**fields, **changes})


def controls_at(*x: float) -> Skeleton:
    rest = np.tile(np.eye(4), (len(x), 1, 1))
    rest[:, 0, 3] = x
    return Skeleton(tuple("abcdefgh"[: len(x)]), [-1] * len(x), rest)


def straight(controls: Skeleton, **changes) -> Ribbon:
    """Straight along x with every row of control points on its Greville abscissa."""
    greville = np.array([0, 1 / 3, 1, 2, 3, 11 / 3, 4])
    points = np.stack(np.broadcast_arrays(greville[:, None], [-0.2, 0.2], 0.0), axis=2)
    return tail(points=points, controls=controls, **changes)
