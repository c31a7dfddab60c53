"""A review in one HTML file: what the rig is, how sound, how it moves, and pictures of it."""

from __future__ import annotations

import base64
import html
import platform
from collections.abc import Iterable, Sequence
from dataclasses import replace
from importlib.metadata import version

import numpy as np
from numpy.typing import NDArray

import autoweight
from autoweight.errors import WeightsError
from autoweight.flexing import Flexion, Place
from autoweight.pose.clip import Clip, world
from autoweight.pose.skinning import carried, linear_blend
from autoweight.rig import Mesh, Rig
from autoweight.skeleton.chains import chains
from autoweight.skeleton.sides import opposite
from autoweight.view.picture import View, best_view, picture
from autoweight.view.sheet import contact_sheet, png
from autoweight.view.style import STYLE
from autoweight.weights.checking import Fact

__all__ = ["chain_sheets", "report", "worst_sheet"]

ACROSS = 4
"""Joints of a chain that are drawn."""

WORST = 8
"""Places that are drawn and listed first."""

TILE = 300, 250

PLACED = ("stray", "asymmetry")
"""Figures of vertices, not of a hand-over: a picture shows which, as weight would hide them."""

NEAR = 0.03
"""Of the diagonal: how far round a vertex that the check names its picture is coloured."""

OWN_STYLE = """
h1 { margin: 0; font-size: 1.2rem; font-weight: 400; }
p { color: var(--faint); margin: .2rem 0; }
.verdict { font-size: 1.7rem; line-height: 1.25; margin: .2rem 0 .6rem; color: var(--ink); }
.look { color: var(--mark); }
ol { list-style: none; padding: 0; display: grid; gap: 1.2rem;
  grid-template-columns: repeat(auto-fill, minmax(min(100%, 19rem), 1fr)); }
li > b { display: block; }
details { border-top: 1px solid var(--line); }
summary { cursor: pointer; padding: .5rem 0; }
.scroll { overflow-x: auto; overflow-wrap: normal; }
table { border-collapse: collapse; width: 100%; margin-bottom: 1rem; }
td, th { text-align: left; padding: .2rem .7rem .2rem 0; border-bottom: 1px solid var(--line);
  vertical-align: top; }
pre { overflow: auto; }
@media print {
  details::details-content { content-visibility: visible; }
  .scroll { overflow: visible; overflow-wrap: break-word; }
  pre { white-space: pre-wrap; overflow: visible; }
}
"""


def report(
    rig: Rig,
    facts: Sequence[Fact],
    flexion: Flexion,
    clip: Clip,
    *,
    title: str = "",
    recipe: str = "",
) -> str:
    """Lay a review out.

    Parameters
    ----------
    rig : Rig
        With weights.
    facts : sequence of Fact
        From `autoweight.weights.checking.check`.
    flexion : Flexion
        From `autoweight.flexing.flex`.
    clip : Clip
        What was flexed through.
    title, recipe : str, optional
        The recipe is printed as it is.

    Returns
    -------
    str
        One HTML file; its pictures are inside.

    Raises
    ------
    WeightsError
        The rig has no weights.
    """
    if rig.weights is None:
        raise WeightsError("there are no weights to review; weight the rig first")
    looked = [fact for fact in facts if fact.finding]
    over, within = flexion.findings, [place for place in flexion.places if place.severity <= 1]
    sound = [fact for fact in facts if not fact.finding]
    todo = len(looked) + len(over)
    kept = (over or flexion.places)[:WORST]
    sections = [
        f"<h1>{html.escape(title)}</h1>",
        f'<p class="verdict{" look" if todo else ""}">{_verdict(looked, over)}</p>',
        f"<p>{len(rig.mesh.vertices)} vertices, {len(rig.skeleton)} joints, "
        f"{len(flexion.poses)} poses.</p>",
    ]
    if todo:
        cards = [_place_card(rig, place, clip) for place in over[:WORST]]
        cards += [_fact_card(rig, fact) for fact in looked]
        sections.append(f"<ol>{''.join(cards)}</ol>")
        if len(over) > WORST:
            sections.append(
                _folded(f"{len(over) - WORST} more over a limit", _places(over[WORST:]))
            )
    sections.append(
        _folded(
            f"Sound: {_many(len(sound), 'fact')} of the check, "
            f"{_many(len(within), 'place')} within limits",
            _table(
                ("about", "what", "found", "where"),
                ((fact.about, fact.name, fact.told, fact.aside) for fact in sound),
            ),
            _places(within[: 3 * WORST]),
        )
    )
    sheet = None if over else worst_sheet(rig, kept, clip)
    if sheet is not None:
        sections.append(_folded("The poses nearest to a limit", _image(sheet, "poses")))
    sections.append(
        _folded(
            "Weights, chain by chain",
            *(
                f"<h3>{html.escape(name)}</h3>" + _image(sheet, f"weights along {name}")
                for name, sheet in chain_sheets(rig)
            ),
        )
    )
    if recipe:
        sections.append(_folded("Recipe", f"<pre>{html.escape(recipe)}</pre>"))
    sections.append(f"<p>{_versions()}</p>")
    return (
        '<!doctype html><html lang="en"><meta charset="utf-8">'
        '<meta name="viewport" content="width=device-width, initial-scale=1">'
        f"<title>{html.escape(title)}</title><style>{STYLE}{OWN_STYLE}</style>"
        f"<body>{''.join(sections)}</body></html>\n"
    )


