"""The colour scale of every picture: from pale sand to deep plum, even to the eye."""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike, NDArray

__all__ = ["scale"]

# Lightness, chroma and hue (degrees) at both ends. Lightness falls throughout, so that the scale
# is read the same by people who confuse hues, and in grey print.
_PALE = np.array([0.95, 0.025, 95.0])
_DEEP = np.array([0.30, 0.120, -35.0])
_BULGE = 0.085  # extra chroma in the middle, where the scale would otherwise go through grey

_TO_LMS = np.array(
    [
        [1.0, 0.3963377774, 0.2158037573],
        [1.0, -0.1055613458, -0.0638541728],
        [1.0, -0.0894841775, -1.2914855480],
    ]
)
_TO_LINEAR_RGB = np.array(
    [
        [4.0767416621, -3.3077115913, 0.2309699292],
        [-1.2684380046, 2.6097574011, -0.3413193965],
        [-0.0041960863, -0.7034186147, 1.7076147010],
    ]
)


def scale(values: ArrayLike) -> NDArray[np.float64]:
    """Colours of values.

    Parameters
    ----------
    values : array_like, shape (...)
        0 to 1; held there outside of it.

    Returns
    -------
    ndarray, shape (..., 3)
        sRGB, 0 to 1.

    References
    ----------
    B. Ottosson, A perceptual color space for image processing, 2020 (OKLab): equal steps along
    the path are equally different to the eye.
    """
    t = _evenly(np.clip(np.asarray(values, dtype=np.float64), 0, 1))
    lab = _path(t)
    linear = (lab @ _TO_LMS.T) ** 3 @ _TO_LINEAR_RGB.T
    linear = np.clip(linear, 0, 1)
    # IEC 61966-2-1, the transfer function of sRGB.
    return np.where(linear <= 0.0031308, 12.92 * linear, 1.055 * linear ** (1 / 2.4) - 0.055)


def _path(t: NDArray[np.float64]) -> NDArray[np.float64]:
    lightness, chroma, hue = np.moveaxis(_PALE + t[..., None] * (_DEEP - _PALE), -1, 0)
    chroma = chroma + _BULGE * 4 * t * (1 - t)
    turn = np.radians(hue)
    return np.stack([lightness, chroma * np.cos(turn), chroma * np.sin(turn)], axis=-1)


def _evenly(values: NDArray[np.float64]) -> NDArray[np.float64]:
    """Where on the path a value is, so that equal differences are equal distances along it."""
    fine = np.linspace(0, 1, 1025)
    step = np.linalg.norm(np.diff(_path(fine), axis=0), axis=1)
    length = np.concatenate([[0], np.cumsum(step)])
    return np.interp(values, length / length[-1], fine)
