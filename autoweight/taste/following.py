"""A taste applied: what is changed of a default solve, as far as there is reason to."""

from __future__ import annotations

from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy import sparse

from autoweight.errors import SkeletonError
from autoweight.methods import Problem
from autoweight.rig import Skeleton
from autoweight.rows import scaled
from autoweight.skeleton.sides import sideless
from autoweight.surface import Surface
from autoweight.surface.laplacian import laplacian
from autoweight.surface.solver import solve_columns
from autoweight.taste.builds import Build, build
from autoweight.taste.kinship import Kin, counterparts, fallen
from autoweight.taste.learning import Taste
from autoweight.taste.neighbours import (
    Neighbours,
    familiar,
    heed,
    kindred,
    opinion,
    teachers,
    twin,
)
from autoweight.taste.traits import OWN, TELLING, candidates, sight, traits, turned

__all__ = ["Followed", "follow", "idle", "usual"]

HOLD = 80.0
"""H of the equilibrium that evens the result out is this over the girth squared: higher keeps
nearer to what was learned, lower is smoother."""

LEAST = 0.02
"""A weight below this, in a taste, says nothing."""

KINDS = 250
"""Joints that the trees tell apart by name; scikit-learn allows 255."""

BINS = 64
"""Values of each trait that the trees tell apart."""

LEARNED = 30_000
"""Samples that trees learn from at most, all rigs together."""

FOLDS = 3
"""Most groups of rigs that are left out in turn, to find how far to follow them all."""

LITTLE = 1e-6
"""Least mean square of changes that rigs are evened out by."""

MOVED = 0.01
"""A change of a weight that is too small to be doubted."""

ALONE = 0.5
"""How far a change is followed that no second rig could confirm."""


@dataclass(frozen=True, eq=False)
class Followed:
    """What a taste made of a default solve.

    Parameters
    ----------
    rows : csr_array, shape (n, j)
        Rows sum to 1.
    confidence : ndarray, shape (n,)
        How far each vertex follows what was learned, 0 to 1.
    told : tuple of str
        What was learned from and how much of the surface that concerned.
    """

    rows: sparse.csr_array
    confidence: NDArray[np.float64]
    told: tuple[str, ...]


def follow(
    taste: Taste, problem: Problem, free: NDArray[np.bool_], solved: sparse.csr_array
) -> Followed:
    """Change a default solve by what finished rigs have in common.

    Parameters
    ----------
    taste : Taste
    problem : Problem
        Its n vertices and j joints.
    free : ndarray, shape (j,), bool
        Joints whose weight may be changed.
    solved : csr_array, shape (n, j)
        What the default makes of it; rows sum to 1.

    Returns
    -------
    Followed

    Raises
    ------
    SkeletonError
        No joint is like one that was learned from.
    """
    surface, active = problem.surface, problem.active
    like = build(problem.skeleton, active, problem.frames, surface, solved)
    kin = [counterparts(like, each.build) for each in taste.lessons]
    if not any((each.of >= 0).any() for each in kin):
        raise SkeletonError(
            f"none of the {int(active.sum())} joints is like one of {taste.names}, by name or by "
            "build; learn from rigs of its kind"
        )
    for lesson, each in zip(taste.lessons, kin, strict=True):
        if fallen(like, lesson.build, each):
            raise SkeletonError(
                f"{lesson.name}: its joints lie as if turned by 90° against the rig's; export both "
                "with the same axis up"
            )
    if not any((each.trust > 0).any() for each in kin):
        none = np.zeros(len(surface))
        return Followed(solved, none, (_told(taste, like, kin, surface, none),))
    school = _School(taste, like, kin)
    seen = sight(problem, like, solved)
    vertex, joint = candidates(seen)
    kept = (school.trust[like.kinds[joint]] > 0) & free[joint]
    vertex, joint = vertex[kept], joint[kept]
    kind = like.kinds[joint]
    if len(vertex) == 0:
        none = np.zeros(len(surface))
        return Followed(solved, none, (_told(taste, like, kin, surface, none),))
    table = traits(seen, vertex, joint)
    change, certain = school.changes(table, kind)
    trust = school.trust[kind] * certain
    asked = sparse.csr_array((change * trust, (vertex, joint)), shape=solved.shape)
    given = sparse.csr_array(solved + asked)
    given.data[given.data < LEAST] = 0
    given.eliminate_zeros()
    total = given.sum(axis=1)
    sound = total > 0.2
    rows = sparse.csr_array(
        sparse.diags_array(np.where(sound, 1 / np.maximum(total, 0.2), 0.0)) @ given
        + sparse.diags_array((~sound).astype(float)) @ solved
    )
    rows = _even(surface, seen.girth, rows)
    held = np.asarray(solved[vertex, joint]).ravel() + np.abs(change)
    whole = np.bincount(vertex, held, minlength=len(surface))
    confidence = np.bincount(vertex, held * trust, minlength=len(surface)) / np.maximum(whole, 1)
    confidence = np.clip(confidence, 0, 1)
    return Followed(rows, confidence, (_told(taste, like, kin, surface, confidence),))


