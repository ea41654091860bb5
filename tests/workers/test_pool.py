"""Jobs in worker processes: errors passed on, lost workers replaced once, no process left behind."""

from __future__ import annotations

import errno
import multiprocessing.process
import os
import platform
import signal
import subprocess
import sys
import time
from collections.abc import Callable, Iterator
from functools import partial
from pathlib import Path

import numpy as np
import pytest

from morningmix.errors import MachineError, RecordingsError
from morningmix.workers.pool import Pool


def twice(number: int) -> tuple[int, int]:
    return 2 * number, os.getpid()


def refuse() -> None:
    raise RecordingsError("kick.wav: the file cannot be read")


def vanish() -> None:
    os.kill(os.getpid(), signal.SIGKILL)


def vanish_once(place: Path) -> str:
    if not place.exists():
        place.write_text("")
        os.kill(os.getpid(), signal.SIGKILL)
    return "done"


def note(place: Path, number: int) -> None:
    with place.open("a") as file:
        file.write(f"{number}\n")


def wait_for(place: Path) -> None:
    while not place.exists():
        time.sleep(0.01)


def note_and_wait(begun: Path, until: Path) -> None:
    begun.touch()
    wait_for(until)


def started(pool: Pool, folder: Path) -> None:
    """Start all workers of a pool, so that whatever may begin begins at once."""
    begun = [folder / f"started {number}" for number in range(pool.workers)]
    jobs = [pool.submit(partial(note_and_wait, path, folder / "all"), 1, 1.0) for path in begun]
    while not all(path.exists() for path in begun):
        time.sleep(0.01)
    (folder / "all").touch()
    for one in jobs:
        one.result(60.0)


def cleared_pages() -> int:
    """How many pages the system clears while arrays are allocated and freed a second time."""
    import resource

    def cleared() -> int:
        for _ in range(20):
            [np.ones(100_000) for _ in range(6)]
        return resource.getrusage(resource.RUSAGE_SELF).ru_minflt

    before = cleared()
    return cleared() - before


@pytest.fixture
def losses() -> list[str]:
    return []


@pytest.fixture
def pool(losses: list[str]) -> Iterator[Pool]:
    with Pool(2, (), losses.append) as found:
        yield found


@pytest.mark.parametrize("workers", [1, 2, 9])
def test_every_job_is_done_in_another_process(workers: int) -> None:
    with Pool(workers, (), print) as pool:
        futures = [pool.submit(partial(twice, number), 0, 1.0) for number in range(12)]
        found = [future.result(60.0) for future in futures]
    assert [done.result[0] for done in found] == [2 * number for number in range(12)]
    assert os.getpid() not in {done.result[1] for done in found}
    # A worker is one process for the whole run.
    places = {(done.worker, done.result[1]) for done in found}
    assert len(places) == len({worker for worker, _ in places}) <= workers


@pytest.mark.skipif(platform.libc_ver()[0] != "glibc", reason="only the GNU C library gives memory back at once")
def test_a_worker_keeps_the_memory_that_it_frees(pool: Pool) -> None:
    # Without, it is over 20,000.
    assert pool.submit(cleared_pages, 0, 1.0).result(60.0).result < 1000


def test_an_error_is_raised_with_where_in_the_worker_it_arose(pool: Pool) -> None:
    error = pool.submit(refuse, 0, 1.0).exception(60.0)
    assert isinstance(error, RecordingsError)
    assert str(error) == "kick.wav: the file cannot be read"
    assert any("in refuse" in line for line in error.__notes__)
    # The worker is still good for others.
    assert pool.submit(partial(twice, 4), 0, 1.0).result(60.0).result[0] == 8


def test_a_job_that_cannot_be_sent_is_its_own_error(pool: Pool) -> None:
    with pytest.raises(Exception, match=r"[Pp]ickle"):
        pool.submit(lambda: 1, 0, 1.0).result(60.0)
    assert pool.submit(partial(twice, 4), 0, 1.0).result(60.0).result[0] == 8


def unsendable() -> Callable[[], int]:
    return lambda: 1


def test_a_result_that_cannot_be_sent_ends_the_job_with_an_error(pool: Pool) -> None:
    assert pool.submit(unsendable, 0, 1.0).exception(60.0) is not None
    assert pool.submit(partial(twice, 4), 0, 1.0).result(60.0).result[0] == 8


