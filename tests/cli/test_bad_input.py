"""Input that cannot be used: one clear message, exit code 2, and nothing written or lost."""

import os
import resource
import subprocess
import sys
from pathlib import Path

import numpy as np
import pytest
from calling import CliRunner
from gltf_files import FLOAT, POSITIONS, USHORT, strip

from autoweight.cli import main

KEPT = b"what was there before"


def truncated(file, path):
    content = file.glb(path).read_bytes()
    path.write_bytes(content[: len(content) // 2])


def index_out_of_range(file, path):
    primitive = file.tree["meshes"][0]["primitives"][0]
    primitive["indices"] = file.accessor([0, 1, 999], USHORT)
    file.glb(path)


def positions(file, path, values):
    attributes = file.tree["meshes"][0]["primitives"][0]["attributes"]
    attributes["POSITION"] = file.accessor(values, FLOAT, "VEC3")
    for bound in ("min", "max"):
        del file.tree["accessors"][-1][bound]  # NaN is no JSON
    file.glb(path)


def nan_position(file, path):
    positions(file, path, [(np.nan, 0, 0), *POSITIONS[1:]])


def empty_mesh(file, path):
    primitive = file.tree["meshes"][0]["primitives"][0]
    primitive["indices"] = file.accessor([0, 1], USHORT)
    file.glb(path)


def no_area(file, path):
    positions(file, path, [(float(number), 0, 0) for number in range(10)])


def one_place(file, path):
    positions(file, path, [(1.0, 2.0, 3.0)] * 10)


def cycle(file, path):
    file.tree["nodes"][2]["children"] = [1]
    file.glb(path)


def no_joints(file, path):
    file.tree["skins"][0]["joints"] = []
    file.glb(path)


def no_skin(file, path):
    del file.tree["skins"], file.tree["nodes"][0]["skin"]
    file.glb(path)


def not_json(file, path):
    file.tree["asset"]["version"] = 2
    file.glb(path)


def not_there(file, path):
    pass


@pytest.mark.parametrize(
    ("make", "message"),
    [
        (truncated, "is truncated: it should have"),
        (index_out_of_range, "part 'strip' has a face that points to vertex 999 of 10"),
        (nan_position, "1 vertex positions are not finite, the first is vertex 0"),
        (empty_mesh, "the mesh is empty"),
        (no_area, "no face of the mesh has any area"),
        (one_place, "all vertices are in one place"),
        (cycle, "is its own ancestor; break the cycle"),
        (no_joints, "has no joints"),
        (no_skin, "name the top one with --root, such as 'lower'"),
        (not_json, "Expected `str`, got `int` - at `$.asset.version`"),
        (not_there, "cannot read (No such file or directory)"),
    ],
)
def test_solve_refuses(tmp_path, make, message):
    rig, out = tmp_path / "rig.glb", tmp_path / "out.glb"
    make(strip(), rig)
    out.write_bytes(KEPT)
    before = sorted(tmp_path.iterdir())
    done = CliRunner().invoke(main, ["solve", str(rig), "-o", str(out)])
    assert done.exit_code == 2, done.output
    assert done.stdout == ""
    (line,) = done.stderr.splitlines()
    assert line.startswith(f"autoweight: {rig}: ")
    assert message in line
    assert out.read_bytes() == KEPT
    assert sorted(tmp_path.iterdir()) == before


def test_the_rig_itself_needs_force(tmp_path):
    rig = strip().glb(tmp_path / "rig.glb")
    before = rig.read_bytes()
    done = CliRunner().invoke(main, ["solve", str(rig), "-o", str(rig)])
    assert done.exit_code == 2
    assert done.stderr == (
        f"autoweight: {rig}: is the file the rig was read from; choose another name or pass "
        "--force\n"
    )
    assert rig.read_bytes() == before
    done = CliRunner().invoke(main, ["solve", str(rig), "-o", str(rig), "--force"])
    assert done.exit_code == 0, done.output
    assert rig.read_bytes() != before


def test_no_such_folder(tmp_path):
    rig = strip().glb(tmp_path / "rig.glb")
    out = tmp_path / "none" / "out.glb"
    done = CliRunner().invoke(main, ["solve", str(rig), "-o", str(out)])
    assert done.exit_code == 2
    assert done.stderr.startswith(f"autoweight: {out}: cannot write, there is no folder")


@pytest.mark.skipif(os.geteuid() == 0, reason="root may write anywhere")
def test_no_write_permission(tmp_path):
    rig, out = strip().glb(tmp_path / "rig.glb"), tmp_path / "out.glb"
    out.write_bytes(KEPT)
    out.chmod(0o400)
    done = CliRunner().invoke(main, ["solve", str(rig), "-o", str(out)])
    assert done.exit_code == 2
    assert done.stderr.startswith(f"autoweight: {out}: cannot write (Permission denied)")
    assert out.read_bytes() == KEPT


def test_full_disk(tmp_path):
    # A limit on file size stands for a full disk: the kernel refuses the write half way.
    rig, out = strip().glb(tmp_path / "rig.glb"), tmp_path / "out.glb"
    out.write_bytes(KEPT)
    done = subprocess.run(
        [sys.executable, "-c", "from autoweight.cli import main; main()", "solve", rig, "-o", out],
        capture_output=True,
        text=True,
        check=False,
        env=os.environ | {"PYTHONPATH": str(Path(__file__).parents[2])},
        preexec_fn=lambda: resource.setrlimit(resource.RLIMIT_FSIZE, (512, 512)),
    )
    assert done.returncode == 2, done.stderr
    assert done.stderr.splitlines()[-1].startswith(f"autoweight: {out}: cannot write")
    assert out.read_bytes() == KEPT
    assert sorted(tmp_path.iterdir()) == [out, rig]


WRITING = {
    "view": ("-o", "OUT"),
    "report": ("-o", "OUT"),
    "recipe": ("-o", "OUT"),
    "solve": ("-o", "OUT"),
    "tidy": ("-o", "OUT"),
    "mirror": ("-o", "OUT"),
    "flex": ("-o", "OUT"),
    "explain": ("--turn", "lower=x:10", "--at", "0", "-o", "OUT"),
    "mask": ("--chain", "lower:upper", "--full", "upper:upper", "--zero", "lower", "-o", "OUT"),
    "ribbon": ("-o", "OUT"),
    "bench": ("--csv", "OUT"),
}


@pytest.mark.parametrize("place", ["none/out{suffix}", "rig.glb", "out.txt"])
@pytest.mark.parametrize("name", WRITING)
def test_every_command_that_writes_refuses_a_bad_place(tmp_path, name, place):
    rig = strip().glb(tmp_path / "rig.glb")
    suffix = {"view": ".html", "report": ".html", "recipe": ".toml", "bench": ".csv"}.get(
        name, ".glb"
    )
    out = tmp_path / place.format(suffix=suffix)
    before = {path: path.read_bytes() for path in tmp_path.iterdir()}
    arguments = [str(out) if each == "OUT" else each for each in WRITING[name]]
    done = CliRunner().invoke(main, [name, str(rig), *arguments])
    assert done.exit_code == 2, done.output
    assert done.stdout == ""
    (line,) = done.stderr.splitlines()
    assert line.startswith(f"autoweight: {out}: ")
    assert {path: path.read_bytes() for path in tmp_path.iterdir()} == before


def test_a_method_of_the_users_own_that_fails_is_one_line(tmp_path):
    rig, out = strip().glb(tmp_path / "rig.glb"), tmp_path / "out.glb"
    done = CliRunner().invoke(main, ["solve", str(rig), "-o", str(out), "--method", "os:getcwd"])
    assert done.exit_code == 2, done.output
    (line,) = done.stderr.splitlines()
    assert line.startswith(f"autoweight: {rig}: method 'os:getcwd' failed (TypeError: ")
    assert not out.exists()


def test_a_mask_is_not_lost_in_a_format_without_attributes(tmp_path):
    rig, out = strip().glb(tmp_path / "rig.glb"), tmp_path / "out.csv"
    done = CliRunner().invoke(
        main,
        ["mask", str(rig), "-o", str(out), "--chain", "lower:upper"]
        + ["--full", "upper:upper", "--zero", "lower"],
    )
    assert done.exit_code == 2
    assert done.stderr.startswith(f"autoweight: {out}: cannot write '.csv'; use one of .glb")


@pytest.mark.parametrize(
    "arguments",
    [
        ["check", "none.glb"],
        ["check", "none.obj", "--skeleton", "rig.glb"],
        ["ribbon", "none.json", "-o", "out.json"],
        ["solve", "rig.glb", "-o", "out.glb", "--recipe", "none.toml"],
        ["tidy", "rig.glb", "-o", "out.glb", "--weights", "none.csv"],
        ["flex", "rig.glb", "--bvh", "none.bvh"],
        ["solve", "rig.glb", "-o", "out.glb", "--recipe", "locked.toml"],
    ],
)
def test_a_file_that_is_not_there_is_named_with_the_mend(tmp_path, monkeypatch, arguments):
    monkeypatch.chdir(tmp_path)
    strip().glb(tmp_path / "rig.glb")
    Path("locked.toml").write_text('[[lock]]\nfile = "none.txt"\n')
    if "none.obj" in arguments:
        Path("none.obj").write_text("v 0 0 0\nv 1 0 0\nv 0 1 0\nf 1 2 3\n")
        arguments = [*arguments[:-1], "none.json"]
    done = CliRunner().invoke(main, arguments)
    assert done.exit_code == 2, done.output
    (line,) = done.stderr.splitlines()
    said = "cannot read (No such file or directory); check its path and permissions"
    assert "none." in line and line.endswith(said)


@pytest.mark.parametrize("vertices", ["0-99999999999", "5-2", "400", ""])
def test_vertices_to_explain_that_are_not_there(tmp_path, vertices):
    rig = strip().glb(tmp_path / "rig.glb")
    done = CliRunner().invoke(main, ["explain", str(rig), "--turn", "lower=x:10", "--at", vertices])
    assert done.exit_code == 2, done.output
    assert done.stderr.startswith(f"autoweight: {rig}: ") and done.stderr.count("\n") == 1


def test_info_tells_of_a_mesh_that_nothing_else_can_use(tmp_path):
    path = tmp_path / "flat.glb"
    positions(strip(), path, [(x, 0, 0) for x, _, _ in POSITIONS])
    run = CliRunner().invoke(main, ["info", str(path)])
    assert run.exit_code == 0, run.output
    assert "not told: no face of the mesh has any area" in run.stdout


@pytest.mark.parametrize(
    ("arguments", "said"),
    [
        (("check", "."), ".: is a folder; name a file, .glb or "),
        (("learn", "rig.glb", "-o", "out.txt"), "out.txt: cannot write '.txt'; use .npz"),
        (
            ("mirror", "rig.glb", "-o", "out.glb", "--pair", "a=b"),
            "rig.glb: mirror.pairs: no joint is named 'a'; ",
        ),
        (
            ("solve", "rig.glb", "-o", "out.glb", "--method", "het"),
            "rig.glb: method: no method is named 'het', and one of your own is "
            "package.module:function; did you mean 'heat'?",
        ),
    ],
)
def test_what_is_said_reads_as_a_sentence(tmp_path, monkeypatch, arguments, said):
    monkeypatch.chdir(tmp_path)
    strip().glb(tmp_path / "rig.glb")
    done = CliRunner().invoke(main, list(arguments))
    assert done.exit_code == 2
    assert done.stderr.startswith(f"autoweight: {said}") and done.stderr.count("\n") == 1


def test_a_name_that_is_too_long(tmp_path):
    rig, out = strip().glb(tmp_path / "rig.glb"), tmp_path / ("x" * 252 + ".glb")
    done = CliRunner().invoke(main, ["solve", str(rig), "-o", str(out)])
    assert done.exit_code == 2, done.output
    assert (
        done.stderr
        == f"autoweight: {out}: cannot write (File name too long); choose another name\n"
    )


@pytest.mark.parametrize("method", [":", "os:", ":solve"])
def test_half_an_address_of_a_method(tmp_path, method):
    rig, out = strip().glb(tmp_path / "rig.glb"), tmp_path / "out.glb"
    done = CliRunner().invoke(main, ["solve", str(rig), "-o", str(out), "--method", method])
    assert done.exit_code == 2, done.output
    assert f"no method is named {method!r}" in done.stderr


@pytest.mark.parametrize("wave", ["nan,1,x", "1,inf,x", "one,1,x"])
def test_a_wave_of_no_size(tmp_path, wave):
    rig, out = strip().glb(tmp_path / "rig.glb"), tmp_path / "out.glb"
    asked = ["--chain", "lower:upper", "--full", "upper:upper", "--zero", "lower", "--wave", wave]
    done = CliRunner().invoke(main, ["mask", str(rig), "-o", str(out), *asked])
    assert done.exit_code == 2, done.output
    assert done.stderr.startswith(f"autoweight: --wave {wave!r}: size and length are numbers")
    assert not out.exists()


@pytest.mark.skipif(not Path("/dev/full").exists(), reason="the system has no disk that is full")
@pytest.mark.parametrize("arguments", [["check"], ["check", "--json"], ["recipe"]])
def test_what_is_printed_goes_to_a_full_disk(tmp_path, arguments):
    rig = strip().glb(tmp_path / "rig.glb")
    command = [sys.executable, "-m", "autoweight", *arguments, str(rig)]
    with open("/dev/full", "w") as full:
        done = subprocess.run(command, stdout=full, stderr=subprocess.PIPE, text=True)
    assert done.returncode == 2
    assert done.stderr.startswith("autoweight: standard output: cannot write (No space left")
    assert done.stderr.count("\n") == 1


def test_names_do_not_steer_the_terminal(tmp_path):
    file = strip()
    file.tree["nodes"][1]["name"] = "\x1b[31mlower\n"
    done = CliRunner().invoke(main, ["info", str(file.glb(tmp_path / "rig.glb"))])
    assert done.exit_code == 0, done.output
    assert "\x1b" not in done.stdout and r"\x1b[31mlower\n" in done.stdout
