"""``autoweight flex``."""

from __future__ import annotations

import sys
from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Any

import click

from autoweight.cli.options import (
    Choice,
    as_json,
    choosing,
    each_of,
    emit_each,
    force,
    progress_to_stderr,
    quiet,
    table,
)

if TYPE_CHECKING:
    from autoweight.flexing import Flexion, Place
    from autoweight.methods import Progress
    from autoweight.pose.clip import Clip
    from autoweight.recipes.recipe import Recipe
    from autoweight.rig import Rig
    from autoweight.skeleton.sides import Plane

VERTICES_SHOWN = 5


@click.command()
@click.argument("rig")
@click.option("-o", "--output", metavar="OUT", help="Write RIG with the motion as an animation.")
@click.option("--animation", metavar="NAME", help="Use this animation of RIG.")
@click.option("--bvh", metavar="FILE", help="Use the motion in a BVH file.")
@click.option("--ribbon", metavar="FILE", help="Move the controls of this ribbon, which RIG rides.")
@click.option(
    "--frames",
    type=click.IntRange(1),
    default=200,
    show_default=True,
    help="Most frames of an animation, BVH file or ribbon to take.",
)
@click.option(
    "--skinning",
    type=click.Choice(["linear", "dual"]),
    default="linear",
    show_default=True,
    help="Linear blend or dual quaternion.",
)
@click.option("--recipe", "recipe_file", metavar="FILE", help="Ranges and limits, in a TOML file.")
@click.option(
    "--plane",
    metavar="PLANE",
    help="What left and right are mirrored across: x, y, z or such as x=0.2 (the likeliest).",
)
@click.option(
    "--top",
    type=click.IntRange(0),
    default=12,
    show_default=True,
    help="Places to list; 0 for all.",
)
@choosing
@force
@as_json
@quiet
def command(
    rig: str,
    output: str | None,
    animation: str | None,
    bvh: str | None,
    ribbon: str | None,
    frames: int,
    skinning: str,
    recipe_file: str | None,
    plane: str | None,
    top: int,
    taken: Choice,
    force: bool,
    as_json: bool,
    quiet: bool,
) -> None:
    """Put RIG through its range of motion and rank where its skin suffers, the worst first.

    Without an animation or a BVH file the motion is made from the joints: each about its own
    axes, then whole chains with both sides together. Leaves with 0 when all is within its
    limits, 1 when something is over (marked with !), 2 when the file cannot be used.

    \b
    Example:
      autoweight flex axolotl/weighted.glb -o axolotl/motion.glb
    """
    from autoweight.errors import RecipeError
    from autoweight.io import GLTF, USD, check_output, save_all
    from autoweight.recipes.recipe import Recipe, load_recipe
    from autoweight.skeleton.sides import Plane, likely_plane

    if sum(each is not None for each in (animation, bvh, ribbon)) > 1:
        raise RecipeError("--animation, --bvh and --ribbon are three motions; give one of them")
    progress = progress_to_stderr(quiet)
    progress("reading", 0)
    recipe = load_recipe(recipe_file) if recipe_file else Recipe()
    rigs = taken.all(rig)
    if output:
        check_output(rigs[0], output, suffixes={**GLTF, **USD}, force=force)
    named = plane or (recipe.mirror.plane if recipe.mirror else None)
    flexed, shown = [], []
    for each in rigs:
        across = Plane.named(named) if named else likely_plane(each.skeleton)
        moved = _moved(rig, each, animation, bvh, ribbon, frames, across, recipe)
        with each_of(rig, each):
            found = _flexed(each, moved, skinning, recipe, across, progress)
        name = f"{moved.shown.name} {each.name}".strip()
        shown.append([replace(moved.shown, name=name)])
        flexed.append((moved.clip.name, found))
    if output:
        save_all(rigs, output, force=force, clips=shown)
    over = sum(len(found.findings) for _, found in flexed)
    emit_each(
        rigs,
        [_result(rig, motion, skinning, found) for motion, found in flexed],
        as_json,
        (_text(found, motion, top or len(found.places), output) for motion, found in flexed),
        {"rig": rig, "findings": over},
    )
    sys.exit(1 if over else 0)


@dataclass(frozen=True)
class _Motion:
    """What a character is put through, what of it an animation shows, and leaks of a ribbon."""

    clip: Clip
    shown: Clip
    leaking: Sequence[Place] = ()


