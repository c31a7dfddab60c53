"""Calls in processes of their own."""

from __future__ import annotations

import os
import signal
import subprocess
import sys
from pathlib import Path

import chores
import pytest
from waiting import until

from autoweight.batch.apart import Limits, apart

FEW = Limits(seconds=60, megabytes=4000)


def test_a_call_comes_back_from_another_process():
    assert apart(chores.double, 21, FEW).value == 42
    pid, threads = apart(chores.whose, None, FEW).value
    assert pid != os.getpid()
    assert threads == 1


@pytest.mark.parametrize(
    ("work", "trouble"),
    [
        (chores.crash, "crashed with exit code -6"),
        (chores.greedy, "needs more than 4000 MB"),
        (chores.wrong, "the message alone"),
        (chores.broken, "KeyError: 'no such luck'"),
    ],
)
def test_whatever_happens_in_there_is_told(work, trouble):
    answer = apart(work, None, FEW)
    assert answer.value is None
    assert answer.trouble == trouble


def test_a_call_that_outstays_its_time_is_ended():
    answer = apart(chores.hang, None, Limits(seconds=0.5, megabytes=4000))
    assert answer.trouble == "not done after 0.5 s"
    assert answer.seconds < 30


def test_nothing_is_left_open():
    handles = Path(f"/proc/{os.getpid()}/fd")
    if not handles.is_dir():
        pytest.skip("needs /proc to count the open files of a process")
    apart(chores.double, 0, FEW)  # starts the server, which stays
    before = len(list(handles.iterdir()))
    for number in range(20):
        apart(chores.double, number, FEW)
    apart(chores.crash, None, FEW)
    assert len(list(handles.iterdir())) == before


def test_a_call_dies_with_its_caller(tmp_path):
    code = (
        "import sys, chores\n"
        "from autoweight.batch.apart import Limits, apart\n"
        "if __name__ == '__main__':\n"
        "    apart(chores.slowly, (sys.argv[1], 7, 600), Limits(900, 4000))\n"
    )
    script = tmp_path / "caller.py"
    script.write_text(code)
    path = os.pathsep.join([str(Path(chores.__file__).parent), *sys.path])
    caller = subprocess.Popen(
        [sys.executable, str(script), str(tmp_path)], env={**os.environ, "PYTHONPATH": path}
    )
    begun = tmp_path / "7.begun"
    until(lambda: begun.exists() and begun.read_text() != "")
    child = int(begun.read_text())
    caller.send_signal(signal.SIGKILL)
    caller.wait()
    until(lambda: not alive(child))


def alive(pid: int) -> bool:
    try:
        os.kill(pid, 0)
    except ProcessLookupError:
        return False
    status = Path(f"/proc/{pid}/stat")
    return not (status.exists() and status.read_text().rpartition(")")[2].split()[0] == "Z")


def test_ctrl_c_is_for_the_caller_alone():
    """It goes to all processes of a terminal; jobs would print where they were."""
    answer = apart(chores.blocked_signals, None, FEW)
    assert signal.SIGINT in answer.value, answer.trouble
    assert signal.SIGINT not in signal.pthread_sigmask(signal.SIG_BLOCK, ())
