import os
import signal
import sys
import threading

import numpy as np
import pytest
from bodies import capsules
from scipy import sparse

from autoweight.errors import GeometryError
from autoweight.machine import abreast as module
from autoweight.machine.abreast import Ahead, abreast, hands
from autoweight.surface import prepare
from autoweight.surface.laplacian import laplacian
from autoweight.surface.solver import solve_columns

forks = pytest.mark.skipif(sys.platform != "linux", reason="processes are forked on Linux alone")


@pytest.fixture
def forked(monkeypatch):
    """The processes that were forked."""
    found, fork = [], os.fork

    def counted():
        found.append(fork())
        return found[-1]

    monkeypatch.setattr(os, "fork", counted)
    return found


def gone(processes):
    for each in processes:
        with pytest.raises(ChildProcessError):
            os.waitpid(each, os.WNOHANG)
    return bool(processes)


@pytest.mark.parametrize("many", [1, pytest.param(3, marks=forks)])
def test_results_come_in_the_order_of_the_jobs(many):
    jobs = [lambda each=each: np.arange(each * 100_000) for each in range(3)]
    assert [len(each) for each in abreast(jobs, many)] == [0, 100_000, 200_000]


@forks
def test_jobs_run_in_processes_of_their_own():
    here, there = abreast([os.getpid, os.getpid], 2)
    assert here == os.getpid() != there


@pytest.mark.parametrize("many", [1, pytest.param(2, marks=forks)])
def test_what_nothing_waits_for_is_there_when_asked_for(many):
    with Ahead(lambda: (os.getpid(), np.arange(100_000)), many) as late:
        where, found = late()
    assert (where == os.getpid()) is (many == 1)
    assert len(found) == 100_000


@forks
def test_what_nothing_asks_for_ends(forked):
    with Ahead(signal.pause, 2):
        pass
    assert gone(forked)


@forks
def test_what_has_begun_begins_once_and_ends_with_who_asked(forked):
    late = Ahead(signal.pause, 2)
    late.begin()
    late.begin()
    assert len(forked) == 1
    del late
    assert gone(forked)


@forks
def test_a_process_forked_since_ends_no_other():
    read, write = os.pipe()
    late = Ahead(lambda: (os.read(read, 1), os.getpid())[1], 2)  # not done before it is told
    late.begin()

    def forgets():
        nonlocal late
        del late
        return os.getpid()

    here, there = abreast([os.getpid, forgets], 2)
    os.write(write, b".")
    assert late() not in (here, there)


@forks
def test_what_is_asked_for_again_is_done_again(forked):
    late = Ahead(os.getpid, 2)
    late.begin()
    assert [late(), late()] == [forked[0], os.getpid()]
    assert gone(forked)


@forks
@pytest.mark.parametrize("place", [0, 1])
def test_what_a_job_raises_is_raised_here(forked, place):
    def fails():
        raise GeometryError("no surface")

    jobs = [fails, dict] if place == 0 else [dict, fails]
    with pytest.raises(GeometryError, match="no surface"):
        abreast(jobs, 2)
    assert gone(forked)


@forks
def test_a_job_whose_process_was_killed_is_done_here():
    outside = os.getpid()

    def killed():
        if os.getpid() != outside:
            os.kill(os.getpid(), signal.SIGKILL)
        return os.getpid()

    assert abreast([os.getpid, killed], 2) == [outside, outside]


def test_small_work_and_what_the_environment_forbids_are_not_divided(monkeypatch):
    assert hands(1000) == 1
    monkeypatch.setenv("OMP_NUM_THREADS", "1")
    assert hands(10**6) == 1


@forks
def test_columns_solved_abreast_are_the_same_bit_for_bit(monkeypatch):
    surface = prepare(capsules([[0.0, 0, 0]], [[2.0, 0, 0]], [0.5], 0.2))
    stiffness, mass = laplacian(surface.vertices, surface.faces)
    operator = sparse.csr_array(stiffness + sparse.diags_array(mass))
    random, shape = np.random.default_rng(0), (len(surface), 11)
    right = sparse.coo_array(np.where(random.random(shape) < 0.1, random.random(shape), 0))
    right = sparse.csr_array(right)
    alone = solve_columns(operator, right, 1e-9)
    monkeypatch.setattr(module, "WORTH", 0)
    monkeypatch.setattr(threading, "active_count", lambda: 1)  # pytest-xdist has one of its own
    monkeypatch.setattr(os, "sched_getaffinity", lambda process: {0, 1, 2})
    monkeypatch.delenv("OMP_NUM_THREADS", raising=False)
    assert hands(len(surface)) == 3
    abreast_ = solve_columns(operator, right, 1e-9)
    assert (alone.data == abreast_.data).all() and (alone.indices == abreast_.indices).all()
    np.testing.assert_allclose((operator @ alone - right).toarray(), 0, atol=1e-8)
