"""The text of a recipe changed value by value, with its comments, order and spelling kept."""

from __future__ import annotations

import tomllib
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import tomlkit
from tomlkit.exceptions import TOMLKitError
from tomlkit.items import AoT, InlineTable, Item, Table

from autoweight.errors import RecipeError
from autoweight.recipes.recipe import Step

__all__ = ["Change", "reworded"]

WIDE = 60
"""Characters of a list of tables above which each of them gets a line."""


@dataclass(frozen=True)
class Change:
    """One change of a recipe.

    Parameters
    ----------
    verb : {'set', 'remove', 'insert'}
        To insert is to make room in a list at the number that ends the path.
    path : tuple of str and int
        Keys and list numbers down to the value.
    value : object, optional
        What TOML can hold.
    """

    verb: str
    path: tuple[Step, ...]
    value: Any = None


def reworded(text: str, changes: Sequence[Change]) -> str:
    """Change values of a recipe and nothing else of its text.

    Parameters
    ----------
    text : str
        TOML.
    changes : sequence of Change
        Made one after the other. Tables on the way to a value are made where they are missing.

    Returns
    -------
    str

    Raises
    ------
    RecipeError
        A path that leads nowhere, or a value that TOML cannot hold.
    """
    try:
        document = tomlkit.parse(text)
        wanted = tomllib.loads(text)
        for change in changes:
            _plainly(wanted, change)
            _in_place(document, change)
        found = tomlkit.dumps(document)
        agreed = _filled(tomllib.loads(found)) == _filled(wanted)
    except (TOMLKitError, tomllib.TOMLDecodeError, LookupError, TypeError, AttributeError) as error:
        raise RecipeError(f"the recipe cannot be changed so: {error}") from error
    if not agreed:
        raise RecipeError("the text of the recipe cannot be changed in place; change it as text")
    return found


def _plainly(data: Any, change: Change) -> None:
    """The same change on plain dicts and lists, to hold the text against."""
    if not change.path:
        raise KeyError("no path")
    *way, last = change.path
    for here, after in zip(way, change.path[1:], strict=True):
        if isinstance(data, dict) and here not in data:
            data[here] = [] if isinstance(after, int) else {}
        data = data[here]
    if change.verb == "insert":
        data.insert(last, change.value)
    elif change.verb == "set":
        data[last] = change.value
    elif change.verb == "remove":
        del data[last]
    else:
        raise TypeError(f"{change.verb!r} is no change")


def _filled(data: Any) -> Any:
    """Without empty lists, as a list of tables that is empty cannot be written."""
    if isinstance(data, dict):
        return {key: _filled(each) for key, each in data.items() if each != []}
    return [_filled(each) for each in data] if isinstance(data, list) else data


def _in_place(document: Any, change: Change) -> None:
    last: Any
    *way, last = change.path
    holder, inline, above = document, False, []
    for depth, (here, after) in enumerate(zip(way, change.path[1:], strict=True)):
        if isinstance(holder, dict) and here not in holder:
            if isinstance(after, int):
                holder[here] = tomlkit.array() if inline or depth else tomlkit.aot()
            else:
                holder[here] = tomlkit.inline_table() if inline or depth else tomlkit.table()
        above.append((holder, here))
        holder = holder[here]
        inline = inline or not isinstance(holder, (Table, AoT))
    if change.verb == "remove":
        del holder[last]
        for outer, key in reversed(above):  # a list of tables cannot be empty in text
            if isinstance(outer[key], AoT) and len(outer[key]) == 0:
                del outer[key]
        return
    value = change.value
    if change.verb == "insert":
        if isinstance(holder, AoT):
            holder.insert(last, _table(value))
        else:
            holder.insert(last, _item(value))
    elif isinstance(holder, dict) and last not in holder and holder is document:
        holder[last] = _table(value) if isinstance(value, dict) else _item(value)
    else:
        holder[last] = _item(value)


def _table(value: dict[str, Any]) -> Table:
    made = tomlkit.table()
    for key, each in value.items():
        made.append(key, _item(each))
    return made


def _item(value: Any) -> Item:
    if isinstance(value, dict):
        made: InlineTable = tomlkit.inline_table()
        for key, each in value.items():
            made.append(key, _item(each))
        return made
    if isinstance(value, list):
        array = tomlkit.array()
        for each in value:
            array.append(_item(each))
        tables = any(isinstance(each, dict) for each in value)
        return array.multiline(tables and len(array.as_string()) > WIDE)
    return tomlkit.item(value)
