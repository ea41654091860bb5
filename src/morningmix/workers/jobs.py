"""Jobs, and lanes in which one batch of them follows another.

A job is a plain function of picklable arguments. What it makes is small, or lies in a file that its arguments name. So
the same jobs run in this process, in local worker processes (`workers.pool`) or on other machines (`workers.cluster`),
and what comes out does not depend on where.
"""

from __future__ import annotations

import itertools
import time
from collections.abc import Callable, Sequence
from concurrent.futures import FIRST_EXCEPTION, CancelledError, Future, ThreadPoolExecutor, wait
from dataclasses import dataclass
from functools import cache
from typing import Any, Generic, Protocol, TypeVar

import numpy as np
from threadpoolctl import threadpool_limits

from morningmix.workers.progress import Meter
from morningmix.workers.trace import Event, Trace

Result = TypeVar("Result")
_NUMBERS = itertools.count(1)
_KEPT_BYTES = 31 << 20


@dataclass(frozen=True, slots=True, kw_only=True)
class Job(Generic[Result]):
    """A piece of work."""

    what: str
    """What it does, for the trace."""
    call: Callable[[], Result]
    cost: float
    """About how many seconds of one core it takes."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Done(Generic[Result]):
    """The result of a job, and when and where it was made."""

    result: Result
    start_s: float
    end_s: float
    worker: int


def perform(call: Callable[[], Result], worker: int = 0) -> Done[Result]:
    """Do a job here, on one thread."""
    _keep_freed_memory()
    start_s = time.time()
    with threadpool_limits(1):
        result = call()
    return Done(result=result, start_s=start_s, end_s=time.time(), worker=worker)


@cache
def _keep_freed_memory() -> None:
    """Let this process keep memory that it frees for the arrays to come.

    The GNU C library gives arrays from 128 kB on back to the system at once, which then clears the pages of the next
    ones: a third of the time of learning filters (measured). Once it has freed a block of up to 32 MB, it keeps blocks
    up to that size (mallopt(3), M_MMAP_THRESHOLD). Elsewhere this does nothing.
    """
    np.empty(_KEPT_BYTES, np.uint8)


class Runner(Protocol):
    """Runs jobs, those of the lowest priority number first."""

    @property
    def workers(self) -> int:
        """How many jobs run at a time."""

    @property
    def start_s(self) -> float:
        """How long it takes before a first job runs: less work is better done in this process."""

    def submit(self, call: Callable[[], Result], priority: int, cost: float) -> Future[Done[Result]]:
        """Run a job of about `cost` seconds of one core; it raises in the future what the job raises."""

    def expect(self, priority: int) -> None:
        """Soon more jobs of this priority follow; may be called from any thread."""

    def stop(self) -> None:
        """Give up all jobs, those that run too; there will be no more."""


class Here:
    """Runs jobs in this process, each as soon as it is submitted."""

    workers = 1
    start_s = 0.0

    def submit(self, call: Callable[[], Result], priority: int, cost: float) -> Future[Done[Result]]:  # noqa: ARG002 - the protocol
        """Run a job now."""
        future: Future[Done[Result]] = Future()
        future.set_result(perform(call))
        return future

    def expect(self, priority: int) -> None:
        """Nothing else can begin in between."""

    def stop(self) -> None:
        """Nothing runs while anybody could ask for this."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Run:
    """What all jobs of a run share."""

    runner: Runner
    meter: Meter
    trace: Trace


