"""Calls of the command line in this process, with stderr apart from stdout."""

from functools import partial
from inspect import signature

import click.testing

OLD = (
    "mix_stderr" in signature(click.testing.CliRunner).parameters
)  # click before 8.2 has to be told
CliRunner = partial(click.testing.CliRunner, **({"mix_stderr": False} if OLD else {}))