def _verdict(looked: Sequence[Fact], over: Sequence[Place]) -> str:
    if not looked and not over:
        return "Nothing left to do: the check is clean and every pose stays within its limits."
    parts = []
    if over:
        parts.append(f"{_many(len(over), 'place')} over a limit in motion")
    if looked:
        parts.append(f"{_many(len(looked), 'thing')} to look at that the check found")
    return f"To do: {' and '.join(parts)}."


def _place_card(rig: Rig, place: Place, clip: Clip) -> str:
    held = ", ".join(f"{name} {weight:.3f}" for name, weight in place.causes)
    drawn = _image(_posed(rig, place, clip), f"{place.joint} in the pose {place.pose}")
    return (
        f"<li>{drawn}<b>{html.escape(place.pose)}: {html.escape(place.told)}</b>"
        f"{html.escape(place.figure)}, {place.severity:.2f} times the limit"
        f"{html.escape(f'; held by {held}') if held else ''}</li>"
    )


def _fact_card(rig: Rig, fact: Fact) -> str:
    drawn = _found(rig, fact)
    return (
        f"<li>{'' if drawn is None else _image(drawn, f'where: {_list(fact.where)}')}"
        f"<b>{html.escape(fact.about)}: {html.escape(fact.name)} {html.escape(fact.told)}</b>"
        f"{html.escape(fact.aside)}</li>"
    )


def _found(rig: Rig, fact: Fact) -> NDArray[np.uint8] | None:
    """Where a fact of the check is: round its vertices, or what its joints move."""
    vertices = [each for each in fact.where if isinstance(each, int)]
    numbers = rig.skeleton.index
    joints = [numbers[each] for each in fact.where if isinstance(each, str) and each in numbers]
    if vertices and max(vertices) < len(rig.mesh.vertices):
        points = rig.mesh.vertices
        away = np.min([np.linalg.norm(points - points[each], axis=1) for each in vertices], axis=0)
        values = np.clip(1 - away / (NEAR * rig.mesh.diagonal), 0, 1)
    elif joints:
        values = rig.weights.matrix.tocsc()[:, joints].toarray().max(axis=1)  # type: ignore[union-attr]
    else:
        return None
    return _tile(rig.mesh, values, best_view(rig.mesh, values, least=0.3)) if values.any() else None


def _places(places: Sequence[Place]) -> str:
    return _table(
        ("× limit", "figure", "joint", "pose", "what", "through"),
        (
            (
                f"{place.severity:.2f}",
                place.figure,
                place.joint,
                place.pose,
                place.told,
                _list(f"{name} {weight:.3f}" for name, weight in place.causes),
            )
            for place in places
        ),
    )


def _folded(line: str, *inside: str) -> str:
    return f"<details><summary>{html.escape(line)}</summary>{''.join(inside)}</details>"


