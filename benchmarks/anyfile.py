"""Every command on every rig of some folders, each in a process of its own.

    python benchmarks/anyfile.py [FOLDER...] [--seconds N] [--megabytes N] [--only COMMAND,...]

takes the rigs of the folders given, else the open reference rigs beside the checkout and the
files of the demo. A rig is weighted first, and what the other commands get is the result.

Printed is a matrix with a line for each rig: `.` all is well, `!` something to look at (exit code
1), `-` refused in one line (2), and as faults `T` a traceback, `S` a signal, `H` not done in time
(of the processor), `M` more memory than allowed. Then what was said where something was refused or
went wrong. Leaves with 1 where there was a fault.
"""

import argparse
import json
import os
import resource
import signal
import subprocess
import sys
import tempfile
import threading
from collections import Counter
from collections.abc import Iterator
from pathlib import Path

ROOT = Path(__file__).parents[1]
RIGS = ROOT.parent / "shared" / "data"
SUFFIXES = (".glb", ".gltf", ".usda", ".usdc", ".usdz")
MARKS = {0: ".", 1: "!", 2: "-"}
FAULTS = "TSHM"


def calls(rig: str, weighted: str, folder: str, facts: dict) -> Iterator[tuple[str, list[str]]]:
    """A column's name and the arguments of a call, in the order in which they need each other.

    Parameters
    ----------
    rig, weighted : str
        The file as it came, and where it goes with weights.
    folder : str
        For everything else that is written.
    facts : dict
        What ``info --json`` says of the rig, or of the first character in it; and ``plane``, if
        it is not x that the rig is mirrored across.
    """
    end = "." + weighted.rpartition(".")[2]

    def out(name: str) -> tuple[str, str]:
        return "-o", f"{folder}/{name}"

    chosen = ["--root", facts["character"]] if facts.get("character") else []
    longest = max(facts["chains"].values(), key=len)
    first, last = longest[0], longest[-1]
    yield "solve", ["solve", rig, *out(Path(weighted).name)]
    yield "info", ["info", weighted]
    yield "check", ["check", weighted]
    yield "recipe", ["recipe", weighted, *chosen, *out("recipe.toml"), "--force"]
    yield "by it", ["solve", rig, *chosen, *out("by_it" + end), "--recipe", f"{folder}/recipe.toml"]
    yield "refine", ["solve", rig, *out("refined" + end), "--refine"]
    across = ["--plane", facts.get("plane", "x"), "--keep", "mean"]
    yield "mirror", ["mirror", weighted, *out("even" + end), *across]
    yield "tidy", ["tidy", weighted, *out("tidy" + end), "--max-influences", "3", "--bits", "8"]
    yield "carry", ["carry", weighted, rig, *out("carried" + end)]
    yield "compare", ["compare", weighted, f"{folder}/tidy{end}"]
    yield "flex", ["flex", weighted, *out("motion" + end)]
    turn = ["--turn", f"{first}=x:40", "--region", first]
    yield "explain", ["explain", weighted, *chosen, *turn]
    along = ["--chain", f"{first}:{last}", "--full", f"{last}:{last}", "--zero", first]
    yield "mask", ["mask", weighted, *chosen, *out("mask" + end), *along]
    yield "ribbon", ["ribbon", weighted, *chosen, *out("ribbon" + end)]
    yield "bench", ["bench", weighted, *chosen, "--methods", "nearest", "--repeats", "1"]
    yield "view", ["view", weighted, *out("page.html"), "--png", f"{folder}/pictures"]
    yield "report", ["report", weighted, *out("report.html")]


