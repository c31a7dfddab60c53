"""Imports go one way: the rooms of the package form no cycle, and nothing imports `cli`."""

import ast
from graphlib import TopologicalSorter
from pathlib import Path

PACKAGE = Path(__file__).parent.parent / "autoweight"


def room(path: Path) -> str:
    return path.relative_to(PACKAGE).parts[0].removesuffix(".py")


def imported(path: Path) -> set[str]:
    """Rooms that a module imports, inside functions too."""
    found = set()
    for node in ast.walk(ast.parse(path.read_text())):
        if isinstance(node, ast.ImportFrom) and node.module:
            names = [node.module]
            if node.module == "autoweight":
                names = [f"autoweight.{alias.name}" for alias in node.names]
        elif isinstance(node, ast.Import):
            names = [alias.name for alias in node.names]
        else:
            continue
        found |= {name.split(".")[1] for name in names if name.startswith("autoweight.")}
    return found


def graph() -> dict[str, set[str]]:
    needs: dict[str, set[str]] = {}
    for path in PACKAGE.rglob("*.py"):
        if path != PACKAGE / "__init__.py":
            needs.setdefault(room(path), set()).update(imported(path) - {room(path)})
    return needs


def test_rooms_form_no_cycle():
    assert "rig" in list(TopologicalSorter(graph()).static_order())


def test_nothing_imports_the_command_line():
    assert [name for name, needs in graph().items() if "cli" in needs] == []
