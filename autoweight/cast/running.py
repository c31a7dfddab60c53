"""A cast done: what is done already left alone, the rest handed out, every character a line."""

from __future__ import annotations

import os
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path

import msgspec

from autoweight.batch.engine import hand_out
from autoweight.batch.ledger import Entry, Ledger
from autoweight.cast.planning import Job, plan
from autoweight.cast.sheet import Cast
from autoweight.cast.working import Told, do
from autoweight.io.atomic import folder

__all__ = ["FAILED", "LOOK", "SOUND", "Line", "run"]

FAILED, LOOK, SOUND = "failed", "look", "sound"
"""Verdicts, what needs a person most first."""


@dataclass(frozen=True, eq=False)
class Line:
    """What became of one character.

    Parameters
    ----------
    job : Job
    told : Told or None
        None where it failed; its files are then those of the last run that did not.
    trouble : str
        Why it failed.
    fresh : bool
        Whether it was done in this run.
    seconds : float
        Until it was, its process started and ended.
    """

    job: Job
    told: Told | None
    trouble: str = ""
    fresh: bool = False
    seconds: float = 0.0

    @property
    def verdict(self) -> str:
        """One of `FAILED`, `LOOK` and `SOUND`."""
        if self.told is None:
            return FAILED
        return LOOK if self.told.findings else SOUND

    @property
    def change(self) -> float | None:
        """How far the weights are from those of the run before; None where that is not known."""
        if self.told is None:
            return None
        return self.told.change if self.fresh else 0.0

    def rank(self) -> tuple:
        """What lines are sorted by: what needs a person comes first."""
        if self.told is None:
            return 0, 0.0, 0.0, self.job.name
        over = sum(len(each["over"]) for each in self.told.levels)
        worst = max(self.told.severity, 1.0 + over if over else 0.0)
        return (1 if self.told.findings else 2), -worst, -(self.change or 0.0), self.job.name


def run(
    cast: Cast,
    into: str | Path,
    *,
    scheduler: str | None = None,
    workers: int | None = None,
    told: Callable[[int, int, Line | None], None] = lambda done, many, line: None,
) -> list[Line]:
    """Do what a cast file says.

    Parameters
    ----------
    cast : Cast
    into : str or Path
        The folder of the results. What is there already, from the same files, the same recipe and
        the same code, is not done again.
    scheduler, workers : str and int, optional
        See `autoweight.batch.engine.hand_out`.
    told : callable, optional
        Called with how many are done, how many there are, and the line of the last.

    Returns
    -------
    list of Line
        What needs a person first.

    Raises
    ------
    RecipeError, FileError
        The file cannot be followed at all, or the folder not made.
    """
    jobs = plan(cast, into)
    folder(into)
    ledger = Ledger(into)
    lines: list[Line] = []
    todo: list[Job] = []
    for job in jobs:
        entry = ledger.entry(job.name)
        if entry and entry.asked == job.asked and _untouched(entry, ledger):
            lines.append(Line(job, _told(entry)))
        else:
            todo.append(job)
    todo.sort(key=_size, reverse=True)  # so that no worker is left with a long one at the end
    told(len(lines), len(jobs), None)
    handed = hand_out(do, todo, cast.limits, scheduler=scheduler, workers=workers)
    for number, answer in handed:
        entry = None if answer.trouble else ledger.entry(todo[number].name)
        trouble = answer.trouble or ("" if entry else "its results are gone; run again")
        lines.append(
            Line(
                todo[number],
                _told(entry) if entry else None,
                trouble,
                bool(answer.value),
                answer.seconds,
            )
        )
        told(len(lines), len(jobs), lines[-1])
    return sorted(lines, key=Line.rank)


def _size(job: Job) -> int:
    """Bytes of the rig, 0 where there is none: its own process will say so."""
    try:
        return os.stat(job.rig).st_size
    except OSError:
        return 0


def _untouched(entry: Entry, ledger: Ledger) -> bool:
    """Whether inputs look as they did and outputs are whole; where in doubt, not."""
    for path, each in entry.inputs.items():
        try:
            state = os.stat(path)
        except OSError:
            return False
        if (state.st_size, state.st_mtime_ns) != (each.size, each.time):
            return False
    return ledger.whole(entry)


def _told(entry: Entry) -> Told:
    return msgspec.convert(entry.told, Told)
