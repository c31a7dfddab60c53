"""A recipe to start from: what is in a rig, written down with the defaults and what they mean."""

from __future__ import annotations

import json
from collections.abc import Sequence
from fnmatch import fnmatchcase
from string import digits

import numpy as np

from autoweight.errors import one_line
from autoweight.methods import METHODS
from autoweight.recipes.profiles import SHAPES, Falloff
from autoweight.recipes.recipe import Limits, Mirror, Recipe, Tidy, literal
from autoweight.rig import Rig, Skeleton
from autoweight.skeleton.chains import Chain, chains
from autoweight.skeleton.roles import Fleshless
from autoweight.skeleton.sides import Plane, likely_plane, pairs
from autoweight.stages.planning import roles
from autoweight.surface import prepare
from autoweight.surface.visibility import Sight
from autoweight.weights.locks import ATTRIBUTE

__all__ = ["draft"]

SMALL = 0.2
"""A part with less of the vertices than this may be rigid, such as an eye."""


def draft(rig: Rig, name: str = "the rig") -> str:
    """Write a recipe to start from.

    Parameters
    ----------
    rig : Rig
    name : str, optional
        What the heading calls it.

    Returns
    -------
    str
        TOML with comments. As it stands it does what no recipe would do; each chain, part and
        pair that was found is there to be changed.
    """
    spare = roles(rig.skeleton, Sight(prepare(rig.mesh)))
    return "\n".join(
        [
            f"# Recipe for {one_line(name)}. As it stands, every value is the default.",
            "# Names of joints and parts are patterns: * is anything, ? one character.",
            "",
            f"# {', '.join(METHODS)}, or package.module:function.",
            f"method = {_text(Recipe.method)}",
            "# Joints that get no weight.",
            f"skip = {_list(())}",
            *_used(spare),
            "",
            *_falloff(),
            *_chains(rig.skeleton, {name for each in spare for name in each.names}),
            *_attached(rig),
            *_rigid(rig),
            *_locks(rig),
            *_mirror(rig.skeleton),
            *_tidy(),
            *_flex(),
        ]
    )


def _used(spare: Sequence[Fleshless]) -> list[str]:
    lines = ["# Joints that may have weight, whatever solving takes them for."]
    for each in spare:
        lines.append(f"#   {one_line(str(each))}")
    return [*lines, f"use = {_list(())}"]


def _falloff() -> list[str]:
    usual = Falloff()
    return [
        "# How the joints of a chain share it, where a [[chain]] does not say.",
        "[falloff]",
        f"# {', '.join(SHAPES)}, or points such as [[0, 1], [0.5, 0.3], [1, 0]].",
        f"shape = {_text(str(usual.shape))}",
        '# Half-width of a joint\'s band and of its plateau; units = "scene" for scene units.',
        "# Where both are left out a joint's band is round the middle of its bone, so that limbs",
        "# bend at their joints: centre = 0.5, reach = 1, or 1.5 where a chain is a rope.",
        "# reach = 1",
        "# centre = 0.5",
        f"hold = {usual.hold:g}",
        "",
    ]


def _chains(skeleton: Skeleton, spare: set[str]) -> list[str]:
    lines = [
        "# The chains that were found; joints that are parent and child make one. Each may have",
        f"#   method = {_text(Recipe.method)}",
        "#   falloff = { reach = 1.5, toward_child = { hold = 0.2 }, end = { weight = 0.8 } }",
    ]
    for patterns, names in _grouped(skeleton):
        lines += ["[[chain]]", f"joints = {_list(patterns)}"]
        if len(patterns) < sum(map(len, names)) or spare.intersection(*names):
            lines += [f"# {one_line(' → '.join(_marked(run, spare)))}" for run in names]
        lines.append("")
    return lines


def _marked(names: Sequence[str], spare: set[str]) -> list[str]:
    return [f"{name} (no weight)" if name in spare else name for name in names]


def _grouped(skeleton: Skeleton) -> list[tuple[list[str], list[list[str]]]]:
    """Patterns for each chain, left and right together, and the names of the joints of each."""
    plane = likely_plane(skeleton)
    partner = pairs(skeleton, plane) if plane else np.arange(len(skeleton))
    found: list[list[Chain]] = []
    by_first = {chain.joints[0]: chain for chain in chains(skeleton)}
    done: set[int] = set()
    for first, chain in by_first.items():
        if first in done:
            continue
        group = [chain]
        other = by_first.get(int(partner[first]))
        if other and other is not chain and len(other.joints) == len(chain.joints):
            group.append(other)
            done.add(other.joints[0])
        found.append(group)
    return [
        (
            [pattern for chain in group for pattern in _patterns(skeleton, chain)],
            [[skeleton.names[joint] for joint in chain.joints] for chain in group],
        )
        for group in found
    ]


