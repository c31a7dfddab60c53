"""``autoweight cast`` as it is called."""

from __future__ import annotations

import json

import pytest
from calling import CliRunner
from troupe import troupe

from autoweight.cli import main


@pytest.fixture
def folder(tmp_path, monkeypatch):
    monkeypatch.chdir(tmp_path)
    (tmp_path / "rigs").mkdir()
    troupe(tmp_path / "rigs", "asp", "eel")
    return tmp_path


def test_from_a_folder_to_a_page(folder):
    run = CliRunner().invoke(main, ["cast", "--draft", "rigs", "-o", "night.toml"])
    assert run.exit_code == 0, run.output
    command = ["cast", "night.toml", "--workers", "1"]
    run = CliRunner().invoke(main, [*command, "--json"])
    told = json.loads(run.stdout)["characters"]
    assert sorted(each["name"] for each in told) == ["asp", "eel"]
    sound = all(each["verdict"] == "sound" for each in told)
    assert run.exit_code == (0 if sound else 1)
    assert (folder / "night_weighted" / "index.html").exists()
    run = CliRunner().invoke(main, command)
    assert "night_weighted/index.html" in run.stdout


def test_a_failure_is_exit_code_1_and_named(folder):
    (folder / "rigs" / "asp.glb").write_bytes(b"no rig")
    (folder / "night.toml").write_text('character = [{ rig = "rigs/*.glb" }]')
    run = CliRunner().invoke(main, ["cast", "night.toml", "--workers", "1", "--quiet"])
    assert run.exit_code == 1
    assert run.stdout.splitlines()[1].startswith("failed   asp")
    assert run.stderr == ""


@pytest.mark.parametrize(
    ("text", "problem"),
    [
        ('character = [{ rgi = "a.glb" }]', "line 1: no key is named 'rgi'"),
        ('character = [{ rig = "none/*.glb" }]', "no rig matches"),
    ],
)
def test_an_unusable_cast_is_exit_code_2(folder, text, problem):
    (folder / "night.toml").write_text(text)
    run = CliRunner().invoke(main, ["cast", "night.toml"])
    assert run.exit_code == 2
    assert problem in run.stderr and run.stderr.count("\n") == 1
    assert not (folder / "night_weighted").exists()


def test_one_thing_at_a_time(folder):
    run = CliRunner().invoke(main, ["cast"])
    assert run.exit_code == 2 and "--draft" in run.stderr
