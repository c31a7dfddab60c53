"""What is on the desk: a rig, the recipe as it is edited, and everything that can be undone."""

from __future__ import annotations

import base64
import hashlib
import io
import json
import os
import time
from collections.abc import Callable, Sequence
from contextlib import suppress
from dataclasses import dataclass, replace
from functools import lru_cache
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from autoweight.errors import FileError, RecipeError, unreadable
from autoweight.io import check_output, check_place, save
from autoweight.io.atomic import write
from autoweight.methods import METHODS
from autoweight.recipes.recipe import Lock, Recipe, parse_recipe
from autoweight.rig import Rig
from autoweight.stages.carrying import carry
from autoweight.stages.drafting import draft
from autoweight.stages.finishing import Solution
from autoweight.stages.planning import plan
from autoweight.stages.session import Session
from autoweight.surface.places import Ground
from autoweight.tuning.wording import Change, reworded
from autoweight.weights.locks import read_numbers

__all__ = ["Clash", "Desk", "Version"]

NEAR = 0.05
"""Bounding-box diagonals within which what is painted follows to a changed mesh."""

Numbers = NDArray[np.int64]


class Clash(RecipeError):
    """The recipe was changed by another hand since it was read."""


@dataclass(frozen=True, eq=False)
class Version:
    """One state of the work.

    Parameters
    ----------
    text : str
        The recipe.
    painted : ndarray, shape (p,), int64
        Vertices that were painted finished, ascending.
    label : str
        What was done to come here.
    stroke : int, optional
        Of which movement of the hand it is a part; the next part takes its place.
    """

    text: str
    painted: Numbers
    label: str
    stroke: int | None = None

    def same(self, other: Version) -> bool:
        """Whether both would be written alike."""
        return self.text == other.text and np.array_equal(self.painted, other.painted)


