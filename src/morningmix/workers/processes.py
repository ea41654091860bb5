"""Run long jobs in worker processes: NumPy releases the GIL too briefly for threads to scale.

A worker has one pipe to the run that started it. When that run has ended, however it ended, the next message through
the pipe fails and the worker ends too.
"""

from __future__ import annotations

import multiprocessing
import signal
import sys
import traceback
from collections.abc import Callable, Generator, Iterator, Sequence
from contextlib import ExitStack, contextmanager, suppress
from dataclasses import dataclass
from functools import partial
from multiprocessing.connection import wait
from multiprocessing.process import BaseProcess
from typing import Any, Generic, TypeVar

from threadpoolctl import threadpool_limits

from morningmix.errors import MachineError

if sys.platform == "win32":
    from multiprocessing.connection import PipeConnection as Connection
else:
    from multiprocessing.connection import Connection

MOST_WORKERS = 60
"""Windows waits for at most 63 pipes at a time."""

Result = TypeVar("Result")
SecondsDone = Callable[[float], None]
"""Progress callback: receives the seconds of sound done since its last call."""


@dataclass(frozen=True, slots=True)
class _Done(Generic[Result]):
    result: Result


def run_parallel(
    jobs: Sequence[Callable[[SecondsDone], Result]], workers: int, progress: SecondsDone
) -> tuple[Result, ...]:
    """Results of the jobs in their order; each job is called with a progress callback.

    With one worker they run here one after the other; with more, jobs and results are pickled. An exception in a job is
    raised here and ends the others; raises `MachineError` if a worker is killed from outside.
    """
    if min(workers, len(jobs)) < 2:
        return tuple(job(progress) for job in jobs)
    results: dict[int, Result] = {}
    waiting = iter(enumerate(jobs))
    busy: dict[Connection, int] = {}

    def assign(pipe: Connection) -> None:
        index, job = next(waiting, (None, None))
        if index is not None:
            _send_job(pipe, job)
            busy[pipe] = index

    with ExitStack() as stack:
        for _ in range(min(workers, len(jobs), MOST_WORKERS)):
            assign(_worker(stack))
        while busy:
            ready = wait(list(busy))
            for pipe in [item for item in busy if item in ready]:
                message = _received(pipe)
                if isinstance(message, _Done):
                    results[busy.pop(pipe)] = message.result
                    assign(pipe)
                else:
                    progress(message)
    return tuple(results[index] for index in range(len(jobs)))


def run_in_lockstep(jobs: Sequence[Callable[[], Iterator[Result]]]) -> Generator[tuple[Result, ...], None, None]:
    """Yield one item of each job at a time; all jobs yield equally many. Close the generator if it is not exhausted.

    The first job runs here, the others each in a worker, at most one item ahead. Raises as `run_parallel` does.
    """
    with ExitStack() as stack:
        pipes = [_worker(stack) for _ in jobs[1:]]
        for pipe, job in zip(pipes, jobs[1:], strict=True):
            _send_job(pipe, partial(_send_all, job))
        for item in jobs[0]():
            yield (item, *(_received(pipe) for pipe in pipes))


def _send_all(job: Callable[[], Iterator[Any]], send: Callable[[Any], None]) -> None:
    for item in job():
        send(item)


def _worker(stack: ExitStack) -> Connection:
    """Pipe to a new worker process, which ends with the stack."""
    # Spawned, because a forked process would inherit locks that threads of this one may hold.
    context = multiprocessing.get_context("spawn")
    run_end, worker_end = context.Pipe()
    stack.callback(run_end.close)
    worker = context.Process(target=_work, args=(worker_end,), daemon=True)
    try:
        worker.start()
    except OSError as error:
        raise MachineError(
            f"The system starts no further process ({error.strerror}). Run it again with --workers 1."
        ) from error
    stack.callback(_end, worker)
    worker_end.close()
    return run_end


@contextmanager
def _broken_pipe_errors() -> Iterator[None]:
    """Turn a broken pipe into a `MachineError`."""
    try:
        yield
    except (EOFError, OSError) as error:
        raise MachineError(
            "A part of this run was ended from outside, perhaps because memory ran out. "
            "Close other programs and run it again; nothing is lost."
        ) from error


def _send_job(pipe: Connection, job: object) -> None:
    with _broken_pipe_errors():
        pipe.send(job)


def _received(pipe: Connection) -> Any:
    with _broken_pipe_errors():
        message = pipe.recv()
    if isinstance(message, Exception):
        raise message
    return message


def _end(worker: BaseProcess) -> None:
    worker.terminate()
    worker.join()


def _work(pipe: Connection) -> None:
    """Run the jobs that come through the pipe until it is closed."""
    # A keyboard interrupt reaches every process; only the run handles it.
    signal.signal(signal.SIGINT, signal.SIG_IGN)
    with suppress(EOFError, OSError):
        while True:
            job = pipe.recv()
            try:
                with threadpool_limits(1):
                    result = job(pipe.send)
            except Exception as error:
                error.add_note(traceback.format_exc())
                pipe.send(error)
            else:
                pipe.send(_Done(result))
