"""One character from its job to its files: solve or carry, hand on to levels and garments, look."""

from __future__ import annotations

import time
from dataclasses import dataclass, replace
from fnmatch import fnmatchcase
from pathlib import Path
from typing import Any

import msgspec
import numpy as np

from autoweight.batch.ledger import Entry, Ledger, digest, prints
from autoweight.cast.inputs import inputs
from autoweight.cast.levels import folded, gap
from autoweight.cast.planning import Job, LevelJob
from autoweight.errors import AutoweightError, FileError, RecipeError, SkeletonError, naming
from autoweight.flexing import Flexion, flex
from autoweight.io import WRITERS, load, save
from autoweight.io.atomic import folder, write
from autoweight.pose.clip import Clip
from autoweight.pose.motion import range_of_motion
from autoweight.recipes.recipe import Recipe, Tidy, load_recipe
from autoweight.rig import Rig
from autoweight.skeleton.sides import likely_plane
from autoweight.stages.carrying import carry
from autoweight.stages.solving import first_pass
from autoweight.surface import Surface, prepare
from autoweight.view.page import from_flexing, page
from autoweight.view.picture import best_view, picture
from autoweight.view.sheet import png
from autoweight.weights.checking import check
from autoweight.weights.comparing import compare_rigs
from autoweight.weights.tidying import quantise, tidy

__all__ = ["PICTURE", "VIEW", "Told", "do"]

POSES = 60
"""Most poses that a character is flexed in."""

PICTURE = "picture.png"
VIEW = "view.html"

TILE = 132, 110
"""Pixels of a picture: a thousand of them are to go into one page."""

TONES = 24
"""Colours of a picture."""

SHOWN = 12
"""Places that the page of a character leads to."""


class Told(msgspec.Struct, frozen=True):
    """What there is to say of a character that was done.

    Parameters
    ----------
    vertices, joints : int
    findings : list of str
        What a person should look at, in words; empty where it is sound.
    worst : str
        Where it suffers most in motion, in words.
    severity : float
        Of that, in limits.
    change : float or None
        Mean L1 distance to the weights of the last run; None where there were none, or of
        another mesh that cannot be compared.
    levels : list of dict
        Of each level of detail: its file, vertices, mean and worst distance from the densest in
        ten poses, and the vertices that are further off than they should be.
    decisions : list of str
        What was decided on the way.
    seconds : float
        Of work, on one processor.
    """

    vertices: int
    joints: int
    findings: list[str]
    worst: str
    severity: float
    change: float | None
    levels: list[dict[str, Any]]
    decisions: list[str]
    seconds: float


@dataclass(frozen=True, eq=False)
class _Piece:
    """A rig with its final weights, and where it is written."""

    rig: Rig
    bits: int
    path: Path


def do(job: Job) -> bool:
    """Do one job, and keep what came of it.

    Parameters
    ----------
    job : Job

    Returns
    -------
    bool
        Whether there was anything to do: files that were only touched need nothing.

    Raises
    ------
    AutoweightError
        A file cannot be used or written. What an earlier run made is still there.
    """
    ledger = Ledger(job.folder)
    before = ledger.entry(job.name)
    files = inputs(job)
    seen = prints(files, before.inputs if before else None)
    key = digest(job.asked, *(text for path in files for text in (path, seen[path].digest)))
    if before and before.key == key and ledger.whole(before):
        ledger.keep(job.name, msgspec.structs.replace(before, inputs=seen))
        return False
    pieces, told, more = _made(job, ledger, before)
    again = prints(files)
    for path in files:
        if again[path].digest != seen[path].digest:
            raise FileError(f"{path}: was replaced while it was worked on; run again")
    outputs = _written(job, pieces, more)
    kept = {str(path.relative_to(job.folder)): each for path, each in outputs.items()}
    if before:
        for stale in set(before.outputs) - set(kept):
            (Path(job.folder) / stale).unlink(missing_ok=True)
    ledger.keep(job.name, Entry(key, job.asked, again, kept, msgspec.to_builtins(told)))
    return True


def _made(
    job: Job, ledger: Ledger, before: Entry | None
) -> tuple[list[_Piece], Told, dict[str, bytes]]:
    """Everything that is to be written, and what there is to say of it."""
    begun = time.process_time()
    recipe = load_recipe(job.recipe) if job.recipe else Recipe()
    recipe = replace(recipe, tidy=_tidying(recipe.tidy, job.max_influences, job.bits))
    rig = load(job.rig, skeleton=job.skeleton, root=job.root)
    decisions: list[str] = []
    with naming(job.rig):
        surface = prepare(rig.mesh)
        if job.weights:
            rig = _carried(load(job.weights), rig, recipe, decisions)
        else:
            solution = first_pass(rig, recipe, surface=surface)
            decisions += solution.decisions
            rig = replace(rig, weights=solution.weights)
    pieces = _placed(job, rig, job.rig, recipe.tidy.bits)
    levels = []
    for level in job.levels:
        piece, away = _level(level, rig, recipe, surface)
        pieces += _placed(job, piece, level.rig, _tidying(recipe.tidy, None, level.bits).bits)
        levels.append(away)
    for file in job.garments:
        with naming(file):
            garment = _carried(rig, _loaded(file, rig), recipe, decisions)
        pieces += _placed(job, garment, file, recipe.tidy.bits)
    plane = likely_plane(rig.skeleton)
    clip = range_of_motion(rig.skeleton, plane, recipe).thinned(POSES)
    flexed = None
    if job.flex:
        flexed = flex(rig, clip, limits=recipe.limits, plane=plane, surface=surface)
    worst = flexed.places[0] if flexed and flexed.places else None
    findings = [text for away in levels for text in _strayed(away)]
    findings += [place.told for place in flexed.findings] if flexed else []
    findings += [
        f"{each.about}: {each.name}: {each.told}" + (f"; {each.mend}" if each.mend else "")
        for each in check(replace(rig, document=None), surface=surface)
        if each.finding
    ]
    more = {PICTURE: _picture(rig)}
    if job.page:
        more[VIEW] = _page(job, rig, clip, flexed, surface).encode()
    told = Told(
        vertices=len(rig.mesh.vertices),
        joints=len(rig.skeleton),
        findings=findings,
        worst=worst.told if worst else "",
        severity=float(worst.severity) if worst else 0.0,
        change=_change(rig, job, ledger, before),
        levels=levels,
        decisions=decisions,
        seconds=time.process_time() - begun,
    )
    return pieces, told, more


