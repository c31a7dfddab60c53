"""Every example runs in an empty folder and writes a file that can be read again."""

import runpy
import subprocess
import sys
from functools import partial
from pathlib import Path

import pytest

import autoweight
from autoweight import demo

EXAMPLES = Path(__file__).parent.parent / "examples"
WRITES = {
    "first_pass": "weighted.glb",
    "by_recipe": "by_recipe.glb",
    "locks_and_mirror": "locked.glb",
    "carry_after_an_edit": "carried.glb",
    "own_method": "reference.glb",
}


@pytest.fixture
def scratch(tmp_path, monkeypatch):
    """An empty folder to run in, and an axolotl coarse enough to be quick."""
    monkeypatch.chdir(tmp_path)
    monkeypatch.setattr(demo, "bound", partial(demo.bound, resolution=0.72))
    monkeypatch.setattr(sys, "argv", ["example"])
    return tmp_path


def test_every_example_is_run():
    assert {path.stem for path in EXAMPLES.glob("*.py")} == set(WRITES)


@pytest.mark.parametrize("name", WRITES)
def test_an_example_runs_and_its_file_is_a_weighted_rig(name, scratch, capsys, monkeypatch):
    monkeypatch.syspath_prepend(str(EXAMPLES))
    runpy.run_path(str(EXAMPLES / f"{name}.py"), run_name="__main__")
    assert [path.name for path in scratch.iterdir()] == [WRITES[name]]
    rig = autoweight.load(scratch / WRITES[name])
    assert rig.weights is not None and rig.weights.influences.max() >= 2
    assert capsys.readouterr().out.strip()


def test_what_is_locked_did_not_change(scratch, capsys):
    runpy.run_path(str(EXAMPLES / "locks_and_mirror.py"), run_name="__main__")
    head, others, *_ = capsys.readouterr().out.splitlines()
    assert head.endswith(" 0 changed") and not others.endswith(" 0 changed")


def test_the_command_line_finds_a_method_in_the_folder_it_is_called_in(scratch):
    """In a process of its own: the tests' own search path would hide that it does not."""
    (scratch / "mine.py").write_bytes((EXAMPLES / "own_method.py").read_bytes())
    autoweight.save(demo.bound(), "rig.glb")
    command = "from autoweight.cli import main; main()"
    words = ["solve", "rig.glb", "-o", "out.glb", "--method", "mine:solve"]
    done = subprocess.run([sys.executable, "-P", "-c", command, *words], capture_output=True)
    assert done.returncode == 0, done.stderr
    assert autoweight.load("out.glb").weights is not None
