"""The work behind the page: what comes in from it, what is worked out, and what goes back."""

from __future__ import annotations

import asyncio
import contextlib
import os
import sys
import time
import tomllib
import traceback
from collections.abc import Callable
from dataclasses import asdict, replace
from pathlib import Path
from typing import Any

import msgspec
import numpy as np
from numpy.typing import NDArray
from scipy import sparse

from autoweight.errors import AutoweightError, RecipeError
from autoweight.flexing import flex
from autoweight.io import load_clips
from autoweight.pose.clip import Clip
from autoweight.pose.motion import range_of_motion
from autoweight.recipes.recipe import Recipe
from autoweight.skeleton.sides import likely_plane
from autoweight.stages.finishing import Solution
from autoweight.tuning import wire
from autoweight.tuning.desk import Clash, Desk
from autoweight.tuning.limbs import Outline
from autoweight.tuning.wording import Change
from autoweight.view.page import from_flexing
from autoweight.weights.mirroring import symmetry

__all__ = ["Live", "Page"]

REST = 0.4
"""Seconds after a key that moved something before weights are worked out in full."""

IDLE = 0.8
"""Seconds without an edit before the worst places are measured again."""

PATIENCE = 3.0
"""Seconds that a page which asks for its parts has to be filled before the first weights are worked
out further, as libigl lets nothing else go on meanwhile."""

LOOK = 0.6
"""Seconds between looks at the files."""

WAITING = 64
"""Messages that may wait for a page before it is let go; it comes back by itself."""

TOP = 12
"""Worst places that are listed."""


class Edit(msgspec.Struct, tag_field="do", tag="edit", forbid_unknown_fields=True):
    """Change values of the recipe; with a stroke, as a part of one movement of the hand."""

    changes: list[tuple[str, list[str | int], Any]]
    label: str
    stroke: int | None = None


class Text(msgspec.Struct, tag_field="do", tag="text", forbid_unknown_fields=True):
    """Put other text in the place of the recipe."""

    text: str


class Save(msgspec.Struct, tag_field="do", tag="save", forbid_unknown_fields=True):
    """Write the recipe, even over another hand's changes."""

    over: bool = False


class Hold(msgspec.Struct, tag_field="do", tag="hold"):
    """A hand has taken hold of something; what it does next is to be seen at once."""


class Rest(msgspec.Struct, tag_field="do", tag="rest"):
    """The hand has let go."""


class Undo(msgspec.Struct, tag_field="do", tag="undo"):
    """One step back."""


class Redo(msgspec.Struct, tag_field="do", tag="redo"):
    """One step on again."""


class Theirs(msgspec.Struct, tag_field="do", tag="theirs"):
    """Take in the recipe that is in the file."""


class Write(msgspec.Struct, tag_field="do", tag="write"):
    """Write the rig."""


_understood = msgspec.json.Decoder(Edit | Text | Save | Hold | Rest | Undo | Redo | Theirs | Write)


class _Overtaken(BaseException):
    """A hand moved, or all ends, while something was worked out in full.

    No method is to take it for a fault of its own, so it is no `Exception`.
    """


class Page:
    """One open page, and what waits to be sent to it."""

    def __init__(self) -> None:
        self.waiting: asyncio.Queue[dict[str, Any] | bytes | None] = asyncio.Queue(WAITING)

    @property
    def greeted(self) -> bool:
        """Whether it has all that was sent to it."""
        return self.waiting.empty()

    def send(self, message: dict[str, Any] | bytes) -> None:
        """Queue a message; a page that does not keep up is let go."""
        try:
            self.waiting.put_nowait(message)
        except asyncio.QueueFull:
            while not self.waiting.empty():
                self.waiting.get_nowait()
            self.waiting.put_nowait(None)


