"""Memory that was let go of, given back to the system."""

from __future__ import annotations

import ctypes
import sys

__all__ = ["give_back"]


def give_back() -> None:
    """Return free memory in the middle of the heap, which the C library else keeps for itself.

    A tree of faces is millions of small blocks, and whatever was taken after it holds them all.
    Only glibc has a call for it (``man malloc_trim``); elsewhere nothing happens.
    """
    if sys.platform == "linux":
        trim = getattr(ctypes.CDLL(None), "malloc_trim", None)
        if trim is not None:
            trim(0)
