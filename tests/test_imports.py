"""Imports go one way: each room of the package needs only rooms below it."""

import ast
from graphlib import TopologicalSorter
from pathlib import Path

PACKAGE = Path(__file__).parent.parent / "autoweight"

HOUSE = """
    errors rows vectors rig
    machine
    skeleton surface
    recipes
    methods pose
    weights
    flexing
    ribbons
    io
    batch taste
    stages
    view
    cast demo tuning
    cli
    __main__
"""
"""The rooms from the ground up; those on one floor do not know each other, but on the ground."""


def room(path: Path) -> str:
    return path.relative_to(PACKAGE).parts[0].removesuffix(".py")


def module(path: Path) -> str:
    parts = path.relative_to(PACKAGE.parent).with_suffix("").parts
    return ".".join(parts[:-1] if parts[-1] == "__init__" else parts)


def imported(path: Path) -> set[str]:
    """Modules of the package that a file imports, inside functions too."""
    found = set()
    for node in ast.walk(ast.parse(path.read_text())):
        if isinstance(node, ast.ImportFrom) and node.module:
            for alias in node.names:
                within = PACKAGE.parent / node.module.replace(".", "/") / alias.name
                known = within.is_dir() or within.with_suffix(".py").is_file()
                found.add(f"{node.module}.{alias.name}" if known else node.module)
        elif isinstance(node, ast.Import):
            found |= {alias.name for alias in node.names}
    return {name for name in found if name.startswith("autoweight.")}


def files() -> list[Path]:
    return [path for path in PACKAGE.rglob("*.py") if path != PACKAGE / "__init__.py"]


def test_every_room_has_its_floor():
    assert sorted(HOUSE.split()) == sorted({room(path) for path in files()})


def test_a_room_needs_only_rooms_on_floors_below():
    floors = [line.split() for line in HOUSE.split("\n") if line.strip()]
    level = {name: floor for floor, names in enumerate(floors) for name in names}
    up = [
        f"{module(path)} imports {need}"
        for path in files()
        for need in imported(path)
        if (other := need.split(".")[1]) in level and other != room(path)
        if level[other] > level[room(path)] or (level[other] == level[room(path)] > 0)
    ]
    assert up == []


def test_no_file_needs_itself():
    known = {module(path): path for path in files()}
    needs = {
        name: {need for need in imported(path) if need in known and need != name}
        for name, path in known.items()
    }
    assert "autoweight.rig" in list(TopologicalSorter(needs).static_order())
