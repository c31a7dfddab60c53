"""Weighting methods side by side on rigs that have weights already."""

from __future__ import annotations

import multiprocessing
import statistics
import sys
import time
from collections.abc import Sequence
from dataclasses import asdict, dataclass, fields
from multiprocessing.connection import Connection

from autoweight.errors import AutoweightError
from autoweight.methods import find

__all__ = ["DEFAULTS", "Limits", "Measures", "Result", "league"]

DEFAULTS = ("auto", "heat", "bands", "volume", "biharmonic", "nearest", "inverse")

ENOUGH = 10.0
"""A method that has taken so many seconds is not repeated."""

POSES = 60
"""Most poses that weights are flexed in."""


@dataclass(frozen=True)
class Limits:
    """What a method may use.

    Parameters
    ----------
    seconds : float
        For all repeats together.
    megabytes : int
        Of address space, the interpreter and its libraries included.
    repeats : int
        The time told is the median of these; fewer once they have taken ten seconds together.
    max_influences : int
        The weights are capped at this before they are measured.
    """

    seconds: float = 120.0
    megabytes: int = 8000
    repeats: int = 3
    max_influences: int = 4


@dataclass(frozen=True)
class Measures:
    """How a method did on a rig, against the weights the rig has.

    Parameters
    ----------
    seconds : float
        Median of the repeats; solving and tidying, without reading the file.
    megabytes : float
        Peak of the process.
    l1 : float
        Area-weighted mean of Σ_j |w_j − a_j|, a being the rig's own weights: 0 for the same, 2
        where no vertex shares a joint.
    precision, recall : float
        Of the joints with over 1e-4 at a vertex: the share of the method's that are the rig's
        too, and the share of the rig's that are the method's too.
    deformation, deformation_max : float
        Mean and largest distance between the linear-blend results of both weightings over random
        poses, as shares of the bounding-box diagonal.
    step : float
        99th percentile over the edges of Σ_j |w_a − w_b| per share of the bounding-box diagonal
        that the edge is long: how abruptly weights change (our own measure).
    uneven : float or None
        Largest difference between the two sides, where the rig has two; see
        `autoweight.weights.mirroring.unevenness` (our own measure).
    influences : float
        Mean a vertex.
    flex_worst, flex_mean : float
        Largest severity, and mean over the places found, when the weights are flexed in at most
        sixty poses: what of it is lost or torn, in limits; see `autoweight.flexing.Place` (our
        own measure).

    References
    ----------
    Z. Xu, Y. Zhou, E. Kalogerakis, C. Landreth, K. Singh, TOG 39(4), 2020, section 6: precision
    and recall, L1, mean and largest deformation distance.
    """

    seconds: float
    megabytes: float
    l1: float
    precision: float
    recall: float
    deformation: float
    deformation_max: float
    step: float
    uneven: float | None
    influences: float
    flex_worst: float
    flex_mean: float


@dataclass(frozen=True)
class Result:
    """One line of the league.

    Parameters
    ----------
    rig, method : str
    measures : Measures or None
        None where the method did not finish.
    trouble : str
        Why it did not.
    """

    rig: str
    method: str
    measures: Measures | None
    trouble: str = ""

    def flat(self) -> dict[str, str | float | None]:
        """All of it in one row, for tables."""
        empty = dict.fromkeys(field.name for field in fields(Measures))
        numbers = asdict(self.measures) if self.measures else empty
        return {"rig": self.rig, "method": self.method, **numbers, "trouble": self.trouble}


def league(
    rigs: Sequence[str], methods: Sequence[str], limits: Limits | None = None
) -> list[Result]:
    """Run every method on every rig, each in a process of its own.

    Parameters
    ----------
    rigs : sequence of str
        Files with weights.
    methods : sequence of str
        Built-in names, or ``package.module:function`` for one of the user's own.
    limits : Limits, optional

    Returns
    -------
    list of Result
        A method that crashes, fails or outstays its limits is a line and not the end.

    Raises
    ------
    RecipeError
        A method that cannot be found.
    """
    for method in methods:
        find(method)
    limits = limits or Limits()
    return [_apart(rig, method, limits) for rig in rigs for method in methods]


