"""Prefetch one item on a thread pool."""

from __future__ import annotations

from collections.abc import Callable, Generator, Iterable
from concurrent.futures import Executor, Future, wait
from typing import Any, TypeVar

Item = TypeVar("Item")
Made = TypeVar("Made")


def prefetch(pool: Executor, make: Callable[[Item], Made], items: Iterable[Item]) -> Generator[Made, None, None]:
    """Yield `make(item)` for each item in order, while the next one is made; `make` must not wait for the pool itself.

    Raises what `make` raises. Close the generator if it is not exhausted: then no job is left running.
    """
    last: Future[Made] | None = None
    ahead: Future[Made] | None = None
    try:
        for item in items:
            last, ahead = ahead, pool.submit(after, ahead, make, item)
            if last is not None:
                yield last.result()
        if ahead is not None:
            yield ahead.result()
    finally:
        cancel_or_wait(job for job in (last, ahead) if job is not None)


def after(last: Future[Made] | None, make: Callable[[Item], Made], item: Item) -> Made:
    """`make(item)` after the last job has finished. A pool starts jobs in order, so the last one is always running."""
    if last is not None:
        last.result()
    return make(item)


def cancel_or_wait(jobs: Iterable[Future[Any]]) -> None:
    """Cancel the jobs that have not started, and wait for the others."""
    wait([job for job in jobs if not job.cancel()])
