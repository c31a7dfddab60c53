"""Every file that a result depends on."""

from __future__ import annotations

import json
from pathlib import Path

import contenders
from troupe import cast, troupe

from autoweight.cast.inputs import inputs
from autoweight.cast.planning import plan


def test_files_that_files_name_are_inputs_too(tmp_path):
    troupe(tmp_path, "asp")
    (tmp_path / "eel.gltf").write_text(
        json.dumps({"buffers": [{"uri": "eel%20one.bin"}, {"uri": "data:,"}, {}]})
    )
    (tmp_path / "how").mkdir()
    (tmp_path / "how" / "asp.toml").write_text(
        'method = "contenders:fair"\nlike = ["kin.glb"]\n[[lock]]\nfile = "done.csv"\n'
    )
    text = """
    [[character]]
    rig = "asp.glb"
    recipe = "how/asp.toml"
    skeleton = "joints.json"
    level = [{ rig = "eel.gltf" }]
    """
    (job,) = plan(cast(tmp_path, text), tmp_path / "out")
    names = ["asp.glb", "eel.gltf", "eel one.bin", "joints.json", "how/asp.toml"]
    named = [*names, "how/kin.glb", "how/done.csv"]
    assert inputs(job) == [str(tmp_path / each) for each in named] + [
        str(Path(contenders.__file__))
    ]


def test_a_recipe_that_is_wrong_is_an_input_all_the_same(tmp_path):
    troupe(tmp_path, "asp")
    (tmp_path / "asp.toml").write_text("method = ")
    text = 'character = [{ rig = "asp.glb", recipe = "asp.toml" }]'
    (job,) = plan(cast(tmp_path, text), tmp_path / "out")
    assert inputs(job) == [str(tmp_path / each) for each in ("asp.glb", "asp.toml")]


def test_own_methods_come_in_one_order(tmp_path, monkeypatch):
    """Sets of text come in another order in each process, and the key of a result is made of it."""
    troupe(tmp_path, "asp")
    modules = [f"own_{each}" for each in "abcdefgh"]
    for module in modules:
        (tmp_path / f"{module}.py").write_text("")
    monkeypatch.syspath_prepend(tmp_path)
    rules = [f'[[chain]]\njoints = ["{each}"]\nmethod = "{each}:solve"\n' for each in modules]
    (tmp_path / "asp.toml").write_text("".join(reversed(rules)))
    text = 'character = [{ rig = "asp.glb", recipe = "asp.toml" }]'
    (job,) = plan(cast(tmp_path, text), tmp_path / "out")
    assert inputs(job)[2:] == [str(tmp_path / f"{module}.py") for module in modules]