def test_lower_numbers_go_first_and_equal_ones_in_their_order(tmp_path: Path) -> None:
    with Pool(1, (), print) as pool:
        first = pool.submit(partial(wait_for, tmp_path / "go"), 9, 1.0)
        while not first.running():
            time.sleep(0.01)
        futures = [pool.submit(partial(note, tmp_path / "order", n), n // 10, 1.0) for n in (30, 10, 20, 11, 0, 31)]
        (tmp_path / "go").touch()
        for future in futures:
            future.result(60.0)
    assert (tmp_path / "order").read_text().split() == ["0", "10", "11", "20", "30", "31"]


def test_a_job_that_was_cancelled_is_not_done(tmp_path: Path) -> None:
    with Pool(1, (), print) as pool:
        first = pool.submit(partial(wait_for, tmp_path / "go"), 0, 1.0)
        while not first.running():
            time.sleep(0.01)
        second, third = (pool.submit(partial(note, tmp_path / "order", n), 0, 1.0) for n in (2, 3))
        assert second.cancel()
        (tmp_path / "go").touch()
        third.result(60.0)
    assert (tmp_path / "order").read_text() == "3\n"


@pytest.mark.skipif(sys.platform == "win32", reason="no SIGKILL there")
def test_the_job_of_a_killed_worker_is_tried_once_more_by_one_worker_fewer(
    pool: Pool, losses: list[str], tmp_path: Path
) -> None:
    assert pool.submit(partial(vanish_once, tmp_path / "here"), 0, 1.0).result(60.0).result == "done"
    assert len(losses) == 1
    assert "ended from outside" in losses[0]
    assert "tried once more, on 1 core." in losses[0]
    assert pool.workers == 1
    assert [pool.submit(partial(twice, n), 0, 1.0).result(60.0).result[0] for n in range(4)] == [0, 2, 4, 6]


@pytest.mark.skipif(sys.platform == "win32", reason="no SIGKILL there")
def test_a_job_that_kills_its_worker_twice_is_one_clear_line(pool: Pool, losses: list[str]) -> None:
    with pytest.raises(MachineError, match="ended from outside"):
        pool.submit(vanish, 0, 1.0).result(60.0)
    assert len(losses) == 1


def test_a_system_that_starts_no_process_is_one_clear_line(monkeypatch: pytest.MonkeyPatch) -> None:
    def refuse_to_start(_: object) -> None:
        raise BlockingIOError(errno.EAGAIN, os.strerror(errno.EAGAIN))

    monkeypatch.setattr(multiprocessing.process.BaseProcess, "start", refuse_to_start)
    with Pool(2, (), print) as pool, pytest.raises(MachineError, match="--workers 1"):
        pool.submit(partial(twice, 1), 0, 1.0).result(60.0)


def test_nothing_is_taken_after_the_end_and_what_waits_is_given_up(tmp_path: Path) -> None:
    with Pool(1, (), print) as pool:
        first = pool.submit(partial(wait_for, tmp_path / "never"), 0, 1.0)
        while not first.running():
            time.sleep(0.01)
        second = pool.submit(partial(twice, 1), 0, 1.0)
    assert isinstance(first.exception(10.0), MachineError)
    assert second.cancelled()
    with pytest.raises(MachineError):
        pool.submit(partial(twice, 1), 0, 1.0)


ENDLESS = """
import os, signal, time
from morningmix.workers.jobs import Job, Lane, Run, side_by_side
from morningmix.workers.pool import Pool
from morningmix.workers.progress import Meter, no_progress
from morningmix.workers.trace import Trace

def endless():
    open(f"{os.environ['PLACE']}/{os.getpid()}", "w").close()
    while True:
        time.sleep(0.02)

def work(lane):
    return lane.one(Job(what="", call=endless, cost=1.0))

if __name__ == "__main__":
    # Whoever starts the tests in the background may have them ignore it.
    signal.signal(signal.SIGINT, signal.default_int_handler)
    with Pool(2, (), print) as pool:
        run = Run(runner=pool, meter=Meter(no_progress), trace=Trace())
        if os.environ["LANES"] == "1":
            Lane(run).all([Job(what="", call=endless, cost=1.0)] * 2)
        else:
            side_by_side(run, [work] * 3, ())
"""


@pytest.mark.skipif(sys.platform != "linux", reason="looks at /proc")
@pytest.mark.parametrize("lanes", [1, 3])
@pytest.mark.parametrize("how", ["SIGKILL", "SIGINT"])
def test_workers_end_with_the_run_that_started_them(how: str, lanes: int, tmp_path: Path) -> None:
    script = tmp_path / "endless.py"
    script.write_text(ENDLESS)
    place = tmp_path / "pids"
    place.mkdir()
    surroundings = {**os.environ, "PLACE": str(place), "LANES": str(lanes)}
    run = subprocess.Popen([sys.executable, script], env=surroundings, stderr=subprocess.PIPE)
    patience = time.monotonic() + 60.0
    while len(list(place.iterdir())) < 2:
        assert run.poll() is None
        assert time.monotonic() < patience
        time.sleep(0.05)
    workers = [Path("/proc", path.name) for path in place.iterdir()]
    run.send_signal(signal.Signals[how])
    sent = time.monotonic()
    try:
        run.communicate(timeout=20.0)
    finally:
        run.kill()
    while any(worker.exists() and "State:\tZ" not in (worker / "status").read_text() for worker in workers):
        assert time.monotonic() < sent + 20.0
        time.sleep(0.05)


def test_a_job_that_follows_in_the_first_lane_goes_before_those_of_others(monkeypatch: pytest.MonkeyPatch) -> None:
    """Its lane gives it only when the batch before has ended; other jobs that wait already would take long."""
    monkeypatch.setattr("morningmix.workers.pool._PATIENCE_S", 60.0)
    with Pool(1, [], print) as pool:
        first = pool.submit(partial(twice, 1), 0, 1.0)
        first.add_done_callback(lambda _: pool.expect(0))
        other = pool.submit(partial(twice, 2), 1, 1.0)
        first.result()
        assert pool.submit(partial(twice, 3), 0, 1.0).result().result[0] == 6
        assert not other.done()


def test_no_worker_begins_another_job_while_the_first_lane_decides(
    monkeypatch: pytest.MonkeyPatch, tmp_path: Path
) -> None:
    """Nor one that was idle, nor while another job of the first lane runs; before and for other lanes they go on."""
    monkeypatch.setattr("morningmix.workers.pool._PATIENCE_S", 60.0)
    with Pool(2, [], print) as pool:
        running = pool.submit(partial(wait_for, tmp_path / "go on"), 0, 60.0)
        pool.expect(1)
        assert pool.submit(partial(twice, 1), 1, 1.0).result().result[0] == 2
        pool.expect(0)
        other = pool.submit(partial(twice, 2), 1, 1.0)
        time.sleep(0.2)
        (tmp_path / "go on").touch()
        running.result()
        assert not other.done()
        assert pool.submit(partial(twice, 3), 0, 1.0).result().result[0] == 6


@pytest.mark.parametrize(("cost", "begins"), [(10.0, True), (200.0, False)])
def test_a_job_that_would_end_long_after_those_of_the_first_lane_waits_for_them(
    cost: float, begins: bool, tmp_path: Path
) -> None:
    with Pool(2, [], print) as pool:
        started(pool, tmp_path)
        pool.submit(partial(wait_for, tmp_path / "go on"), 0, 30.0)
        other = pool.submit(partial(twice, 1), 1, cost)
        if begins:
            assert other.result(60.0).result[0] == 2
        time.sleep(0.2)
        assert other.done() == begins
        (tmp_path / "go on").touch()
        assert other.result(60.0).result[0] == 2


def test_no_more_than_two_workers_are_held_for_the_first_lane(tmp_path: Path) -> None:
    with Pool(4, [], print) as pool:
        started(pool, tmp_path)
        running = pool.submit(partial(wait_for, tmp_path / "go on"), 0, 30.0)
        begun = [tmp_path / str(number) for number in range(3)]
        others = [pool.submit(partial(note_and_wait, path, tmp_path / "go on"), 1, 200.0) for path in begun]
        until = time.monotonic() + 60.0
        while not any(path.exists() for path in begun):
            assert time.monotonic() < until
            time.sleep(0.01)
        time.sleep(0.2)
        assert sum(path.exists() for path in begun) == 1
        (tmp_path / "go on").touch()
        running.result(60.0)
        for other in others:
            other.result(60.0)
