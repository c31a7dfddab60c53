"""The command line as a newcomer meets it: every example in a help text works as written."""

import re
import shlex
import signal
import subprocess
import sys
import textwrap

import click
import pytest
from calling import CliRunner

import autoweight
from autoweight.cli import COMMANDS, main
from autoweight.methods import METHODS

FINDINGS = {"flex", "explain", "check"}
"""Commands whose exit code 1 says that there is something to look at."""


def example(name: str) -> list[str]:
    """The one example in the help of a command, as arguments."""
    text = main.get_command(click.Context(main), name).help
    (block,) = text.split("Example:\n")[1:]
    line = " ".join(textwrap.dedent(block).split())
    program, *arguments = shlex.split(line)
    assert program == "autoweight" and arguments[0] == name
    return arguments


@pytest.fixture(scope="module")
def folder(tmp_path_factory):
    """Where the first example of all, the demo, has been run."""
    place = tmp_path_factory.mktemp("newcomer")
    with pytest.MonkeyPatch.context() as patch:
        patch.chdir(place)
        run = CliRunner().invoke(main, example("demo"))
        assert run.exit_code == 0, run.output
        # Files that the examples of other commands name come from these.
        for name in ("tidy", "carry"):
            assert CliRunner().invoke(main, example(name)).exit_code == 0
    return place


@pytest.mark.parametrize("name", [name for name in COMMANDS if name != "demo"])
def test_every_example_works_as_written(folder, monkeypatch, name):
    monkeypatch.chdir(folder)
    if name == "tune":  # it serves until it is interrupted; here that is at once
        pytest.importorskip("uvicorn")
        monkeypatch.setattr("uvicorn.Server.run", lambda *_, **__: None)
        monkeypatch.setattr("webbrowser.open", lambda address: True)
    run = CliRunner().invoke(main, example(name))
    assert run.exit_code in ((0, 1) if name in FINDINGS else (0,)), run.output
    assert run.exception is None or isinstance(run.exception, SystemExit)


@pytest.mark.parametrize("name", COMMANDS)
def test_the_list_of_commands_says_what_each_is_for(name):
    command = main.get_command(click.Context(main), name)
    assert command.help and COMMANDS[name].endswith(".")


def test_the_help_of_solve_names_every_method():
    # They are typed out there, as looking them up would load numpy for every --help.
    (option,) = (
        each
        for each in main.get_command(click.Context(main), "solve").params
        if each.name == "method"
    )
    assert set(re.findall(r"\w+", option.help)) >= set(METHODS)


def test_help_is_quick_to_load():
    # Fails when a command's heavy imports creep up to the top of its module.
    code = "import sys, autoweight.cli; print('numpy' in sys.modules)"
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    assert done.stdout.strip() == "False"


def test_an_error_is_one_line_on_stderr_and_exit_code_2(tmp_path):
    run = CliRunner().invoke(main, ["check", str(tmp_path / "none.glb")])
    assert run.exit_code == 2
    assert run.stdout == ""
    assert run.stderr.count("\n") == 1 and "none.glb" in run.stderr


def test_every_public_name_is_there():
    for name in autoweight.__all__:
        assert getattr(autoweight, name) is not None


def test_ctrl_c_is_told_from_a_finding(tmp_path, monkeypatch):
    def interrupted(*_, **__):
        raise KeyboardInterrupt

    monkeypatch.setattr("autoweight.io.load_all", interrupted)
    run = CliRunner().invoke(main, ["check", str(tmp_path / "rig.glb")])
    assert run.exit_code == 128 + signal.SIGINT
    assert run.stderr == "autoweight: stopped\n"
