"""Nothing leaves the folder: what a ``.gltf`` refers to is read and copied within bounds."""

from __future__ import annotations

import json
import os
from dataclasses import replace

import numpy as np
import pytest
from gltf_files import strip, tree_of

from autoweight.errors import FileError
from autoweight.io import check_output, load, save
from autoweight.rig import Weights


@pytest.fixture
def home(tmp_path):
    """A folder for the file, beside one that is not its business."""
    (tmp_path / "home").mkdir()
    (tmp_path / "other").mkdir()
    return tmp_path / "home"


def with_buffer(home, uri):
    """The strip with its buffer at a reference as it is given."""
    file = strip()
    path = home / "strip.gltf"
    buffer = {"byteLength": len(file.bytes), "uri": uri}
    path.write_text(json.dumps(file.tree | {"buffers": [buffer]}))
    return path, bytes(file.bytes)


def with_image(home, uri):
    """The strip, its buffer beside it, with an image at a reference as it is given."""
    file = strip()
    file.tree["images"] = [{"uri": uri}]
    return file.gltf(home / "strip.gltf", "strip.bin")


def even(rig):
    return replace(rig, weights=Weights(np.full((len(rig.mesh.vertices), 2), 0.5)))


OUT = ["../other/a.bin", "%2e%2e/other/a.bin", "..%2Fother%2Fa.bin", "sub/../../other/a.bin",
       "..\\other\\a.bin", "..%5Cother%5Ca.bin", "link/a.bin", "a_link.bin",
       "{absolute}"]  # fmt: skip


@pytest.mark.parametrize("uri", OUT)
def test_a_buffer_outside_is_read_only_when_allowed(home, uri):
    uri = uri.format(absolute=home.parent / "other" / "a.bin")
    path, content = with_buffer(home, uri)
    (home.parent / "other" / "a.bin").write_bytes(content)
    (home / "sub").mkdir()
    (home / "link").symlink_to(home.parent / "other")
    (home / "a_link.bin").symlink_to(home.parent / "other" / "a.bin")
    with pytest.raises(FileError, match=r"outside its folder.*--outside") as caught:
        load(path)
    assert str(caught.value).startswith(f"{path}:")
    assert len(load(path, outside=True).mesh.vertices) == 10


@pytest.mark.parametrize("uri", ["sub/a.bin", "sub%2Fa.bin", "sub\\a.bin", "./x/../sub/a.bin",
                                 "../home/sub/a.bin", "inner_link.bin"])  # fmt: skip
def test_a_buffer_inside_is_read_however_it_is_named(home, uri):
    path, content = with_buffer(home, uri)
    (home / "sub").mkdir()
    (home / "x").mkdir()
    (home / "sub" / "a.bin").write_bytes(content)
    (home / "inner_link.bin").symlink_to(home / "sub" / "a.bin")
    assert len(load(path).mesh.vertices) == 10


@pytest.mark.skipif(not hasattr(os, "mkfifo"), reason="has no pipes with names")
def test_what_is_no_file_is_not_waited_for(home):
    path, _ = with_buffer(home, "pipe")
    os.mkfifo(home / "pipe")
    with pytest.raises(FileError, match="not a regular file"):
        load(path)
    path, _ = with_buffer(home, "/dev/zero")
    with pytest.raises(FileError, match="outside its folder"):
        load(path)
    with pytest.raises(FileError, match="not a regular file"):
        load(path, outside=True)
    path, _ = with_buffer(home, "a%00.bin")
    with pytest.raises(FileError, match="no file can be called"):
        load(path)


def test_sizes_are_checked_against_the_file_before_memory_is_taken(home):
    path, content = with_buffer(home, "a.bin")
    with (home / "a.bin").open("wb") as file:
        file.write(content)
        file.truncate(1 << 40)  # what is behind the buffer is not read
    assert len(load(path).mesh.vertices) == 10
    tree = json.loads(path.read_text())
    (home / "a.bin").write_bytes(content)
    tree["buffers"][0]["byteLength"] = 1 << 40
    path.write_text(json.dumps(tree))
    with pytest.raises(FileError, match="is truncated: buffer 0"):
        load(path)
    tree["buffers"][0]["byteLength"] = len(content)
    for accessor in tree["accessors"]:
        accessor["count"] = 1 << 40
        del accessor["bufferView"]
    path.write_text(json.dumps(tree))
    with pytest.raises(FileError, match="elements but no bytes"):
        load(path)


