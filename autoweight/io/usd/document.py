"""An OpenUSD file that a rig was read from, and where the rig is in it."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray
from scipy import sparse

from autoweight.errors import WeightsError
from autoweight.io.usd import motion
from autoweight.io.usd.library import bindings
from autoweight.io.usd.skeletons import Frame
from autoweight.io.usd.specs import (
    INFLUENCES,
    bind,
    define_skeleton,
    drop_numbers,
    set_attribute,
    set_custom,
    set_influences,
)
from autoweight.pose.clip import Clip
from autoweight.rig import Rig, Skeleton, Weights

__all__ = ["Block", "UsdDocument"]


@dataclass(frozen=True, eq=False)
class Block:
    """One mesh prim of a stage.

    Parameters
    ----------
    prim : str
        Its path.
    vertices : slice
        Where its points are in the rig.
    columns : ndarray, shape (k,), int32
        The joint of the rig that each of the prim's own joint indices stands for.
    constant : bool
        Whether one set of weights is for all its points.
    bind : ndarray, shape (4, 4), or None
        From its points to bind space, for a prim that is yet to be bound; None for one that is.
    indexed : frozenset of str
        Its primvars whose values are numbered.
    """

    prim: str
    vertices: slice
    columns: NDArray[np.int32]
    constant: bool
    bind: NDArray[np.float64] | None
    indexed: frozenset[str]


@dataclass(frozen=True, eq=False)
class UsdDocument:
    """An OpenUSD file that a rig was read from.

    Parameters
    ----------
    path : Path
    skeleton : str
        Path of the skeleton prim.
    joints : tuple of str
        Its joints, as paths.
    blocks : tuple of Block
    raw_weights : csr_array, shape (n, j), or None
        The weights as the file has them, sound or not; None where no part has any.
    weights : Weights or None
        The same with rows that sum to 1, where they can be made to.
    attributes : dict of str to array
        The custom values the file has.
    frame : Frame
        How the skeleton rests.
    instances : tuple of str
        Paths of the instances that any of this is in, outer ones first. What is written there makes
        them prims of their own, as an instance has no opinions on what is in it.
    added : Skeleton, optional
        The skeleton, where the file is yet to get it.
    """

    path: Path
    skeleton: str
    joints: tuple[str, ...]
    blocks: tuple[Block, ...]
    raw_weights: sparse.csr_array | None
    weights: Weights | None
    attributes: dict[str, NDArray[Any]]
    frame: Frame
    instances: tuple[str, ...]
    added: Skeleton | None = None

    def author(self, layer: Any, rig: Rig, bits: int | None, clips: Sequence[Clip]) -> None:
        """Write the weights and custom values of `rig` into a layer, and motion.

        Parameters
        ----------
        layer : Sdf.Layer
            On top of the file, or with its content.
        rig : Rig
            Of the same vertices and joints as the one that was read.
        bits : {32, 16, 8}, optional
            When left out, weights that are still those of the file stay as they are in it.
        clips : sequence of Clip
            To be played.

        Raises
        ------
        SkeletonError, WeightsError
        """
        if rig.weights is None:
            raise WeightsError("there are no weights to write; solve them first")
        pxr = bindings()
        if self.added is not None:
            define_skeleton(layer, self.skeleton, self.added, self.frame.rest)
        kept = bits is None and rig.weights is self.weights and self.added is None
        changed = {
            name: np.asarray(values)
            for name, values in rig.attributes.items()
            if values is not self.attributes.get(name)
        }
        for instance in self.instances:
            pxr.Sdf.CreatePrimInLayer(layer, instance).SetInfo("instanceable", False)
        if clips:
            motion.author(layer, self.skeleton, self.joints, rig.skeleton, self.frame, clips)
        for block in self.blocks:
            if kept and not changed:
                continue
            prim = pxr.Sdf.CreatePrimInLayer(layer, block.prim)
            for name, values in changed.items():
                set_custom(prim, name, values[block.vertices])
            drop_numbers(prim, block.indexed & {f"primvars:{name}" for name in changed})
            if kept:
                continue
            if block.bind is not None:
                bind(prim, self.skeleton, block.bind)
            rows = rig.weights.matrix[block.vertices]
            columns = _columns(block.columns, rows)
            if len(columns) > len(block.columns):
                tokens = pxr.Vt.TokenArray([self.joints[joint] for joint in columns])
                set_attribute(prim, "skel:joints", "TokenArray", tokens, uniform=True)
            local = np.zeros(len(self.joints), dtype=np.int32)
            local[columns] = np.arange(len(columns))
            constant = block.constant and (rows - rows[[0] * rows.shape[0]]).count_nonzero() == 0
            set_influences(prim, rows[[0]] if constant else rows, local, bits or 32, constant)
            drop_numbers(prim, block.indexed & INFLUENCES)


def _columns(columns: NDArray[np.int32], rows: sparse.csr_array) -> NDArray[np.int32]:
    """The joints of a prim, those it needs beside its own added behind."""
    return np.concatenate([columns, np.setdiff1d(rows.indices, columns)]).astype(np.int32)
