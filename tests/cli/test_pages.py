"""Names of the pages and pictures that commands write for what is in a file."""

import json

import odd_rigs
import pytest
from calling import CliRunner

from autoweight.cli import main
from autoweight.cli.options import file_names


@pytest.fixture(autouse=True)
def small(monkeypatch):
    monkeypatch.setattr("autoweight.view.report.TILE", (160, 60))


@pytest.mark.parametrize("command", ["view", "report"])
def test_characters_whose_names_no_file_can_tell_apart_get_a_page_each(tmp_path, command):
    file = odd_rigs.two_characters()
    for node in file.tree["nodes"]:
        node["name"] = {"newt": "a/b", "robot": "A b"}.get(node["name"], node["name"])
    rig, weighted = str(file.glb(tmp_path / "rig.glb")), str(tmp_path / "weighted.glb")
    solved = ["solve", rig, "-o", weighted, "--method", "nearest"]
    assert CliRunner().invoke(main, solved).exit_code == 0
    done = CliRunner().invoke(main, [command, weighted, "-o", str(tmp_path / "page.html")])
    assert done.exit_code in (0, 1), done.output
    pages = sorted(each.name for each in tmp_path.glob("*.html"))
    assert pages == ["page_A_b_2.html", "page_a_b.html"]
    for name, title in zip(pages, ("A b", "a/b"), strict=True):
        assert f"<title>weighted {title}" in (tmp_path / name).read_text()


def test_pictures_of_joints_of_any_name(tmp_path):
    file = odd_rigs.chain_file(odd_rigs.limb())
    for number, node in enumerate(file.tree["nodes"][:3]):
        node["name"] = f"尾{number}/" + "x" * 5000
    rig, weighted = str(file.glb(tmp_path / "rig.glb")), str(tmp_path / "weighted.glb")
    solved = ["solve", rig, "-o", weighted, "--method", "nearest"]
    assert CliRunner().invoke(main, solved).exit_code == 0
    asked = ["-o", str(tmp_path / "page.html"), "--png", str(tmp_path / "pictures"), "--json"]
    done = CliRunner().invoke(main, ["view", weighted, *asked])
    assert done.exit_code == 0, done.output
    drawn = json.loads(done.stdout)["pictures"]
    assert sorted(drawn) == sorted(map(str, (tmp_path / "pictures").iterdir()))


def test_names_of_files():
    asked = ["tail", "Tail", "a/b", "a_b", "..", "", "尾" * 200, "尾" * 300, "tail_2"]
    found = file_names(asked)
    assert found[:4] == ["tail", "Tail_2", "a_b", "a_b_2"]
    assert len({name.casefold() for name in found}) == len(asked)
    assert all(0 < len(name.encode()) < 110 and "/" not in name for name in found)
