"""Weighting methods side by side on rigs that have weights already."""

from __future__ import annotations

import math
import os
import statistics
import time
from collections.abc import Callable, Mapping, Sequence
from dataclasses import asdict, dataclass, field, fields
from pathlib import Path
from typing import Any

from autoweight.batch import apart
from autoweight.batch.apart import Answer, peak
from autoweight.batch.engine import hand_out
from autoweight.batch.ledger import Entry, Ledger, digest, prints, signature
from autoweight.errors import AutoweightError, RecipeError, WeightsError
from autoweight.methods import find
from autoweight.recipes.recipe import Recipe, load_recipe

__all__ = ["DEFAULTS", "LIKE", "Limits", "Measures", "Result", "Summary", "league", "summaries"]

LIKE = "like"
"""The method that weights each rig in the taste of the others."""

DEFAULTS = ("auto", "heat", "bands", "volume", "biharmonic", "nearest", "inverse")

RECIPE = ".toml"

ENOUGH = 10.0
"""A method that has taken so many seconds is not repeated."""

POSES = 60
"""Most poses that weights are flexed in."""


@dataclass(frozen=True)
class Limits(apart.Limits):
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


@dataclass(frozen=True)
class Summary:
    """A measure of a method over all rigs on which it finished.

    Parameters
    ----------
    method, measure : str
    rigs : int
    mean, low, high : float
        Mean over the rigs, and the ends of its 95 % confidence interval; NaN for fewer than three
        and for values that are all the same.

    References
    ----------
    B. Efron, "Better Bootstrap Confidence Intervals", JASA 82(397), 1987 (`scipy.stats.bootstrap`).
    """

    method: str
    measure: str
    rigs: int
    mean: float
    low: float
    high: float


@dataclass(frozen=True)
class _Entrant:
    """One method on one rig."""

    rig: str
    method: str
    limits: Limits
    taken: Mapping[str, Any] = field(default_factory=dict)
    kin: tuple[str, ...] = ()

    @property
    def files(self) -> tuple[str, ...]:
        own = (self.rig, self.method) if self.method.endswith(RECIPE) else (self.rig,)
        return own + self.kin

    @property
    def asked(self) -> str:
        return digest(
            signature(), self.rig, self.method, repr(self.limits), repr(self.taken), *self.kin
        )

    @property
    def recipe(self) -> Recipe:
        return Recipe(like=self.kin) if self.method == LIKE else _recipe(self.method)


def league(
    rigs: Sequence[str],
    methods: Sequence[str],
    limits: Limits | None = None,
    *,
    taken: Mapping[str, Any] | None = None,
    scheduler: str | None = None,
    workers: int = 1,
    keep: str | Path | None = None,
    told: Callable[[Result], None] = lambda result: None,
) -> list[Result]:
    """Run every method on every rig, each in a process of its own.

    Parameters
    ----------
    rigs : sequence of str
        Files with weights.
    methods : sequence of str
        Built-in names, ``package.module:function`` for one of the user's own, or recipe files,
        which bring a method and its parameters. `LIKE` weights each rig in the taste of the others.
    limits : Limits, optional
    taken : mapping, optional
        Which character and parts of the files: arguments of `autoweight.io.load`.
    scheduler, workers : str and int, optional
        See `autoweight.batch.engine.hand_out`. More than one at a time slow each other down.
    keep : str or Path, optional
        A folder where results are kept; what is there already, from the same files and the same
        code, is not done again.
    told : callable, optional
        Called with every result as it comes.

    Returns
    -------
    list of Result
        A method that crashes, fails or outstays its limits is a line and not the end.

    Raises
    ------
    RecipeError, FileError
        A method or recipe that cannot be found.
    """
    for method in methods:
        if method == LIKE:
            _enough(rigs)
        else:
            _recipe(method)
    limits = limits or Limits()
    if scheduler is not None or keep is not None:
        rigs = [os.path.abspath(rig) for rig in rigs]
    entrants = [
        _Entrant(rig, method, limits, taken or {}, _others(rig, rigs) if method == LIKE else ())
        for rig in rigs
        for method in methods
    ]
    ledger = Ledger(keep) if keep is not None else None
    results: dict[int, Result] = {}
    todo = []
    for number, entrant in enumerate(entrants):
        before = _before(entrant, ledger) if ledger else None
        if before is None:
            todo.append(number)
        else:
            results[number] = before
            told(before)
    jobs = [entrants[number] for number in todo]
    for which, answer in hand_out(_measured, jobs, limits, scheduler=scheduler, workers=workers):
        entrant = jobs[which]
        result = Result(entrant.rig, entrant.method, answer.value, answer.trouble)
        if ledger and answer.value:
            _keep(entrant, answer, ledger)
        results[todo[which]] = result
        told(result)
    return [results[number] for number in range(len(entrants))]


