"""What is written into a layer, spec by spec.

Not through a stage: so one routine serves a layer on top, a flattened one and a new one, and no
default of a schema slips in.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from typing import Any

import numpy as np
from numpy.typing import NDArray
from scipy import sparse

from autoweight.errors import WeightsError
from autoweight.io import encode
from autoweight.io.usd.library import bindings
from autoweight.rig import Skeleton

__all__ = [
    "CUSTOM",
    "INFLUENCES",
    "apply_schema",
    "bind",
    "define_skeleton",
    "drop_numbers",
    "identifiers",
    "matrix_array",
    "set_attribute",
    "set_custom",
    "set_influences",
    "set_relation",
]

CUSTOM = "_"
"""Primvars whose name begins so are the custom values of a rig."""
INFLUENCES = frozenset({"primvars:skel:jointIndices", "primvars:skel:jointWeights"})


def define_skeleton(layer: Any, path: str, skeleton: Skeleton, rest: NDArray[np.float64]) -> None:
    """Define a Skeleton prim in a layer, and make the prim above it a SkelRoot.

    `rest`, (j, 4, 4), is each joint within its parent joint, a root within the prim.
    """
    sdf, vt = bindings().Sdf, bindings().Vt
    prim = sdf.CreatePrimInLayer(layer, path)
    prim.nameParent.typeName = "SkelRoot"
    prim.specifier, prim.typeName = sdf.SpecifierDef, "Skeleton"
    paths: list[str] = []
    for name, parent in zip(identifiers(skeleton.names), skeleton.parents, strict=True):
        paths.append(name if parent < 0 else f"{paths[parent]}/{name}")
    for attribute, kind, value in (
        ("joints", "TokenArray", vt.TokenArray(paths)),
        ("jointNames", "TokenArray", vt.TokenArray(list(skeleton.names))),
        ("bindTransforms", "Matrix4dArray", matrix_array(skeleton.rest)),
        ("restTransforms", "Matrix4dArray", matrix_array(rest)),
    ):
        set_attribute(prim, attribute, kind, value, uniform=True)


def bind(prim: Any, skeleton: str, place: NDArray[np.float64]) -> None:
    """Bind a prim that is not yet."""
    apply_schema(prim, "SkelBindingAPI")
    set_relation(prim, "skel:skeleton", [skeleton])
    matrix = bindings().Gf.Matrix4d(place.T.tolist())
    set_attribute(prim, "primvars:skel:geomBindTransform", "Matrix4d", matrix)


def apply_schema(prim: Any, name: str) -> None:
    """Apply a schema to a prim, once."""
    info = "apiSchemas"
    schemas = prim.GetInfo(info) if prim.HasInfo(info) else bindings().Sdf.TokenListOp()
    if name not in schemas.GetAppliedItems():
        schemas.prependedItems = [*schemas.prependedItems, name]
        prim.SetInfo(info, schemas)


def set_influences(
    prim: Any, rows: sparse.csr_array, local: NDArray[np.int32], bits: int, constant: bool
) -> None:
    """Set the influences of a prim.

    Parameters
    ----------
    prim : Sdf.PrimSpec
    rows : csr_array, shape (n, j)
        One for each point; a single one where `constant`.
    local : ndarray, shape (j,), int32
        The number among the prim's own joints of each joint of the rig.
    bits : {32, 16, 8}
    constant : bool
        Whether all points have the same.
    """
    vt = bindings().Vt
    joints, values = encode.slots(rows, bits)
    if bits < 32:
        values = values.astype(np.float64) / (2**bits - 1)
    width = int((values > 0).sum(axis=1).max())
    joints, values = joints[:, :width], values[:, :width].astype(np.float32)
    joints = np.where(values > 0, local[joints], 0).astype(np.int32)
    for name, kind, value in (
        ("primvars:skel:jointIndices", "IntArray", vt.IntArray.FromNumpy(joints.ravel())),
        ("primvars:skel:jointWeights", "FloatArray", vt.FloatArray.FromNumpy(values.ravel())),
    ):
        spec = set_attribute(prim, name, kind, value)
        spec.SetInfo("interpolation", "constant" if constant else "vertex")
        spec.SetInfo("elementSize", width)


def set_custom(prim: Any, name: str, values: NDArray[Any]) -> None:
    """Set custom values of a prim, one or more a point.

    Raises
    ------
    WeightsError
        The name does not begin as those of custom values do.
    """
    if not name.startswith(CUSTOM):
        raise WeightsError(f"attribute {name!r}: custom names begin with an underscore")
    vt = bindings().Vt
    table = values.reshape(len(values), -1)
    whole = table.dtype.kind in "biu"
    flat = np.ascontiguousarray(table, dtype=np.int32 if whole else np.float32).ravel()
    spec = set_attribute(
        prim,
        f"primvars:{name}",
        "IntArray" if whole else "FloatArray",
        vt.IntArray.FromNumpy(flat) if whole else vt.FloatArray.FromNumpy(flat),
    )
    spec.SetInfo("interpolation", "vertex")
    spec.SetInfo("elementSize", table.shape[1])


def drop_numbers(prim: Any, names: Iterable[str]) -> None:
    """Let primvars that were given new values, in full, have no numbers into them any more."""
    for name in names:
        set_attribute(prim, f"{name}:indices", "IntArray", bindings().Sdf.ValueBlock())


def set_attribute(prim: Any, name: str, kind: str, value: Any, *, uniform: bool = False) -> Any:
    """Set an attribute in one layer, over whatever it was there."""
    sdf = bindings().Sdf
    spec = prim.attributes.get(name)
    if spec is None:
        variability = sdf.VariabilityUniform if uniform else sdf.VariabilityVarying
        spec = sdf.AttributeSpec(prim, name, getattr(sdf.ValueTypeNames, kind), variability)
    spec.ClearInfo("timeSamples")
    spec.default = value
    return spec


def set_relation(prim: Any, name: str, targets: Sequence[str]) -> None:
    """Let a relationship lead to some paths in one layer, whatever it led to there."""
    sdf = bindings().Sdf
    spec = prim.relationships.get(name) or sdf.RelationshipSpec(prim, name, custom=False)
    spec.targetPathList.explicitItems = targets


def identifiers(names: Sequence[str], taken: set[str] | None = None) -> list[str]:
    """Names that a prim may have, all different."""
    tf, used, found = bindings().Tf, set(taken or ()), []
    for name in names:
        plain = unique = tf.MakeValidIdentifier(name)
        count = 1
        while unique in used:
            count += 1
            unique = f"{plain}_{count}"
        used.add(unique)
        found.append(unique)
    return found


def matrix_array(matrices: NDArray[np.float64]) -> Any:
    """Matrices that act on column vectors, (k, 4, 4), as OpenUSD has them, acting on rows."""
    return bindings().Vt.Matrix4dArray.FromNumpy(np.ascontiguousarray(matrices.swapaxes(1, 2)))
