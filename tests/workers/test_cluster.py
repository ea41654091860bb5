"""Jobs on a Dask cluster: results, errors, how many wait at a time; whole rehearsals give the same bytes."""

from __future__ import annotations

import hashlib
import os
import shutil
from collections.abc import Iterator
from concurrent.futures import Future
from functools import partial
from pathlib import Path

import pytest
from distributed import LocalCluster  # noqa: TID251 - the cluster of the tests

from command_line import run
from lanes import lane_here
from morningmix.commands.several import at_a_time
from morningmix.errors import RecordingsError, UsageError
from morningmix.workers.cluster import MOST_WAITING, Cluster, connected
from morningmix.workers.jobs import Job, Lane, Run
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
            futures.append(cluster.submit(partial(twice, number), 0))  # type: ignore[arg-type]
            waiting = max(waiting, sum(not future.done() for future in futures))
        assert [future.result().result for future in futures] == [2 * n for n in range(len(futures))]  # type: ignore[attr-defined]
    # One more may be between done and counted.
    assert waiting <= MOST_WAITING + 1


def test_an_address_where_nobody_answers_is_one_line() -> None:
    with pytest.raises(UsageError, match="dask scheduler"), connected("nowhere"):
        pass


def test_rehearsals_on_a_cluster_come_out_as_here_and_a_bad_one_stops_no_other(address: str, tmp_path: Path) -> None:
    write_take(tmp_path / "take", 6.0)
    for name in ("a", "b", "c"):
        (tmp_path / "archive" / name).mkdir(parents=True)
        tracks = "../../nowhere" if name == "b" else "../../take"
        text = f'recipe = 1\n[rehearsal]\ntracks = "{tracks}"\ntitle = "Thursday"\n'
        (tmp_path / "archive" / name / "recipe.toml").write_text(text, encoding="utf-8")
    done = run("mix", "--all", "archive", "--cluster", address, "--json", cwd=tmp_path)
    assert done.returncode in (3, 4), done.stderr
    assert len(done.stdout.splitlines()) == 3
    there = digests(tmp_path / "archive" / "a" / "mixes")
    assert there == digests(tmp_path / "archive" / "c" / "mixes")
    shutil.copytree(tmp_path / "archive" / "a", tmp_path / "archive" / "here")
    shutil.rmtree(tmp_path / "archive" / "here" / "mixes")
    assert run("mix", "archive/here/recipe.toml", "--workers", "1", cwd=tmp_path).returncode == 0
    assert digests(tmp_path / "archive" / "here" / "mixes") == there


def digests(mixes: Path) -> dict[str, str]:
    return {
        path.relative_to(mixes).as_posix(): hashlib.sha256(path.read_bytes()).hexdigest()
        for path in sorted(mixes.rglob("*"))
        if path.is_file() and path.suffix in (".wav", ".mp3", ".json")
    }


def test_as_many_rehearsals_at_a_time_as_keep_a_cluster_busy() -> None:
    assert [at_a_time(workers) for workers in (1, 2, 8, 500)] == [2, 2, 8, 32]
