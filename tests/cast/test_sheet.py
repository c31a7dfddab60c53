"""What a cast file may say."""

from __future__ import annotations

import pytest

from autoweight.cast.sheet import load_cast, parse_cast
from autoweight.errors import FileError, RecipeError


def test_everything_that_can_be_said():
    cast = parse_cast(
        """
        [defaults]
        recipe = "quadruped.toml"
        formats = ["glb", "npz"]
        level = [{ rig = "{name}_lod1.glb", joints = ["spine_*"], max_influences = 2, bits = 8 }]

        [limits]
        seconds = 60

        [[character]]
        rig = "creatures/*.glb"
        garment = [{ rig = "{name}_coat*.glb" }]
        flex = false
        """,
        "cast.toml",
    )
    assert cast.defaults.level[0].joints == ("spine_*",)
    assert cast.limits.seconds == 60 and cast.limits.megabytes == 8000
    assert cast.character[0].level is None and cast.character[0].garment[0].rig
    assert cast.character[0].flex is False and cast.defaults.page


@pytest.mark.parametrize(
    ("text", "problem"),
    [
        ('[[character]]\nrg = "a.glb"', r"line 2: no key is named 'rg'; did you mean 'rig'"),
        ("character = []", "no character"),
        ('[[character]]\nrig = "a.doc"', r"line 2: no rig is read from a\.doc"),
        ('[[character]]\nrig = "a.glb"\nformats = ["fbx"]', "line 3: nothing is written as"),
        ('[[character]]\nrig = "a.glb"\nbits = 12', "line 3: bits are 32, 16 or 8, not 12"),
        ('[[character]]\nrig = "a.glb"\nname = "a/b"', "line 3: 'a/b' cannot name a folder"),
        ("[[character]]\nrig = 3", "line 2: need"),
        ("character", "cast.toml"),
    ],
)
def test_what_makes_no_sense_is_said_with_its_line(text, problem):
    with pytest.raises(RecipeError, match=problem):
        parse_cast(text, "cast.toml")


def test_no_file_is_an_error(tmp_path):
    with pytest.raises(FileError, match="cannot read"):
        load_cast(tmp_path / "none.toml")


def test_a_sheet_without_characters_is_said_plainly():
    with pytest.raises(RecipeError, match=r"^cast\.toml: needs the field character$"):
        parse_cast("", "cast.toml")