def _moved(
    path: str,
    rig: Rig,
    animation: str | None,
    bvh: str | None,
    ribbon: str | None,
    frames: int,
    across: Plane | None,
    recipe: Recipe,
) -> _Motion:
    """The motion that was asked for, or a range of motion."""
    from autoweight.io import load_motion
    from autoweight.pose.motion import played, range_of_motion

    if ribbon:
        clip, leaking = _through(rig, ribbon, frames, recipe)
        return _Motion(clip, clip, leaking)
    if bvh:
        given = load_motion(bvh, rig.skeleton).thinned(frames)
        return _Motion(given, given)
    with each_of(path, rig):
        if animation:
            given = _named(rig, animation).thinned(frames)
            return _Motion(given, given)
        clip = range_of_motion(rig.skeleton, across, recipe)
        return _Motion(clip, played(rig.skeleton, clip))


def _flexed(
    rig: Rig,
    moved: _Motion,
    skinning: str,
    recipe: Recipe,
    across: Plane | None,
    progress: Progress,
) -> Flexion:
    from autoweight.flexing import Place, flex

    found = flex(
        rig, moved.clip, skin=skinning, limits=recipe.limits, plane=across, progress=progress
    )
    if not moved.leaking:
        return found
    return replace(found, places=tuple(sorted((*found.places, *moved.leaking), key=Place.rank)))


def _named(rig: Rig, animation: str) -> Clip:
    """An animation of a rig's file."""
    from autoweight.errors import RecipeError, suggestion
    from autoweight.io import load_clips

    clips = {clip.name: clip for clip in load_clips(rig)}
    if animation not in clips:
        raise RecipeError(f"no animation is named {animation!r}; {suggestion(animation, clips)}")
    return clips[animation]


def _through(loaded: Rig, ribbon: str, frames: int, recipe: Recipe) -> tuple[Clip, list[Place]]:
    """The motion of a ribbon's controls as the rig's, and what leaks on the ribbon itself."""
    from autoweight.errors import naming
    from autoweight.io.ribbon import load_ribbon
    from autoweight.pose.motion import range_of_motion
    from autoweight.ribbons.riding import driven_clip, leaks

    strip = load_ribbon(ribbon)
    with naming(ribbon):
        clip = range_of_motion(strip.controls).thinned(frames)
        return driven_clip(strip, loaded.skeleton, clip), leaks(strip, clip, recipe.limits)


def _result(rig: str, motion: str, skinning: str, found: Flexion) -> dict[str, Any]:
    import numpy as np

    measured = []
    taken = {**found.figures, **{f"left_{name}": each for name, each in found.shapes.items()}}
    there = np.array([np.nan_to_num(each) > 0 for each in taken.values()]).any(axis=0)
    for pose, joint in np.argwhere(there):
        values = {name: float(each[pose, joint]) for name, each in taken.items()}
        measured.append(
            {
                "pose": found.poses[pose],
                "joint": found.joints[joint],
                **{name: value for name, value in values.items() if np.isfinite(value)},
            }
        )
    return {
        "rig": rig,
        "motion": motion,
        "skinning": skinning,
        "poses": len(found.poses),
        "findings": len(found.findings),
        "places": [
            {
                "figure": place.figure,
                "joint": place.joint,
                "pose": place.pose,
                "value": place.value,
                "limit": place.limit,
                "times_limit": place.severity,
                "vertices": place.vertices.tolist(),
                "causes": dict(place.causes),
                "told": place.told,
                "mesh": place.mesh,
            }
            for place in found.places
        ],
        "measured": measured,
    }


def _text(found: Flexion, motion: str, top: int, output: str | None) -> str:
    over = len(found.findings)
    said = f"{len(found.poses)} poses of {motion}: "
    said += f"{over} places over their limits" if over else "all within its limits"
    rows: list[tuple[str, ...]] = [("", "× limit", "figure", "joint", "pose", "what", "vertices")]
    rows += [
        (
            "!" if place.severity > 1 else "",
            f"{place.severity:.2f}",
            place.figure,
            place.joint,
            place.pose,
            place.told,
            _some(place),
        )
        for place in found.places[:top]
    ]
    lines = [said, table(rows)] if len(rows) > 1 else [said]
    if len(found.places) > top:
        rest = sum(place.severity > 1 for place in found.places[top:])
        hidden = f", {rest} of them over" if rest else ""
        lines.append(f"and {len(found.places) - top} more{hidden}; --top 0 lists all")
    if output:
        lines.append(f"wrote {output}")
    return "\n".join(lines)


def _some(place: Place) -> str:
    first = ", ".join(map(str, place.vertices[:VERTICES_SHOWN]))
    return f"{len(place.vertices)}: {first}{' …' if len(place.vertices) > VERTICES_SHOWN else ''}"
