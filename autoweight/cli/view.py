"""``autoweight view``."""

from __future__ import annotations

import re
from collections.abc import Sequence
from typing import TYPE_CHECKING, Any

import click

from autoweight.cli.options import PAGES, as_json, emit, progress_to_stderr, quiet

if TYPE_CHECKING:
    from pathlib import Path

    from autoweight.flexing import Place
    from autoweight.pose.clip import Clip
    from autoweight.rig import Rig, Weights


@click.command()
@click.argument("rig")
@click.option("-o", "--output", metavar="PAGE", help="File to write (RIG with .html).")
@click.option("--before", metavar="OTHER", help="Another weighting of the same rig, to compare.")
@click.option("--png", metavar="DIR", help="Write contact sheets of weights and poses there too.")
@click.option(
    "--top",
    default=12,
    show_default=True,
    type=click.IntRange(0),
    help="Worst places to list; 0 for none.",
)
@as_json
@quiet
def command(
    rig: str,
    output: str | None,
    before: str | None,
    png: str | None,
    top: int,
    as_json: bool,
    quiet: bool,
) -> None:
    """Show RIG in one HTML page that opens offline in any browser.

    It has the range of motion to play, and the worst places that flexing it found.

    \b
    Example:
      autoweight view axolotl/weighted.glb -o axolotl/weighted.html
    """
    from pathlib import Path

    from autoweight.errors import naming
    from autoweight.flexing import flex
    from autoweight.io import check_place, load
    from autoweight.io.atomic import folder, write
    from autoweight.pose.motion import range_of_motion
    from autoweight.skeleton.sides import likely_plane
    from autoweight.surface import prepare
    from autoweight.view.page import Place, page
    from autoweight.weights.comparing import weights_for

    target = output or str(Path(rig).with_suffix(".html"))
    check_place(target, PAGES, read=(rig,))
    if png:
        folder(png)
    progress = progress_to_stderr(quiet)
    shown = load(rig)
    plane = likely_plane(shown.skeleton)
    clip = range_of_motion(shown.skeleton, plane)
    earlier = None
    if before:
        other = load(before)
        with naming(before):
            earlier = weights_for(shown, other)
    with naming(rig):
        surface = prepare(shown.mesh)
        found = flex(shown, clip, plane=plane, surface=surface, progress=progress)
    worst = found.places[:top]
    text = page(
        shown,
        title=Path(rig).stem,
        before=earlier,
        clip=clip,
        places=[
            Place(
                f"{place.pose}: {place.told}",
                vertex=int(place.vertices[0]),
                joint=shown.skeleton.index[place.joint],
                frame=clip.labels.index(place.pose),
            )
            for place in worst
        ],
        layers={name: values for name, values in shown.attributes.items() if values.ndim == 1},
        surface=surface,
    ).encode()
    write(target, [text])
    drawn = _draw(Path(png), shown, earlier, worst, clip) if png else []
    result = {"output": target, "bytes": len(text), "places": len(worst), "pictures": drawn}
    emit(
        result,
        as_json,
        lambda: "\n".join(
            [f"wrote  {target}  {len(text) / 1e6:.1f} MB", *(f"drew   {path}" for path in drawn)]
        ),
    )


def _draw(
    folder: Path, rig: Rig, before: Weights | None, worst: Sequence[Place], clip: Clip
) -> list[str]:
    from dataclasses import replace

    from autoweight.view.report import chain_sheets, worst_sheet
    from autoweight.view.sheet import save_png

    sheets: list[tuple[str, Any]] = [
        (f"weights_{name}", sheet) for name, sheet in chain_sheets(rig)
    ]
    poses = {"worst": rig}
    if before is not None:
        poses = {"worst_before": replace(rig, weights=before), "worst_after": rig}
    sheets += [(name, worst_sheet(each, worst, clip)) for name, each in poses.items()]
    drawn = []
    for name, sheet in sheets:
        if sheet is not None:
            path = folder / (re.sub(r"[^\w.-]", "_", name) + ".png")  # joints may be called a/b
            save_png(sheet, path)
            drawn.append(str(path))
    return drawn
