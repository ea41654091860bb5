"""Long jobs in processes of their own: threads of one process wait for each other at nearly every array operation.

A worker has one pipe, to the run that started it. When that run is gone, however it ended, the next word through the
pipe fails, and the worker ends too.
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
"""Told the seconds of sound that were done since it was last told."""


@dataclass(frozen=True, slots=True)
class _Done(Generic[Result]):
    result: Result


def run_parallel(
    jobs: Sequence[Callable[[SecondsDone], Result]], workers: int, progress: SecondsDone
) -> tuple[Result, ...]:
    """What the jobs return, in their order; each is called with its own way to tell progress.

    With one worker they run here, one after the other; with more, jobs and results travel as pickles. What a job
    raises is raised here, and the others are ended; `MachineError` if a worker is ended from outside.
    """
    if min(workers, len(jobs)) < 2:
        return tuple(job(progress) for job in jobs)
    results: dict[int, Result] = {}
    waiting = iter(enumerate(jobs))
    busy: dict[Connection, int] = {}

    def employ(line: Connection) -> None:
        index, job = next(waiting, (None, None))
        if index is not None:
            _give(line, job)
            busy[line] = index

    with ExitStack() as stack:
        for _ in range(min(workers, len(jobs), MOST_WORKERS)):
            employ(_worker(stack))
        while busy:
            ready = wait(list(busy))
            for line in [one for one in busy if one in ready]:
                said = _heard(line)
                if isinstance(said, _Done):
                    results[busy.pop(line)] = said.result
                    employ(line)
                else:
                    progress(said)
    return tuple(results[index] for index in range(len(jobs)))


def run_in_lockstep(jobs: Sequence[Callable[[], Iterator[Result]]]) -> Generator[tuple[Result, ...], None, None]:
    """What several jobs give, one thing of each at a time; all give equally many. Close it when it is not used up.

    The first job runs here, each of the others in a worker, a thing ahead at most. Raises as `side_by_side` does.
    """
    with ExitStack() as stack:
        lines = [_worker(stack) for _ in jobs[1:]]
        for line, job in zip(lines, jobs[1:], strict=True):
            _give(line, partial(_tell_all, job))
        for one in jobs[0]():
            yield (one, *(_heard(line) for line in lines))


def _tell_all(job: Callable[[], Iterator[Any]], told: Callable[[Any], None]) -> None:
    for one in job():
        told(one)


def _worker(stack: ExitStack) -> Connection:
    """Start a process that waits for jobs, and ends with the stack; returns the line to it."""
    # Spawned, because a forked process would inherit locks that threads of this one may hold.
    context = multiprocessing.get_context("spawn")
    ours, theirs = context.Pipe()
    stack.callback(ours.close)
    worker = context.Process(target=_work, args=(theirs,), daemon=True)
    try:
        worker.start()
    except OSError as error:
        raise MachineError(
            f"The system starts no further process ({error.strerror}). Run it again with --workers 1."
        ) from error
    stack.callback(_end, worker)
    theirs.close()
    return ours


@contextmanager
def _still_there() -> Iterator[None]:
    """Turn a line that broke into a `MachineError`."""
    try:
        yield
    except (EOFError, OSError) as error:
        raise MachineError(
            "A part of this run was ended from outside, perhaps because memory ran out. "
            "Close other programs and run it again; nothing is lost."
        ) from error


def _give(line: Connection, job: object) -> None:
    with _still_there():
        line.send(job)


def _heard(line: Connection) -> Any:
    with _still_there():
        said = line.recv()
    if isinstance(said, Exception):
        raise said
    return said


def _end(worker: BaseProcess) -> None:
    worker.terminate()
    worker.join()


def _work(line: Connection) -> None:
    """Do what comes through the line until it is closed."""
    # An interrupt from the keyboard reaches every process; it is the run's to act on.
    signal.signal(signal.SIGINT, signal.SIG_IGN)
    with suppress(EOFError, OSError):
        while True:
            job = line.recv()
            try:
                with threadpool_limits(1):
                    result = job(line.send)
            except Exception as error:
                error.add_note(traceback.format_exc())
                line.send(error)
            else:
                line.send(_Done(result))
