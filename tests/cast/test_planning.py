"""Jobs from a cast file."""

from __future__ import annotations

import pickle

import pytest
from troupe import cast

from autoweight.cast.planning import plan
from autoweight.errors import RecipeError


@pytest.fixture
def folder(tmp_path):
    for name in ("ox", "ox_lod1", "ox_lod2", "ox_coat", "emu", "yak"):
        (tmp_path / f"{name}.glb").write_bytes(b"")
    return tmp_path


def names(jobs):
    return [job.name for job in jobs]


def test_a_pattern_takes_what_is_no_part_of_another(folder):
    text = """
    defaults = { level = [{ rig = "{name}_lod*.glb" }], garment = [{ rig = "{name}_coat.gl?" }] }
    character = [{ rig = "*.glb" }]
    """
    jobs = plan(cast(folder, text), folder / "out")
    assert names(jobs) == ["emu", "ox", "yak"]
    ox = jobs[1]
    assert [each.rig for each in ox.levels] == [str(folder / f"ox_lod{n}.glb") for n in (1, 2)]
    assert ox.garments == (str(folder / "ox_coat.glb"),)
    assert not jobs[0].levels and not jobs[0].garments
    assert pickle.loads(pickle.dumps(ox)) == ox


def test_what_a_table_names_goes_by_that_table(folder):
    text = """
    [[character]]
    rig = "*.glb"
    [[character]]
    rig = "yak.glb"
    name = "Yak the elder"
    recipe = "yak.toml"
    """
    jobs = {job.name: job for job in plan(cast(folder, text), folder)}
    assert "yak" not in jobs
    assert jobs["Yak the elder"].recipe == str(folder / "yak.toml")
    assert jobs["ox"].recipe is None


def test_what_is_asked_for_is_part_of_the_digest(folder):
    first, other = (
        plan(cast(folder, f'character = [{{ rig = "ox.glb", bits = {bits} }}]'), folder)[0]
        for bits in (8, 16)
    )
    assert first.asked != other.asked
    assert (
        first.asked
        == plan(cast(folder, 'character = [{ rig = "ox.glb", bits = 8 }]'), folder)[0].asked
    )


@pytest.mark.parametrize(
    ("text", "problem"),
    [
        ('character = [{ rig = "*.ply" }]', "line 1: no rig matches"),
        (
            '[[character]]\nrig = "ox.glb"\n[[character]]\nrig = "yak.glb"\nname = "ox"',
            "both called 'ox'",
        ),
        ('character = [{ rig = "*.glb", name = "all" }]', "cannot all be called"),
    ],
)
def test_what_cannot_be_planned_is_said(folder, text, problem):
    with pytest.raises(RecipeError, match=problem):
        plan(cast(folder, text), folder)
