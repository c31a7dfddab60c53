"""Waiting for what other threads and processes do, on machines that have much else to do."""

import time
from collections.abc import Callable


def until(so: Callable[[], object], seconds: float = 150.0) -> None:
    """Until something is so; what never becomes so fails the test."""
    end = time.monotonic() + seconds
    while not so():
        assert time.monotonic() < end, "still not so"
        time.sleep(0.02)
