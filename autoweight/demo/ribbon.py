"""The ribbon inside the axolotl's tail."""

from __future__ import annotations

import numpy as np

from autoweight.ribbons import Ribbon, Riders
from autoweight.rig import Skeleton

__all__ = ["tail_ribbon"]

CONTROLS = 4
ROWS = 11
HALF_WIDTH = 0.01


def tail_ribbon(skeleton: Skeleton) -> Ribbon:
    """A cubic strip along the tail, four controls on it, the tail's joints riding.

    Parameters
    ----------
    skeleton : Skeleton
        The axolotl's.

    Returns
    -------
    Ribbon
        Without weights.
    """
    riders = [name for name in skeleton.names if name.startswith("tail_")]
    spine = skeleton.positions[[skeleton.index[name] for name in riders]]
    length = np.concatenate([[0], np.cumsum(np.linalg.norm(np.diff(spine, axis=0), axis=1))])

    def along(share: np.ndarray) -> np.ndarray:
        """Points of the tail's middle line at shares of its length."""
        return np.stack([np.interp(share * length[-1], length, axis) for axis in spine.T], axis=1)

    knots = np.concatenate([[0.0] * 3, np.linspace(0, 1, ROWS - 2), [1.0] * 3])
    greville = np.lib.stride_tricks.sliding_window_view(knots[1:-1], 3).mean(axis=1)
    middle = along(greville)
    side = np.array([HALF_WIDTH, 0, 0])
    rest = np.tile(np.eye(4), (CONTROLS, 1, 1))
    rest[:, :3, 3] = along(np.linspace(0, 1, CONTROLS))
    return Ribbon(
        np.stack([middle - side, middle + side], axis=1),
        (3, 1),
        (knots, np.array([0.0, 0, 1, 1])),
        Skeleton(
            tuple(f"tail_control_{number + 1}" for number in range(CONTROLS)),
            [-1] * CONTROLS,  # type: ignore[arg-type]
            rest,
        ),
        riders=Riders(
            tuple(riders), np.stack([length / length[-1], np.full(len(riders), 0.5)], axis=1)
        ),
    )
