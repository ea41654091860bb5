"""Mix several rehearsals; a bad one stops no other."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator
from concurrent.futures import FIRST_COMPLETED, Future, ThreadPoolExecutor, wait
from dataclasses import dataclass, replace
from itertools import islice

from morningmix.commands.order import Order
from morningmix.commands.result import Result
from morningmix.errors import MorningmixError
from morningmix.workers.jobs import Runner

_MOST_AT_A_TIME = 32
"""Rehearsals of which a cluster works on jobs; each takes some memory here (design choice)."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Mixed:
    """What came of one order: a result, or an error in words."""

    order: Order
    result: Result | None = None
    error: MorningmixError | None = None


def mix_several(
    orders: Iterable[Order], runner: Runner, at_a_time: int, mix_one: Callable[[Order], Result]
) -> Iterator[Mixed]:
    """Mix one rehearsal after the other, or `at_a_time`; yields each as soon as it is done.

    No more orders are drawn than are being worked on, however many there are.
    """
    waiting = (replace(order, runner=runner) for order in orders)
    if at_a_time == 1:
        yield from (_tried(order, mix_one) for order in waiting)
        return
    with ThreadPoolExecutor(at_a_time) as threads:
        busy: set[Future[Mixed]] = {threads.submit(_tried, order, mix_one) for order in islice(waiting, at_a_time)}
        while busy:
            done, busy = wait(busy, return_when=FIRST_COMPLETED)
            for future in done:
                busy |= {threads.submit(_tried, order, mix_one) for order in islice(waiting, 1)}
                yield future.result()


def at_a_time(workers: int) -> int:
    """On how many rehearsals a cluster of so many workers is kept busy."""
    return max(2, min(_MOST_AT_A_TIME, workers))


def _tried(order: Order, mix_one: Callable[[Order], Result]) -> Mixed:
    try:
        return Mixed(order=order, result=mix_one(order))
    except MorningmixError as error:
        return Mixed(order=order, error=error)
