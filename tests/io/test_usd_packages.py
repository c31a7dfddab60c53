"""Pictures that a stage shows are found wherever it is written.

Source: OpenUSD, "USDZ File Format Specification": a package may hold layers, pictures and sounds,
uncompressed, and no other package.
"""

from __future__ import annotations

import shutil
from pathlib import Path
from zipfile import ZIP_DEFLATED, ZIP_STORED, ZipFile

import pytest
from tori import torus, weighted

from autoweight.errors import FileError
from autoweight.io import load, save

pxr = pytest.importorskip("pxr", reason="usd-core is not installed")
from pxr import Sdf, UsdUtils  # noqa: E402
from usd_stages import stage_at  # noqa: E402

from autoweight.io.usd import packages  # noqa: E402


def picture(stage, name, asset):
    prim = stage.DefinePrim(f"/Rig/{name}", "Shader")
    prim.CreateAttribute("inputs:file", Sdf.ValueTypeNames.Asset).Set(asset)


def shown(path, name="Look"):
    """What a stage calls a picture, and where that is."""
    stage = stage_at(path)
    asset = stage.GetPrimAtPath(f"/Rig/{name}").GetAttribute("inputs:file").Get()
    return asset.path, Path(asset.resolvedPath)


@pytest.fixture
def rig(tmp_path):
    """A stage with a picture in a folder beside it."""
    path = tmp_path / "home" / "rig.usda"
    (path.parent / "looks").mkdir(parents=True)
    (path.parent / "looks" / "skin.png").write_bytes(b"skin")
    save(weighted(*torus(16, 8)), path)
    stage = stage_at(path)
    picture(stage, "Look", "./looks/skin.png")
    stage.GetRootLayer().Save()
    return path


@pytest.fixture
def package(rig, tmp_path):
    path = tmp_path / "rig.usdz"
    UsdUtils.CreateNewUsdzPackage(str(rig), str(path))
    return path


def contents(path):
    with ZipFile(path) as archive:
        assert all(each.compress_type == ZIP_STORED for each in archive.infolist())
        return {each.filename: archive.read(each) for each in archive.infolist()}


def test_a_package_written_again_and_again_holds_its_pictures_and_no_package(package, tmp_path):
    sizes = []
    for number in range(3):
        out = tmp_path / f"out{number % 2}.usdz"
        save(load(package), out)
        files = contents(out)
        layer, name = files
        assert layer == f"out{number % 2}.usdc" and name.endswith("skin.png")
        assert files[name] == b"skin"
        assert shown(out)[0] == name
        sizes.append(out.stat().st_size)
        package = out
    assert len(set(sizes)) == 1
    save(load(package), package, force=True)
    assert len(contents(package)) == 2


def test_pictures_of_one_name_in_two_packages_and_beside_them_stay_apart(package, rig, tmp_path):
    other = tmp_path / "other.usdz"
    (rig.parent / "looks" / "skin.png").write_bytes(b"other")
    UsdUtils.CreateNewUsdzPackage(str(rig), str(other))
    (tmp_path / "skin.png").write_bytes(b"beside")
    top = tmp_path / "top.usda"
    layer = Sdf.Layer.CreateNew(str(top))
    layer.subLayerPaths.append("./rig.usdz")
    layer.defaultPrim = "Rig"
    layer.Save()
    stage = stage_at(top)
    picture(stage, "Second", "./other.usdz[looks/skin.png]")
    picture(stage, "Third", "./skin.png")
    stage.GetRootLayer().Save()
    out = tmp_path / "out.usdz"
    save(load(top), out)
    files = contents(out)
    assert len(files) == 4
    for name, wanted in (("Look", b"skin"), ("Second", b"other"), ("Third", b"beside")):
        assert files[shown(out, name)[0]] == wanted


@pytest.mark.parametrize("suffix", [".usda", ".usdc"])
def test_a_flattened_file_names_pictures_from_where_it_is(rig, package, tmp_path, suffix):
    for source, name in ((rig, "../home/looks/skin.png"), (package, "../rig.usdz[looks/skin.png]")):
        out = tmp_path / "out" / f"flat{suffix}"
        out.parent.mkdir(exist_ok=True)
        save(load(source), out, flatten=True)
        assert shown(out)[0] == name
        assert shown(out)[1].name == Path(name).name
    moved = tmp_path / "moved"
    moved.mkdir()
    for each in (rig.parent, out.parent, package):
        shutil.move(each, moved / each.name)
    assert str(shown(moved / "out" / out.name)[1]).startswith(str(moved))


def test_a_package_that_claims_more_than_it_has_is_refused(tmp_path):
    with ZipFile(tmp_path / "bomb.usdz", "w", ZIP_DEFLATED) as archive:
        archive.writestr("skin.png", bytes(10**6))
    layer = Sdf.Layer.CreateAnonymous(".usda")
    prim = Sdf.CreatePrimInLayer(layer, "/Rig")
    spec = Sdf.AttributeSpec(prim, "look", Sdf.ValueTypeNames.Asset)
    spec.default = Sdf.AssetPath(f"{tmp_path}/bomb.usdz[skin.png]")
    folder = tmp_path / "folder"
    folder.mkdir()
    with pytest.raises(FileError, match=r"bomb\.usdz claims more than it has; export it again"):
        packages.pack(layer, tmp_path / "out.usdz", folder)
    assert list(folder.iterdir()) == []
