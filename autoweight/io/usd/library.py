"""The OpenUSD library: imported on first use, and kept from doing harm with a damaged file."""

from __future__ import annotations

import logging
import re
import signal
import subprocess
import sys
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from subprocess import DEVNULL, PIPE
from typing import Any

from autoweight.errors import AutoweightError, FileError, unreadable

__all__ = ["bindings", "opened", "ours", "within"]

PROBE = Path(__file__).with_name("probe.py")
_PROBED: set[tuple[Path, int, int]] = set()
"""Files that were read to the end, with their times and sizes."""

_TOLD: set[str] = set()
_STAGE = re.compile(r"\s*\([^()]* stage @.*@ <0x[0-9a-f]+>\)$")
"""Which stage in memory a warning is about, which says nothing to its reader."""
_WHERE = re.compile(r"^In <[^>]*>: ")
"""Which prim brought a layer in that cannot be used; its error leaves it out."""

log = logging.getLogger(__name__)


def bindings() -> Any:
    """The bindings, on first use: they are large, and an extra."""
    try:
        import pxr.Ar
        import pxr.Gf
        import pxr.Sdf
        import pxr.Tf
        import pxr.Usd
        import pxr.UsdGeom
        import pxr.UsdSkel
        import pxr.UsdUtils
        import pxr.Vt
    except ImportError as error:
        raise FileError(
            "OpenUSD files need the extra 'usd'; install what it brings with: pip install usd-core"
        ) from error
    return pxr


@contextmanager
def ours() -> Iterator[None]:
    """Exceptions and warnings of the library become ours, without its places in the source.

    A warning of each kind is logged, and once alone.
    """
    pxr, refused = bindings(), ""
    heard = pxr.UsdUtils.CoalescingDiagnosticDelegate()
    try:
        yield
    except AutoweightError as error:
        refused = str(error)
        raise
    except pxr.Tf.ErrorException as error:
        from autoweight.io.usd.probe import reason

        raise FileError(f"OpenUSD cannot use it ({reason(error)}); export it again") from error
    except UnicodeDecodeError as error:
        raise FileError(
            f"has text that is not UTF-8 (byte {error.object[error.start]:#x}); export it again"
        ) from error
    finally:
        _tell(heard, refused)


def _tell(heard: Any, refused: str) -> None:
    """Log what the library has to say and an error has not, one of each kind for all."""
    kinds: dict[tuple[str, int], set[str]] = {}
    for each in heard.TakeUncoalescedDiagnostics():
        kind = each.sourceFileName, each.sourceLineNumber
        kinds.setdefault(kind, set()).add(_STAGE.sub("", each.commentary).strip())
    for said in kinds.values():
        first, *others = sorted(said)  # they come from several threads
        if first not in _TOLD and not any(_WHERE.sub("", each) in refused for each in said):
            _TOLD.add(first)
            more = f" ({len(others)} more of this kind)" if others else ""
            log.warning("OpenUSD: %s%s", first, more)


def opened(path: Path) -> Any:
    """The stage of a file, once a process of its own has read it to the end and lived.

    Raises
    ------
    FileError
        It cannot be read, or reading it ends the process, takes more than 2 GiB and 32 times the
        bytes of its files, or more than 20 seconds and 2 for each of their megabytes.
    """
    try:
        path.stat()
    except OSError as error:
        raise unreadable(path, error) from error
    seen = (path.resolve(), path.stat().st_mtime_ns, path.stat().st_size)
    # An interpreter within another program may be that program.
    if seen not in _PROBED and Path(sys.executable or "").name.lower().startswith("python"):
        command = [sys.executable, str(PROBE), str(path.resolve())]
        with subprocess.Popen(command, stdin=DEVNULL, stdout=DEVNULL, stderr=PIPE) as probe:
            bindings()  # meanwhile
            _, said = probe.communicate()
        if probe.returncode:
            reason = _why(probe.returncode, said.decode(errors="replace"))
            raise FileError(f"is not an OpenUSD file that can be read ({reason}); export it again")
        _PROBED.add(seen)
    pxr = bindings()
    stage = pxr.Usd.Stage.Open(str(path))
    stage.Reload()  # layers stay in memory as long as anything holds them, whatever the disk has
    return stage


def within(top: Any) -> list[Any]:
    """A prim and all below it that are defined and active, those in instances included."""
    pxr = bindings()
    wanted = pxr.Usd.TraverseInstanceProxies(pxr.Usd.PrimDefaultPredicate)
    return list(pxr.Usd.PrimRange(top, wanted))


def _why(code: int, said: str) -> str:
    if code == -signal.SIGXCPU:
        return "it takes longer than a file of its size can need"
    if code < 0:
        return "it brings the library down"
    return (said.strip().splitlines() or ["no reason given"])[-1]
