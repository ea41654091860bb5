"""Jobs in worker processes: results in order, errors passed on, no process left behind."""

from __future__ import annotations

import errno
import multiprocessing.context
import os
import signal
import subprocess
import sys
import time
from collections.abc import Iterator
from functools import partial
from pathlib import Path

import pytest

from morningmix.errors import MachineError, RecordingsError
from morningmix.workers.processes import SecondsDone, run_in_lockstep, run_parallel


def twice(number: int, told: SecondsDone) -> tuple[int, int]:
    told(float(number))
    return 2 * number, os.getpid()


def counted(first: int, count: int) -> Iterator[tuple[int, int]]:
    for number in range(first, first + count):
        yield number, os.getpid()


def broken_off() -> Iterator[tuple[int, int]]:
    yield 0, 0
    raise RecordingsError("kick.wav: the file cannot be read")


def refuse(told: SecondsDone) -> tuple[int, int]:
    told(1.0)
    raise RecordingsError("kick.wav: the file cannot be read")


def vanish(told: SecondsDone) -> tuple[int, int]:
    told(1.0)
    os.kill(os.getpid(), signal.SIGKILL)
    return 0, 0


@pytest.mark.parametrize("workers", [1, 2, 9])
def test_results_are_in_the_order_of_the_jobs_and_all_progress_is_reported(workers: int) -> None:
    seconds: list[float] = []
    found = run_parallel([partial(twice, number) for number in range(5)], workers, seconds.append)
    assert [doubled for doubled, _ in found] == [0, 2, 4, 6, 8]
    assert sorted(seconds) == [0.0, 1.0, 2.0, 3.0, 4.0]
    places = {pid for _, pid in found}
    assert places == {os.getpid()} if workers == 1 else os.getpid() not in places


@pytest.mark.parametrize("workers", [1, 2])
def test_an_error_in_a_job_is_raised_in_the_run(workers: int) -> None:
    with pytest.raises(RecordingsError, match="kick"):
        run_parallel([partial(twice, 1), refuse, partial(twice, 2)], workers, lambda _: None)


def test_jobs_in_lockstep_yield_one_item_each() -> None:
    jobs = [partial(counted, first, 4) for first in (0, 10, 20)]
    found = list(run_in_lockstep(jobs))
    assert [[number for number, _ in step] for step in found] == [[n, 10 + n, 20 + n] for n in range(4)]
    here, *there = (pid for _, pid in found[0])
    assert here == os.getpid()
    assert len({here, *there}) == 3


def test_an_error_in_a_lockstep_worker_is_raised_in_the_run() -> None:
    steps = run_in_lockstep([partial(counted, 0, 4), broken_off])
    assert next(steps) == ((0, os.getpid()), (0, 0))
    with pytest.raises(RecordingsError, match="kick"):
        next(steps)


@pytest.mark.skipif(sys.platform == "win32", reason="no SIGKILL there")
def test_a_killed_worker_is_one_clear_line() -> None:
    with pytest.raises(MachineError, match="ended from outside"):
        run_parallel([partial(twice, 1), vanish], 2, lambda _: None)


def test_a_system_that_starts_no_process_is_one_clear_line(monkeypatch: pytest.MonkeyPatch) -> None:
    def refuse_to_start(_: object) -> None:
        raise BlockingIOError(errno.EAGAIN, os.strerror(errno.EAGAIN))

    monkeypatch.setattr(multiprocessing.context.SpawnProcess, "start", refuse_to_start)
    with pytest.raises(MachineError, match="--workers 1"):
        run_parallel([partial(twice, 1), partial(twice, 2)], 2, lambda _: None)


ENDLESS = """
import os, signal, time
from morningmix.workers.processes import run_parallel

def job(told):
    open(f"{os.environ['PLACE']}/{os.getpid()}", "w").close()
    while True:
        time.sleep(0.02)
        told(0.02)

if __name__ == "__main__":
    # Whoever starts the tests in the background may have them ignore it.
    signal.signal(signal.SIGINT, signal.default_int_handler)
    run_parallel([job, job], 2, lambda _: None)
"""


@pytest.mark.skipif(sys.platform != "linux", reason="looks at /proc")
@pytest.mark.parametrize("how", ["SIGKILL", "SIGINT"])
def test_workers_end_with_the_run_that_started_them(how: str, tmp_path: Path) -> None:
    script = tmp_path / "endless.py"
    script.write_text(ENDLESS)
    place = tmp_path / "pids"
    place.mkdir()
    run = subprocess.Popen([sys.executable, script], env={**os.environ, "PLACE": str(place)}, stderr=subprocess.PIPE)
    patience = time.monotonic() + 60.0
    while len(list(place.iterdir())) < 2:
        assert run.poll() is None
        assert time.monotonic() < patience
        time.sleep(0.05)
    run.send_signal(signal.Signals[how])
    run.communicate(timeout=60.0)
    workers = [Path("/proc", path.name) for path in place.iterdir()]
    while any(worker.exists() and "State:\tZ" not in (worker / "status").read_text() for worker in workers):
        assert time.monotonic() < patience
        time.sleep(0.05)