def _patterns(skeleton: Skeleton, chain: Chain) -> list[str]:
    """One pattern that means these joints and no others, or their names."""
    names = [skeleton.names[joint] for joint in chain.joints]
    if len(names) > 1:
        begin = _shared(names).rstrip(digits)
        end = _shared([name[len(begin) :][::-1] for name in names])[::-1].lstrip(digits)
        pattern = f"{literal(begin)}*{literal(end)}"
        if [name for name in skeleton.names if fnmatchcase(name, pattern)] == names:
            return [pattern]
    return [literal(name) for name in names]


def _shared(names: Sequence[str]) -> str:
    """What all names begin with."""
    first, last = min(names), max(names)
    return next((first[:at] for at in range(len(first)) if first[at] != last[at : at + 1]), first)


def _attached(rig: Rig) -> list[str]:
    names = [literal(part.name) for part in rig.mesh.parts]
    if len(names) == 1:
        return []
    largest = max(rig.mesh.parts, key=lambda part: part.vertices.stop - part.vertices.start)
    others = [name for name in names if name != literal(largest.name)]
    return [
        "# Parts move with what they lie on, in or against, as solving finds; say otherwise here.",
        "# [[attach]]",
        f"# parts = {_list(others[:1])}",
        f"# follow = {_list([literal(largest.name)])}  # leave out to keep them as solved",
        "",
    ]


def _rigid(rig: Rig) -> list[str]:
    sizes = {part.name: part.vertices.stop - part.vertices.start for part in rig.mesh.parts}
    lines = [
        "# Parts that one joint alone moves; without `to`, the joint that has most of the part.",
        *(f"#   part {_text(name)}: {size} vertices" for name, size in sizes.items()),
    ]
    small = [name for name, size in sizes.items() if size < SMALL * len(rig.mesh.vertices)]
    shown = [literal(name) for name in small] or ["eye_*"]
    return [*lines, "# [[rigid]]", f"# parts = {_list(shown)}", '# to = "head"', ""]


def _locks(rig: Rig) -> list[str]:
    lines = ["# Weights that are finished and stay as they are."]
    if ATTRIBUTE in rig.attributes:
        lines.append(f"# Vertices the mesh marks by {ATTRIBUTE} are locked already.")
    return [
        *lines,
        "# [[lock]]",
        f"# joints = {_list([literal(rig.skeleton.names[0])])}  # these joints' weights alone",
        '# attribute = "_DONE"   # where this is not 0; or one of the conditions below',
        '# file = "hand.npy"     # vertex numbers in .npy, .csv or .txt',
        '# parts = ["teeth_*"]',
        '# dominated_by = ["head"]',
        '# near = "head"',
        "# radius = 0.1",
        "",
    ]


def _mirror(skeleton: Skeleton) -> list[str]:
    usual = Mirror()
    plane = likely_plane(skeleton) or Plane.named(usual.plane)
    partner = pairs(skeleton, plane)
    lines = ["# Make one side the exact mirror image of the other."]
    names = list(map(one_line, skeleton.names))
    for one, other in enumerate(partner):
        if one < other:
            lines.append(f"#   {names[one]} and {names[other]}")
    alone = [names[joint] for joint in np.flatnonzero(partner < 0)]
    if alone:
        lines.append(f"#   without a counterpart: {', '.join(alone)}")
    return [
        *lines,
        "# [mirror]",
        f"# plane = {_text(plane.name)}",
        f"# keep = {_text(usual.keep)}  # or negative, or mean",
        '# pairs = []  # joints the names do not pair, such as [["fin_1", "fin_2"]]',
        "",
    ]


def _tidy() -> list[str]:
    usual = Tidy()
    return [
        "[tidy]",
        f"max_influences = {usual.max_influences}",
        f"prune = {usual.prune:g}",
        f"bits = {usual.bits}  # 32, 16 or 8",
        "",
    ]


def _flex() -> list[str]:
    return [
        "# How far joints turn when the rig is flexed, in degrees; what suits the chain otherwise.",
        "# [[motion]]",
        '# joints = ["*"]',
        "# bend = 60",
        "# side = 30",
        "# twist = 45",
        "",
        "# From where on a figure of the flexed rig is a finding.",
        "# [limits]",
        *(f"# {name} = {limit:g}" for name, limit in Limits().items()),
        "",
    ]


def _text(text: str) -> str:
    # A JSON string is a TOML basic string, but for one control character.
    return json.dumps(text, ensure_ascii=False).replace("\x7f", "\\u007f")


def _list(texts: Sequence[str]) -> str:
    return f"[{', '.join(map(_text, texts))}]"
