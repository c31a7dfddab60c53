"""``autoweight view``."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from autoweight.cli.options import (
    PAGES,
    Choice,
    as_json,
    choosing,
    counterparts,
    each_of,
    emit_each,
    ended,
    endings,
    file_names,
    progress_to_stderr,
    quiet,
)

if TYPE_CHECKING:
    from autoweight.flexing import Place
    from autoweight.methods import Progress
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
@choosing
@as_json
@quiet
def command(
    rig: str,
    output: str | None,
    before: str | None,
    png: str | None,
    top: int,
    taken: Choice,
    as_json: bool,
    quiet: bool,
) -> None:
    """Show RIG in one HTML page that opens offline in any browser.

    It has the range of motion to play, and the worst places that flexing it found. Each of several
    characters gets a page, with its name behind PAGE's.

    \b
    Example:
      autoweight view axolotl/weighted.glb -o axolotl/weighted.html
    """
    from autoweight.io import check_place
    from autoweight.io.atomic import folder

    target = output or str(Path(rig).with_suffix(".html"))
    check_place(target, PAGES, read=(rig,))
    if png:
        folder(png)
    progress = progress_to_stderr(quiet)
    rigs = taken.all(rig)
    earlier = _earlier(taken, rig, rigs, before) if before else [None] * len(rigs)
    results = []
    for each, old, ending in zip(rigs, earlier, endings(rigs), strict=True):
        place = ended(target, ending)
        check_place(place, PAGES, read=(rig,))
        with each_of(rig, each):
            title = " ".join([Path(rig).stem, each.name]).strip()
            results.append(
                _page(each, title, place, old, Path(png) if png else None, ending, top, progress)
            )
    emit_each(rigs, results, as_json, map(_text, results), {"rig": rig})


def _earlier(taken: Choice, path: str, rigs: Sequence[Rig], before: str) -> list[Weights]:
    """The other weighting of each character, by name."""
    from autoweight.errors import naming
    from autoweight.weights.comparing import weights_for

    others = counterparts(path, rigs, before, taken.all(before))
    with naming(before):
        return [weights_for(rig, other) for rig, other in zip(rigs, others, strict=True)]


def _page(
    shown: Rig,
    title: str,
    target: str,
    earlier: Weights | None,
    png: Path | None,
    ending: str,
    top: int,
    progress: Progress,
) -> dict[str, Any]:
    """Write the page of one character, and say what was written."""
    from autoweight.flexing import flex
    from autoweight.io.atomic import write
    from autoweight.pose.motion import range_of_motion
    from autoweight.skeleton.sides import likely_plane
    from autoweight.surface import prepare
    from autoweight.view.page import from_flexing, page

    plane = likely_plane(shown.skeleton)
    clip = range_of_motion(shown.skeleton, plane)
    surface = prepare(shown.mesh)
    found = flex(shown, clip, plane=plane, surface=surface, progress=progress)
    worst = found.places[:top]
    text = page(
        shown,
        title=title,
        before=earlier,
        clip=clip,
        places=from_flexing(worst, shown.skeleton, clip),
        layers={name: values for name, values in shown.attributes.items() if values.ndim == 1},
        surface=surface,
    ).encode()
    write(target, [text])
    drawn = _draw(png, ending, shown, earlier, worst, clip) if png else []
    return {"output": target, "bytes": len(text), "places": len(worst), "pictures": drawn}


def _text(result: dict[str, Any]) -> str:
    size = f"{result['bytes'] / 1e6:.1f} MB"
    return "\n".join(
        [f"wrote  {result['output']}  {size}", *(f"drew   {path}" for path in result["pictures"])]
    )


def _draw(
    folder: Path,
    ending: str,
    rig: Rig,
    before: Weights | None,
    worst: Sequence[Place],
    clip: Clip,
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
    for file, (_, sheet) in zip(file_names(name for name, _ in sheets), sheets, strict=True):
        if sheet is not None:
            path = folder / f"{file}{ending}.png"
            save_png(sheet, path)
            drawn.append(str(path))
    return drawn
