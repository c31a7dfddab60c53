from dataclasses import replace

import numpy as np
from scipy import sparse
from twins import egg, rig

from autoweight import Mesh, Rig, Skeleton, Weights
from autoweight.flexing.flex import flex
from autoweight.recipes.recipe import Mirror, Recipe, Tidy
from autoweight.skeleton.sides import Plane
from autoweight.stages.finishing import mirror_pass
from autoweight.surface import prepare
from autoweight.surface.patches import islands
from autoweight.weights.checking import Fact, check
from autoweight.weights.locks import ATTRIBUTE
from autoweight.weights.mirroring import mirror
from autoweight.weights.tidying import tidy


def strip(length: int) -> Mesh:
    """A flat ribbon of squares along x, two triangles each."""
    x, y = np.meshgrid(np.arange(length + 1.0), [0.0, 1.0], indexing="ij")
    vertices = np.stack([x, y, 0 * x], axis=2).reshape(-1, 3)
    corner = 2 * np.arange(length)[:, None]
    faces = np.concatenate([corner + [0, 2, 1], corner + [1, 2, 3]])
    return Mesh(vertices, faces)


def two_joints(length: int) -> Skeleton:
    rest = np.tile(np.eye(4), (2, 1, 1))
    rest[1, 0, 3] = length / 2
    return Skeleton(("base", "end"), [-1, 0], rest)


def rig_of(dense: np.ndarray) -> Rig:
    length = len(dense) // 2 - 1
    return Rig(strip(length), two_joints(length), Weights(dense))


def handed_over() -> np.ndarray:
    end = np.repeat(np.linspace(0, 1, 11), 2)
    return np.stack([1 - end, end], axis=1)


def findings(rig: Rig) -> dict[str, int]:
    return {fact.name: fact.value for fact in check(rig) if fact.finding}


def test_a_clean_hand_over_has_no_findings():
    assert findings(rig_of(handed_over())) == {}


def far_joint() -> Rig:
    """A chain of five, of which the last holds a little of what the first owns."""
    rest = np.tile(np.eye(4), (5, 1, 1))
    rest[:, 0, 3] = np.arange(5) * 2.5
    skeleton = Skeleton(tuple("abcde"), np.arange(5) - 1, rest)
    place = np.repeat(np.arange(11.0), 2)[:, None] / 2.5
    dense = np.clip(1 - np.abs(place - np.arange(5)), 0, 1)
    dense /= dense.sum(axis=1, keepdims=True)
    dense[:4] = 0.9 * dense[:4] + 0.1 * np.eye(5)[4]
    return Rig(strip(10), skeleton, Weights(dense))


def test_a_weight_far_from_its_joint_is_stray():
    assert findings(far_joint()) == {"vertices with stray weight of e": 4}
    (fact,) = [fact for fact in check(far_joint()) if fact.finding]
    assert fact.where == (0, 1, 2, 3)


def test_tiny_weights_are_counted():
    dense = handed_over()
    dense[0] = [0.9995, 0.0005]
    assert findings(rig_of(dense)) == {"vertices with weights under 0.001": 1}


def test_a_pruned_weight_that_16_bits_rounded_down_is_not_tiny():
    dense = handed_over()
    dense[0] = np.array([65535 - 65, 65]) / 65535
    assert dense[0, 1] < 1e-3
    assert findings(rig_of(dense)) == {}


def test_a_seam_whose_twins_differ_is_found():
    mesh = strip(10)
    dense = handed_over()
    seam = Mesh(np.vstack([mesh.vertices, mesh.vertices[:1]]), np.vstack([mesh.faces, [22, 2, 1]]))
    same = Rig(seam, two_joints(10), Weights(np.vstack([dense, dense[:1]])))
    apart = Rig(seam, two_joints(10), Weights(np.vstack([dense, [[0.5, 0.5]]])))
    name = "vertices that differ from their twin across a seam"
    assert name not in findings(same)
    assert findings(apart)[name] == 1


def test_islands_agree_with_a_graph_built_joint_by_joint():
    rng = np.random.default_rng(0)
    surface = prepare(strip(20))
    dense = rng.random((len(surface), 3)) * (rng.random((len(surface), 3)) < 0.4)
    matrix = sparse.csr_array(dense)
    label = islands(matrix, surface.edges)
    for joint in range(3):
        inside = dense[:, joint] > 0
        graph = surface.adjacency[inside][:, inside]
        count, slow = sparse.csgraph.connected_components(graph, directed=False)
        fast = label[matrix.indices == joint]
        assert len(np.unique(fast)) == count
        assert len(np.unique(np.stack([slow, fast], axis=1), axis=0)) == count


class File:
    """Stands for a file whose weights are not sound."""

    def __init__(self, raw):
        self.raw_weights = sparse.csr_array(raw)

    def write(self, rig, path, *, bits):
        raise NotImplementedError


def test_what_is_wrong_in_the_file_itself_is_found():
    raw = handed_over()
    raw[3] = [0.5, 0.4]
    raw[5] = [1.5, -0.5]
    raw[7] = [np.nan, 1]
    rig = Rig(strip(10), two_joints(10), document=File(raw))
    assert findings(rig) == {
        "vertices with weights that are negative or no numbers": 2,
        "vertices whose weights do not sum to 1": 2,
        "weights": "broken",
    }


