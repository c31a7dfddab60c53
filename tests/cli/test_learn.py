"""``autoweight learn`` and ``solve --like``, as they are typed."""

from __future__ import annotations

import json

import numpy as np
import pytest
from calling import CliRunner
from kin import cousin

from autoweight.cli import main
from autoweight.io import load, save


@pytest.fixture
def folder(tmp_path, monkeypatch):
    """Two finished rigs, a new one, one without weights, and one that is cut off."""
    monkeypatch.chdir(tmp_path)
    for name, size in (("one", 2.0), ("two", 2.6), ("new", 1.6)):
        save(cousin(size, 0.4), f"{name}.glb")
    (tmp_path / "plain.obj").write_text("v 0 0 0\nv 1 0 0\nv 0 1 0\nf 1 2 3\n")
    (tmp_path / "cut.glb").write_bytes((tmp_path / "one.glb").read_bytes()[:500])
    (tmp_path / "empty.toml").write_text("like = []")
    return tmp_path


def run(*arguments: str) -> tuple[int, str, str]:
    result = CliRunner().invoke(main, list(arguments))
    return result.exit_code, result.stdout, result.stderr


def test_what_was_learned_serves_as_well_as_the_rigs(folder):
    code, out, _ = run("learn", "one.glb", "two.glb", "-o", "taste.npz", "--json", "--quiet")
    assert code == 0
    assert [each["finished"] for each in json.loads(out)["rigs"]] == ["one", "two"]
    options = ("--confidence", "--json", "--quiet")
    finished = ("--like", "one.glb", "--like", "two.glb")
    code, out, _ = run("solve", "new.glb", "-o", "a.glb", *finished, *options)
    assert code == 0
    assert "taught" in json.loads(out)["decisions"][-1]
    code, _, _ = run("solve", "new.glb", "-o", "b.glb", "--like", "taste.npz", *options)
    assert code == 0
    assert (folder / "a.glb").read_bytes() == (folder / "b.glb").read_bytes()
    sure = np.asarray(load("a.glb").attributes["_LIKE"])
    assert 0 <= sure.min() < sure.max() <= 1


@pytest.mark.parametrize(
    ("arguments", "said"),
    [
        (("--like", "plain.obj"), "plain.obj: "),
        (("--like", "cut.glb"), "cut.glb: "),
        (("--like", "gone.glb"), "gone.glb: "),
        (("--like", "one.glb", "--like", "cut.glb"), "cut.glb: "),
        (("--like", "cut.glb", "--mirror", "x=99"), "new.glb: no face is wholly on the positive"),
        (("--recipe", "empty.toml"), "no finished rig to learn from"),
        (("--confidence",), "name a finished rig"),
    ],
)
def test_what_cannot_be_followed_leaves_nothing(folder, arguments, said):
    code, out, error = run("solve", "new.glb", "-o", "out.glb", *arguments, "--quiet")
    assert code == 2
    assert out == ""
    assert said in error and error.count("\n") == 1
    assert not (folder / "out.glb").exists()
