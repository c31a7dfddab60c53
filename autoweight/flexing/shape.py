"""What a pose does to the shape of the skin where a joint hands over."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from autoweight.flexing.zones import Zone

__all__ = ["Shape", "measure"]

COLLAPSED = 0.05
"""A face with less than this share of its area left has collapsed."""

FLAT = 0.3
"""A zone with less volume than this share of a ball of its skin encloses none to speak of."""

WIDE = 2.5
"""An open end with more times the area of the cross-section is body, not limb: the volume before
it changes with where the limb points."""

OPEN = 1e-3
"""A loop whose ends are further apart than this share of its length is open."""

THIN = 1e-3
"""A loop with less area than this share of its squared length is flat; a circle has a twelfth."""

STRETCH_RANKS = (0.0, 0.01, 0.99, 1.0)


@dataclass(frozen=True, eq=False)
class Shape:
    """Figures of one zone in each of f poses, against the bind pose.

    Parameters
    ----------
    girth : ndarray, shape (f,)
        Share of the area of the cross-section at the hand-over that is left; NaN without one.
    volume : ndarray, shape (f,)
        Share of the volume of the zone that is left; NaN where it encloses none.
    stretch : ndarray, shape (f, 4)
        Length of edges over their length at rest: smallest, 1 %, 99 %, largest.
    folded : ndarray, shape (f, k), bool
        Faces turned inside out or with hardly any area left.
    fold : ndarray, shape (f,)
        Their share of the zone's skin.
    """

    girth: NDArray[np.float64]
    volume: NDArray[np.float64]
    stretch: NDArray[np.float64]
    folded: NDArray[np.bool_]
    fold: NDArray[np.float64]


def measure(zone: Zone, rest: NDArray, moved: NDArray, facing: NDArray) -> Shape:
    """Measure a zone.

    Parameters
    ----------
    zone : Zone
    rest : ndarray, shape (z, 3)
        The zone's vertices in bind space.
    moved : ndarray, shape (f, z, 3)
        In the poses.
    facing : ndarray, shape (f, k, 3)
        Where each face's normal would point if the face followed its joints' mean rotation.

    Returns
    -------
    Shape
    """
    normal_at_rest = _normals(zone, rest[None])[0]
    area_at_rest = np.linalg.norm(normal_at_rest, axis=-1)
    normal = _normals(zone, moved)
    inside_out = np.einsum("fki,fki->fk", normal, facing) < 0
    area = np.sqrt(np.einsum("fki,fki->fk", normal, normal))
    folded = inside_out | (area < COLLAPSED * area_at_rest)
    with np.errstate(invalid="ignore"):  # NaN stands for no cross-section and no volume
        girth = _cross_section(zone, moved) / _section_at_rest(zone, rest)
        volume = _volume(zone, moved, normal) / _enclosed(zone, rest, normal_at_rest)
    return Shape(
        girth,
        volume,
        _ranks(_lengths(zone, moved) / _lengths(zone, rest[None])),
        folded,
        folded @ (area_at_rest / area_at_rest.sum()),
    )


def _normals(zone: Zone, points: NDArray) -> NDArray:
    first, second, third = (points[:, corner] for corner in zone.faces.T)
    return np.cross(second - first, third - first)


def _lengths(zone: Zone, points: NDArray) -> NDArray:
    step = points[:, zone.edges[:, 0]] - points[:, zone.edges[:, 1]]
    return np.sqrt(np.einsum("fei,fei->fe", step, step))


def _ranks(ratio: NDArray) -> NDArray[np.float64]:
    place = [round(rank * (ratio.shape[1] - 1)) for rank in STRETCH_RANKS]
    return np.partition(ratio, place, axis=1)[:, place].astype(np.float64)


def _cross_section(zone: Zone, points: NDArray) -> NDArray[np.float64]:
    """Area of the loop where the joint carries half; no matter how the loop is bent."""
    count = zone.contour.shape[0] // 2
    if count == 0:
        return np.full(len(points), np.nan)
    at = _by_vertex(zone.contour @ _by_column(points))
    at = at - at[:, :count].mean(axis=1, keepdims=True)
    return np.linalg.norm(np.cross(at[:, :count], at[:, count:]).sum(axis=1), axis=1) / 2


def _section_at_rest(zone: Zone, rest: NDArray) -> NDArray[np.float64]:
    """NaN where the loop is open or encloses next to nothing, as on a sheet."""
    half = zone.contour.shape[0] // 2
    start, end = np.split(zone.contour @ rest, 2)
    area = _cross_section(zone, rest[None])
    around = np.linalg.norm(end - start, axis=1).sum() if half else 0.0
    gap = np.linalg.norm((end - start).sum(axis=0))
    loop = (gap < OPEN * around) & (area > THIN * around**2)
    return np.where(loop, area, np.nan)


def _volume(zone: Zone, points: NDArray, normals: NDArray) -> NDArray[np.float64]:
    """Volume inside the faces, whose normals are as long as twice their area, and their caps."""
    middle = points.mean(axis=1, keepdims=True)
    corner = points[:, zone.faces[:, 0]] - middle
    inside = np.einsum("fki,fki->f", corner, normals, dtype=np.float64)
    every = np.concatenate([points, _by_vertex(zone.rims @ _by_column(points))], axis=1)
    first, second, third = (every[:, each] - middle for each in zone.caps.T)
    return (inside + np.einsum("fki,fki->f", first, np.cross(second, third), dtype=float)) / 6


def _enclosed(zone: Zone, rest: NDArray, normals: NDArray) -> NDArray[np.float64]:
    """Volume at rest; NaN where the zone is no stretch of a limb."""
    volume = _volume(zone, rest[None], normals[None])
    double_areas = np.linalg.norm(normals, axis=-1)
    ball = (double_areas.sum() / 2) ** 1.5 / (6 * np.sqrt(np.pi))
    every = np.concatenate([rest, zone.rims @ rest])
    first, second, third = (every[corner] for corner in zone.caps.T)
    rim = zone.caps[:, 2] - len(rest)
    ends = np.zeros((zone.rims.shape[0], 3))
    np.add.at(ends, rim, np.cross(second - first, third - first) / 2)
    widest = np.linalg.norm(ends, axis=1).max(initial=0.0)
    limb = (volume > FLAT * ball) & (widest < WIDE * _section_at_rest(zone, rest))
    return np.where(limb, volume, np.nan)


def _by_column(points: NDArray) -> NDArray:
    """(f, z, 3) as (z, 3 f), so that a sparse matrix takes all poses at once."""
    return np.ascontiguousarray(points.transpose(1, 0, 2)).reshape(points.shape[1], -1)


def _by_vertex(columns: NDArray) -> NDArray:
    """The reverse of `_by_column`; of no rows too, as of the rims of a closed piece."""
    return columns.reshape(len(columns), columns.shape[1] // 3, 3).swapaxes(0, 1)
