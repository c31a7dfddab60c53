"""Contact sheets: several pictures side by side, with their names and a scale in numbers."""

from __future__ import annotations

import io
from bisect import bisect
from collections.abc import Sequence
from pathlib import Path

import numpy as np
from numpy.typing import NDArray
from PIL import Image, ImageDraw, ImageFont

from autoweight.errors import WeightsError
from autoweight.io.atomic import write
from autoweight.rig import Rig
from autoweight.view.colours import scale
from autoweight.view.picture import BACKGROUND, best_view, picture

__all__ = ["contact_sheet", "png", "save_png", "sheet"]

TILE = 360, 300
LABEL = 26
LEGEND = 46
MARGIN = 14
INK = (52, 44, 52)
FRAME = (222, 216, 208)
PAPER = tuple(round(255 * each) for each in BACKGROUND)


def sheet(rig: Rig, joints: Sequence[str], path: str | Path) -> None:
    """Write a picture of the weights of several joints, each seen from where it shows most.

    Parameters
    ----------
    rig : Rig
        With weights.
    joints : sequence of str
        Their names.
    path : str or Path
        A ``.png`` file.

    Raises
    ------
    RecipeError, WeightsError, FileError
        A joint that is not there, a rig without weights, or a place that cannot be written to.
    """
    if rig.weights is None:
        raise WeightsError("there are no weights to show; solve them first")
    columns = rig.weights.matrix.tocsc()[:, [rig.skeleton.number(name) for name in joints]]
    tiles = []
    for name, values in zip(joints, columns.toarray().T, strict=True):
        seen = best_view(rig.mesh, values)
        shown = picture(rig.mesh, values, seen=seen, width=TILE[0], height=TILE[1])
        tiles.append((name, shown))
    save_png(contact_sheet(tiles, legend="weight"), path)


def contact_sheet(
    tiles: Sequence[tuple[str, NDArray[np.uint8]]],
    *,
    columns: int = 4,
    legend: str = "",
) -> NDArray[np.uint8]:
    """Pictures in rows, each over its name.

    Parameters
    ----------
    tiles : sequence of (str, ndarray)
        Names and pictures, all of one size, (h, w, 3).
    columns : int
        Pictures in a row.
    legend : str
        What the colours stand for, from 0 to 1; no scale is drawn without it.

    Returns
    -------
    ndarray, shape (height, width, 3), uint8
    """
    height, width = tiles[0][1].shape[:2]
    columns = min(columns, len(tiles))
    rows = -(-len(tiles) // columns)
    size = (
        MARGIN + columns * (width + MARGIN),
        MARGIN + rows * (height + LABEL + MARGIN) + (LEGEND if legend else 0),
    )
    whole = Image.new("RGB", size, PAPER)
    draw = ImageDraw.Draw(whole)
    font = ImageFont.load_default(15)
    for number, (name, tile) in enumerate(tiles):
        left = MARGIN + number % columns * (width + MARGIN)
        top = MARGIN + number // columns * (height + LABEL + MARGIN)
        whole.paste(Image.fromarray(tile), (left, top))
        draw.rectangle([left - 1, top - 1, left + width, top + height], outline=FRAME)
        label = _shortened(name, width, draw, font)
        draw.text((left + width / 2, top + height + 4), label, INK, font, anchor="ma")
    if legend:
        _draw_scale(whole, draw, font, legend)
    return np.asarray(whole)


def save_png(image: NDArray[np.uint8], path: str | Path) -> None:
    """Write a picture, (h, w, 3), as a ``.png`` file, whole or not at all."""
    write(path, [png(image)])


def png(image: NDArray[np.uint8], tones: int | None = None) -> bytes:
    """A picture, (h, w, 3), as PNG; of few colours, where it is to be small."""
    content = io.BytesIO()
    drawn = Image.fromarray(image)
    if tones is not None:
        drawn = drawn.quantize(tones)
    drawn.save(content, "PNG")  # to optimise takes seven times as long for a twelfth of the bytes
    return content.getvalue()


def _shortened(name: str, width: int, draw, font) -> str:
    """The name, its middle left out where it is wider than its picture."""

    def label(kept: int) -> str:
        return f"{name[: (kept + 1) // 2]}…{name[len(name) - kept // 2 :]}"

    if draw.textlength(name, font) <= width:
        return name
    fitting = bisect(range(len(name)), width, key=lambda kept: draw.textlength(label(kept), font))
    return label(max(fitting - 1, 0))


def _draw_scale(whole, draw, font, legend: str) -> None:
    length = min(300, whole.width - 2 * MARGIN - 100)
    left, top = whole.width - MARGIN - length - 14, whole.height - LEGEND
    ramp = (255 * scale(np.linspace(0, 1, length))).round().astype(np.uint8)
    whole.paste(Image.fromarray(np.repeat(ramp[None], 12, axis=0)), (left, top))
    for share in (0, 0.25, 0.5, 0.75, 1):
        at = left + share * (length - 1)
        draw.line([(at, top + 12), (at, top + 16)], INK)
        draw.text((at, top + 18), f"{share:g}", INK, font, anchor="ma")
    draw.text((left - 16, top + 6), legend, INK, font, anchor="rm")