def idle(taste: Taste, skeleton: Skeleton, active: NDArray[np.bool_]) -> NDArray[np.bool_]:
    """Joints that all finished rigs which have one of their name leave without weight, (j,).

    Parameters
    ----------
    taste : Taste
    skeleton : Skeleton
    active : ndarray, shape (j,), bool
        Those that may have weight.
    """
    used, spared = _used(taste, skeleton)
    found = (used == 0) & (spared > 0) & active
    return found if (active & ~found).any() else np.zeros_like(found)


def usual(taste: Taste, skeleton: Skeleton) -> NDArray[np.bool_]:
    """Joints that most finished rigs which have one of their name give weight, (j,)."""
    used, spared = _used(taste, skeleton)
    return used > spared


def _used(taste: Taste, skeleton: Skeleton) -> tuple[NDArray[np.int64], NDArray[np.int64]]:
    """Finished rigs that weight a joint of the name of each, and those that do not, (j,)."""
    words = [sideless(name) for name in skeleton.names]
    used, spared = np.zeros((2, len(words)), dtype=np.int64)
    for lesson in taste.lessons:
        has = dict.fromkeys(lesson.build.words, False)
        for word, fleshed in zip(lesson.build.words, lesson.build.fleshed, strict=True):
            has[word] |= bool(fleshed)
        used += [has.get(word, False) for word in words]
        spared += [not has.get(word, True) for word in words]
    return used, spared


@dataclass(frozen=True, eq=False)
class _Asked:
    """What the trees are asked, and what the nearest rig says by itself.

    Parameters
    ----------
    samples, places : ndarray, shape (s, c) and (m, c), uint8
        Traits of the samples and of what is asked, the opinion of the neighbours among them, as
        numbers of the quantiles they are in; last the joint.
    heard : ndarray, shape (m,)
        The weight that the nearest of the rigs has there.
    twin : ndarray, shape (m,)
        How far to believe it as it is, 0 to 1.
    akin : float
        How far the new rig is of their kind, 0 to 1; or how far to heed a single one.
    """

    samples: NDArray[np.uint8]
    places: NDArray[np.uint8]
    heard: NDArray[np.float64]
    twin: NDArray[np.float64]
    akin: float


