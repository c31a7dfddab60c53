"""Damaged files of every format: one clear error or a right result, and nothing else.

    python benchmarks/fuzz.py [--count N] [--first N] [--kinds glb,usda,...] [--keep DIR]

Case n is always the same: a small sound file of one kind, damaged by chance (bytes changed, put in
or taken out; the end cut off; a value of its JSON or a number or line of its text replaced), and a
command that reads it. A fault is a traceback, exit code 0 without a file that can be read again,
the end of the process by a signal, more than the seconds or the memory allowed. Cases run in a
child process, so that one that takes it down is a line and not the end. Printed are how many of
each kind were refused and how many gave a result; leaves with 1 where there was a fault.
"""

import argparse
import io
import json
import math
import os
import random
import re
import resource
import signal
import struct
import sys
import tempfile
import traceback
import zipfile
from collections import Counter
from collections.abc import Callable
from pathlib import Path

import numpy as np

from autoweight.cli import main as tool
from autoweight.cli import options

sys.path.insert(0, str(Path(__file__).parent.parent / "tests" / "given"))
from calling import CliRunner

SECONDS = 30
MEGABYTES = 2048

BVH = """HIERARCHY
ROOT joint_0
{
  OFFSET 0 0 0
  CHANNELS 6 Xposition Yposition Zposition Zrotation Xrotation Yrotation
  JOINT joint_1
  {
    OFFSET 1 0 0
    CHANNELS 3 Zrotation Xrotation Yrotation
    End Site
    {
      OFFSET 1 0 0
    }
  }
}
MOTION
Frames: 2
Frame Time: 0.04
0 0 0 0 0 0 0 0 0
3 1 2 10 0 0 20 -30 40
"""
RECIPE = """method = "nearest"
skip = ["joint_2"]
[[chain]]
joints = ["joint_*"]
method = "bands"
falloff = { shape = "smoother", reach = 1.2, hold = 0.1 }
[[rigid]]
joints = ["joint_2"]
[[lock]]
dominated_by = ["joint_0"]
parts = ["mesh"]
[mirror]
plane = "z"
keep = "mean"
[tidy]
max_influences = 3
prune = 0.01
bits = 8
[limits]
girth = 0.2
"""
CALLS = {
    "glb": [
        "solve FILE -o OUT.glb --method nearest",
        "check FILE",
        "tidy FILE -o OUT.gltf",
        "flex FILE -o OUT.glb",
        "info FILE --json",
    ],
    "gltf": [
        "solve FILE -o OUT.glb --method heat",
        "tidy FILE -o OUT.gltf",
        "mirror FILE -o OUT.glb --plane z",
    ],
    "usda": ["solve FILE -o OUT.usda --method nearest", "check FILE"],
    "usdc": ["tidy FILE -o OUT.usdc --flatten", "info FILE"],
    "npz": ["tidy rig.glb -o OUT.glb --weights FILE"],
    "csv": ["tidy rig.glb -o OUT.glb --weights FILE"],
    "bvh": ["flex rig.glb --bvh FILE"],
    "skeleton": ["solve mesh.obj --skeleton FILE -o OUT.glb --method nearest"],
    "ribbon": ["ribbon FILE -o OUT.json"],
    "recipe": ["solve rig.glb --recipe FILE -o OUT.glb"],
    "obj": ["solve FILE --skeleton joints.json -o OUT.glb --method nearest"],
}
"""What reads each kind of file. FILE is the damaged one, the others are sound."""

SUFFIX = {"skeleton": "json", "ribbon": "json", "recipe": "toml"}
OFTEN = ("glb", "gltf")
"""Kinds that come twice as often as others."""

ODD = (
    None, True, -1, 0, 1, 3, 255, 65536, 2**31, 2**32 - 1, 2**53, 2**63, -(2**63), 0.5, -0.0,
    1e-320, 1e30, 1e308, "", "x", "../../x", "POSITION", "\u0000", [], {}, [0], [[]], {"x": 1},
)  # fmt: skip
NUMBER = re.compile(r"-?\b\d+(\.\d+)?\b")
NUMBERS = ("-1", "0", "1", "7", "1e308", "-1e30", "nan", "inf", "4294967296", "1e-320", "0.5", "")
WORDS = ("x", "", "[", "{", "}", '"', "joint_9", "#", "true")


