"""What a mesh causes is said of the mesh, and what is stray on any mesh of the weights."""

from dataclasses import replace

import numpy as np
import pytest

from autoweight import Mesh, Rig, Skeleton, Weights
from autoweight.flexing.flex import flex
from autoweight.weights.checking import check

OPEN = "faces beside each other are not joined there"
PASSED = "a vertex lies on an edge that runs past it"
ALONE = "the piece it is on is joined to no other"


def sheet(xs, ys):
    """Squares cut in two: vertices, row by row along x, and faces."""
    x, y = np.meshgrid(np.asarray(xs, float), np.asarray(ys, float), indexing="ij")
    place = np.arange(x.size).reshape(x.shape)
    a, b, c, d = (
        each.ravel() for each in (place[:-1, :-1], place[:-1, 1:], place[1:, :-1], place[1:, 1:])
    )
    faces = np.concatenate([np.column_stack([a, c, b]), np.column_stack([b, c, d])])
    return np.column_stack([x.ravel(), y.ravel(), 0 * x.ravel()]), faces


def together(*parts):
    start = np.cumsum([0, *(len(vertices) for vertices, _ in parts)])
    return Mesh(
        np.concatenate([vertices for vertices, _ in parts]),
        np.concatenate([faces + first for (_, faces), first in zip(parts, start, strict=False)]),
    )


def slit(gap, shift=0.0):
    """Two sheets that share their lowest row and are a gap apart above it."""
    left, right = sheet(range(7), range(7)), sheet(range(6, 13), range(7))
    edge = (right[0][:, 0] == 6) & (right[0][:, 1] > 1)
    right[0][edge] += [gap, shift, 0]
    return together(left, right)


def rig_of(mesh, more=0.0):
    """Four joints in a row; the last has the upper right, falling to the left, and `more`."""
    rest = np.tile(np.eye(4), (4, 1, 1))
    rest[:, 0, 3] = 0, 4, 8, 12
    x, y, _ = mesh.vertices.T
    last = np.where(y > 1.5, np.clip((x - 2) / 8, 0, 1), 0.0) + more
    weights = Weights(np.column_stack([1 - last, 0 * x, 0 * x, last]))
    return Rig(mesh, Skeleton(tuple("abcd"), [-1, 0, 1, 2], rest), weights)


def found(rig):
    return {fact.name: fact.about for fact in check(rig) if fact.finding}


def stray(rig):
    return [place for place in flex(rig).places if place.figure == "stray"]


def test_weights_that_fit_on_a_whole_mesh_are_sound():
    assert found(rig_of(slit(0.0))) == {} and stray(rig_of(slit(0.0))) == []


@pytest.mark.parametrize(("shift", "reason"), [(0.0, OPEN), (0.5, PASSED)])
def test_a_slit_is_the_meshs_doing(shift, reason):
    rig = rig_of(slit(0.1, shift))
    assert found(rig) == {f"vertices cut off from the other weight of d: {reason}": "mesh"}
    (place,) = stray(rig)
    assert place.mesh == reason and place.told.endswith("mend the mesh")
    assert "cut off" in place.told


def test_a_piece_by_itself_is_the_meshs_doing():
    vertices, faces = sheet([6.5, 7.0], [6.0, 7.0])
    button = vertices + [-1.5, 0, 4.0], faces
    rig = rig_of(together(sheet(range(13), range(7)), button))
    assert found(rig) == {f"vertices cut off from the other weight of d: {ALONE}": "mesh"}
    assert [place.mesh for place in stray(rig)] == [ALONE]


def test_what_is_stray_on_any_mesh_is_the_weights_doing():
    mesh = slit(0.1)
    x, y, _ = mesh.vertices.T
    rig = rig_of(mesh, more=np.where((x < 1.5) & (y > 4.5), 0.2, 0.0))
    assert found(rig) == {
        f"vertices cut off from the other weight of d: {OPEN}": "mesh",
        "vertices with stray weight of d": "weights",
    }
    assert sorted(place.mesh for place in stray(rig)) == ["", OPEN]


def test_a_vertex_without_a_face_is_no_twin_of_the_nearest():
    mesh = together(sheet(range(13), range(7)))
    more = Mesh(np.vstack([mesh.vertices, [[5.5, 5.0, 4.0]]]), mesh.faces)
    facts = check(rig_of(more))
    assert [fact.name for fact in facts if fact.finding] == []
    (fact,) = [fact for fact in facts if fact.name == "vertices without a face"]
    assert (fact.about, fact.value, fact.where) == ("mesh", 1, (len(mesh.vertices),))


def test_a_vertex_without_a_face_says_nothing_of_the_place_it_lies_in():
    mesh = together(sheet(range(13), range(7)))
    more = Mesh(np.vstack([mesh.vertices[-1:], mesh.vertices]), mesh.faces + 1)
    rig = rig_of(more)
    dense = rig.weights.dense()
    dense[0] = dense[1]  # of the other end
    facts = check(replace(rig, weights=Weights(dense)))
    assert [fact.name for fact in facts if fact.finding] == []
