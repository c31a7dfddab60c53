"""Casts from beginning to end, and what can befall them."""

from __future__ import annotations

import csv
import errno
import json
import os
import random
import threading
import time
from dataclasses import replace

import numpy as np
import pytest
from clusters import cluster
from tori import bare, torus
from troupe import CAST, cast, coarser, contents, troupe

from autoweight import load, save
from autoweight.batch.ledger import Ledger
from autoweight.cast import running, working
from autoweight.cast.page import COLUMNS, write_tables
from autoweight.cast.planning import plan
from autoweight.cast.running import FAILED, run
from autoweight.errors import FileError
from autoweight.rig import Weights


@pytest.fixture
def folder(tmp_path):
    troupe(tmp_path, "asp", "boa", "eel")
    return tmp_path


@pytest.fixture
def undisturbed(folder):
    """What comes of the cast when nothing befalls it."""
    run(cast(folder), folder / "calm", workers=1)
    found = contents(folder / "calm")
    assert len(found) == 6  # a rig and a picture each
    return found


def asked(monkeypatch) -> list[str]:
    """The names of what is handed out from now on."""
    names: list[str] = []

    def hand_out(work, jobs, *more, **options):
        names.extend(job.name for job in jobs)
        return iter(())

    monkeypatch.setattr(running, "hand_out", hand_out)
    return names


def test_what_is_done_is_not_done_again(folder, undisturbed, monkeypatch):
    names = asked(monkeypatch)
    lines = run(cast(folder), folder / "calm", workers=1)
    assert names == []
    assert len(lines) == 3
    assert not any(line.fresh for line in lines)
    assert {line.change for line in lines} == {0.0}


def test_a_change_does_its_own_characters_again(folder, undisturbed, monkeypatch):
    text = (
        '[defaults]\npage = false\n[[character]]\nrig = "*.glb"\n'
        '[[character]]\nrig = "boa.glb"\nrecipe = "boa.toml"\n'
    )
    (folder / "boa.toml").write_text('method = "inverse"\n')
    run(cast(folder, text), folder / "out", workers=1)
    (folder / "boa.toml").write_text('method = "nearest"\n')
    (folder / "asp.glb").touch()
    lines = {line.job.name: line for line in run(cast(folder, text), folder / "out", workers=1)}
    assert lines["boa"].fresh and lines["boa"].change > 0.1
    assert not lines["asp"].fresh  # touched, and the same
    names = asked(monkeypatch)
    run(cast(folder, text), folder / "out", workers=1)
    assert names == []
    save(bare(*torus(24, 10)), folder / "eel.glb")
    run(cast(folder, text), folder / "out", workers=1)
    assert names == ["eel"]


def test_a_bad_rig_is_a_line(folder, undisturbed):
    (folder / "ape.glb").write_bytes(b"glTF, but not for long")
    told = []
    lines = run(cast(folder), folder / "out", workers=1, told=lambda *more: told.append(more))
    assert lines[0].job.name == "ape"
    assert lines[0].verdict == FAILED and "ape.glb" in lines[0].trouble
    assert contents(folder / "out") == undisturbed
    assert [done for done, _, _ in told] == [0, 1, 2, 3, 4]


def test_levels_and_garments_follow(folder):
    coarser(folder, "asp_lod1", 18)
    save(bare(*torus(26, 10, tube=0.32)), folder / "asp_coat.glb")
    text = """
    [defaults]
    page = false
    formats = ["glb", "csv"]
    [[character]]
    rig = "asp.glb"
    level = [{ rig = "{name}_lod1.glb", joints = ["ring[04]"], bits = 8 }]
    garment = [{ rig = "{name}_coat.glb" }]
    """
    (line,) = run(cast(folder, text), folder / "out", workers=1)
    assert line.trouble == ""
    out = folder / "out" / "asp"
    assert sorted(path.name for path in out.iterdir()) == [
        f"{name}.{suffix}" for name in ("asp", "asp_coat", "asp_lod1") for suffix in ("csv", "glb")
    ] + ["picture.png"]
    low = load(out / "asp_lod1.glb")
    assert np.flatnonzero(low.weights.matrix.sum(axis=0)).tolist() == [0, 4]
    assert line.told.levels[0]["over"] == []
    assert load(out / "asp_coat.glb").weights is not None


def test_finished_weights_are_carried(folder):
    whole = load(folder / "asp.glb")
    share = np.zeros((len(whole.mesh.vertices), len(whole.skeleton)))
    share[:, 2] = 1
    save(replace(whole, weights=Weights(share)), folder / "done.glb")
    text = '[defaults]\npage = false\n[[character]]\nrig = "asp.glb"\nweights = "done.glb"\n'
    run(cast(folder, text), folder / "out", workers=1)
    found = load(folder / "out" / "asp" / "asp.glb").weights.dense()
    np.testing.assert_array_equal(found, share)


