"""A shaded picture of a surface and a value on it, drawn without a screen."""

from __future__ import annotations

from dataclasses import dataclass
from itertools import product

import numpy as np
from numpy.typing import ArrayLike, NDArray

from autoweight.rig import Mesh
from autoweight.vectors import unit
from autoweight.view.colours import scale
from autoweight.view.raster import rasterise

__all__ = ["BACKGROUND", "View", "best_view", "picture", "view"]

BACKGROUND = (0.985, 0.98, 0.97)
OUTLINE = 0.55
"""How much of its brightness a surface keeps where it ends against the background."""
LIGHT = np.array([-0.3, 0.55, 0.85])
"""To the light from the surface: right, up and toward the eye."""
AMBIENT = 0.66
SAMPLES = 2
"""Samples a pixel in each direction."""
MARGIN = 0.08
UP = np.array([0.0, 1.0, 0.0])
# From the front and from behind, left, right, above and below, none of them straight on.
DIRECTIONS = tuple(product((-1.0, -0.25, 0.25, 1.0), (-0.6, 0.5, 1.6), (-1.0, 1.0)))

LOOKED_FROM = 6
"""Of the directions that a surface faces most, how many are tried for what hides it."""


@dataclass(frozen=True, eq=False)
class View:
    """Where a picture is taken from, without perspective.

    Parameters
    ----------
    axes : ndarray, shape (3, 3)
        Rows are right, up, and toward the eye; orthonormal.
    centre : ndarray, shape (3,)
        What is in the middle of the picture.
    extent : ndarray, shape (2,)
        Half the width and half the height that a picture shows at least, in scene units.
    """

    axes: NDArray[np.float64]
    centre: NDArray[np.float64]
    extent: NDArray[np.float64]


def view(points: NDArray[np.float64], toward: ArrayLike, *, least: float = 0.0) -> View:
    """A view that has some points in it.

    Parameters
    ----------
    points : ndarray, shape (n, 3)
    toward : array_like, shape (3,)
        From the points to the eye, not straight up or down.
    least : float
        The view is at least so wide, in scene units.
    """
    eye = np.asarray(toward, dtype=np.float64)
    eye = eye / np.linalg.norm(eye)
    right = np.cross(UP, eye)
    right /= np.linalg.norm(right)
    axes = np.stack([right, np.cross(eye, right), eye])
    seen = points @ axes.T
    low, high = seen.min(axis=0), seen.max(axis=0)
    extent = np.maximum((high - low)[:2], least) / 2 * (1 + MARGIN)
    return View(axes, (low + high) / 2 @ axes, extent)


def best_view(mesh: Mesh, values: NDArray[np.float64], *, least: float = 0.12) -> View:
    """The view, of a few, that shows most of a value.

    Parameters
    ----------
    mesh : Mesh
    values : ndarray, shape (n,)
        0 where nothing is to be seen.
    least : float
        Of the diagonal of the mesh, how much is to be in view at least.
    """
    wanted = mesh.vertices[values > 0.05 * values.max(initial=0)]
    wanted = wanted if len(wanted) else mesh.vertices
    tried = [view(wanted, toward, least=least * mesh.diagonal) for toward in DIRECTIONS]
    normals = _normals(mesh, mesh.vertices)
    facing = [values @ np.maximum(normals @ each.axes[2], 0) for each in tried]
    best, most = tried[0], -1.0
    for number in np.argsort(facing, kind="stable")[: -LOOKED_FROM - 1 : -1]:
        each = tried[number]
        hits = rasterise(_screen(mesh.vertices, each, 96, 96), mesh.faces, 96, 96)
        seen = hits.interpolate(mesh.faces, values).sum() * each.extent.max() ** 2
        if seen > most * 1.001:
            best, most = each, seen
    return best


def picture(
    mesh: Mesh,
    values: NDArray[np.float64],
    *,
    seen: View | None = None,
    vertices: NDArray[np.float64] | None = None,
    width: int = 800,
    height: int = 600,
) -> NDArray[np.uint8]:
    """Draw a mesh with a value, or a colour, on it.

    Parameters
    ----------
    mesh : Mesh
    values : ndarray, shape (n,) or (n, 3)
        From 0 to 1, shown on the colour scale; or red, green and blue.
    seen : View, optional
        The whole mesh from the front, the left and above, when left out.
    vertices : ndarray, shape (n, 3), optional
        Where the vertices are, if not where the mesh has them; in a pose, say.
    width, height : int
        In pixels.

    Returns
    -------
    ndarray, shape (height, width, 3), uint8
        sRGB.
    """
    vertices = mesh.vertices if vertices is None else vertices
    seen = view(vertices, (0.75, 0.55, 1.0)) if seen is None else seen
    size = width * SAMPLES, height * SAMPLES
    hits = rasterise(_screen(vertices, seen, *size), mesh.faces, *size)
    normals = hits.interpolate(mesh.faces, _normals(mesh, vertices)) @ seen.axes.T
    normals *= np.where(normals[:, 2] < 0, -1, 1)[:, None]  # the inside of what is open
    facing = np.clip(normals @ (LIGHT / np.linalg.norm(LIGHT)), 0, 1)
    shade = AMBIENT + (1 - AMBIENT) * facing
    colours = hits.interpolate(mesh.faces, values)
    if values.ndim == 1:
        colours = scale(colours)
    image = np.empty((size[1], size[0], 3))
    image[:] = BACKGROUND
    covered = hits.face >= 0
    image[covered] = colours * shade[:, None]
    image[_rim(covered)] *= OUTLINE
    image = image.reshape(height, SAMPLES, width, SAMPLES, 3).mean(axis=(1, 3))
    return np.rint(255 * image).astype(np.uint8)


def _screen(
    vertices: NDArray[np.float64], seen: View, width: int, height: int
) -> NDArray[np.float64]:
    """Column, row and depth, in pixels."""
    along = (vertices - seen.centre) @ seen.axes.T
    along *= np.array([1, -1, -1]) * min(np.array([width, height]) / 2 / seen.extent)
    return along + (width / 2, height / 2, 0)


def _normals(mesh: Mesh, vertices: NDArray[np.float64]) -> NDArray[np.float64]:
    """Normals of vertices, one for all that are in one place: a seam does not show."""
    first, second, third = (vertices[mesh.faces[:, corner]] for corner in range(3))
    across = np.cross(second - first, third - first)
    _, place = np.unique(mesh.vertices, axis=0, return_inverse=True)
    place = place.ravel()
    corners = place[mesh.faces].ravel()
    summed = np.stack(
        [np.bincount(corners, np.repeat(part, 3), minlength=place.max() + 1) for part in across.T],
        axis=1,
    )
    return unit(summed.astype(np.float64))[place]


def _rim(covered: NDArray[np.bool_]) -> NDArray[np.bool_]:
    """Covered pixels beside one that is not."""
    inner = np.pad(covered, 1)
    inner = inner[:-2, 1:-1] & inner[2:, 1:-1] & inner[1:-1, :-2] & inner[1:-1, 2:]
    return covered & ~inner
