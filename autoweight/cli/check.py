"""``autoweight check``."""

from __future__ import annotations

import sys
from collections.abc import Sequence
from typing import TYPE_CHECKING

import click

from autoweight.cli.options import Choice, as_json, choosing, each_of, emit_each, table

if TYPE_CHECKING:
    from autoweight.weights.checking import Fact


@click.command()
@click.argument("rig")
@choosing
@as_json
def command(rig: str, taken: Choice, as_json: bool) -> None:
    """Report the health of RIG: its mesh, its joints, its weights.

    Leaves with 0 when all is sound, 1 when there is something to look at (marked with !), 2 when
    the file cannot be used.

    \b
    Example:
      autoweight check axolotl/weighted.glb
    """
    from dataclasses import asdict

    from autoweight.weights.checking import check

    rigs = taken.all(rig)
    results, texts, total = [], [], 0
    for each in rigs:
        with each_of(rig, each):
            facts = check(each)
        findings = sum(fact.finding for fact in facts)
        results.append(
            {"rig": rig, "findings": findings, "facts": [asdict(fact) for fact in facts]}
        )
        texts.append(_text(facts))
        total += findings
    emit_each(rigs, results, as_json, texts, {"rig": rig, "findings": total})
    sys.exit(1 if total else 0)


def _text(facts: Sequence[Fact]) -> str:
    return table(
        [
            ("!" if fact.finding else "", fact.about, fact.name, fact.told, fact.aside)
            for fact in facts
        ]
    )