class Live:
    """A desk with pages that look at it.

    Parameters
    ----------
    desk : Desk
    rig : Path
        The file that is looked after.
    """

    def __init__(self, desk: Desk, rig: Path) -> None:
        self.desk, self.path = desk, rig
        self.pages: set[Page] = set()
        self.held: set[Page] = set()
        self.hands, self.bench = asyncio.Lock(), asyncio.Lock()
        self.wake, self.settled = asyncio.Event(), asyncio.Event()
        self.touched, self.moving, self.over = 0.0, False, False
        self.coming = 0.0
        self.outline = Outline.of(desk.session, desk.recipe())
        self.exact: Solution | None = None
        self.exact_serial, self.shown_serial = 0, 0
        self.exact_outline = self.outline
        self.shown = self._of_the_file()
        self.before = self.shown
        self.before_due = True
        self.refused: int | None = None
        self.along: tuple[NDArray[np.float32], NDArray[np.int32]] | None = None
        self.along_of: Outline | None = None
        self.marks = np.zeros(len(desk.rig.mesh.vertices), dtype=np.uint8)
        self.places: list[dict[str, Any]] = []
        self.trouble = ""
        self.measured = 0
        self._look_at_rig()

    def _look_at_rig(self) -> None:
        rig = self.desk.rig
        self.plane = likely_plane(rig.skeleton)
        self.clips: list[Clip] = [self._range(self.desk.recipe()), *load_clips(rig)]
        self.twin = np.full(len(rig.mesh.vertices), -1, dtype=np.int32)
        if self.plane is not None:
            surface = self.desk.session.surface
            across = symmetry(rig, self.plane, surface=surface).vertices
            there = across.partner[surface.weld] >= 0
            self.twin[there] = surface.speakers[across.partner[surface.weld[there]]]

    def _of_the_file(self) -> sparse.csc_array:
        """What is shown until weights are worked out: those that the rig has."""
        rig = self.desk.rig
        if rig.weights is None:
            return sparse.csc_array((len(rig.mesh.vertices), len(rig.skeleton)))
        found = rig.weights.matrix.tocsc()
        found.sort_indices()
        return found

    def _range(self, recipe: Recipe) -> Clip:
        self.motion_of = recipe.motion
        return range_of_motion(self.desk.rig.skeleton, self.plane, recipe)

    # ---- what goes out ----
    def tell(self, message: dict[str, Any] | bytes) -> None:
        """Send to every page."""
        for page in self.pages:
            page.send(message)

    def say(self, text: str, *, alarm: bool = False) -> None:
        """Let every page show a sentence."""
        self.tell({"type": "said", "text": text, "alarm": alarm})

    def state(self) -> dict[str, Any]:
        """Everything about the recipe."""
        desk, at = self.desk, self.desk.at
        later = desk.versions[at + 1] if at + 1 < len(desk.versions) else None
        return {
            "type": "state",
            "serial": desk.serial,
            "text": desk.now.text,
            "recipe": tomllib.loads(desk.now.text),
            "undo": desk.now.label if at else None,
            "redo": later.label if later else None,
            "unsaved": desk.unsaved,
            "painted": len(desk.now.painted),
            "locks": desk.locks_name,
            "saves": desk.path.name,
            "writes": desk.output.name,
            "weights": desk.rig.weights is not None,
            "chains": self.outline.told(),
            "trouble": self.trouble,
        }

    def make_way(self) -> None:
        """Let a page that comes be filled before weights are worked out, or measured, further."""
        self.touched = time.monotonic()
        self.coming = self.touched + PATIENCE
        self.wake.set()

    def greet(self, page: Page) -> None:
        """Send a page that has just opened all there is."""
        self.make_way()
        self.pages.add(page)
        page.send(self.state())
        every = range(self.shown.shape[1])
        kind = wire.EXACT if self.shown_serial == self.exact_serial else wire.SKETCH
        if self.exact is None:
            kind = wire.FILE
        page.send(wire.columns(wire.BEFORE, 0, self.before, every))
        page.send(wire.columns(kind, self.shown_serial, self.shown, every))
        page.send(wire.values(wire.MARKS, self.marks))
        page.send(self._decided())
        if self.along:
            page.send(wire.values(wire.PLACES, *self.along))
        if self.measured:
            page.send(self._worst())
        for note in self.desk.notes:
            page.send({"type": "said", "text": note, "alarm": True})

    def leave(self, page: Page) -> None:
        """Forget a page that is gone, and what its hand held."""
        self.pages.discard(page)
        self._let_go(page)

    def _decided(self) -> dict[str, Any]:
        return {"type": "decided", "lines": list(self.exact.decisions) if self.exact else []}

    def _worst(self) -> dict[str, Any]:
        return {"type": "worst", "serial": self.measured, "places": self.places}

    def _show(self, kind: int, serial: int, matrix: sparse.csr_array) -> None:
        new = matrix.tocsc()
        new.sort_indices()
        changed = wire.changed_columns(self.shown, new)
        self.shown, self.shown_serial = new, serial
        self.tell(wire.columns(kind, serial, new, changed))

    # ---- what comes in ----
    async def take(self, page: Page, message: str | bytes) -> None:
        """Do what a page asks: text is JSON, bytes are a stroke of the brush."""
        async with self.hands:
            try:
                if isinstance(message, bytes):
                    self._paint(message)
                else:
                    await self._do(page, _understood.decode(message))
            except Clash as error:
                page.send({"type": "clash", "text": str(error)})
            except (AutoweightError, msgspec.MsgspecError) as error:
                page.send({"type": "said", "text": str(error), "alarm": True})
                page.send(self.state())
                page.send(wire.values(wire.MARKS, self.marks))

    def _paint(self, message: bytes) -> None:
        """Little-endian 32 bit words: 1 for finished or 0 for free, then vertices."""
        if len(message) < 4 or len(message) % 4:
            raise RecipeError("a stroke of the brush came in pieces; load the page again")
        words = np.frombuffer(message, dtype="<u4")
        self.desk.paint(words[1:].astype(np.int64), bool(words[0]))
        self._edited()

    async def _do(self, page: Page, asked: Any) -> None:
        desk = self.desk
        if isinstance(asked, Edit):
            changes = [Change(verb, tuple(path), value) for verb, path, value in asked.changes]
            desk.edit(changes, asked.label, asked.stroke)
            self._edited(moving=asked.stroke is not None)
        elif isinstance(asked, Text):
            desk.write_text(asked.text)
            self._edited()
        elif isinstance(asked, Hold):
            self.held.add(page)
            self.wake.set()
        elif isinstance(asked, Rest):
            self._let_go(page)
        elif isinstance(asked, Undo):
            desk.undo()
            self._edited()
        elif isinstance(asked, Redo):
            desk.redo()
            self._edited()
        elif isinstance(asked, Theirs):
            desk.take_theirs()
            self._edited()
        elif isinstance(asked, Save):
            desk.save(over=asked.over)
            desk.notes.clear()
            self.before_due = True
            self.tell(self.state())
            self.say(f"saved {desk.path}")
            self._show_before()
        elif isinstance(asked, Write):
            await self._write()

    def _edited(self, *, moving: bool = False) -> None:
        desk, recipe = self.desk, self.desk.recipe()
        self.touched, self.moving = time.monotonic(), moving
        self.trouble = ""
        self.settled.clear()
        tuned = self.outline.tuned(recipe)
        self.outline = tuned or Outline.of(desk.session, recipe)
        self._sketch(recipe)
        self.tell(self.state())
        if not moving:
            desk.keep()
        self.wake.set()

    def _let_go(self, page: Page) -> None:
        if page in self.held:
            self.held.discard(page)
            self.moving = False
            self.wake.set()

    def _sketch(self, recipe: Recipe) -> None:
        """Show at once about what the weights will be, where that can be told."""
        if self.exact is None or self.along is None:
            return
        now = self.exact_outline.tuned(recipe)
        if now is None:
            return
        locks = self.exact.locks
        fixed = locks.whole if locks else np.zeros(len(self.marks), dtype=bool)
        matrix = now.sketch(self.exact_outline, self.exact.weights.matrix, fixed, *self.along)
        if matrix is not None:
            self._show(wire.SKETCH, self.desk.serial, matrix)

    async def _write(self) -> None:
        solution = await self._solved()
        await asyncio.to_thread(self.desk.write, solution)
        self.say(f"wrote {self.desk.output}")

    async def _solved(self) -> Solution:
        """The weights by the recipe as it is now."""
        async with self.bench:
            if self.exact is None or self.exact_serial != self.desk.serial:
                solution = await asyncio.to_thread(self.desk.solve)
                self._solved_now(solution, self.desk.serial, self.desk.recipe())
                return solution
            return self.exact

    # ---- what is worked out ----
    async def run(self) -> None:
        """Work until it is cancelled."""
        try:
            async with asyncio.TaskGroup() as group:
                for task in (self._solving, self._looking):
                    group.create_task(self._ever(task))
        finally:
            self.over = True

    async def _ever(self, task: Callable[[], Any]) -> None:
        while True:
            try:
                await task()
            except Exception:  # said on the terminal and on the page; the work of others goes on
                traceback.print_exc(file=sys.stderr)
                self.say("Something went wrong here; the terminal has the details.", alarm=True)
                await asyncio.sleep(1)

    async def _solving(self) -> None:
        self.wake.set()
        while True:
            await self.wake.wait()
            while time.monotonic() < self.coming and not any(page.greeted for page in self.pages):
                await asyncio.sleep(LOOK / 20)
            self.coming = 0.0
            while self.moving and (left := self.touched + REST - time.monotonic()) > 0:
                await asyncio.sleep(left)
            self.wake.clear()
            if self.held and self.exact is not None:
                continue  # letting go wakes again
            self.desk.keep()
            with contextlib.suppress(_Overtaken):
                async with self.bench:
                    await self._solve()
                await self._find_places()
                await self._measure()

    def _overtaken(self, stage: str, share: float) -> None:
        """End what is worked out in full where a hand moves; called from within."""
        # Before there are exact weights there is nothing to sketch from, and no hand is waited for.
        waited_for = self.exact is not None or time.monotonic() < self.coming
        if self.over or (self.wake.is_set() and waited_for):
            raise _Overtaken

    async def _solve(self) -> None:
        desk, serial = self.desk, self.desk.serial
        if self.exact is not None and serial == self.exact_serial:
            return
        recipe, session = desk.recipe(), desk.session
        try:
            solution = await asyncio.to_thread(session.first_pass, recipe, progress=self._overtaken)
        except AutoweightError as error:
            if serial == desk.serial:
                self.trouble = str(error)
                self.say(self.trouble, alarm=True)
            return
        if session is desk.session and serial >= self.exact_serial:
            self._solved_now(solution, serial, recipe)

    async def _find_places(self) -> None:
        """Where along the limbs the vertices are, which curves and sketches go by."""
        outline, session = self.outline, self.desk.session
        if self.along_of is None or self.along_of.tuned(outline.recipe) is None:
            along, chain = await asyncio.to_thread(outline.along)
            if session is self.desk.session:
                weld = session.surface.weld
                self.along = along[weld].astype(np.float32), chain[weld]
                self.along_of = outline
                self.tell(wire.values(wire.PLACES, *self.along))

    def _solved_now(self, solution: Solution, serial: int, recipe: Recipe) -> None:
        self.exact, self.exact_serial = solution, serial
        self.exact_outline = self.outline.tuned(recipe) or Outline.of(self.desk.session, recipe)
        if serial == self.desk.serial:
            self.settled.set()
        if serial == self.desk.serial or self.shown_serial < serial:
            self._show(wire.EXACT, serial, solution.weights.matrix)
        locks = solution.locks
        marks = np.zeros(len(self.marks), dtype=np.uint8)
        if locks:
            marks[locks.partial] = 1
            marks[locks.whole] = 2
        if serial == self.desk.serial:
            marks[self.desk.now.painted] = 3
        if not np.array_equal(marks, self.marks):
            self.marks = marks
            self.tell(wire.values(wire.MARKS, marks))
        self.tell(self._decided())
        self._show_before()

    def _show_before(self) -> None:
        """The weights that were saved last, to hold the new ones against."""
        if self.before_due and self.exact is not None and self.exact_serial == self.desk.serial:
            self.before, self.before_due = self.shown, False
            self.tell({"type": "saved"})

    async def _measure(self) -> None:
        """Look for the worst places once the hands are still, and stop when they are not."""
        desk, serial, solution = self.desk, self.exact_serial, self.exact
        if solution is None or serial != desk.serial or serial == self.measured:
            return
        while time.monotonic() - self.touched < IDLE:
            self._overtaken("", 0)
            await asyncio.sleep(IDLE / 4)
        recipe, rig = desk.recipe(), replace(desk.rig, weights=solution.weights)
        if recipe.motion != self.motion_of:
            self.clips[0] = self._range(recipe)
            self.tell({"type": "motion"})
        clip = self.clips[0]
        self.tell({"type": "measuring"})
        found = await asyncio.to_thread(
            flex,
            rig,
            clip,
            limits=recipe.limits,
            plane=self.plane,
            surface=desk.session.surface,
            progress=self._overtaken,
        )
        worst = found.places[:TOP]
        self.places = [
            {**asdict(shown), "severity": round(place.severity, 2)}
            for place, shown in zip(worst, from_flexing(worst, rig.skeleton, clip), strict=True)
        ]
        self.measured = serial
        self.tell(self._worst())

    # ---- other hands ----
    async def _looking(self) -> None:
        """See when another program changes the rig or the recipe."""
        rig, recipe = _stamp(self.path), _stamp(self.desk.path)
        pending = rig
        while True:
            await asyncio.sleep(LOOK)
            now = _stamp(self.path)
            if now is None and rig is not None:
                self.say(f"{self.path} is gone; the work goes on with what was read.", alarm=True)
                rig = None
            elif now is not None and now != rig:
                if now == pending:  # it has stopped growing
                    rig = now
                    await self._take_in_rig()
                pending = now
            elif self.refused not in (None, self.desk.serial):  # the recipe may be mended now
                await self._take_in_rig()
            now = _stamp(self.desk.path)
            if now != recipe:
                recipe = now
                await self._take_in_recipe()

    async def _take_in_rig(self) -> None:
        async with self.hands:
            self.say("The rig was saved anew; reading it.")
            try:
                said = await asyncio.to_thread(self.desk.take_in_rig)
            except AutoweightError as error:
                self.say(f"The rig was saved anew, but cannot be used: {error}", alarm=True)
                self.refused = self.desk.serial
                return
            desk, self.refused = self.desk, None
            self.outline = Outline.of(desk.session, desk.recipe())
            self.exact, self.along, self.along_of = None, None, None
            self.exact_serial = self.shown_serial = self.measured = 0
            self.shown = self._of_the_file()
            self.before, self.before_due = self.shown, True
            self.marks = np.zeros(len(desk.rig.mesh.vertices), dtype=np.uint8)
            await asyncio.to_thread(self._look_at_rig)
            desk.notes = [said]
            self.touched = time.monotonic()
            self.wake.set()
            self.tell({"type": "again"})  # pages load anew, and come back where they were

    async def _take_in_recipe(self) -> None:
        async with self.hands:
            try:
                said = self.desk.take_in_recipe()
            except AutoweightError as error:
                self.say(f"The recipe was changed, but cannot be used: {error}", alarm=True)
                return
            if said:
                self.say(said, alarm=True)
                self.before_due = self.before_due or not self.desk.unsaved
                self._edited()


def _stamp(path: Path) -> tuple[int, int, int] | None:
    with contextlib.suppress(OSError):
        found = os.stat(path)
        return found.st_mtime_ns, found.st_size, found.st_ino
    return None