def _enough(rigs: Sequence[str]) -> None:
    if len(set(rigs)) < 2:
        raise RecipeError(
            f"method {LIKE!r} weights each rig in the taste of the others; bench two at least"
        )


def _others(rig: str, rigs: Sequence[str]) -> tuple[str, ...]:
    return tuple(os.path.abspath(each) for each in dict.fromkeys(rigs) if each != rig)


def _recipe(method: str) -> Recipe:
    """The recipe that a method's name stands for."""
    if method.endswith(RECIPE):
        return load_recipe(method)
    find(method)
    return Recipe(method=method)


def _before(entrant: _Entrant, ledger: Ledger) -> Result | None:
    """What is known of a method on a rig, if both are what they were."""
    entry = ledger.entry(entrant.asked)
    if entry is None:
        return None
    try:
        now = prints(entrant.files, entry.inputs)
    except AutoweightError:
        return None
    if any(now[path].digest != each.digest for path, each in entry.inputs.items()):
        return None
    return Result(entrant.rig, entrant.method, Measures(**entry.told))


def _keep(entrant: _Entrant, answer: Answer, ledger: Ledger) -> None:
    inputs = prints(entrant.files)
    key = digest(entrant.asked, *(each.digest for each in inputs.values()))
    ledger.keep(entrant.asked, Entry(key, entrant.asked, inputs, {}, asdict(answer.value)))


def summaries(results: Sequence[Result]) -> list[Summary]:
    """Means over the rigs, and how sure they are.

    Parameters
    ----------
    results : sequence of Result

    Returns
    -------
    list of Summary
        Of each method, nearness in weights and in deformation, on the rigs that every method
        finished: otherwise one would be better for having failed on the hardest.
    """
    import numpy as np
    from scipy.stats import bootstrap

    failed = {each.rig for each in results if each.measures is None}
    found = []
    for method in dict.fromkeys(each.method for each in results):
        lines = [
            each.measures
            for each in results
            if each.method == method and each.rig not in failed and each.measures
        ]
        for measure in ("l1", "deformation"):
            values = np.array([getattr(each, measure) for each in lines])
            low = high = math.nan
            if len(values) > 2 and np.ptp(values) > 0:
                drawn = bootstrap((values,), np.mean, rng=np.random.default_rng(0))
                low, high = map(float, drawn.confidence_interval)
            mean = float(values.mean()) if len(values) else math.nan
            found.append(Summary(method, measure, len(values), mean, low, high))
    return found


def _measured(entrant: _Entrant) -> Measures:
    return _measure(entrant.rig, entrant.recipe, entrant.limits, entrant.taken)


def _measure(path: str, recipe: Recipe, limits: Limits, taken: Mapping[str, Any]) -> Measures:
    from dataclasses import replace

    import numpy as np

    from autoweight.flexing import flex
    from autoweight.io import load
    from autoweight.pose.motion import range_of_motion
    from autoweight.rows import row_differences
    from autoweight.skeleton.sides import likely_plane
    from autoweight.stages.solving import first_pass
    from autoweight.surface import prepare
    from autoweight.weights.comparing import compare_rigs
    from autoweight.weights.mirroring import unevenness

    rig = load(path, **taken)
    if rig.weights is None:
        raise WeightsError(f"{path}: has no weights to come near to; bench rigs that have some")
    surface = prepare(rig.mesh)
    how = replace(recipe.tidy, max_influences=limits.max_influences)
    recipe = replace(recipe, tidy=how)
    bare = replace(rig, weights=None)
    took: list[float] = []
    while len(took) < limits.repeats and sum(took) < ENOUGH:
        begun = time.perf_counter()
        weights = first_pass(bare, recipe).weights
        took.append(time.perf_counter() - begun)
    most = peak()
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
        megabytes=most,
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
