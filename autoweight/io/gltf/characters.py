"""Which skins of a glTF file are one character, and what each character is called.

A file says nowhere what belongs together: a character may have a skin for each of its meshes, with
only the joints that mesh needs. What tells is the tree of nodes. A node that is a joint, or that
has joints below it but no skinned mesh, is part of a skeleton; a node with meshes below it too is
a group, which may hold a whole crowd.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass

import numpy as np
from scipy import sparse
from scipy.sparse.csgraph import connected_components

from autoweight.errors import FileError
from autoweight.io.gltf.hierarchy import Hierarchy, distinct, label
from autoweight.io.gltf.pieces import Piece
from autoweight.io.gltf.schema import Tree, nth

__all__ = ["Character", "at_root", "characters"]


@dataclass(frozen=True, eq=False)
class Character:
    """A skeleton of a file with the pieces it moves.

    Parameters
    ----------
    name : str
        Unique in the file.
    joints : frozenset of int
        Node numbers.
    pieces : tuple of Piece
    """

    name: str
    joints: frozenset[int]
    pieces: tuple[Piece, ...]


def characters(tree: Tree, hierarchy: Hierarchy, pieces: Sequence[Piece]) -> list[Character]:
    """The characters of a file, in the order of their first pieces.

    Parameters
    ----------
    tree : Tree
    hierarchy : Hierarchy
    pieces : sequence of Piece
        Those that have a skin.

    Raises
    ------
    FileError
        A skin or joint that is not there.
    """
    by_skin: dict[int, list[Piece]] = {}
    for piece in pieces:
        skin = tree.nodes[piece.node].skin
        assert skin is not None
        by_skin.setdefault(skin, []).append(piece)
    joints = {number: nth(tree.skins, number, "skin").joints for number in by_skin}
    for number, nodes in joints.items():
        if nodes and max(nodes) >= len(tree.nodes):
            name = tree.skins[number].name or f"skin {number}"
            raise FileError(f"{name!r} has node {max(nodes)} as a joint, which is not there")
    lines = {number: _upward(hierarchy, nodes) for number, nodes in joints.items()}
    shown = _upward(hierarchy, (piece.node for piece in pieces))
    surely = set().union(*joints.values())
    groups: list[list[int]] = []
    for group in _joined(lines, set(hierarchy.order) - shown | surely):
        # Skins that have joints of one name between them are two characters.
        clash = _clashing(hierarchy, [joints[number] for number in group])
        groups += _joined({each: lines[each] for each in group}, surely) if clash else [group]
    held = [frozenset().union(*(joints[number] for number in group)) for group in groups]
    names = _names(hierarchy, held)
    return [
        Character(name, nodes, tuple(piece for number in group for piece in by_skin[number]))
        for name, nodes, group in zip(names, held, groups, strict=True)
    ]


def at_root(hierarchy: Hierarchy, found: Sequence[Character], root: str) -> list[Character]:
    """The characters that a name chooses: theirs, or that of a node at, above or amid their joints.

    Parameters
    ----------
    hierarchy : Hierarchy
    found : sequence of Character
    root : str
    """
    named = [each for each in found if each.name == root]
    if named:
        return named
    below: set[int] = set()
    for index in range(len(hierarchy.nodes)):
        if label(hierarchy.nodes, index) == root:
            below.update(hierarchy.below(index))
    return [each for each in found if each.joints & below]


def _upward(hierarchy: Hierarchy, nodes: Iterable[int]) -> set[int]:
    """Some nodes and all that are above them."""
    found: set[int] = set()
    for node in nodes:
        while node >= 0 and node not in found:
            found.add(node)
            node = int(hierarchy.parent[node])
    return found


def _joined(lines: Mapping[int, set[int]], telling: set[int]) -> list[list[int]]:
    """Skins in groups; two that have a telling node in common are in one."""
    skins = list(lines)
    pairs = [
        (place, node) for place, skin in enumerate(skins) for node in sorted(lines[skin] & telling)
    ]
    rows, columns = np.array(pairs, dtype=np.int64).reshape(-1, 2).T
    size = len(skins) + (int(columns.max()) + 1 if len(columns) else 0)
    graph = sparse.coo_array((np.ones(len(rows)), (rows, len(skins) + columns)), shape=(size, size))
    group = connected_components(graph, directed=False)[1][: len(skins)]
    found: dict[int, list[int]] = {}
    for place, skin in enumerate(skins):
        found.setdefault(int(group[place]), []).append(skin)
    return list(found.values())


def _clashing(hierarchy: Hierarchy, joints: Sequence[Sequence[int]]) -> bool:
    names = {node: label(hierarchy.nodes, node) for node in set().union(*joints)}
    within: Counter[str] = Counter()  # most joints that a skin alone has of each name
    for nodes in joints:
        within |= Counter(names[node] for node in set(nodes))
    return any(many > within[name] for name, many in Counter(names.values()).items())


def _names(hierarchy: Hierarchy, held: Sequence[frozenset[int]]) -> list[str]:
    """The highest node that only one character is below, by its name."""
    lines = [_upward(hierarchy, nodes) for nodes in held]
    depth = {node: place for place, node in enumerate(hierarchy.order)}
    labels = [label(hierarchy.nodes, index) for index in range(len(hierarchy.nodes))]
    names: list[str] = []
    for number, line in enumerate(lines):
        others = set().union(*lines[:number], *lines[number + 1 :])
        own = sorted(line - others, key=depth.__getitem__) or [min(held[number], default=0)]
        unique = [labels[node] for node in own if labels.count(labels[node]) == 1]
        names.append(unique[0] if unique else labels[own[0]] if labels else f"skin {number}")
    return distinct(names)
