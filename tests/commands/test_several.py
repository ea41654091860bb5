"""Several rehearsals: each as soon as it is done, whatever becomes of the others, and no more at a time than asked."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path
from threading import Barrier, Event

import pytest

from morningmix.commands.order import Order
from morningmix.commands.result import Result
from morningmix.commands.several import at_a_time, mix_several
from morningmix.errors import MorningmixError, RecordingsError
from morningmix.workers.jobs import Here

RUNNER = Here()


def result_of(order: Order) -> Result:
    """A result that tells whose it is."""
    place = order.cwd / order.source
    return Result(home=place, recipe=place, recipe_is_new=False, songs=(), inputs=(), findings=())


def orders(count: int, drawn: list[int]) -> Iterator[Order]:
    for number in range(count):
        drawn.append(number)
        yield Order(source=Path(f"{number}"), cwd=Path("archive"))


@pytest.mark.parametrize("together", [1, 2, 5])
def test_a_bad_rehearsal_stops_no_other(together: int) -> None:
    def mix_one(order: Order) -> Result:
        assert order.runner is RUNNER
        if order.source.name == "7":
            raise RecordingsError("there are no recordings in 7")
        return result_of(order)

    found = {mixed.order.source.name: mixed for mixed in mix_several(orders(20, []), RUNNER, together, mix_one)}
    assert set(found) == {str(number) for number in range(20)}
    assert [name for name, mixed in found.items() if mixed.result is None] == ["7"]
    assert isinstance(found["7"].error, MorningmixError)
    assert all(mixed.result == result_of(mixed.order) for mixed in found.values() if mixed.result)


def test_what_is_no_error_of_a_rehearsal_ends_all_of_them() -> None:
    def mix_one(_: Order) -> Result:
        raise ZeroDivisionError

    for together in (1, 2):
        with pytest.raises(ZeroDivisionError):
            list(mix_several(orders(4, []), RUNNER, together, mix_one))


@pytest.mark.parametrize("together", [1, 3])
def test_no_more_orders_are_drawn_than_are_worked_on(together: int) -> None:
    """An archive of ten thousand is listed as it is mixed."""
    drawn: list[int] = []
    for done, _ in enumerate(mix_several(orders(10_000, drawn), RUNNER, together, result_of), 1):
        assert len(drawn) <= done + together
        if done == 50:
            break
    assert len(drawn) <= 50 + together


def test_a_slow_rehearsal_holds_up_no_quick_one() -> None:
    quick_done, begun = Event(), Barrier(2, timeout=30.0)

    def mix_one(order: Order) -> Result:
        if order.source.name in ("0", "1"):
            begun.wait()
        if order.source.name == "0":
            assert quick_done.wait(30.0)
        return result_of(order)

    names = []
    for mixed in mix_several(orders(4, []), RUNNER, 2, mix_one):
        names.append(mixed.order.source.name)
        if len(names) == 3:
            quick_done.set()
    assert names == ["1", "2", "3", "0"]


def test_as_many_rehearsals_at_a_time_as_keep_a_cluster_busy() -> None:
    assert [at_a_time(workers) for workers in (1, 2, 8, 500)] == [2, 2, 8, 32]
