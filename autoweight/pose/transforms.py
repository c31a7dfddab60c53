"""Transforms as translation, rotation and scale, and back."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray
from scipy.spatial.transform import Rotation

__all__ = ["compose", "decompose"]

SHEAR = 1e-4
"""What looks sheared by less is what float32 and the inversions of an exporter leave of a rotation
under scaled joints: a ten-thousandth of a bone, of which five rigs of 32 had a tenth."""


def compose(
    translation: NDArray[np.float64],
    rotation: NDArray[np.float64],
    scale: NDArray[np.float64],
) -> NDArray[np.float64]:
    """Matrices from translations, unit quaternions (x, y, z, w) and scales, (..., 4, 4)."""
    shape = np.broadcast_shapes(translation.shape[:-1], rotation.shape[:-1], scale.shape[:-1])
    turned = Rotation.from_quat(rotation.reshape(-1, 4)).as_matrix()
    matrices = np.zeros((*shape, 4, 4))
    matrices[..., :3, :3] = turned.reshape(*rotation.shape[:-1], 3, 3) * scale[..., None, :]
    matrices[..., :3, 3] = translation
    matrices[..., 3, 3] = 1
    return matrices


def decompose(
    matrices: NDArray[np.float64],
) -> tuple[NDArray[np.float64], NDArray[np.float64], NDArray[np.float64], NDArray[np.bool_]]:
    """The reverse of `compose`.

    Parameters
    ----------
    matrices : ndarray, shape (n, 4, 4)

    Returns
    -------
    translation, rotation, scale : ndarray, shape (n, 3), (n, 4), (n, 3)
        A mirrored transform has a negative first scale.
    exact : ndarray, shape (n,), bool
        False where there is shear, which three such parts cannot say; the rotation is then the
        nearest one.
    """
    linear = matrices[:, :3, :3]
    scale = np.linalg.norm(linear, axis=1)
    scale[:, 0] *= np.where(np.linalg.det(linear) < 0, -1, 1)
    left, _, right = np.linalg.svd(linear / np.where(scale == 0, 1, scale)[:, None, :])
    # An axis that is scaled to nothing may point either way, and is what the last singular value,
    # 0, belongs to.
    left[..., -1] *= np.sign(np.linalg.det(left @ right))[:, None]
    turned = left @ right
    error = np.abs(turned * scale[:, None, :] - linear).max(axis=(1, 2))
    exact = error <= SHEAR * np.abs(scale).max(axis=1)
    return matrices[:, :3, 3], Rotation.from_matrix(turned).as_quat(), scale, exact
