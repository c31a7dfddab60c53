"""``autoweight view``."""

from __future__ import annotations

import click

from autoweight.cli.options import as_json, emit


@click.command()
@click.argument("rig")
@click.option("-o", "--output", metavar="PAGE", help="File to write (RIG with .html).")
@click.option("--before", metavar="OTHER", help="Another weighting of the same rig, to compare.")
@as_json
def command(rig: str, output: str | None, before: str | None, as_json: bool) -> None:
    """Show RIG in one HTML page that opens offline in any browser.

    \b
    Example:
      autoweight view axolotl/weighted.glb -o axolotl/weighted.html
    """
    from pathlib import Path

    from autoweight.comparing import weights_for
    from autoweight.io import load
    from autoweight.io.atomic import write
    from autoweight.pose.motion import range_of_motion
    from autoweight.view.page import page

    shown = load(rig)
    text = page(
        shown,
        title=Path(rig).stem,
        before=weights_for(shown, load(before)) if before else None,
        clip=range_of_motion(shown.skeleton),
        layers={name: values for name, values in shown.attributes.items() if values.ndim == 1},
    ).encode()
    target = output or str(Path(rig).with_suffix(".html"))
    write(target, [text])
    result = {"output": target, "bytes": len(text)}
    emit(result, as_json, lambda: f"wrote  {target}  {len(text) / 1e6:.1f} MB")
