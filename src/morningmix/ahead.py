"""Work that is done in a pool one step ahead of who uses it."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator
from concurrent.futures import Executor, Future
from typing import TypeVar

Item = TypeVar("Item")
Made = TypeVar("Made")


def one_ahead(pool: Executor, make: Callable[[Item], Made], items: Iterable[Item]) -> Iterator[Made]:
    """What `make` makes of each item, in order, one after the other; `make` must not wait for the pool itself.

    While one is used, the next is made. Raises what `make` raises.
    """
    waiting: Future[Made] | None = None
    for item in items:
        last, waiting = waiting, pool.submit(after, waiting, make, item)
        if last is not None:
            yield last.result()
    if waiting is not None:
        yield waiting.result()


def after(last: Future[Made] | None, make: Callable[[Item], Made], item: Item) -> Made:
    """Make it once the last one is made, for jobs of a pool that starts them in order: then this never waits long."""
    if last is not None:
        last.result()
    return make(item)
