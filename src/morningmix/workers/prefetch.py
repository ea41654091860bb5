"""Work that is done in a pool one step ahead of who uses it."""

from __future__ import annotations

from collections.abc import Callable, Generator, Iterable
from concurrent.futures import Executor, Future, wait
from typing import Any, TypeVar

Item = TypeVar("Item")
Made = TypeVar("Made")


def prefetch(pool: Executor, make: Callable[[Item], Made], items: Iterable[Item]) -> Generator[Made, None, None]:
    """What `make` makes of each item, in order, one after the other; `make` must not wait for the pool itself.

    While one is used, the next is made. Raises what `make` raises. Close it when it is not used up: then nothing is
    being made any more.
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
    """Make it once the last one is made. In a pool that starts its jobs in order it waits for nothing unbegun."""
    if last is not None:
        last.result()
    return make(item)


def cancel_or_wait(jobs: Iterable[Future[Any]]) -> None:
    """Wait for the jobs that have begun; the others never will."""
    wait([job for job in jobs if not job.cancel()])
