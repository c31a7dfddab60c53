"""A recipe's text is changed where it is asked, and nowhere else."""

import copy
import tomllib
from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from autoweight.demo import bound
from autoweight.errors import RecipeError
from autoweight.recipes.recipe import parse_recipe
from autoweight.stages.drafting import draft
from autoweight.tuning.wording import Change, reworded

TEXT = (Path(__file__).parents[2] / "examples" / "axolotl.toml").read_text()


DRAFTED = draft(bound(0.71))


def one(text, verb, *path, value=None):
    return reworded(text, [Change(verb, path, value)])


def test_a_value_changes_and_every_other_line_stays():
    found = one(TEXT, "set", "falloff", "reach", value=1.25)
    assert found == TEXT.replace("reach = 1.0  #", "reach = 1.25  #")
    found = one(TEXT, "set", "chain", 0, "falloff", "end", "weight", value=0.5)
    assert found == TEXT.replace("end = { weight = 0.85 }", "end = { weight = 0.5 }")
    found = one(TEXT, "set", "method", value="bands")
    assert found == TEXT.replace('method = "heat"', 'method = "bands"', 1)


def test_what_is_missing_is_made_on_the_way():
    found = one(TEXT, "set", "chain", 4, "falloff", "toward_child", "hold", value=0.1)
    assert parse_recipe(found).chain[4].falloff.toward_child.hold == 0.1
    found = one(TEXT, "set", "limits", "fold", value=0.3)
    assert found.startswith(TEXT) and parse_recipe(found).limits.fold == 0.3
    found = one("# begins\n[tidy]\nbits = 16\n", "set", "method", value="heat")
    assert tomllib.loads(found) == {"method": "heat", "tidy": {"bits": 16}}
    assert "# begins" in found


def test_the_last_table_of_a_list_goes_and_comes():
    found = one(TEXT, "remove", "rigid", 0)
    assert parse_recipe(found).rigid == () and "# Eyes roll in one piece" in found
    found = one(found, "insert", "rigid", 0, value={"parts": ["eye_*"]})
    assert parse_recipe(found) == parse_recipe(TEXT)


def test_what_leads_nowhere_is_refused():
    for verb, path in (("set", ("chain", 99, "method")), ("remove", ("mirror", "pairs")),
                       ("turn", ("method",)), ("set", ("method", "deep"))):  # fmt: skip
        with pytest.raises(RecipeError):
            one(TEXT, verb, *path, value=1)


NUMBERS = st.integers(1, 200).map(lambda each: each / 100)
CHANGES = st.one_of(
    st.tuples(st.just("set"), st.tuples(st.just("chain"), st.integers(0, 4), st.just("falloff"),
                                        st.sampled_from(["reach", "hold", "centre"])), NUMBERS),
    st.tuples(st.just("set"), st.tuples(st.just("chain"), st.integers(0, 4), st.just("falloff"),
              st.just("toward_parent"), st.just("reach")), NUMBERS),
    st.tuples(st.just("set"), st.tuples(st.just("chain"), st.integers(0, 4), st.just("falloff"),
              st.just("shape")), st.just([[0, 1], [0.5, 0.25], [1, 0]])),
    st.tuples(st.just("set"), st.tuples(st.just("tidy"), st.just("prune")), NUMBERS),
    st.tuples(st.just("set"), st.tuples(st.just("skip")), st.just(["root", "eye_*"])),
    st.tuples(st.just("insert"), st.tuples(st.just("lock"), st.just(0)),
              st.just({"near": "head", "radius": 0.1})),
    st.tuples(st.just("remove"), st.tuples(st.just("lock"), st.just(0)), st.none()),
    st.tuples(st.just("insert"), st.tuples(st.just("chain"), st.integers(0, 4)),
              st.just({"joints": ["spine_*"], "falloff": {"rows": [
                  {"at": 0, "weights": [0.5, 0, 0]}, {"at": 1, "weights": [0.5, 0.5, 0]}]}})),
)  # fmt: skip


@settings(max_examples=60)
@given(st.lists(CHANGES, max_size=8), st.booleans())
def test_any_changes_in_a_row_say_what_was_asked_and_lose_no_comment(changes, drafted):
    """Held against the same changes of plain dicts and lists, as tomllib reads them."""
    text = DRAFTED if drafted else TEXT
    for verb, path, value in changes:
        data = tomllib.loads(text)
        if verb == "insert" or all(_there(data, path[:depth]) for depth in range(1, len(path))):
            if verb == "remove" and not _there(data, path):
                continue
            text = reworded(text, [Change(verb, path, copy.deepcopy(value))])
            tomllib.loads(text)
    if not any(verb == "remove" for verb, _, _ in changes):
        comments = [line for line in (DRAFTED if drafted else TEXT).splitlines()
                    if line.startswith("# ")]  # fmt: skip
        assert [line for line in text.splitlines() if line in set(comments)] == comments


def _there(data, path):
    for step in path:
        try:
            data = data[step]
        except (KeyError, IndexError):
            return False
    return True
