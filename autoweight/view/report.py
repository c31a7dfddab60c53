"""A review in one HTML file: what the rig is, how sound, how it moves, and pictures of it."""

from __future__ import annotations

import base64
import html
import io
import platform
from collections.abc import Iterable, Sequence
from dataclasses import replace
from importlib.metadata import version

import numpy as np
from numpy.typing import NDArray
from PIL import Image

import autoweight
from autoweight.errors import WeightsError
from autoweight.flexing import Flexion, Place
from autoweight.pose.clip import Clip, world
from autoweight.pose.skinning import carried, linear_blend
from autoweight.rig import Mesh, Rig
from autoweight.skeleton.chains import chains
from autoweight.skeleton.sides import opposite
from autoweight.view.picture import View, best_view, picture
from autoweight.view.sheet import contact_sheet
from autoweight.weights.checking import Fact

__all__ = ["chain_sheets", "report", "worst_sheet"]

ACROSS = 4
"""Joints of a chain that are drawn."""

WORST = 8
"""Places that are drawn and listed first."""

TILE = 300, 250

STYLE = """
body { font: 15px/1.5 system-ui, sans-serif; margin: 2rem auto; max-width: 72rem; padding: 0 1rem;
  color: #22282b; background: #fcfaf5; }
table { border-collapse: collapse; width: 100%; margin: 1rem 0; }
td, th { text-align: left; padding: .2rem .7rem .2rem 0; border-bottom: 1px solid #d6d1c6;
  vertical-align: top; }
img { max-width: 100%; }
pre { background: #f1ede4; padding: 1rem; overflow: auto; }
.look { color: #a2482d; font-weight: 600; }
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
    over = len(flexion.findings)
    looked = sum(fact.finding for fact in facts)
    sections = [
        f"<h1>{html.escape(title)}</h1>",
        f"<p>{len(rig.mesh.vertices)} vertices, {len(rig.skeleton)} joints. "
        f"The check found {_many(looked, 'thing')} to look at; of {len(flexion.poses)} poses, "
        f"{_many(over, 'place')} went over a limit.</p>",
        "<h2>Check</h2>",
        _table(
            ("", "about", "what", "found", "where"),
            (
                (_mark(fact.finding), fact.about, fact.name, fact.told, _list(fact.where))
                for fact in facts
            ),
        ),
        "<h2>Worst places</h2>",
        _table(
            ("", "× limit", "figure", "joint", "pose", "what", "through"),
            (
                (
                    _mark(place.severity > 1),
                    f"{place.severity:.2f}",
                    place.figure,
                    place.joint,
                    place.pose,
                    place.told,
                    _list(f"{name} {weight:.3f}" for name, weight in place.causes),
                )
                for place in flexion.places[: 3 * WORST]
            ),
        ),
    ]
    worst = worst_sheet(rig, flexion.places[:WORST], clip)
    if worst is not None:
        sections.append(_image(worst, "the worst poses, coloured by the weight of the joint"))
    sections.append("<h2>Weights</h2>")
    sections += [
        f"<h3>{html.escape(name)}</h3>" + _image(sheet, f"weights along {name}")
        for name, sheet in chain_sheets(rig)
    ]
    if recipe:
        sections.append(f"<h2>Recipe</h2><pre>{html.escape(recipe)}</pre>")
    sections.append(f"<p>{_versions()}</p>")
    return (
        f'<!doctype html><html lang="en"><meta charset="utf-8"><title>{html.escape(title)}</title>'
        f"<style>{STYLE}</style><body>{''.join(sections)}</body></html>\n"
    )


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
    """
    if rig.weights is None:
        raise WeightsError("there are no weights to draw; weight the rig first")
    columns = rig.weights.matrix.tocsc()
    tiles = []
    for place in places:
        frame = clip.labels.index(place.pose)
        posed = linear_blend(
            rig.mesh.vertices,
            rig.weights.matrix,
            carried(rig.skeleton, world(rig.skeleton, clip.local[frame])),
        )
        values = columns[:, [rig.skeleton.index[place.joint]]].toarray()[:, 0]
        mesh = replace(rig.mesh, vertices=posed)
        tiles.append(
            (f"{place.figure}: {place.pose}", _tile(mesh, values, best_view(mesh, values)))
        )
    return contact_sheet(tiles, columns=ACROSS, legend="weight") if tiles else None


def _tile(mesh: Mesh, values: NDArray[np.float64], seen: View) -> NDArray[np.uint8]:
    return picture(mesh, values, seen=seen, width=TILE[0], height=TILE[1])


def _image(pixels: NDArray[np.uint8], alternative: str) -> str:
    stream = io.BytesIO()
    Image.fromarray(pixels).save(stream, "PNG", optimize=True)
    data = base64.b64encode(stream.getvalue()).decode()
    return f'<img alt="{html.escape(alternative)}" src="data:image/png;base64,{data}">'


def _table(head: Sequence[str], rows: Iterable[Sequence[object]]) -> str:
    lines = ["<tr>" + "".join(f"<th>{html.escape(cell)}</th>" for cell in head) + "</tr>"]
    for row in rows:
        mark = ' class="look"' if row[0] else ""
        cells = "".join(f"<td>{html.escape(str(cell))}</td>" for cell in row)
        lines.append(f"<tr{mark}>{cells}</tr>")
    return f"<table>{''.join(lines)}</table>"


def _mark(finding: bool) -> str:
    return "!" if finding else ""


def _list(items: Iterable[object]) -> str:
    return ", ".join(map(str, items))


def _many(count: int, noun: str) -> str:
    return f"{count} {noun}{'' if count == 1 else 's'}"


def _versions() -> str:
    packages = ("numpy", "scipy", "libigl", "robust-laplacian")
    others = ", ".join(f"{name} {version(name)}" for name in packages)
    return f"autoweight {autoweight.__version__}, Python {platform.python_version()}, {others}"
