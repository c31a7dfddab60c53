"""The tree of a glTF file's nodes and where they are.

Source: Khronos, glTF 2.0, section 3.5 (scenes, nodes, transformations).
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterable
from functools import cached_property

import numpy as np
from numpy.typing import NDArray

from autoweight.errors import FileError, SkeletonError
from autoweight.io.gltf.schema import Node, nth
from autoweight.pose.transforms import compose

__all__ = ["Hierarchy", "distinct", "label"]


def label(nodes: tuple[Node, ...], index: int) -> str:
    """A node's name, or a made-up one."""
    return nodes[index].name or f"node_{index}"


def distinct(names: Iterable[str]) -> list[str]:
    """Names as they are, and those that were there before with a number, from ``#2``."""
    found: dict[str, None] = {}
    count: Counter[str] = Counter()
    for name in names:
        unique = name
        while unique in found:
            count[name] += 1
            unique = f"{name}#{count[name] + 1}"
        found[unique] = None
    return list(found)


class Hierarchy:
    """Parents and transforms of all nodes.

    Parameters
    ----------
    nodes : tuple of Node

    Raises
    ------
    FileError, SkeletonError
        A child that is not there, a node with two parents, or a cycle.
    """

    def __init__(self, nodes: tuple[Node, ...]) -> None:
        self.nodes = nodes
        self.parent = [-1] * len(nodes)
        for index, node in enumerate(nodes):
            for child in node.children:
                nth(nodes, child, "node")
                if self.parent[child] >= 0:
                    raise SkeletonError(
                        f"node {label(nodes, child)!r} has two parents; leave it under one"
                    )
                self.parent[child] = index
        self.order = self._down([index for index, up in enumerate(self.parent) if up < 0])
        if len(self.order) < len(nodes):
            stuck = next(iter(set(range(len(nodes))) - set(self.order)))
            raise SkeletonError(
                f"node {label(nodes, stuck)!r} is its own ancestor; break the cycle of parents"
            )

    @cached_property
    def local(self) -> NDArray[np.float64]:
        """Transform of each node within its parent, (nodes, 4, 4)."""
        nodes = self.nodes
        if not nodes:
            return np.zeros((0, 4, 4))
        rotation = np.array([node.rotation for node in nodes])
        if not np.isfinite(rotation).all() or (np.abs(rotation).max(axis=1) == 0).any():
            raise FileError("a node has a rotation that is no quaternion; export it again")
        local = compose(
            np.array([node.translation for node in nodes]),
            rotation,
            np.array([node.scale for node in nodes]),
        )
        for index, node in enumerate(nodes):
            if node.matrix is not None:
                local[index] = np.reshape(node.matrix, (4, 4)).T
        return local

    @cached_property
    def world(self) -> NDArray[np.float64]:
        """Transform of each node in the scene, (nodes, 4, 4)."""
        world = self.local.copy()
        for index in self.order:
            if self.parent[index] >= 0:
                world[index] = world[self.parent[index]] @ world[index]
        return world

    def below(self, root: int) -> list[int]:
        """A node and all its descendants, parents first."""
        return self._down([root])

    def ancestors(self, index: int) -> Iterable[int]:
        """The nodes above one, nearest first."""
        while (index := self.parent[index]) >= 0:
            yield index

    def parents_first(self, chosen: Iterable[int]) -> list[int]:
        """Chosen nodes in the order given, but none before its chosen ancestors."""
        chosen = list(dict.fromkeys(chosen))
        wanted, placed = set(chosen), dict[int, None]()
        for index in chosen:
            line = [up for up in self.ancestors(index) if up in wanted and up not in placed]
            placed.update(dict.fromkeys([*reversed(line), index]))
        return list(placed)

    def parents_among(self, chosen: list[int]) -> NDArray[np.int32]:
        """For each chosen node the position of its nearest chosen ancestor, -1 where none."""
        position = {index: number for number, index in enumerate(chosen)}
        return np.array(
            [
                next((position[up] for up in self.ancestors(index) if up in position), -1)
                for index in chosen
            ],
            dtype=np.int32,
        )

    def _down(self, roots: list[int]) -> list[int]:
        order, waiting = [], roots[::-1]
        while waiting:
            index = waiting.pop()
            order.append(index)
            waiting.extend(reversed(self.nodes[index].children))
        return order
