"""Fixtures that several rooms share."""

import json
import shutil
import subprocess
from pathlib import Path

import pytest
from hypothesis import settings

settings.register_profile("untimed", deadline=None)
settings.load_profile("untimed")

NODE = Path(__file__).parent / "node"


@pytest.fixture(scope="session")
def run_node():
    """Run a script of tests/node and parse what it prints."""
    node = shutil.which("node")
    if node is None:
        pytest.skip("node is not installed")
    if not (NODE / "node_modules").is_dir():
        pytest.skip("run npm ci --prefix tests/node first")

    def run(script, *arguments):
        done = subprocess.run(
            [node, NODE / script, *map(str, arguments)], capture_output=True, text=True, check=False
        )
        assert done.returncode == 0, done.stderr
        return json.loads(done.stdout)

    return run


@pytest.fixture(scope="session")
def validate(run_node):
    """Messages of the Khronos glTF validator about a file, as ``(severity, code, pointer)``.

    Severity 0 is an error, 1 a warning, 2 a remark, 3 a hint. Source: npm package gltf-validator.
    """

    def run(path):
        (messages,) = run_node("validate.mjs", path)
        return [(each["severity"], each["code"], each.get("pointer", "")) for each in messages]

    return run
