import pytest

from autoweight.errors import FileError, RecipeError
from autoweight.recipes.profiles import Falloff, Row, Side
from autoweight.recipes.recipe import (
    ChainRule,
    Lock,
    Mirror,
    Recipe,
    Rigid,
    Source,
    Tidy,
    load_recipe,
    parse_recipe,
)

WHOLE = """
method = "heat"
skip = ["*_end"]

[falloff]
shape = "smoother"

[[chain]]
joints = ["tail_*"]
method = "nearest"
[chain.falloff]
shape = [[0, 1], [0.5, 0.4], [1, 0]]
reach = 2
toward_child = { hold = 0.25 }
rows = [{ at = 0, weights = [1, 0] }, { at = 1, weights = [0.25, 0.75] }]

[[chain]]
joints = [
    "arm_*",
    "leg_*",
]

[[rigid]]
parts = ["eye_*"]
to = "head"

[[lock]]
joints = ["jaw"]
near = "head"
radius = 0.5

[[lock]]
vertices = [3, 4]

[mirror]
plane = "x=0.5"
keep = "mean"
pairs = [["fin_1", "fin_2"]]

[tidy]
max_influences = 8
bits = 16
"""


def test_every_table_becomes_its_noun():
    assert parse_recipe(WHOLE) == Recipe(
        method="heat",
        skip=("*_end",),
        falloff=Falloff(shape="smoother"),
        chain=(
            ChainRule(
                ("tail_*",),
                method="nearest",
                falloff=Falloff(
                    shape=((0, 1), (0.5, 0.4), (1, 0)),
                    reach=2,
                    toward_child=Side(hold=0.25),
                    rows=(Row(0, (1, 0)), Row(1, (0.25, 0.75))),
                ),
            ),
            ChainRule(("arm_*", "leg_*")),
        ),
        rigid=(Rigid(parts=("eye_*",), to="head"),),
        lock=(Lock(joints=("jaw",), near="head", radius=0.5), Lock(vertices=(3, 4))),
        mirror=Mirror(plane="x=0.5", keep="mean", pairs=(("fin_1", "fin_2"),)),
        tidy=Tidy(max_influences=8, bits=16),
    )


def test_an_empty_recipe_is_the_default():
    assert parse_recipe("# nothing") == Recipe()


@pytest.mark.parametrize(
    ("text", "line", "message"),
    [
        ('methd = "heat"', 1, "did you mean 'method'"),
        ('\n[[chain]]\njoints = ["a"]\n# why\nfallof = {}', 5, "did you mean 'falloff'"),
        ('[[chain]]\njoints = ["a"]\nfalloff = { shap = 1 }', 3, "did you mean 'shape'"),
        ('[[chain]]\njoints = ["a"]\nfalloff.shape = "cubic"', 3, "'cubic' is not known"),
        ('[[chain]]\njoints = ["a"]\n[chain.falloff]\n\nreach = -1', 3, "need 0 or more, got -1"),
        ("[[lock]]\nvertices = [1]\n[[lock]]\nvertices = [\n1,\n0.5]", 4, "need a whole number"),
        ('[[chain]]\nmethod = "heat"', 1, "needs the field joints"),
        ('[[chain]]\njoints = "tail"', 2, "need a list, got text"),
        ('[mirror]\nplane = "w"', 1, "'w' is not a plane"),
        ('[mirror]\nkeep = "positiv"', 1, "did you mean 'positive'"),
        ("[mirror]\ntolerance = 0", 1, "above 0"),
        ("[tidy]\nbits = 12", 1, "bits is 12"),
        ("[tidy]\nmax_influences = 0", 1, "at least one"),
        ('[[rigid]]\nto = "a"', 1, "name parts or joints"),
        ("[[lock]]", 1, "which vertices or which joints"),
        ('[[lock]]\nnear = "a"', 1, "give both"),
        ("[[lock]]\nvertices = [1]\nweight = 0.5", 1, "needs the joints"),
        ("source = { name = 'a' }", 1, "no key is named 'source'"),
        ("method =", 1, "Invalid value"),
    ],
)
def test_what_is_wrong_is_said_with_its_line(text, line, message):
    with pytest.raises(RecipeError, match=message) as caught:
        parse_recipe(text, "axolotl.toml")
    assert str(caught.value).startswith("axolotl.toml")
    if "Invalid" not in message:  # the parser says its own place
        assert f"line {line}:" in str(caught.value)


def test_a_line_is_where_the_statement_begins():
    source = Source("r", WHOLE)
    lines = WHOLE.splitlines()
    for path, start in (
        (("skip", 0), "skip"),
        (("chain", 0, "falloff", "reach"), "reach"),
        (("chain", 1, "joints", 1), "joints = ["),
        (("lock", 1), "[[lock]]"),
        (("mirror", "pairs"), "pairs"),
        (("mirror", "tolerance"), "[mirror]"),
    ):
        assert lines[source.line(path) - 1].startswith(start)
    assert source.line(("rows",)) is None


def test_a_pattern_that_matches_nothing_is_an_error():
    names = ("root", "tail_1", "tail_2")
    recipe = parse_recipe('skip = ["tail_*"]\n[[chain]]\njoints = ["tial_1"]')
    assert recipe.chosen(names, "joint", "skip").tolist() == [False, True, True]
    with pytest.raises(RecipeError, match=r"line 3: no joint matches 'tial_1'.*'tail_1'"):
        recipe.chosen(names, "joint", "chain", 0, "joints")
    with pytest.raises(RecipeError, match=r"^skip\[0\]: no joint"):
        Recipe(skip=("x",)).chosen(names, "joint", "skip")


def test_files(tmp_path):
    path = tmp_path / "r.toml"
    path.write_text('method = "nearest"')
    assert load_recipe(path).method == "nearest"
    path.write_bytes(b"\xff\xff")
    with pytest.raises(FileError, match=r"r\.toml"):
        load_recipe(path)
    with pytest.raises(FileError, match=r"missing\.toml"):
        load_recipe(tmp_path / "missing.toml")


def test_text_that_an_editor_marked_as_utf_8(tmp_path):
    path = tmp_path / "r.toml"
    path.write_text('method = "nearest"', encoding="utf-8-sig")
    assert load_recipe(path).method == "nearest"


def test_what_is_nested_too_deep():
    with pytest.raises(RecipeError, match=r"r\.toml: .* nested too deep; mend it"):
        parse_recipe("skip = " + "[" * 5000, "r.toml")
