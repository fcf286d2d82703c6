"""Tolerance studies on executors: the same bytes whoever computes, and as much in flight as asked for."""

from __future__ import annotations

import json
from collections.abc import Callable, Iterator
from concurrent.futures import Executor, Future, ProcessPoolExecutor, ThreadPoolExecutor
from functools import cache
from multiprocessing import get_context
from typing import Any

import pytest
from small_circuits import sources

import circuitsim as cs
from circuitsim.studies import tolerance as module
from circuitsim.studies.tolerance import CHUNK, tolerance

OPTIONS: dict[str, Any] = {"samples": 3 * CHUNK, "seed": 5, "step": ["off", "4"], "rows": ["motor current", "feed at the plug"]}


def study(**options: Any) -> str:
    return json.dumps(tolerance(cs.load("tractor-cab-fan"), **{**OPTIONS, **options}).to_dict())


@cache
def serial() -> str:
    return study()


def test_threads() -> None:
    with ThreadPoolExecutor(2) as pool:
        assert study(executor=pool) == serial()


def test_processes() -> None:
    with ProcessPoolExecutor(2, mp_context=get_context("spawn")) as pool:
        assert study(executor=pool) == serial()


def test_another_seed_gives_other_numbers() -> None:
    assert study(seed=6) != serial()


@pytest.fixture
def cluster() -> Iterator[Executor]:
    """A real local cluster of two processes, seen as an executor."""
    distributed = pytest.importorskip("distributed", reason="dask is not installed: pip install '.[test-dask]'")
    nodes = distributed.LocalCluster(processes=True, n_workers=2, threads_per_worker=1, dashboard_address=None)
    with nodes, distributed.Client(nodes) as client:
        yield client.get_executor()


def test_a_cluster(cluster: Executor) -> None:
    assert study(executor=cluster) == serial()


class Counting(Executor):
    """Runs everything at once when asked for its result, and counts what waits."""

    def __init__(self) -> None:
        self.waiting = self.most = 0

    def submit(self, fn: Callable[..., Any], /, *args: Any, **kwargs: Any) -> Future[Any]:
        self.waiting += 1
        self.most = max(self.most, self.waiting)
        owner = self

        class Lazy(Future[Any]):
            def result(self, timeout: float | None = None) -> Any:
                owner.waiting -= 1
                return fn(*args, **kwargs)

        return Lazy()


def test_a_process_keeps_one_job_of_another_and_none_of_its_own() -> None:
    """Jobs hold megabytes: what a worker was sent is dropped for the next study, and a study's own when it is done."""
    jobs = []

    class Worker(Counting):
        """Sees to it that a job comes packed, as in another process."""

        def submit(self, fn: Callable[..., Any], /, *args: Any, **kwargs: Any) -> Future[Any]:
            module._OWN.clear()
            done = super().submit(fn, *args, **kwargs)
            done.set_result(done.result())
            jobs.append((len(module._OWN), len(module._TAKEN)))
            return done

    for emf in (1.0, 2.0, 3.0):
        tolerance(sources((emf, 2.0)), executor=Worker(), samples=CHUNK)
    assert jobs == [(0, 1)] * 3
    with ThreadPoolExecutor(2) as pool:
        tolerance(sources((4.0, 2.0)), executor=pool, samples=CHUNK)
    assert len(module._OWN) == 0


@pytest.mark.parametrize("ahead", [1, 3, 8])
def test_no_more_in_flight_than_asked_for(ahead: int) -> None:
    """Memory is bounded because results wait for the first one, and no more than `ahead` of them do."""
    pool, options = Counting(), {"samples": 5 * CHUNK}
    assert tolerance(sources((1.0, 2.0)), executor=pool, ahead=ahead, **options) == tolerance(sources((1.0, 2.0)), **options)
    assert pool.most == min(ahead, 5)
