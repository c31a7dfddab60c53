"""Options that several commands share, and what they print with."""

from __future__ import annotations

import functools
import json
import os
import re
import sys
import textwrap
import time
from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

if TYPE_CHECKING:
    from autoweight.methods import Progress
    from autoweight.rig import Rig

__all__ = [
    "PAGES",
    "Choice",
    "as_json",
    "choosing",
    "counterparts",
    "each_of",
    "emit",
    "emit_each",
    "ended",
    "endings",
    "file_names",
    "flatten",
    "force",
    "output",
    "progress_to_stderr",
    "quiet",
    "recipe",
    "say",
    "scheduler",
    "table",
    "tidying",
    "weights_table",
    "workers",
]

PAGES = (".html", ".htm")
"""Suffixes of the pages that commands write."""
NAME_BYTES = 100
"""Of the names of a joint and of a character two go into a file's, which systems end at 255."""

as_json = click.option("--json", "as_json", is_flag=True, help="Print the result as JSON.")
quiet = click.option("--quiet", is_flag=True, help="Say nothing of progress.")
output = click.option("-o", "--output", required=True, metavar="OUT", help="File to write.")
force = click.option("--force", is_flag=True, help="Allow OUT to be the file that was read.")
flatten = click.option(
    "--flatten", is_flag=True, help="Write OpenUSD whole, not as a layer on top of what was read."
)
weights_table = click.option(
    "--weights", "weights_table", metavar="TABLE", help="Weights from a .npz or .csv table."
)
recipe = click.option("--recipe", "recipe_file", metavar="FILE", help="What to do, in a TOML file.")

_CHOOSING = (
    click.option(
        "--root",
        metavar="NODE",
        help="Take this one of several characters, by its name or a node at or above its joints; "
        "for meshes without a skin, the node whose hierarchy is the skeleton.",
    ),
    click.option(
        "--part",
        "parts",
        multiple=True,
        metavar="GLOB",
        help="Take these parts alone; may be given again.",
    ),
    click.option(
        "--skeleton", metavar="FILE", help="Joints in a JSON file, for a mesh that has none."
    ),
    click.option(
        "--outside",
        is_flag=True,
        help="Read what a .gltf names outside its own folder; only for files you trust.",
    ),
)


@dataclass(frozen=True)
class Choice:
    """What of a file a command is to take."""

    root: str | None
    parts: tuple[str, ...]
    skeleton: str | None
    outside: bool

    def __call__(self, path: str) -> Rig:
        """The one character of a file, or the one that is chosen."""
        from autoweight.io import load

        return load(path, **self.asked)

    def all(self, path: str) -> list[Rig]:
        """Every character of a file, unless one is chosen."""
        from autoweight.io import load_all

        return load_all(path, **self.asked)

    @property
    def asked(self) -> dict[str, Any]:
        """The same as arguments of `autoweight.io.load`."""
        return vars(self)


def choosing(command: Callable[..., Any]) -> Callable[..., Any]:
    """Options of all commands that read a rig; the command gets them as ``taken``, a `Choice`."""

    @functools.wraps(command)
    def with_choice(
        *arguments: Any,
        root: str | None,
        parts: tuple[str, ...],
        skeleton: str | None,
        outside: bool,
        **others: Any,
    ) -> Any:
        return command(*arguments, taken=Choice(root, parts, skeleton, outside), **others)

    wrapped: Callable[..., Any] = with_choice
    for option in reversed(_CHOOSING):
        wrapped = option(wrapped)
    return wrapped


_TIDYING = (
    click.option(
        "--max-influences",
        type=click.IntRange(1),
        metavar="N",
        help="Most joints a vertex may have.",
    ),
    click.option(
        "--prune",
        type=click.FloatRange(0, 1),
        metavar="WEIGHT",
        help="Weights below this become 0.",
    ),
    click.option(
        "--bits",
        type=click.Choice(["32", "16", "8"]),
        help="Bits of a weight in the file; 32 is floating point.",
    ),
)

scheduler = click.option(
    "--scheduler",
    metavar="ADDRESS",
    help="Dask scheduler whose workers do it, such as tcp://h:8786.",
)


def workers(default: int | None) -> Callable[..., Any]:
    """Option for how many jobs run at a time on this machine."""
    many = "as many as it has processors" if default is None else str(default)
    return click.option(
        "--workers",
        type=click.IntRange(1),
        default=default,
        metavar="N",
        help=f"Jobs at a time on this machine; {many} when left out.",
    )


def tidying(command: Callable[..., Any]) -> Callable[..., Any]:
    """Options that override the recipe's tidy table."""
    for option in reversed(_TIDYING):
        command = option(command)
    return command


QUIET_SECONDS = 1.0


