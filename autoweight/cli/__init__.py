"""The command line: parse, call one function, print."""

from __future__ import annotations

import os
import sys
from importlib import import_module

import click

import autoweight
from autoweight.errors import AutoweightError

__all__ = ["main"]

COMMANDS = {
    "solve": "Weight a rig from its mesh and joints.",
    "learn": "Learn from finished rigs, for 'solve --like'.",
    "tune": "Edit a recipe on a live page, with the character before your eyes.",
    "recipe": "Write a recipe to start from, with what is in a rig.",
    "mirror": "Make one side's weights the mirror image of the other's.",
    "carry": "Carry finished weights over to changed geometry.",
    "tidy": "Prune, cap, normalise and quantise the weights of a rig.",
    "check": "Report the health of a rig's mesh, joints and weights.",
    "info": "Say what is in a rig.",
    "compare": "Say how far two weightings are apart.",
    "ribbon": "Weight the control points of a ribbon.",
    "mask": "Write a falloff mask along a chain, and waves that stay inside it.",
    "cast": "Weight many characters by one file, with levels of detail and garments.",
    "bench": "Compare weighting methods on rigs that have weights.",
    "flex": "Put a rig through its range of motion and rank where its skin suffers.",
    "explain": "Say why vertices move, and mend the weights that do it.",
    "view": "Show a rig in one page that opens offline in any browser.",
    "report": "Write a review of a rig as one HTML file, with pictures.",
    "demo": "Model, weight and check the axolotl.",
}
"""Name and one line for each; the module of that name in this package has the rest."""

STOPPED = 130
"""What a shell takes for the end by Ctrl-C: 128 and the number of its signal."""


class _Group(click.Group):
    """Loads a command's module only when the command is called."""

    def list_commands(self, ctx: click.Context) -> list[str]:
        return list(COMMANDS)

    def get_command(self, ctx: click.Context, name: str) -> click.Command | None:
        if name not in COMMANDS:
            return None
        return import_module(f"autoweight.cli.{name}").command

    def format_commands(self, ctx: click.Context, formatter: click.HelpFormatter) -> None:
        with formatter.section("Commands"):
            formatter.write_dl(list(COMMANDS.items()))

    def invoke(self, ctx: click.Context) -> object:
        try:
            return super().invoke(ctx)
        except AutoweightError as error:
            click.echo(f"autoweight: {error}", err=True)
            sys.exit(2)
        except KeyboardInterrupt:
            click.echo("autoweight: stopped", err=True)
            sys.exit(STOPPED)


@click.group(cls=_Group, context_settings={"help_option_names": ["-h", "--help"]})
@click.version_option(autoweight.__version__)
def main() -> None:
    """Skin weights for a mesh and its joints: a first pass in seconds, ready for cleanup.

    \b
    Example:
      autoweight demo axolotl
    """
    here = os.getcwd()
    if here not in sys.path:  # methods of a user's own; last, so that they hide no library
        sys.path.append(here)
