"""Jobs on a Dask cluster: results, errors, how many wait at a time; whole rehearsals give the same bytes."""

from __future__ import annotations

import hashlib
import json
import os
import shutil
import signal
import subprocess
import sys
import time
from collections.abc import Callable, Iterator
from concurrent.futures import Future, ThreadPoolExecutor
from functools import partial
from pathlib import Path
from threading import Lock
from typing import Any

import pytest
from distributed import Client, LocalCluster  # noqa: TID251 - the cluster of the tests

from lanes import lane_here
from morningmix.commands.mix import mix
from morningmix.commands.order import Order
from morningmix.errors import MachineError, RecordingsError, UsageError
from morningmix.workers.cluster import MOST_WAITING, Cluster, connected
from morningmix.workers.jobs import Done, Job, Lane, Run
from synthetic import write_take

pytestmark = [
    pytest.mark.slow,
    # What Dask leaves open at its end.
    pytest.mark.filterwarnings("ignore::ResourceWarning", "ignore::DeprecationWarning"),
]


@pytest.fixture(scope="module")
def address() -> Iterator[str]:
    with LocalCluster(n_workers=2, threads_per_worker=1, processes=True, dashboard_address=None) as cluster:
        yield cluster.scheduler_address


def twice(number: int) -> int:
    return 2 * number


def place(_: int) -> int:
    return os.getpid()


def refuse() -> int:
    raise RecordingsError("kick.wav: the file cannot be read")


def lane_on(cluster: Cluster) -> Lane:
    here = lane_here().run
    return Lane(Run(runner=cluster, meter=here.meter, trace=here.trace))


def jobs(call: object, count: int) -> list[Job[int]]:
    return [Job(what="test", call=partial(call, number), cost=0.0) for number in range(count)]  # type: ignore[arg-type]


def test_results_are_in_order_and_come_from_other_processes(address: str) -> None:
    with connected(address) as cluster:
        assert lane_on(cluster).all(jobs(twice, 9)) == [0, 2, 4, 6, 8, 10, 12, 14, 16]
        assert os.getpid() not in lane_on(cluster).all(jobs(place, 9))
        assert cluster.workers == 2


def test_an_error_is_the_one_that_the_job_raised(address: str) -> None:
    with connected(address) as cluster, pytest.raises(RecordingsError, match=r"kick\.wav"):
        lane_on(cluster).one(Job(what="test", call=refuse, cost=0.0))


def test_however_many_jobs_there_are_the_scheduler_holds_a_few_hundred(address: str) -> None:
    with connected(address) as cluster:
        waiting = 0
        futures: list[Future[object]] = []
        for number in range(4 * MOST_WAITING):
            futures.append(cluster.submit(partial(twice, number), 0, 1.0))  # type: ignore[arg-type]
            waiting = max(waiting, sum(not future.done() for future in futures))
        assert [future.result().result for future in futures] == [2 * n for n in range(len(futures))]  # type: ignore[attr-defined]
    # One more may be between done and counted.
    assert waiting <= MOST_WAITING + 1


class Threads:
    """In place of a client of Dask: jobs on two threads here, and how many it holds at most."""

    def __init__(self, threads: ThreadPoolExecutor) -> None:
        self._threads, self._lock = threads, Lock()
        self.held = self.most = 0

    def submit(self, _: object, call: Callable[[], int], *, priority: int, pure: bool) -> Future[Done[int]]:
        assert (priority, pure) == (0, False)
        with self._lock:
            self.held += 1
            self.most = max(self.most, self.held)
        future = self._threads.submit(lambda: Done(result=call(), start_s=0.0, end_s=0.0, worker=0))
        future.add_done_callback(self._done)
        return future

    def _done(self, _: Future[Any]) -> None:
        with self._lock:
            self.held -= 1


def test_a_plan_of_ten_thousand_jobs_is_handed_over_a_few_hundred_at_a_time() -> None:
    with ThreadPoolExecutor(2) as threads:
        client = Threads(threads)
        assert lane_on(Cluster(client)).all(jobs(twice, 10_000)) == list(range(0, 20_000, 2))
    assert MOST_WAITING // 2 < client.most <= MOST_WAITING


def test_an_address_where_nobody_answers_is_one_line() -> None:
    with pytest.raises(UsageError, match="dask scheduler"), connected("nowhere"):
        pass


REHEARSALS = 20
BAD = "07"


@pytest.fixture
def evening(tmp_path: Path) -> Path:
    """A bass and a singer for three seconds."""
    write_take(tmp_path / "take", 3.0, 16_000)
    for path in (tmp_path / "take").iterdir():
        if path.stem not in ("bass", "lead vocal"):
            path.unlink()
    return tmp_path


