"""What traits say: where a place is, and no more by which to know the joint again."""

from __future__ import annotations

import numpy as np
from kin import cousin

import autoweight
from autoweight.taste.traits import TELLING, TRAITS


def test_what_is_the_same_all_over_a_joint_and_not_on_others_tells_it():
    (lesson,) = autoweight.learn([cousin()]).lessons
    each = [lesson.samples[lesson.joint == joint] for joint in np.unique(lesson.joint)]
    same = np.all([np.ptp(samples, axis=0) == 0 for samples in each], axis=0)
    differ = np.ptp([samples[0] for samples in each], axis=0) > 0
    found = {TRAITS[number] for number in np.flatnonzero(same & differ)}
    assert "bone" in found
    assert found <= {TRAITS[number] for number in TELLING}
