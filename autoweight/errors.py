"""What can go wrong, as one family of exceptions.

Every message names the file or thing, what is wrong with it, and the mend. The command line
prints the message alone and leaves with exit code 2.
"""

from collections.abc import Callable, Iterable, Iterator, Sequence
from contextlib import contextmanager
from difflib import get_close_matches
from typing import TypeVar

__all__ = [
    "AutoweightError",
    "FileError",
    "GeometryError",
    "RecipeError",
    "SkeletonError",
    "WeightsError",
    "few",
    "naming",
    "one_line",
    "suggestion",
    "unreadable",
]


T = TypeVar("T")

LISTED = 12
"""Names listed in a message before it trails off."""


class AutoweightError(Exception):
    """Base of every error this package raises on purpose."""


class FileError(AutoweightError):
    """A file cannot be read or written, or breaks the rules of its format."""


class GeometryError(AutoweightError):
    """A mesh that cannot be weighted: no faces, positions that are not finite, bad indices."""


class SkeletonError(AutoweightError):
    """A joint hierarchy that is not one forest of uniquely named joints."""


class RecipeError(AutoweightError, ValueError):
    """A recipe, option or name that asks for something that is not there."""


class WeightsError(AutoweightError):
    """Weights that are not finite, negative, of the wrong shape, or contradict a lock."""


def suggestion(name: str, choices: Iterable[str]) -> str:
    """The end of a message about a name that is not known.

    Parameters
    ----------
    name : str
        What was asked for.
    choices : iterable of str
        What there is.

    Returns
    -------
    str
        The nearest of them as a question, or the list where none is near.
    """
    choices = list(choices)
    near = get_close_matches(name, choices, n=1)
    if near:
        return f"did you mean {near[0]!r}?"
    listed = ", ".join(choices[:LISTED]) + (", …" if len(choices) > LISTED else "")
    return f"there are {listed}" if choices else "there are none"


def few(names: Sequence[T], most: int, told: Callable[[T], str] = str) -> str:
    """The first of some names, or what is told of them, and how many more there are.

    >>> few(["hip", "knee", "ankle"], 2)
    'hip, knee and 1 more'
    """
    more = f" and {len(names) - most} more" if len(names) > most else ""
    return ", ".join(map(told, names[:most])) + more


def one_line(text: str) -> str:
    """The same without what would end the line, or steer the terminal it is printed on."""
    if text.isprintable():
        return text
    return "".join(each if each.isprintable() else repr(each)[1:-1] for each in text)


def unreadable(path: object, error: OSError) -> FileError:
    """The error for a file that the system does not let us read.

    Parameters
    ----------
    path : str or Path
    error : OSError
        What the system said.
    """
    reason = error.strerror or error
    return FileError(f"{path}: cannot read ({reason}); check its path and permissions")


@contextmanager
def naming(path: object) -> Iterator[None]:
    """Errors that come through begin with the name of the file they are about."""
    try:
        yield
    except AutoweightError as error:
        if str(error).startswith(f"{path}:"):
            raise
        raise type(error)(f"{path}: {error}") from error