def test_joints_in_another_unit_than_the_mesh_are_told():
    rig = rig_of(handed_over())
    rest = rig.skeleton.rest.copy()
    rest[:, :3, 3] *= 100
    cm = Skeleton(rig.skeleton.names, rig.skeleton.parents, rest)
    found = check(Rig(rig.mesh, cm, rig.weights))
    (fact,) = (each for each in found if each.name.startswith("joints further off"))
    assert fact.finding and fact.where == ("end",)


def test_a_fin_and_a_hole_in_the_mesh_are_told():
    mesh = strip(10)
    fin = Mesh(np.vstack([mesh.vertices, [[0.5, 0.5, 1]]]), np.vstack([mesh.faces, [[1, 2, 22]]]))
    row = np.vstack([handed_over(), [[1, 0]]])
    rig = Rig(fin, two_joints(10), Weights(row))
    assert findings(rig) == {"edges of more than two faces": 1}
    told = {fact.name: fact.value for fact in check(rig)}
    assert told["holes"] == 1 and told["edges of one face"] == 24


def gill() -> Rig:
    """A stalk of two joints on a head, the second with a quarter of the head beyond the first.

    Its weight falls all the way from its tip, so that nothing but the order of the joints tells.
    """
    rest = np.tile(np.eye(4), (3, 1, 1))
    rest[:, 0, 3] = 0, 4, 7
    skeleton = Skeleton(("head", "stalk", "tip"), [-1, 0, 1], rest)
    dense = np.zeros((11, 3))
    dense[:4], dense[4:7], dense[7:] = (0.66, 0.08, 0.26), (0.1, 0.6, 0.3), (0, 0.2, 0.8)
    return Rig(strip(10), skeleton, Weights(np.repeat(dense, 2, axis=0)))


def test_a_weight_that_skips_its_parent_is_stray():
    assert findings(gill()) == {"vertices with stray weight of tip": 8}
    (place,) = [place for place in flex(gill()).places if place.figure == "stray"]
    assert place.joint == "tip" and place.vertices.tolist() == list(range(8))
    assert "0.18 of tip on 8 vertices of head" in place.told


def test_a_joint_that_borders_on_its_grandparent_may_have_more_than_its_parent():
    # As an upper arm on the chest, past a collar bone that is hardly there.
    rig = gill()
    dense = rig.weights.dense()
    dense[8:14] = 0.2, 0.2, 0.6
    assert findings(Rig(rig.mesh, rig.skeleton, Weights(dense))) == {}


def sides(rig: Rig) -> Fact:
    """What is said of counterparts whose weights differ."""
    (found,) = [fact for fact in check(rig) if fact.name.endswith("their counterpart's")]
    return found


def turned(built: Rig, order: list[int]) -> Rig:
    """A rig with its axes in another order."""
    rest = built.skeleton.rest.copy()
    rest[:, :3, 3] = rest[:, order, 3]
    skeleton = Skeleton(built.skeleton.names, built.skeleton.parents, rest)
    return Rig(Mesh(built.mesh.vertices[:, order], built.mesh.faces), skeleton, built.weights)


def capped(built):
    """The same rig with four influences a vertex, as it is written without options."""
    weights = tidy(built.weights, Tidy(), mesh=built.mesh, skeleton=built.skeleton)
    return replace(built, weights=weights)


def test_what_evens_two_sides_is_named_with_its_axis_and_does_so():
    uneven = capped(rig(*egg(2)))
    for axis, order in (("x", [0, 1, 2]), ("z", [1, 2, 0])):
        built = turned(uneven, order)
        found = sides(built)
        assert found.finding and f"--mirror {axis}," in found.mend and "makes them" in found.mend
        even = replace(built, weights=mirror(built, Plane.named(axis))[0])
        assert (sides(even).value, sides(even).mend) == (0, "")


def test_only_what_a_mirror_would_even_is_promised():
    many = rig(*egg(2))
    found = sides(many)
    more = mirror_pass(many, Recipe(mirror=Mirror())).weights
    left = sides(replace(many, weights=more)).value
    assert left > 0 and f"makes {found.value - left} of them equal" in found.mend
    built = capped(many)
    locked = built.mesh.vertices[:, 1] > 0.5
    found = sides(replace(built, attributes={ATTRIBUTE: locked.astype(np.float32)}))
    assert f"makes {found.value - locked.sum()} of them equal" in found.mend
    # With a larger body that is on one side alone the plane would be refused.
    (vertices, faces), (more, others) = egg(2), egg(3)
    beside = np.vstack([vertices, more + [9, 0, 0]]), np.vstack([faces, others + len(vertices)])
    assert sides(rig(*beside)).finding and sides(rig(*beside)).mend == ""


def test_an_odd_unit_on_the_plane_is_rounding():
    built = rig(*egg(2))
    dense = np.zeros((len(built.mesh.vertices), 6))
    dense[:, 1:3] = np.array([127, 128]) / 255
    left, right = built.mesh.vertices[:, 0] > 0, built.mesh.vertices[:, 0] < 0
    dense[left, 1:3], dense[right, 1:3] = [0, 1], [1, 0]
    assert sides(replace(built, weights=Weights(dense))).value == 0
    dense[~(left | right), 1:3] = np.array([126, 129]) / 255
    assert sides(replace(built, weights=Weights(dense))).value == int((~(left | right)).sum())


def test_a_vertex_of_two_open_edges_is_named_once():
    (rim,) = [fact for fact in check(rig_of(handed_over())) if fact.name == "edges of one face"]
    assert (rim.value, rim.where) == (22, (0, 1, 2, 3, 4))
