"""What traits say: where a place is, and no more by which to know the joint again."""

from __future__ import annotations

import numpy as np
from bodies import straight, tube
from kin import cousin
from scipy import sparse

import autoweight
from autoweight.rig import Rig, Weights
from autoweight.taste.traits import COUNTERPART, TELLING, TRAITS


def test_what_is_the_same_all_over_a_joint_and_not_on_others_tells_it():
    (lesson,) = autoweight.learn([cousin()]).lessons
    each = [lesson.samples[lesson.joint == joint] for joint in np.unique(lesson.joint)]
    same = np.all([np.ptp(samples, axis=0) == 0 for samples in each], axis=0)
    differ = np.ptp([samples[0] for samples in each], axis=0) > 0
    found = {TRAITS[number] for number in np.flatnonzero(same & differ)}
    assert "bone" in found
    assert found <= {TRAITS[number] for number in TELLING}


def test_the_counterpart_has_its_share_where_both_sides_share_the_skin():
    (apart,) = autoweight.learn([cousin()]).lessons
    assert (apart.samples[:, COUNTERPART] == 0).all()
    skirt, along = tube(straight, 4.0, 0.9, 41, 24)
    halved = sparse.csr_array(np.tile([0, 0.5, 0, 0.5, 0], (len(along), 1)))
    (shared,) = autoweight.learn([Rig(skirt, cousin().skeleton, Weights(halved))]).lessons
    thigh = np.isin(shared.joint, [1, 3])
    sums = shared.samples[thigh][:, [TRAITS.index("own"), COUNTERPART]].sum(axis=1)
    assert shared.samples[thigh, COUNTERPART].max() > 0.4
    assert sums.max() <= 1 + 1e-6