def test_what_is_damaged_is_made_anew(folder, undisturbed):
    run(cast(folder), folder / "out", workers=1)
    (folder / "out" / "boa" / "boa.glb").write_bytes(b"half a fi")
    (folder / "out" / ".kept" / "eel.json").write_bytes(b'{"key": ')
    (folder / "out" / "asp" / "picture.png").unlink()
    run(cast(folder), folder / "out", workers=1)
    assert contents(folder / "out") == undisturbed


def test_a_full_disk_leaves_no_half_files(folder, undisturbed, monkeypatch):
    """Full when the second file of a character is to be made durable."""
    jobs = plan(cast(folder), folder / "out")
    count = iter(range(100))

    def full(handle):
        if next(count) % 2:
            raise OSError(errno.ENOSPC, os.strerror(errno.ENOSPC))

    with monkeypatch.context() as patch:
        patch.setattr(os, "fsync", full)
        for job in jobs:
            with pytest.raises(FileError, match="No space left"):
                working.do(job)
    left = contents(folder / "out")
    assert left.items() <= undisturbed.items()
    assert all(Ledger(folder / "out").entry(job.name) is None for job in jobs)
    run(cast(folder), folder / "out", workers=1)
    assert contents(folder / "out") == undisturbed


def test_a_place_that_cannot_be_written_is_a_line(folder, undisturbed):
    (folder / "out").mkdir()
    (folder / "out" / "boa").write_text("a file where a folder is to be")
    lines = run(cast(folder), folder / "out", workers=1)
    assert [line.job.name for line in lines if line.verdict == FAILED] == ["boa"]
    (folder / "out" / "boa").unlink()
    run(cast(folder), folder / "out", workers=1)
    assert contents(folder / "out") == undisturbed


def test_a_rig_that_is_replaced_meanwhile_is_not_taken_for_the_other(folder, monkeypatch):
    job = plan(cast(folder), folder / "out")[0]
    made = working._made

    def slowly(*more):
        found = made(*more)
        save(bare(*torus(20, 9)), folder / "asp.glb")
        return found

    monkeypatch.setattr(working, "_made", slowly)
    with pytest.raises(FileError, match=r"asp\.glb: was replaced"):
        working.do(job)
    assert not (folder / "out" / "asp").exists()
    monkeypatch.undo()
    assert working.do(job) is True
    assert len(load(folder / "out" / "asp" / "asp.glb").mesh.vertices) == 180


def test_as_many_workers_as_you_like_make_the_same_bits(folder, undisturbed):
    with cluster(folder) as (address, _):
        run(cast(folder), folder / "out", scheduler=address)
    assert contents(folder / "out") == undisturbed


def test_killed_workers_change_nothing(folder):
    """Workers die by signal while they work; a second run makes good what the first could not."""
    psutil = pytest.importorskip("psutil")
    troupe(folder, *(f"newt_{number}" for number in range(4)))
    run(cast(folder), folder / "calm", workers=1)
    with cluster(folder) as (address, started):
        first = threading.Thread(
            target=run, args=(cast(folder), folder / "out"), kwargs={"scheduler": address}
        )
        first.start()
        chance = random.Random(5)
        for _ in range(3):
            time.sleep(chance.uniform(0.5, 2))
            if started[1].poll() is not None:
                break  # killed while it was starting again, which ends Dask's nanny too
            nanny = psutil.Process(started[1].pid)
            for child in nanny.children():
                if "resource_tracker" not in " ".join(child.cmdline()):
                    child.kill()
        first.join(900)
        assert not first.is_alive()
    run(cast(folder), folder / "out", workers=1)
    assert contents(folder / "out") == contents(folder / "calm")


def test_the_tables_say_the_same(folder):
    (folder / "ape.glb").write_bytes(b"no rig")
    text = CAST.replace("page = false", "page = true")
    lines = run(cast(folder, text), folder / "out", workers=1)
    for path in write_tables(lines, folder / "out", "night"):
        assert path.exists()
    with open(folder / "out" / "cast.csv", newline="") as file:
        rows = list(csv.DictReader(file))
    assert tuple(rows[0]) == COLUMNS
    assert [each["name"] for each in rows] == [line.job.name for line in lines]
    whole = json.loads((folder / "out" / "cast.json").read_text())["characters"]
    assert [each["verdict"] for each in whole] == [each["verdict"] for each in rows]
    page = (folder / "out" / "index.html").read_text()
    assert page.index(">ape<") < page.index(">asp<")
    assert 'href="asp/view.html"' in page and (folder / "out" / "asp" / "view.html").exists()
    assert page.count("data:image/png") == 3
    assert not [each for each in ("http://", "https://", "<script src") if each in page]
