"""The league as a drawing: how long each method takes against how near it comes."""

from __future__ import annotations

from collections.abc import Sequence
from html import escape
from pathlib import Path

import numpy as np

from autoweight.io import check_place
from autoweight.io.atomic import write
from autoweight.stages.league import Result

__all__ = ["plot", "save_plot"]

WIDTH, HEIGHT = 900, 560
LEFT, RIGHT, TOP, BOTTOM = 70, 730, 30, 500
RADIUS = 6
INK, FAINT, PAPER = "#342c34", "#ded8d0", "#f7f4ef"

# M. Okabe & K. Ito, Color universal design, 2008: told apart by people who confuse hues. With the
# shapes (corners, and the turn of the first) they do for nine methods before two look alike.
COLOURS = ("#d55e00", "#0072b2", "#009e73", "#cc79a7", "#e69f00", "#56b4e9", "#000000")
SHAPES = ((36, 0.0), (4, 1.0), (3, 0.0), (4, 0.0), (3, 1.0), (5, 0.0), (6, 0.0), (8, 0.0), (36, 0))


def save_plot(results: Sequence[Result], path: str | Path) -> None:
    """Write the drawing of `plot` as a file, whole or not at all."""
    check_place(path, (".svg",))
    write(path, [plot(results).encode()])


def plot(results: Sequence[Result]) -> str:
    """Draw the mean L1 difference over the time, one mark for each method and rig.

    Parameters
    ----------
    results : sequence of Result
        Those that did not finish are not drawn.

    Returns
    -------
    str
        An SVG document that needs nothing else.
    """
    done = [(each, each.measures) for each in results if each.measures is not None]
    methods = list(dict.fromkeys(each.method for each in results))
    seconds = np.log10([max(measured.seconds, 1e-4) for _, measured in done] or [1.0])
    first, last = np.floor(seconds.min()), np.ceil(seconds.max() + 1e-9)
    last = max(last, first + 1)
    most = 1.1 * max([measured.l1 for _, measured in done] or [1.0]) or 1.0

    def across(log: float) -> float:
        return LEFT + (RIGHT - LEFT) * (log - first) / (last - first)

    def down(value: float) -> float:
        return BOTTOM - (BOTTOM - TOP) * value / most

    parts = [
        f'<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 {WIDTH} {HEIGHT}" '
        f'font-family="sans-serif" font-size="13" fill="{INK}">',
        "<title>Weighting methods: time against nearness</title>",
        f'<rect width="{WIDTH}" height="{HEIGHT}" fill="{PAPER}"/>',
    ]
    for power in range(int(first), int(last) + 1):
        x = across(power)
        parts.append(f'<path d="M{x:.1f} {TOP}V{BOTTOM}" stroke="{FAINT}"/>')
        parts.append(_text(x, BOTTOM + 18, f"{10.0**power:g}", "middle"))
    for value in np.arange(0, most, _step(most)):
        y = down(value)
        parts.append(f'<path d="M{LEFT} {y:.1f}H{RIGHT}" stroke="{FAINT}"/>')
        parts.append(_text(LEFT - 8, y + 4, f"{value:g}", "end"))
    middle = (LEFT + RIGHT) / 2
    parts.append(_text(middle, BOTTOM + 42, "seconds, each step ten times as long", "middle"))
    parts.append(
        f'<text transform="translate(20 {(TOP + BOTTOM) / 2}) rotate(-90)" text-anchor="middle">'
        "mean L1 to the rig's own weights: lower is nearer</text>"
    )
    for each, measured in done:
        x, y = across(np.log10(max(measured.seconds, 1e-4))), down(measured.l1)
        name = Path(each.rig).stem
        told = f"{each.method} on {name}: {measured.seconds:.3g} s, L1 {measured.l1:.3f}"
        number = methods.index(each.method)
        parts.append(_mark(number, x, y, told))
        # Methods in turn to the left and right, as neighbours in the list are often alike.
        away, anchor = ((-RADIUS - 3, "end"), (RADIUS + 3, "start"))[number % 2]
        parts.append(_text(x + away, y + 4, name, anchor, size=10))
    for number, method in enumerate(methods):
        y = TOP + 14 + 24 * number
        parts += [
            _mark(number, RIGHT + 26, y, method),
            _text(RIGHT + 40, y + 5, method, "start"),
        ]
    return "\n".join([*parts, "</svg>", ""])


def _step(most: float) -> float:
    """A round step of which four to ten fit."""
    power = 10.0 ** np.floor(np.log10(most))
    return float(
        next(power * part for part in (0.1, 0.2, 0.25, 1.0) if most / (power * part) <= 10)
    )


def _mark(number: int, x: float, y: float, told: str) -> str:
    corners, turn = SHAPES[number % len(SHAPES)]
    angle = (2 * np.arange(corners) + turn) * np.pi / corners
    points = zip(x + RADIUS * np.sin(angle), y - RADIUS * np.cos(angle), strict=True)
    return (
        f'<polygon points="{" ".join(f"{a:.1f},{b:.1f}" for a, b in points)}" '
        f'fill="{COLOURS[number % len(COLOURS)]}"><title>{escape(told)}</title></polygon>'
    )


def _text(x: float, y: float, words: str, anchor: str, size: int = 13) -> str:
    return (
        f'<text x="{x:.1f}" y="{y:.1f}" text-anchor="{anchor}" font-size="{size}">'
        f"{escape(words)}</text>"
    )
