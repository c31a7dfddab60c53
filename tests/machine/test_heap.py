"""What small blocks took is the system's again."""

from __future__ import annotations

import ctypes
import sys
from pathlib import Path

import igl
import numpy as np
import pytest
import trimesh

from autoweight.machine.heap import give_back


def resident() -> int:
    return int(Path("/proc/self/statm").read_text().split()[1])


@pytest.mark.skipif(
    not (sys.platform == "linux" and hasattr(ctypes.CDLL(None), "malloc_trim")),
    reason="only glibc gives back",
)
def test_a_tree_that_is_let_go_of_leaves_no_hole():
    ball = trimesh.creation.icosphere(6)
    give_back()  # so that the tree does not fill holes of other tests
    before = resident()
    boxes = igl.AABB()
    boxes.init(np.array(ball.vertices), np.array(ball.faces))
    above = [np.zeros(1 << 12) for _ in range(200)]  # keeps the heap from shrinking by itself
    full = resident()
    del boxes
    held = resident()
    assert full - held < (full - before) / 4
    give_back()
    assert full - resident() > (full - before) / 2
    assert len(above) == 200