def emit(result: dict[str, Any], as_json: bool, text: Callable[[], str]) -> None:
    """Print a result on stdout, for machines or for people."""
    say(json.dumps(result, indent=2) if as_json else text())


def say(text: str, *, nl: bool = True) -> None:
    """Print on stdout, which may be a file on a full disk.

    Raises
    ------
    FileError
        It takes no more.
    """
    from autoweight.errors import FileError

    try:
        click.echo(text, nl=nl)
    except BrokenPipeError:
        raise  # whoever reads it has read enough
    except OSError as error:
        os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())  # flushed again at the end
        raise FileError(
            f"standard output: cannot write ({error.strerror}); free the space or choose another "
            "place"
        ) from error


@contextmanager
def each_of(path: str, rig: Rig) -> Iterator[None]:
    """Errors that come through begin with the file and, where it has several, the character."""
    from autoweight.errors import naming

    with naming(f"{path}: {rig.name}" if rig.name else path):
        yield


def endings(rigs: Sequence[Rig]) -> list[str]:
    """What goes behind the name of a page for each of several characters; nothing for one."""
    names = file_names(rig.name for rig in rigs)
    return [f"_{name}" if rig.name else "" for name, rig in zip(names, rigs, strict=True)]


def ended(path: str | Path, ending: str) -> str:
    """A path with an ending behind the name of the file."""
    return str(Path(path).with_stem(Path(path).stem + ending)) if ending else str(path)


def file_names(names: Iterable[str]) -> list[str]:
    """Names that files can have, all different and none too long, from names of any kind."""
    found: dict[str, str] = {}  # by what systems that know no capitals take it for
    for name in names:
        plain = re.sub(r"[^\w.-]", "_", name).strip("_") or "_"
        plain = plain.encode()[:NAME_BYTES].decode(errors="ignore")
        unique, number = plain, 1
        while unique.casefold() in found:
            number += 1
            unique = f"{plain}_{number}"
        found[unique.casefold()] = unique
    return list(found.values())


def counterparts(path: str, rigs: Sequence[Rig], other: str, others: Sequence[Rig]) -> list[Rig]:
    """For each character of a file the one of the same name in another; single ones are a pair."""
    from autoweight.errors import FileError

    if len(rigs) == len(others) == 1:
        return list(others)
    named = {rig.name: rig for rig in others}
    for rig in rigs:
        if rig.name not in named:
            whose = rig.name or "the one character"
            there = ", ".join(name or "one alone" for name in named)
            raise FileError(
                f"{other}: has no counterpart of {whose} of {path}; there is {there}, take one "
                "of each with --root or --part"
            )
    return [named[rig.name] for rig in rigs]


def emit_each(
    rigs: Sequence[Rig],
    results: Sequence[dict[str, Any]],
    as_json: bool,
    texts: Iterable[str],
    together: Mapping[str, Any] | None = None,
) -> None:
    """Print the result of each character of a file, and whose it is where there are several.

    Parameters
    ----------
    rigs, results : sequence
        One of each for each character.
    as_json : bool
        With several the results are the list ``characters``, each with its name as ``character``.
    texts : iterable of str
        The same for people to read; not asked for where JSON is.
    together : mapping, optional
        What JSON says of all of several.
    """
    if not rigs[0].name:
        emit(results[0], as_json, lambda: next(iter(texts)))
        return
    named = [{"character": rig.name, **result} for rig, result in zip(rigs, results, strict=True)]
    emit(
        {**(together or {}), "characters": named},
        as_json,
        lambda: "\n".join(
            f"{rig.name}\n{textwrap.indent(text, '  ')}"
            for rig, text in zip(rigs, texts, strict=True)
        ),
    )


def table(rows: list[tuple[str, ...]]) -> str:
    """Columns as wide as they need to be, two spaces apart; names may have any characters."""
    from autoweight.errors import one_line

    rows = [tuple(map(one_line, row)) for row in rows]
    widths = [max(map(len, column)) for column in zip(*rows, strict=True)]
    return "\n".join(
        "  ".join(cell.ljust(width) for cell, width in zip(row, widths, strict=True)).rstrip()
        for row in rows
    )


def progress_to_stderr(quiet: bool) -> Progress:
    """A progress callback that speaks up once the work has taken a second."""
    if quiet:
        return lambda stage, share: None
    begun = time.monotonic()
    shown = [""]

    def report(stage: str, share: float) -> None:
        if time.monotonic() - begun < QUIET_SECONDS:
            return
        if sys.stderr.isatty():
            click.echo(f"\r\033[K{stage} {share:.0%}", err=True, nl=share >= 1)
        elif stage != shown[0]:
            click.echo(stage, err=True)
        shown[0] = stage

    return report
