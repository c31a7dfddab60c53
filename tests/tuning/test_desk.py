"""The state of the work, without a page: edits, undoing, files, and other hands."""

import os
import shutil
from dataclasses import replace

import numpy as np
import pytest
from tuned import cut, desk

from autoweight.errors import FileError, RecipeError
from autoweight.io import load, save
from autoweight.recipes.recipe import load_recipe
from autoweight.stages.solving import first_pass
from autoweight.tuning.desk import Clash
from autoweight.tuning.wording import Change

REACH = ("chain", 0, "falloff", "reach")


def pull(at, value, stroke=None):
    at.edit([Change("set", REACH, value)], "reach", stroke)


def same(one, other):
    return (one.matrix != other.matrix).nnz == 0


def test_what_is_saved_solves_to_what_was_shown(place):
    at = desk(place)
    pull(at, 1.05)
    at.paint(np.arange(40), True)
    shown = at.solve().weights
    at.save()
    at.write(at.solve())
    recipe = load_recipe(place / "small.toml")
    assert recipe.lock[-1].file == "small.locks.npy" and recipe.chain[0].falloff.reach == 1.05
    rig = load(place / "small.glb")
    assert same(first_pass(rig, recipe).weights, shown)
    written = load(place / "out.glb").weights
    # Painted rows come back bit for bit.
    painted = at.now.painted
    assert len(painted) >= 40
    assert (written.matrix[painted] != rig.weights.matrix[painted]).nnz == 0


def test_undo_and_redo_go_over_everything_the_brush_included(place):
    at = desk(place)
    begun = at.now
    pull(at, 1.05)
    at.paint(np.array([3, 4]), True)
    at.paint(np.array([3, 4]), False)
    assert len(at.now.painted) == 0 and at.now.text == at.versions[1].text
    at.undo()
    assert len(at.now.painted) >= 2
    at.undo()
    at.undo()
    assert at.now is begun and not at.unsaved
    at.undo()
    assert at.now is begun
    for _ in range(5):
        at.redo()
    assert at.now.same(at.versions[3]) and at.unsaved


def test_the_parts_of_one_movement_are_one_step(place):
    at = desk(place)
    for value in (1.05, 1.1, 1.15):
        pull(at, value, stroke=7)
    pull(at, 1.0, stroke=8)
    assert len(at.versions) == 3
    at.undo()
    assert at.recipe().chain[0].falloff.reach == 1.15


def test_what_cannot_be_is_refused_and_changes_nothing(place):
    at = desk(place)
    before = at.now
    for changes in (
        [Change("set", REACH, -1)],
        [Change("set", ("chain", 0, "joints"), ["no_such_*"])],
        [Change("set", ("colour",), "red")],
    ):
        with pytest.raises(RecipeError):
            at.edit(changes, "wrong")
    assert at.now is before and not at.unsaved


@pytest.mark.parametrize(
    "changes",
    [
        [Change("set", ("method",), "os:system")],
        [Change("set", ("chain", 0, "method"), "subprocess:run")],
        [Change("insert", ("lock", 0), {"file": "/etc/passwd.txt"})],
        [Change("insert", ("lock", 0), {"file": "../other.npy"})],
        [Change("set", ("like",), ["../other.glb"])],
    ],
)
def test_an_edit_names_no_file_and_no_function_that_the_recipe_did_not(place, changes):
    at = desk(place)
    with pytest.raises(RecipeError, match="did not name"):
        at.edit(changes, "sly")
    with pytest.raises(RecipeError, match="did not name"):
        at.write_text('method = "os:system"\n')


def test_edits_survive_a_crash_and_are_taken_up_once(place):
    at = desk(place)
    pull(at, 1.05)
    at.paint(np.array([3]), True)
    at.keep()
    again = desk(place)  # the first never ended
    assert again.now.same(at.now) and again.unsaved and "taken up" in again.notes[0]
    again.undo()
    assert not again.unsaved
    again.redo()
    again.save()
    assert desk(place).notes == [] and not again.journal.exists()


