"""The limbs of a recipe: where along them each vertex is, their curves, and a quick sketch."""

from __future__ import annotations

from dataclasses import dataclass, field, replace
from typing import Any

import numpy as np
from numpy.typing import NDArray
from scipy import sparse

from autoweight.methods import Problem
from autoweight.methods.limbs import ON_THE_JOINT, Limb, limbs
from autoweight.methods.territory import divided
from autoweight.recipes.profiles import Falloff
from autoweight.recipes.recipe import Recipe
from autoweight.rows import entry_rows, replaced, selected
from autoweight.skeleton.chains import Chain
from autoweight.stages.planning import plan
from autoweight.stages.session import Session

__all__ = ["Outline"]

SAMPLES = 12
"""Samples of a curve between two joints."""

BY_BANDS = ("bands", "volume")
"""Methods that go by the falloff."""


@dataclass(frozen=True, eq=False)
class Outline:
    """The chains of a recipe in space.

    Parameters
    ----------
    recipe : Recipe
    problem : Problem
    chains : tuple of Chain
    rules : tuple of int
        The chain rule of each, -1 for none.
    methods : tuple of str
        Of each chain.
    parts : tuple of (Limb or None)
        Of each chain; None where no joint of it may have weight.
    known : dict
        What was told of a chain already.
    """

    recipe: Recipe
    problem: Problem
    chains: tuple[Chain, ...]
    rules: tuple[int, ...]
    methods: tuple[str, ...]
    parts: tuple[Limb | None, ...]
    known: dict[int, dict[str, Any]] = field(default_factory=dict)

    @classmethod
    def of(cls, session: Session, recipe: Recipe) -> Outline:
        """Find the chains of a recipe.

        Raises
        ------
        AutoweightError
            See `autoweight.stages.planning.plan`.
        """
        planned, problem = plan(recipe, session.rig), session.problem(recipe)
        rule = np.full(len(session.rig.skeleton), -1)
        for number in range(len(recipe.chain)):
            names = session.rig.skeleton.names
            rule[recipe.chosen(names, "joint", "chain", number, "joints")] = number
        first = [int(chain.joints[0]) for chain in planned.chains]
        known = {int(joint): limb for limb in limbs(problem) for joint in limb.joints}
        return cls(
            recipe,
            problem,
            planned.chains,
            tuple(int(rule[joint]) for joint in first),
            tuple(planned.methods[joint] for joint in first),
            tuple(
                next((known[joint] for joint in chain.joints if joint in known), None)
                for chain in planned.chains
            ),
        )

    def tuned(self, recipe: Recipe) -> Outline | None:
        """The same for a recipe that differs in falloffs alone; None for one that does not."""
        if _but_falloffs(recipe) != _but_falloffs(self.recipe):
            return None
        parts, known = list(self.parts), dict(self.known)
        for number, (limb, rule) in enumerate(zip(self.parts, self.rules, strict=True)):
            falloff = _falloff(recipe, rule).usual(centre=ON_THE_JOINT)
            if limb and limb.falloff != falloff:
                parts[number] = replace(limb, falloff=falloff)
                known.pop(number, None)
        return replace(self, recipe=recipe, parts=tuple(parts), known=known)

    def along(self) -> tuple[NDArray[np.float64], NDArray[np.int32]]:
        """Positions of the vertices of the surface along the limbs that have them.

        Returns
        -------
        along : ndarray, shape (n,)
            In joints: 0 is the first of the chain, -1 where it begins.
        chain : ndarray, shape (n,), int32
            Number of the chain.
        """
        problem = self.problem
        land = divided(problem)
        owner = land.owner[: len(problem.surface)]
        along = np.zeros(len(owner))
        chain = np.full(len(owner), -1, dtype=np.int32)
        for number, limb in enumerate(self.parts):
            if limb is None:
                continue
            # A bone is the joint's at its end; that of a leaf goes on beyond it.
            bone = limb.bone_of(len(problem.skeleton))[owner]
            mine = np.flatnonzero(bone >= 0)
            along[mine] = limb.along(problem.surface.vertices[mine], bone[mine])
            chain[mine] = number
        return along, chain

    def told(self) -> list[dict[str, Any]]:
        """The chains for the page: joints, rule, method, and curves along them."""
        for number in range(len(self.chains)):
            if number not in self.known:
                self.known[number] = self._told(number)
        return [self.known[number] for number in range(len(self.chains))]

    def _told(self, number: int) -> dict[str, Any]:
        chain, limb = self.chains[number], self.parts[number]
        told: dict[str, Any] = {
            "name": chain.name,
            "joints": [int(joint) for joint in chain.joints],
            "rule": self.rules[number],
            "method": self.methods[number],
            "active": [],
        }
        if limb is None:
            return told
        hangs, count = limb.hangs >= 0, len(limb.joints)
        told |= {
            "active": limb.joints.tolist(),
            "hangs": int(limb.hangs),
            "stations": np.round(limb.stations, 6).tolist(),
            "centre": limb.falloff.centre,  # also where the recipe leaves it to the method
        }
        if self.methods[number] in BY_BANDS:
            places = np.linspace(-int(hangs), count, SAMPLES * (count + int(hangs)) + 1)
            weights = limb.falloff.weights(places, limb.stations, hangs=hangs)
            told["at"] = places.round(4).tolist()
            told["curves"] = weights.T.round(4).tolist()
        return told

    def sketch(
        self,
        before: Outline,
        matrix: sparse.csr_array,
        fixed: NDArray[np.bool_],
        along: NDArray[np.floating],
        chain: NDArray[np.int32],
    ) -> sparse.csr_array | None:
        """About what the weights will be, at once: what a chain has, shared by its new curve.

        Parameters
        ----------
        before : Outline
            Of the recipe that the weights are by.
        matrix : csr_array, shape (n, j)
            Those weights, of the mesh.
        fixed : ndarray, shape (n,), bool
            Vertices that stay.
        along, chain : ndarray, shape (n,)
            From `along`, of the mesh.

        Returns
        -------
        csr_array or None
            None where no chain that goes by its falloff has another one.
        """
        changed = [
            number
            for number, (old, new) in enumerate(zip(before.parts, self.parts, strict=True))
            if old and new and old.falloff != new.falloff and self.methods[number] in BY_BANDS
        ]
        if not changed:
            return None
        for number in changed:
            limb = self.parts[number]
            if limb is None:
                continue
            hangs = limb.hangs >= 0
            mine = np.flatnonzero((chain == number) & ~fixed)
            shares = limb.falloff.weights(along[mine], limb.stations, hangs=hangs)
            line = np.append(limb.joints, limb.hangs) if hangs else limb.joints
            if hangs:
                shares = np.column_stack([shares, 1 - shares.sum(axis=1)])
            rows = sparse.csr_array(matrix[mine])
            inside = np.isin(rows.indices, line)
            total = np.bincount(entry_rows(rows)[inside], rows.data[inside], minlength=len(mine))
            row, column = np.nonzero(shares * total[:, None])
            new = sparse.csr_array(
                ((shares * total[:, None])[row, column], (row, line[column])), shape=rows.shape
            )
            matrix = replaced(matrix, mine, selected(rows, ~inside) + new)
        return matrix


def _falloff(recipe: Recipe, rule: int) -> Falloff:
    own = recipe.chain[rule].falloff if rule >= 0 else None
    return own or recipe.falloff


def _but_falloffs(recipe: Recipe) -> Recipe:
    chains = tuple(replace(rule, falloff=None) for rule in recipe.chain)
    return replace(recipe, falloff=Falloff(), chain=chains)
