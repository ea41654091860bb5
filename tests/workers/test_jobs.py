"""Jobs in lanes: results in order, errors passed on, what depends on what."""

from __future__ import annotations

import json
import time
from concurrent.futures import CancelledError, Future
from functools import partial
from threading import Event, Thread
from typing import Any

import pytest

from lanes import lane_here, lane_of
from morningmix.errors import RecordingsError
from morningmix.workers.jobs import Done, Job, Lane, Result, Run, perform, side_by_side
from morningmix.workers.progress import Meter, no_progress
from morningmix.workers.trace import Trace


def job(call: Any, what: str = "work", cost: float = 1.0) -> Job[Any]:
    return Job(what=what, call=call, cost=cost)


def twice(number: int, wait_s: float = 0.0) -> int:
    time.sleep(wait_s)
    return 2 * number


def refuse() -> int:
    raise RecordingsError("kick.wav: the file cannot be read")


class Later:
    """Runs jobs when the test says so, in threads of the test."""

    start_s = 0.0
    workers = 2

    def __init__(self) -> None:
        self.waiting: list[tuple[int, Any, Future[Done[Any]]]] = []
        self.submitted = Event()
        self.expected: list[int] = []

    def expect(self, priority: int) -> None:
        self.expected.append(priority)

    def submit(self, call: Any, priority: int, cost: float) -> Future[Done[Result]]:  # noqa: ARG002 - the protocol
        future: Future[Done[Any]] = Future()
        self.waiting.append((priority, call, future))
        self.submitted.set()
        return future

    def stop(self) -> None:
        pass


def run_of(runner: Any) -> Run:
    return Run(runner=runner, meter=Meter(no_progress), trace=Trace())


# ---------------------------------------------------------------- batches


def test_more_jobs_of_a_lane_are_expected_when_its_batch_has_ended_and_not_before() -> None:
    runner = Later()
    thread = Thread(target=Lane(run_of(runner), 3).all, args=([job(partial(twice, number)) for number in range(2)],))
    thread.start()
    while len(runner.waiting) < 2:
        time.sleep(0.01)
    (_, one, future), (_, other, other_future) = runner.waiting
    other_future.set_result(perform(other))
    assert runner.expected == []
    future.set_result(perform(one))
    thread.join()
    assert runner.expected == [3]


@pytest.mark.parametrize("workers", [1, 3])
def test_results_are_in_the_order_of_the_jobs(workers: int) -> None:
    with lane_of(workers) as lane:
        assert lane.all([job(partial(twice, number, 0.05 * (3 - number))) for number in range(4)]) == [0, 2, 4, 6]
        assert lane.all([]) == []
        assert lane.one(job(partial(twice, 21))) == 42


def test_what_costs_most_goes_first() -> None:
    done: list[str] = []
    jobs = [job(partial(done.append, name), cost=cost) for name, cost in (("a", 1.0), ("b", 3.0), ("c", 1.0))]
    lane_here().all(jobs)
    assert done == ["b", "a", "c"]


def test_what_is_done_aside_goes_with_the_next_batch_and_after_it() -> None:
    runner = Later()
    done: list[float] = []
    run = Run(runner=runner, meter=Meter(lambda _, fraction: done.append(fraction)), trace=Trace())
    run.meter.expect(1.0)
    lane = Lane(run)
    lane.aside([job(refuse, cost=100.0), job(partial(twice, 3), cost=100.0)])
    assert not runner.waiting
    thread = Thread(target=lane.one, args=(job(partial(twice, 2), cost=0.5),))
    thread.start()
    runner.submitted.wait(10.0)
    while len(runner.waiting) < 3:
        time.sleep(0.001)
    assert [priority for priority, *_ in runner.waiting] == [0, 1, 1]
    # The batch waits for its own job alone, and what goes wrong aside is nobody's matter yet.
    for _, call, future in [*runner.waiting[1:], runner.waiting[0]]:
        try:
            future.set_result(perform(call))
        except RecordingsError as error:
            future.set_exception(error)
    thread.join(10.0)
    assert not thread.is_alive()
    assert len(json.loads(run.trace.text())["traceEvents"]) == 2
    assert done[-1] == pytest.approx(0.5)