def make_sound(folder: Path) -> None:
    """Write a small sound file of each kind."""
    from autoweight.io import save
    from autoweight.io.gltf import made
    from autoweight.io.joints import File, listed
    from autoweight.io.ribbon import save_ribbon
    from autoweight.recipes.recipe import Recipe
    from autoweight.ribbons.ribbon import Ribbon
    from autoweight.rig import Mesh, Rig, Skeleton
    from autoweight.stages.solving import solve

    turn, along = np.meshgrid(np.arange(6) * np.pi / 3, np.linspace(0, 3, 9))
    points = np.column_stack(
        [along.ravel(), 0.3 * np.cos(turn).ravel(), 0.3 * np.sin(turn).ravel()]
    )
    ring, place = (each.ravel() for each in np.indices((8, 6)))
    a, b = 6 * ring + place, 6 * ring + (place + 1) % 6
    faces = np.concatenate([np.column_stack([a, b, a + 6]), np.column_stack([b, b + 6, a + 6])])
    rest = np.tile(np.eye(4), (3, 1, 1))
    rest[:, 0, 3] = range(3)
    skeleton = Skeleton(("joint_0", "joint_1", "joint_2"), [-1, 0, 1], rest)
    rig = made(Mesh(points, faces), skeleton)
    weights = solve(rig, Recipe(method="inverse"))
    rig = Rig(rig.mesh, rig.skeleton, weights, rig.document, {"_LOCK": np.zeros(len(points), "f4")})
    for suffix in ("glb", "gltf", "usda", "usdc", "npz", "csv"):
        if not suffix.startswith("usd") or has_usd():
            save(rig, folder / f"rig.{suffix}")
    import msgspec

    skeleton_file = msgspec.json.encode(File(listed(skeleton)))
    (folder / "joints.json").write_bytes(skeleton_file)
    (folder / "rig.skeleton").write_bytes(skeleton_file)
    edge = np.column_stack([np.linspace(0, 2, 7), np.full(7, 0.1), np.zeros(7)])
    inner = np.linspace(0, 1, 5)
    knots = np.concatenate([[0.0] * 3, inner, [1.0] * 3]), np.array([0.0, 0, 1, 1])
    strip = Ribbon(np.stack([edge, edge * (1, -1, 1)], axis=1), (3, 1), knots, skeleton)
    save_ribbon(strip, folder / "ribbon.json")
    (folder / "ribbon.json").rename(folder / "rig.ribbon")
    lines = ["v {} {} {}".format(*each) for each in points.tolist()]
    lines += ["f {} {} {}".format(*each) for each in (faces + 1).tolist()]
    for name in ("mesh.obj", "rig.obj"):
        (folder / name).write_text("\n".join(lines) + "\n")
    (folder / "rig.bvh").write_text(BVH)
    (folder / "rig.recipe").write_text(RECIPE)


def has_usd() -> bool:
    from importlib.util import find_spec

    return find_spec("pxr") is not None


def damaged(content: bytes, kind: str, chance: random.Random) -> bytes:
    """A file with one to three faults of one sort."""
    if kind in ("glb", "gltf", "skeleton", "ribbon"):
        ways: list[Callable[[bytes, random.Random], bytes]] = [other_json] * 4 + [other_bytes, cut]
    elif kind == "usdc":
        ways = [other_bytes] * 3 + [cut]
    elif kind == "npz":
        ways = [other_member] * 4 + [other_bytes, cut]
    else:
        ways = [other_text] * 4 + [other_bytes, cut]
    return chance.choice(ways)(content, chance)


def other_bytes(content: bytes, chance: random.Random) -> bytes:
    new = bytearray(content)
    for _ in range(chance.randint(1, 8)):
        place, size = chance.randrange(len(new)), chance.choice((1, 1, 1, 2, 4, 16))
        match chance.randrange(5):
            case 0:
                new[place] ^= 1 << chance.randrange(8)
            case 1:
                new[place : place + size] = bytes([chance.choice((0, 255))]) * size
            case 2:
                new[place:place] = chance.randbytes(size)
            case 3 if len(new) > size:
                del new[place : place + size]
            case _:
                new[place : place + size] = chance.randbytes(size)
    return bytes(new)


def other_member(content: bytes, chance: random.Random) -> bytes:
    """Bytes of one file of an archive changed, its checksum as it should be."""
    new = io.BytesIO()
    with zipfile.ZipFile(io.BytesIO(content)) as old, zipfile.ZipFile(new, "w") as archive:
        chosen = chance.choice(old.namelist())
        for name in old.namelist():
            held = old.read(name)
            archive.writestr(name, other_bytes(held, chance) if name == chosen else held)
    return new.getvalue()


