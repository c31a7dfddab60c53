"""``autoweight learn``."""

from __future__ import annotations

import click

from autoweight.cli.options import as_json, emit, output, progress_to_stderr, quiet, table


@click.command()
@click.argument("finished", nargs=-1, required=True)
@output
@as_json
@quiet
def command(finished: tuple[str, ...], output: str, as_json: bool, quiet: bool) -> None:
    """Learn from FINISHED rigs how their weights differ from a plain solve, and keep it.

    Two or three rigs of one kind by one hand are enough. OUT ends in .npz and can be given to
    'autoweight solve --like' in their place; it holds numbers and the names of rigs and joints.

    \b
    Example:
      autoweight learn axolotl/weighted.glb -o axolotl.npz
    """
    from autoweight.io import check_place
    from autoweight.stages.liking import learn
    from autoweight.taste.file import SUFFIX, save_taste

    check_place(output, (SUFFIX,))
    taste = learn(finished, progress=progress_to_stderr(quiet))
    save_taste(taste, output)
    rows: list[tuple[str, ...]] = [("finished", "joints", "samples", "digest")]
    for each in taste.lessons:
        joints, samples = int(each.build.fleshed.sum()), len(each.joint)
        rows.append((each.name, str(joints), str(samples), each.digest[:12]))
    result = {
        "output": output,
        "rigs": [dict(zip(rows[0], row, strict=True)) for row in rows[1:]],
    }
    emit(result, as_json, lambda: f"wrote {output}\n{table(rows)}")