def test_one_worker_does_nothing_aside() -> None:
    lane = lane_here()
    lane.aside([job(refuse)])
    assert lane.one(job(partial(twice, 2))) == 4


@pytest.mark.parametrize("workers", [1, 2])
def test_an_error_in_a_job_is_raised(workers: int) -> None:
    with lane_of(workers) as lane, pytest.raises(RecordingsError, match="kick"):
        lane.all([job(partial(twice, 1)), job(refuse), job(partial(twice, 2))])


def test_the_rest_of_a_batch_is_cancelled_after_an_error() -> None:
    runner = Later()
    raised: list[BaseException] = []

    def run() -> None:
        try:
            Lane(run_of(runner)).all([job(partial(twice, number)) for number in range(4)])
        except RecordingsError as error:
            raised.append(error)

    thread = Thread(target=run)
    thread.start()
    while len(runner.waiting) < 4:
        assert runner.submitted.wait(10.0)
    futures = [future for *_, future in runner.waiting]
    futures[0].set_running_or_notify_cancel()
    futures[1].set_running_or_notify_cancel()
    futures[1].set_exception(RecordingsError("kick.wav: the file cannot be read"))
    thread.join(10.0)
    assert [str(error) for error in raised] == ["kick.wav: the file cannot be read"]
    assert [future.cancelled() for future in futures] == [False, False, True, True]


def test_nothing_more_is_begun_here_after_an_error() -> None:
    begun: list[int] = []
    with pytest.raises(RecordingsError):
        lane_here().all([job(refuse), job(partial(begun.append, 1))])
    assert begun == []


def test_a_batch_depends_on_the_one_before() -> None:
    lane = lane_here()
    lane.all([job(partial(twice, 1), "first"), job(partial(twice, 2), "first")])
    lane.all([])
    lane.one(job(partial(twice, 3), "second"))
    lane.all([job(partial(twice, 4), "third"), job(partial(twice, 5), "third")])
    events = lane.run.trace.events
    numbers = {what: {event.number for event in events if event.what == what} for what in ("first", "second", "third")}
    needs = {what: {event.needs for event in events if event.what == what} for what in numbers}
    assert len({event.number for event in events}) == 5
    assert needs["first"] == {()}
    assert {frozenset(one) for one in needs["second"]} == {frozenset(numbers["first"])}
    assert {frozenset(one) for one in needs["third"]} == {frozenset(numbers["second"])}
    assert set(lane.last) == numbers["third"]


@pytest.mark.parametrize("workers", [1, 2])
def test_what_is_done_is_counted_and_traced(workers: int) -> None:
    shown: list[float] = []
    with lane_of(workers) as lane:
        run = Run(runner=lane.run.runner, meter=Meter(lambda _, done: shown.append(done)), trace=Trace())
        run.meter.expect(4.0)
        before = time.time()
        Lane(run).all([job(partial(twice, number), cost=cost) for number, cost in ((1, 1.0), (2, 3.0))])
        after = time.time()
    assert shown[0] == 0.0
    assert shown[-1] == 1.0
    assert set(shown) <= {0.0, 0.25, 0.75, 1.0}
    for event in run.trace.events:
        assert before <= event.start_s <= event.end_s <= after
        assert (event.worker == 0) == (workers == 1)


def test_a_job_that_failed_is_not_counted() -> None:
    lane = lane_here()
    with pytest.raises(RecordingsError):
        lane.all([job(partial(twice, 1)), job(refuse)])
    assert len(lane.run.trace.events) == 1


def test_performing_says_when_and_where() -> None:
    done = perform(partial(twice, 3, 0.01), 7)
    assert (done.result, done.worker) == (6, 7)
    assert done.end_s - done.start_s >= 0.01


# ---------------------------------------------------------------- lanes


def work(number: int, lane: Lane) -> int:
    total = 0
    for step in range(2):
        total += lane.one(job(partial(twice, number, 0.02), f"{number}.{step}"))
    return total


@pytest.mark.parametrize("workers", [1, 2])
def test_works_side_by_side_keep_their_order_and_know_what_they_need(workers: int) -> None:
    with lane_of(workers) as lane:
        lane.one(job(partial(twice, 0), "before"))
        found = side_by_side(lane.run, [partial(work, number) for number in range(6)], lane.last)
        assert side_by_side(lane.run, [], lane.last) == []
    assert found == [0, 4, 8, 12, 16, 20]
    events = {event.what: event for event in lane.run.trace.events}
    for number in range(6):
        assert events[f"{number}.0"].needs == (events["before"].number,)
        assert events[f"{number}.1"].needs == (events[f"{number}.0"].number,)
        assert events[f"{number}.1"].start_s >= events[f"{number}.0"].end_s


