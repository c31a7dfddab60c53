"""Options that several commands share, and what they print with."""

from __future__ import annotations

import json
import sys
import time
from collections.abc import Callable
from typing import Any

import click

__all__ = ["as_json", "emit", "progress_to_stderr", "quiet"]

as_json = click.option("--json", "as_json", is_flag=True, help="Print the result as JSON.")
quiet = click.option("--quiet", is_flag=True, help="Say nothing of progress.")

QUIET_SECONDS = 1.0


def emit(result: dict[str, Any], as_json: bool, text: Callable[[], str]) -> None:
    """Print a result on stdout, for machines or for people."""
    click.echo(json.dumps(result, indent=2) if as_json else text())


def progress_to_stderr(quiet: bool) -> Callable[[str, float], None]:
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