def _apart(rig: str, method: str, limits: Limits) -> Result:
    # Spawned rather than forked: peak memory is then the method's own.
    context = multiprocessing.get_context("spawn")
    ours, theirs = context.Pipe(duplex=False)
    child = context.Process(target=_child, args=(theirs, rig, method, limits), daemon=True)
    child.start()
    theirs.close()
    try:
        if ours.poll(limits.seconds):
            measures, trouble = ours.recv()
            return Result(rig, method, measures, trouble)
        return Result(rig, method, None, f"not done after {limits.seconds:g} s")
    except EOFError:
        child.join()
        return Result(rig, method, None, f"crashed with exit code {child.exitcode}")
    finally:
        child.kill()
        child.join()


def _child(answer: Connection, rig: str, method: str, limits: Limits) -> None:
    import resource

    limit = limits.megabytes * 10**6
    resource.setrlimit(resource.RLIMIT_AS, (limit, limit))
    try:
        answer.send((_measure(rig, method, limits), ""))
    except AutoweightError as error:
        answer.send((None, str(error)))
    except MemoryError:
        answer.send((None, f"needs more than {limits.megabytes} MB"))
    except Exception as error:  # a user's own method may raise anything
        answer.send((None, f"{type(error).__name__}: {error}"))


def _measure(path: str, method: str, limits: Limits) -> Measures:
    from dataclasses import replace

    import numpy as np

    from autoweight.flexing import flex
    from autoweight.io import load
    from autoweight.pose.motion import range_of_motion
    from autoweight.recipes.recipe import Recipe, Tidy
    from autoweight.rows import row_differences
    from autoweight.skeleton.sides import likely_plane
    from autoweight.stages.solving import first_pass
    from autoweight.surface import prepare
    from autoweight.weights.comparing import compare_rigs
    from autoweight.weights.mirroring import unevenness

    rig = load(path)
    surface = prepare(rig.mesh)
    how = Tidy(max_influences=limits.max_influences)
    recipe = Recipe(method=method, tidy=how)
    bare = replace(rig, weights=None)
    took: list[float] = []
    while len(took) < limits.repeats and sum(took) < ENOUGH:
        begun = time.perf_counter()
        weights = first_pass(bare, recipe).weights
        took.append(time.perf_counter() - begun)
    peak = _peak()
    solved = replace(rig, weights=weights)
    found = compare_rigs(rig, solved, surface=surface)

    first, second = surface.edges.T
    apart = row_differences(weights.matrix[surface.speakers], first, second)
    length = np.linalg.norm(surface.vertices[first] - surface.vertices[second], axis=1)
    plane = likely_plane(rig.skeleton)
    uneven = None
    if plane is not None:
        gaps = unevenness(solved, plane, surface=surface)
        uneven = float(np.nanmax(gaps)) if np.isfinite(gaps).any() else None
    clip = range_of_motion(rig.skeleton, plane).thinned(POSES)
    severity = [place.severity for place in flex(solved, clip, plane=plane, surface=surface).places]
    return Measures(
        seconds=statistics.median(took),
        megabytes=peak,
        l1=found.difference.weights,
        precision=found.precision,
        recall=found.recall,
        deformation=found.difference.deformation,
        deformation_max=found.deformation_max,
        step=float(np.percentile(apart / (length / rig.mesh.diagonal), 99)),
        uneven=uneven,
        influences=float(weights.influences.mean()),
        flex_worst=max(severity, default=0.0),
        flex_mean=statistics.fmean(severity) if severity else 0.0,
    )


def _peak() -> float:
    """Most memory this process has had, in MB."""
    import resource
    from pathlib import Path

    status = Path("/proc/self/status")
    if status.exists():  # what getrusage says there may be the parent's, from before the start
        line = next(each for each in status.read_text().splitlines() if each.startswith("VmHWM"))
        return int(line.split()[1]) * 1024 / 1e6
    peak = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss
    return peak / (1e6 if sys.platform == "darwin" else 1e3)
