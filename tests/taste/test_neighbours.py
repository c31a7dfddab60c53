"""What other rigs have at like places, and whom to ask."""

from __future__ import annotations

import numpy as np
import pytest

from autoweight.taste.neighbours import (
    BEYOND,
    Neighbours,
    familiar,
    heed,
    kindred,
    opinion,
    teachers,
    twin,
)
from autoweight.taste.traits import COUNTERPART, OWN, PLACE, TRAITS


@pytest.fixture
def table() -> np.ndarray:
    """Places a bone length apart along x, and what the default gives at each."""
    found = np.zeros((6, len(TRAITS)), dtype=np.float32)
    found[:, PLACE.start] = np.arange(6)
    found[:, OWN] = 0.25
    return found


GIVEN = np.array([0.1, 0.2, 0.3, 0.4, 0.5, 0.6], dtype=np.float32)
RIG = np.array([0, 0, 0, 1, 1, 1])


def test_the_very_place_is_found_at_its_own_joint_alone(table):
    look = Neighbours(table, np.zeros(6, dtype=int), GIVEN, RIG)
    weight, away = look(table[:1], np.zeros(1, dtype=int))
    assert away[0, 0] == 0
    assert weight[0, 0] == pytest.approx(0.1, abs=1e-3)
    assert away[1, 0] == pytest.approx(3.0)
    weight, away = look(table[:1], np.ones(1, dtype=int))
    assert (away == BEYOND).all()
    np.testing.assert_allclose(weight, 0.25)


def test_the_nearest_is_believed_and_discord_is_seen():
    weight = np.array([[0.2, 0.2, 0.7], [0.8, 0.8, 0.7]])
    away = np.array([[0.0, 0.5, np.inf], [1.0, 0.5, 0.3]])
    mean, near, spread = opinion(weight, away).T
    np.testing.assert_allclose(mean, [0.2, 0.5, 0.7], atol=1e-3)
    np.testing.assert_allclose(near, [0, 0.5, 0.3])
    np.testing.assert_allclose(spread, [0, 0.3, 0], atol=0.02)


def test_what_both_sides_share_is_strange_to_rigs_whose_sides_are_apart(table):
    joint = np.zeros(6, dtype=int)
    skirt = table.copy()
    skirt[:, COUNTERPART] = [0, 0.1, 0.2, 0.3, 0.4, 0.5]
    np.testing.assert_allclose(
        familiar(table, joint, skirt, joint), [1, 1, 0.9, 0.6, 0.3, 0], atol=1e-6
    )
    assert (familiar(skirt, joint, skirt, joint) == 1).all()
    assert (familiar(table, joint, table, joint + 1) == 0).all()


def test_twins_do_not_teach_a_stranger_to_believe():
    rig = np.array([0, 1, 2])
    away = np.array([[0.0, 0.01, 1.0], [0.01, 0.0, 1.0], [1.0, 1.0, 0.0]])
    near, far = (np.full((3, 4), each) for each in (0.01, 0.8))
    assert (teachers(away, rig, near) == ~np.eye(3, dtype=bool)).all()
    asked = teachers(away, rig, far)
    assert not asked[0, 1] and not asked[1, 0]
    assert asked[0, 2] and asked[1, 2] and asked[2, 0]
    twins = teachers(away[:2, :2], rig[:2], far[:2])
    assert twins[0, 1] and twins[1, 0]  # there is nobody else


def test_a_rig_of_which_no_sample_was_drawn_is_asked_by_the_others():
    away = np.array([[0.0, 0.5], [0.5, 0.0], [1.0, 0.2]])
    asked = teachers(away, np.array([0, 1]), np.full((3, 4), 0.8))
    assert asked[:2].tolist() == [[False, True, True], [True, False, False]]


def test_who_is_as_far_as_they_are_from_each_other_is_of_their_kind():
    taught = np.linspace(0, 1, 101)
    assert kindred(taught, taught) == 1
    assert kindred(taught, 4.5 * taught) == pytest.approx(0.5)
    assert kindred(taught, 10 * taught) == 0


def test_a_place_is_believed_as_it_is_where_most_of_its_rig_is_as_near():
    weight = np.array([np.full(5, 0.2), np.full(5, 0.6)])
    stranger = np.full(5, 0.5)
    heard, share = twin(weight, np.array([stranger, [0.0, 0.0, 0.0, 0.0, 0.3]]))
    np.testing.assert_allclose(heard, 0.6)
    np.testing.assert_allclose(share, [1, 1, 1, 1, 0], atol=0.01)
    assert twin(weight, np.array([stranger, [0.0, 0.1, 0.2, 0.3, 0.4]]))[1].max() < 0.01


def test_of_a_single_rig_a_place_is_half_believed_from_farther():
    """No other shows how near is near enough; a tenth of a bone is not near among several."""
    lone, away = np.full((1, 5), 0.6), np.full((1, 5), 0.1)
    assert twin(lone, away)[1] == pytest.approx(1 / 3)
    beside = np.vstack([away, np.full((1, 5), 0.5)])
    assert twin(np.vstack([lone, lone]), beside)[1].max() < 0.03


def test_one_that_overthrows_the_default_is_heeded_from_near_alone():
    near, far = np.full(7, 0.05), np.full(7, 0.4)
    assert heed(0.3, near) == 1
    assert heed(0.1, far) == 1
    assert 0 < heed(0.2, far) < 1
    assert heed(0.3, far) == 0
