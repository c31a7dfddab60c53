"""A folder of small characters: rings of eight joints in tubes of different girth."""

from __future__ import annotations

import hashlib
from pathlib import Path

from tori import bare, torus

from autoweight import save
from autoweight.cast.sheet import Cast, parse_cast

CAST = 'character = [{ rig = "*.glb" }]\ndefaults = { page = false }\n'


def troupe(folder: Path, *names: str) -> None:
    """Write a rig for each name."""
    for number, name in enumerate(names):
        save(bare(*torus(30, 12, tube=0.3 + 0.02 * number)), folder / f"{name}.glb")


def coarser(folder: Path, name: str, around: int, tube: float = 0.3) -> None:
    """Write the same ring with fewer triangles."""
    save(bare(*torus(around, around // 3, tube=tube)), folder / f"{name}.glb")


def cast(folder: Path, text: str = CAST) -> Cast:
    """A cast file in a folder."""
    (folder / "cast.toml").write_text(text)
    return parse_cast(text, str(folder / "cast.toml"))


def contents(folder: Path) -> dict[str, str]:
    """Digest of every file of the results that does not tell of the run itself."""
    told = {"cast.csv", "cast.json", "index.html"}
    return {
        str(path.relative_to(folder)): hashlib.sha256(path.read_bytes()).hexdigest()
        for path in sorted(folder.rglob("*"))
        if path.is_file() and ".kept" not in path.parts and path.name not in told
    }