class Lane:
    """Batches of jobs, one after the other; lanes with a lower number go first where there are too few workers."""

    def __init__(self, run: Run, priority: int = 0, needs: Sequence[int] = (), under: Lane | None = None) -> None:
        self.run, self._priority, self._under = run, priority, under
        self.last = tuple(needs)
        """Numbers of the jobs that the next batch depends on."""
        self._given_up = False
        self._aside: list[Job[Any]] = []

    def give_up(self) -> None:
        """Begin no further batch; may be called from any thread."""
        self._given_up = True

    @property
    def is_given_up(self) -> bool:
        """Whether it begins no further batch."""
        return self._given_up or (self._under is not None and self._under.is_given_up)

    def all(self, jobs: Sequence[Job[Result]]) -> list[Result]:
        """Results of the jobs in their order; raises what one of them raises, without waiting for those in line.

        Those that cost most go first, so that none is still long when there is nothing else to do.
        """
        if self.is_given_up:
            raise CancelledError
        runner = self.run.runner
        if sum(job.cost for job in jobs) < runner.start_s:
            runner = Here()
        futures: dict[int, Future[Done[Any]]] = {}
        ended = itertools.count(1)

        def end_batch(_: Future[Done[Any]]) -> None:
            if next(ended) == len(jobs):
                runner.expect(self._priority)

        numbers = [next(_NUMBERS) for _ in jobs]
        try:
            for number, place in zip(
                numbers, sorted(range(len(jobs)), key=lambda place: -jobs[place].cost), strict=True
            ):
                futures[place] = runner.submit(jobs[place].call, self._priority, jobs[place].cost)
                futures[place].add_done_callback(self._counts(jobs[place], number))
                futures[place].add_done_callback(end_batch)
            if self._aside and runner.workers > 1:
                for job in self._aside:
                    future = runner.submit(job.call, self._priority + 1, job.cost)
                    future.add_done_callback(self._traced(job, next(_NUMBERS)))
                self._aside = []
            for future in wait(futures.values(), return_when=FIRST_EXCEPTION).done:
                future.result()
        except BaseException:
            for future in futures.values():
                future.cancel()
            raise
        if jobs:
            self.last = tuple(numbers)
        return [futures[place].result().result for place in range(len(jobs))]

    def aside(self, jobs: Sequence[Job[Any]]) -> None:
        """Have jobs done when a worker is idle, from the next batch on that workers do.

        They keep what they find, and another batch asks for it again. What one of them raises is raised there.
        """
        self._aside.extend(jobs)

    def one(self, job: Job[Result]) -> Result:
        """The result of one job."""
        return self.all([job])[0]

    def split(self, works: Sequence[Callable[[Lane], Result]]) -> list[Result]:
        """Results of several works in their order, each in a lane of its own that goes as early as this one.

        Raises what one of them raises, as `side_by_side` does.
        """
        lanes = [Lane(self.run, self._priority, self.last, self) for _ in works]
        results = _together(self.run, works, lanes)
        if lanes:
            self.last = tuple(sorted({number for lane in lanes for number in lane.last}))
        return results

    def _counts(self, job: Job[Any], number: int) -> Callable[[Future[Done[Any]]], None]:
        trace = self._traced(job, number)

        def count(future: Future[Done[Any]]) -> None:
            trace(future)
            if not future.cancelled() and future.exception() is None:
                self.run.meter.did(job.cost)

        return count

    def _traced(self, job: Job[Any], number: int) -> Callable[[Future[Done[Any]]], None]:
        needs = self.last

        def trace(future: Future[Done[Any]]) -> None:
            if not future.cancelled() and future.exception() is None:
                done = future.result()
                self.run.trace.add(Event(job.what, done.start_s, done.end_s, done.worker, number, needs))

        return trace


def side_by_side(run: Run, works: Sequence[Callable[[Lane], Result]], needs: Sequence[int]) -> list[Result]:
    """Results of several works in their order, each in a lane of its own; the first goes first.

    Raises what one of them raises; the others end after the batch that they are at, and at once where the run is
    interrupted.
    """
    return _together(run, works, [Lane(run, priority, needs) for priority in range(len(works))])


def _together(run: Run, works: Sequence[Callable[[Lane], Result]], lanes: Sequence[Lane]) -> list[Result]:
    if run.runner.workers == 1:
        return [work(lane) for work, lane in zip(works, lanes, strict=True)]
    # One more than there are workers, so that none idles while a lane ends.
    with ThreadPoolExecutor(run.runner.workers + 1) as threads:
        futures = [threads.submit(work, lane) for work, lane in zip(works, lanes, strict=True)]
        try:
            for future in wait(futures, return_when=FIRST_EXCEPTION).done:
                future.result()
        except BaseException as error:
            for future in futures:
                future.cancel()
            for lane in lanes:
                lane.give_up()
            if not isinstance(error, Exception):
                run.runner.stop()
            raise
        return [future.result() for future in futures]
