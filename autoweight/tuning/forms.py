"""Everything a recipe can say, as a form: read from the nouns themselves, so none is missing."""

from __future__ import annotations

import re
from dataclasses import MISSING, fields, is_dataclass
from inspect import getdoc
from types import NoneType
from typing import Any, get_args, get_origin, get_type_hints

from autoweight.methods import METHODS
from autoweight.recipes.profiles import SHAPES, UNITS
from autoweight.recipes.recipe import BITS, KEEPS

__all__ = ["form"]

CHOICES: dict[str, tuple[str | int, ...]] = {
    "method": tuple(METHODS),
    "keep": KEEPS,
    "units": UNITS,
    "shape": tuple(SHAPES),
    "bits": BITS,
}
"""What fields of these names may be."""


def form(noun: type) -> list[dict[str, Any]]:
    """The fields of a noun of the recipe.

    Parameters
    ----------
    noun : type
        A dataclass.

    Returns
    -------
    list of dict
        Name, kind, the value where nothing is said, and what the docstring says of it. Kinds are
        ``number``, ``text``, ``names`` (a list of text), ``other`` (written as TOML has it),
        ``table`` and ``tables`` (with a form of their own).
    """
    hints, said = get_type_hints(noun), _said(noun)
    found: list[dict[str, Any]] = []
    for each in fields(noun):
        if each.name == "source":
            continue
        kind, inner = _kind(hints[each.name])
        told: dict[str, Any] = {"name": each.name, "kind": kind, "help": said.get(each.name, "")}
        if each.name in CHOICES:
            told["choices"] = CHOICES[each.name]
        if inner is not None:
            told["form"] = form(inner)
        elif each.default is not MISSING:
            told["usual"] = each.default
        found.append(told)
    return found


def _kind(hint: Any) -> tuple[str, type | None]:
    inner = [each for each in get_args(hint) if each is not NoneType]
    if get_origin(hint) is tuple:
        if is_dataclass(inner[0]):
            return "tables", inner[0]  # type: ignore[return-value]
        return ("names" if inner[0] is str else "other"), None
    if NoneType in get_args(hint) and len(inner) == 1:
        return _kind(inner[0])
    if is_dataclass(hint):
        return "table", hint  # type: ignore[return-value]
    if hint in (int, float):
        return "number", None
    return ("text" if hint is str else "other"), None


def _said(noun: type) -> dict[str, str]:
    """What a numpydoc docstring says of each parameter."""
    text = (getdoc(noun) or "").partition("----------\n")[2]
    found: dict[str, str] = {}
    names: list[str] = []
    for line in text.splitlines():
        if re.match(r"\w+(, \w+)* : ", line):
            names = [name.strip() for name in line.split(" : ")[0].split(",")]
        elif line.startswith("    "):
            for name in names:
                found[name] = f"{found.get(name, '')} {line.strip()}".strip()
        elif line.strip() and not line[0].isspace():
            break
    return found
