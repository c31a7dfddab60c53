"""TOML files read into nouns, and where in them something is wrong."""

from __future__ import annotations

import re
import tomllib
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, is_dataclass
from pathlib import Path
from typing import Any, TypeVar, get_args, get_type_hints

import msgspec

from autoweight.errors import FileError, RecipeError, suggestion, unreadable

__all__ = ["Source", "Step", "read", "spelt", "text_of"]

Step = str | int

T = TypeVar("T")


@dataclass(frozen=True)
class Source:
    """The text of a file, to say on which line something is wrong.

    Parameters
    ----------
    name : str
        The file.
    text : str
    """

    name: str
    text: str

    def line(self, path: Sequence[Step]) -> int | None:
        """Line, from 1, on which the statement begins that sets a value.

        Parameters
        ----------
        path : sequence of str and int
            Keys and list numbers down to it.

        Returns
        -------
        int or None
            None where nothing of the path is in the text; where only its beginning is, the line
            of that.
        """
        lines = self.text.splitlines(keepends=True)
        for depth in range(len(path), 0, -1):
            begins = 1
            for number in range(1, len(lines) + 1):
                # The parser itself tells where a statement ends: a prefix is valid or not yet.
                try:
                    data = tomllib.loads("".join(lines[:number]))
                except tomllib.TOMLDecodeError:
                    continue
                if _present(data, path[:depth]):
                    return begins
                begins = number + 1
        return None

    def error(self, path: Sequence[Step], problem: str | Exception) -> RecipeError:
        """An error that says where in the text it is.

        Parameters
        ----------
        path : sequence of str and int
            Keys and list numbers down to what is wrong.
        problem : str or Exception
            What is wrong with it, and the mend.
        """
        line = self.line(path)
        if line:
            return RecipeError(f"{self.name}, line {line}: {problem}")
        return RecipeError(": ".join(filter(None, (self.name, spelt(path), str(problem)))))


def text_of(path: str | Path) -> str:
    """The text of a file.

    Raises
    ------
    FileError
        It cannot be read, or is no text.
    """
    try:
        return Path(path).read_text(encoding="utf-8-sig")  # some editors mark what they save
    except OSError as error:
        raise unreadable(path, error) from error
    except UnicodeDecodeError as error:
        raise FileError(f"{path}: is no text in UTF-8 ({error}); save it as that") from error


def read(text: str, name: str, kind: type[T]) -> tuple[T, Source]:
    """Read a noun from TOML text.

    Parameters
    ----------
    text : str
    name : str
        What messages call it.
    kind : type
        A dataclass; its field `source`, if it has one, is no key.

    Returns
    -------
    T, Source

    Raises
    ------
    RecipeError
        The text is not TOML, has a key that means nothing, or a value that is not what the key
        needs. The message names the file and the line.
    """
    try:
        data = tomllib.loads(text)
    except tomllib.TOMLDecodeError as error:
        raise RecipeError(f"{name}: {error}; mend it") from error
    except RecursionError as error:
        raise RecipeError(f"{name}: lists or tables are nested too deep; mend it") from error
    source = Source(name, text)
    for path, known in _strangers(data, kind, ()):
        raise source.error(
            path, f"no key is named {path[-1]!r}; {suggestion(str(path[-1]), known)}"
        )
    try:
        return msgspec.convert(data, kind), source
    except msgspec.ValidationError as error:
        problem, _, where = str(error).partition(" - at `$")
        problem = re.sub("`(\\w+)`", lambda found: _WORDS.get(found[1], found[1]), problem)
        steps: list[Step] = [
            int(number) if number else key
            for key, number in re.findall(r"\.(\w+)|\[(\d+)\]", where)
        ]
        problem = problem.replace("Expected", "need").replace(
            "Object missing required", "needs the"
        )
        raise source.error(steps, problem) from error


_WORDS = {"array": "a list", "object": "a table", "str": "text", "int": "a whole number",
          "float": "a number", "bool": "true or false", "null": "nothing"}  # fmt: skip


def _strangers(
    value: Any, kind: Any, path: tuple[Step, ...]
) -> Iterator[tuple[tuple[Step, ...], list[str]]]:
    """Keys that a noun has no field for, and the fields it has."""
    if is_dataclass(kind) and isinstance(value, dict):
        hints = {name: hint for name, hint in get_type_hints(kind).items() if name != "source"}
        for key, inner in value.items():
            if key in hints:
                yield from _strangers(inner, hints[key], (*path, key))
            else:
                yield (*path, key), list(hints)
    else:
        items = list(enumerate(value)) if isinstance(value, list) else [(None, value)]
        for argument in get_args(kind):
            for number, inner in items:
                yield from _strangers(inner, argument, path if number is None else (*path, number))


def _present(data: Any, path: Sequence[Step]) -> bool:
    for step in path:
        if isinstance(step, int):
            if not (isinstance(data, list) and step < len(data)):
                return False
        elif not (isinstance(data, dict) and step in data):
            return False
        data = data[step]
    return True


def spelt(path: Sequence[Step]) -> str:
    """Keys and list numbers as one would write them."""
    return "".join(f"[{step}]" if isinstance(step, int) else f".{step}" for step in path)[1:]