def test_a_journal_that_makes_no_sense_is_put_aside(place):
    at = desk(place)
    at.journal.write_bytes(b"{half")
    again = desk(place)
    assert not again.unsaved and "could not be taken up" in again.notes[0]
    assert (place / f"{at.journal.name}.unreadable").read_bytes() == b"{half"


def test_a_recipe_changed_by_another_hand_is_not_overwritten(place):
    at = desk(place)
    pull(at, 1.05)
    theirs = (place / "small.toml").read_text().replace("reach = 1.2", "reach = 1.4")
    (place / "small.toml").write_text(theirs)
    assert "unsaved edits here" in at.take_in_recipe()
    with pytest.raises(Clash):
        at.save()
    assert (place / "small.toml").read_text() == theirs
    at.take_theirs()
    assert at.recipe().chain[0].falloff.reach == 1.4 and not at.unsaved
    at.undo()
    assert at.recipe().chain[0].falloff.reach == 1.05
    at.save()
    assert load_recipe(place / "small.toml").chain[0].falloff.reach == 1.05


def test_a_recipe_changed_while_nothing_was_edited_is_taken_in(place):
    at = desk(place)
    assert at.take_in_recipe() is None
    text = (place / "small.toml").read_text()
    (place / "small.toml").write_text(text.replace("reach = 1.2", "reach = 1.1"))
    assert "is taken in" in at.take_in_recipe()
    assert at.recipe().chain[0].falloff.reach == 1.1 and not at.unsaved


def test_a_full_disk_loses_nothing(place, monkeypatch):
    at = desk(place)
    pull(at, 1.05)
    before = (place / "small.toml").read_bytes()
    monkeypatch.setattr(os, "replace", lambda *_: (_ for _ in ()).throw(OSError(28, "full")))
    with pytest.raises(FileError):
        at.save()
    monkeypatch.undo()
    assert (place / "small.toml").read_bytes() == before and at.unsaved
    assert [path.name for path in place.iterdir() if path.name.endswith(".part")] == []


def test_a_changed_mesh_keeps_recipe_and_what_is_painted(place):
    at = desk(place)
    pull(at, 1.05)
    away = np.linalg.norm(at.rig.mesh.vertices - at.rig.skeleton.positions[10], axis=1)
    middle = at.rig.mesh.vertices[away.argmin()]
    near = np.linalg.norm(at.rig.mesh.vertices - middle, axis=1) < 0.02
    at.paint(np.flatnonzero(near), True)
    text = at.now.text.replace('parts = ["eye_*"]', 'joints = ["eye_*"]')  # parts are gone
    at.write_text(text)
    save(cut(load(place / "small.glb")), place / "new.glb")
    shutil.move(place / "new.glb", place / "small.glb")
    said = at.take_in_rig()
    assert at.now.text == text and "painted vertices followed" in said
    assert at.rig.weights is not None and "carried over" in said
    found = np.zeros(len(at.rig.mesh.vertices), dtype=bool)
    found[at.now.painted] = True
    away = np.linalg.norm(at.rig.mesh.vertices - middle, axis=1)
    assert found.sum() > 3 * near.sum() and found[away < 0.012].all() and away[found].max() < 0.03
    assert len(at.solve().weights.matrix.indptr) == len(found) + 1


def test_a_rig_without_weights_has_nothing_to_keep(place):
    rig = load(place / "small.glb")
    save(replace(cut(rig), weights=None), place / "bare.glb")
    shutil.move(place / "bare.glb", place / "small.glb")
    (place / "small.toml").unlink()
    at = desk(place)
    with pytest.raises(RecipeError, match="no weights yet"):
        at.paint(np.array([1]), True)
    assert not at.unsaved and "[[chain]]" in at.now.text
