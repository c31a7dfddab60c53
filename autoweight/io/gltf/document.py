"""A glTF file that a rig was read from, and where the rig's arrays are in it."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path
from typing import Any

from numpy.typing import NDArray
from scipy import sparse

from autoweight.io.gltf import resources
from autoweight.io.gltf.binding import Binding
from autoweight.io.gltf.container import Container
from autoweight.io.gltf.hierarchy import Hierarchy
from autoweight.rig import Weights

__all__ = ["Block", "GltfDocument"]


@dataclass(frozen=True, eq=False)
class Block:
    """Vertices of one mesh that one set of accessors holds.

    Parameters
    ----------
    node, mesh : int
        Numbers of the node that shows them and of its mesh.
    primitives : tuple of int
        The primitives of the mesh that use them.
    vertices : slice
        Where they are in the rig.
    binding : Binding
    """

    node: int
    mesh: int
    primitives: tuple[int, ...]
    vertices: slice
    binding: Binding


@dataclass(frozen=True, eq=False)
class GltfDocument:
    """A glTF file as it was read, and where the rig's arrays are in it.

    Parameters
    ----------
    source : Container
    hierarchy : Hierarchy
    joint_nodes : tuple of int
        The node of each joint of the rig.
    blocks : tuple of Block
    raw_weights : csr_array, shape (n, j), or None
        The weights as the file has them, sound or not; None where no part has any.
    weights : Weights or None
        The same with rows that sum to 1, where they can be made to.
    attributes : dict of str to array
        The custom values the file has.
    """

    source: Container
    hierarchy: Hierarchy
    joint_nodes: tuple[int, ...]
    blocks: tuple[Block, ...]
    raw_weights: sparse.csr_array | None
    weights: Weights | None
    attributes: dict[str, NDArray[Any]]

    @property
    def path(self) -> Path | None:
        """The file this was read from."""
        return self.source.path

    def beside(self, tree: dict[str, Any], path: Path) -> list[tuple[Path, Path]]:
        """Files to copy when a JSON tree of this file is written elsewhere; see `resources`."""
        if self.path is None:
            return []
        return resources.copies(tree, self.path, path, outside=self.source.outside)
