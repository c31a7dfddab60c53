"""What was worked out of a noun once, kept with it for whoever asks next."""

from __future__ import annotations

from collections.abc import Callable
from functools import wraps
from typing import TypeVar

__all__ = ["kept"]

N = TypeVar("N")
T = TypeVar("T")


def kept(function: Callable[[N], T]) -> Callable[[N], T]:
    """A function of one frozen noun that is worked out once for each.

    What a noun implies need not be a property of it, and so not be written where the noun is.

    Parameters
    ----------
    function : callable
        Nobody may change what it gives.

    Returns
    -------
    callable
        The same. The answer is let go of with the noun; one that ``dataclasses.replace`` makes has
        none yet.
    """
    name = f"{function.__module__}.{function.__qualname__}"

    @wraps(function)
    def asked(noun: N) -> T:
        known = vars(noun)
        if name not in known:
            known[name] = function(noun)
        found: T = known[name]
        return found

    return asked
