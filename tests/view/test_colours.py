import numpy as np
import pytest

from autoweight.view.colours import _path, scale


def lightness(rgb: np.ndarray) -> np.ndarray:
    """CIE 1976 L* of sRGB under D65 (CIE 15:2018; IEC 61966-2-1)."""
    linear = np.where(rgb <= 0.04045, rgb / 12.92, ((rgb + 0.055) / 1.055) ** 2.4)
    luminance = linear @ [0.2126, 0.7152, 0.0722]
    return np.where(
        luminance > (6 / 29) ** 3, 116 * np.cbrt(luminance) - 16, luminance * (29 / 3) ** 3
    )


def test_lightness_falls_all_the_way():
    found = lightness(scale(np.linspace(0, 1, 256)))
    assert (np.diff(found) < 0).all()
    assert found[0] > 90 and found[-1] < 30


def test_equal_steps_are_equally_far_apart():
    rgb = scale(np.linspace(0, 1, 101))
    linear = np.where(rgb <= 0.04045, rgb / 12.92, ((rgb + 0.055) / 1.055) ** 2.4)
    # Linear sRGB to OKLab, B. Ottosson 2020: the published forward matrices.
    lms = np.cbrt(
        linear
        @ np.array(
            [
                [0.4122214708, 0.5363325363, 0.0514459929],
                [0.2119034982, 0.6806995451, 0.1073969566],
                [0.0883024619, 0.2817188376, 0.6299787005],
            ]
        ).T
    )
    lab = (
        lms
        @ np.array(
            [
                [0.2104542553, 0.7936177850, -0.0040720468],
                [1.9779984951, -2.4285922050, 0.4505937099],
                [0.0259040371, 0.7827717662, -0.8086757660],
            ]
        ).T
    )
    step = np.linalg.norm(np.diff(lab, axis=0), axis=1)
    assert step == pytest.approx(np.full(100, step.mean()), rel=0.02)


def test_no_colour_of_the_path_is_outside_what_a_screen_shows():
    from autoweight.view.colours import _TO_LINEAR_RGB, _TO_LMS

    linear = (_path(np.linspace(0, 1, 256)) @ _TO_LMS.T) ** 3 @ _TO_LINEAR_RGB.T
    assert linear.min() >= 0 and linear.max() <= 1


def test_values_outside_are_held():
    assert (scale([-1, 2]) == scale([0, 1])).all()
