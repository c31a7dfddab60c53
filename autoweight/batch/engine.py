"""Jobs handed out: to a cluster, to processes of this machine, or to one after the other.

Only the jobs and short answers travel. What a job makes it writes where all can read it.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from importlib.util import find_spec
from typing import Any

from autoweight.batch.apart import Answer, Limits, apart, ready
from autoweight.errors import FileError, RecipeError

__all__ = ["EXTRA", "hand_out"]

EXTRA = "pip install 'autoweight[cluster]'"

PATIENCE = 10
"""Seconds that a scheduler has to answer."""

LOST = "the cluster lost it; run again, and it goes on from here"


def hand_out(
    work: Callable[[Any], Any],
    jobs: Sequence[Any],
    limits: Limits,
    *,
    scheduler: str | None = None,
    workers: int | None = None,
) -> Iterator[tuple[int, Answer]]:
    """Do jobs, each in a process of its own, and give the answers as they come.

    Parameters
    ----------
    work : callable
        Of a module, by name; called with one job.
    jobs : sequence
        What it is called with.
    limits : Limits
        Of each job.
    scheduler : str, optional
        Address of a Dask scheduler whose workers do the jobs; its workers need this package, and
        the files that jobs name. Without one this machine does, with a Dask cluster of its own.
    workers : int, optional
        Jobs at a time on this machine; as many as it has processors when left out, where Dask is
        installed. A single one needs no cluster.

    Yields
    ------
    int, Answer
        Number of the job, and what became of it.

    Raises
    ------
    RecipeError
        A scheduler or several workers without Dask.
    FileError
        No scheduler answers at the address.
    """
    there = find_spec("distributed") is not None
    if scheduler is not None and not there:
        raise RecipeError(f"a scheduler needs Dask; get it with {EXTRA}")
    if workers is not None and workers > 1 and not there:
        raise RecipeError(f"several workers need Dask; get it with {EXTRA}")
    if scheduler is None and (workers == 1 or not there):
        for number, job in enumerate(jobs):
            yield number, apart(work, job, limits)
    elif jobs:
        yield from _by_dask(work, jobs, limits, scheduler, workers)


def _by_dask(
    work: Callable[[Any], Any],
    jobs: Sequence[Any],
    limits: Limits,
    scheduler: str | None,
    workers: int | None,
) -> Iterator[tuple[int, Answer]]:
    if scheduler is None:
        ready()  # it loads while Dask does
    import asyncio
    from contextlib import ExitStack

    import dask
    from distributed import Client, LocalCluster, as_completed
    from distributed.comm.core import CommClosedError

    quiet = {"distributed.logging.distributed": "critical"}
    with ExitStack() as stack:
        stack.enter_context(dask.config.set(quiet))
        if scheduler is None:
            # Jobs have processes and limits of their own, so that workers are threads of this one,
            # which share one server to fork from; nobody looks at a dashboard.
            cluster = stack.enter_context(
                LocalCluster(
                    n_workers=min(workers or dask.system.CPU_COUNT, len(jobs)),
                    threads_per_worker=1,
                    processes=False,
                    memory_limit=0,
                    dashboard_address=None,
                    silence_logs="CRITICAL",
                )
            )
            client = stack.enter_context(Client(cluster))
        else:
            try:
                client = stack.enter_context(Client(scheduler, timeout=PATIENCE))
            except (OSError, ValueError) as error:
                raise FileError(
                    f"{scheduler}: no scheduler answers there ({error}); start one with "
                    "'dask scheduler', and workers with 'dask worker ADDRESS --nthreads 1'"
                ) from error
        futures = client.map(_done, [work] * len(jobs), jobs, [limits] * len(jobs), pure=False)
        number = {future.key: each for each, future in enumerate(futures)}
        left = set(number)
        try:
            for future in as_completed(futures):
                left.discard(future.key)
                yield number[future.key], _answer(future)
                future.release()
        except (CommClosedError, asyncio.CancelledError, TimeoutError):
            pass
        for key in sorted(left, key=number.__getitem__):
            yield number[key], Answer(None, LOST)


def _done(work: Callable[[Any], Any], job: Any, limits: Limits) -> Answer:
    return apart(work, job, limits)


def _answer(future: Any) -> Answer:
    """What a task came to; those that Dask itself gave up are troubles like others."""
    if future.status == "finished":
        return future.result()
    if future.status == "error":
        error = future.exception()
        return Answer(None, f"the worker died of it or with it ({type(error).__name__})")
    return Answer(None, LOST)