@pytest.mark.parametrize("uri", OUT)
def test_nothing_is_copied_from_outside_or_to_outside(home, uri):
    uri = uri.format(absolute=home.parent / "other" / "a.bin")
    path = with_image(home, uri)
    (home.parent / "other" / "a.bin").write_bytes(b"pixels")
    (home / "sub").mkdir()
    (home / "link").symlink_to(home.parent / "other")
    (home / "a_link.bin").symlink_to(home.parent / "other" / "a.bin")
    there = home / "deep" / "there"
    there.mkdir(parents=True)
    rig = even(load(path))
    save(rig, home / "beside.gltf")  # the reference leads to the same file as before
    if uri.startswith("/"):
        save(rig, there / "out.gltf")  # and so it does from anywhere
        return
    with pytest.raises(FileError, match="outside its folder"):
        check_output(rig, there / "out.gltf")
    with pytest.raises(FileError, match="--outside"):
        save(rig, there / "out.gltf")
    assert list(there.iterdir()) == []
    save(even(load(path, outside=True)), there / "out.gltf")
    (image,) = tree_of(there / "out.gltf")["images"]
    assert (there / image["uri"]).read_bytes() == b"pixels"
    within = {each for each in home.parent.rglob("*") if each.is_file()}
    assert {each for each in within if there not in each.parents} == {
        home / "strip.gltf", home / "strip.bin", home / "beside.gltf",
        home / "a_link.bin", home.parent / "other" / "a.bin",
    }  # fmt: skip


def test_a_link_in_the_folder_of_the_output_leads_nothing_out(home):
    path = with_image(home, "maps/a.png")
    (home / "maps").mkdir()
    (home / "maps" / "a.png").write_bytes(b"pixels")
    there = home.parent / "there"
    there.mkdir()
    (there / "maps").symlink_to(home.parent / "other")
    save(even(load(path)), there / "out.gltf")
    assert list((home.parent / "other").iterdir()) == []
    assert tree_of(there / "out.gltf")["images"] == [{"uri": "a.png"}]
    assert (there / "a.png").read_bytes() == b"pixels"


def test_two_files_of_one_name_do_not_hide_each_other(home):
    file = strip()
    file.tree["images"] = [{"uri": "../one/a.png"}, {"uri": "../two/a.png"}]
    path = file.gltf(home / "strip.gltf", "strip.bin")
    for name in ("one", "two"):
        (home.parent / name).mkdir()
        (home.parent / name / "a.png").write_bytes(name.encode())
    (home / "there").mkdir()
    with pytest.raises(FileError, match="another file is in the way"):
        save(even(load(path, outside=True)), home / "there" / "out.gltf")


def test_side_files_go_along_to_another_folder(tmp_path):
    file = strip()
    file.tree["images"] = []
    file.tree["images"].append({"uri": "skin%20map/a.png"})
    (tmp_path / "skin map").mkdir()
    (tmp_path / "skin map" / "a.png").write_bytes(b"pixels")
    rig = even(load(file.gltf(tmp_path / "strip.gltf", "strip.bin")))
    (tmp_path / "there").mkdir()
    save(rig, tmp_path / "there" / "out.gltf")
    assert (tmp_path / "there" / "skin map" / "a.png").read_bytes() == b"pixels"
    np.testing.assert_array_equal(load(tmp_path / "there" / "out.gltf").weights.dense(), 0.5)
    (tmp_path / "there" / "strip.bin").write_bytes(b"something else")
    with pytest.raises(FileError, match=r"strip\.bin: another file is in the way"):
        save(rig, tmp_path / "there" / "other.gltf")
    assert not (tmp_path / "there" / "other.gltf").exists()
