"""Progress of a run never falls."""

from __future__ import annotations

from threading import Thread

import pytest
from hypothesis import given
from hypothesis import strategies as st

from morningmix.workers.progress import Meter

COSTS = st.floats(0.0, 1e4)


@given(st.lists(st.one_of(st.tuples(st.just("expect"), COSTS), st.tuples(st.just("did"), COSTS)), max_size=30))
def test_the_fraction_never_falls_and_stays_within_the_whole(calls: list[tuple[str, float]]) -> None:
    shown: list[float] = []
    meter = Meter(lambda _, fraction: shown.append(fraction))
    for name, cost in calls:
        (meter.expect if name == "expect" else meter.did)(cost)
    assert shown == sorted(shown)
    assert all(0.0 <= fraction <= 1.0 for fraction in shown)


def test_it_is_what_was_done_of_what_is_expected_from_there_on() -> None:
    shown: list[tuple[str, float]] = []
    meter = Meter(lambda *one: shown.append(one))
    meter.step("listening")
    meter.expect(4.0)
    meter.did(1.0)
    meter.expect(9.0)
    meter.step("mixing")
    meter.did(4.0)
    meter.did(5.0)
    assert shown == [
        ("listening", 0.0),
        ("listening", 0.0),
        ("listening", 0.25),
        ("listening", 0.25),
        ("mixing", 0.25),
        ("mixing", 0.5),
        ("mixing", 1.0),
    ]


def test_every_thread_is_counted() -> None:
    shown: list[float] = []
    meter = Meter(lambda _, fraction: shown.append(fraction))
    meter.expect(4_000.0)
    threads = [Thread(target=lambda: [meter.did(1.0) for _ in range(1_000)]) for _ in range(4)]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()
    assert shown == sorted(shown)
    assert shown[-1] == pytest.approx(1.0)
