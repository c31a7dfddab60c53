"""Which joints move which mesh of a glTF file, and one space for all of them.

A skinned vertex v of the file is drawn at sum of w_j G_j B_j v, with G_j where joint j's node is
in the scene and B_j its inverse bind matrix; the transform of the mesh's own node plays no part
(Khronos, glTF 2.0, section 3.7.3). So in the space of v the joint was bound at inv(B_j). Each
skin has such a space of its own; the one of the first skin is the rig's bind space, and `place`
takes the others there.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Any

import numpy as np
from numpy.typing import NDArray

from autoweight.errors import FileError, SkeletonError
from autoweight.io.gltf import accessors
from autoweight.io.gltf.container import Container
from autoweight.io.gltf.hierarchy import Hierarchy, distinct, label
from autoweight.rig import Skeleton
from autoweight.skeleton.tips import with_tips

__all__ = ["Binding", "from_nodes", "from_skins", "skeleton_of"]

# Bind matrices are float32 and have been through an exporter's inversion.
AGREEMENT = 1e-3


@dataclass(frozen=True, eq=False)
class Binding:
    """The joints of a skin and how its vertices hang on them.

    Parameters
    ----------
    skin : int or None
        Number in the file; None for one that is yet to be made.
    joints : tuple of int
        Node numbers.
    inverse_bind : ndarray, shape (k, 4, 4)
    stored : bool
        Whether the file has these matrices.
    place : ndarray, shape (4, 4)
        From the space of the file's vertices to bind space.
    """

    skin: int | None
    joints: tuple[int, ...]
    inverse_bind: NDArray[np.float64]
    stored: bool
    place: NDArray[np.float64]


def from_skins(
    source: Container, hierarchy: Hierarchy, weighted: dict[int, bool]
) -> dict[int, Binding]:
    """Bindings of skins.

    Parameters
    ----------
    source : Container
    hierarchy : Hierarchy
    weighted : dict of int to bool
        The skins to read and whether a mesh has weights for it. One that has neither matrices
        nor weights was never bound: it is bound where its nodes are.

    Raises
    ------
    FileError, SkeletonError
        A skin without joints, too few matrices, a singular one, or skins that bind a joint they
        share in ways that no change of space explains.
    """
    found: dict[int, Binding] = {}
    for number, has_weights in weighted.items():
        raw = _read(source, hierarchy, number, has_weights)
        found[number] = replace(raw, place=_place(raw, list(found.values()), hierarchy))
    return found


def from_nodes(
    hierarchy: Hierarchy, joints: tuple[int, ...], mesh_nodes: list[int]
) -> dict[int, Binding]:
    """Bindings that are yet to be made, for each mesh node: bind pose is where the nodes are."""
    inverse = np.linalg.inv(_regular(hierarchy.world[list(joints)], joints, hierarchy))
    return {
        node: Binding(None, joints, inverse @ hierarchy.world[node], False, hierarchy.world[node])
        for node in mesh_nodes
    }


def skeleton_of(hierarchy: Hierarchy, bindings: list[Binding]) -> tuple[Skeleton, tuple[int, ...]]:
    """The joints of all bindings in bind space, and the node of each."""
    nodes = hierarchy.parents_first(node for binding in bindings for node in binding.joints)
    rest: dict[int, NDArray[np.float64]] = {}
    for binding in bindings:
        bound = binding.place @ np.linalg.inv(binding.inverse_bind)
        for node, matrix in zip(binding.joints, bound, strict=True):
            rest.setdefault(node, matrix)
    skeleton = Skeleton(
        tuple(distinct(label(hierarchy.nodes, node) for node in nodes)),
        hierarchy.parents_among(nodes),
        np.array([rest[node] for node in nodes]),
    )
    return with_tips(skeleton, _tip_nodes(hierarchy, nodes)), tuple(nodes)


def _tip_nodes(hierarchy: Hierarchy, joints: list[int]) -> dict[int, NDArray[np.float64]]:
    """Nodes under last joints that carry nothing, in the frame of their joint, (k, 3)."""
    wanted = set(joints)
    found: dict[int, NDArray[np.float64]] = {}
    for joint, node in enumerate(joints):
        below = hierarchy.nodes[node].children
        if any(each in wanted for child in below for each in hierarchy.below(child)):
            continue
        bare = [
            child
            for child in below
            if all(
                hierarchy.nodes[each].mesh is None and hierarchy.nodes[each].camera is None
                for each in hierarchy.below(child)
            )
        ]
        if bare:
            found[joint] = hierarchy.local[bare, :3, 3]
    return found


def _read(source: Container, hierarchy: Hierarchy, number: int, has_weights: bool) -> Binding:
    skin = source.tree.skins[number]
    name = skin.name or f"skin {number}"
    joints = skin.joints
    if not joints:
        raise SkeletonError(
            f"{name!r} has no joints; bind the mesh to a hierarchy and export again"
        )
    stored = skin.inverse_bind_matrices is not None
    if skin.inverse_bind_matrices is not None:
        matrices = accessors.read(source, skin.inverse_bind_matrices)
        if matrices.shape[1:] != (4, 4) or len(matrices) < len(joints):
            raise FileError(
                f"{name!r} has {len(joints)} joints but inverse bind matrices of shape "
                f"{matrices.shape}; export it again"
            )
        inverse: NDArray[Any] = matrices[: len(joints)].astype(np.float64)
    elif has_weights:
        inverse = np.tile(np.eye(4), (len(joints), 1, 1))
    else:
        inverse = np.linalg.inv(_regular(hierarchy.world[list(joints)], joints, hierarchy))
    return Binding(number, joints, _regular(inverse, joints, hierarchy), stored, np.eye(4))


def _regular(
    matrices: NDArray[np.float64], joints: tuple[int, ...], hierarchy: Hierarchy
) -> NDArray[np.float64]:
    """The same, once it is sure that they can be inverted."""
    finite = np.isfinite(matrices).all(axis=(1, 2))
    bad = np.flatnonzero(~finite)
    if len(bad) == 0:
        bad = np.flatnonzero(np.abs(np.linalg.det(matrices)) < 1e-30)
    if len(bad):
        raise SkeletonError(
            f"the bind transform of joint {label(hierarchy.nodes, joints[bad[0]])!r} is not "
            "finite or is singular; reset its scale and export again"
        )
    return matrices


def _place(new: Binding, placed: list[Binding], hierarchy: Hierarchy) -> NDArray[np.float64]:
    if not placed:
        return np.eye(4)
    known = {
        node: binding.place @ np.linalg.inv(matrix)
        for binding in reversed(placed)
        for node, matrix in zip(binding.joints, binding.inverse_bind, strict=True)
    }
    shared = [number for number, node in enumerate(new.joints) if node in known]
    if shared:
        each = np.array([known[new.joints[number]] for number in shared])
        each = each @ new.inverse_bind[shared]
        place = each[0]
        reach = np.abs(np.array(list(known.values()))[:, :3, 3]).max() or 1.0
        scale = np.ones((4, 4)) * np.abs(place[:3, :3]).max()
        scale[:3, 3] = reach
        off = (np.abs(each - place) > AGREEMENT * scale).any(axis=(1, 2))
        if off.any():
            name = label(hierarchy.nodes, new.joints[shared[int(off.argmax())]])
            raise SkeletonError(
                f"skins {placed[0].skin} and {new.skin} bind joint {name!r} in different poses; "
                "bind them in one pose, or take the meshes of one skin only with --part"
            )
        return place
    # Nothing is shared: the skins stand to each other as they do in the scene, by the nearest
    # joint above the new one, else by the first joint there is.
    first = new.joints[0]
    anchor = next((up for up in hierarchy.ancestors(first) if up in known), next(iter(known)))
    world = hierarchy.world
    return known[anchor] @ np.linalg.inv(world[anchor]) @ world[first] @ new.inverse_bind[0]