def cut(content: bytes, chance: random.Random) -> bytes:
    return content[: chance.randrange(len(content))]


def other_text(content: bytes, chance: random.Random) -> bytes:
    """Numbers replaced, lines lost, doubled or in another place."""
    lines = content.decode().split("\n")
    for _ in range(chance.choice((1, 1, 1, 2, 3))):
        at = chance.randrange(len(lines))
        match chance.randrange(5):
            case 0:
                del lines[at : at + 1]
            case 1:
                lines.insert(chance.randrange(len(lines) + 1), lines[at])
            case 2:
                words = lines[at].split(" ")
                words[chance.randrange(len(words))] = chance.choice(WORDS)
                lines[at] = " ".join(words)
            case _:
                found = list(NUMBER.finditer(lines[at]))
                if found:
                    one = chance.choice(found)
                    new = chance.choice(NUMBERS)
                    lines[at] = lines[at][: one.start()] + new + lines[at][one.end() :]
        lines = lines or [""]
    return "\n".join(lines).encode()


def other_json(content: bytes, chance: random.Random) -> bytes:
    """Values of the JSON replaced or taken out, everything round it as it should be."""
    binary = content[:4] == b"glTF"
    length = struct.unpack("<I", content[12:16])[0] if binary else len(content)
    start = 20 if binary else 0
    tree = json.loads(content[start : start + length])
    for _ in range(chance.choice((1, 1, 1, 2, 3))):
        places = list(_places(tree))
        if not places:
            break
        # As often among the few big things as among the many small ones.
        depth = chance.choice(sorted({len(path) for path, _, _ in places}))
        _, holder, key = chance.choice([each for each in places if len(each[0]) == depth])
        if chance.random() < 0.2:
            del holder[key]
        elif chance.random() < 0.2 and isinstance(holder, list):
            holder.append(holder[key])
        else:
            old, new = holder[key], chance.choice(ODD)
            near = isinstance(old, int) and not isinstance(old, bool) and chance.random() < 0.7
            holder[key] = old + chance.choice((-1, 1, 100)) if near else new
    text = json.dumps(tree).encode()
    if not binary:
        return text
    text += b" " * (-len(text) % 4)
    rest = content[20 + length :]
    head = struct.pack("<4sIII", b"glTF", 2, 20 + len(text) + len(rest), len(text))
    return head + b"JSON" + text + rest


def _places(tree, path=()):
    items = tree.items() if isinstance(tree, dict) else enumerate(tree)
    for key, value in list(items):
        yield (*path, key), tree, key
        if isinstance(value, (dict, list)):
            yield from _places(value, (*path, key))


def case(number: int, folder: Path, kinds: list[str]) -> tuple[str, list[str]]:
    """Write the damaged file of a case; its kind, and the arguments of the call that reads it."""
    chance = random.Random(number)
    kind = kinds[number % len(kinds)]
    file = folder / f"damaged.{SUFFIX.get(kind, kind)}"
    file.write_bytes(damaged((folder / f"rig.{kind}").read_bytes(), kind, chance))
    return kind, _arguments(chance.choice(CALLS[kind]), file, folder)


def _arguments(call: str, file: Path, folder: Path) -> list[str]:
    inside = ("rig.glb", "mesh.obj", "joints.json", "OUT.")
    words = [str(file) if word == "FILE" else word for word in call.split()]
    return [str(folder / word) if word.startswith(inside) else word for word in words]


def tried(arguments: list[str]) -> tuple[str, str]:
    """Call the tool in this process: "refused", "result" or what is wrong, and what it said."""
    outputs = [Path(each) for each in arguments if Path(each).name.startswith("OUT.")]
    for path in outputs:
        path.unlink(missing_ok=True)
    done = CliRunner().invoke(tool, arguments)
    if done.exception is not None and not isinstance(done.exception, SystemExit):
        kind = "memory" if isinstance(done.exception, MemoryError) else "traceback"
        return kind, "".join(traceback.format_exception(done.exception)[-4:])
    if done.exit_code == 2:
        if done.stderr.count("\n") != 1 or any(path.exists() for path in outputs):
            return "untidy refusal", done.stderr
        return "refused", done.stderr
    if done.exit_code not in (0, 1):
        return f"exit code {done.exit_code}", done.stderr
    for path in outputs:
        if path.suffix == ".json":
            json.loads(path.read_bytes())
            continue
        again = CliRunner().invoke(tool, ["info", str(path)])
        if again.exit_code:
            return "wrong result", again.stderr or repr(again.exception)
    return "result", ""


