"""Run jobs in worker processes that live as long as the run: NumPy releases the GIL too briefly for threads to scale.

A worker ends with the run that started it, however that ended and whatever the worker is doing.
"""

from __future__ import annotations

import heapq
import itertools
import multiprocessing
import os
import signal
import sys
import time
import traceback
from collections.abc import Callable, Sequence
from concurrent.futures import Future
from contextlib import suppress
from dataclasses import dataclass, field, replace
from multiprocessing.context import BaseContext
from multiprocessing.process import BaseProcess
from threading import Condition, Thread
from types import TracebackType
from typing import Any, Self, TypeVar

from morningmix.errors import MachineError
from morningmix.workers.jobs import Done, perform

if sys.platform == "win32":
    from multiprocessing.connection import PipeConnection as Connection
else:
    from multiprocessing.connection import Connection

Result = TypeVar("Result")
_MOST_TRIES = 2
_PATIENCE_S = 0.5
"""How long the first lane may decide what follows a batch, before jobs of others are begun: people wait for its song,
and another song's job would keep a worker from it for up to 3 s (measured)."""
_KEPT_FREE = 2
"""Workers that are held for the first lane, at most."""
_SLOWEST = 2.0
"""A job that takes more than twice as long as it should may take any time."""
_START_S = 1.0
"""Until a worker has loaded what it needs (measured)."""
_LOST = (
    "A part of this run was ended from outside, perhaps because memory ran out. "
    "Close other programs and run it again; nothing is lost."
)


@dataclass(order=True, slots=True)
class _Waiting:
    priority: int
    number: int
    cost: float = field(compare=False)
    call: Callable[[], Any] = field(compare=False)
    future: Future[Any] = field(compare=False)
    tries: int = field(default=0, compare=False)


