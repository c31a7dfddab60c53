"""Calls for a process of their own: good, bad and endless."""

import os
import signal
import time
from pathlib import Path

from autoweight.errors import WeightsError


def double(number):
    return 2 * number


def whose(_):
    """Which process does it, and how many threads numpy may use there."""
    from threadpoolctl import threadpool_info

    return os.getpid(), max((each["num_threads"] for each in threadpool_info()), default=1)


def crash(_):
    os.abort()


def hang(_):
    time.sleep(600)


def greedy(_):
    return len(bytearray(6 * 10**9))


def wrong(_):
    raise WeightsError("the message alone")


def broken(_):
    raise KeyError("no such luck")


def slowly(given):
    """Write a number into a folder after a while; says where it is done first."""
    folder, number, seconds = given
    Path(folder, f"{number}.begun").write_text(str(os.getpid()))
    time.sleep(seconds)
    Path(folder, f"{number}.done").write_text(str(number))
    return number


def blocked_signals(_):
    return {int(each) for each in signal.pthread_sigmask(signal.SIG_BLOCK, ())}