def chain_sheets(rig: Rig) -> list[tuple[str, NDArray[np.uint8]]]:
    """A contact sheet of the weights of each chain that moves anything, and of one of each pair.

    Parameters
    ----------
    rig : Rig
        With weights.

    Returns
    -------
    list of (str, ndarray)
        The name of the chain, and a picture of at most four of its joints.

    Raises
    ------
    WeightsError
        The rig has no weights.
    """
    if rig.weights is None:
        raise WeightsError("there are no weights to draw; weight the rig first")
    moving = np.bincount(rig.weights.matrix.indices, minlength=len(rig.skeleton)) > 0
    columns = rig.weights.matrix.tocsc()
    found = []
    known: set[str] = set()
    for chain in chains(rig.skeleton):
        known.add(chain.name)
        if opposite(chain.name) != chain.name and opposite(chain.name) in known:
            continue
        joints = [joint for joint in chain.joints if moving[joint]]
        if not joints:
            continue
        spread = np.linspace(0, len(joints) - 1, min(ACROSS, len(joints))).round().astype(int)
        drawn = [joints[each] for each in np.unique(spread)]
        weights = columns[:, drawn].toarray()
        seen = best_view(rig.mesh, weights.max(axis=1))  # one for all, to be compared
        tiles = [
            (rig.skeleton.names[joint], _tile(rig.mesh, values, seen))
            for joint, values in zip(drawn, weights.T, strict=True)
        ]
        found.append((chain.name, contact_sheet(tiles, columns=ACROSS, legend="weight")))
    return found


def worst_sheet(rig: Rig, places: Sequence[Place], clip: Clip) -> NDArray[np.uint8] | None:
    """The poses of the worst places, coloured by the weight of the joint in question.

    Parameters
    ----------
    rig : Rig
        With weights.
    places : sequence of Place
    clip : Clip
        Whose poses they name.

    Returns
    -------
    ndarray, shape (height, width, 3), uint8, or None
        None where there is no place to show.

    Raises
    ------
    WeightsError
        The rig has no weights.
    """
    if rig.weights is None:
        raise WeightsError("there are no weights to draw; weight the rig first")
    tiles = [(f"{place.figure}: {place.pose}", _posed(rig, place, clip)) for place in places]
    return contact_sheet(tiles, columns=ACROSS, legend="weight") if tiles else None


def _posed(rig: Rig, place: Place, clip: Clip) -> NDArray[np.uint8]:
    matrix = rig.weights.matrix  # type: ignore[union-attr]
    local = clip.local[clip.labels.index(place.pose)]
    posed = linear_blend(
        rig.mesh.vertices, matrix, carried(rig.skeleton, world(rig.skeleton, local))
    )
    values = matrix[:, [rig.skeleton.index[place.joint]]].toarray()[:, 0]
    if place.figure in PLACED:
        values = np.zeros(len(posed))
        values[place.vertices] = 1
    mesh = replace(rig.mesh, vertices=posed)
    return _tile(mesh, values, best_view(mesh, values))


def _tile(mesh: Mesh, values: NDArray[np.float64], seen: View) -> NDArray[np.uint8]:
    return picture(mesh, values, seen=seen, width=TILE[0], height=TILE[1])


def _image(pixels: NDArray[np.uint8], alternative: str) -> str:
    data = base64.b64encode(png(pixels)).decode()
    return f'<img alt="{html.escape(alternative)}" src="data:image/png;base64,{data}">'


def _table(head: Sequence[str], rows: Iterable[Sequence[object]]) -> str:
    lines = ["<tr>" + "".join(f"<th>{html.escape(cell)}</th>" for cell in head) + "</tr>"]
    for row in rows:
        cells = "".join(f"<td>{html.escape(str(cell))}</td>" for cell in row)
        lines.append(f"<tr>{cells}</tr>")
    return f'<div class="scroll"><table>{"".join(lines)}</table></div>'


def _list(items: Iterable[object]) -> str:
    return ", ".join(map(str, items))


def _many(count: int, noun: str) -> str:
    return f"{count} {noun}{'' if count == 1 else 's'}"


def _versions() -> str:
    packages = ("numpy", "scipy", "libigl", "robust-laplacian")
    others = ", ".join(f"{name} {version(name)}" for name in packages)
    return f"autoweight {autoweight.__version__}, Python {platform.python_version()}, {others}"
