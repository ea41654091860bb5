"""Run jobs on other machines, by Dask: it schedules, tries again where a worker is lost, and shows a dashboard.

All workers see the recordings and the mix folders under the same paths.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator
from concurrent.futures import CancelledError, Future
from contextlib import contextmanager
from functools import partial
from threading import BoundedSemaphore
from typing import Any, TypeVar

from morningmix.errors import MachineError, UsageError
from morningmix.workers.jobs import Done, perform

Result = TypeVar("Result")
MOST_WAITING = 256
"""Jobs that the scheduler holds at a time (design choice)."""
_PATIENCE_S = 10.0


class Cluster:
    """Runs jobs on a Dask cluster. No more than `MOST_WAITING` are with the scheduler; `submit` waits for its turn."""

    def __init__(self, client: Any) -> None:
        self._client = client
        self._room = BoundedSemaphore(MOST_WAITING)
        self._dask: dict[int, Any] = {}

    @property
    def workers(self) -> int:
        """Threads of all workers, at least one."""
        return max(1, int(sum(self._client.nthreads().values())))

    start_s = 0.0

    def submit(self, call: Callable[[], Result], priority: int, cost: float) -> Future[Done[Result]]:  # noqa: ARG002 - the protocol
        """Run a job on a worker."""
        self._room.acquire()
        future: Future[Done[Result]] = Future()
        try:
            dask = self._client.submit(perform, call, priority=-priority, pure=False)
        except BaseException:
            self._room.release()
            raise
        # Kept until it is done, because Dask forgets what nobody holds.
        self._dask[id(future)] = dask
        dask.add_done_callback(partial(self._done, future))
        return future

    def expect(self, priority: int) -> None:
        """The scheduler takes jobs as they come."""

    def stop(self) -> None:
        """Give up all jobs, as far as the scheduler can."""
        self._client.cancel(list(self._dask.values()))

    def _done(self, future: Future[Any], dask: Any) -> None:
        self._dask.pop(id(future), None)
        self._room.release()
        if not future.set_running_or_notify_cancel():
            return
        try:
            future.set_result(dask.result())
        except BaseException as error:
            future.set_exception(_in_words(error))


def _in_words(error: BaseException) -> BaseException:
    from distributed import KilledWorker  # noqa: TID251
    from distributed.client import FutureCancelledError  # noqa: TID251

    if isinstance(error, KilledWorker | FutureCancelledError | CancelledError):
        lost = MachineError(
            "The cluster lost this job more than once, perhaps because a worker ran out of memory. "
            "Check the scheduler, then run it again; nothing is lost."
        )
        lost.__cause__ = error
        return lost
    return error


@contextmanager
def connected(address: str) -> Iterator[Cluster]:
    """The cluster whose scheduler is at an address, such as tcp://HOST:PORT.

    Raises `UsageError` where Dask is not installed or nobody answers.
    """
    try:
        from distributed import Client  # noqa: TID251
    except ImportError as error:
        raise UsageError("--cluster needs Dask. Install it with: pip install '.[cluster]'") from error
    try:
        client = Client(address, timeout=_PATIENCE_S, set_as_default=False)  # type: ignore[no-untyped-call]
    except (OSError, ValueError, TimeoutError) as error:
        raise UsageError(f"No scheduler answers at {address}. Start it with: dask scheduler") from error
    with client:
        yield Cluster(client)