class Pool:
    """Up to `workers` processes, each started when there is a job for it; a context manager.

    `preload` names modules that jobs need, loaded once for all workers where the system allows. `on_loss` is called
    when a worker is killed from outside: its job is tried once more, by one worker fewer.
    """

    def __init__(self, workers: int, preload: Sequence[str], on_loss: Callable[[str], None]) -> None:
        self.workers = workers
        # A forked process would inherit locks that threads of this one may hold; the fork server has no threads.
        forks = "forkserver" in multiprocessing.get_all_start_methods()
        self._context: BaseContext = multiprocessing.get_context("forkserver" if forks else "spawn")
        self._preload, self._on_loss = list(preload), on_loss
        self._changed = Condition()
        self._waiting: list[_Waiting] = []
        self._numbers = itertools.count()
        self._threads: list[Thread] = []
        self._processes: list[BaseProcess] = []
        self._idle, self._alive, self._closed = 0, 0, False
        self._decided_by_s = 0.0
        """Until when the first lane may decide."""
        self._of_first: dict[int, tuple[float, float]] = {}
        """Jobs of the first lane that run, by number: when they should end, and when at the latest."""

    @property
    def start_s(self) -> float:
        """How long it takes before a first job runs."""
        return 0.0 if self._alive else _START_S

    def submit(self, call: Callable[[], Result], priority: int, cost: float) -> Future[Done[Result]]:
        """Run a job in a worker."""
        future: Future[Done[Result]] = Future()
        with self._changed:
            if self._closed:
                raise MachineError(_LOST)
            heapq.heappush(self._waiting, _Waiting(priority, next(self._numbers), cost, call, future))
            if len(self._waiting) > self._idle and self._alive < self.workers:
                self._start()
            self._changed.notify()
        return future

    def expect(self, priority: int) -> None:
        """Soon more jobs of this priority follow."""
        if priority == 0:
            with self._changed:
                self._decided_by_s = time.monotonic() + _PATIENCE_S

    def _start(self) -> None:
        """Start a worker and the thread that serves it."""
        if not self._threads:
            self._context.set_forkserver_preload(self._preload)
        self._alive += 1
        thread = Thread(target=self._serve, args=(len(self._threads) + 1,), daemon=True)
        self._threads.append(thread)
        thread.start()

    def _serve(self, number: int) -> None:
        """Give jobs to one worker until the pool is closed or the worker is lost."""
        pipe: Connection | None = None
        job: _Waiting | None = None
        while (job := self._next(job)) is not None:
            try:
                if not job.tries and not job.future.set_running_or_notify_cancel():
                    continue
                pipe = pipe or self._worker(number)
                message = _asked(pipe, job.call)
            except (EOFError, OSError) as error:
                self._lost(job, error)
                return
            except Exception as error:
                # Most likely the job cannot be pickled.
                job.future.set_exception(error)
                continue
            if isinstance(message, Exception):
                job.future.set_exception(message)
            else:
                job.future.set_result(message)
        if pipe is not None:
            pipe.close()

    def _next(self, done: _Waiting | None) -> _Waiting | None:
        """The next job after the one before is done; those that would hold up the first lane wait for a moment."""
        with self._changed:
            self._idle += 1
            if done is not None and done.number in self._of_first:
                del self._of_first[done.number]
                self._changed.notify_all()
            while not self._closed:
                left_s = self._held_up_s(self._waiting[0]) if self._waiting else None
                if left_s is not None and left_s <= 0.0:
                    break
                self._changed.wait(left_s)
            self._idle -= 1
            if self._closed:
                return None
            job = heapq.heappop(self._waiting)
            if job.priority == 0:
                now_s = time.monotonic()
                self._of_first[job.number] = (now_s + job.cost, now_s + _SLOWEST * job.cost)
            return job

    def _held_up_s(self, job: _Waiting) -> float:
        """How long a job must wait, at most, so that it does not keep a worker from the first lane."""
        now_s = time.monotonic()
        if job.priority == 0 or self._idle > _KEPT_FREE:
            return 0.0
        ends_s, latest_s = map(max, zip(*self._of_first.values(), strict=True)) if self._of_first else (0.0, 0.0)
        # Begun now, it would lie beside the running jobs until they end, and in the way of those that follow from then.
        holds_up = now_s < latest_s and ends_s - now_s < job.cost / 2.0
        return max(self._decided_by_s, latest_s if holds_up else 0.0) - now_s

    def _worker(self, number: int) -> Connection:
        """Pipe to a new worker process."""
        run_end, worker_end = self._context.Pipe()
        process: BaseProcess = self._context.Process(target=_work, args=(worker_end, number), daemon=True)  # type: ignore[attr-defined]
        try:
            process.start()
        except OSError as error:
            raise MachineError(
                f"The system refuses to start another process ({error.strerror}). Run it again with --workers 1."
            ) from error
        worker_end.close()
        with self._changed:
            self._processes.append(process)
            if self._closed:
                process.terminate()
        return run_end

    def _lost(self, job: _Waiting, error: BaseException) -> None:
        """Try the job of a lost worker once more, with one worker fewer."""
        with self._changed:
            self._alive -= 1
            self._of_first.pop(job.number, None)
            if self._closed or job.tries + 1 == _MOST_TRIES:
                lost = MachineError(_LOST)
                lost.__cause__ = error
                job.future.set_exception(lost)
                return
            self.workers = max(1, self.workers - 1)
            heapq.heappush(self._waiting, replace(job, tries=job.tries + 1))
            if self._alive == 0:
                self._start()
            self._changed.notify()
        self._on_loss(
            "A part of this run was ended from outside, perhaps because memory ran out. "
            f"It is tried once more, on {self.workers} {'core' if self.workers == 1 else 'cores'}."
        )

    def stop(self) -> None:
        """Give up all jobs, those that run too; there will be no more."""
        with self._changed:
            self._closed = True
            waiting, self._waiting = self._waiting, []
            for process in self._processes:
                process.terminate()
            self._changed.notify_all()
        for job in waiting:
            if job.tries:
                job.future.set_exception(MachineError(_LOST))
                continue
            job.future.cancel()
            # Who waits for a future learns of its end only now.
            job.future.set_running_or_notify_cancel()

    def __enter__(self) -> Self:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self.stop()
        for thread in self._threads:
            thread.join()
        for process in self._processes:
            process.join()


def _asked(pipe: Connection, call: Callable[[], Any]) -> Any:
    pipe.send(call)
    return pipe.recv()


def _work(pipe: Connection, number: int) -> None:
    """Run the jobs that come through the pipe until it is closed."""
    # A keyboard interrupt reaches every process; only the run handles it.
    signal.signal(signal.SIGINT, signal.SIG_IGN)
    Thread(target=_end_with_run, daemon=True).start()
    with suppress(EOFError, OSError):
        while True:
            call = pipe.recv()
            try:
                done = perform(call, number)
            except Exception as error:
                error.add_note(traceback.format_exc())
                pipe.send(error)
            else:
                pipe.send(done)


def _end_with_run() -> None:
    """Wait until the run has ended, then end this process in the middle of its job."""
    run = multiprocessing.parent_process()
    if run is not None:
        run.join()
        os._exit(1)