class _School:
    """The samples of all lessons, as the joints of one rig would have them."""

    def __init__(self, taste: Taste, like: Build, kin: list[Kin]) -> None:
        columns: list[tuple[NDArray, ...]] = []
        squares: list[float] = []
        self.trust = np.max([each.trust for each in kin], axis=0)
        nearest = sorted(zip(taste.lessons, kin, strict=True), key=lambda pair: -pair[1].share)
        for lesson, each in nearest:
            kind = each.of[lesson.joint]
            kept = np.flatnonzero(kind >= 0)
            kept = kept[each.trust[kind[kept]] > 0]
            if len(kept) == 0:
                continue
            joint, kind = lesson.joint[kept], kind[kept]
            onto = np.zeros_like(lesson.build.way)
            known = each.of >= 0
            onto[known] = like.way[like.first[each.of[known]]]
            table = turned(lesson.samples[kept], lesson.build.way, onto, joint, each.turn)
            weight = lesson.area[kept] * each.share
            change = lesson.weight[kept] - table[:, OWN]
            square = max(np.average(change**2, weights=weight + 1e-12), LITTLE)
            squares.append(square)
            weight /= square  # a rig that the default is far off on is not to drown the others
            rig = np.full(len(kept), len(columns))
            columns.append((table, kind, lesson.weight[kept], weight, rig))
        table, self._kind, self._given, self._mass, self._rig = (
            np.concatenate(column) for column in zip(*columns, strict=True)
        )
        self._table = table
        self._mass /= self._mass.mean()
        self._changes = np.sqrt(squares)
        self._learned = np.arange(len(table))
        if len(table) > LEARNED:
            self._learned = np.sort(np.random.default_rng(0).permutation(len(table))[:LEARNED])

    def changes(
        self, table: NDArray[np.float32], kind: NDArray[np.int64]
    ) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
        """What the rigs would change, and how far to follow that, 0 to 1, both (m,).

        Rigs are left out in turn, in groups among which the nearest are dealt out. How much the
        answers differ is the jackknife's estimate of the error of the answer from all (Efron &
        Stein, Annals of Statistics 9(3), 1981); a change is followed by the share of its square in
        the sum of the squares of both, and the less the farther no place is like it.
        """
        count = min(self._rig.max() + 1, FOLDS)
        fold = self._rig[self._learned] % count
        every = np.ones(len(fold), dtype=bool)
        chosen = [every, *(fold != each for each in range(count) if count > 1)]
        asked = self._asked(table, kind)
        with ThreadPoolExecutor(2) as pool:
            whole, *without = pool.map(lambda each: self._answers(each, asked), chosen)
        change = whole - table[:, OWN]
        certain = np.full(len(change), ALONE)
        if without:
            error = (count - 1) * np.var(without, axis=0)
            size = change**2 + MOVED**2
            certain = size / (size + error)
        # A near twin needs no trees and no second rig that has it so.
        change += asked.twin * (asked.heard - whole)
        certain += asked.twin * (1 - certain)
        certain *= familiar(self._table, self._kind, table, kind)
        return change, asked.akin * certain

    def _asked(self, table: NDArray[np.float32], kind: NDArray[np.int64]) -> _Asked:
        """What is asked, with what the neighbours say, beside the samples with the same."""
        rig, joint = self._rig[self._learned], self._kind[self._learned]
        taught, asked = self._table[self._learned], table
        look = Neighbours(self._table, self._kind, self._given, self._rig)
        theirs, beyond = look(table, kind)
        heard, alike = twin(theirs, beyond)
        if len(beyond) > 1:
            weight, away = look(taught, joint)
            away[~teachers(away, rig, beyond)[rig].T] = np.inf
            said, opinions = opinion(weight, away), opinion(theirs, beyond)
            akin = kindred(said[:, 1], opinions[:, 1])
            taught, asked = np.column_stack([taught, said]), np.column_stack([asked, opinions])
        else:
            akin = heed(self._changes[0], beyond[0])
        edges = np.quantile(taught, np.linspace(0, 1, BINS + 1)[1:-1], axis=0)

        def coded(values: NDArray[np.floating], kind: NDArray[np.int64]) -> NDArray[np.uint8]:
            both = zip(edges.T, values.T, strict=True)
            columns = [np.searchsorted(steps, value) for steps, value in both]
            return np.column_stack([*columns, np.minimum(kind, KINDS)]).astype(np.uint8)

        return _Asked(coded(taught, joint), coded(asked, kind), heard, alike, akin)

    def _answers(self, chosen: NDArray[np.bool_], asked: _Asked) -> NDArray[np.float64]:
        """Weights for what is asked, learned from some of the samples.

        The mean of trees that know which joint it is and of trees that do not: what holds for
        all joints is learned from more samples. The latter are not shown either by what else
        they could tell a joint or a rig apart, and so learn it by heart.
        """
        from sklearn.ensemble import HistGradientBoostingRegressor  # slow to import
        from threadpoolctl import threadpool_limits

        some = self._learned[chosen]
        codes, given, weight = asked.samples[chosen], self._given[some], self._mass[some]
        blind = [*TELLING, -1]
        trees = {"max_iter": 120, "l2_regularization": 10.0, "early_stopping": False}
        named = HistGradientBoostingRegressor(
            categorical_features=[codes.shape[1] - 1], random_state=0, **trees
        )
        nameless = HistGradientBoostingRegressor(random_state=0, **trees)
        with threadpool_limits(1, user_api="openmp"):  # threads that wait for others cost more
            named.fit(codes, given, sample_weight=weight)
            nameless.fit(np.delete(codes, blind, axis=1), given, sample_weight=weight)
            told = named.predict(asked.places)
            untold = nameless.predict(np.delete(asked.places, blind, axis=1))
            return np.asarray((told + untold) / 2)


def _even(surface: Surface, girth: NDArray[np.float64], rows: sparse.csr_array) -> sparse.csr_array:
    """The heat equilibrium held to some rows: as they are, but without steps."""
    stiffness, mass = laplacian(surface.vertices, surface.faces)
    held = mass * HOLD / np.maximum(girth, surface.spacings / 2) ** 2
    stiffness.setdiag(stiffness.diagonal() + held)
    found = solve_columns(stiffness, sparse.csr_array(sparse.diags_array(held) @ rows), 1e-4)
    found.data = np.maximum(found.data, 0)
    return scaled(found)


def _told(
    taste: Taste, like: Build, kin: list[Kin], surface: Surface, confidence: NDArray[np.float64]
) -> str:
    share = float(surface.areas @ confidence / surface.areas.sum())
    known = np.any([each.trust > 0 for each in kin], axis=0)[like.kinds] & like.fleshed
    named = np.any([each.named for each in kin], axis=0)[like.kinds] & known
    far = "" if confidence.any() or not known.any() else "; nothing is near enough to be followed"
    return (
        f"in the taste of {taste.names}: {share:.0%} of the surface taught, {int(known.sum())} of "
        f"{int(like.fleshed.sum())} joints known, {int(named.sum())} of them by name{far}"
    )
