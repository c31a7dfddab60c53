"""A desk with the small axolotl on it, and a server that shows it."""

import shutil
import threading
from contextlib import contextmanager
from dataclasses import dataclass, replace
from pathlib import Path

import igl
import numpy as np
import pytest
from waiting import until

from autoweight import Mesh, Rig
from autoweight.demo import bound
from autoweight.io import load, save
from autoweight.pose.clip import Clip
from autoweight.stages.solving import first_pass
from autoweight.tuning import server
from autoweight.tuning.desk import Desk
from autoweight.tuning.live import Live

RECIPE = Path(__file__).parents[2] / "examples" / "axolotl.toml"
SECRET = "a-secret-of-the-test"


@pytest.fixture(scope="session")
def weighted(tmp_path_factory):
    """The small axolotl with weights, as a file."""
    path = tmp_path_factory.mktemp("rig") / "small.glb"
    rig = bound(0.71)
    rig = replace(rig, weights=first_pass(replace(rig, weights=None)).weights)
    save(rig, path, bits=16)  # as the recipe has it, so that what is locked is not rounded
    yield path
    WORKED_OUT.clear()


@pytest.fixture
def place(weighted, tmp_path):
    """A folder with the rig and a recipe in it."""
    shutil.copy(weighted, tmp_path / "small.glb")
    shutil.copy(RECIPE, tmp_path / "small.toml")
    return tmp_path


WORKED_OUT: dict = {}
"""What sessions have worked out, by the bytes of their rig; to recall it gives the same bits."""


def desk(place, **options):
    path = place / "small.glb"
    found = Desk(lambda: load(path), place / "small.toml", place / "out.glb", **options)
    found.session._known = WORKED_OUT.setdefault(path.read_bytes(), {})
    return found


def cut(rig: Rig) -> Rig:
    """Every face in four, as another program might; weights gone."""
    vertices, faces = igl.upsample(rig.mesh.vertices, rig.mesh.faces.astype(np.int64))
    return Rig(Mesh(vertices, faces), rig.skeleton)


@dataclass
class Served:
    live: Live
    port: int

    @property
    def address(self):
        return f"http://127.0.0.1:{self.port}/{SECRET}/"


@contextmanager
def served(desk, rig, poses=None):
    """A server in a thread of its own; the range of motion has so many poses, if not all."""
    at = server.listening(0)
    at.listen()
    live = Live(desk, rig)
    whole = live.clips[0]
    some = slice(poses)
    live.clips[0] = Clip(whole.name, whole.times[some], whole.local[some], whole.labels[some])
    running = server.made(live, at, SECRET)
    thread = threading.Thread(target=running.run, kwargs={"sockets": [at]})
    thread.start()
    try:
        until(lambda: running.started)
        yield Served(live, at.getsockname()[1])
    finally:
        running.should_exit = True
        thread.join(20)
        at.close()
