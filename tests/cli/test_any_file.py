"""Every command on a small rig of every kind: it works, or says in one line why not.

The calls are those of ``benchmarks/anyfile.py``, which runs them on any folder of rigs.
"""

import json
import math
from importlib.util import module_from_spec, spec_from_file_location
from pathlib import Path

import odd_rigs
import pytest
from calling import CliRunner

from autoweight.cli import main

SCRIPT = Path(__file__).parents[2] / "benchmarks" / "anyfile.py"
APART = {"bench"}
"""Starts processes of its own, which takes seconds."""
NEEDS = {"ribbon": "strip", "mask": "chain", "mirror": "at their mirror image"}
"""What a rig of a kind may lack, by the command that needs it, in the words of the refusal."""


@pytest.fixture(autouse=True)
def quick_and_quiet(monkeypatch):
    """Most of the time would go into pixels, and a slow machine would tell of its progress."""
    monkeypatch.setattr("autoweight.view.report.TILE", (160, 60))
    monkeypatch.setattr("autoweight.cli.options.QUIET_SECONDS", math.inf)


def anyfile():
    spec = spec_from_file_location("anyfile", SCRIPT)
    module = module_from_spec(spec)
    spec.loader.exec_module(module)
    return module


def called(arguments, *good):
    """Call the tool; what it printed."""
    done = CliRunner().invoke(main, arguments)
    if done.exception is not None and not isinstance(done.exception, SystemExit):
        done.exception.add_note(" ".join(arguments))
        raise done.exception
    assert done.exit_code in good, (arguments, done.output)
    return done


def tried(path, folder):
    facts = json.loads(called(["info", str(path), "--json"], 0).stdout)
    facts = (facts.get("characters") or [facts])[0] | {"plane": "z"}
    weighted = str(folder / f"weighted{path.suffix}")
    for name, arguments in anyfile().calls(str(path), weighted, str(folder), facts):
        if name in APART:
            continue
        done = called(arguments, 0, 1, *([2] if name in NEEDS else []))
        if done.exit_code == 2:
            (line,) = done.stderr.splitlines()
            assert line.startswith("autoweight: ") and NEEDS[name] in line, line


@pytest.mark.parametrize("kind", odd_rigs.KINDS, ids=lambda kind: kind.__name__)
def test_every_command_on_gltf(tmp_path, kind, validate):
    tried(kind().glb(tmp_path / "rig.glb"), tmp_path)
    for name in ("weighted", "even", "carried", "motion"):
        wrong = [each for each in validate(tmp_path / f"{name}.glb") if each[0] == 0]
        assert wrong == [], name


@pytest.mark.parametrize("number", [0, 1], ids=["one", "two"])
def test_every_command_on_openusd(tmp_path, number):
    pytest.importorskip("pxr")
    tried(odd_rigs.usd_files(tmp_path)[number], tmp_path)