def _tidying(how: Tidy, most: int | None, bits: int | None) -> Tidy:
    if most is not None:
        how = replace(how, max_influences=most)
    return how if bits is None else replace(how, bits=bits)


def _loaded(file: str, body: Rig) -> Rig:
    """A rig, with the joints of the body where it has none of its own."""
    try:
        return load(file)
    except SkeletonError:
        return load(file, skeleton=body.skeleton)


def _carried(finished: Rig, new: Rig, recipe: Recipe, decisions: list[str]) -> Rig:
    """A rig with the weights of another, tidied."""
    surface = prepare(new.mesh)
    found = carry(finished, new, recipe, surface=surface)
    decisions += found.notes
    return found.finished(new, recipe.tidy, surface=surface)


def _strayed(away: dict[str, Any]) -> list[str]:
    """What is to be said of a level that strays from the densest."""
    over = away["over"]
    if not over:
        return []
    return [
        f"{Path(away['rig']).name}: {len(over)} vertices are further off than three times what the "
        f"surface moved, the worst {over[0]}"
    ]


def _level(
    level: LevelJob, densest: Rig, recipe: Recipe, surface: Surface
) -> tuple[Rig, dict[str, Any]]:
    """A level of detail with weights, and how far it is from the densest."""
    how = _tidying(recipe.tidy, level.max_influences, level.bits)
    with naming(level.rig):
        rig = _loaded(level.rig, densest)
        own = prepare(rig.mesh)
        found = carry(densest, rig, recipe, surface=own)
        weights = found.weights
        if level.joints:
            # Of what is folded, what comes from far off is no stray: it is capped, and that is all.
            weights = tidy(folded(weights, rig.skeleton, _kept(rig, level)), how)
        else:
            weights = tidy(weights, how, mesh=rig.mesh, skeleton=rig.skeleton, surface=own)
        rig = replace(rig, weights=quantise(weights, how.bits))
        away = gap(densest, rig, surface=surface, own=own)
    told = {
        "rig": level.rig,
        "vertices": len(rig.mesh.vertices),
        "mean": away.mean,
        "worst": away.worst,
        "over": [int(each) for each in away.over],
        "notes": list(found.notes),
    }
    return rig, told


def _kept(rig: Rig, level: LevelJob) -> np.ndarray:
    names = rig.skeleton.names
    kept = np.array([any(fnmatchcase(name, each) for each in level.joints) for name in names])
    if not kept.any():
        raise RecipeError(f"no joint matches {', '.join(level.joints)}; mend the level's joints")
    return kept


def _placed(job: Job, rig: Rig, file: str, bits: int) -> list[_Piece]:
    """The same rig in every format asked for."""
    source = Path(file)
    own = source.suffix[1:].lower() if source.suffix.lower() in WRITERS else "glb"
    place = Path(job.folder) / job.name
    return [
        _Piece(rig, bits, place / f"{source.stem}.{suffix}") for suffix in job.formats or (own,)
    ]


def _written(job: Job, pieces: list[_Piece], more: dict[str, bytes]) -> dict[Path, Any]:
    """Write all files, and say what they are."""
    place = Path(job.folder) / job.name
    paths = [each.path for each in pieces]
    if len(set(paths)) < len(paths):
        twice = next(path for path in paths if paths.count(path) > 1)
        raise RecipeError(f"two files of {job.name} would be written to {twice}; rename one")
    folder(place)
    for each in pieces:
        save(each.rig, each.path, bits=each.bits)
    for name, content in more.items():
        write(place / name, [content])
    made = [*paths, *(place / name for name in more)]
    return dict(zip(made, prints(map(str, made)).values(), strict=True))


def _change(rig: Rig, job: Job, ledger: Ledger, before: Entry | None) -> float | None:
    """How far the weights are from those of the last run."""
    if before is None or not ledger.whole(before):
        return None
    for name in before.outputs:
        path = ledger.root / name
        if path.stem == Path(job.rig).stem and path.suffix in (".glb", ".gltf"):
            try:
                old = load(path, root=job.root)
                return compare_rigs(rig, old).difference.weights if old.weights else None
            except AutoweightError:
                return None
    return None


def _picture(rig: Rig) -> bytes:
    """The character, coloured by which joint holds what, small."""
    assert rig.weights is not None
    held = rig.weights.dominant
    shade = np.random.default_rng(0).permutation(len(rig.skeleton))[held] / len(rig.skeleton)
    seen = best_view(rig.mesh, np.ones(len(rig.mesh.vertices)))
    drawn = picture(rig.mesh, 0.25 + 0.5 * shade, seen=seen, width=TILE[0], height=TILE[1])
    return png(drawn, TONES)


def _page(job: Job, rig: Rig, clip: Clip, flexed: Flexion | None, surface: Surface) -> str:
    places = flexed.places[:SHOWN] if flexed else ()
    return page(
        rig,
        title=job.name,
        clip=clip,
        places=from_flexing(places, rig.skeleton, clip),
        surface=surface,
    )