def test_with_one_worker_one_work_follows_the_other() -> None:
    lane = lane_here()
    side_by_side(lane.run, [partial(work, number) for number in range(3)], ())
    assert [event.what for event in lane.run.trace.events] == ["0.0", "0.1", "1.0", "1.1", "2.0", "2.1"]


def test_the_first_work_has_the_lowest_number() -> None:
    class Noting(Later):
        def submit(self, call: Any, priority: int, cost: float) -> Future[Done[Result]]:
            future = super().submit(call, priority, cost)
            future.set_result(perform(call))
            return future

    runner = Noting()
    side_by_side(run_of(runner), [lambda lane, n=n: lane.one(job(partial(twice, n))) for n in range(3)], ())
    priority_of = {call.args[0]: priority for priority, call, _ in runner.waiting}
    assert priority_of == {0: 0, 1: 1, 2: 2}


@pytest.mark.parametrize("workers", [1, 2])
def test_an_error_in_a_work_is_raised_and_the_rest_is_not_begun(workers: int) -> None:
    begun: list[int] = []

    def fail(number: int, lane: Lane) -> int:
        begun.append(number)
        return lane.one(job(refuse)) if number == 0 else work(number, lane)

    with lane_of(workers) as lane, pytest.raises(RecordingsError, match="kick"):
        side_by_side(lane.run, [partial(fail, number) for number in range(40)], ())
    assert len(begun) < 40


@pytest.mark.parametrize("workers", [1, 2])
def test_a_lane_splits_and_goes_on_when_all_works_are_done(workers: int) -> None:
    with lane_of(workers) as lane:
        lane.one(job(partial(twice, 0), "before"))
        assert lane.split([partial(work, number) for number in range(3)]) == [0, 4, 8]
        assert lane.split([]) == []
        lane.one(job(partial(twice, 3), "after"))
    events = {event.what: event for event in lane.run.trace.events}
    assert {events[f"{number}.0"].needs for number in range(3)} == {(events["before"].number,)}
    assert set(events["after"].needs) == {events[f"{number}.1"].number for number in range(3)}


def test_the_works_of_a_lane_go_as_early_as_the_lane() -> None:
    class Noting(Later):
        def submit(self, call: Any, priority: int, cost: float) -> Future[Done[Result]]:
            future = super().submit(call, priority, cost)
            future.set_result(perform(call))
            return future

    runner = Noting()
    Lane(run_of(runner), 5).split([partial(work, number) for number in range(3)])
    assert {priority for priority, *_ in runner.waiting} == {5}


def test_a_lane_that_is_given_up_gives_up_its_works() -> None:
    lane = lane_here()

    def give_up(inner: Lane) -> None:
        lane.give_up()
        inner.one(job(partial(twice, 1)))

    with pytest.raises(CancelledError):
        lane.split([give_up])
    assert lane.run.trace.events == []


# ---------------------------------------------------------------- trace


def test_the_trace_is_in_the_trace_event_format() -> None:
    lane = lane_here()
    lane.all([job(partial(twice, 1, 0.01), 'a "quoted" job'), job(partial(twice, 2), "Ünïcode")])
    lane.one(job(partial(twice, 3)))
    read = json.loads(lane.run.trace.text())
    rows = read["traceEvents"]
    assert [row["name"] for row in rows] == ['a "quoted" job', "Ünïcode", "work"]
    for row in rows:
        assert row["ph"] == "X"
        assert all(isinstance(row[name], int) and row[name] >= 0 for name in ("ts", "dur", "pid", "tid"))
    assert rows[0]["ts"] == 0
    assert rows[0]["dur"] >= 10_000
    assert [row["ts"] for row in rows] == sorted(row["ts"] for row in rows)
    first, second, third = (row["args"] for row in rows)
    assert third["needs"] == [first["number"], second["number"]]
    assert json.loads(Trace().text()) == {"traceEvents": []}
