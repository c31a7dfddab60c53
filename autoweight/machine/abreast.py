"""Independent pieces of work done at the same time, each in a process of its own."""

from __future__ import annotations

import os
import pickle
import signal
import sys
import threading
import warnings
import weakref
from collections.abc import Callable, Sequence
from functools import partial
from typing import Any, Generic, TypeVar

__all__ = ["Ahead", "abreast", "hands"]

T = TypeVar("T")

WORTH = 1 << 16
"""Vertices from which on dividing the work pays for the processes."""


def hands(vertices: int) -> int:
    """How many processes work on so many vertices is worth dividing among, 1 or more.

    As many as there are processors, or as ``OMP_NUM_THREADS`` allows where it is set.
    """
    if vertices < WORTH or sys.platform != "linux" or threading.active_count() > 1:
        return 1
    allowed = os.environ.get("OMP_NUM_THREADS", "")
    free = len(os.sched_getaffinity(0))
    return max(1, min(free, int(allowed)) if allowed.isdigit() else free)


def abreast(jobs: Sequence[Callable[[], T]], many: int) -> list[T]:
    """Do jobs that do not depend on each other.

    Parameters
    ----------
    jobs : sequence of callable
        What they return must pickle; all but the first may run in a copy of this process, where
        nothing else that they do is seen.
    many : int
        Processes, this one included; from `hands`. With 1 the jobs run here, one after the other.

    Returns
    -------
    list
        What each job returned, in their order. What the first that failed raised is raised here.

    Notes
    -----
    libigl holds the interpreter's lock, so threads do not help it. A forked process has the
    whole memory of this one without a copy, a Cholesky factor or a tree of faces too.
    """
    if many < 2 or len(jobs) < 2:
        return [job() for job in jobs]
    children = [_Child(job) for job in jobs[1:]]
    try:
        found = [jobs[0]()]
        return found + [child.result() for child in children]
    finally:
        for child in children:
            child.end()


class Ahead(Generic[T]):
    """A job that may begin before anything waits for it.

    Within a ``with`` it has begun, and is given up at the end if nobody asked; else it is given
    up with the last who knows of it.

    Parameters
    ----------
    job : callable
        What it returns must pickle.
    many : int
        Processes, this one included; from `hands`. With 1 the job runs when it is asked for.
    nouns : objects
        What they keep of themselves for whoever asks next (`functools.cached_property`, `kept`)
        they keep here too, where the job was the first to ask. It must pickle.
    """

    def __init__(self, job: Callable[[], T], many: int, *nouns: object) -> None:
        self._job, self._many, self._nouns = job, many, nouns
        self._child: _Child[tuple[T, list[dict[str, Any]]]] | None = None

    def begin(self) -> None:
        """Begin, unless it has begun and nobody asked yet."""
        if self._child is None and self._many > 1:
            self._child = _Child(partial(_with_kept, self._job, self._nouns))
            self._end = weakref.finalize(self, self._child.end)

    def __call__(self) -> T:
        """Wait for what the job returns, or raise what it raised; it is not kept."""
        if self._child is None:
            return self._job()
        try:
            found, kept = self._child.result()
        finally:
            self.__exit__()
        for noun, fresh in zip(self._nouns, kept, strict=True):
            vars(noun).update(fresh)
        return found

    def __enter__(self) -> Ahead[T]:
        self.begin()
        return self

    def __exit__(self, *raised: object) -> None:
        if self._child is not None:
            self._end()
            self._child = None


def _with_kept(job: Callable[[], T], nouns: Sequence[object]) -> tuple[T, list[dict[str, Any]]]:
    """What a job returns, and what each noun keeps since."""
    before = [set(vars(each)) for each in nouns]
    found = job()
    return found, [
        {name: value for name, value in vars(each).items() if name not in known}
        for each, known in zip(nouns, before, strict=True)
    ]


class _Child(Generic[T]):
    """A job in a forked process, and the file in memory that its result is left in.

    Through a pipe the process would have to wait, with all that it holds, until it is read.
    """

    def __init__(self, job: Callable[[], T]) -> None:
        self._job, self._parent = job, os.getpid()
        self._left = os.fdopen(os.memfd_create("result"), "w+b")
        with warnings.catch_warnings():
            # Python warns of threads; those there are belong to BLAS, which minds forks itself.
            warnings.simplefilter("ignore", DeprecationWarning)
            self._process = os.fork()
        if self._process == 0:
            try:
                try:
                    pickle.dump((job(), None), self._left, pickle.HIGHEST_PROTOCOL)
                except Exception as error:
                    self._left.seek(0)
                    self._left.truncate()
                    pickle.dump((None, error), self._left, pickle.HIGHEST_PROTOCOL)
                self._left.flush()
            finally:
                os._exit(0)  # none of the parent's leave-taking

    def result(self) -> T:
        os.waitpid(self._process, 0)
        self._process = 0
        self._left.seek(0)
        try:
            found, error = pickle.load(self._left)
        except (EOFError, pickle.UnpicklingError):  # ended from outside, say for want of memory
            return self._job()
        if error is not None:
            raise error
        return found

    def end(self) -> None:
        self._left.close()
        if self._process and self._parent == os.getpid():  # not of one that was forked since
            os.kill(self._process, signal.SIGKILL)
            os.waitpid(self._process, 0)
            self._process = 0
