"""One call in a process of its own, which may crash, hang or outgrow its limits."""

from __future__ import annotations

import multiprocessing
import os
import signal
import sys
import threading
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from multiprocessing.connection import Connection
from types import ModuleType
from typing import Any

from autoweight.errors import AutoweightError

__all__ = ["Answer", "Limits", "apart", "peak", "ready"]

ONE_THREAD = {
    "OMP_NUM_THREADS": "1",
    "OPENBLAS_NUM_THREADS": "1",
    "MKL_NUM_THREADS": "1",
    "IGL_NUM_THREADS": "1",
}
"""What the libraries below read once, when they are loaded. Jobs share processors, not cores, and
how a sum is split among threads would show in its last bits."""

_STARTING = threading.Lock()
"""Held while a process is started: what is set aside for that is the whole process's."""

LIBRARIES = (
    "igl",
    "numpy",
    "robust_laplacian",
    "scipy.optimize",
    "scipy.sparse.linalg",
    "scipy.spatial.transform",
    "scipy.stats",
    "sklearn.neighbors",
    "trimesh",
    "PIL.Image",
    "autoweight.batch.apart",
    "autoweight.cast.working",
    "autoweight.io.gltf",
    "autoweight.stages.league",
)
"""Loaded once by the server that processes are forked from; what is missing is passed over."""


@dataclass(frozen=True)
class Limits:
    """What a job may use.

    Parameters
    ----------
    seconds : float
        From start to answer.
    megabytes : int
        Of address space, the interpreter and its libraries included.
    """

    seconds: float = 600.0
    megabytes: int = 8000


@dataclass(frozen=True)
class Answer:
    """What came back.

    Parameters
    ----------
    value : object
        What the call returned; None where there is trouble.
    trouble : str
        Why it returned nothing.
    seconds : float
        From start to answer, the start of the process included.
    """

    value: Any
    trouble: str = ""
    seconds: float = 0.0


def apart(work: Callable[[Any], Any], given: Any, limits: Limits) -> Answer:
    """Call a function in a process of its own.

    The process is forked from a server that has the libraries loaded and does nothing else; each
    process that calls this starts one such server, once; see `ready`. Where the caller dies, so
    does the call. Several threads may call this.

    Parameters
    ----------
    work : callable
        Of a module, by name.
    given : object
        What it is called with; pickled, as is what it returns.
    limits : Limits

    Returns
    -------
    Answer
        Whatever happens in there, this returns.
    """
    begun = time.perf_counter()
    context = _context()
    ours, theirs = context.Pipe(duplex=False)
    line, ending = context.Pipe(duplex=False)
    child = context.Process(target=_called, args=(theirs, line, work, given, limits))
    with _STARTING, _parenthood(), _environment(), _no_main(), _uninterrupted():
        child.start()
    theirs.close()
    line.close()
    value, trouble = None, ""
    try:
        if ours.poll(limits.seconds):
            value, trouble = ours.recv()
        else:
            trouble = f"not done after {limits.seconds:g} s"
    except EOFError:
        child.join()
        trouble = f"crashed with exit code {child.exitcode}"
    finally:
        child.kill()
        child.join()
        child.close()
        ours.close()
        ending.close()
    return Answer(value, trouble, time.perf_counter() - begun)


def ready() -> None:
    """Start the server that calls are forked from, and go on while it loads the libraries."""
    if _context().get_start_method() == "forkserver":
        from multiprocessing import forkserver

        with _STARTING, _environment(), _no_main(), _uninterrupted():
            forkserver.ensure_running()


def _context() -> Any:
    """Forked from a server where the system can, started afresh where it cannot."""
    if "forkserver" not in multiprocessing.get_all_start_methods():
        return multiprocessing.get_context("spawn")
    context = multiprocessing.get_context("forkserver")
    context.set_forkserver_preload(list(LIBRARIES))
    return context


@contextmanager
def _parenthood() -> Iterator[None]:
    """Dask starts its workers as daemons, to which multiprocessing allows no children.

    The reason is that these would outlive them; ours watch a pipe and do not.
    """
    me = multiprocessing.current_process()
    daemon = me.daemon
    if daemon:
        me.daemon = False
    try:
        yield
    finally:
        if daemon:
            me.daemon = daemon


@contextmanager
def _no_main() -> Iterator[None]:
    """Without the script that runs here, which every process would load again, and needs not.

    What is called is in a module. The script of a Dask worker alone takes longer to load than a
    small rig to solve.
    """
    main = sys.modules["__main__"]
    sys.modules["__main__"] = ModuleType("__main__")
    try:
        yield
    finally:
        sys.modules["__main__"] = main


@contextmanager
def _environment() -> Iterator[None]:
    """One thread a process, for what is started within."""
    before = {name: os.environ.get(name) for name in ONE_THREAD}
    os.environ.update(ONE_THREAD)
    try:
        yield
    finally:
        for name, value in before.items():
            if value is None:
                del os.environ[name]
            else:
                os.environ[name] = value


@contextmanager
def _uninterrupted() -> Iterator[None]:
    """Ctrl-C goes to all processes of a terminal; the caller alone answers it, and all die with it.

    What is started here keeps the signal blocked.
    """
    if not hasattr(signal, "pthread_sigmask"):  # on Windows
        yield
        return
    from multiprocessing import resource_tracker

    resource_tracker.ensure_running()  # which would let the signal through again
    before = signal.pthread_sigmask(signal.SIG_BLOCK, {signal.SIGINT})
    try:
        yield
    finally:
        signal.pthread_sigmask(signal.SIG_SETMASK, before)


def _called(
    answer: Connection,
    line: Connection,
    work: Callable[[Any], Any],
    given: Any,
    limits: Limits,
) -> None:
    threading.Thread(target=_die_with, args=(line,), daemon=True).start()
    _limit(limits.megabytes)
    try:
        answer.send((work(given), ""))
    except AutoweightError as error:
        answer.send((None, str(error)))
    except MemoryError:
        answer.send((None, f"needs more than {limits.megabytes} MB"))
    except Exception as error:  # a user's own method may raise anything
        answer.send((None, f"{type(error).__name__}: {error}"))


def _die_with(line: Connection) -> None:
    """End at once when the other end of a pipe is gone, and its process with it."""
    try:
        line.recv_bytes()
    except (EOFError, OSError):
        os._exit(1)


def _limit(megabytes: int) -> None:
    import resource

    limit = megabytes * 10**6
    resource.setrlimit(resource.RLIMIT_AS, (limit, limit))


def peak() -> float:
    """Most memory this process has had, in MB."""
    import resource
    from pathlib import Path

    status = Path("/proc/self/status")
    if status.exists():  # what getrusage says there may be the parent's, from before the start
        line = next(each for each in status.read_text().splitlines() if each.startswith("VmHWM"))
        return int(line.split()[1]) * 1024 / 1e6
    most = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss
    return most / (1e6 if sys.platform == "darwin" else 1e3)
