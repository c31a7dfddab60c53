"""A ribbon through the axolotl's tail, for the tail to ride on."""

from __future__ import annotations

import numpy as np

from autoweight.demo.anatomy import LIMBS
from autoweight.ribbons.ribbon import Ribbon, Riders
from autoweight.rig import Skeleton

__all__ = ["tail_ribbon"]

ROWS, DEGREE, HALF_WIDTH = 12, 3, 0.004
CONTROLS = ("swim_base", "swim_front", "swim_back", "swim_tip")


def tail_ribbon(skeleton: Skeleton) -> Ribbon:
    """An upright strip from the first joint of the tail to its last, without weights yet.

    Parameters
    ----------
    skeleton : Skeleton
        Of `axolotl`.

    Returns
    -------
    Ribbon
        Four control joints; the joints of the tail ride in its middle.
    """
    names = next(limb.joints for limb in LIMBS if limb.kind == "tail")
    joints = skeleton.positions[[skeleton.index[name] for name in names]]
    first, last = joints[0], joints[-1]
    inner = np.arange(1, ROWS - DEGREE) / (ROWS - DEGREE)
    knots = np.concatenate([np.zeros(DEGREE + 1), inner, np.ones(DEGREE + 1)])
    # Control points at the means of their knots make a straight strip even in its parameter
    # (Piegl & Tiller, The NURBS Book, section 9.2.5, after Greville).
    even = np.array([knots[row + 1 : row + 1 + DEGREE].mean() for row in range(ROWS)])
    middle = first + even[:, None] * (last - first)
    points = np.stack([middle - (0, HALF_WIDTH, 0), middle + (0, HALF_WIDTH, 0)], axis=1)
    rest = np.tile(np.eye(4), (len(CONTROLS), 1, 1))
    rest[:, :3, 3] = first + np.linspace(0, 1, len(CONTROLS))[:, None] * (last - first)
    along = (joints - first) @ (last - first) / ((last - first) @ (last - first))
    return Ribbon(
        points,
        (DEGREE, 1),
        (knots, np.array([0.0, 0, 1, 1])),
        Skeleton(CONTROLS, np.arange(-1, len(CONTROLS) - 1, dtype=np.int32), rest),
        riders=Riders(names, np.stack([along, np.full(len(along), 0.5)], axis=1)),
    )
