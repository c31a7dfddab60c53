"""The cast in the morning: one page without outside files, and the same as CSV and JSON."""

from __future__ import annotations

import base64
import csv
import html
import io
import json
import os
from collections.abc import Sequence
from pathlib import Path
from typing import Any
from urllib.parse import quote

from autoweight.batch.ledger import Ledger
from autoweight.cast.running import FAILED, LOOK, SOUND, Line
from autoweight.cast.working import PICTURE, VIEW
from autoweight.io.atomic import write
from autoweight.view.style import STYLE

__all__ = ["COLUMNS", "PAGE", "row", "summary", "write_tables"]

PAGE = "index.html"

REASONS = 3
"""Findings told of one character before it trails off."""

COLUMNS = (
    "name", "verdict", "findings", "worst", "severity", "change", "level_mean", "level_worst",
    "level_over", "vertices", "joints", "fresh", "seconds", "trouble", "rig",
)  # fmt: skip

OWN_STYLE = """
h1 { font-size: 1.5rem; font-weight: 500; margin: 0 0 1rem; }
.character { display: grid; grid-template-columns: 8.5rem minmax(9rem, 1fr) 2.4fr 1.4fr;
  gap: 0 1.2rem; border-top: 1px solid var(--line); padding: .6rem 0; align-items: start; }
.character img { width: 8.25rem; }
.none { width: 8.25rem; height: 6.9rem; border: 1px dashed var(--line); border-radius: 3px; }
.character b { font-size: 1.05rem; }
.failed, .look { color: var(--mark); }
.faint { color: var(--faint); }
p { margin: .1rem 0; }
a { color: inherit; }
@media (max-width: 46rem) { .character { grid-template-columns: 8.5rem 1fr; }
  .character > :nth-child(n+3) { grid-column: 1 / -1; } }
"""

VERDICTS = {FAILED: "failed", LOOK: "to look at", SOUND: "sound"}


def row(line: Line) -> dict[str, Any]:
    """All that a table says of one character.

    Parameters
    ----------
    line : Line

    Returns
    -------
    dict
        By `COLUMNS`; None where there is nothing to say.
    """
    told, levels = line.told, line.told.levels if line.told else []
    return {
        "name": line.job.name,
        "verdict": line.verdict,
        "findings": len(told.findings) if told else None,
        "worst": told.worst if told else None,
        "severity": told.severity if told else None,
        "change": line.change,
        "level_mean": max((each["mean"] for each in levels), default=None),
        "level_worst": max((each["worst"] for each in levels), default=None),
        "level_over": sum(len(each["over"]) for each in levels) if levels else None,
        "vertices": told.vertices if told else None,
        "joints": told.joints if told else None,
        "fresh": line.fresh,
        "seconds": told.seconds if told else line.seconds,
        "trouble": line.trouble,
        "rig": line.job.rig,
    }


def write_tables(lines: Sequence[Line], folder: str | Path, title: str) -> list[Path]:
    """Write ``cast.csv``, ``cast.json`` and ``index.html`` into the folder of the results.

    Parameters
    ----------
    lines : sequence of Line
        In the order in which they are to be read.
    folder : str or Path
    title : str

    Returns
    -------
    list of Path

    Raises
    ------
    FileError
        One cannot be written.
    """
    root = Path(folder)
    rows = [row(line) for line in lines]
    text = io.StringIO()
    writer = csv.DictWriter(text, COLUMNS)
    writer.writeheader()
    writer.writerows(rows)
    whole = [
        {
            **each,
            "findings": line.told.findings if line.told else [],
            "levels": line.told.levels if line.told else [],
            "decisions": line.told.decisions if line.told else [],
        }
        for each, line in zip(rows, lines, strict=True)
    ]
    contents = {
        root / "cast.csv": text.getvalue(),
        root / "cast.json": json.dumps({"characters": whole}, indent=1),
        root / PAGE: _page(lines, root, title),
    }
    for path, content in contents.items():
        write(path, [content.encode()])
    return list(contents)


def summary(lines: Sequence[Line]) -> str:
    """How many of each verdict, in words."""
    counts = {each: sum(line.verdict == each for line in lines) for each in VERDICTS}
    said = [f"{count} {VERDICTS[each]}" for each, count in counts.items() if count]
    return ", ".join(said) or "nobody"


def _page(lines: Sequence[Line], root: Path, title: str) -> str:
    ledger = Ledger(root)
    body = "\n".join(_character(line, ledger) for line in lines)
    return (
        f'<!doctype html><html lang="en"><meta charset="utf-8"><title>{html.escape(title)}</title>'
        '<meta name="viewport" content="width=device-width,initial-scale=1">'
        f"<style>{STYLE}{OWN_STYLE}</style>"
        f"<h1>{html.escape(title)}: {summary(lines)}</h1>\n{body}\n</html>\n"
    )


def _character(line: Line, ledger: Ledger) -> str:
    job = line.job
    entry = ledger.entry(job.name)
    outputs = sorted(entry.outputs) if entry else []
    links = [(VIEW, "look and play")] + [
        (name, Path(name).name) for name in outputs if Path(name).name not in (PICTURE, VIEW)
    ]
    hrefs = [
        f'<a href="{quote(name if "/" in name else f"{job.name}/{name}")}">{html.escape(text)}</a>'
        for name, text in links
        if name != VIEW or f"{job.name}/{VIEW}" in outputs
    ]
    return (
        '<div class="character">'
        f"{_image(ledger.root / job.name / PICTURE, job.name)}"
        f"<div><p><b>{html.escape(job.name)}</b></p>"
        f'<p class="faint">{", ".join(hrefs)}</p></div>'
        f'<div><p class="{line.verdict}">{VERDICTS[line.verdict]}</p>{_reasons(line)}</div>'
        f"<div>{_motion(line, bool(outputs))}</div></div>"
    )


def _image(path: Path, name: str) -> str:
    try:
        content = base64.b64encode(path.read_bytes()).decode()
    except OSError:
        return '<div class="none"></div>'
    return f'<img loading="lazy" alt="{html.escape(name)}" src="data:image/png;base64,{content}">'


def _reasons(line: Line) -> str:
    if line.told is None:
        return f"<p>{html.escape(line.trouble)}</p>"
    found = line.told.findings
    told = "".join(f"<p>{html.escape(each)}</p>" for each in found[:REASONS])
    more = len(found) - REASONS
    return told + (f'<p class="faint">and {more} more</p>' if more > 0 else "")


def _motion(line: Line, earlier: bool) -> str:
    """Worst place, levels, and what changed since the last run."""
    told = line.told
    if told is None:
        return '<p class="faint">files are those of the last run that came through</p>' * earlier
    said = []
    if told.worst:
        known = told.worst in told.findings[:REASONS]
        said.append(
            f"worst in motion: {told.severity:.3g} of its limit{'' if known else ', ' + told.worst}"
        )
    said += [
        f"{os.path.basename(each['rig'])}: {each['vertices']} vertices, "
        f"{1e3 * each['worst']:.2g} ‰ of the diagonal off at most"
        for each in told.levels
    ]
    change = line.change
    if change is None:
        said.append("new, or of another shape than before")
    else:
        said.append("unchanged" if change == 0 else f"weights changed by {change:.2g} on average")
    return "".join(f"<p>{html.escape(each)}</p>" for each in said)
