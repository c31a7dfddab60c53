"""Pictures and other files that a layer refers to, where it is written as one file.

A stage that is flattened names them by where they are on this machine. Another file beside them
finds them the same way from where it will be; a ``.usdz`` package holds them, and no other package,
as its specification allows none in one (OpenUSD, USDZ File Format Specification).
"""

from __future__ import annotations

import os
from pathlib import Path
from typing import Any
from zipfile import BadZipFile, ZipFile

from autoweight.errors import FileError
from autoweight.io.usd.library import bindings

__all__ = ["named_from", "pack", "seen_from"]


def named_from(path: Path, layer: Any) -> None:
    """Let a layer name files by where they are seen from the file it goes to."""

    def named(asset: str) -> str:
        return seen_from(path, Path(asset)) if os.path.isabs(asset) else asset

    bindings().UsdUtils.ModifyAssetPaths(layer, named)


def seen_from(path: Path, other: Path) -> str:
    """Where one file is, seen from another, as a layer says it."""
    here = os.path.relpath(other.resolve(), path.resolve().parent).replace(os.sep, "/")
    return here if here.startswith(".") else f"./{here}"


def pack(layer: Any, path: Path, folder: Path) -> Path:
    """Write a layer and what it refers to as a package.

    Parameters
    ----------
    layer : Sdf.Layer
    path : Path
        Whose name it has.
    folder : Path
        Where it is made; an empty one.

    Returns
    -------
    Path
        The package.

    Raises
    ------
    FileError
        A package that it refers to is damaged.
    """
    pxr = bindings()
    unpacked: dict[str, Path] = {}

    def plain(asset: str) -> str:
        packed = pxr.Ar.IsPackageRelativePath(asset)
        return str(_unpacked(asset, folder, unpacked)) if packed else asset

    pxr.UsdUtils.ModifyAssetPaths(layer, plain)
    # By itself, so that the library gives all others a place in the package.
    name, package = folder / "layer" / f"{path.stem}.usdc", folder / path.name
    name.parent.mkdir()
    layer.Export(str(name))
    pxr.UsdUtils.CreateNewUsdzPackage(pxr.Sdf.AssetPath(str(name)), str(package))
    return package


def _unpacked(asset: str, folder: Path, unpacked: dict[str, Path]) -> Path:
    """Where a file of a package is, once the package, which may be in another, is unpacked."""
    ar = bindings().Ar
    if not ar.IsPackageRelativePath(asset):
        return Path(asset)
    package, inner = ar.SplitPackageRelativePathInner(asset)
    if package not in unpacked:
        content = _unpacked(package, folder, unpacked)
        place = folder / "unpacked" / str(len(unpacked))
        try:
            with ZipFile(content) as archive:
                if sum(each.file_size for each in archive.infolist()) > content.stat().st_size:
                    raise FileError(f"package {package} claims more than it has; export it again")
                archive.extractall(place)
        except (OSError, BadZipFile) as error:
            raise FileError(
                f"package {package} cannot be read ({error}); export it again"
            ) from error
        unpacked[package] = place
    return unpacked[package] / inner
