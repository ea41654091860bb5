"""Prefetching: in order, one at a time, errors passed on."""

from __future__ import annotations

import time
from concurrent.futures import ThreadPoolExecutor
from threading import Event

import pytest

from morningmix.workers.prefetch import after, prefetch


@pytest.mark.parametrize("workers", [1, 3])
def test_items_come_in_order_and_are_made_one_after_the_other(workers: int) -> None:
    at_work: list[int] = []

    def square(number: int) -> int:
        at_work.append(number)
        assert at_work == [number], "two at a time"
        time.sleep(0.002)
        at_work.remove(number)
        return number * number

    with ThreadPoolExecutor(workers) as pool:
        assert list(prefetch(pool, square, range(20))) == [number * number for number in range(20)]
        assert list(prefetch(pool, square, [])) == []


def test_the_next_item_is_made_while_one_is_used() -> None:
    made = [Event() for _ in range(4)]

    def make(number: int) -> int:
        made[number].set()
        return number

    with ThreadPoolExecutor(1) as pool:
        for number in prefetch(pool, make, range(4)):
            if number < 3:
                assert made[number + 1].wait(5.0)
            if number < 2:
                assert not made[number + 2].is_set()


def test_errors_are_raised_where_the_item_is_used() -> None:
    def make(number: int) -> int:
        if number == 2:
            raise ValueError("two")
        return number

    with ThreadPoolExecutor(2) as pool:
        squares = prefetch(pool, make, range(5))
        assert (next(squares), next(squares)) == (0, 1)
        with pytest.raises(ValueError, match="two"):
            next(squares)


def test_nothing_is_made_after_a_failure() -> None:
    made = []

    def make(number: int) -> int:
        made.append(number)
        if number == 0:
            raise ValueError("none")
        return number

    with ThreadPoolExecutor(2) as pool:
        first = pool.submit(after, None, make, 0)
        second = pool.submit(after, first, make, 1)
        with pytest.raises(ValueError, match="none"):
            second.result()
    assert made == [0]


def test_after_closing_early_no_job_is_running() -> None:
    at_work: list[int] = []

    def make(number: int) -> int:
        at_work.append(number)
        time.sleep(0.05)
        at_work.remove(number)
        return number

    with ThreadPoolExecutor(2) as pool:
        numbers = prefetch(pool, make, range(9))
        assert next(numbers) == 0
        numbers.close()
        assert not at_work