def unharmed(folder: Path, kinds: list[str]) -> None:
    """Refuse to go on where a sound file is refused, as then no damage would show.

    Raises
    ------
    SystemExit
    """
    for kind in dict.fromkeys(kinds):
        file = folder / f"damaged.{SUFFIX.get(kind, kind)}"
        file.write_bytes((folder / f"rig.{kind}").read_bytes())
        for call in CALLS[kind]:
            came, said = tried(_arguments(call, file, folder))
            if came != "result":
                raise SystemExit(f"{call}, undamaged {kind}: {came}\n{said}")


def child(numbers: list[int], folder: Path, kinds: list[str], told: int) -> None:
    """Work through cases, and tell each before and after it is tried."""
    options.QUIET_SECONDS = math.inf  # a busy machine makes no refusal longer than a line
    limit = MEGABYTES * 2**20
    resource.setrlimit(resource.RLIMIT_DATA, (limit, limit))
    for number in numbers:
        kind, arguments = case(number, folder, kinds)
        os.write(told, json.dumps(["begun", number, kind]).encode() + b"\n")
        signal.setitimer(signal.ITIMER_PROF, SECONDS)  # of processor time
        signal.alarm(20 * SECONDS)  # the processor may be busy with others
        came, said = tried(arguments)
        signal.setitimer(signal.ITIMER_PROF, 0)
        signal.alarm(0)
        os.write(told, json.dumps([came, number, said[-1500:]]).encode() + b"\n")


def run(numbers: list[int], folder: Path, kinds: list[str], told: Callable) -> None:
    """Try cases in child processes, a new one wherever one died."""
    while numbers:
        ours, theirs = os.pipe()
        process = os.fork()
        if process == 0:
            status = 0
            try:
                os.close(ours)
                child(numbers, folder, kinds, theirs)
            except BaseException:
                traceback.print_exc()
                status = 1
            os._exit(status)
        os.close(theirs)
        last = None
        with os.fdopen(ours) as lines:
            for line in lines:
                came, number, said = json.loads(line)
                if came == "begun":
                    last = number, said
                else:
                    told(number, last[1], came, said)
                    numbers, last = numbers[numbers.index(number) + 1 :], None
        _, status = os.waitpid(process, 0)
        code = os.waitstatus_to_exitcode(status)
        if last is None:
            if code:
                raise SystemExit(f"the child left with {code}")
            return
        came = "hang" if -code in (signal.SIGALRM, signal.SIGPROF) else f"signal {-code}"
        told(*last, came, "")
        numbers = numbers[numbers.index(last[0]) + 1 :]


def main() -> int:
    parser = argparse.ArgumentParser()
    parser.add_argument("--count", type=int, default=3000)
    parser.add_argument("--first", type=int, default=0)
    parser.add_argument("--kinds", default="")
    parser.add_argument("--keep", type=Path, help="folder for files that were a fault")
    asked = parser.parse_args()
    every = [kind for kind in CALLS if has_usd() or not kind.startswith("usd")]
    kinds = asked.kinds.split(",") if asked.kinds else [*every, *OFTEN]
    counts: dict[str, Counter[str]] = {kind: Counter() for kind in kinds}
    faults = 0

    with tempfile.TemporaryDirectory() as scratch:
        folder = Path(scratch)
        process = os.fork()
        if process == 0:
            status = 1
            try:
                make_sound(folder)
                unharmed(folder, kinds)
                status = 0
            except BaseException as error:
                print(repr(error), file=sys.stderr)
            finally:
                os._exit(status)
        if os.waitpid(process, 0)[1]:
            return 1

        def told(number: int, kind: str, came: str, said: str) -> None:
            nonlocal faults
            counts[kind][came] += 1
            if came not in ("refused", "result"):
                faults += 1
                _, arguments = case(number, folder, kinds)
                print(f"case {number}, {kind}: {came}\n  {' '.join(arguments)}\n{said}", flush=True)
                if asked.keep:
                    asked.keep.mkdir(exist_ok=True)
                    (file,) = (each for each in arguments if "damaged." in each)
                    content = Path(file).read_bytes()
                    (asked.keep / f"{number}.{Path(file).suffix[1:]}").write_bytes(content)

        run(list(range(asked.first, asked.first + asked.count)), folder, kinds, told)
    for kind, count in counts.items():
        print(f"{kind:10}" + ", ".join(f"{came} {many}" for came, many in sorted(count.items())))
    print(f"{asked.count} cases, {faults} faults")
    return int(faults > 0)


if __name__ == "__main__":
    sys.exit(main())
