from dataclasses import dataclass, replace

import pytest

from autoweight.machine.keeping import kept


@dataclass(frozen=True, eq=False)
class Noun:
    size: int


def test_a_noun_is_asked_once_and_another_for_itself():
    asked = []

    @kept
    def double(noun):
        asked.append(noun)
        return [2 * noun.size]

    one, other = Noun(1), Noun(1)
    assert double(one) is double(one)
    assert double(other) == [2]
    assert double(replace(one, size=2)) == [4]
    assert asked[:2] == [one, other]
    assert len(asked) == 3


def test_functions_of_one_name_are_told_apart_and_what_fails_is_not_kept():
    def one():
        @kept
        def size(noun):
            return noun.size

        return size

    def other():
        @kept
        def size(noun):
            raise ValueError(noun.size)

        return size

    noun = Noun(3)
    for _ in range(2):
        with pytest.raises(ValueError, match="3"):
            other()(noun)
    assert one()(noun) == 3