def test_twenty_rehearsals_come_out_as_here_one_by_one_and_a_bad_one_stops_no_other(
    address: str, evening: Path
) -> None:
    names = [f"{number:02d}" for number in range(REHEARSALS)]
    archive = evening / "archive"
    for name in names:
        (archive / name).mkdir(parents=True)
        tracks = "../../nowhere" if name == BAD else "../../take"
        text = f'recipe = 1\n[rehearsal]\ntracks = "{tracks}"\ntitle = "Thursday"\n'
        (archive / name / "recipe.toml").write_text(text, encoding="utf-8")
    command = [sys.executable, "-m", "morningmix", "mix", "--all", "archive", "--cluster", address, "--json"]
    with subprocess.Popen(command, cwd=evening, stdout=subprocess.PIPE, text=True) as process:
        assert process.stdout is not None
        lines = [process.stdout.readline()]
        mixed_by_then = len(list(archive.glob("*/mixes/01 *")))
        lines += process.stdout.readlines()
    # The first line is there long before the last rehearsal is.
    assert mixed_by_then < REHEARSALS // 2
    facts = [json.loads(line) for line in lines]
    assert len(facts) == REHEARSALS
    assert process.returncode == 4
    (wrong,) = [each for each in facts if "error" in each]
    assert "nowhere" in wrong["error"]
    mixed = [archive / name / "mixes" for name in names if name != BAD]
    shutil.copytree(archive / names[0], archive / "here")
    shutil.rmtree(archive / "here" / "mixes")
    mix(Order(source=archive / "here" / "recipe.toml", cwd=evening, workers=1))
    here = digests(archive / "here" / "mixes")
    assert len(here) > 4
    assert all(digests(mixes) == here for mixes in mixed)


def die_once(died: Path, call: Callable[[], object]) -> object:
    """Do a job, and let the worker be killed before it can say so; the second time it may."""
    result = call()
    if not died.exists():
        died.touch()
        os.kill(os.getpid(), signal.SIGKILL)
    return result


class Fatal(Cluster):
    """A cluster of which a worker is killed at the end of one job."""

    def __init__(self, client: object, job: int, died: Path) -> None:
        super().__init__(client)
        self.left, self._died = job, died

    def submit(self, call: Callable[[], Any], priority: int, cost: float) -> Future[Any]:
        self.left -= 1
        return super().submit(partial(die_once, self._died, call) if self.left == 0 else call, priority, cost)


@pytest.mark.skipif(sys.platform == "win32", reason="no SIGKILL there")
@pytest.mark.parametrize("what", ["measured", "rendered"])
def test_a_worker_that_is_killed_in_mid_job_changes_no_byte(what: str, address: str, evening: Path) -> None:
    here = mix(Order(source=evening / "take", cwd=evening, out=evening / "here", workers=1, trace=Path("trace.json")))
    rows = json.loads((evening / "trace.json").read_text(encoding="utf-8"))["traceEvents"]
    jobs_of = [number for number, row in enumerate(rows, 1) if row["name"].startswith("render the ")]
    died = evening / "died"
    with Client(address, set_as_default=False) as client:
        runner = Fatal(client, 1 if what == "measured" else jobs_of[0], died)
        there = mix(Order(source=evening / "take", cwd=evening, out=evening / "there", runner=runner))
    assert died.exists()
    assert digests(there.home / "mixes") == digests(here.home / "mixes")


def note_and_wait(begun: Path, until: Path, number: int) -> int:
    (begun / str(number)).touch()
    while not until.exists():
        time.sleep(0.01)
    return number


def test_a_cluster_that_is_stopped_begins_nothing_more_and_leaves_nobody_waiting(address: str, tmp_path: Path) -> None:
    begun, until = tmp_path / "begun", tmp_path / "until"
    begun.mkdir()
    with connected(address) as cluster:
        futures = [cluster.submit(partial(note_and_wait, begun, until, number), 0, 1.0) for number in range(12)]
        while len(list(begun.iterdir())) < 2:
            time.sleep(0.01)
        cluster.stop()
        errors = [future.exception(30.0) for future in futures]
        until.touch()
        assert all(isinstance(error, MachineError) for error in errors)
        # The workers are free for the next run, and none of the others' jobs was begun.
        assert lane_on(cluster).all(jobs(twice, 4)) == [0, 2, 4, 6]
    assert len(list(begun.iterdir())) == 2


def digests(mixes: Path) -> dict[str, str]:
    return {
        path.relative_to(mixes).as_posix(): hashlib.sha256(path.read_bytes()).hexdigest()
        for path in sorted(mixes.rglob("*"))
        if path.is_file() and path.suffix in (".wav", ".mp3", ".json")
    }
