"""The league on four rigs, as the README has it.

    python benchmarks/league.py [--data DIR] [--plot FILE] [METHOD...]

writes the demo, weighted by its recipe, and the dog (of the package dm_control, extra `bench`, or
of a folder) as GLB beside the reference figures of the folder, and does what

    autoweight bench axolotl.glb Fox.glb RiggedFigure.glb dog.glb --repeats 1

does. The table is Markdown. The demo has no artist's weights to come near, so of it only what
needs none is told.
"""

import argparse
import time
from dataclasses import replace
from importlib.resources import files
from pathlib import Path
from tempfile import TemporaryDirectory

from artists import DATA, packs, read

import autoweight
from autoweight.demo import bound
from autoweight.recipes.recipe import load_recipe
from autoweight.stages.league import DEFAULTS, Limits, Result, league
from autoweight.stages.solving import first_pass
from autoweight.view.plot import save_plot

HEAD = (
    "rig",
    "method",
    "seconds",
    "MB",
    "L1",
    "precision / recall",
    "deformation mean / max, ‰",
    "step",
    "uneven",
    "influences",
    "flex worst / mean",
)


def demo(folder: Path) -> Path:
    recipe = folder / "axolotl.toml"
    recipe.write_bytes(files("autoweight.demo").joinpath("axolotl.toml").read_bytes())
    rig = bound()
    path = folder / "axolotl.glb"
    autoweight.save(replace(rig, weights=first_pass(rig, load_recipe(recipe)).weights), path)
    return path


def contestants(folder: Path, data: Path) -> list[Path]:
    dog = packs(data, []).get("dm_control", {}).get("dog")
    if dog:
        autoweight.save(read(dog), folder / "dog.glb")
    figures = [data / name for name in ("Fox.glb", "RiggedFigure.glb") if (data / name).exists()]
    return [demo(folder), *figures, *([folder / "dog.glb"] if dog else [])]


def row(result: Result) -> tuple[str, ...]:
    name = Path(result.rig).stem
    found = result.measures
    if found is None:
        return (name, result.method, result.trouble, *[""] * (len(HEAD) - 3))
    near = (
        f"{found.l1:.3f}",
        f"{found.precision:.2f} / {found.recall:.2f}",
        f"{1000 * found.deformation:.2f} / {1000 * found.deformation_max:.0f}",
    )
    return (
        name,
        result.method,
        f"{found.seconds:.2f}",
        f"{found.megabytes:.0f}",
        *(("–",) * len(near) if name == "axolotl" else near),
        f"{found.step:.0f}",
        "–" if found.uneven is None else f"{found.uneven:.1g}",
        f"{found.influences:.2f}",
        f"{found.flex_worst:.2f} / {found.flex_mean:.2f}",
    )


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("methods", nargs="*", metavar="METHOD", default=list(DEFAULTS))
    parser.add_argument("--data", type=Path, default=DATA)
    parser.add_argument("--plot", type=Path)
    given = parser.parse_args()
    with TemporaryDirectory() as scratch:
        paths = [str(path) for path in contestants(Path(scratch), given.data)]
        begun = time.perf_counter()
        results = league(paths, given.methods, Limits(repeats=1))
        took = time.perf_counter() - begun
    for cells in (HEAD, ("---",) * len(HEAD), *map(row, results)):
        print("|", " | ".join(cells), "|")
    print(f"\n{took:.0f} s for all of it")
    if given.plot:
        save_plot([each for each in results if "axolotl" not in each.rig], given.plot)


if __name__ == "__main__":
    main()
