"""What is what in a folder of rigs."""

from __future__ import annotations

from shutil import copy

import pytest
from odd_rigs import two_characters
from tori import bare, torus
from troupe import coarser, troupe

from autoweight import save
from autoweight.batch.ledger import Entry, Ledger
from autoweight.cast.drafting import draft
from autoweight.cast.planning import plan
from autoweight.cast.sheet import parse_cast
from autoweight.errors import FileError
from autoweight.rig import Mesh, Rig


def test_levels_and_garments_are_found_by_name_and_shape(tmp_path):
    troupe(tmp_path, "eel")
    coarser(tmp_path, "eel_lod1", 24)
    coarser(tmp_path, "eel-low", 18)
    coarser(tmp_path, "lamprey", 18)  # as near as a level is, and another character
    vertices, faces = torus(60, 24, tube=0.34)
    around = faces[(vertices[faces][:, :, 0] > 0.2).all(axis=1)]
    save(Rig(Mesh(vertices, around), bare(vertices, faces).skeleton), tmp_path / "eel_vest.glb")
    save(bare(*torus(24, 12, radius=3.0)), tmp_path / "whale.glb")
    save(bare(*torus(24, 12, radius=3.0)), tmp_path / "eel_hat.glb")  # called so, and far off
    (tmp_path / "bad.glb").write_bytes(b"no rig")
    text = draft(tmp_path, tmp_path)
    assert '# "bad.glb" is left out: ' in text
    (tmp_path / "bad.glb").unlink()
    jobs = {job.name: job for job in plan(parse_cast(text, str(tmp_path / "cast.toml")), tmp_path)}
    assert sorted(jobs) == ["eel", "eel_hat", "lamprey", "whale"]
    levels = [each.rig for each in jobs["eel"].levels]
    assert levels == [str(tmp_path / "eel_lod1.glb"), str(tmp_path / "eel-low.glb")]
    assert jobs["eel"].garments == (str(tmp_path / "eel_vest.glb"),)
    assert not jobs["lamprey"].levels


def test_each_character_of_a_file_is_one(tmp_path):
    two_characters(same_names=False).glb(tmp_path / "pair.glb")
    text = draft(tmp_path, tmp_path)
    jobs = plan(parse_cast(text, str(tmp_path / "cast.toml")), tmp_path)
    assert [(job.name, job.root) for job in jobs] == [
        ("pair_newt", "newt"),
        ("pair_robot", "robot"),
    ]


def test_results_are_no_rigs_to_be_done(tmp_path):
    troupe(tmp_path, "eel")
    text = draft(tmp_path, tmp_path)
    results = tmp_path / "out" / "eel"
    results.mkdir(parents=True)
    copy(tmp_path / "eel.glb", results)
    assert draft(tmp_path, tmp_path) != text
    Ledger(tmp_path / "out").keep("eel", Entry("", "", {}, {}, {}))
    assert draft(tmp_path, tmp_path) == text


def test_a_folder_without_a_rig_that_can_be_used_is_an_error(tmp_path):
    (tmp_path / "bad.glb").write_bytes(b"no rig")
    with pytest.raises(FileError, match=r"can be used, the first as .*bad\.glb: is not a GLB file"):
        draft(tmp_path, tmp_path)


def test_a_folder_without_rigs_is_an_error(tmp_path):
    with pytest.raises(FileError, match="no file in this folder is a rig"):
        draft(tmp_path, tmp_path)
    with pytest.raises(FileError, match="no such folder"):
        draft(tmp_path / "none", tmp_path)
