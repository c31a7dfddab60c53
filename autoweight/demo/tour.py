"""The whole tool on the axolotl, one step after the other."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, field, replace
from importlib.resources import files
from pathlib import Path
from time import perf_counter
from typing import Any

import numpy as np
from scipy import sparse

from autoweight.demo.axolotl import model
from autoweight.demo.document import bound, cut
from autoweight.demo.tail_ribbon import tail_ribbon
from autoweight.flexing import flex
from autoweight.flexing.explaining import Turn, explain, posed, region
from autoweight.io import load, save
from autoweight.io.atomic import write
from autoweight.io.ribbon import save_ribbon
from autoweight.methods import Progress
from autoweight.pose.motion import played, range_of_motion
from autoweight.pose.skinning import carried, linear_blend
from autoweight.recipes.profiles import Falloff
from autoweight.recipes.recipe import load_recipe
from autoweight.ribbons.weighing import weigh
from autoweight.rig import Rig, Weights
from autoweight.skeleton.sides import Plane
from autoweight.stages.masking import Wave, along_chain, chain_between, mask, stretch
from autoweight.stages.solving import first_pass
from autoweight.surface import Surface, prepare
from autoweight.view.picture import picture, view
from autoweight.view.sheet import contact_sheet, save_png, sheet
from autoweight.weights.checking import check

__all__ = ["Step", "tour"]

ACROSS = Plane.named("x")
SHEETS = {
    "tail": ("tail_1", "tail_3", "tail_5", "tail_7"),
    "arm": ("shoulder_L", "elbow_L", "wrist_L", "spine_3"),
    "digits": ("digit_1_1_L", "digit_2_1_L", "digit_2_2_L", "digit_3_1_L"),
    "head": ("head", "jaw", "snout", "gill_2_2_L"),
}
POSES = {
    "swimming": [f"tail_{number}=side:{18 if number < 5 else -24}" for number in range(1, 9)],
    "reaching": [
        "elbow_L=bend:40",
        "spine_3=side:20",
        "jaw=bend:20",
        *(f"digit_{number}_{joint}_L=bend:25" for number in range(1, 5) for joint in (1, 2)),
    ],
}
FAULT = ("hip_L", "gill_2_2_L", 0.02)
"""Whose weight is planted on whose vertices, and how much."""


@dataclass(frozen=True)
class Step:
    """What was done.

    Parameters
    ----------
    did : str
        In a word.
    told : str
        What came of it.
    files : tuple of str
        What was written.
    figures : dict
        The same in numbers and names.
    sound : bool
        Nothing that needs a look was found.
    """

    did: str
    told: str
    files: tuple[str, ...] = ()
    figures: dict[str, Any] = field(default_factory=dict)
    sound: bool = True


def tour(place: Path, progress: Progress) -> Iterator[Step]:
    """Model the axolotl and take it through the tool.

    Parameters
    ----------
    place : Path
        A folder that is there. Files of the same names are replaced.
    progress : callable
        Called with a stage and the share of it that is done.

    Yields
    ------
    Step
        As each is finished.

    Raises
    ------
    FileError
        The folder cannot be written to.
    """
    progress("modelling", 0)
    path = place / "axolotl.glb"
    save(bound(), path)
    rig = load(path)
    size = {"vertices": len(rig.mesh.vertices), "joints": len(rig.skeleton)}
    yield Step(
        "modelled", f"{size['vertices']} vertices, {size['joints']} joints", (str(path),), size
    )

    surface = prepare(rig.mesh)
    written, step = _weighted(rig, surface, place, progress)
    yield step
    progress("checking", 0)
    findings = [fact.name for fact in check(written, surface=surface) if fact.finding]
    yield Step(
        "checked",
        ", ".join(findings) or "nothing to mend",
        figures={"findings": findings},
        sound=not findings,
    )
    yield _flexed(written, surface, place, progress)
    yield _explained(written, surface, place)
    yield _ribbon(written, place)
    yield _swimming(written, place, progress)
    progress("drawing", 0)
    yield _drawn(written, place)


def _weighted(rig: Rig, surface: Surface, place: Path, progress: Progress) -> tuple[Rig, Step]:
    recipe_file, path = place / "recipe.toml", place / "weighted.glb"
    write(recipe_file, [files("autoweight.demo").joinpath("axolotl.toml").read_bytes()])
    begun = perf_counter()
    recipe = load_recipe(recipe_file)
    solution = first_pass(rig, recipe, surface=surface, progress=progress)
    save(replace(rig, weights=solution.weights), path, bits=recipe.tidy.bits)
    seconds = round(perf_counter() - begun, 2)
    figures = {"seconds": seconds, "decisions": list(solution.decisions)}
    told = f"by the recipe, in {seconds} s"
    return load(path), Step("weighted", told, (str(recipe_file), str(path)), figures)


def _flexed(rig: Rig, surface: Surface, place: Path, progress: Progress) -> Step:
    clip = range_of_motion(rig.skeleton, ACROSS)
    found = flex(rig, clip, plane=ACROSS, surface=surface, progress=progress)
    path = place / "motion.glb"
    save(rig, path, clips=[played(rig.skeleton, clip)])
    worst = found.places[0]
    over = len(found.findings)
    told = f"{len(clip)} poses, {over or 'no'} places over their limits; worst: {worst.told}"
    return Step(
        "flexed",
        told,
        (str(path),),
        {"poses": len(clip), "over": over, "worst": worst.told, "times_limit": worst.severity},
        sound=not over,
    )


def _explained(rig: Rig, surface: Surface, place: Path) -> Step:
    """Plant a fault, ask for it, and take it out again."""
    culprit, victim, amount = FAULT
    vertices = region(rig, victim, surface=surface)
    path, mended_path = place / "faulty.glb", place / "mended.glb"
    faulty = replace(rig, weights=_planted(rig, culprit, vertices, amount))
    save(faulty, path)
    pose = posed(rig.skeleton, [Turn(culprit, "bend", 60)], ACROSS)
    found = explain(faulty, pose, vertices, surface=surface)
    files_written = [str(path)]
    figures: dict[str, Any] = {"cause": found.cause, "verdict": found.verdict}
    told = found.verdict
    if found.repair is not None:
        save(replace(faulty, weights=found.repair.weights), mended_path)
        files_written.append(str(mended_path))
        figures |= {"before": found.repair.before, "after": found.repair.after}
    return Step("explained", told, tuple(files_written), figures)


def _planted(rig: Rig, joint: str, vertices: np.ndarray, amount: float) -> Weights:
    assert rig.weights is not None
    share = np.zeros(len(rig.mesh.vertices))
    share[vertices] = amount
    stray = sparse.csr_array(
        (share[vertices], (vertices, np.full(len(vertices), rig.skeleton.index[joint]))),
        shape=rig.weights.shape,
    )
    return Weights(sparse.diags_array(1 - share) @ rig.weights.matrix + stray)


def _ribbon(rig: Rig, place: Path) -> Step:
    bare = tail_ribbon(rig.skeleton)
    weights = weigh(bare, Falloff(shape="smooth"))
    paths = place / "tail_ribbon.json", place / "tail_weighted.json"
    for path, ribbon in zip(paths, (bare, replace(bare, weights=weights)), strict=True):
        save_ribbon(ribbon, path)
    points, controls = weights.shape
    return Step(
        "ribbon",
        f"{points} control points to {controls} joints, {len(bare.riders.names)} joints ride it",
        tuple(map(str, paths)),
        {"control_points": points, "controls": controls},
    )


def _swimming(rig: Rig, place: Path, progress: Progress) -> Step:
    """Two shapes that make a travelling wave, masked so that the head stays where it is."""
    chain = chain_between(rig.skeleton, "spine_2", "tail_8")
    along = along_chain(rig, chain, progress=progress)
    where = stretch(rig.skeleton, chain, ("tail_2", "tail_8"), zero=["spine_2"])
    values = mask(along, where)
    shapes = {
        name: Wave(0.012, 0.12, (1.0, 0.0, 0.0), phase).displacement(along, values)
        for name, phase in (("swim_sine", 0.0), ("swim_cosine", 90.0))
    }
    path = place / "swimming.glb"
    masked = {**rig.attributes, "_MASK": values.astype(np.float32)}
    save(replace(rig, attributes=masked), path, shapes=shapes)
    still = int((values == 0).sum())
    told = f"{' and '.join(shapes)}, masked; {still} vertices stay exactly where they are"
    return Step("wave", told, (str(path),), {"still": still, "shapes": list(shapes)})


def _drawn(rig: Rig, place: Path) -> Step:
    assert rig.weights is not None
    colours = cut(model()).colours
    drawn = [place / "axolotl.png", place / "poses.png"]
    save_png(picture(rig.mesh, colours, width=960, height=520), drawn[0])
    tiles = []
    for name, turns in POSES.items():
        pose = posed(rig.skeleton, [Turn.read(turn) for turn in turns], ACROSS)
        moved = linear_blend(rig.mesh.vertices, rig.weights.matrix, carried(rig.skeleton, pose))
        seen = view(moved, (0.75, 0.8, 1.0))
        tiles.append((name, picture(rig.mesh, colours, seen=seen, vertices=moved)))
    save_png(contact_sheet(tiles), drawn[1])
    for name, joints in SHEETS.items():
        drawn.append(place / f"weights_{name}.png")
        sheet(rig, joints, drawn[-1])
    return Step(
        "drew", f"the weights of {sum(map(len, SHEETS.values()))} joints", tuple(map(str, drawn))
    )