def ran(arguments: list[str], seconds: float, megabytes: float) -> tuple[str, str, str]:
    """Call the tool in a process of its own: a mark, what it printed, what it complained of."""
    environment = os.environ | {"PYTHONPATH": str(ROOT), "OMP_NUM_THREADS": "1"}
    limit = round(seconds)
    with tempfile.TemporaryFile("w+") as said, tempfile.TemporaryFile("w+") as wrong:
        process = subprocess.Popen(
            [sys.executable, "-m", "autoweight", *arguments],
            stdout=said,
            stderr=wrong,
            env=environment,
            start_new_session=True,
            preexec_fn=lambda: resource.setrlimit(resource.RLIMIT_CPU, (limit, limit)),
        )
        stuck = threading.Timer(20 * seconds, os.killpg, (process.pid, signal.SIGKILL))
        stuck.start()  # what waits for ever uses no processor
        _, status, usage = os.wait4(process.pid, 0)
        stuck.cancel()
        process.returncode = code = os.waitstatus_to_exitcode(status)
        said.seek(0)
        wrong.seek(0)
        text, complaint = said.read(), wrong.read()
    if code in (-signal.SIGXCPU, -signal.SIGKILL):
        return "H", text, f"not done in {seconds:g} s of processor time"
    peak = usage.ru_maxrss / 1024
    if "Traceback" in complaint:
        return "T", text, complaint
    if code not in MARKS:
        return "S", text, f"left with {code}: {complaint}"
    if peak > megabytes:
        return "M", text, f"{peak:.0f} MB"
    return MARKS[code], text, complaint


def tried(rig: Path, seconds: float, megabytes: float, only: set[str]) -> dict[str, tuple]:
    """Mark and complaint of each call on one rig."""
    mark, text, complaint = ran(["info", str(rig), "--json"], seconds, megabytes)
    if mark != ".":
        return {"info": (mark, complaint)}
    facts = json.loads(text)
    facts = (facts.get("characters") or [facts])[0]
    found = {}
    with tempfile.TemporaryDirectory() as folder:
        weighted = f"{folder}/weighted{rig.suffix}"
        for name, arguments in calls(str(rig), weighted, folder, facts):
            if not only or name in only or name in ("solve", "recipe", "tidy"):
                mark, _, complaint = ran(arguments, seconds, megabytes)
                found[name] = mark, complaint
    return found


def first_folders(scratch: Path) -> list[Path]:
    """The reference rigs, and the files the demo makes."""
    subprocess.run(
        [sys.executable, "-m", "autoweight", "demo", str(scratch), "--quiet"],
        check=True,
        stdout=subprocess.DEVNULL,
        env=os.environ | {"PYTHONPATH": str(ROOT)},
    )
    return [RIGS, RIGS / "rigs", scratch]


def main() -> int:
    parser = argparse.ArgumentParser()
    parser.add_argument("folders", nargs="*", type=Path)
    parser.add_argument("--seconds", type=float, default=120)
    parser.add_argument("--megabytes", type=float, default=2048)
    parser.add_argument("--only", default="", help="columns, with commas")
    asked = parser.parse_args()
    only = set(filter(None, asked.only.split(",")))
    complaints: dict[tuple[str, str], list[str]] = {}
    count: Counter[str] = Counter()
    header = False
    with tempfile.TemporaryDirectory() as scratch:
        folders = asked.folders or first_folders(Path(scratch))
        rigs = [path for folder in folders for path in sorted(folder.iterdir())]
        for rig in [path for path in rigs if path.suffix.lower() in SUFFIXES]:
            found = tried(rig, asked.seconds, asked.megabytes, only)
            if not header and len(found) > 1:
                print(f"{'':24}" + " ".join(found))
                header = True
            marks = " ".join(mark.center(len(name)) for name, (mark, _) in found.items())
            print(f"{rig.name[:23]:24}{marks}", flush=True)
            for name, (mark, complaint) in found.items():
                count[mark] += 1
                if mark in FAULTS + "-":
                    lines = complaint.strip().splitlines() or [""]
                    said = lines[-1].replace(str(rig), rig.name)
                    complaints.setdefault((mark, said), []).append(f"{name} {rig.name}")
    print("\n" + ", ".join(f"{mark} {many}" for mark, many in sorted(count.items())))
    for (mark, said), where in complaints.items():
        print(f"{mark} {said[:300]}\n    {', '.join(where[:6])}{' …' if len(where) > 6 else ''}")
    return int(any(count[mark] for mark in FAULTS))


if __name__ == "__main__":
    sys.exit(main())
