"""``autoweight recipe``."""

from __future__ import annotations

import click

from autoweight.cli.options import Choice, choosing, say


@click.command()
@click.argument("rig")
@click.option("-o", "--output", metavar="FILE", help="File to write instead of stdout.")
@choosing
@click.option("--force", is_flag=True, help="Allow FILE to be there already.")
def command(rig: str, output: str | None, taken: Choice, force: bool) -> None:
    """Write a recipe to start from, with the chains, parts and pairs found in RIG.

    \b
    Example:
      autoweight recipe axolotl/axolotl.glb -o axolotl/axolotl.toml
    """
    from pathlib import Path

    from autoweight.errors import FileError
    from autoweight.io import check_place
    from autoweight.io.atomic import write
    from autoweight.stages.drafting import draft

    if output is not None:
        check_place(output, (".toml",))
        if Path(output).exists() and not force:
            raise FileError(f"{output}: is there already; choose another name or pass --force")
    text = draft(taken(rig), Path(rig).name)
    if output is None:
        say(text, nl=False)
        return
    write(output, [text.encode()])
    say(f"wrote {output}")
