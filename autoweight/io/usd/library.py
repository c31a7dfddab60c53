"""The OpenUSD library: imported on first use, and kept from doing harm with a damaged file."""

from __future__ import annotations

import signal
import subprocess
import sys
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from subprocess import DEVNULL, PIPE
from typing import Any

from autoweight.errors import FileError, unreadable

__all__ = ["bindings", "opened", "ours"]

PROBE = Path(__file__).with_name("probe.py")
_PROBED: set[tuple[Path, int, int]] = set()
"""Files that were read to the end, with their times and sizes."""


def bindings() -> Any:
    """The bindings, on first use: they are large, and an extra."""
    try:
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
    """Exceptions of the library become ours, without its places in the source."""
    try:
        yield
    except bindings().Tf.ErrorException as error:
        # The last of its lines ends with what it has to say, in quotes.
        reason = str(error).strip().splitlines()[-1].rpartition(" : ")[2].strip("'")
        raise FileError(f"OpenUSD cannot use it ({reason}); export it again") from error
    except UnicodeDecodeError as error:
        raise FileError(
            f"has text that is not UTF-8 (byte {error.object[error.start]:#x}); export it again"
        ) from error


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


def _why(code: int, said: str) -> str:
    if code == -signal.SIGXCPU:
        return "it takes longer than a file of its size can need"
    if code < 0:
        return "it brings the library down"
    return (said.strip().splitlines() or ["no reason given"])[-1]
