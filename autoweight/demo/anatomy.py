"""The axolotl as a table: the joints of each limb, where they are, how thick it is there.

Centimetres, y up, facing +z, feet on y = 0. Limbs with a side are those of the left, at x > 0;
the right is their mirror image.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

__all__ = ["LIMBS", "Limb"]

Points = NDArray[np.float64]


@dataclass(frozen=True, eq=False)
class Limb:
    """A run of joints and the flesh round it.

    Parameters
    ----------
    kind : str
        What it is; limbs of one kind look alike.
    joints : tuple of str
        Names without side.
    parent : str
        The joint the first one hangs from, without side; empty for the root.
    points : ndarray, shape (joints + 1, 3)
        Where the joints are, then the tip.
    radii : ndarray, shape (joints + 1,)
        Of the flesh there; empty where the flesh is another limb's.
    sided : bool
        There is one on the left and one on the right.
    """

    kind: str
    joints: tuple[str, ...]
    parent: str
    points: Points
    radii: Points
    sided: bool = True


def _limb(
    kind: str, joints: str, parent: str, points: ArrayLike, radii: ArrayLike = (), sided=True
) -> Limb:
    return Limb(
        kind, tuple(joints.split()), parent, np.array(points, float), np.array(radii, float), sided
    )


def _gills() -> Iterator[Limb]:
    """Three stalks behind the cheek, from the top one down."""
    table = [
        ((1.75, 3.65, 4.75), 50, 0.35),
        ((2.2, 3.05, 4.5), 19, 0.5),
        ((2.25, 2.35, 4.4), -6, 0.6),
    ]
    for number, (root, rise, back) in enumerate(table, 1):
        angle = np.radians(rise)
        along = np.array([np.cos(angle), np.sin(angle), -back])
        along /= np.linalg.norm(along)
        steps = np.array([0, 1.3, 2.5, 3.6])[:, None]
        lift = np.array([0, 0.02, 0.16, 0.45])[:, None] * (0, 1, 0)
        yield _limb(
            "gill",
            " ".join(f"gill_{number}_{joint}" for joint in (1, 2, 3)),
            "head",
            np.array(root) + steps * along + lift,
            [0.36, 0.25, 0.19, 0.1],
        )


def _digits(name: str, parent: str, wrist: ArrayLike, aim: float, count: int) -> Iterator[Limb]:
    """Slender digits side by side, on an arc round the wrist that faces `aim` degrees from +x."""
    for number in range(count):
        place = number - (count - 1) / 2
        arc, heading = np.radians(aim + 22 * place), np.radians(aim + 6 * place)
        length = 1.4 - 0.07 * place * place
        base = np.array(wrist) * (1, 0, 1) + (1.25 * np.cos(arc), 0.3, 1.25 * np.sin(arc))
        along = length * np.array([np.cos(heading), -0.1, np.sin(heading)])
        yield _limb(
            "digit",
            f"{name}_{number + 1}_1 {name}_{number + 1}_2",
            parent,
            [base, base + along / 2, base + along],
            [0.16, 0.15, 0.1],
        )


WRIST, ANKLE = (4.1, 0.62, 3.6), (3.9, 0.62, -3.9)

LIMBS = (
    _limb(
        "spine",
        "root spine_1 spine_2 spine_3 neck head",
        "",
        [
            (0, 2.35, -3.4),
            (0, 2.5, -1.9),
            (0, 2.6, -0.2),
            (0, 2.65, 1.6),
            (0, 2.7, 3.3),
            (0, 2.75, 4.7),
            (0, 2.7, 6.5),
        ],
        [1.55, 1.8, 1.95, 1.9, 1.75, 1.7, 1.5],
        sided=False,
    ),
    _limb(
        "tail",
        " ".join(f"tail_{number}" for number in range(1, 9)),
        "root",
        [(0, 2.3 - 0.03 * number, -4.7 - 1.3 * number) for number in range(9)],
        [1.3, 1.08, 0.9, 0.74, 0.6, 0.48, 0.37, 0.27, 0.17],
        sided=False,
    ),
    _limb("snout", "snout", "head", [(0, 2.95, 7.0), (0, 3.1, 9.0)], sided=False),
    _limb("jaw", "jaw", "head", [(0, 1.75, 6.9), (0, 1.5, 9.0)], sided=False),
    _limb("eye", "eye", "head", [(2.4, 3.4, 7.5), (2.85, 3.6, 7.95)]),
    *_gills(),
    _limb(
        "arm",
        "shoulder elbow wrist",
        "spine_3",
        [(1.25, 2.0, 2.7), (3.0, 1.5, 2.5), WRIST, (5.0, 0.45, 4.3)],
        [0.8, 0.6, 0.42, 0.3],
    ),
    *_digits("digit", "wrist", WRIST, 38, 4),
    _limb(
        "leg",
        "hip knee ankle",
        "root",
        [(1.1, 1.9, -3.3), (2.8, 1.5, -2.9), ANKLE, (5.0, 0.45, -4.0)],
        [0.85, 0.65, 0.45, 0.3],
    ),
    *_digits("toe", "ankle", ANKLE, -8, 5),
)
