"""Lanes whose jobs run in the tests' own process, or in workers."""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager

from morningmix.workers.jobs import Here, Lane, Run
from morningmix.workers.pool import Pool
from morningmix.workers.progress import Meter, Progress, no_progress
from morningmix.workers.trace import Trace


def lane_here(progress: Progress = no_progress) -> Lane:
    """A lane of a run with one worker, which is this process."""
    return Lane(Run(runner=Here(), meter=Meter(progress), trace=Trace()))


@contextmanager
def lane_of(workers: int) -> Iterator[Lane]:
    """A lane of a run with that many workers, processes if there are several."""
    if workers == 1:
        yield lane_here()
        return
    with Pool(workers, ("morningmix.commands.song",), lambda _: None) as pool:
        yield Lane(Run(runner=pool, meter=Meter(no_progress), trace=Trace()))
