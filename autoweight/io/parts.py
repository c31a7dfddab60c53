"""The parts of a mesh in a file made one: which are taken, their weights, their custom values."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from fnmatch import fnmatchcase
from typing import Any, TypeVar

import numpy as np
from numpy.typing import NDArray
from scipy import sparse

from autoweight.errors import FileError, suggestion

__all__ = ["attributes", "chosen", "from_slots", "stacked"]

T = TypeVar("T")


def chosen(
    parts: Iterable[T], names: Mapping[T, Sequence[str]], patterns: Sequence[str]
) -> list[T]:
    """The parts that patterns name, all where there are no patterns.

    Parameters
    ----------
    parts : iterable
    names : mapping of part to sequence of str
        What each is called; the first is told where a pattern names none.
    patterns : sequence of str
        Shell-style.

    Raises
    ------
    FileError
        A pattern that names none.
    """
    parts = list(parts)

    def named(part: T, pattern: str) -> bool:
        return any(fnmatchcase(name, pattern) for name in names[part])

    for pattern in patterns:
        if not any(named(part, pattern) for part in parts):
            known = suggestion(pattern, [names[part][0] for part in parts])
            raise FileError(f"has no part {pattern!r}; {known}")
    return [part for part in parts if not patterns or any(named(part, each) for each in patterns)]


def from_slots(
    joints: NDArray[np.integer],
    values: NDArray[Any],
    columns: NDArray[np.int32],
    count: int,
    part: str,
) -> sparse.csr_array:
    """Weights of a part out of the slots that its vertices have in a file.

    Parameters
    ----------
    joints : ndarray, shape (n, s), int
        In the part's own order of joints; of no account where there is no weight.
    values : ndarray, shape (n, s)
    columns : ndarray, shape (k,), int32
        The joint of the rig that each of the part's own stands for.
    count : int
        Joints of the rig.
    part : str
        What messages call it.

    Returns
    -------
    csr_array, shape (n, count)
        As they are, sound or not.

    Raises
    ------
    FileError
        A joint that the part has not.
    """
    used = values != 0
    held = joints[used]
    if len(held) and (held.min() < 0 or held.max() >= len(columns)):
        wrong = held.max() if held.max() >= len(columns) else held.min()
        raise FileError(
            f"part {part!r} has weights for joint {wrong} of {len(columns)}, counted from 0; "
            "export it again"
        )
    ends = np.concatenate([[0], np.cumsum(used.sum(axis=1))])
    found = sparse.csr_array(
        (values[used].astype(np.float64), columns[held], ends), shape=(len(values), count)
    )
    found.sum_duplicates()
    return found


def stacked(
    rows: Sequence[sparse.csr_array | None], sizes: Sequence[int], count: int
) -> sparse.csr_array | None:
    """Weights of all parts, (n, count), empty for parts without; None if no part has any."""
    if all(each is None for each in rows):
        return None
    whole = [
        sparse.csr_array((size, count)) if each is None else each
        for each, size in zip(rows, sizes, strict=True)
    ]
    return whole[0] if len(whole) == 1 else sparse.csr_array(sparse.vstack(whole, format="csr"))


def attributes(
    found: Iterable[tuple[slice, Mapping[str, NDArray[Any]]]], count: int
) -> dict[str, NDArray[Any]]:
    """Custom values for every vertex, 0 where a part has none.

    Parameters
    ----------
    found : iterable of (slice, mapping of str to ndarray)
        Where the vertices of each part are, and what it has for them.
    count : int
        Vertices of the rig.

    Raises
    ------
    FileError
        Values of one name have another size in another part.
    """
    by_name: dict[str, list[tuple[slice, NDArray[Any]]]] = {}
    for span, own in found:
        for name, values in own.items():
            by_name.setdefault(name, []).append((span, values))
    whole = {}
    for name, pieces in by_name.items():
        shapes = {values.shape[1:] for _, values in pieces}
        if len(shapes) > 1:
            raise FileError(f"has {name} of different sizes in different parts; make them one")
        kind = np.result_type(*(values for _, values in pieces))
        whole[name] = np.zeros((count, *shapes.pop()), kind)
        for span, values in pieces:
            whole[name][span] = values
        whole[name].setflags(write=False)
    return whole
