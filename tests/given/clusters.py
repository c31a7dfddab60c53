"""A Dask cluster on this machine, each part of it a process of its own."""

from __future__ import annotations

import json
import os
import signal
import subprocess
import sys
from contextlib import contextmanager
from pathlib import Path

import pytest
from waiting import until


@contextmanager
def cluster(folder: Path, workers: int = 2):
    """A scheduler and workers, each started as anyone would start them."""
    pytest.importorskip("distributed")
    where = folder / "scheduler.json"
    path = os.pathsep.join([str(Path(__file__).parent), *filter(None, sys.path)])
    started = []

    def start(kind: str, *more: str) -> subprocess.Popen:
        command = [sys.executable, "-m", "distributed.cli." + kind, "--no-dashboard", *more]
        command += ["--scheduler-file", str(where)]
        found = subprocess.Popen(
            command,
            cwd=folder,
            env={**os.environ, "PYTHONPATH": path},
            stdout=subprocess.DEVNULL,
            stderr=subprocess.DEVNULL,
            start_new_session=True,
        )
        started.append(found)
        return found

    start("dask_scheduler", "--host", "127.0.0.1", "--port", "0")
    for _ in range(workers):
        start("dask_worker", "--nthreads", "1", "--local-directory", str(folder))
    until(where.exists)
    try:
        yield json.loads(where.read_text())["address"], started
    finally:
        for each in reversed(started):
            each.send_signal(signal.SIGTERM)
        for each in reversed(started):
            try:
                each.wait(20)
            except subprocess.TimeoutExpired:
                # Dask's nanny may wait for ever for a worker that was killed while it started.
                os.killpg(each.pid, signal.SIGKILL)
                each.wait()
