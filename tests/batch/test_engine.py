"""Jobs handed out to one process, to several, and to a cluster of other people's making."""

from __future__ import annotations

import chores
import pytest
from clusters import cluster

from autoweight.batch.apart import Limits
from autoweight.batch.engine import hand_out
from autoweight.errors import FileError, RecipeError

FEW = Limits(seconds=60, megabytes=4000)


def test_one_after_the_other():
    found = dict(hand_out(chores.double, [1, 2, 3], FEW, workers=1))
    assert {number: answer.value for number, answer in found.items()} == {0: 2, 1: 4, 2: 6}
    assert list(hand_out(chores.double, [], FEW, workers=2)) == []


def test_without_dask_it_says_how_to_get_it(monkeypatch):
    monkeypatch.setattr("autoweight.batch.engine.find_spec", lambda name: None)
    assert [answer.value for _, answer in hand_out(chores.double, [1], FEW)] == [2]
    with pytest.raises(RecipeError, match="cluster"):
        list(hand_out(chores.double, [1], FEW, workers=2))
    with pytest.raises(RecipeError, match="cluster"):
        list(hand_out(chores.double, [1], FEW, scheduler="tcp://127.0.0.1:1"))


def test_no_scheduler_there_is_an_error(monkeypatch):
    pytest.importorskip("distributed")
    monkeypatch.setattr("autoweight.batch.engine.PATIENCE", 0.5)
    with pytest.raises(FileError, match="no scheduler answers"):
        list(hand_out(chores.double, [1], FEW, scheduler="tcp://127.0.0.1:9"))


def test_a_cluster_of_other_processes(tmp_path):
    """The same answers, from workers that may not have children by Dask's own rules."""
    with cluster(tmp_path) as (address, _):
        found = dict(hand_out(chores.double, list(range(12)), FEW, scheduler=address))
        assert {each: found[each].value for each in found} == {n: 2 * n for n in range(12)}
        jobs = [chores.crash, chores.wrong]
        troubles = [
            answer.trouble
            for job in jobs
            for _, answer in hand_out(job, [None], FEW, scheduler=address)
        ]
        assert troubles == ["crashed with exit code -6", "the message alone"]