class Desk:
    """A rig and the recipe for it, edited step by step.

    Parameters
    ----------
    read : callable
        Reads the rig anew.
    recipe : Path
        Where the recipe is, or will be once it is saved.
    output : Path
        Where the rig goes when it is written.
    force : bool
        Whether `output` may be the file that is read.
    flatten : bool
        Whether OpenUSD is written whole.

    Raises
    ------
    AutoweightError
        The rig, the recipe or what it names cannot be read, or a path cannot be written.
    """

    def __init__(
        self,
        read: Callable[[], Rig],
        recipe: Path,
        output: Path,
        *,
        force: bool = False,
        flatten: bool = False,
    ) -> None:
        self.read, self.path, self.output = read, recipe, output
        self.force, self.flatten = force, flatten
        check_place(recipe, [".toml"])
        self.rig = read()
        check_output(self.rig, output, force=force)
        self.session = Session(self.rig)
        self.notes: list[str] = []
        self.disk = self._on_disk()
        text = draft(self.rig, recipe.stem) if self.disk is None else self.disk
        asked = _parsed(text, str(recipe))
        self.locks_name = next(
            (lock.file for lock in asked.lock if lock.file and lock == Lock(file=lock.file)),
            f"{recipe.stem}.locks.npy",
        )
        self._known = _named(asked) | {self.locks_name}
        painted = np.empty(0, dtype=np.int64)
        if any(lock.file == self.locks_name for lock in asked.lock):
            painted = np.unique(read_numbers(self.locks))
        self.versions = [Version(text, painted, "as it was read")]
        self.at, self.saved, self.serial = 0, self.versions[0], 1
        plan(self.recipe(), self.rig)
        self._take_up()

    # ---- what is there ----
    @property
    def now(self) -> Version:
        """The state shown."""
        return self.versions[self.at]

    @property
    def unsaved(self) -> bool:
        """Whether saving would change a file."""
        return not self.now.same(self.saved) or (self.disk is None and self.at > 0)

    @property
    def locks(self) -> Path:
        """The file of the painted vertices, beside the recipe."""
        return self.path.parent / self.locks_name

    @property
    def journal(self) -> Path:
        """Where unsaved edits are kept for after a crash."""
        return self.path.with_name(f".{self.path.name}.unsaved")

    def recipe(self, version: Version | None = None) -> Recipe:
        """The recipe with the painted vertices in it, as a file of them would be read.

        Raises
        ------
        RecipeError
            The text is no recipe.
        """
        version = version or self.now
        asked = _parsed(version.text, str(self.path))
        locks: list[Lock] = []
        for lock in asked.lock:
            if lock.file == self.locks_name:
                if len(version.painted) == 0:
                    continue
                lock = replace(lock, file=None, vertices=tuple(version.painted.tolist()))
            locks.append(lock)
        return replace(asked, lock=tuple(locks))

    def solve(self) -> Solution:
        """Weights by the recipe as it is, with the bits of `solve --recipe` once it is saved."""
        return self.session.first_pass(self.recipe())

    # ---- edits ----
    def edit(self, changes: Sequence[Change], label: str, stroke: int | None = None) -> None:
        """Change values of the recipe.

        Raises
        ------
        AutoweightError
            The recipe would say something that cannot be; it stays as it was.
        """
        self._put(Version(reworded(self.now.text, changes), self.now.painted, label, stroke))

    def write_text(self, text: str) -> None:
        """Put other text in the recipe's place; see `edit`."""
        self._put(Version(text, self.now.painted, "the text"))

    def paint(self, vertices: Numbers, finished: bool) -> None:
        """Mark vertices as finished, so that they keep what the rig has, or as free again.

        Raises
        ------
        RecipeError
            The rig has no weights that could be kept.
        """
        if self.rig.weights is None:
            raise RecipeError(
                "the rig has no weights yet that could be kept; write it, and tune what was written"
            )
        weld = self.session.surface.weld
        if len(vertices) and (vertices.min() < 0 or vertices.max() >= len(weld)):
            raise RecipeError(f"the mesh has {len(weld)} vertices; load the page again")
        places = np.zeros(len(self.session.surface), dtype=bool)
        places[weld[vertices]] = True
        mask = np.zeros(len(weld), dtype=bool)
        mask[self.now.painted] = True
        mask[places[weld]] = finished  # seams are painted on both sides
        self._put(self._repainted(np.flatnonzero(mask), "finished" if finished else "free"))

    def undo(self) -> None:
        """One step back, if there is one."""
        self._go(self.at - 1)

    def redo(self) -> None:
        """One step on again, if there is one."""
        self._go(self.at + 1)

    def _go(self, to: int) -> None:
        if 0 <= to < len(self.versions):
            self.at = to
            self.serial += 1

    def _repainted(self, painted: Numbers, label: str) -> Version:
        """This version with other painted vertices, and the rule that names their file."""
        text = self.now.text
        rules = _parsed(text, str(self.path)).lock
        at = [number for number, lock in enumerate(rules) if lock.file == self.locks_name]
        if len(painted) and not at:
            rule = {"file": self.locks_name}
            text = reworded(text, [Change("insert", ("lock", len(rules)), rule)])
        elif not len(painted) and at:
            text = reworded(text, [Change("remove", ("lock", at[0]))])
        return Version(text, painted, label)

    def _put(self, version: Version) -> None:
        asked = _parsed(version.text, str(self.path))
        strange = sorted(_named(asked) - self._known)
        if strange:
            raise RecipeError(
                f"{strange[0]!r} is a file or a function that the recipe did not name when it was "
                "read; write it into the recipe with another program, and it will be taken in"
            )
        goes_on = version.stroke is not None and version.stroke == self.now.stroke
        if not goes_on:  # a moving hand pulls at numbers alone
            plan(self.recipe(version), self.rig)
        self.versions[self.at + (not goes_on) :] = [version]
        self.at = len(self.versions) - 1
        self.serial += 1

    # ---- files ----
    def save(self, *, over: bool = False) -> None:
        """Write the recipe, and the painted vertices beside it.

        Parameters
        ----------
        over : bool
            Even if another hand changed it meanwhile.

        Raises
        ------
        Clash, FileError
            Nothing was written.
        """
        now = self.now
        if not over and self._on_disk() != self.disk:
            raise Clash(f"{self.path}: was changed by another program since it was read")
        if any(lock.file == self.locks_name for lock in _parsed(now.text, str(self.path)).lock):
            write(self.locks, [_as_file(now.painted, self.locks.suffix)])
        write(self.path, [now.text.encode()])
        self.disk, self.saved = now.text, now
        self.forget()

    def write(self, solution: Solution) -> None:
        """Write the rig with weights by the recipe as it is now.

        Raises
        ------
        AutoweightError
            It cannot be written; what was there before is untouched.
        """
        save(
            replace(self.rig, weights=solution.weights),
            self.output,
            bits=self.recipe().tidy.bits,
            force=self.force,
            flatten=self.flatten,
        )

    def keep(self) -> None:
        """Put unsaved edits where they survive a crash, or forget them where there are none."""
        if not self.unsaved:
            return self.forget()
        told = {
            "text": self.now.text,
            "painted": base64.b64encode(self.now.painted.astype("<i8").tobytes()).decode(),
            "vertices": len(self.rig.mesh.vertices),
            "base": _digest(self.disk),
            "at": time.strftime("%H:%M"),
        }
        write(self.journal, [json.dumps(told).encode()])

    def forget(self) -> None:
        """Let go of the edits kept for after a crash."""
        with suppress(FileNotFoundError):
            os.unlink(self.journal)

    def _take_up(self) -> None:
        """Go on from edits that an earlier run left unsaved, as one step that can be undone."""
        try:
            told = json.loads(self.journal.read_bytes())
            text, at = str(told["text"]), told["at"]
            painted = np.frombuffer(base64.b64decode(told["painted"]), dtype="<i8")
            if told["vertices"] != len(self.rig.mesh.vertices):
                painted = self.now.painted
                self.notes.append("the mesh has other vertices now; what was painted is left out")
            changed = told["base"] != _digest(self.disk)
            self._put(Version(text, painted.astype(np.int64), "unsaved edits taken up"))
        except FileNotFoundError:
            return
        except (OSError, ValueError, KeyError, TypeError) as error:
            os.replace(self.journal, f"{self.journal}.unreadable")
            self.notes.append(
                f"unsaved edits could not be taken up ({error}); "
                f"they are kept in {self.journal}.unreadable"
            )
            return
        self.notes.append(f"Edits of {at} that were not saved are taken up again; undo drops them.")
        if changed:
            self.notes.append("The recipe was changed by another program since; undo shows it.")

    def _on_disk(self) -> str | None:
        try:
            return self.path.read_bytes().decode("utf-8-sig")
        except FileNotFoundError:
            return None
        except OSError as error:
            raise unreadable(self.path, error) from error
        except UnicodeDecodeError as error:
            raise FileError(f"{self.path}: is no text in UTF-8; save it as that") from error

    # ---- other hands ----
    def take_in_recipe(self) -> str | None:
        """Take in the recipe if another program changed it; says what happened, if anything.

        Raises
        ------
        AutoweightError
            What is there now is no recipe for this rig; the work goes on without it.
        """
        text = self._on_disk()
        if text == self.disk or text is None:
            return None
        if self.unsaved:
            return (
                f"{self.path.name} was changed by another program, and there are unsaved edits "
                "here: saving asks which of the two stays."
            )
        self.take_theirs()
        return f"{self.path.name} was changed by another program and is taken in."

    def take_theirs(self) -> None:
        """Take in the recipe that is in the file; what was here can be had back by undoing.

        Raises
        ------
        AutoweightError
            It is no recipe for this rig.
        """
        text = self._on_disk()
        if text is None:
            raise FileError(f"{self.path}: is not there any more; save to write it again")
        self._known |= _named(_parsed(text, str(self.path)))
        self._put(Version(text, self.now.painted, "changed by another program"))
        self.disk, self.saved = text, self.now

    def take_in_rig(self) -> str:
        """Read the rig again: the recipe stays, what is painted follows to the new mesh.

        Raises
        ------
        AutoweightError
            What is there now cannot be used; the work goes on with the former.
        """
        before, former = self.rig, self.session.surface
        new = self.read()
        session = Session(new)
        said = "The rig was saved anew and is taken in."
        same = np.array_equal(before.mesh.vertices, new.mesh.vertices)
        if new.weights is None and before.weights is not None:
            new = replace(new, weights=carry(before, new, surface=session.surface).weights)
            session = Session(new, surface=session.surface)
            said += (
                " It has no weights any more; those of the former were carried over. Write the "
                "rig to keep them."
            )
        followed = {}
        if not same:
            ground = Ground(former)
            places = ground.nearest(session.surface.vertices)
            near = places.distance <= NEAR * before.mesh.diagonal
            interpolator = places.interpolator(former)
            for version in [*self.versions, self.saved]:
                if id(version.painted) not in followed:
                    mask = np.zeros(len(former))
                    mask[former.weld[version.painted]] = 1
                    there = (interpolator @ mask >= 0.5) & near
                    followed[id(version.painted)] = np.flatnonzero(there[session.surface.weld])
            said += f" {len(followed[id(self.now.painted)])} painted vertices followed."
        moved = [replace(v, painted=followed.get(id(v.painted), v.painted)) for v in self.versions]
        saved = next((at for at, v in enumerate(self.versions) if v is self.saved), None)
        trial = moved[self.at]
        plan(self.recipe(trial), new)
        self.rig, self.session, self.versions = new, session, moved
        if saved is not None and same:
            self.saved = moved[saved]
        self.serial += 1
        return said


@lru_cache(maxsize=8)
def _parsed(text: str, name: str) -> Recipe:
    return parse_recipe(text, name)


def _named(recipe: Recipe) -> set[str]:
    """Files and functions that a recipe has read or called; the page may add none."""
    return set(recipe.files) | (recipe.methods - set(METHODS))


def _as_file(numbers: Numbers, suffix: str) -> bytes:
    if suffix.lower() != ".npy":
        return "".join(f"{number}\n" for number in numbers).encode()
    stream = io.BytesIO()
    np.save(stream, numbers)
    return stream.getvalue()


def _digest(text: str | None) -> str:
    return hashlib.sha256((text or "").encode()).hexdigest()
