"""A session gives the bits of a solve afresh, and prepares what does not change only once."""

import sys
from dataclasses import replace

import numpy as np
from bodies import fingers
from twins import egg, rig

import autoweight.methods.heat as heat
from autoweight.recipes.profiles import Falloff
from autoweight.recipes.recipe import ChainRule, Lock, Mirror, Recipe, Tidy
from autoweight.stages.session import Session
from autoweight.stages.solving import first_pass, solve


def edits(names, rng):
    """Recipes, each made from the one before by one change drawn at random."""
    recipe = Recipe()
    changes = {
        "method": lambda: str(rng.choice(["auto", "heat", "bands", "inverse"])),
        "falloff": lambda: Falloff(reach=float(rng.uniform(0.6, 1.6)), centre=0.5),
        "chain": lambda: (
            ChainRule(
                (str(rng.choice(names[1:])),),
                method="bands",
                falloff=Falloff(reach=float(rng.uniform(0.6, 1.6))),
            ),
        ),
        "skip": lambda: (names[-1],) if rng.integers(2) else (),
        "mirror": lambda: Mirror("z", keep=str(rng.choice(["positive", "mean"]))),
        "lock": lambda: (Lock(near=names[1], radius=0.7, weight=0.5, joints=(names[1],)),),
        "tidy": lambda: Tidy(max_influences=int(rng.integers(1, 5)), bits=16),
    }
    while True:
        field = str(rng.choice(list(changes)))
        recipe = replace(recipe, **{field: changes[field]()})
        yield recipe


def test_a_dozen_edits_give_the_bits_of_a_solve_afresh():
    built = replace(fingers(), weights=None)
    session = Session(built)
    drawn = edits(built.skeleton.names, np.random.default_rng(0))
    for _, recipe in zip(range(12), drawn, strict=False):
        known, anew = session.first_pass(recipe), first_pass(built, recipe)
        assert (known.weights.matrix != anew.weights.matrix).nnz == 0
        assert known.decisions == anew.decisions
        assert (session.solve(recipe).matrix != solve(built, recipe).matrix).nnz == 0


def test_heat_is_solved_again_only_for_other_joints(monkeypatch):
    solved = []
    whole = heat._solved
    monkeypatch.setattr(heat, "_solved", lambda problem: solved.append(1) or whole(problem))
    built = replace(fingers(), weights=None)
    session = Session(built)
    chain = ChainRule(("a_R_*",), method="bands")
    for reach in (0.8, 1.0, 1.2):
        session.solve(Recipe(chain=(replace(chain, falloff=Falloff(reach=reach)),)))
    assert len(solved) == 1
    session.solve(Recipe(skip=("root",)))
    assert len(solved) == 2


def test_one_run_prepares_its_surface_once(monkeypatch):
    prepared = []
    preparing = sys.modules["autoweight.surface.prepare"]  # the function hides it as an attribute
    weld = preparing._weld
    monkeypatch.setattr(preparing, "_weld", lambda *given: prepared.append(1) or weld(*given))
    recipe = Recipe(mirror=Mirror("x", tolerance=0.1))
    first_pass(rig(*egg(1)), recipe)
    assert len(prepared) == 1
