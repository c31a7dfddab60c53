"""What a glTF file requires of its reader.

Source: Khronos, glTF 2.0, sections 3.2 and 3.12: a client must support what is in
``asset.minVersion`` and ``extensionsRequired`` in order to load the file. The names are those of
Khronos's registry, but for two of our own.
"""

import pytest
from calling import CliRunner
from gltf_files import FLOAT, strip, tree_of

from autoweight import load
from autoweight.cli import main
from autoweight.errors import FileError


def needing(name, *places):
    """The strip with a required extension and an object of it in each place."""
    file = strip()
    file.tree |= {"extensionsUsed": [name], "extensionsRequired": [name]}
    file.tree |= {"materials": [{}], "textures": [{}]}
    for place in places:
        item = file.tree
        for key in place:
            item = item[key]
        item.setdefault("extensions", {})[name] = {"number": 1}
    return file


SURFACES = [("materials", 0), ("textures", 0)]
PRIMITIVE = ("meshes", 0, "primitives", 0)


@pytest.mark.parametrize(
    ("name", "places"),
    [
        ("OWN_toon", SURFACES),
        ("KHR_materials_unlit", []),
        ("KHR_texture_basisu", []),
        ("KHR_materials_variants", [(), PRIMITIVE]),
        ("KHR_lights_punctual", [(), ("nodes", 2)]),
        ("KHR_mesh_quantization", []),
        ("EXT_mesh_gpu_instancing", [("nodes", 0)]),
        ("KHR_xmp_json_ld", [(), ("asset",)]),
        ("KHR_node_visibility", [("nodes", 0)]),
    ],
)
def test_what_moves_no_vertex_comes_back(tmp_path, name, places):
    path, out = needing(name, *places).glb(tmp_path / "rig.glb"), tmp_path / "out.glb"
    done = CliRunner().invoke(main, ["solve", str(path), "-o", str(out), "--method", "nearest"])
    assert done.exit_code == 0, done.output
    before, after = tree_of(path), tree_of(out)
    for kind in ("extensions", "extensionsUsed", "extensionsRequired", "materials", "nodes"):
        assert before.get(kind) == after.get(kind)


@pytest.mark.parametrize(
    ("name", "places"),
    [
        ("OWN_bend", []),
        ("OWN_bend", [()]),
        ("OWN_bend", [*SURFACES, PRIMITIVE]),
        ("OWN_bend", [("nodes", 1)]),
        ("OWN_bend", [("accessors", 0)]),
        ("OWN_bend", [("skins", 0)]),
        ("KHR_accessor_float64", []),
    ],
)
@pytest.mark.parametrize("command", ["solve", "info"])
def test_what_may_move_vertices_is_refused(tmp_path, command, name, places):
    path, out = needing(name, *places).glb(tmp_path / "rig.glb"), tmp_path / "out.glb"
    done = CliRunner().invoke(main, [command, str(path), *["-o", str(out)] * (command == "solve")])
    assert done.exit_code == 2, done.output
    assert done.stderr == (
        f"autoweight: {path}: requires the extension {name}, which is not known here and may "
        "change where vertices or joints are; export it without\n"
    )
    assert not out.exists()


def test_what_is_used_and_not_required_is_let_pass(tmp_path):
    file = needing("OWN_bend", PRIMITIVE)
    del file.tree["extensionsRequired"]
    assert len(load(file.glb(tmp_path / "rig.glb")).mesh.vertices) == 10


def test_what_somebody_keeps_in_extras_is_no_extension(tmp_path):
    file = needing("OWN_toon", *SURFACES)
    file.tree["nodes"][0]["extras"] = {"extensions": {"OWN_toon": {}}}
    assert len(load(file.glb(tmp_path / "rig.glb")).mesh.vertices) == 10


@pytest.mark.parametrize("version", ["2.0", "1.0"])
def test_a_least_version_that_is_supported(tmp_path, version):
    file = strip()
    file.tree["asset"] = {"version": "2.1", "minVersion": version}
    assert len(load(file.glb(tmp_path / "rig.glb")).mesh.vertices) == 10


@pytest.mark.parametrize(
    ("version", "said"),
    [
        ("2.1", r"needs a reader of glTF 2\.1 \(asset\.minVersion\); export it as glTF 2\.0"),
        ("10.0", r"needs a reader of glTF 10\.0"),
        ("two", r"\$\.asset\.minVersion"),
    ],
)
def test_a_least_version_that_is_not(tmp_path, version, said):
    file = strip()
    file.tree["asset"]["minVersion"] = version
    with pytest.raises(FileError, match=said):
        load(file.glb(tmp_path / "rig.glb"))


def test_what_is_drawn_many_times_gets_no_first_skin(tmp_path):
    file = strip(weights=False, skin=False)
    where = file.accessor([(0, 0, 0), (5, 0, 0)], FLOAT, "VEC3")
    instances = {"EXT_mesh_gpu_instancing": {"attributes": {"TRANSLATION": where}}}
    grass = file.add("nodes", name="grass", mesh=0, extensions=instances)
    file.tree["scenes"][0]["nodes"].append(grass)
    path, out = file.glb(tmp_path / "rig.glb"), tmp_path / "out.glb"
    arguments = ["solve", str(path), "-o", str(out), "--root", "lower", "--method", "nearest"]
    done = CliRunner().invoke(main, arguments)
    assert done.exit_code == 2, done.output
    assert "part 'grass' is drawn many times over (EXT_mesh_gpu_instancing)" in done.stderr
    assert not out.exists()
    done = CliRunner().invoke(main, [*arguments, "--part", "strip"])
    assert done.exit_code == 0, done.output
    shown = tree_of(out)["nodes"][grass]
    assert "skin" not in shown and shown["extensions"] == instances
